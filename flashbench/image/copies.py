"""Which blocks are copies of which: row by row, so that like blocks of one row are not mixed up."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from flashbench.image.chains import padding_end
from flashbench.image.checks import Span
from flashbench.image.finds import Block

ALIKE_IN_ROW = 0.75
ALIKE_ROWS = 0.5
CHUNK = 1 << 22  # bytes looked at in one go

Rows = list[list[Block]]


def with_copies(data: bytes, blocks: Sequence[Block]) -> tuple[Block, ...]:
    """`blocks`, ascending, with `copy_of` and `unequal` set for every block but first copies."""
    firsts: Rows = []
    told: list[Block] = []
    for row in _split_repeats(data, _rows(data, blocks)):
        original = next((first for first in firsts if _is_copy(data, row, first)), None)
        if original is None:
            firsts.append(row)
            told += _single_copies(data, row, firsts[:-1])
        else:
            told += [
                _copied(data, block, first) for block, first in zip(row, original, strict=True)
            ]
    return tuple(sorted(told, key=lambda block: block.offset))


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
    edges: list[int] = []
    for start in range(1, len(flags), CHUNK):
        piece = flags[start - 1 : start + CHUNK]
        edges += (np.flatnonzero(piece[1:] != piece[:-1]) + start).tolist()
    if len(flags) and flags[0]:
        edges.insert(0, 0)
    if len(flags) and flags[-1]:
        edges.append(len(flags))
    yield from zip(edges[::2], edges[1::2], strict=True)


def _rows(data: bytes, blocks: Sequence[Block]) -> Iterator[list[Block]]:
    row: list[Block] = []
    for block in blocks:
        if row and block.offset not in (row[-1].span.end, padding_end(data, row[-1].span.end)):
            yield row
            row = []
        row.append(block)
    if row:
        yield row


def _split_repeats(data: bytes, found: Iterator[list[Block]]) -> Iterator[list[Block]]:
    """Copies that lie one behind the other make one long row: take it apart.

    Not where the row as a whole has a better copy elsewhere: then it is blocks that look alike,
    mostly blank ones, and not copies.
    """
    rows = list(found)
    for row in rows:
        size = len(row)
        for period in range(1, size // 2 + 1):
            if size % period:
                continue
            shares = [
                _alike(data, row[index], row[index % period]) for index in range(period, size)
            ]
            if min(shares) >= ALIKE_IN_ROW and _best_elsewhere(data, row, rows) <= min(shares):
                size = period
                break
        for start in range(0, len(row), size):
            yield row[start : start + size]


def _best_elsewhere(data: bytes, row: list[Block], rows: Rows) -> float:
    """How much of `row` is equal in the row that is most like it; 0 if none is."""
    best = 0.0
    for other in rows:
        if other is not row and len(other) == len(row):
            shares = [_alike(data, one, two) for one, two in zip(row, other, strict=True)]
            best = max(best, min(shares))
    return best


def _alike(data: bytes, one: Block, other: Block) -> float:
    """The share of equal bytes, 0 for blocks of other length or signature."""
    if one.length != other.length or one.signature != other.signature:
        return 0.0
    here = np.frombuffer(data, np.uint8, one.length, one.offset)
    there = np.frombuffer(data, np.uint8, other.length, other.offset)
    return float((here == there).mean())


def _is_copy(data: bytes, row: Sequence[Block], first: Sequence[Block]) -> bool:
    if len(row) != len(first):
        return False
    shares = [_alike(data, block, other) for block, other in zip(row, first, strict=True)]
    return min(shares) > 0 and sum(shares) / len(shares) >= ALIKE_ROWS


def _single_copies(data: bytes, row: Sequence[Block], firsts: Rows) -> Iterator[Block]:
    """Of a row that is no copy as a whole: blocks that equal one of an earlier row."""
    earlier = [block for first in firsts for block in first]
    for block in row:
        twin = next((other for other in earlier if _alike(data, block, other) == 1.0), None)
        yield block if twin is None else _copied(data, block, twin)


def _copied(data: bytes, block: Block, first: Block) -> Block:
    origin = first.offset if first.copy_of is None else first.copy_of
    return replace(block, copy_of=origin, unequal=differences(data, block.span, first.span))
