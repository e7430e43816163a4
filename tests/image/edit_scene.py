"""A small image with two copies of a checked block around an SPD content, built by hand."""

import zlib

from flashbench.image.checks import Check, CheckKind, Span
from flashbench.image.finds import Block, Confidence
from tests.image.spd_data import entry

SIGNATURE = b"TbLk"
HEADER = 16  # signature, kind, 2 spare, length, CRC-32 with its field as zero
BLOCK_BYTES = HEADER + 512 + 64
COPIES = (0x1000, 0x5000)
IMAGE_BYTES = 0x8000
OTHER_BLOCK = COPIES[0] + BLOCK_BYTES

OLD = entry("MT62F512M32D2DR-031 WT:B", "lp5/set-0")
NEW = entry("MT62F1G32D2DS-031 WT:C", "lp5/set-0")


def sealed(kind: int, body: bytes) -> bytes:
    header = SIGNATURE + bytes([kind, 0, 0, 0]) + (HEADER + len(body)).to_bytes(4, "little")
    crc = zlib.crc32(header + bytes(4) + body)
    return header + crc.to_bytes(4, "little") + body


def memory_block(spd: bytes = OLD.spd, *, tail: bytes = bytes(range(64))) -> bytes:
    return sealed(3, spd + tail)


def scene(first: bytes | None = None, second: bytes | None = None) -> bytes:
    """Copies at `COPIES`, each followed by a block of the same signature and length."""
    image = bytearray(b"\xff" * IMAGE_BYTES)
    for offset, block in zip(COPIES, (first, second), strict=True):
        pair = (block or memory_block()) + sealed(4, bytes(512 + 64))
        image[offset : offset + len(pair)] = pair
    return bytes(image)


def found_block(offset: int, *, copy_of: int | None = None) -> Block:
    return Block(
        offset=offset,
        length=BLOCK_BYTES,
        signature=SIGNATURE,
        name=f"block {SIGNATURE.decode()}",
        confidence=Confidence.FOUND,
        check=Check(
            kind=CheckKind.CRC_32_ISO_HDLC,
            offset=offset + 12,
            order="little",
            covers=(Span(offset, offset + BLOCK_BYTES),),
            zeroed=(Span(offset + 12, offset + 16),),
        ),
        copy_of=copy_of,
    )


def found_blocks() -> tuple[Block, ...]:
    first, second = COPIES
    return (
        found_block(first),
        found_block(first + BLOCK_BYTES),
        found_block(second, copy_of=first),
        found_block(second + BLOCK_BYTES, copy_of=first + BLOCK_BYTES),
    )


EDIT = f"""
flashbench_edit = 1
[[block]]
name = "memory table"
signature = "{SIGNATURE.hex()}"
length = {BLOCK_BYTES}
copies = 2
also = [{{ at = 4, bytes = "03" }}]
[[block.check]]
kind = "CRC-32/ISO-HDLC"
at = 12
order = "little"
covers = [[0, {BLOCK_BYTES}]]
zeroed = [[12, 16]]
"""
CHANGE = """
[[block.change]]
at = 20
expect = "15 1a"
new = "16 22"
why = "density and rows"
"""
MEMORY = """
[[block.memory]]
at = 16
length = 512
[block.memory.package]
type = "LPDDR5"
known_from = "datasheet"
[block.memory.package.attributes]
densityPerDieGb = 16
diesPerPackage = 2
bitWidthPerChannel = 16
ranksPerChannel = 1
speedMbps = 6400
"""
