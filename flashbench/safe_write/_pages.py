"""Pages programmed many to a transfer, each with its own evidence.

A busy chip drops write enable and program silently, so every page is framed by two status
reads. *Before* with WEL set and not busy proves the program was accepted; anything else proves
that it was not, and only such pages are sent again: a second program of the same page would
end in an error on parts with on-die ECC. What the cells then hold is proven by reading back.
"""

from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from flashbench.adapter._frame import Frame
from flashbench.chip.profile import Address, ChipProfile
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.errors import ChipHalfWritten
from flashbench.safe_write._sender import Sender

PAGES_PER_TRANSFER: Final = 64
PAGES_MEASURED: Final = 4
ATTEMPTS_PER_PAGE: Final = 4
WAIT_SLACK: Final = 1.02  # of the longest program seen
_GROWTH: Final = 1.25

Page = tuple[Address, bytes]


class PageProgrammer:
    """Programs pages and learns from the first ones how long this chip needs for one."""

    def __init__(self, sender: Sender, profile: ChipProfile) -> None:
        self._sender = sender
        self._typ_us = profile.program_us_typ
        self._max_us = profile.program_us_max
        self._wait_us: float | None = None
        self._attempts: dict[Address, int] = {}

    def program(self, pages: Sequence[Page], *, idle: Callable[[], None]) -> None:
        """Program `pages` in order. `idle` is called whenever the chip is known to be idle.

        Raises:
            ChipHalfWritten: the chip stopped answering, or refuses a page again and again.
            AdapterError: the bus failed.
        """
        queue = deque(pages)
        while queue:
            if self._wait_us is None:
                self._measure([queue.popleft() for _ in range(min(PAGES_MEASURED, len(queue)))])
            else:
                batch = [queue.popleft() for _ in range(min(PAGES_PER_TRANSFER, len(queue)))]
                queue.extendleft(reversed(self._send(batch, int(self._wait_us))))
            idle()

    def _page_frames(self, page: Page, wait_us: int, samples: int) -> list[Frame]:
        frames = self._sender.frames
        return [
            frames.write_enable(),
            frames.status(),
            frames.program(page[0], page[1], wait_us=wait_us),
            frames.status(samples),
        ]

    def _measure(self, pages: Sequence[Page]) -> None:
        """Program single pages, watching the status byte by byte to see how long one takes."""
        hz = self._sender.chip.wire.true_hz(self._sender.chip.clock_hz)
        byte_us = 8e6 / hz
        samples = max(16, int(2 * self._typ_us / byte_us))
        time = self._sender.chip.adapter.time
        longest_us = 0.0
        for page in pages:
            sent_s = time.now_s()
            reply = self._sender.run(self._page_frames(page, 0, samples))
            before, after = reply[0], reply[1:]
            self._demand_answer(before, page[0])
            if not _accepted(before):
                self._settle()
                self._count_refusal(before, page[0])
                self._measure([page])
                continue
            busy = sum(1 for status in after if status & BUSY)
            longest_us = max(longest_us, busy * byte_us)
            if busy == samples:
                self._settle()
                longest_us = max(longest_us, (time.now_s() - sent_s) * 1e6)
        self._wait_us = max(self._wait_us or 0.0, longest_us * WAIT_SLACK + byte_us)

    def _send(self, batch: Sequence[Page], wait_us: int) -> list[Page]:
        """Send a batch; the pages that were provably not accepted."""
        frames = [frame for page in batch for frame in self._page_frames(page, wait_us, 1)]
        reply = self._sender.run(frames)
        dropped = []
        for page, before, after in zip(batch, reply[::2], reply[1::2], strict=True):
            self._demand_answer(before, page[0])
            if not _accepted(before):
                self._count_refusal(before, page[0])
                dropped.append(page)
                if before & BUSY:
                    self._lengthen_wait(wait_us)
            elif after & BUSY:
                self._lengthen_wait(wait_us)
        if reply[-1] & BUSY:
            self._settle()
        return dropped

    def _settle(self) -> None:
        self._sender.wait_idle(
            expected_ms=self._typ_us / 1000, limit_ms=self._max_us / 1000, doing="a page program"
        )

    def _lengthen_wait(self, wait_us: int) -> None:
        longer_us = min(self._max_us, wait_us * _GROWTH)
        self._wait_us = max(self._wait_us or 0.0, longer_us)

    def _count_refusal(self, before: int, address: Address) -> None:
        """A page that came while the chip was busy was not refused, only early."""
        if before & BUSY:
            return
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


def _accepted(before: int) -> bool:
    """Write enable was set and the chip idle right before the program, so it took it."""
    return bool(before & WRITE_ENABLED) and not before & BUSY
