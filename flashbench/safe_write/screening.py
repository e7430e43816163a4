"""Is a dump plausible? Pure functions on bytes: what to refuse, what only to mention."""

import hashlib
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

LANE_EVIDENCE_BYTES: Final = 4096
"""A bit lane is called stuck only over at least this many non-blank bytes."""

CLUSTER_BYTES_MIN: Final = 8
CLUSTER_SHARE: Final = 8
"""Differences cluster if nine tenths lie in an eighth of the chip: common practice, no source."""

_MIB: Final = 1024 * 1024


def sha256_hex(data: bytes) -> str:
    """The SHA-256 of `data`, as job files and sentences write it."""
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Where two reads of one chip differ."""

    byte_count: int
    first: int
    first_values: tuple[int, int]
    rising_bits: int  # 0 in the first read, 1 in the second
    falling_bits: int
    lanes: tuple[int, ...]  # flips for each bit position, bit 0 first
    cluster: range | None  # a small stretch that most of them lie in; None: all over, or too few

    def sentence(self) -> str:
        """The difference in one line."""
        one, two = self.first_values
        busiest = max(range(8), key=lambda lane: self.lanes[lane])
        cluster = ""
        if self.cluster is not None:
            first, last = self.cluster.start, self.cluster.stop - 1
            cluster = f" Nine in ten of them lie between {first:#08x} and {last:#08x}."
        elif self.byte_count >= CLUSTER_BYTES_MIN:
            cluster = " They lie all over the chip."
        return (
            f"Two reads differ at {self.byte_count} byte{'s' if self.byte_count != 1 else ''},"
            f" first at {self.first:#08x} ({one:02X}h, then {two:02X}h);"
            f" {self.rising_bits} bits rose, {self.falling_bits} fell, most in bit {busiest}."
            f"{cluster}"
        )


def disagreement(first: bytes, second: bytes) -> Disagreement | None:
    """What differs between two reads of equal length, or None."""
    if first == second:
        return None
    one = np.frombuffer(first, np.uint8)
    two = np.frombuffer(second, np.uint8)
    where = np.flatnonzero(one != two)
    ones, twos = one[where], two[where]
    flips = np.unpackbits((ones ^ twos)[:, None], axis=1, bitorder="little").sum(axis=0)
    at = int(where[0])
    return Disagreement(
        byte_count=len(where),
        first=at,
        first_values=(first[at], second[at]),
        rising_bits=int(np.bitwise_count(~ones & twos).sum()),
        falling_bits=int(np.bitwise_count(ones & ~twos).sum()),
        lanes=tuple(int(n) for n in flips),
        cluster=_cluster(where, len(first)),
    )


def _cluster(where: npt.NDArray[np.intp], size: int) -> range | None:
    """The shortest stretch with nine tenths of these places, if it is a small part of `size`."""
    if len(where) < CLUSTER_BYTES_MIN:
        return None
    held = -(-9 * len(where) // 10)
    spans = where[held - 1 :] - where[: len(where) - held + 1] + 1
    at = int(spans.argmin())
    if spans[at] > size // CLUSTER_SHARE:
        return None
    return range(int(where[at]), int(where[at + held - 1]) + 1)


def differs_outside(first: bytes, second: bytes, allowed: list[range]) -> Disagreement | None:
    """As `disagreement`, with the bytes in the `allowed` ranges set aside."""
    if first == second:
        return None
    masked = bytearray(second)
    for stretch in allowed:
        masked[stretch.start : stretch.stop] = first[stretch.start : stretch.stop]
    return disagreement(first, bytes(masked))


def stuck_lanes(image: bytes) -> tuple[tuple[int, int], ...]:
    """(bit, value) for each bit that never changes over the bytes that are neither 00h nor FFh.

    Empty where there are too few such bytes to say. Common practice; no source.
    """
    data = np.frombuffer(image, np.uint8)
    telling = data[(data != 0x00) & (data != 0xFF)]
    if len(telling) < LANE_EVIDENCE_BYTES:
        return ()
    always_one = int(np.bitwise_and.reduce(telling))
    ever_one = int(np.bitwise_or.reduce(telling))
    high = [(bit, 1) for bit in range(8) if always_one >> bit & 1]
    low = [(bit, 0) for bit in range(8) if not ever_one >> bit & 1]
    return tuple(sorted(high + low))


def has_equal_halves(image: bytes) -> bool:
    """True if the image is its own first half twice over."""
    half = len(image) // 2
    return image[:half] == image[half:]


def largest_swings(image: bytes, *, at_most: int) -> list[int]:
    """Offsets of bytes unlike the one before in the most bits, one of each pair of values.

    Where a line settles too late for the clock, it errs there first, and alike in every read.
    """
    first_of: npt.NDArray[np.int64] = np.full(1 << 16, -1, np.int64)
    data = np.frombuffer(image, np.uint8)
    for start in range(0, len(data) - 1, _MIB):
        part = data[start : start + _MIB + 1].astype(np.uint16)
        pairs = part[:-1] << 8 | part[1:]
        new = np.flatnonzero(first_of[pairs] < 0)[::-1]
        first_of[pairs[new]] = start + 1 + new
    values = np.flatnonzero(first_of >= 0)
    swing = np.bitwise_count((values >> 8 ^ values) & 0xFF)
    steepest = values[np.argsort(-swing.astype(np.int8), kind="stable")[:at_most]]
    return [int(place) for place in first_of[steepest]]


def is_constant(image: bytes) -> bool:
    """True if every byte is the same."""
    return image.count(image[:1]) == len(image)


def notes(image: bytes) -> tuple[str, ...]:
    """What the user should know about a dump that is not refused."""
    if is_constant(image):
        what = "blank" if image[0] == 0xFF else f"nothing but {image[0]:02X}h"
        return (f"The chip answers its ID and holds {what}: there is no firmware on it.",)
    if has_equal_halves(image) and len(image) <= 16 * _MIB:
        return (
            "The two halves of the dump are equal: a doubled image, or a chip half as large"
            " as its ID says.",
        )
    return ()


def telling_blocks(image: bytes, *, block: int, most: int = 4) -> tuple[int, ...]:
    """Offsets of up to `most` blocks that are not constant: fit to recognise a place by."""
    usable = len(image) // block * block
    rows: npt.NDArray[np.uint8] = np.frombuffer(image, np.uint8, usable).reshape(-1, block)
    varied = np.flatnonzero((rows != rows[:, :1]).any(axis=1))
    if not len(varied):
        return ()
    picks = np.unique(varied[np.linspace(0, len(varied) - 1, most).astype(int)])
    return tuple(int(row) * block for row in picks)
