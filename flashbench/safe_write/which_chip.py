"""Which of a job's chips is in the socket: the board's own, or a replacement. By what tells them.

A chip of the job is named by the number of its kept-N.bin; None is the board's own.
"""

from collections.abc import Sequence
from typing import Protocol

from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, ChipUntouched, OtherChip
from flashbench.job.folder import Job
from flashbench.job.left_behind import left_behind, was_replaced
from flashbench.job.refusals import JobDamaged, JobForeign, StepRefused
from flashbench.job.unfinished import UnfinishedWrite, half_written_in, unfinished_on
from flashbench.job.way_on import ways_on
from flashbench.safe_write.same_chip import refuse_other_chip


class JournalledChip(Protocol):
    """What the journal has of a chip: IDs in hex."""

    @property
    def jedec_id(self) -> str: ...
    @property
    def unique_id(self) -> str | None: ...


def can_be(chip: Identified, journalled: JournalledChip) -> bool:
    """Whether nothing that `chip` answers says that it is not the one in the journal.

    A factory number that only one of the two knows says nothing: the other may have been
    identified with a marking under which none is read.
    """
    if chip.jedec_id.hex() != journalled.jedec_id:
        return False
    return None in (chip.unique_id, journalled.unique_id) or is_surely(chip, journalled)


def is_surely_another(chip: Identified, journalled: JournalledChip) -> bool:
    """Whether JEDEC ID or factory number say that `chip` is not the one in the journal."""
    return not can_be(chip, journalled)


def is_surely(chip: Identified, journalled: JournalledChip) -> bool:
    """Whether the factory number says that `chip` is the one in the journal."""
    return chip.unique_id is not None and chip.unique_id.hex() == journalled.unique_id


def chips_it_can_be(chip: Identified, job: Job) -> tuple[int | None, ...]:
    """The chips of the job that `chip` can be by its IDs and size: the own one first.

    A part without a factory number can be several; what it holds must then tell.

    Raises:
        StepRefused: the job has nothing of any chip yet.
        OtherChip: it is none of them.
        ChipUntouched: its unique ID would tell, and cannot be read.
    """
    dumped = job.dumped
    if dumped is None:
        raise StepRefused(
            f"Round {job.round_number} of job {job.label} has no original yet.",
            next_step="Dump the chip.",
        )
    kept = {
        (one.jedec_id, one.unique_id, one.number if one.unique_id is None else None): one.number
        for one in job.kept_chips
        if can_be(chip, one) and (one.unique_id is None or chip.unique_id is not None)
    }
    found: list[int | None] = list(kept.values())
    try:
        refuse_other_chip(chip, _Dumped(dumped), density_bytes=dumped.size, label=job.label)
    except ChipUntouched as error:
        if not found and isinstance(error, OtherChip):
            raise _none_of_the_jobs(chip, job, error) from error
        if not found:
            raise
    else:
        found.insert(0, None)
    return tuple(found)


def _none_of_the_jobs(chip: Identified, job: Job, error: OtherChip) -> OtherChip:
    """`error`; while a replacement is half-written, one that names that as the chip to put in."""
    write, dumped = job.unfinished(), job.dumped
    if write is None or write.kept_number is None or dumped is None:
        return error
    return OtherChip(
        f"The chip in the socket ({_known_by(chip.jedec_id.hex(), _hex(chip.unique_id))}) is none"
        f" of job {job.label}. Half-written is {name_of_chip(job, write.kept_number)}; the board's"
        f" own chip is another one, too ({_known_by(dumped.jedec_id, dumped.unique_id)}).",
        next_step=f"Put {name_of_chip(job, write.kept_number)} in, and run:"
        f" {ways_on(job.folder, job.story, write)}",
    )


def _hex(number: bytes | None) -> str | None:
    return None if number is None else number.hex()


def _known_by(jedec_id: str, unique_id: str | None) -> str:
    return f"ID {jedec_id}" if unique_id is None else f"ID {jedec_id}, {unique_id}"


def told_by_contents(
    chip: Identified, job: Job, possible: Sequence[int | None], held_sha256: str
) -> tuple[int | None, ...]:
    """Those of the possible chips that `chip`, which holds what has this hash, can be.

    All of them, but for half-written ones that another took the place of, where it holds just
    what that other was proven to hold, and its registers are what they were then.
    """
    registers = {register.name: value for register, value in chip.registers.items()}
    not_these = left_behind(job.story, possible, held_sha256, registers=registers)
    return tuple(number for number in possible if number not in not_these)


def bagged_sentence(job: Job, number: int | None) -> str:
    """What is to become of a chip that was left half-written; without an end.

    A replacement can be finished until another one has taken its place.
    """
    write = job.unfinished_on(number)
    if write is not None and is_still_wanted(job, number):
        return (
            f"{name_of_chip(job, number)} was left half-written: with it in the socket, go on with"
            f" {ways_on(job.folder, job.story, write)}; if the board keeps another chip, it belongs"
            " in a bag that says so"
        )
    return (
        f"{name_of_chip(job, number)} was left half-written: it belongs in a bag that says so, and"
        " is not to be used"
    )


def is_still_wanted(job: Job, number: int | None) -> bool:
    """Whether a half-written chip is a replacement for the board that none has replaced since."""
    return (
        number is not None and number not in job.spare_chips and not was_replaced(job.story, number)
    )


def refuse_half_written(chip: Identified, job: Job) -> None:
    """Return unless the factory number says that this chip is one that the job left half-written.

    Raises:
        ChipHalfWritten: it is; neither may it be dumped as a new round nor taken for a new chip.
        OtherChip: it is one of an earlier round, and the job went on with another.
    """
    dumped = job.dumped
    known: list[tuple[int | None, JournalledChip]] = [(one.number, one) for one in job.kept_chips]
    if dumped is not None:
        known.append((None, dumped))
    for number, one in known:
        write = job.unfinished_on(number)
        if write is not None and is_surely(chip, one):
            raise half_written(job, write)
    for number in job.round_numbers:
        if number < job.round_number and _was_left_in(job, number, chip):
            raise OtherChip(
                f"The chip in the socket was left half-written in round {number} of job"
                f" {job.label}, and another one took its place.",
                next_step="It belongs in a bag that says so, and is not to be used. Put in the"
                " chip that the board has now.",
            )


def _was_left_in(job: Job, round_number: int, chip: Identified) -> bool:
    """Whether an earlier round left this chip half-written, as far as its journal can be read."""
    try:
        story = [told.event for told in job.told(round_number=round_number)]
    except (JobDamaged, JobForeign):
        return False
    left = (unfinished_on(story, kept) for kept in half_written_in(story))
    return any(write is not None and is_surely(chip, write) for write in left)


def half_written(job: Job, write: UnfinishedWrite) -> ChipHalfWritten:
    """What is said of a chip in the socket that is one which the job left half-written."""
    name = name_of_chip(job, write.kept_number)
    return ChipHalfWritten(
        f"The chip in the socket is {name} of job {job.label}, and a write to it was begun and is"
        " not proven.",
        next_step=f"Run: {ways_on(job.folder, job.story, write)}",
        state="The chip is half-written from before; this command changed nothing.",
    )


class _Dumped:
    """The IDs of the dumped chip, in bytes."""

    def __init__(self, journalled: JournalledChip) -> None:
        self.jedec_id = bytes.fromhex(journalled.jedec_id)
        self.unique_id = (
            None if journalled.unique_id is None else bytes.fromhex(journalled.unique_id)
        )


def name_of_chip(job: Job, number: int | None) -> str:
    """ "the board's own chip", or the replacement or spare with what it can be told by."""
    if number is None:
        return "the board's own chip"
    kept = next((one for one in job.kept_chips if one.number == number), None)
    if kept is None:
        return f"replacement chip {number}"
    what = "spare" if number in job.spare_chips else "replacement"
    return f"{what} chip {number} ({_known_by(kept.jedec_id, kept.unique_id)})"
