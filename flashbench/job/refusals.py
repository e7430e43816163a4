"""What a job folder can refuse, in sentences.

None of these touches a chip, so the state they name is that of this command; where the job's
journal says that a write is unfinished, `disk_refused` says so and outranks the rest.
"""

import errno
from pathlib import Path

from flashbench.errors import (
    CheckFailed,
    ChipHalfWritten,
    ChipUntouched,
    FlashbenchError,
    ProofUnrecorded,
)
from flashbench.wording import command_line, quoted

_UNTOUCHED = "This command did not touch the chip."


class JobExists(ChipUntouched):
    """There is a job, or something else, where a new one was to be made."""

    state = _UNTOUCHED


class JobMissing(ChipUntouched):
    """There is no job in this folder."""

    state = _UNTOUCHED


class JobInUse(ChipUntouched):
    """Another process holds the job's lock."""

    state = _UNTOUCHED


class JobForeign(ChipUntouched):
    """The job was written by a flashbench that this one does not understand."""

    state = _UNTOUCHED


class JobDamaged(ChipUntouched):
    """A file of the job is not what the job says it wrote."""

    state = _UNTOUCHED

    def __init__(self, seen: str, *, next_step: str | None = None) -> None:
        super().__init__(
            seen,
            next_step=next_step
            or "Keep this folder as it is, and put the file back from a second copy of the job.",
        )


def journal_lost(error: JobDamaged, *, original: Path) -> JobDamaged:
    """`error` of a journal, with the way back that needs none: through a new job."""
    return JobDamaged(
        error.seen,
        next_step="Put that file back from a copy of the folder no older than the last write. If"
        " there is none: Leave the chip in if it may be half-written, and go back through a new"
        " job: flashbench dump"
        f" NEWJOB, take {quoted(original)} into it by flashbench edit NEWJOB --from-image, then"
        ' flashbench write NEWJOB (README, "The journal is lost").',
    )


def round_lost(seen: str, *, original: Path) -> JobDamaged:
    """The refusal of a job that lacks a round, or has one that is not its own."""
    return JobDamaged(
        seen,
        next_step="Put that folder back from a copy of the job no older than the last write. If"
        " there is none: Leave the chip in if it may be half-written, and go on in a new job:"
        f" flashbench dump NEWJOB; what round 1 dumped stays in {quoted(original)}, and"
        " flashbench edit NEWJOB --from-image takes it in.",
    )


class StepRefused(ChipUntouched):
    """The job is not at the step that was asked for."""

    state = _UNTOUCHED


def disk_refused(doing: str, error: OSError, *, unfinished: bool) -> FlashbenchError:
    """The sentence for an `OSError` while `doing`, e.g. "saving original.bin"."""
    seen = f"The disk refused while {doing}: {error.strerror or error}."
    next_step = _way_on(error)
    if unfinished:
        return ChipHalfWritten(
            seen, next_step=next_step, state=f"The chip is half-written. {_UNTOUCHED}"
        )
    return ChipUntouched(seen, next_step=next_step, state=_UNTOUCHED)


def line_refused(kind: str, error: ValueError, *, unfinished: bool) -> FlashbenchError:
    """The sentence for a journal line that could not be read back, and so was not written."""
    seen = f"The journal takes no {kind} line that could not be read back: {error}."
    next_step = "The journal is as it was. Say it again with values as they occur at a bench."
    if unfinished:
        return ChipHalfWritten(
            seen, next_step=next_step, state="The chip is half-written; this was not journalled."
        )
    return StepRefused(seen, next_step=next_step)


def disk_refused_during_write(doing: str, error: OSError, *, folder: Path) -> ChipHalfWritten:
    """The sentence for an `OSError` once this command has announced a write, and not proven it."""
    return ChipHalfWritten(
        f"The disk refused while {doing}: {error.strerror or error}.",
        next_step="Leave the chip where it is. Make room on that disk, or repair it, then run:"
        f" {command_line('finish', folder)}  (or: {command_line('restore', folder)})",
    )


def disk_refused_after_write(
    doing: str, error: OSError, *, target_name: str, folder: Path
) -> ProofUnrecorded:
    """The sentence for an `OSError` once this command has written a chip and proven it.

    What the disk has of the journal may call that write unfinished, so it leads to `finish`.
    """
    return ProofUnrecorded(
        f"The disk refused while {doing}: {error.strerror or error}.",
        next_step="Make room on that disk, or repair it, then have the chip read again, which"
        f" completes the job's journal: {command_line('finish', folder)}",
        state=f"The chip holds {target_name}, and was read back; the job's journal may not say so.",
    )


def files_lost_during_write(lost: str, *, folder: Path, target_name: str) -> CheckFailed:
    """The sentence for a proven chip whose job lost files while it was written."""
    return CheckFailed(
        f"But the job's files are not as they were before this write: {lost}",
        next_step=f"Put that file back into {quoted(folder)} from a second copy of the job,"
        " before anything else is done with this board: its dump may be the only one there is."
        " The chip itself needs nothing more.",
        state=f"The chip holds {target_name}, and was read back.",
    )


def also_not_closed(error: BaseException, closing: FlashbenchError) -> FlashbenchError:
    """What is raised when a job cannot be closed while `error` goes through it: both are said.

    It is `error`, unless that one leaves the chip as it was and the job does not.
    """
    then = f" And then the job could not be closed: {closing.seen}"
    if not isinstance(error, FlashbenchError):
        seen = f"{type(error).__name__}: {error}".removesuffix(": ") + "." + then
        return type(closing)(seen, next_step=closing.next_step, state=closing.state)
    if isinstance(closing, ChipHalfWritten) and not isinstance(error, ChipHalfWritten):
        return type(closing)(error.seen + then, next_step=closing.next_step, state=closing.state)
    error.seen += then
    error.next_step = f"See to the disk that the job is on first. {error.next_step}"
    return error


def _way_on(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "Free some space on that disk, then run the same command again."
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return "Make the folder writable for you, or use another, then run the same command again."
    return "Use a folder on a healthy local disk, then run the same command again."
