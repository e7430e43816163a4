"""How long to wait behind each page of a batch, kept to what nearly all pages of a chip need.

A wait that is too short loses the page behind (it comes while the chip is busy), and that costs
about two pages' time; one that is too long costs every page. So about one page in a hundred may
be late. What single outliers need is never waited for.

Every page is looked at when the wait is over, and some hundred now and then a little before it is
too. The last look tells whether this wait is long enough, the first whether a shorter one would
be, so that the wait falls on evidence only. Both count over the last pages sent with this wait.
"""

from collections import deque
from typing import Final

LATE_SHARE: Final = 0.01
PAGES_REMEMBERED: Final = 256
_PAGES_FOR_LESS: Final = 128  # one outlier among them is none, five in a hundred are seen
_PAGES_AT_REST: Final = 1024  # where no shorter wait would do, so many go without a first look
_FIRST_BATCH: Final = 16
_GROWTH: Final = 0.4  # of the share that was late: all late, so much longer
_EARLIER_LEAST: Final = 0.02
_EARLIER_MOST: Final = 0.5


class PageWait:
    """The wait, in microseconds, and what speaks for and against it."""

    def __init__(self, wait_us: float, *, longest_us: float) -> None:
        self._longest_us = longest_us
        self._earlier = _EARLIER_LEAST
        self._too_early: deque[bool] = deque(maxlen=PAGES_REMEMBERED)
        self._late: deque[bool] = deque(maxlen=PAGES_REMEMBERED)
        self._rest_pages = 0
        self.us = int(wait_us)

    @property
    def first_look_us(self) -> int:
        """When to look first: what the wait could be; the whole wait if there is but one look."""
        if self._rest_pages > 0:
            return self.us
        return int(self.us * (1 - self._earlier))

    @property
    def pages_worth_risking(self) -> int:
        """How many pages to send with a wait that is proven no better than by now."""
        return max(_FIRST_BATCH, 2 * len(self._late))

    def take(self, *, busy_at_first_look: bool | None, busy_at_end: bool) -> None:
        """What the looks behind a page that was accepted showed; None if there was no first."""
        if busy_at_first_look is None:
            self._rest_pages -= 1
        else:
            self._too_early.append(busy_at_first_look)
        self._late.append(busy_at_end)

    def adapt(self) -> None:
        """Between two batches: wait longer, or less, if the pages so far say so."""
        if _too_many(self._late):
            share = sum(self._late) / len(self._late)
            self._begin_anew(self.us + 1 + share * _GROWTH * max(self.us, self._longest_us / 8))
            self._earlier = _EARLIER_LEAST
        elif len(self._too_early) < _PAGES_FOR_LESS:
            return
        elif _too_many(self._too_early):
            if self._earlier == _EARLIER_LEAST:
                self._rest_pages = _PAGES_AT_REST
            self._earlier = max(_EARLIER_LEAST, self._earlier / 2)
            self._too_early.clear()
        else:
            self._begin_anew(self.first_look_us)
            self._earlier = min(_EARLIER_MOST, 2 * self._earlier)

    def _begin_anew(self, wait_us: float) -> None:
        self.us = int(min(self._longest_us, wait_us))
        self._rest_pages = 0
        self._too_early.clear()
        self._late.clear()


def _too_many(flags: deque[bool]) -> bool:
    """More than the share that may be, and more than a lone outlier."""
    return sum(flags) > max(1.0, LATE_SHARE * len(flags))
