"""The windows of four bytes that an image holds more than once, found by one sort in parts.

The parts bound the memory: only one of them is there as numbers of eight bytes at a time, and
windows too frequent to be of use are thinned out as soon as they fill it.
"""

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Positions = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint32]
Keys = npt.NDArray[np.uint64]  # a window in the upper half, its position in the lower

WINDOW = 4  # bytes
OCCURRENCES_MAX = 64  # of one window; what is more frequent is code or filler
PARTS = 16
PIECE = 1 << 16  # bytes whose windows are told apart in one go: places in it fit in 16 bits
PIECES_AT_ONCE = 64
KEYS_MAX = 1 << 22  # of a part, before frequent windows are thinned out
KEYS_AT_ONCE = 1 << 18
PLACE_BITS = np.uint64(32)
PLACE = np.uint64((1 << 32) - 1)


@dataclass(frozen=True, slots=True)
class RepeatedWindows:
    """Windows that occur 2 to `OCCURRENCES_MAX` times: equal ones beside each other, each with
    its position, ascending. `first` and `sizes` are the index and number of each group."""

    words: Words
    positions: Positions
    first: Positions
    sizes: Positions


def words_at(data: bytes, positions: npt.NDArray[np.integer]) -> Words:
    """The four bytes at each position as one number."""
    every = np.ndarray((len(data) - WINDOW + 1,), np.dtype("<u4"), data, 0, (1,))
    words: Words = every[positions]
    return words


def groups(values: npt.NDArray[np.unsignedinteger]) -> tuple[Positions, Positions]:
    """Index of the first and number of the members of each run of equal values."""
    if not len(values):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    first = np.flatnonzero(np.concatenate(([True], values[1:] != values[:-1])))
    return first, np.diff(np.append(first, len(values)))


class WindowParts:
    """The windows of one image told apart into `PARTS` parts by what they hold.

    A window of one repeated byte says nothing and is left out: a blank image costs nothing.
    """

    def __init__(self, data: bytes, threads: ThreadPoolExecutor) -> None:
        self._data = data
        count = max(0, len(data) - WINDOW + 1)
        self._starts = np.arange(0, count, PIECE)
        # Of each piece the places of its windows in it, part after part, and where parts begin.
        self._places = np.empty(count, dtype=np.uint16)
        self._bounds = np.zeros((len(self._starts), PARTS + 1), dtype=np.int64)
        list(threads.map(self._tell_apart, range(len(self._starts))))

    def _tell_apart(self, piece: int) -> None:
        start = piece * PIECE
        size = min(PIECE, len(self._places) - start)
        here = np.frombuffer(self._data, np.uint8, size + WINDOW - 1, start)
        part_of = _parts_of(here)
        np.cumsum(np.bincount(part_of, minlength=PARTS)[:PARTS], out=self._bounds[piece, 1:])
        self._places[start : start + size] = np.argsort(part_of, kind="stable")

    def repeated(self, part: int) -> RepeatedWindows:
        """What of one part occurs again, and not too often."""
        keys = self._keys(part)
        again = _equal_windows(keys, 1)
        again[:-1] |= again[1:]
        keys = keys[again]
        words = (keys >> PLACE_BITS).astype(np.uint32)
        _, sizes = groups(words)
        rare = sizes <= OCCURRENCES_MAX
        kept = np.repeat(rare, sizes)
        places = (keys[kept] & PLACE).view(np.int64)
        sizes = sizes[rare]
        return RepeatedWindows(words[kept], places, np.cumsum(sizes) - sizes, sizes)

    def _keys(self, part: int) -> Keys:
        """The windows of a part, sorted; of the too frequent ones enough to tell them."""
        sizes = self._bounds[:, part + 1] - self._bounds[:, part]
        runs = np.flatnonzero(np.diff(np.cumsum(sizes) // KEYS_MAX)) + 1
        keys = np.empty(0, dtype=np.uint64)
        limit = KEYS_MAX
        for low, high in itertools.pairwise([0, *runs.tolist(), len(sizes)]):
            more = self._keys_of(part, low, high)
            keys = np.concatenate([keys, more]) if len(keys) else more
            keys.sort()
            if len(keys) >= limit:
                keys = _thinned(keys)
                limit = max(KEYS_MAX, 2 * len(keys))
        return keys

    def _keys_of(self, part: int, low: int, high: int) -> Keys:
        """The windows of a part that begin in the pieces from `low` up to `high`, unsorted."""
        bounds = self._bounds[low:high, part : part + 2]
        starts, sizes = self._starts[low:high], bounds[:, 1] - bounds[:, 0]
        in_places = bounds + starts[:, np.newaxis]
        keys = np.empty(int(sizes.sum()), dtype=np.uint64)
        done = 0
        for at in range(0, high - low, PIECES_AT_ONCE):
            some = slice(at, at + PIECES_AT_ONCE)
            places = np.repeat(starts[some], sizes[some])
            places += np.concatenate(
                [self._places[first:end] for first, end in in_places[some].tolist()]
            )
            here = keys[done : done + len(places)]
            here[:] = words_at(self._data, places)
            here <<= PLACE_BITS
            here |= places.view(np.uint64)
            done += len(places)
        return keys


def _thinned(keys: Keys) -> Keys:
    """Sorted keys without what goes beyond a window too many of each."""
    return keys[~_equal_windows(keys, OCCURRENCES_MAX + 1)]


def _equal_windows(keys: Keys, distance: int) -> npt.NDArray[np.bool_]:
    """Which keys hold the window of the key so many places before."""
    equal = np.zeros(len(keys), dtype=bool)
    for start in range(distance, len(keys), KEYS_AT_ONCE):
        here = keys[start : start + KEYS_AT_ONCE]
        before = keys[start - distance :][: len(here)]
        equal[start : start + len(here)] = (here ^ before) <= PLACE
    return equal


def _parts_of(piece: Bytes) -> Bytes:
    """The part that the window at each place belongs to; `PARTS` for one of one repeated byte."""
    count = len(piece) - WINDOW + 1
    part_of = piece[:count] * np.uint8(29)
    for shift, factor in ((1, 53), (2, 101), (3, 197)):
        part_of += piece[shift : count + shift] * np.uint8(factor)
    part_of >>= np.uint8(8 - PARTS.bit_length() + 1)
    same = piece[1:] == piece[:-1]
    part_of[same[:-2] & same[1:-1] & same[2:]] = PARTS
    return part_of
