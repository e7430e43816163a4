"""Sends changing frames and counts them; waits for an idle chip, with a bound."""

from collections.abc import Sequence
from typing import Final

from flashbench.adapter._frame import Frame
from flashbench.chip.identity import Identified
from flashbench.chip.status import BUSY
from flashbench.errors import ChipHalfWritten
from flashbench.safe_write._change_frames import ChangeFrames
from flashbench.safe_write.plan import Plan

WORN_FACTOR: Final = 2
"""A hot or worn chip may take twice the datasheet's maximum; after that it counts as stuck."""

POLL_SHARE: Final = 1 / 32
"""Of the time an operation has taken, the part by which it may be found idle too late."""

SAMPLES: Final = 2
"""Bytes of status looked at where a misread bit would have the chip taken for idle."""


class Sender:
    """One plan's way to the chip: every run counts as a change of the session."""

    def __init__(self, plan: Plan) -> None:
        self.chip: Identified = plan.chip
        self.frames = ChangeFrames(plan)
        self.has_sent = False

    def run(self, frames: Sequence[Frame]) -> bytes:
        """Run changing frames; the replies, one behind the other."""
        self.chip.adapter.session.change_count += 1
        self.has_sent = True
        return self.chip.run(frames, sck_hz=self.chip.change_clock_hz)

    def status(self) -> bytes:
        """Status register 1, now, a few times in a row."""
        return self.chip.run([self.frames.status(SAMPLES)])

    def settle(self) -> None:
        """Wait for whatever an error may have left running; a busy chip takes no register write.

        Raises:
            ChipHalfWritten: no answer, or busy for longer than twice its longest erase.
        """
        profile = self.chip.profile
        times = [kind.ms_max for region in profile.regions for kind in region.kinds]
        if profile.chip_erase is not None:
            times.append(profile.chip_erase.ms_max)
        self.wait_idle(
            expected_ms=0.0,
            limit_ms=max(times, default=profile.status_write_ms_max),
            doing="what came before",
        )

    def disarm(self) -> None:
        """Clear the write enable latch, which an operation that was refused leaves set."""
        if self.has_sent:
            self.run([self.frames.write_disable()])

    def wait_idle(
        self, *, expected_ms: float, limit_ms: float, doing: str, since_s: float | None = None
    ) -> float:
        """Poll status register 1 until the chip is idle, first after `expected_ms`.

        Both times, and the milliseconds returned, count from `since_s`, now if it is not given.
        The polls thin out as time passes.

        Raises:
            ChipHalfWritten: no answer (FFh), or still busy after twice `limit_ms`.
        """
        time = self.chip.adapter.time
        begun_s = time.now_s() if since_s is None else since_s
        deadline_s = begun_s + WORN_FACTOR * limit_ms / 1000
        time.wait_s(max(0.0, begun_s + expected_ms / 1000 - time.now_s()))
        while True:
            asked_s = time.now_s()
            samples = self.status()
            if samples == b"\xff" * SAMPLES:
                raise ChipHalfWritten(
                    f"The chip stopped answering during {doing}: its status reads FFh.",
                    next_step="Check supply and contact, then run finish or restore.",
                )
            if not any(status & BUSY for status in samples):
                return (asked_s - begun_s) * 1000
            if time.now_s() > deadline_s:
                raise ChipHalfWritten(
                    f"The chip is still busy after {WORN_FACTOR * limit_ms:.0f} ms of {doing},"
                    f" twice the longest time its datasheet allows.",
                    next_step="Leave it powered for a minute, then run finish or restore.",
                )
            time.wait_s((asked_s - begun_s) * POLL_SHARE)
