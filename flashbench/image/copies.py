"""Which blocks are copies of which: row by row, so that like blocks of one row are not mixed up."""

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from flashbench.image.chains import padding_end
from flashbench.image.checks import Span
from flashbench.image.finds import Block
from flashbench.image.overlaps import Bounds

ALIKE_IN_ROW = 0.75
ALIKE_ROWS = 0.5
COMPARISONS_MAX = 16  # of blocks, for each block there is, and of bytes, times the image
COMPARISONS_MIN = 20_000
CHUNK = 1 << 22  # bytes looked at in one go
FIRST_CHUNK = 1 << 12  # for those who look at a few

Rows = list[list[Block]]


def with_copies(
    data: bytes, blocks: Sequence[Block], bounds: Bounds | None = None
) -> tuple[Block, ...]:
    """`blocks`, ascending, with `copy_of` and `unequal` set for every block but first copies.

    `bounds` says where too many blocks of one shape left some uncompared.
    """
    alike = _Alike(data, len(blocks), bounds or Bounds())
    firsts: defaultdict[_Shape, Rows] = defaultdict(list)
    earlier: dict[bytes, Block] = {}
    told: list[Block] = []
    for row in _split_repeats(data, alike, _rows(data, blocks)):
        same_shape = firsts[_shape(row)]
        original = next((first for first in same_shape if alike.is_copy(row, first)), None)
        if original is None:
            told += _single_copies(data, row, earlier)
            same_shape.append(row)
            for block in row:
                earlier.setdefault(_fingerprint(data, block), block)
        else:
            told += [
                _copied(data, block, first) for block, first in zip(row, original, strict=True)
            ]
    return tuple(sorted(told, key=lambda block: block.offset))


_Shape = tuple[tuple[int, bytes], ...]


def _shape(row: Sequence[Block]) -> _Shape:
    """Rows of another shape have nothing in common."""
    return tuple((block.length, block.signature) for block in row)


def _fingerprint(data: bytes, block: Block) -> bytes:
    told = hashlib.sha256(memoryview(data)[slice(*block.span)])
    told.update(block.signature)
    return told.digest()


def differences(data: bytes, one: Span, other: Span) -> tuple[Span, ...]:
    """The stretches of `one` in which it differs from `other`, of the same length."""
    return tuple(each_difference(data, one, other))


def each_difference(data: bytes, one: Span, other: Span) -> Iterator[Span]:
    """As `differences`, for those who look at a few."""
    here = np.frombuffer(data, np.uint8, one.end - one.start, one.start)
    there = np.frombuffer(data, np.uint8, one.end - one.start, other.start)
    for start, end in runs(here != there):
        yield Span(one.start + start, one.start + end)


def runs(flags: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> Iterator[tuple[int, int]]:
    """(start, end) of each run of True."""
    edges = _edges(flags)
    for start in edges:
        yield start, next(edges)


def _edges(flags: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> Iterator[int]:
    """Where runs begin and end in turn, found as they are asked for."""
    if len(flags) and flags[0]:
        yield 0
    start, size = 1, FIRST_CHUNK
    while start < len(flags):
        piece = flags[start - 1 : start + size]
        yield from (np.flatnonzero(piece[1:] != piece[:-1]) + start).tolist()
        start, size = start + size, min(2 * size, CHUNK)
    if len(flags) and flags[-1]:
        yield len(flags)


def _rows(data: bytes, blocks: Sequence[Block]) -> Iterator[list[Block]]:
    row: list[Block] = []
    for block in blocks:
        if row and block.offset not in (row[-1].span.end, padding_end(data, row[-1].span.end)):
            yield row
            row = []
        row.append(block)
    if row:
        yield row


def _split_repeats(
    data: bytes, alike: "_Alike", found: Iterator[list[Block]]
) -> Iterator[list[Block]]:
    """Copies that lie one behind the other make one long row: take it apart.

    Not where the row as a whole has a better copy elsewhere: then it is blocks that look alike,
    mostly blank ones, and not copies.
    """
    rows = list(found)
    by_shape: defaultdict[_Shape, Rows] = defaultdict(list)
    for row in rows:
        by_shape[_shape(row)].append(row)
    for row in rows:
        size = len(row)
        for period in range(1, size // 2 + 1):
            if size % period:
                continue
            least = alike.least(row[period:], [row[at % period] for at in range(period, size)])
            if least >= ALIKE_IN_ROW and alike.best_elsewhere(row, by_shape[_shape(row)]) <= least:
                size = period
                break
        for start in range(0, len(row), size):
            yield row[start : start + size]


class _Alike:
    """How much blocks are alike, as often as may be asked."""

    def __init__(self, data: bytes, blocks: int, bounds: Bounds) -> None:
        self._data = data
        self._bounds = bounds
        self._comparisons_left = COMPARISONS_MIN + COMPARISONS_MAX * blocks
        self._bytes_left = COMPARISONS_MIN + COMPARISONS_MAX * len(data)

    def _share(self, one: Block, other: Block) -> float:
        """The share of equal bytes, 0 for blocks of other length or signature."""
        if one.length != other.length or one.signature != other.signature:
            return 0.0
        self._comparisons_left -= 1
        self._bytes_left -= one.length
        if min(self._comparisons_left, self._bytes_left) < 0:
            self._bounds.leave_out("blocks that may be copies", one.offset)
            return 0.0
        here = np.frombuffer(self._data, np.uint8, one.length, one.offset)
        there = np.frombuffer(self._data, np.uint8, other.length, other.offset)
        return float((here == there).mean())

    def least(self, row: Sequence[Block], other: Sequence[Block]) -> float:
        """The share of the pair that is least alike; 0 as soon as one is too little for a row."""
        least = 1.0
        for one, two in zip(row, other, strict=True):
            least = min(least, self._share(one, two))
            if least < ALIKE_IN_ROW:
                return 0.0
        return least

    def best_elsewhere(self, row: Sequence[Block], rows: Rows) -> float:
        """How much of `row` is equal in the row of its shape that is most like it.

        0 if none is; what is less alike than a row may be counts as 0 as well.
        """
        return max((self.least(row, other) for other in rows if other is not row), default=0.0)

    def is_copy(self, row: Sequence[Block], first: Sequence[Block]) -> bool:
        shares = [self._share(block, other) for block, other in zip(row, first, strict=True)]
        return min(shares) > 0 and sum(shares) / len(shares) >= ALIKE_ROWS


def _single_copies(
    data: bytes, row: Sequence[Block], earlier: dict[bytes, Block]
) -> Iterator[Block]:
    """Of a row that is no copy as a whole: blocks that equal one of an earlier row."""
    for block in row:
        twin = earlier.get(_fingerprint(data, block))
        yield block if twin is None else _copied(data, block, twin)


def _copied(data: bytes, block: Block, first: Block) -> Block:
    origin = first.offset if first.copy_of is None else first.copy_of
    return replace(block, copy_of=origin, unequal=differences(data, block.span, first.span))
