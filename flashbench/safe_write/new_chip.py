"""The steps of writing a job to another chip than the board's own, one function each."""

from flashbench.chip.identity import Identified
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.progress import Progress, silent
from flashbench.safe_write.backup import Backup, reload_backup
from flashbench.safe_write.best_reading import BestReading, reload_best_reading
from flashbench.safe_write.kept import keep_contents
from flashbench.safe_write.plan import Plan, plan_replacement
from flashbench.safe_write.stable_read import read_twice
from flashbench.wording import command_line


def source_of(job: Job) -> Backup | BestReading:
    """What the newest round has of its chip. Raises what loading it raises."""
    return reload_best_reading(job) if job.has_best_reading else reload_backup(job)


def plan_to_new_chip(
    chip: Identified,
    job: Job,
    *,
    image_number: int | None = None,
    original: bool = False,
    chip_of: Job | None = None,
    progress: Progress = silent,
) -> Plan:
    """The plan of `write --to-new-chip`: the chip is read twice, and what it held is kept.

    The target is the image named, or the newest, or with `original` what was dumped. `chip_of` is
    the job of a board that is given up, whose chip this is.

    Raises:
        StepRefused: there is no image.
        OtherChip: the chip in the socket is, or may be, the board's own.
        ChipUntouched: whatever `read_twice`, `keep_contents` and `plan_replacement` refuse.
    """
    source = source_of(job)
    if original:
        target = source.image
    elif image_number is not None:
        target = job.load_image(image_number)
    else:
        target = _newest(job)
    read = read_twice(chip, keep_doubtful_in=job, progress=progress)
    kept = keep_contents(read, job, chip_of=chip_of)
    return plan_replacement(kept, source, target=target)


def _newest(job: Job) -> bytes:
    if job.newest_image() is None:
        raise StepRefused(
            f"Round {job.round_number} of job {job.label} has no image.",
            next_step="Make one by editing, or put what was dumped onto the new chip:"
            f" {command_line('restore', job.folder, '--to-new-chip')}",
        )
    return job.target
