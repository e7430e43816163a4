"""Images of invented boards: filler with private blocks planted in it, and the truth about them.

Everything is drawn from one seed. The check values are computed here, with zlib, binascii and
crccheck, never with the code under test.
"""

import binascii
import random
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import crccheck.crc

Order = Literal["little", "big"]

OVMF = Path("/usr/share/OVMF")


@dataclass(frozen=True, kw_only=True)
class Planted:
    """One block as it was planted."""

    offset: int
    length: int
    signature: bytes
    check_kind: str
    check_offset: int
    index: int  # in its row
    copy: int  # 0 is the first copy of the row


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The shape of the blocks of one board."""

    signatures: tuple[bytes, ...]  # one for all blocks, or one for each
    header_size: int
    length_offset: int
    length_width: int
    length_order: Order
    length_counts: Literal["whole", "payload", "units"]
    unit: int
    check_kind: str
    check_order: Order
    check_place: int  # from the start, or negative from the end
    check_field: Literal["zeroed", "excluded", "after header"]
    alignment: int


@dataclass(frozen=True, kw_only=True)
class Board:
    """An image and what was planted in it."""

    seed: int
    image: bytes
    layout: Layout
    blocks: tuple[Planted, ...]
    copies: int
    equal: bool
    filler: str

    @property
    def has_enough_evidence(self) -> bool:
        """Two copies, or three blocks of one shape."""
        return self.copies >= 2 or len(self.blocks) >= 3


def _word_sum(size: int, order: Order) -> Callable[[bytes], int]:
    def total(data: bytes) -> int:
        filled = data + bytes(-len(data) % size)
        return sum(
            int.from_bytes(filled[at : at + size], order) for at in range(0, len(filled), size)
        )

    return total


def _fletcher(size: int, order: Order) -> Callable[[bytes], int]:
    def value(data: bytes) -> int:
        modulus = (1 << 8 * size) - 1
        filled = data + bytes(-len(data) % size)
        first = second = 0
        for at in range(0, len(filled), size):
            first = (first + int.from_bytes(filled[at : at + size], order)) % modulus
            second = (second + first) % modulus
        return second << 8 * size | first

    return value


def _crc(name: str) -> Callable[[bytes], int]:
    algorithm = getattr(crccheck.crc, name)

    def value(data: bytes) -> int:
        return int(algorithm.calc(data))

    return value


def _hqx(data: bytes) -> int:
    return binascii.crc_hqx(data, 0)


# kind: (width, {order of the value: function}); a negative sum makes a zero-sum.
CHECKS: dict[str, tuple[int, Callable[[Order], Callable[[bytes], int]]]] = {
    "zero-sum-8": (1, lambda order: lambda data: -sum(data)),
    "zero-sum-16": (2, lambda order: lambda data: -_word_sum(2, order)(data)),
    "zero-sum-32": (4, lambda order: lambda data: -_word_sum(4, order)(data)),
    "sum-8": (1, lambda order: sum),
    "byte-sum-16": (2, lambda order: sum),
    "byte-sum-32": (4, lambda order: sum),
    "sum-16": (2, lambda order: _word_sum(2, order)),
    "CRC-16/XMODEM": (2, lambda order: _hqx),
    "CRC-16/IBM-3740": (2, lambda order: _crc("Crc16Ibm3740")),
    "CRC-16/KERMIT": (2, lambda order: _crc("Crc16Kermit")),
    "CRC-16/ARC": (2, lambda order: _crc("Crc16Arc")),
    "CRC-16/MODBUS": (2, lambda order: _crc("Crc16Modbus")),
    "CRC-32/ISO-HDLC": (4, lambda order: zlib.crc32),
    "CRC-32/JAMCRC": (4, lambda order: lambda data: zlib.crc32(data) ^ 0xFFFFFFFF),
    "CRC-32/BZIP2": (4, lambda order: _crc("Crc32Bzip2")),
    "CRC-32/MPEG-2": (4, lambda order: _crc("Crc32Mpeg2")),
    "CRC-32/ISCSI": (4, lambda order: _crc("Crc32Iscsi")),
    "Adler-32": (4, lambda order: zlib.adler32),
    "Fletcher-16": (2, lambda order: _fletcher(1, "little")),
    "Fletcher-32, little-endian words": (4, lambda order: _fletcher(2, "little")),
    "Fletcher-32, big-endian words": (4, lambda order: _fletcher(2, "big")),
}


def board(seed: int, *, size: int = 1 << 18) -> Board:
    """The board of one seed."""
    rng = random.Random(seed)
    count, copies = rng.randint(1, 8), rng.randint(1, 4)
    layout = _layout(rng, count)
    group = [_block(rng, layout, index) for index in range(count)]
    equal = copies == 1 or rng.random() < 0.7
    filler_name, image = _filler(rng, size)
    rows = [group]
    for _ in range(1, copies):
        rows.append(group if equal else _changed(rng, layout, group))
    planted = _plant(rng, image, layout, rows)
    return Board(
        seed=seed,
        image=bytes(image),
        layout=layout,
        blocks=planted,
        copies=copies,
        equal=equal,
        filler=filler_name,
    )


def _plant(
    rng: random.Random, image: bytearray, layout: Layout, rows: list[list[bytes]]
) -> tuple[Planted, ...]:
    """Write the rows into `image`, apart from one another."""
    planted: list[Planted] = []
    for copy, (start, row) in enumerate(
        zip(_places(rng, layout, rows, len(image)), rows, strict=True)
    ):
        at = start
        for index, block in enumerate(row):
            pad = -at % layout.alignment
            image[at : at + pad] = (b"\xff" if rng.random() < 0.5 else b"\x00") * pad
            at += pad
            image[at : at + len(block)] = block
            planted.append(
                Planted(
                    offset=at,
                    length=len(block),
                    signature=layout.signatures[index % len(layout.signatures)],
                    check_kind=layout.check_kind,
                    check_offset=at + layout.check_place % len(block),
                    index=index,
                    copy=copy,
                )
            )
            at += len(block)
    return tuple(planted)


def _layout(rng: random.Random, count: int) -> Layout:
    check_kind = rng.choice(list(CHECKS))
    check_width = CHECKS[check_kind][0]
    signature_size = rng.choice((4, 4, 4, 6, 8))
    one_for_all = rng.random() < 0.7
    lettered = rng.random() < 0.7
    signatures = tuple(
        _signature(rng, signature_size, lettered=lettered)
        for _ in range(1 if one_for_all else count)
    )
    length_width = rng.choice((2, 4))
    fields = [("length", length_width), ("check", check_width), ("version", 2), ("flags", 2)]
    rng.shuffle(fields)
    at = signature_size
    offsets = {}
    for name, width in fields:
        at += -at % width
        offsets[name] = at
        at += width
    header_size = at + -at % rng.choice((1, 4, 8, 16))
    at_end = rng.random() < 0.25
    unit = rng.choice((4, 8, 16, 64))
    counts: Literal["whole", "payload", "units"] = rng.choice(("whole", "payload", "units"))
    check_field: Literal["zeroed", "excluded", "after header"] = rng.choice(
        ("zeroed", "excluded", "after header")
    )
    return Layout(
        signatures=signatures,
        header_size=header_size,
        length_offset=offsets["length"],
        length_width=length_width,
        length_order=rng.choice(("little", "big")),
        length_counts=counts,
        unit=unit,
        check_kind=check_kind,
        check_order=rng.choice(("little", "big")),
        check_place=-check_width if at_end else offsets["check"],
        check_field=check_field,
        alignment=rng.choice((1, 4, 16, 64, 256)),
    )


def _signature(rng: random.Random, size: int, *, lettered: bool) -> bytes:
    if lettered:
        letters = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_$"
        return bytes(rng.choice(letters) for _ in range(size))
    return bytes(rng.randrange(1, 255) for _ in range(size))


def _block(rng: random.Random, layout: Layout, index: int) -> bytes:
    size = rng.randint(16, rng.choice((64, 400, 2000)))
    if rng.random() < 0.6:
        payload = rng.randbytes(size)
    else:
        payload = bytes(rng.choice((0, 0, 0, 1, 2, rng.randrange(256))) for _ in range(size))
    width = CHECKS[layout.check_kind][0]
    whole = layout.header_size + size + (width if layout.check_place < 0 else 0)
    unit = layout.unit if layout.length_counts == "units" else 4 if rng.random() < 0.7 else 1
    # Sums of words are only well defined over whole words.
    unit = max(unit, 4) if layout.check_kind.startswith(("zero", "sum", "Fletcher-32")) else unit
    payload += bytes(-whole % unit)
    whole += -whole % unit
    block = bytearray(whole)
    signature = layout.signatures[index % len(layout.signatures)]
    block[: len(signature)] = signature
    block[layout.header_size : layout.header_size + len(payload)] = payload
    for at in range(len(signature), layout.header_size):
        block[at] = rng.choice((0, 0, 1, 2, index))
    stored = {
        "whole": whole,
        "payload": whole - layout.header_size,
        "units": whole // layout.unit,
    }[layout.length_counts]
    block[layout.length_offset : layout.length_offset + layout.length_width] = stored.to_bytes(
        layout.length_width, layout.length_order
    )
    return with_check(layout, bytes(block))


def with_check(layout: Layout, block: bytes) -> bytes:
    """`block` with its check value computed by libraries outside the project."""
    width, make = CHECKS[layout.check_kind]
    at = layout.check_place % len(block)
    before, behind = block[:at], block[at + width :]
    if layout.check_field == "zeroed":
        covered = before + bytes(width) + behind
    elif layout.check_field == "excluded":
        covered = before + behind
    elif layout.check_place < 0:
        covered = block[layout.header_size : at]
    else:
        covered = block[layout.header_size :]
    value = make(layout.check_order)(covered) % (1 << 8 * width)
    return before + value.to_bytes(width, layout.check_order) + behind


def _changed(rng: random.Random, layout: Layout, group: list[bytes]) -> list[bytes]:
    """A copy in which a few payload bytes of some blocks are others, the checks right."""
    changed = []
    for block in group:
        edited = bytearray(block)
        if rng.random() < 0.6:
            last = len(block) + min(0, layout.check_place)
            for _ in range(rng.randint(1, 4)):
                edited[rng.randrange(layout.header_size, last)] = rng.randrange(256)
        changed.append(with_check(layout, bytes(edited)))
    return changed


def _places(rng: random.Random, layout: Layout, rows: list[list[bytes]], size: int) -> list[int]:
    """Aligned starts of the rows that do not overlap."""
    room = max(sum(len(block) + layout.alignment for block in row) for row in rows)
    slot = size // len(rows)
    if room > slot:
        raise ValueError(f"{len(rows)} rows of {room} bytes do not fit into {size}")
    places = []
    for index in range(len(rows)):
        at = index * slot + rng.randrange(0, slot - room + 1)
        places.append(at - at % max(layout.alignment, rng.choice((1, 4, 16))))
    return [max(at, 0) for at in places]


def _filler(rng: random.Random, size: int) -> tuple[str, bytearray]:
    name = rng.choice(("random", "blank", "mixed", "code"))
    if name == "code":
        code = _code(rng, size)
        if code is not None:
            return name, bytearray(code)
        name = "random"
    if name == "random":
        return name, bytearray(rng.randbytes(size))
    image = bytearray(b"\xff" * size)
    if name == "mixed":
        for _ in range(rng.randint(1, 6)):
            start = rng.randrange(size)
            piece = rng.randbytes(rng.randrange(size // 4))
            image[start : start + len(piece)] = piece[: size - start]
    return name, image


def _code(rng: random.Random, size: int) -> bytes | None:
    """A stretch of real firmware of the ovmf package, or None where it is not installed."""
    files = sorted(path for path in OVMF.glob("OVMF_CODE*.fd") if path.is_file())
    if not files:
        return None
    code = rng.choice(files).read_bytes()
    start = rng.randrange(max(1, len(code) - size)) & ~0xFFF
    return (code[start : start + size] + b"\xff" * size)[:size]


@dataclass(frozen=True, kw_only=True)
class BoardPair:
    """Two boards of one model with other memory: `changes` are (block, place in it, new byte)."""

    first: Board
    second: Board
    changes: tuple[tuple[int, int, int], ...]


def board_pair(seed: int, *, size: int = 1 << 18) -> BoardPair:
    """A board with enough evidence, and one whose blocks lie elsewhere, with other serials and a
    few payload bytes of one block changed in every copy."""
    rng = random.Random(seed)
    count, copies = rng.randint(3, 6), rng.randint(2, 3)
    layout = _layout(rng, count)
    group = [_block(rng, layout, index) for index in range(count)]
    index = rng.randrange(count)
    last = len(group[index]) + min(0, layout.check_place)
    places = sorted(rng.sample(range(layout.header_size, last), rng.randint(1, 4)))
    edited = bytearray(group[index])
    changes = []
    for place in places:
        edited[place] ^= rng.randint(1, 255)
        changes.append((index, place, edited[place]))
    changed = [*group]
    changed[index] = with_check(layout, bytes(edited))
    boards = [_planted_board(rng, seed, layout, rows, copies, size) for rows in (group, changed)]
    return BoardPair(first=boards[0], second=boards[1], changes=tuple(changes))


def _planted_board(
    rng: random.Random, seed: int, layout: Layout, group: list[bytes], copies: int, size: int
) -> Board:
    filler_name, image = _filler(rng, size)
    planted = _plant(rng, image, layout, [group] * copies)
    taken = [(block.offset - 64, block.offset + block.length + 64) for block in planted]
    serial = b"Serial Number: WF%09d\0" % rng.randrange(10**9)
    at = next(
        at
        for at in iter(lambda: rng.randrange(size - len(serial)), None)
        if not any(low < at + len(serial) and at < high for low, high in taken)
    )
    image[at : at + len(serial)] = serial
    return Board(
        seed=seed,
        image=bytes(image),
        layout=layout,
        blocks=planted,
        copies=copies,
        equal=True,
        filler=filler_name,
    )
