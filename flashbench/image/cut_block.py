"""A block in many versions: without its check value, from behind its header, without its end.

Versions differ at the block's ends. Of a long block the bytes between are carried over all at
once: a CRC is affine in the CRC before it, so what they do to one bit does for every version.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from flashbench.image.checks import CrcFunction

HEADER_MAX = 48  # bytes in which a header's check value is looked for
TRAILER_MAX = 8  # bytes before a block's end in which it is looked for
CUT_MIN = 4096  # bytes; shorter blocks are sooner gone through whole
_HEAD = HEADER_MAX + 4  # a value that begins in the header ends in the head


class FieldRule(Enum):
    """What the stored value itself counts as."""

    INCLUDED = "included"  # a zero-sum
    ZEROED = "zeroed"
    EXCLUDED = "excluded"  # the bytes before and behind it are joined
    OUTSIDE = "outside"  # the range does not reach it


Version = tuple[bytes, bytes]  # what stands before and behind the middle


@dataclass(frozen=True, slots=True)
class CutBlock:
    """A block in three pieces, of which the middle is in every version; a short one is all head."""

    head: bytes
    middle: bytes
    tail: bytes

    @classmethod
    def of(cls, block: bytes) -> "CutBlock":
        if len(block) < CUT_MIN:
            return cls(block, b"", b"")
        return cls(block[:_HEAD], block[_HEAD:-TRAILER_MAX], block[-TRAILER_MAX:])

    def whole(self, first: int) -> Version:
        """From `first` on, which lies in the header."""
        return self.head[first:], self.tail

    def shortened(self, first: int, width: int) -> Version:
        """From `first` up to a value of `width` bytes that ends the block."""
        if self.tail:
            return self.head[first:], self.tail[:-width]
        return self.head[first:-width], b""

    def without(self, place: int, width: int, rule: FieldRule, first: int) -> Version:
        """From `first` on, with the value at `place` ZEROED or EXCLUDED."""
        put = bytes(width) if rule is FieldRule.ZEROED else b""
        head, tail = self.head, self.tail
        if place < len(head):
            return head[first:place] + put + head[place + width :], tail
        place -= len(head) + len(self.middle)
        return head[first:], tail[:place] + put + tail[place + width :]

    def crcs(
        self, calculate: CrcFunction, width: int, versions: Sequence[Version]
    ) -> Sequence[int]:
        """The CRC, of `width` bytes, of each of the versions."""
        before = [calculate(head) for head, _ in versions]
        if not self.middle:
            return before
        behind = _carried_over(lambda crc: calculate(self.middle, crc), width, before)
        return [calculate(tail, crc) for (_, tail), crc in zip(versions, behind, strict=True)]


def _carried_over(function: Callable[[int], int], width: int, values: Sequence[int]) -> list[int]:
    """An affine function of numbers of `width` bytes at each of `values`."""
    constant = function(0)
    bits = np.arange(8 * width, dtype=np.uint32)
    columns = np.array([function(1 << bit) ^ constant for bit in bits.tolist()], dtype=np.uint32)
    is_set = np.array(values, dtype=np.uint32)[:, np.newaxis] >> bits & np.uint32(1)
    linear = np.bitwise_xor.reduce(is_set * columns, axis=1)
    return [constant ^ value for value in linear.tolist()]
