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
ISLAND_CELL = 256  # bytes; padding between the blocks of a row is rarely a whole cell more
HEADER_FIELDS = 12  # bytes behind a signature in which a header has small numbers
SMALL, SMALL_MIN = 8, 4  # what is small, and how many of those bytes must be
HEADERLIKE_MAX = 20_000
CHUNK = 1 << 22  # bytes looked at in one go
GROWTH_MAX = 256  # bytes
PARTS = 16  # the windows are sorted in parts, to bound the memory
SEEDS_PER_PART_MAX = (1 << 21) // PARTS


# Bits that an agreeing byte is worth. Blank and small numbers agree with one another all the time.
WORTH = np.full(256, 8.0)
WORTH[0x00] = WORTH[0xFF] = 1.0
WORTH[0x01:0x08] = 2.0


LETTERS = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_$")
_IS_STRONG = WORTH.max() == WORTH
_IS_LETTER = np.isin(np.arange(256), np.array(sorted(LETTERS)))


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
        triples: list[Positions] = [np.empty((0, 3), dtype=np.int64)]
        seeds: list[Positions] = [np.empty(0, dtype=np.int64)]
        for words, positions in _repeated_windows(data):
            first, sizes = _groups(words)
            triples.append(_triples(self.data, positions, first, sizes))
            rare = np.flatnonzero(np.repeat(sizes <= OCCURRENCES_MAX, sizes))
            seeds.append(positions[_sampled(words[rare], rare)])
        self._seeds: Positions = np.concatenate(seeds)
        found = np.concatenate(triples)
        self.triples: Positions = _leftmost(found[np.argsort(found[:, 0], kind="stable")])

    @cached_property
    def lettered(self) -> Positions:
        """Where four letters begin, not far into a longer word: signatures, perhaps."""
        found = [np.empty(0, dtype=np.int64)]
        for start in range(0, len(self.data) - 3, CHUNK):
            # Three bytes of context on either side.
            low = max(0, start - 3)
            letter = _IS_LETTER[self.data[low : start + CHUNK + 3]]
            four = letter[:-3] & letter[1:-2] & letter[2:-1] & letter[3:]
            # One or two letters may stand before a signature by chance.
            four[3:] &= ~(letter[:-6] & letter[1:-5] & letter[2:-4])
            found.append(low + np.flatnonzero(four[start - low :]) + (start - low))
        return np.concatenate(found)

    @cached_property
    def headerlike(self) -> Positions:
        """Where a signature of no small numbers may stand before several small ones.

        Every fourth byte only, where there would be too many else.
        """
        found = [np.empty(0, dtype=np.int64)]
        reach = 4 + HEADER_FIELDS
        step = CHUNK // 4  # the sums are four times as large as what they are made of
        for start in range(0, len(self.data) - reach, step):
            piece = self.data[start : start + step + reach - 1]
            count = len(piece) - reach + 1
            running = np.concatenate(([0], np.cumsum(piece < SMALL, dtype=np.int32)))
            numbers = running[reach : reach + count] - running[4 : 4 + count]
            strong = np.concatenate(([0], np.cumsum(_IS_STRONG[piece], dtype=np.int32)))
            signature = strong[4 : 4 + count] - strong[:count]
            likely = (numbers >= SMALL_MIN) & (signature >= 3) & _IS_STRONG[piece[:count]]
            found.append(start + np.flatnonzero(likely))
        places = np.concatenate(found)
        return places[places % 4 == 0] if len(places) > HEADERLIKE_MAX else places

    @cached_property
    def islands(self) -> tuple[Span, ...]:
        """Stretches between blank runs of at least two cells of `ISLAND_CELL`, in order."""
        size = len(self.data) // ISLAND_CELL * ISLAND_CELL
        if not size:
            return ()
        cells = self.data[:size].reshape(-1, ISLAND_CELL)
        solid = ~(((cells == 0x00) | (cells == 0xFF)).all(axis=1))
        edges = np.flatnonzero(np.diff(np.concatenate(([0], solid.view(np.int8), [0]))))
        found = []
        for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            low, high = start * ISLAND_CELL, end * ISLAND_CELL
            before = self._raw[max(0, low - ISLAND_CELL) : low]
            low -= len(before) - len(before.rstrip(b"\x00").rstrip(b"\xff"))
            piece = self._raw[low:high]
            low += len(piece) - len(piece.lstrip(piece[:1])) if piece[0] in (0x00, 0xFF) else 0
            found.append(Span(low, high))
        return tuple(span for span in found if span.end - span.start >= 3 * STEP_MIN)

    @cached_property
    def copies(self) -> tuple[Copy, ...]:
        """Stretches that occur again, the longest first."""
        pairs = _equal_pairs(self._raw, self._seeds)
        found = [
            copy
            for copy in (_grown(self._raw, *piece) for piece in _pieces(pairs))
            if copy.equal_bytes >= STRETCH_MIN
        ]
        return tuple(sorted(found, key=lambda copy: -copy.equal_bytes)[:COPIES_LISTED_MAX])


def _sampled(words: npt.NDArray[np.uint32], index: Positions) -> Positions:
    """A share of `index`, chosen by the windows themselves so that all copies keep the same."""
    share = len(words) // SEEDS_PER_PART_MAX
    if share < 2:
        return index
    mixed = (words ^ words >> np.uint32(15)) * np.uint32(0x2C1B3C6D)
    mixed ^= mixed >> np.uint32(12)
    kept: Positions = index[mixed % np.uint32(share) == 0]
    return kept


def _words_at(data: bytes, positions: Positions) -> npt.NDArray[np.uint32]:
    """The four bytes at each position as one number."""
    every = np.ndarray((len(data) - 3,), np.dtype("<u4"), data, 0, (1,))
    words: npt.NDArray[np.uint32] = every[positions]
    return words


def _repeated_windows(
    data: bytes,
) -> Iterator[tuple[npt.NDArray[np.uint32], Positions]]:
    """(window, position) of every window that occurs twice or more, sorted, in parts.

    No part splits a window's group. The parts are there to bound the memory.
    """
    here = np.frombuffer(data, np.uint8)
    if len(here) < 4:
        return
    part_of = here[:-3] * np.uint8(29)
    for shift, factor in ((1, 53), (2, 101), (3, 197)):
        part_of += here[shift : len(here) - 3 + shift] * np.uint8(factor)
    part_of >>= np.uint8(8 - PARTS.bit_length() + 1)
    for start in range(0, len(part_of), CHUNK):
        piece = here[start : start + CHUNK + 3]
        same = piece[1:] == piece[:-1]
        part_of[start : start + CHUNK][same[:-2] & same[1:-1] & same[2:]] = PARTS
    for part in range(PARTS):
        positions = np.flatnonzero(part_of == part)
        keys = _words_at(data, positions).astype(np.uint64)
        keys <<= np.uint64(32)
        keys |= positions.view(np.uint64)
        keys.sort()
        words = (keys >> np.uint64(32)).astype(np.uint32)
        again = np.zeros(len(words) + 1, dtype=bool)
        again[1:-1] = words[1:] == words[:-1]
        repeated = np.flatnonzero(again[1:] | again[:-1])
        places = keys[repeated] & np.uint64(0xFFFFFFFF)
        yield words[repeated], places.astype(np.int64)


def _groups(words: npt.NDArray[np.uint64] | npt.NDArray[np.uint32]) -> tuple[Positions, Positions]:
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
    # Each triple as one number, in which moving all three by one adds a fixed amount.
    factors = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
    keys = (rows.view(np.uint64) * factors).sum(axis=1, dtype=np.uint64)
    step = int(factors.sum(dtype=np.uint64))
    known = np.sort(keys)
    inside = np.ones(len(keys), dtype=bool)
    for distance in (1, 3):
        wanted = keys - np.uint64(distance * step % (1 << 64))
        nearest = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
        inside &= known[nearest] == wanted
    kept: Positions = rows[~inside]
    return kept


def _equal_pairs(data: bytes, positions: Positions) -> Positions:
    """(distance, position) of windows of SEED_SIZE bytes that are equal to a later one."""
    positions = positions[positions + SEED_SIZE <= len(data)]
    if len(positions) < 2:
        return np.empty((0, 2), dtype=np.int64)
    place_bits = max(1, int(positions.max()).bit_length())
    mixed = _words_at(data, positions).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for shift in range(4, SEED_SIZE, 4):
        mixed ^= mixed >> np.uint64(29)
        mixed += _words_at(data, positions + shift)
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
