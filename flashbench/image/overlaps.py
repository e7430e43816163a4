"""Stretches that lie over one another, and bounds for images that were made to be slow.

Real images hold few blocks of a kind over one another. An image from a stranger may hold one
every few bytes, each reaching to its end: hashing them all would take hours. So of one kind at
most `DEPTH_MAX` are looked at over any one byte, and `FOUND_MAX` in all, which bounds the work
to a multiple of the image; what is left out is told, never silently missing.
"""

import bisect
import heapq
from collections.abc import Iterable, Iterator

import numpy as np

from flashbench.image.checks import Span

DEPTH_MAX = 16
FOUND_MAX = 4096  # of one kind
END_MAX = 1 << 62  # far beyond any image


class Bounds:
    """How many candidates of each kind were taken, and which were left out."""

    def __init__(self, where: str = "") -> None:
        self._where = where
        self._taken: dict[str, int] = {}
        self._left: dict[str, tuple[int, int]] = {}  # how many, the first

    def admission(self, what: str, *, depth: int = DEPTH_MAX, most: int = FOUND_MAX) -> "Admission":
        """For one pass over the candidates of a kind, told in the plural."""
        return Admission(self, what, depth=depth, most=most)

    def take(self, what: str, at: int, *, most: int = FOUND_MAX) -> bool:
        """Whether one more is within the bound; noted as left out if not."""
        if self._taken.get(what, 0) >= most:
            self.leave_out(what, at)
            return False
        self._taken[what] = self._taken.get(what, 0) + 1
        return True

    def some(self, what: str, places: list[int], *, most: int) -> list[int]:
        """As many of `places` as are still within the bound."""
        kept = places[: max(0, most - self._taken.get(what, 0))]
        self._taken[what] = self._taken.get(what, 0) + len(kept)
        for at in places[len(kept) :]:
            self.leave_out(what, at)
        return kept

    def leave_out(self, what: str, at: int) -> None:
        """Note that a candidate at `at` was not looked at."""
        count, first = self._left.get(what, (0, at))
        self._left[what] = (count + 1, min(first, at))

    def include(self, other: "Bounds") -> None:
        """Tell what `other` left out as well, by the words for where that was."""
        for what, left in other._left.items():
            self._left[other._where + what] = left

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was left out, a sentence for each kind."""
        return tuple(
            f"not everything was looked at: of {what}, {count} more were left out, the first at"
            f" {first:#x}, since there are too many or too many over one another"
            for what, (count, first) in self._left.items()
        )


class Admission:
    """Admits candidates of one kind in order of their starts, as `Bounds` allows."""

    def __init__(self, bounds: Bounds, what: str, *, depth: int, most: int) -> None:
        self._bounds, self._what, self._depth, self._most = bounds, what, depth, most
        self._ends: list[int] = []  # of those admitted that reach beyond the last start

    def has_room(self, start: int) -> bool:
        """Whether one that begins at `start` may be looked at; it is noted if not.

        `start` never descends.
        """
        while self._ends and self._ends[0] <= start:
            heapq.heappop(self._ends)
        if len(self._ends) >= self._depth:
            self._bounds.leave_out(self._what, start)
            return False
        return True

    def admits(self, start: int, end: int) -> bool:
        """As `has_room`, and it is counted."""
        admitted = self.has_room(start) and self._bounds.take(self._what, start, most=self._most)
        if admitted:
            heapq.heappush(self._ends, end)
        return admitted


class Covered:
    """The bytes that any of some stretches cover, none of them empty."""

    def __init__(self, spans: Iterable[Span] = ()) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        for start, end in sorted(spans):
            if self._ends and start <= self._ends[-1]:
                self._ends[-1] = max(self._ends[-1], end)
            else:
                self._starts.append(start)
                self._ends.append(end)

    def add(self, span: Span) -> None:
        """Cover `span` as well."""
        low = bisect.bisect_left(self._ends, span.start)
        high = bisect.bisect_right(self._starts, span.end)
        if low < high:
            span = Span(min(span.start, self._starts[low]), max(span.end, self._ends[high - 1]))
        self._starts[low:high] = [span.start]
        self._ends[low:high] = [span.end]

    def overlaps(self, span: Span) -> bool:
        """Whether any byte of `span` is covered."""
        index = bisect.bisect_right(self._ends, span.start)
        return index < len(self._starts) and self._starts[index] < span.end


class SpanIndex:
    """Finds those of many stretches that lie around or over another, by their number."""

    def __init__(self, spans: Iterable[Span]) -> None:
        told = list(spans)
        # A header may claim any length.
        self._starts = np.array([min(span.start, END_MAX) for span in told], dtype=np.int64)
        self._ends = np.array([min(span.end, END_MAX) for span in told], dtype=np.int64)

    def around(self, place: Span) -> list[int]:
        """The numbers of those that contain `place`, ascending."""
        found = (self._starts <= place.start) & (self._ends >= place.end)
        return np.flatnonzero(found).tolist()

    def over(self, place: Span) -> Iterator[int]:
        """The numbers of those that share a byte with `place`, ascending."""
        found = (self._starts < place.end) & (self._ends > place.start)
        yield from np.flatnonzero(found).tolist()
