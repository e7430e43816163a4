"""What occurs more than once in an image: signatures, and stretches that are equal elsewhere.

Everything comes from the windows of four bytes that occur again (`repeated_windows`).
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from flashbench.image.checks import Span
from flashbench.image.repeated_windows import (
    PARTS,
    Bytes,
    Keys,
    Positions,
    RepeatedWindows,
    WindowParts,
    Words,
    groups,
    words_at,
)

Seeds = npt.NDArray[np.uint32]
Triples = npt.NDArray[np.int32]  # rows of three places; images are far below 2 GiB

SIGNATURE_WORTH = 18.0  # bits; two letters at least, and not only zeros beside them
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
SEEDS_AT_ONCE = 1 << 18
CHUNK = 1 << 22  # bytes looked at in one go
GROWTH_MAX = 256  # bytes
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
        triples, seeds = _traces(data)
        self.triples: Triples = _leftmost(triples[np.argsort(triples[:, 0])])
        # Stretches that occur again, the longest first.
        self.copies = _copies(data, seeds)

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
        solid = np.zeros(size // ISLAND_CELL, dtype=bool)
        for start in range(0, size, CHUNK):
            cells = self.data[start : min(start + CHUNK, size)].reshape(-1, ISLAND_CELL)
            blank = ((cells == 0x00) | (cells == 0xFF)).all(axis=1)
            solid[start // ISLAND_CELL :][: len(blank)] = ~blank
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


def _traces(data: bytes) -> tuple[Triples, Seeds]:
    """The triples, and the places from which copies are sought; neither in order."""

    def traces_of(part: int) -> tuple[Triples, Seeds]:
        found = parts.repeated(part)
        seeds = found.positions[_sample(found.words)]
        return _triples(found), seeds[seeds <= len(data) - SEED_SIZE].astype(np.uint32)

    # Sorting and gathering leave the interpreter's lock alone.
    with ThreadPoolExecutor(2) as threads:
        parts = WindowParts(data, threads)
        told = list(threads.map(traces_of, range(PARTS)))
    return np.concatenate([one for one, _ in told]), np.concatenate([one for _, one in told])


def _sample(words: Words) -> Positions:
    """A share of the indices, chosen by the windows themselves so that all copies keep the same."""
    share = len(words) // SEEDS_PER_PART_MAX
    if share < 2:
        return np.arange(len(words))
    mixed = (words ^ words >> np.uint32(15)) * np.uint32(0x2C1B3C6D)
    mixed ^= mixed >> np.uint32(12)
    return np.flatnonzero(mixed % np.uint32(share) == 0)


def _triples(found: RepeatedWindows) -> Triples:
    """Three consecutive occurrences of one window at a distance that blocks may have."""
    parts = found.words[found.first].astype("<u4").view(np.uint8).reshape(-1, 4)
    telling = (found.sizes >= 3) & (WORTH[parts].sum(axis=1) >= SIGNATURE_WORTH)
    first, counts = found.first[telling], found.sizes[telling] - 2
    if not len(first):
        return np.empty((0, 3), dtype=np.int32)
    ends = np.cumsum(counts)
    start = np.arange(ends[-1]) + np.repeat(first - (ends - counts), counts)
    steps = np.diff(found.positions, append=0)
    near = (steps >= STEP_MIN) & (steps <= STEP_MAX)
    start = start[near[start] & near[start + 1]]
    places = [found.positions[start + index].astype(np.int32) for index in range(3)]
    return np.stack(places, axis=1)


def _leftmost(rows: Triples) -> Triples:
    """Of triples that are one long signature seen at each of its bytes, the first three.

    Three, because chance may put equal bytes in front of a signature. `rows` ascend, and no two
    begin at one place.
    """
    if len(rows) < 4:
        return rows
    kept: Triples = rows[~(_is_moved(rows, 1) & _is_moved(rows, 3))]
    return kept


def _is_moved(rows: Triples, distance: int) -> npt.NDArray[np.bool_]:
    """Which rows are another row moved by `distance`: one of so many rows before."""
    moved = np.zeros(len(rows), dtype=bool)
    for back in range(1, distance + 1):
        same = rows[back:, 0] - rows[:-back, 0] == distance
        for column in (1, 2):
            same &= rows[back:, column] - rows[:-back, column] == distance
        moved[back:] |= same
    return moved


def _copies(data: bytes, seeds: Seeds) -> tuple[Copy, ...]:
    found = (_grown(data, *piece) for piece in _pieces(_equal_pairs(data, seeds)))
    long = [copy for copy in found if copy.equal_bytes >= STRETCH_MIN]
    return tuple(sorted(long, key=lambda copy: -copy.equal_bytes)[:COPIES_LISTED_MAX])


def _equal_pairs(data: bytes, seeds: Seeds) -> Keys:
    """Windows of SEED_SIZE bytes that equal a later one, as distance << 32 | position, sorted."""
    if len(seeds) < 2:
        return np.empty(0, dtype=np.uint64)
    place_bits = np.uint64(max(1, int(seeds.max()).bit_length()))
    keys = np.empty(len(seeds), dtype=np.uint64)
    for start in range(0, len(seeds), SEEDS_AT_ONCE):
        here = seeds[start : start + SEEDS_AT_ONCE].astype(np.int64)
        mixed = _mixed(data, here) >> place_bits << place_bits
        keys[start : start + SEEDS_AT_ONCE] = mixed | here.view(np.uint64)
    keys.sort()
    places = keys & ((np.uint64(1) << place_bits) - np.uint64(1))
    keys >>= place_bits
    first, sizes = groups(keys)
    few = (sizes >= 2) & (sizes <= COPIES_MAX)
    has_next = np.repeat(few, sizes)
    has_next[first[few] + sizes[few] - 1] = False
    steps = np.diff(places)
    steps <<= np.uint64(32)
    steps |= places[:-1]
    pairs: Keys = steps[has_next[:-1]]
    pairs.sort()
    return pairs


def _mixed(data: bytes, positions: Positions) -> Keys:
    """A number of 64 bits for the SEED_SIZE bytes at each position."""
    mixed = words_at(data, positions).astype(np.uint64)
    mixed *= np.uint64(0x9E3779B97F4A7C15)
    for shift in range(4, SEED_SIZE, 4):
        mixed ^= mixed >> np.uint64(29)
        mixed += words_at(data, positions + shift)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
    return mixed


def _pieces(pairs: Keys) -> Iterator[tuple[int, int, int]]:
    """(start, end, distance) of sorted pairs on one diagonal that touch or nearly do."""
    if not len(pairs):
        return
    # Pairs of unequal distances are further apart than any gap.
    breaks = np.flatnonzero(np.diff(pairs) > np.uint64(GAP_MAX))
    starts = np.concatenate(([0], breaks + 1))
    ends = np.append(breaks, len(pairs) - 1)
    solid = ends - starts >= STRETCH_MIN - SEED_SIZE
    for first, last in zip(pairs[starts[solid]].tolist(), pairs[ends[solid]].tolist(), strict=True):
        distance = first >> 32
        if distance >= STEP_MIN:
            yield first & 0xFFFFFFFF, (last & 0xFFFFFFFF) + SEED_SIZE, distance


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
