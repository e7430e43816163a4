"""Blank and repeated regions of an image."""

from dataclasses import dataclass
from itertools import islice

import numpy as np

from flashbench.image.checks import Span
from flashbench.image.copies import each_difference
from flashbench.image.windows import Repeats

CELL = 256
BLANK_MIN = 4096  # bytes
REPEAT_MIN = 256  # bytes
REPEATS_MAX = 64
DIFFERENCES_MAX = 16  # stretches; copies that differ more are not called copies
BLANK_VALUES = (0xFF, 0x00)


@dataclass(frozen=True, slots=True)
class BlankRegion:
    """A stretch of one repeated byte, 00 or FF."""

    span: Span
    value: int


@dataclass(frozen=True, slots=True)
class RepeatedRegion:
    """A stretch that occurs again at `copy_offset`; `unequal` are places within `span`."""

    span: Span
    copy_offset: int
    unequal: tuple[Span, ...]


def blank_regions(data: bytes) -> tuple[BlankRegion, ...]:
    """Runs of FF or 00 of at least `BLANK_MIN` bytes, ascending."""
    size = len(data) // CELL * CELL
    cells = np.frombuffer(data, np.uint64, size // 8).reshape(-1, CELL // 8)
    found = []
    for value in BLANK_VALUES:
        whole = (cells == np.frombuffer(bytes([value]) * 8, np.uint64)).all(axis=1)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], whole.view(np.int8), [0]))))
        for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            span = _to_the_byte(data, start * CELL, end * CELL, value)
            if span.end - span.start >= BLANK_MIN:
                found.append(BlankRegion(span, value))
    return tuple(sorted(found, key=lambda region: region.span))


def _to_the_byte(data: bytes, start: int, end: int, value: int) -> Span:
    byte = bytes([value])
    before = data[max(0, start - CELL) : start]
    behind = data[end : end + CELL]
    return Span(
        start - (len(before) - len(before.rstrip(byte))),
        end + (len(behind) - len(behind.lstrip(byte))),
    )


def repeated_regions(data: bytes, repeats: Repeats) -> tuple[RepeatedRegion, ...]:
    """The longest stretches that occur again, equal or different in a few places, ascending.

    A stretch that occurs three times is given twice, each time with the next copy.
    """
    found: list[RepeatedRegion] = []
    for copy in repeats.copies:
        if len(found) == REPEATS_MAX:
            break
        span = copy.span
        if span.end - span.start < REPEAT_MIN or any(
            region.span.contains(span) for region in found
        ):
            continue
        there = Span(span.start + copy.distance, span.end + copy.distance)
        unequal = tuple(islice(each_difference(data, span, there), DIFFERENCES_MAX + 1))
        if len(unequal) <= DIFFERENCES_MAX:
            found.append(RepeatedRegion(span, there.start, unequal))
    return tuple(sorted(found, key=lambda region: (region.span, region.copy_offset)))
