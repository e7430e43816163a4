"""How repeated reads of the same bytes differ: how much, where, and which way the bits go."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

WEAK_SHARE_MAX: Final = 0.05
"""Wrong places in more of a stretch than this are a bad line, never single weak cells."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flips:
    """What differs between reads of one stretch and what most of them say.

    `wrong_bytes` counts over all reads; `places` are offsets, each once, ascending; `lanes` has
    the flips of each bit position, bit 0 first.
    """

    wrong_bytes: int
    compared_bytes: int
    places: tuple[int, ...]
    rising_bits: int  # 0 by most reads, 1 in this one
    falling_bits: int
    lanes: tuple[int, ...]

    def sentence(self) -> str:
        """The statistics in one line."""
        flipped = self.rising_bits + self.falling_bits
        busiest = max(range(8), key=lambda lane: self.lanes[lane])
        bytes_differ = "1 byte differs" if self.wrong_bytes == 1 else f"{self.wrong_bytes} differ"
        lane = f", {self.lanes[busiest]} of them in bit {busiest}" if flipped > 1 else ""
        return (
            f"Of {self.compared_bytes} bytes read {bytes_differ} from what most reads say:"
            f" {self.rising_bits} bits rose, {self.falling_bits} fell{lane}."
        )


def flips_among(reads: Sequence[bytes], *, truth: bytes | None = None) -> Flips | None:
    """What differs among `reads`, which are equally long, or from `truth`; None if nothing.

    Without `truth` a bit counts as what more than half of the reads say.
    """
    if all(read == (truth if truth is not None else reads[0]) for read in reads):
        return None
    data = np.frombuffer(b"".join(reads), np.uint8).reshape(len(reads), -1)
    right = _majority(data) if truth is None else np.frombuffer(truth, np.uint8)
    wrong: npt.NDArray[np.uint8] = data ^ right
    flips = np.unpackbits(wrong[wrong != 0][:, None], axis=1, bitorder="little").sum(axis=0)
    return Flips(
        wrong_bytes=int(np.count_nonzero(wrong)),
        compared_bytes=data.size,
        places=tuple(int(place) for place in np.flatnonzero(wrong.any(axis=0))),
        rising_bits=int(np.bitwise_count(data & ~right).sum()),
        falling_bits=int(np.bitwise_count(~data & right).sum()),
        lanes=tuple(int(count) for count in flips),
    )


def _majority(data: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    ones = np.unpackbits(data, axis=1).sum(axis=0, dtype=np.uint16)
    return np.packbits(ones * 2 > len(data))


def same_places(tries: Sequence[Flips | None], *, stretch_bytes: int) -> bool:
    """Whether several tries at one stretch went wrong at the same few places each time.

    Then it is the cells there; a contact, a supply or a clock errs elsewhere each time. Most
    places must have gone wrong in two tries or more. Common practice; no source.
    """
    counts: dict[int, int] = {}
    for flips in tries:
        for place in flips.places if flips is not None else ():
            counts[place] = counts.get(place, 0) + 1
    if not counts or len(counts) > max(1, WEAK_SHARE_MAX * stretch_bytes):
        return False
    return 2 * sum(count > 1 for count in counts.values()) > len(counts)
