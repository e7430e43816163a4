"""What `inspect` says of a whole image."""

import hashlib
import json
import lzma
import random
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image import stored_digests
from flashbench.image.checks import CheckState, Span
from flashbench.image.finds import Confidence
from flashbench.image.inspection import Editable, Inspection, inspect
from flashbench.image.inspection_text import render
from flashbench.image.stored_digests import find_stored_digests
from tests.image.spd_data import entry
from tests.image.test_firmware_volumes import volume_with
from tests.image.test_private_blocks import OVMF_IMAGES, crc_block, image_with, needs_ovmf

SPD = entry("MT62F1G32D4DR-031 WT:B", "lp5/set-0").spd


def block_around(record: bytes) -> bytes:
    """An undocumented block whose payload is one memory record."""
    size = 16 + len(record) + 16
    head = b"QzB7" + size.to_bytes(2, "little") + b"\x01\x00"
    payload = bytes(range(0x40, 0x44)) + record + random.Random(1).randbytes(16)
    return head + zlib.crc32(head + bytes(4) + payload).to_bytes(4, "little") + payload


def the_verdict(image: bytes) -> tuple[Editable, str]:
    (finding,) = inspect(image).memory
    return finding.editable, finding.reason


def test_a_record_in_a_block_whose_check_can_be_repaired_is_editable() -> None:
    block = block_around(SPD)
    image = image_with((4096, block), (40960, block))

    found = inspect(image)

    assert {finding.editable for finding in found.memory} == {Editable.HERE}
    assert [finding.record.offset for finding in found.memory] == [4096 + 16, 40960 + 16]
    assert found.memory[0].reason == (
        "it lies in the private block at 0x1000, whose check is right now"
    )


def test_a_record_in_no_known_block_is_left_open() -> None:
    editable, reason = the_verdict(image_with((4096, SPD)))

    assert editable is Editable.UNKNOWN
    assert reason == "no block was recognised around it, so what checks it is not known"


def test_a_record_in_compressed_data_is_seen_and_not_offered() -> None:
    packed = lzma.compress(bytes(1000) + SPD + bytes(1000), format=lzma.FORMAT_ALONE)

    editable, reason = the_verdict(image_with((4096, packed)))

    assert editable is Editable.COMPRESSED
    assert reason == "it lies in LZMA data at 0x1000"


def test_a_record_that_shows_through_weak_compression_is_not_offered_either() -> None:
    """Deflate may store bytes as they are; changing them there would break the stream."""
    packed = zlib.compress(bytes(range(200)) + SPD, 0)
    image = image_with((4096, packed))
    assert SPD in image

    assert the_verdict(image)[0] is Editable.COMPRESSED


@pytest.mark.parametrize("algorithm", ["sha1", "sha256", "sha384", "sha512"])
def test_a_block_whose_digest_is_stored_is_not_editable(algorithm: str) -> None:
    block = block_around(SPD)
    digest = hashlib.new(algorithm, block).digest()
    image = image_with((4096, block), (40960, block), (60000, digest))

    found = inspect(image)

    assert {finding.editable for finding in found.memory} == {Editable.DIGEST}
    assert f"{algorithm.upper().replace('SHA', 'SHA-')} of" in found.memory[0].reason
    assert "is stored at 0xea60" in found.memory[0].reason
    assert {one.offset for one in found.digests} == {60000}


def test_a_record_in_a_volume_file_without_a_sum_is_editable() -> None:
    size = (24 + len(SPD)).to_bytes(3, "little")
    header = bytearray(bytes(range(16)) + b"\0\0\x01\x00" + size + b"\0")
    header[0x10] = -sum(header) % 256
    header[0x11], header[0x17] = 0xAA, 0xF8

    editable, reason = the_verdict(volume_with(bytes(header) + SPD))

    assert editable is Editable.HERE
    assert reason == "it lies in the file at 0x48, which has no sum of its data"


def test_a_digest_of_bytes_that_are_not_a_block_is_not_sought() -> None:
    data = image_with((1000, hashlib.sha256(bytes(100)).digest()))

    assert find_stored_digests(data, [Span(0, 50)]) == ()


def test_too_much_to_hash_leaves_the_longest_out_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    block = block_around(SPD)
    longer = block_around(SPD + bytes(range(256)) * 8)
    image = image_with(
        (4096, longer), (20480, longer), (8192, block), (40960, block),
        (60000, hashlib.sha256(block).digest()),
    )  # fmt: skip
    monkeypatch.setattr(stored_digests, "HASHED_MAX", 4 * len(longer))

    found = inspect(image)

    assert {one.offset for one in found.digests} == {60000}
    assert "stored digests of 2 long stretches were not looked for, the first at 0x1000" in (
        found.doubts
    )


@needs_ovmf
def test_real_firmware_is_named_down_to_its_compressed_files() -> None:
    path = next(path for path in OVMF_IMAGES if path.name == "OVMF_CODE.fd")

    found = inspect(path.read_bytes())

    assert [(volume.offset, len(volume.files)) for volume in found.volumes] == [
        (0, 2),
        (0x1AC000, 4),
    ]
    (packed,) = found.packed
    assert packed.part.form == "LZMA"
    assert sum(len(volume.files) for volume in packed.volumes) > 100
    assert not [block for block in found.blocks if block.confidence is Confidence.FOUND]


def scene() -> Inspection:
    rng = random.Random(9)
    row = b"".join(crc_block(rng, size) for size in (100, 64, 300))
    damaged = bytearray(row)
    damaged[250] ^= 0x40
    return inspect(
        image_with(
            (4096, row),
            (32768, bytes(damaged)),
            (50000, b"\0Serial Number: WF000123\0"),
            (20480, b"\xff" * 8192),
        )
    )


def test_the_json_has_the_keys_that_scripts_rely_on() -> None:
    told = json.loads(json.dumps(scene().to_json()))

    assert told["size"] == 1 << 16
    assert len(told["sha256"]) == 64
    assert {"blocks", "volumes", "memory"} <= set(told)
    first = told["blocks"][0]
    assert first["offset"] == 4096
    assert first["length"] == 100
    assert first["signature"] == "QzB7"
    assert first["copy_of"] is None
    assert first["confidence"] == "found"
    assert first["check"]["kind"] == "CRC-32/ISO-HDLC"
    assert first["check"]["offset"] == 4104
    assert first["check"]["holds"] is True
    last = told["blocks"][-1]
    assert last["copy_of"] == 4096 + 164
    assert last["check"]["holds"] is False
    assert told["blank"] == [{"offset": 20480, "length": 8192, "value": 255}]
    assert "Serial Number: WF000123" in [one["text"] for one in told["strings"]]


def test_the_doubts_name_the_wrong_check_and_the_unequal_copy() -> None:
    assert scene().doubts == (
        "the private block at 0x80a4 has a wrong CRC-32/ISO-HDLC",
        "the copies at 0x10a4 and 0x80a4 differ, first at 0x80fa",
    )


def test_the_text_fits_80_columns_and_says_what_was_found() -> None:
    text = render(scene())

    assert max(len(line) for line in text.splitlines()) <= 80
    assert '"QzB7"; 300 bytes; CRC-32/ISO-HDLC at its byte 8 wrong;' in text
    assert "8 KiB of FF" in text
    assert "Compressed parts" not in text


@settings(max_examples=25, deadline=None)
@given(data=st.binary(max_size=3000), repeats=st.integers(1, 3))
def test_any_bytes_can_be_inspected(data: bytes, repeats: int) -> None:
    image = data * repeats

    found = inspect(image)

    assert found.size == len(image)
    assert all(check.state in CheckState for block in found.blocks for check in block.checks)
    json.dumps(found.to_json())
    assert max(len(line) for line in render(found).splitlines()) <= 80
