"""A chip without a factory number that the job left half-written, back in the socket?"""

from collections.abc import Sequence

from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, ChipUntouched
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.sector_digests import SECTOR_BYTES
from flashbench.job.unfinished import UnfinishedWrite
from flashbench.progress import Progress, silent
from flashbench.safe_write.found import explained_by, stored_picture
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.own_sectors import own_sectors
from flashbench.safe_write.screening import sha256_hex
from flashbench.safe_write.under_way import PAGE, equals_any
from flashbench.safe_write.which_chip import (
    chips_it_can_be,
    half_written,
    name_of_chip,
    told_by_contents,
)
from flashbench.safe_write.working_clock import half_done_ranges, read_at_settled_clock
from flashbench.wording import command_line


def refuse_put_back(chip: Identified, job: Job, *, progress: Progress = silent) -> None:
    """Return unless the chip holds what only one holds that the job left half-written.

    For a new round of a job whose chip was replaced. A chip with a factory number is told by that
    (`refuse_half_written`); another is read once, if the job left one half-written that it can be.

    Raises:
        ChipHalfWritten: every page is one that the interrupted write leads to, and the whole is
            not what another chip of the job was proven to hold since. Or some are not, and it
            resembles that one more than any that was proven.
        ReadsUnsteady: the contact is not good, so that nothing can be said of what it holds.
        AdapterError, Interrupted: as reading does.
    """
    if chip.unique_id is not None or not job.half_written_chips:
        return
    try:
        possible = chips_it_can_be(chip, job)
    except ChipUntouched:
        return  # none of them
    left = {number: job.unfinished_on(number) for number in possible}
    if not any(left.values()):
        return
    image = read_at_settled_clock(
        chip, avoiding=half_done_ranges(job), step="read before the dump", progress=progress
    )
    for number in told_by_contents(chip, job, possible, sha256_hex(image)):
        write = left[number]
        if write is None:
            continue
        if explained_by(image, job, [number], unique_id=None).torn:
            raise half_written(job, write)
        if _holds_mostly_what_was_left(image, job, write, possible):
            raise _ran_half_written(job, write)


def _holds_mostly_what_was_left(
    image: bytes, job: Job, write: UnfinishedWrite, possible: Sequence[int | None]
) -> bool:
    """Whether it resembles the half-written chip more than any that was proven, where it was
    being written: the board of either can have changed something since.
    """
    number = write.kept_number
    whole = [n for n in possible if n != number and job.unfinished_on(n) is None]
    try:
        before = source_of(job).image if number is None else job.load_kept(number)
        proven = [stored_picture(job, sha256) for n in whole for sha256 in job.proven_images(n)]
        return (
            bool(proven)
            and all(_unlike(image, one, before, write.announced) for one in proven)
            and own_sectors(image, job).is_much
        )
    except JobDamaged:
        return False


def _unlike(image: bytes, proven: bytes, before: bytes, announced: Sequence[range]) -> bool:
    """Whether a page there is still what it was before, or most of a sector is not as proven."""
    same = equals_any(image, [proven])
    old = equals_any(image, [before]) & ~same
    for stretch in announced:
        for start in range(stretch.start, stretch.stop, SECTOR_BYTES):
            where = slice(start // PAGE, min(start + SECTOR_BYTES, stretch.stop) // PAGE)
            if old[where].any() or same[where].mean() < 0.5:
                return True
    return False


def _ran_half_written(job: Job, write: UnfinishedWrite) -> ChipHalfWritten:
    name = name_of_chip(job, write.kept_number)
    return ChipHalfWritten(
        f"{name[0].upper()}{name[1:]} was left half-written by job {job.label}, and where it was"
        " being written the chip in the socket holds more of what that one held than of what was"
        " proven on another. Its board may have run since.",
        next_step="If it is that one, leave it as it is, and write to another one:"
        f" {command_line('write', job.folder, '--to-new-chip')}. If its bag says that it is not,"
        " dump it into a job of its own: flashbench dump NEWJOB",
        state="The chip may be half-written from before; this command changed nothing.",
    )
