"""Firmware volumes and files: worked examples, and real images recomputed by other means."""

import lzma
import random
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import crccheck.checksum
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image.checks import CheckState
from flashbench.image.finds import FirmwareFile, Volume
from flashbench.image.firmware_volumes import find_volumes
from flashbench.image.unpacking import unpack_all
from tests.builders.boards import OVMF

OVMF_IMAGES = sorted(path for path in OVMF.glob("*.fd") if not path.is_symlink())
needs_ovmf = pytest.mark.skipif(not OVMF_IMAGES, reason="the ovmf package is not installed")

# A 64 KiB volume of 16 blocks of 4 KiB with a 72-byte header, checksum word E6BEh, and a pad file
# of 38h bytes with header checksum E8h: worked by hand after the PI specification, volume 3.
VOLUME_HEADER = bytes.fromhex(
    "00000000000000000000000000000000 78e58c8c3d8a1c4f9935896185c32dd3"
    "0000010000000000 5f465648 fffe0400 4800 bee6 0000 00 02 1000000000100000 0000000000000000"
)
PAD_FILE = b"\xff" * 16 + bytes.fromhex("e8aaf00038000 0f8".replace(" ", ""))


def volume_with(*files: bytes) -> bytes:
    body = VOLUME_HEADER
    for file in files:
        body += file + b"\xff" * (-len(body + file) % 8)
    return body.ljust(1 << 16, b"\xff")


def summed_file(data: bytes) -> bytes:
    """A file with attribute 40h: byte 11h makes itself and the data sum to zero."""
    size = (24 + len(data)).to_bytes(3, "little")
    header = bytearray(bytes(range(16)) + b"\0\0\x01\x40" + size + b"\0")
    header[0x10] = -sum(header) % 256
    header[0x11] = -sum(data) % 256
    header[0x17] = 0xF8
    return bytes(header) + data


def test_the_worked_example_is_right_and_has_its_bounds() -> None:
    (volume,) = find_volumes(bytes(4096) + volume_with(PAD_FILE + bytes(32)))

    assert (volume.offset, volume.length) == (4096, 1 << 16)
    assert volume.check.state is CheckState.RIGHT
    assert volume.guid == "8c8ce578-8a3d-4f1c-9935-896185c32dd3"
    (file,) = volume.files
    assert (file.offset, file.length, file.type) == (4096 + 72, 0x38, 0xF0)
    assert file.header_check.state is CheckState.RIGHT
    assert file.data_check.state is CheckState.ABSENT
    assert file.data_check.why == "the file has no sum of its data, only the fixed AAh"


def test_a_file_sum_is_checked_where_the_attribute_says_there_is_one() -> None:
    file = summed_file(b"123456789")
    assert file[0x11] == 0x23  # the digits sum to DDh

    (good,) = find_volumes(volume_with(file))
    (bad,) = find_volumes(volume_with(file[:-1] + b"8"))

    assert good.files[0].data_check.state is CheckState.RIGHT
    assert bad.files[0].data_check.state is CheckState.WRONG
    assert bad.files[0].header_check.state is CheckState.RIGHT


def test_a_deleted_file_has_no_data_check() -> None:
    file = bytearray(summed_file(b"123456789"))
    file[-1] = ord("8")
    file[0x17] ^= 0x10

    (volume,) = find_volumes(volume_with(bytes(file)))

    assert volume.files[0].data_check.state is CheckState.ABSENT


def test_a_fixed_checksum_of_another_value_is_wrong() -> None:
    file = bytearray(PAD_FILE + bytes(32))
    file[0x11] = 0xAB

    (volume,) = find_volumes(volume_with(bytes(file)))

    assert volume.files[0].data_check.state is CheckState.WRONG


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 71), bit=st.integers(0, 7))
def test_every_flipped_bit_of_a_volume_header_is_told(at: int, bit: int) -> None:
    image = bytearray(volume_with(PAD_FILE + bytes(32)))
    image[at] ^= 1 << bit

    volumes = find_volumes(bytes(image))

    assert all(volume.check.state is not CheckState.RIGHT for volume in volumes)


def test_a_truncated_volume_is_named_with_what_is_missing() -> None:
    (volume,) = find_volumes(volume_with(PAD_FILE + bytes(32))[:0x8000])

    assert volume.check.state is CheckState.RIGHT
    assert volume.notes == ("it reaches beyond the end of the data",)
    assert len(volume.files) == 1


def test_the_signature_alone_is_not_a_volume() -> None:
    assert find_volumes(random.Random(1).randbytes(4096) + b"_FVH" + bytes(4096)) == ()


def everything_in(data: bytes) -> Iterator[tuple[bytes, tuple[Volume, ...]]]:
    volumes = find_volumes(data)
    yield data, volumes
    for part in unpack_all(data, volumes, lambda content: content):
        if part.content is not None:
            yield part.content, find_volumes(part.content)


@needs_ovmf
@pytest.mark.parametrize("path", OVMF_IMAGES, ids=lambda path: path.name)
def test_every_check_in_real_firmware_agrees_with_other_means(path: Path) -> None:
    """Volumes and files are found anew with struct, their sums made by crccheck."""
    counted = 0
    for data, volumes in everything_in(path.read_bytes()):
        places = [volume.offset for volume in volumes]
        assert places == sorted(set(places))
        for volume in volumes:
            assert volume_sum(data, volume) == 0
            assert volume.check.state is CheckState.RIGHT
            for file in volume.files:
                assert header_sum(data, file) == 0
                assert file.header_check.state is CheckState.RIGHT
                assert data[file.offset + 0x11] == 0xAA
                assert file.data_check.state is CheckState.ABSENT
                assert file.state == 0xF8
                counted += 1
    assert (counted > 100) == path.name.startswith("OVMF_CODE")


def volume_sum(data: bytes, volume: Volume) -> int:
    (size,) = struct.unpack_from("<H", data, volume.offset + 0x30)
    header = data[volume.offset : volume.offset + size]
    swapped = b"".join(header[at + 1 : at - 1 if at else None : -1] for at in range(0, size, 2))
    return int(crccheck.checksum.Checksum16.calc(swapped))


def header_sum(data: bytes, file: FirmwareFile) -> int:
    header = bytearray(data[file.offset : file.offset + 24])
    header[0x11] = header[0x17] = 0
    return int(crccheck.checksum.Checksum8.calc(header))


def alone(data: bytes) -> bytes:
    return lzma.compress(data, format=lzma.FORMAT_ALONE)


@pytest.mark.parametrize(
    ("form", "pack"),
    [("xz", lzma.compress), ("zlib", zlib.compress), ("LZMA", alone)],
)
def test_compressed_data_is_unpacked_and_its_end_found(form: str, pack: object) -> None:
    assert callable(pack)
    content = b"memory settings " * 100
    packed = pack(content)
    image = b"\xff" * 100 + packed + b"\xff" * 100

    (part,) = unpack_all(image, (), lambda content: content)

    assert (part.form, part.content) == (form, content)
    assert part.unpacked_bytes == len(content)
    assert part.span == (100, 100 + len(packed))


def test_equal_compressed_parts_are_unpacked_and_looked_into_once() -> None:
    packed = lzma.compress(b"memory settings " * 100)
    other = lzma.compress(b"memory settings." * 100)
    looked_into = []

    def tell(content: bytes) -> int:
        looked_into.append(content)
        return len(looked_into)

    parts = unpack_all(b"\xff".join((packed, packed, other, packed)), (), tell)

    assert looked_into == [b"memory settings " * 100, b"memory settings." * 100]
    assert [part.content for part in parts] == [1, 1, 2, 1]
    assert [part.span.end - part.span.start for part in parts] == [
        len(packed), len(packed), len(other), len(packed)
    ]  # fmt: skip


def test_a_part_cut_short_is_not_taken_for_the_whole_one_before_it() -> None:
    packed = lzma.compress(b"memory settings " * 100)

    (part,) = unpack_all(packed + packed[:-1], (), len)

    assert part.span == (0, len(packed))


def test_a_broken_stream_is_not_taken_for_compressed_data() -> None:
    packed = bytearray(lzma.compress(b"memory settings " * 100))
    packed[40] ^= 0xFF

    assert unpack_all(bytes(packed), (), len) == ()


@settings(max_examples=100, deadline=None)
@given(
    pieces=st.lists(
        st.one_of(
            st.sampled_from((VOLUME_HEADER, PAD_FILE, b"_FVH", b"\xff" * 24, b"\x1f\x8b\x08\0")),
            st.binary(max_size=40),
        ),
        max_size=20,
    )
)
def test_any_bytes_are_survived(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    volumes = find_volumes(data)
    for volume in volumes:
        for file in volume.files:
            assert volume.offset < file.offset < file.offset + file.length <= len(data)
    unpack_all(data, volumes, len)
