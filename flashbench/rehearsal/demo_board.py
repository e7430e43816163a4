"""The practice board: a 16 MiB flash image of a computer that does not exist.

Board, maker, block signature, serial numbers and layout are invented. Network addresses are of
the block that RFC 7042 keeps for documentation (00-00-5E-00-53-xx). Memory part numbers are
real, so that the SPD contents describe something; their bytes are written here from the field
positions and codes of JEDEC SPD4.1.2.M-2 (as EDK2's SdramSpdLpDdr.h gives them) and the values
that public part lists hold for these parts. Firmware volumes follow the UEFI PI specification,
volume 3. Nothing of the editing code is used: a mistake there must not repeat itself here.

The scene: five private blocks in a row, twice in the image. The third block holds a table of
eight SPD contents; three strap resistors on the board choose one of them.
"""

import random
import struct
import uuid
import zlib
from dataclasses import dataclass
from typing import Final

IMAGE_BYTES: Final = 16 << 20
BLOCK_SIGNATURE: Final = b"WfB2"
GROUP_OFFSETS: Final = (0x00A4_1000, 0x00E0_3000)
ROW_BYTES: Final = 512
ROW_COUNT: Final = 8

_HEADER = struct.Struct("<4sHHII")  # signature, kind, revision, whole length, CRC-32
_CRC_OFFSET = 12
_MEMORY_TABLE_KIND = 3
_TABLE_HEADER_BYTES = 16  # between the block's header and the first row
_VOLUMES = ((0x0010_0000, 0x0030_0000), (0x0080_0000, 0x0010_0000))
_BLANK = ((0x0050_0000, 0x0020_0000), (0x00A0_0000, 0x0004_0000), (0x00F0_0000, 0x0008_0000))
_NUMBERS_OFFSET = 0x0008_0000


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFacts:
    """What the technician knows who stands before the practice board."""

    label: str
    board: str
    chip_bytes: int
    straps: str  # as measured, most significant first
    packages_on_board: int
    old_part: str
    new_part: str
    old_package_toml: str
    new_package_toml: str


DEMO: Final = DemoFacts(
    label="practice board 7",
    board="Wrenfield Compact 2",
    chip_bytes=IMAGE_BYTES,
    straps="010",
    packages_on_board=2,
    old_part="MT62F512M32D2DR-031 WT:B",
    new_part="MT62F1G32D2DS-031 WT:C",
    old_package_toml="""\
part = "MT62F512M32D2DR-031 WT:B"
type = "LPDDR5"
known_from = "marking"
[attributes]
densityPerDieGb = 8
diesPerPackage = 2
bitWidthPerChannel = 16
ranksPerChannel = 1
speedMbps = 6400
""",
    new_package_toml="""\
part = "MT62F1G32D2DS-031 WT:C"
type = "LPDDR5"
known_from = "datasheet"
[attributes]
densityPerDieGb = 16
diesPerPackage = 2
bitWidthPerChannel = 16
ranksPerChannel = 1
speedMbps = 6400
""",
)


def demo_image(seed: int = 7) -> bytes:
    """The flash content of one practice board; another seed is another board of the model."""
    noise = random.Random(seed)
    image = bytearray(noise.randbytes(IMAGE_BYTES))
    image[:0x1000] = b"\xff" * 0x1000
    for start, length in _VOLUMES:
        image[start : start + length] = _volume(noise, length)
    for start, length in _BLANK:
        image[start : start + length] = b"\xff" * length
    numbers = _board_numbers(seed)
    image[_NUMBERS_OFFSET : _NUMBERS_OFFSET + 0x1000] = _padded(numbers, 0x1000)
    group = _group(noise, numbers)
    for start in GROUP_OFFSETS:
        image[start - 0x1000 : start + 0x8000] = b"\xff" * 0x9000
        image[start : start + len(group)] = group
    return bytes(image)


def demo_edited_image(image: bytes) -> bytes:
    """`image` with the row that the straps choose describing the new package, in both groups.

    Raises ValueError if `image` is not one of `demo_image`.
    """
    edited = bytearray(image)
    for group in GROUP_OFFSETS:
        start, length = _memory_table(image, group)
        row = start + _HEADER.size + _TABLE_HEADER_BYTES + int(DEMO.straps, 2) * ROW_BYTES
        edited[row : row + ROW_BYTES] = _spd(_NEW)
        struct.pack_into("<I", edited, start + _CRC_OFFSET, 0)
        crc = zlib.crc32(edited[start : start + length])
        struct.pack_into("<I", edited, start + _CRC_OFFSET, crc)
    return bytes(edited)


def _memory_table(image: bytes, group: int) -> tuple[int, int]:
    """Start and length of the block with the SPD contents."""
    start = group
    while image[start : start + 4] == BLOCK_SIGNATURE:
        _, kind, _, length, _ = _HEADER.unpack_from(image, start)
        if kind == _MEMORY_TABLE_KIND:
            return start, length
        start += length
    raise ValueError("this is not the image of a practice board")


def _group(noise: random.Random, numbers: bytes) -> bytes:
    rows = b"".join(_spd(part) if part else b"\xff" * ROW_BYTES for part in _ROWS)
    table = struct.pack("<HHI8x", ROW_COUNT, ROW_BYTES, 0b111) + rows
    fan_curve = b"".join(struct.pack("<HH", 35 + 5 * i, 20 + 8 * i) for i in range(10))
    return b"".join(
        (
            _block(1, numbers),
            _block(2, b"rails\0\0\0" + noise.randbytes(232)),
            _block(_MEMORY_TABLE_KIND, table),
            _block(4, b"fan\0" + fan_curve),
            _block(5, b"boot order\0\0" + bytes([1, 3, 2, 0]) + noise.randbytes(480)),
        )
    )


def _block(kind: int, body: bytes) -> bytes:
    """A private block: the CRC-32 in its header is made with its own field as zero."""
    body += bytes(-len(body) % 16)
    length = _HEADER.size + len(body)
    unsummed = _HEADER.pack(BLOCK_SIGNATURE, kind, 2, length, 0) + body
    crc = zlib.crc32(unsummed)
    return unsummed[:_CRC_OFFSET] + struct.pack("<I", crc) + unsummed[_CRC_OFFSET + 4 :]


def _board_numbers(seed: int) -> bytes:
    """Identity strings: maker, model, serial, two network addresses, UUID."""
    board = random.Random(f"numbers of board {seed}")
    last = board.randrange(0, 255)
    lines = [
        "Wrenfield Works",
        DEMO.board,
        f"SN WF2-{board.randrange(10**4):04d}-{board.randrange(10**6):06d}",
        f"MAC0 00-00-5E-00-53-{last:02X}",
        f"MAC1 00-00-5E-00-53-{last + 1:02X}",
        f"UUID {uuid.UUID(int=board.getrandbits(128), version=4)}",
    ]
    text = b"".join(_padded(line.encode("ascii"), 48, fill=b"\0") for line in lines)
    return text + bytes([0x00, 0x00, 0x5E, 0x00, 0x53, last])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """An LPDDR5 package of two 16-bit, or four 8-bit, channels."""

    gbit_per_die: int
    dies: int
    ranks: int
    width_bits: int
    mbps: int


_OLD = _Part(gbit_per_die=8, dies=2, ranks=1, width_bits=16, mbps=6400)
_NEW = _Part(gbit_per_die=16, dies=2, ranks=1, width_bits=16, mbps=6400)
_ROWS: tuple[_Part | None, ...] = (
    _Part(gbit_per_die=8, dies=4, ranks=2, width_bits=16, mbps=6400),  # MT62F1G32D4DR-031
    _Part(gbit_per_die=8, dies=2, ranks=1, width_bits=16, mbps=7500),  # K3KL6L60GM-MGCT
    _OLD,
    _Part(gbit_per_die=16, dies=4, ranks=2, width_bits=16, mbps=8533),  # H58G66BK8BX067
    _Part(gbit_per_die=16, dies=4, ranks=2, width_bits=16, mbps=6400),  # H58G66AK6BX070
    _Part(gbit_per_die=8, dies=8, ranks=2, width_bits=8, mbps=6400),  # MT62F2G32D8DR-031
    None,
    None,
)

_DENSITY_CODE = {8: 0x5, 16: 0x6}
# tCK in ps (8 transfers a clock) and the read latency in clocks.
_CLOCK = {6400: (1250, 17), 7500: (1066, 20), 8533: (937, 23)}
# All-bank and per-bank refresh in units of 125 ps.
_REFRESH = {8: (1680, 960), 16: (2240, 1120)}


def _spd(part: _Part) -> bytes:
    """512 bytes as soldered-down boards store them, without a CRC."""
    tck_ps, latency = _CLOCK[part.mbps]
    row_bits = 15 + (part.gbit_per_die == 16) + (part.width_bits == 8)
    channels = part.dies // part.ranks
    tck, tck_fine = _coarse_and_fine(tck_ps)
    taa, taa_fine = _coarse_and_fine(latency * tck_ps)
    spd = bytearray(ROW_BYTES)
    spd[0:4] = bytes([0x23, 0x10, 0x15 if part.mbps > 6400 else 0x13, 0x0E])
    spd[4] = 0x10 | _DENSITY_CODE[part.gbit_per_die]  # eight banks
    spd[5] = (row_bits - 12) << 3 | 2  # eleven columns
    spd[6] = 0x80 | (part.dies - 1) << 4 | (channels.bit_length() - 1) << 2 | 1
    spd[7] = 0x08
    spd[12] = (part.ranks - 1) << 3 | (2 if part.width_bits == 16 else 1)
    spd[13] = 0x01
    spd[18], spd[125] = tck, tck_fine
    spd[24], spd[123] = taa, taa_fine
    spd[26:29] = bytes([144, 168, 144])  # 18, 21, 18 ns
    struct.pack_into("<HH", spd, 29, *_REFRESH[part.gbit_per_die])
    spd[329:349] = b" " * 20
    return bytes(spd)


def _coarse_and_fine(ps: int) -> tuple[int, int]:
    coarse = -(-ps // 125)
    return coarse, (ps - 125 * coarse) & 0xFF


_FFS2_GUID = uuid.UUID("8c8ce578-8a3d-4f1c-9935-896185c32dd3")


def _volume(noise: random.Random, length: int) -> bytes:
    """A UEFI PI firmware volume with a few raw files of noise; the rest is free space."""
    blocks = struct.pack("<IIII", length // 0x1000, 0x1000, 0, 0)
    header_bytes = 56 + len(blocks)
    header = bytearray(
        bytes(16)
        + _FFS2_GUID.bytes_le
        + struct.pack("<Q4sIHHHBB", length, b"_FVH", 0x0004FEFF, header_bytes, 0, 0, 0, 2)
        + blocks
    )
    total = sum(struct.unpack(f"<{header_bytes // 2}H", header))
    struct.pack_into("<H", header, 50, -total & 0xFFFF)
    volume = header
    while len(volume) < length * 3 // 4:
        volume += _raw_file(noise, noise.randrange(0x2000, 0x28000))
        volume += b"\xff" * (-len(volume) % 8)
    return _padded(bytes(volume), length)


def _raw_file(noise: random.Random, size: int) -> bytes:
    """Header sum over the first 24 bytes, with the data sum and the state taken as zero."""
    header = bytearray(24)
    header[:16] = uuid.UUID(int=noise.getrandbits(128), version=4).bytes_le
    header[18] = 0x01  # EFI_FV_FILETYPE_RAW
    header[20:23] = size.to_bytes(3, "little")
    header[16] = -sum(header) & 0xFF
    header[17] = 0xAA
    header[23] = 0xF8
    return bytes(header) + noise.randbytes(size - 24)


def _padded(data: bytes, size: int, *, fill: bytes = b"\xff") -> bytes:
    return data + fill * (size - len(data))
