"""What went wrong, grouped by what the user now holds.

Every error says three things: the state of the chip, what was seen, what to do next.
The class decides the exit status of the command line; nothing else does.
"""

from typing import ClassVar


class FlashbenchError(Exception):
    """Base of everything flashbench raises on purpose. `str(error)` is three lines."""

    exit_status: ClassVar[int] = 1
    state: str = "The chip was not touched."

    def __init__(self, seen: str, *, next_step: str, state: str | None = None) -> None:
        self.seen = seen
        self.next_step = next_step
        if state is not None:
            self.state = state
        super().__init__(seen)

    def __str__(self) -> str:
        return f"{self.state}\n{self.seen}\n{self.next_step}"


class CheckFailed(FlashbenchError):
    """An offline check of files said no; no chip was involved."""

    exit_status = 1
    state = "No chip was involved."


class WrongCall(FlashbenchError):
    """The command or function was called in a way that cannot be carried out."""

    exit_status = 2


class ChipUntouched(FlashbenchError):
    """Refused before any cell or register of the chip was changed by this command."""

    exit_status = 3
    state = "The chip is untouched."


class OtherChip(ChipUntouched):
    """The chip in the socket is surely not the one that the job is about."""


class StrangeContents(ChipUntouched):
    """The chip holds what the job does not know: its board ran since, or it is another's chip."""


class ReadsUnsteady(ChipUntouched):
    """The same thing read twice is not the same: a contact, the supply or the clock."""


class ChipHalfWritten(FlashbenchError):
    """Cells or protection bits were changed and are not proven: `finish` or `restore` lead on."""

    exit_status = 4
    state = "The chip is half-written."


class ProofUnrecorded(ChipHalfWritten):
    """The chip was written and read back whole, and on the disk the write counts as unfinished."""


class AdapterError(FlashbenchError):
    """The adapter or the bus failed.

    `frames_surely_ran` counts the frames of the failed run that the chip has certainly seen
    whole; frames from there up to `frames_may_have_run` may or may not have reached it.
    """

    exit_status = 5
    state = "Nothing was changed by this command."

    def __init__(
        self,
        seen: str,
        *,
        next_step: str,
        state: str | None = None,
        frames_surely_ran: int = 0,
        frames_may_have_run: int = 0,
    ) -> None:
        super().__init__(seen, next_step=next_step, state=state)
        self.frames_surely_ran = frames_surely_ran
        self.frames_may_have_run = frames_may_have_run


class AdapterGone(AdapterError):
    """The adapter left the USB in the middle of something."""


class AdapterReplyWrong(AdapterError):
    """The adapter answered short, late, too much, or out of step."""


class AdapterUnavailable(AdapterError):
    """No adapter could be opened; the sentence says what stands in the way."""


class Interrupted(FlashbenchError):
    """The user asked to stop, and nothing had been changed."""

    exit_status = 130
    state = "Nothing was changed by this command."


class Declined(Interrupted):
    """The user was asked, and did not say yes."""
