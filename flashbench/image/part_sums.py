"""Sums of many parts of one block, from running sums that are made once.

Sums of words, and the two sums of Fletcher and Adler-32 (RFC 1950), as `checks` computes them of
one part at a time.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from flashbench.image.checks import CheckKind, Order
from flashbench.image.cut_block import FieldRule


class WordSums:
    """Sums of the words in any part of a block, from sums that are made once."""

    def __init__(self, block: bytes, word: int, order: Order) -> None:
        self._block, self._word, self._order = block, word, order
        self._sums = [
            _running(_padded_words(block[skipped:], word, order)) for skipped in range(word)
        ]

    def of(self, first: int, end: int) -> int:
        """The sum of the words from `first` up to `end`, the last filled up with 00."""
        sums, at = self._sums[first % self._word], first // self._word
        whole, rest = divmod(end - first, self._word)
        total = int(sums[at + whole] - sums[at])
        if rest:
            last = self._block[end - rest : end] + bytes(self._word - rest)
            total += int.from_bytes(last, self._order)
        return total


class RunningSums:
    """Fletcher and Adler sums of parts of one block, from sums that are made once.

    In a part that ends with the block a word at index i weighs (words in the block - i), wherever
    the part begins.
    """

    def __init__(self, block: bytes, kind: CheckKind, word: int, order: Order) -> None:
        self._block, self._kind, self._word, self._order = block, kind, word, order
        self._plain: list[npt.NDArray[np.uint64]] = []
        self._weighed: list[npt.NDArray[np.uint64]] = []
        for skipped in range(word):
            words = _padded_words(block[skipped:], word, order)
            weights = np.arange(len(words), 0, -1, dtype=np.uint64)
            self._plain.append(_running(words))
            self._weighed.append(_running(words * weights))

    @classmethod
    def of(cls, block: bytes, kind: CheckKind) -> "RunningSums":
        word = 1 if kind in (CheckKind.ADLER_32, CheckKind.FLETCHER_16) else 2
        return cls(block, kind, word, "big" if kind is CheckKind.FLETCHER_32_BE else "little")

    def parts(self, firsts: Sequence[int], end: int) -> list[int]:
        """The value over everything from each of `firsts` up to `end`."""
        start = np.array(firsts, dtype=np.int64)
        told = np.zeros((2, len(start)), dtype=np.uint64)
        for skipped, plain, weighed in zip(
            range(self._word), self._plain, self._weighed, strict=True
        ):
            these = start % self._word == skipped
            at, high = start[these] // self._word, (end - skipped) // self._word
            total = plain[high] - plain[at]
            second = weighed[high] - weighed[at] - np.uint64(len(plain) - 1 - high) * total
            if (end - skipped) % self._word:
                total += np.uint64(int.from_bytes(self._block[end - 1 : end] + b"\0", self._order))
                second += total
            told[:, these] = total, second
        sums = zip(*told.tolist(), firsts, strict=True)
        return [self._value(total, second, end - first) for total, second, first in sums]

    def without(self, places: Sequence[int], rule: FieldRule) -> list[int | None]:
        """The values over the whole block without the field at each of `places`.

        None where the field splits words, or a part of it is filled up.
        """
        plain, weighed = self._plain[0], self._weighed[0]
        words = self._kind.width // self._word
        low, split = np.divmod(np.array(places, dtype=np.int64), self._word)
        these = np.flatnonzero((split == 0) & (low + words < len(plain)))
        low = low[these]
        total = plain[-1] - (plain[low + words] - plain[low])
        second = weighed[-1] - (weighed[low + words] - weighed[low])
        size = len(self._block)
        if rule is FieldRule.EXCLUDED:
            second -= np.uint64(words) * plain[low]
            size -= self._kind.width
        values: list[int | None] = [None] * len(places)
        sums = zip(total.tolist(), second.tolist(), strict=True)
        for index, told in zip(these.tolist(), sums, strict=True):
            values[index] = self._value(*told, size)
        return values

    def _value(self, first: int, second: int, size: int) -> int:
        if self._kind is CheckKind.ADLER_32:
            return (size + second) % 65521 << 16 | (1 + first) % 65521
        modulus, bits = (255, 8) if self._kind is CheckKind.FLETCHER_16 else (65535, 16)
        return second % modulus << bits | first % modulus


def _padded_words(data: bytes, size: int, order: Order) -> npt.NDArray[np.uint64]:
    filled = data + bytes(-len(data) % size)
    return np.frombuffer(filled, f"{'<' if order == 'little' else '>'}u{size}").astype(np.uint64)


def _running(words: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Sums of the words before each index, the sum of all as the last."""
    sums = np.zeros(len(words) + 1, dtype=np.uint64)
    np.cumsum(words, out=sums[1:])
    return sums
