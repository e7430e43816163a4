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
        self._starts = np.arange(0, max(0, len(data) - WINDOW + 1), PIECE)
        here = np.frombuffer(data, np.uint8)
        pieces = (here[start : start + PIECE + WINDOW - 1] for start in self._starts.tolist())
        told = list(threads.map(_by_part, pieces))
        # Of each piece the places of its windows, part after part, and where each part begins.
        self._places = [places for places, _ in told]
        self._bounds: Positions = np.array([bounds for _, bounds in told]).reshape(-1, PARTS + 1)

    def repeated(self, part: int) -> RepeatedWindows:
        """What of one part occurs again, and not too often."""
        keys = self._keys(part)
        same = (keys[1:] ^ keys[:-1]) <= PLACE
        again = np.zeros(len(keys), dtype=bool)
        again[1:] = same
        again[:-1] |= same
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
        sizes = bounds[:, 1] - bounds[:, 0]
        keys = np.empty(int(sizes.sum()), dtype=np.uint64)
        done = 0
        for at in range(0, high - low, PIECES_AT_ONCE):
            pieces = range(at, min(at + PIECES_AT_ONCE, high - low))
            places = np.repeat(self._starts[low:high][pieces], sizes[pieces])
            places += np.concatenate(
                [self._places[low + piece][slice(*bounds[piece].tolist())] for piece in pieces]
            )
            here = keys[done : done + len(places)]
            here[:] = words_at(self._data, places)
            here <<= PLACE_BITS
            here |= places.view(np.uint64)
            done += len(places)
        return keys


def _thinned(keys: Keys) -> Keys:
    """Sorted keys without what goes beyond a window too many of each."""
    excess = np.zeros(len(keys), dtype=bool)
    excess[OCCURRENCES_MAX + 1 :] = (
        keys[OCCURRENCES_MAX + 1 :] ^ keys[: -OCCURRENCES_MAX - 1]
    ) <= PLACE
    return keys[~excess]


def _by_part(piece: Bytes) -> tuple[npt.NDArray[np.uint16], Positions]:
    """Places of the windows of a piece, part after part, and where each part begins and ends."""
    part_of = _parts_of(piece)
    bounds = np.zeros(PARTS + 1, dtype=np.int64)
    np.cumsum(np.bincount(part_of, minlength=PARTS)[:PARTS], out=bounds[1:])
    order = np.argsort(part_of, kind="stable")[: bounds[-1]]
    return order.astype(np.uint16), bounds


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
