"""Pages programmed many to a transfer, each with its own evidence.

A busy chip drops write enable and program silently, so every page is framed by two status
reads. *Before* with WEL set and not busy says that the program was accepted. Anything else is a
doubt and no proof, for one bit of the status may have been misread: a second program of the same
page would spoil it on parts with on-die ECC. So a doubtful page is read. As it was, it is sent
again; as it shall be, it is done; and any other is left to whoever reads the unit back, and
erases it anew where it may not be programmed twice. What the cells then hold is proven there too.

The first pages are watched one by one; then batches go out with the wait that `PageWait` keeps.
"""

from collections import deque
from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise
from statistics import median_low
from typing import Final, NamedTuple

from flashbench.adapter._frame import Frame
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.profile import Address, ChipProfile
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.errors import ChipHalfWritten
from flashbench.safe_write._page_wait import PageWait
from flashbench.safe_write._sender import SAMPLES, Sender

PAGES_PER_RUN: Final = 256
RUN_S_MAX: Final = 0.15  # a stop is acted on after a run, with the chip idle
PAGES_MEASURED: Final = 4
PAGES_WATCHED_MAX: Final = 12
WINDOW_BYTES: Final = 400
"""Status bytes in a row. What no adapter holds back would stop its clock, and the count lie."""
ATTEMPTS_PER_PAGE: Final = 4
WAIT_SLACK: Final = 1.02  # of the longest program seen
OUTLIER_FACTOR: Final = 1.5  # a watched page that took so many times the median is one
_GROWTH: Final = 1.25


class Page(NamedTuple):
    """What to program where, and what the cells held before."""

    start: Address
    data: bytes
    over: bytes


class _Doubt(NamedTuple):
    """A page that may not have been accepted; `came_early` if the one before still ran then."""

    page: Page
    came_early: bool


class PageProgrammer:
    """Programs pages and learns from the first ones how long this chip needs for one."""

    def __init__(self, sender: Sender, profile: ChipProfile) -> None:
        self._sender = sender
        self._byte_us = 8e6 / sender.chip.wire.true_hz(sender.chip.change_clock_hz)
        self._page_wire_s = profile.page_size * self._byte_us / 1e6
        self._max_us = profile.program_us_max
        self._time = ProgramTime(typ_us=profile.program_us_typ, byte_us=self._byte_us)
        self._wait: PageWait | None = None
        self._enable = sender.frames.write_enable()
        self._look = sender.frames.status()
        self._prepared: dict[Address, Frame] = {}
        self._attempts: dict[Address, int] = {}

    def program(self, pages: Sequence[Page], *, idle: Callable[[], None]) -> None:
        """Program `pages` in order. `idle` is called whenever the chip is known to be idle.

        Raises:
            ChipHalfWritten: the chip stopped answering, or refuses a page again and again.
            AdapterError: the bus failed.
        """
        queue = deque(pages)
        while queue:
            if self._wait is None:
                doubts = self._watch(queue.popleft(), self._time)
                if self._time.known:
                    self._wait = PageWait(self._time.wait_us, longest_us=self._max_us)
            else:
                count = min(self._pages_per_run(self._wait), len(queue))
                doubts = self._send([queue.popleft() for _ in range(count)], self._wait)
            queue.extendleft(reversed(self._to_send_again(doubts)))
            idle()

    def prepare(self, pages: Sequence[Page]) -> None:
        """Make the frames of `pages` while there is time: they are about to be programmed."""
        wait_us = 0 if self._wait is None else self._wait.first_look_us
        make = self._sender.frames.program
        self._prepared = {
            page.start: make(page.start, page.data, wait_us=wait_us) for page in pages
        }

    def _pages_per_run(self, wait: PageWait) -> int:
        page_s = wait.us / 1e6 + self._page_wire_s
        return max(1, min(PAGES_PER_RUN, wait.pages_worth_risking, int(RUN_S_MAX / page_s)))

    def _page_frames(self, page: Page, wait_us: int, *looks: Frame) -> list[Frame]:
        program = self._prepared.get(page.start)
        if program is None or program.wait_us != wait_us:
            program = self._sender.frames.program(page.start, page.data, wait_us=wait_us)
        return [self._enable, self._look, program, *looks]

    def _watch(self, page: Page, time: "ProgramTime") -> list[_Doubt]:
        """Program a single page and look when it is done; the doubt whether it was accepted."""
        begin_us = time.window_begin_us
        look = self._sender.frames.status(time.window_bytes)
        clock = self._sender.chip.adapter.time
        sent_s = clock.now_s()
        reply = self._sender.run(self._page_frames(page, begin_us, look))
        before, after = reply[0], reply[1:]
        self._demand_answer(before, page.start)
        if not _accepted(before):
            self._settle()
            return [_Doubt(page, came_early=False)]
        time.take(begin_us, sum(1 for status in after if status & BUSY))
        if after[-1] & BUSY:
            self._settle()
            time.at_most((clock.now_s() - sent_s) * 1e6)
        return []

    def _send(self, batch: Sequence[Page], wait: PageWait) -> list[_Doubt]:
        """Send a batch; the pages that do not look accepted."""
        first_us = wait.first_look_us
        looks = [self._look]
        if first_us < wait.us:
            looks.insert(0, self._sender.frames.status(wait_us=wait.us - first_us))
        frames = [frame for page in batch for frame in self._page_frames(page, first_us, *looks)]
        reply = self._sender.run(frames)
        doubts = []
        still_busy = False
        step = 1 + len(looks)
        told = zip(batch, reply[::step], reply[1::step], reply[step - 1 :: step], strict=True)
        for page, before, early, after in told:
            self._demand_answer(before, page.start)
            if not _accepted(before):
                doubts.append(_Doubt(page, came_early=still_busy))
            else:
                first = bool(early & BUSY) if first_us < wait.us else None
                wait.take(busy_at_first_look=first, busy_at_end=bool(after & BUSY))
            still_busy = bool(after & BUSY)
        wait.adapt()
        if still_busy:
            self._settle()
        return doubts

    def _to_send_again(self, doubts: Sequence[_Doubt]) -> list[Page]:
        """The doubtful pages whose cells are as they were before. The chip is idle."""
        if not doubts:
            return []
        found = self._read([doubt.page for doubt in doubts], ReadKind.FAST)
        strange = [page for page in found if found[page] not in (page.over, page.data)]
        if strange:
            found |= self._read(strange, ReadKind.PLAIN)
        again = [doubt for doubt in doubts if found[doubt.page] == doubt.page.over]
        for doubt in again:
            if not doubt.came_early:
                self._count_refusal(doubt.page.start)
        return [doubt.page for doubt in again]

    def _read(self, pages: Sequence[Page], kind: ReadKind) -> dict[Page, bytes]:
        """What the cells of `pages` hold, read from a chip that says before and after it is idle.

        A busy chip ignores reads, and the line then often reads as blank cells do.
        """
        chip, look = self._sender.chip, self._sender.frames.status(SAMPLES)
        run = [look]
        for page in pages:
            run += reading.array_frames(chip.profile, page.start, len(page.data), kind=kind)
        run.append(look)
        for _ in range(ATTEMPTS_PER_PAGE):
            reply = chip.run(run, sck_hz=reading.read_hz(chip, kind))
            if not any(status & BUSY for status in reply[:SAMPLES] + reply[-SAMPLES:]):
                break
            self._settle()
        else:
            raise ChipHalfWritten(
                f"The chip is found idle and then says that it is busy, {ATTEMPTS_PER_PAGE} times"
                f" over, at the page {pages[0].start:#08x}.",
                next_step="Check contact and supply, then run finish or restore.",
            )
        ends = list(accumulate((len(page.data) for page in pages), initial=SAMPLES))
        return {page: reply[a:b] for page, (a, b) in zip(pages, pairwise(ends), strict=True)}

    def _settle(self) -> None:
        self._sender.wait_idle(
            expected_ms=0.0, limit_ms=self._max_us / 1000, doing="a page program"
        )

    def _count_refusal(self, address: Address) -> None:
        self._attempts[address] = self._attempts.get(address, 0) + 1
        if self._attempts[address] >= ATTEMPTS_PER_PAGE:
            raise ChipHalfWritten(
                f"The chip did not accept the page at {address:#08x} in"
                f" {ATTEMPTS_PER_PAGE} attempts: write enable (06h) has no effect.",
                next_step="Check contact and supply, then run finish or restore.",
            )

    def _demand_answer(self, status: int, address: Address) -> None:
        if status == 0xFF:
            raise ChipHalfWritten(
                f"The chip stopped answering at the page {address:#08x}: its status reads FFh.",
                next_step="Check supply and contact, then run finish or restore.",
            )


class ProgramTime:
    """How long this chip needs for a page, found by looking at single ones.

    Behind each lies a wait and then a window of status bytes. The wait is moved until the end of
    the program falls into the window.
    """

    def __init__(self, *, typ_us: float, byte_us: float) -> None:
        self.window_bytes = max(16, min(WINDOW_BYTES, int(2 * typ_us / byte_us)))
        self._typ_us, self._byte_us = typ_us, byte_us
        self._seen_us: list[float] = []
        self._least_us = 0.0
        self._most_us: float | None = None
        self._looks = 0

    @property
    def known(self) -> bool:
        """Whether enough pages were watched."""
        return len(self._seen_us) >= PAGES_MEASURED or self._looks >= PAGES_WATCHED_MAX

    @property
    def _longest_usual_us(self) -> float:
        usual_us = median_low(self._seen_us) * OUTLIER_FACTOR
        return max(us for us in self._seen_us if us <= usual_us)

    @property
    def window_begin_us(self) -> int:
        """How long to wait behind the next program before the status is looked at."""
        if self._seen_us:
            middle_us = self._longest_usual_us
        elif self._most_us is not None:
            middle_us = (self._least_us + self._most_us) / 2
        else:
            middle_us = max(self._typ_us, _GROWTH * self._least_us)
        return max(0, int(middle_us - self.window_bytes * self._byte_us / 2))

    def take(self, begin_us: int, busy_bytes: int) -> None:
        """A window that began so late showed a busy chip for so many of its bytes."""
        self._looks += 1
        end_us = begin_us + busy_bytes * self._byte_us
        if busy_bytes == 0:
            self.at_most(begin_us)
        elif busy_bytes == self.window_bytes:
            self._least_us = max(self._least_us, end_us)
        else:
            self._seen_us.append(end_us)

    def at_most(self, us: float) -> None:
        """A program was done by then."""
        self._most_us = us if self._most_us is None else min(self._most_us, us)

    @property
    def wait_us(self) -> float:
        """How long to wait behind a program: the longest seen but outliers, with a margin."""
        if self._seen_us:
            return self._longest_usual_us * WAIT_SLACK + self._byte_us
        return max(self._most_us or 0.0, _GROWTH * self._least_us)


def _accepted(before: int) -> bool:
    """Write enable was set and the chip idle right before the program, so it took it."""
    return bool(before & WRITE_ENABLED) and not before & BUSY
