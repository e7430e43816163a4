"""What occurs more than once in an image: signatures, and stretches that are equal elsewhere.

Everything is one sort of short windows. A window of one repeated byte says nothing and is left
out; so a blank image costs nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from flashbench.image.checks import Span

Bytes = npt.NDArray[np.uint8]
Positions = npt.NDArray[np.int64]

SIGNATURE_WORTH = 18.0  # bits; two letters at least, and not only zeros beside them
OCCURRENCES_MAX = 64  # of one signature; what is more frequent is code or filler
STEP_MIN, STEP_MAX = 12, 1 << 17  # between two blocks of a row
COPIES_MAX = 16  # of one stretch
SEED_SIZE = 12  # bytes that must be equal before two stretches are compared
GAP_MAX = 4096  # between equal pieces of two copies that are not equal throughout
STRETCH_MIN = 16  # equal bytes in all
COPIES_LISTED_MAX = 2000
ISLAND_GAP = 512  # blank bytes; padding between the blocks of a row is less
GROWTH_MAX = 256  # bytes
PARTS = 8  # the windows are sorted in parts, to bound the memory


# Bits that an agreeing byte is worth. Blank and small numbers agree with one another all the time.
WORTH = np.full(256, 8.0)
WORTH[0x00] = WORTH[0xFF] = 1.0
WORTH[0x01:0x08] = 2.0


LETTERS = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_$")
_IS_LETTER = np.isin(np.arange(256), np.array(sorted(LETTERS)))
_IS_BLANK = np.isin(np.arange(256), (0x00, 0xFF))


def worth_of(piece: bytes) -> float:
    """Bits that it is worth to meet just these bytes where they were expected."""
    return float(WORTH[np.frombuffer(piece, np.uint8)].sum())


@dataclass(frozen=True, slots=True)
class Copy:
    """`span`, and a stretch `distance` further on that equals it in `equal_bytes` bytes."""

    span: Span
    distance: int
    equal_bytes: int


class Repeats:
    """The repeated windows of one image, found once and looked at in two ways."""

    def __init__(self, data: bytes) -> None:
        self.data: Bytes = np.frombuffer(data, dtype=np.uint8)
        self._raw = data
        self._words = _windows(self.data)
        triples: list[Positions] = []
        repeated: list[Positions] = []
        for words, positions in _sorted_parts(self._words):
            first, sizes = _groups(words)
            triples.append(_triples(self.data, positions, first, sizes))
            repeated.append(positions[np.repeat(sizes > 1, sizes)])
        self._repeated: Positions = np.concatenate(repeated)
        found = np.concatenate(triples)
        self.triples: Positions = _leftmost(found[np.argsort(found[:, 0], kind="stable")])

    @cached_property
    def lettered(self) -> Positions:
        """Where four letters begin, not far into a longer word: signatures, perhaps."""
        letter = _IS_LETTER[self.data]
        if len(letter) < 4:
            return np.empty(0, dtype=np.int64)
        four = letter[:-3] & letter[1:-2] & letter[2:-1] & letter[3:]
        # One or two letters may stand before a signature by chance.
        inside = np.zeros(len(four), dtype=bool)
        inside[3:] = letter[: len(four) - 3] & letter[1 : len(four) - 2] & letter[2 : len(four) - 1]
        return np.flatnonzero(four & ~inside)

    @cached_property
    def islands(self) -> tuple[Span, ...]:
        """Stretches between runs of blank bytes of at least `ISLAND_GAP`, in order."""
        solid = np.flatnonzero(~_IS_BLANK[self.data])
        if not len(solid):
            return ()
        breaks = np.flatnonzero(np.diff(solid) > ISLAND_GAP)
        starts = solid[np.concatenate(([0], breaks + 1))]
        ends = solid[np.append(breaks, len(solid) - 1)] + 1
        return tuple(
            Span(int(start), int(end))
            for start, end in zip(starts, ends, strict=True)
            if end - start >= 3 * STEP_MIN
        )

    @cached_property
    def copies(self) -> tuple[Copy, ...]:
        """Stretches that occur again, the longest first."""
        pairs = _equal_pairs(self._words, self._repeated)
        found = [
            copy
            for copy in (_grown(self._raw, *piece) for piece in _pieces(pairs))
            if copy.equal_bytes >= STRETCH_MIN
        ]
        return tuple(sorted(found, key=lambda copy: -copy.equal_bytes)[:COPIES_LISTED_MAX])


def _windows(data: Bytes) -> npt.NDArray[np.uint32]:
    """The four bytes at each position as one number."""
    count = max(0, len(data) - 3)
    words = np.empty(count, dtype=np.uint32)
    for shift in range(min(4, count)):
        usable = (len(data) - shift) // 4 * 4
        words[shift::4] = data[shift : shift + usable].view("<u4")[: len(words[shift::4])]
    return words


def _sorted_parts(
    words: npt.NDArray[np.uint32],
) -> Iterator[tuple[npt.NDArray[np.uint64], Positions]]:
    """(window, position), sorted by window, in parts none of which splits a window's group."""
    telling = words != words >> np.uint32(8) | words << np.uint32(24)
    mixed = (words * np.uint32(2654435761)) >> np.uint32(29)
    for part in range(PARTS):
        positions = np.flatnonzero((mixed == part) & telling)
        keys = words[positions].astype(np.uint64) << np.uint64(32)
        keys |= positions.astype(np.uint64)
        keys.sort()
        yield keys >> np.uint64(32), (keys & np.uint64(0xFFFFFFFF)).astype(np.int64)


def _groups(words: npt.NDArray[np.uint64]) -> tuple[Positions, Positions]:
    """Index of the first and number of the members of each group of equal values."""
    if not len(words):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    first = np.flatnonzero(np.concatenate(([True], words[1:] != words[:-1])))
    return first, np.diff(np.append(first, len(words)))


def _triples(data: Bytes, positions: Positions, first: Positions, sizes: Positions) -> Positions:
    """Three consecutive occurrences of one window at a distance that blocks may have."""
    small = (sizes >= 3) & (sizes <= OCCURRENCES_MAX)
    first, sizes = first[small], sizes[small]
    if not len(first):
        return np.empty((0, 3), dtype=np.int64)
    ends = np.cumsum(sizes - 2)
    index = np.arange(ends[-1]) - np.repeat(ends - (sizes - 2), sizes - 2)
    start = np.repeat(first, sizes - 2) + index
    rows = np.stack([positions[start], positions[start + 1], positions[start + 2]], axis=1)
    telling = WORTH[data[rows[:, :1] + np.arange(4)]].sum(axis=1) >= SIGNATURE_WORTH
    rows = rows[telling]
    steps = np.diff(rows, axis=1)
    near: Positions = rows[((steps >= STEP_MIN) & (steps <= STEP_MAX)).all(axis=1)]
    return near


def _leftmost(rows: Positions) -> Positions:
    """Of triples that are one long signature seen at each of its bytes, the first three.

    Three, because chance may put equal bytes in front of a signature.
    """
    if len(rows) < 4:
        return rows
    known = {tuple(row) for row in rows.tolist()}
    keep = [
        (a - 3, b - 3, c - 3) not in known or (a - 1, b - 1, c - 1) not in known
        for a, b, c in rows.tolist()
    ]
    kept: Positions = rows[np.array(keep)]
    return kept


def _equal_pairs(words: npt.NDArray[np.uint32], positions: Positions) -> Positions:
    """(distance, position) of windows of SEED_SIZE bytes that are equal to a later one."""
    positions = positions[positions + SEED_SIZE <= len(words) + 3]
    if len(positions) < 2:
        return np.empty((0, 2), dtype=np.int64)
    place_bits = max(1, int(positions.max()).bit_length())
    mixed = words[positions].astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for shift in range(4, SEED_SIZE, 4):
        mixed ^= mixed >> np.uint64(29)
        mixed += words[positions + shift]
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
    keys = mixed >> np.uint64(place_bits) << np.uint64(place_bits) | positions.astype(np.uint64)
    keys.sort()
    places = (keys & np.uint64((1 << place_bits) - 1)).astype(np.int64)
    first, sizes = _groups(keys >> np.uint64(place_bits))
    small = np.repeat((sizes >= 2) & (sizes <= COPIES_MAX), sizes)
    is_last = np.zeros(len(places), dtype=bool)
    is_last[first + sizes - 1] = True
    left = np.flatnonzero(small & ~is_last)
    return np.stack([places[left + 1] - places[left], places[left]], axis=1)


def _pieces(pairs: Positions) -> Iterator[tuple[int, int, int]]:
    """(start, end, distance) of pairs on one diagonal that touch or nearly do."""
    if not len(pairs):
        return
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    distance, at = pairs[:, 0], pairs[:, 1]
    breaks = np.flatnonzero((np.diff(distance) != 0) | (np.diff(at) > GAP_MAX))
    starts = np.concatenate(([0], breaks + 1))
    ends = np.append(breaks, len(pairs) - 1)
    solid = (ends - starts >= STRETCH_MIN - SEED_SIZE) & (distance[starts] >= STEP_MIN)
    for start, end in zip(starts[solid], ends[solid], strict=True):
        yield int(at[start]), int(at[end]) + SEED_SIZE, int(distance[start])


def _grown(data: bytes, start: int, end: int, distance: int) -> Copy:
    """The stretch, grown over equal bytes on both sides and cut where it would meet its copy.

    It grows over few bytes only: windows of one repeated byte are no seeds, and what lies beyond
    them would else be joined through any amount of equal filler.
    """
    end = min(end, start + distance)
    for _ in range(min(GROWTH_MAX, start)):
        if data[start - 1] != data[start + distance - 1]:
            break
        start -= 1
    for _ in range(min(GROWTH_MAX, len(data) - distance - end, start + distance - end)):
        if data[end] != data[end + distance]:
            break
        end += 1
    here = np.frombuffer(data, np.uint8, end - start, start)
    there = np.frombuffer(data, np.uint8, end - start, start + distance)
    return Copy(Span(start, end), distance, int((here == there).sum()))
