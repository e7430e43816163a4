"""Two pictures of the array, compared page by page: all a planner needs to know of their bytes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_CHUNK_BYTES = 1 << 18  # the scratch arrays of a chunk stay in a processor's level-2 cache
_BLANK = 0xFF

Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFacts:
    """One entry a page in each array."""

    changed_bytes: Counts  # bytes that are not yet as they shall be
    kept_bytes: Counts  # bytes that already are as they shall be, FF not counted
    bits_rise: Flags  # some bit is 0 and shall be 1: only an erase does that
    blank: Flags  # every byte shall be FF: nothing to program after an erase

    @property
    def differs(self) -> Flags:
        """Pages in which something is to be changed."""
        return self.changed_bytes > 0


def compare_pages(
    current: bytes | memoryview,
    target: bytes | memoryview,
    *,
    page_size: int,
    untrusted: Sequence[range] = (),
) -> PageFacts:
    """The facts of every page of two pictures of the same length, a multiple of `page_size`.

    Pages touched by an `untrusted` range hold nobody knows what: all their bytes are to be
    changed, none is kept, and only an erase makes them known.
    """
    now, then = np.frombuffer(current, np.uint8), np.frombuffer(target, np.uint8)
    page_count = len(now) // page_size
    facts = PageFacts(
        changed_bytes=np.empty(page_count, np.int64),
        kept_bytes=np.empty(page_count, np.int64),
        bits_rise=np.empty(page_count, np.bool_),
        blank=np.empty(page_count, np.bool_),
    )
    step = max(1, _CHUNK_BYTES // page_size)
    for first in range(0, page_count, step):
        pages = slice(first, min(first + step, page_count))
        chunk = slice(pages.start * page_size, pages.stop * page_size)
        _compare_chunk(now[chunk], then[chunk], facts, pages, page_size)
    for stretch in untrusted:
        if stretch:
            pages = slice(stretch.start // page_size, -(-stretch.stop // page_size))
            facts.changed_bytes[pages] = page_size
            facts.kept_bytes[pages] = 0
            facts.bits_rise[pages] = True
    return facts


def _compare_chunk(
    now: NDArray[np.uint8],
    then: NDArray[np.uint8],
    facts: PageFacts,
    pages: slice,
    page_size: int,
) -> None:
    wrong = now != then
    facts.changed_bytes[pages] = _true_per_page(wrong, page_size)
    # For flags, "greater" is "the first and not the second", in one pass.
    facts.kept_bytes[pages] = _true_per_page(np.greater(then != _BLANK, wrong), page_size)
    now_words, then_words = _words(now, page_size), _words(then, page_size)
    rising = np.bitwise_or.reduce(then_words & ~now_words, axis=1)
    facts.bits_rise[pages] = rising != 0
    facts.blank[pages] = ~np.bitwise_and.reduce(then_words, axis=1) == 0


def _words(data: NDArray[np.uint8], page_size: int) -> NDArray[np.unsignedinteger]:
    """One row a page, in 64-bit words where the page has whole ones."""
    rows = data.reshape(-1, page_size)
    return rows.view(np.uint64) if page_size % 8 == 0 else rows


def _true_per_page(flags: Flags, page_size: int) -> Counts:
    rows = flags.reshape(-1, page_size)
    if page_size % 8 or page_size > 8 * 255:
        counts: Counts = rows.sum(axis=1, dtype=np.int64)
        return counts
    # Eight counters of 8 bits ride in each 64-bit sum; then they are folded into one of 16 bits.
    counters = np.add.reduce(rows.view(np.uint64), axis=1)
    every_other = np.uint64(0x00FF00FF00FF00FF)
    pairs = (counters & every_other) + ((counters >> np.uint64(8)) & every_other)
    folded: Counts = ((pairs * np.uint64(0x0001000100010001)) >> np.uint64(48)).astype(np.int64)
    return folded
