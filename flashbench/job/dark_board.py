"""A board that stays dark after its chip was written: what to look at, in which order. Pure text.

The order is common practice at repair benches, no standard: what costs nothing first, hot air last.
"""

from dataclasses import dataclass

from flashbench.job import events
from flashbench.job.chips_left import chips_left
from flashbench.job.events import OutcomeTold
from flashbench.job.folder import Job
from flashbench.job.outcome import Stories, outcome_in, stories_of
from flashbench.job.spares import without_spares
from flashbench.wording import command_line

_WAIT = (
    "Wait: the first start with other memory packages trains them, and may take minutes with a dark"
    " screen. Give it ten, then try once more from cold."
)
_CURRENT = (
    "Look at the current that the board draws: none means no power reaches it; one that stands"
    " still means nothing runs; one that moves means the processor runs."
)
_RAILS = (
    "Measure the rails: the supply at the flash chip itself, then those of the memory and of the"
    " processor."
)
_SEATING = (
    "Look at the flash chip: pin 1 at the board's mark, seated flat, every joint wetted, no bridge."
)
_MEMORY = (
    "The board wrote to the chip since, so the processor ran and could read it: look at the memory"
    " joints, at the ranks of the packages fitted against those described, and at the straps."
)
_CHIP_FIRST = (
    "The board wrote nothing to the chip since, so nothing proves that the processor ran: look at"
    " the flash chip's joints first, then at those of the memory, at ranks and straps."
)
_NOT_KNOWN = (
    "Whether the board wrote to the chip is not known before it is read again. If it did, look at"
    " memory joints, ranks and straps; if it did not, at the flash chip's joints first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkBoard:
    """What to do about a board that does not boot.

    `board_wrote` is what reading the chip again has shown; None: it was not read again.
    """

    round_number: int  # the round whose chip the board did not boot with
    board_wrote: bool | None
    checks: tuple[str, ...]  # sentences, in the order to follow
    command: str  # the one that comes next


def dark_board(job: Job) -> DarkBoard | None:
    """What to do about the board of `job`; None unless its last outcome is that it stays dark.

    Raises `JobDamaged`.
    """
    stories = stories_of(job)
    told = _last_word(stories)
    if told is None or told.boots:
        return None
    wrote = _board_wrote(stories, told)
    original_on_chip = told.target_sha256 == _original(stories, 1)
    again = command_line("dump", job.folder, "--again")
    first_round = () if job.round_number == 1 else ("--round", "1")
    back = command_line("restore", job.folder, *first_round)
    checks = [_WAIT, _CURRENT, _RAILS, _SEATING]
    if wrote is None:
        checks.append(f"Read the chip again: {again}")
    checks.append({None: _NOT_KNOWN, True: _MEMORY, False: _CHIP_FIRST}[wrote])
    if original_on_chip:
        checks.append("The chip has its original contents: put the old straps and packages back.")
    else:
        checks.append(f"Last: the old straps, packages and image back: {back}")
    return DarkBoard(
        round_number=told.round_number,
        board_wrote=wrote,
        checks=tuple(checks),
        command=again if wrote is None else back,
    )


def _last_word(stories: Stories) -> OutcomeTold | None:
    """The outcome of the newest round that has one, unless a chip was written after it."""
    for number in sorted(stories, reverse=True):
        told = outcome_in(stories, number)
        if told is not None:
            return told
        of_board = without_spares(stories[number])
        if any(isinstance(event, events.WriteAnnounced) for event in of_board):
            return None
    return None


def _board_wrote(stories: Stories, told: OutcomeTold) -> bool | None:
    """Whether the next round's dump differs from what the chip was left with."""
    following = stories.get(told.round_number + 1, ())
    noted = [event for event in following if isinstance(event, events.BoardWrote)]
    if noted:
        return noted[-1].byte_count > 0
    read_again = _original(stories, told.round_number + 1)
    if read_again is None:
        return None
    if read_again == told.target_sha256:
        return False
    return True if _came_back_alone(stories, told.round_number) else None


def _came_back_alone(stories: Stories, round_number: int) -> bool:
    """Whether the next round's chip is the one last written, and no other of the round can be."""
    dumped = next(
        event for event in stories[round_number + 1] if isinstance(event, events.OriginalSaved)
    )
    can_be = [chip for chip in chips_left(stories[round_number]) if chip.can_be(dumped)]
    known = {
        event.sha256
        for number, story in stories.items()
        for event in story
        if number <= round_number and isinstance(event, events.OriginalSaved | events.ImageSaved)
    }
    return [chip.written_last for chip in can_be] == [True] and dumped.sha256 not in known


def _original(stories: Stories, round_number: int) -> str | None:
    saved = (
        event.sha256
        for event in stories.get(round_number, ())
        if isinstance(event, events.OriginalSaved)
    )
    return next(saved, None)
