"""A chip without a factory number that the job left half-written, back in the socket?"""

from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched
from flashbench.job.folder import Job
from flashbench.progress import Progress, silent
from flashbench.safe_write.found import explained_by
from flashbench.safe_write.screening import sha256_hex
from flashbench.safe_write.which_chip import chips_it_can_be, half_written, told_by_contents
from flashbench.safe_write.working_clock import half_done_ranges, read_at_settled_clock


def refuse_put_back(chip: Identified, job: Job, *, progress: Progress = silent) -> None:
    """Return unless the chip holds what only one holds that the job left half-written.

    For a new round of a job whose chip was replaced. A chip with a factory number is told by that
    (`refuse_half_written`); another is read once, if the job left one half-written that it can be.

    Raises:
        ChipHalfWritten: every page is one that the interrupted write leads to, and the whole is
            not what another chip of the job was proven to hold since.
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
        if write is not None and explained_by(image, job, [number], unique_id=None).torn:
            raise half_written(job, write)
