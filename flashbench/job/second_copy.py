"""A job's originals on a second shelf: copied there, read back, and proven before a write."""

import contextlib
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind
from flashbench.job.events import OriginalSaved, SecondCopyProven
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, StepRefused, disk_refused
from flashbench.job.round_files import read_whole
from flashbench.wording import quoted

_HASH_IN_NAME: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCopy:
    """Where a job's originals lie a second time; `same_disk` if that is no other disk."""

    folder: Path
    same_disk: bool


def copy_to_second_shelf(job: Job, shelf: Path, *, disk: Disk | None = None) -> SecondCopy:
    """Have the original and chip.json of every round on `shelf`, each read back and hashed.

    What is there already is read and compared, and never overwritten.

    Of earlier rounds what is damaged is left out.

    Raises:
        StepRefused: the shelf is not there, or the round has no original.
        JobDamaged: the newest original is not as it was saved, or its copy is another.
        ChipUntouched, ChipHalfWritten: a disk refused.
    """
    disk = disk or Disk()
    try:
        if disk.kind(shelf) is not Kind.FOLDER:
            raise StepRefused(
                f"The second shelf {quoted(shelf)} is not there.",
                next_step="Plug that disk in, or correct second_shelf in the bench file.",
            )
        first = _saved_in(job, 1)
        folder = shelf / f"{job.folder.resolve().name}-{first.sha256[:_HASH_IN_NAME]}"
        _have_folder(disk, folder)
        for number in range(1, job.round_number):
            with contextlib.suppress(JobDamaged):  # no reason to leave this round without a copy
                _copy_round(disk, job, number, folder)
        _copy_round(disk, job, job.round_number, folder)
        same_disk = disk.same_disk(job.folder, shelf)
    except OSError as error:
        doing = f"copying to the second shelf {quoted(shelf)}"
        raise disk_refused(doing, error, unfinished=job.unfinished() is not None) from error
    copy = SecondCopy(folder=folder, same_disk=same_disk)
    newest = job.load_original().sha256
    proven = SecondCopyProven(folder=str(folder), sha256=newest)
    if proven not in job.story:
        job.record(proven)
    return copy


def _saved_in(job: Job, number: int) -> OriginalSaved:
    for one in job.told(round_number=number):
        if isinstance(one.event, OriginalSaved):
            return one.event
    raise StepRefused(
        f"Round {number} of job {job.label} has no original yet.", next_step="Dump the chip."
    )


def _copy_round(disk: Disk, job: Job, number: int, folder: Path) -> None:
    original = job.load_original(round_number=number)
    target = layout.round_folder(folder, number)
    _have_folder(disk, target)
    source = layout.round_folder(job.folder, number)
    facts = read_whole(disk, source / layout.CHIP_FACTS, at_most=layout.TEXT_BYTES_MAX)
    hash_name = layout.ORIGINAL + layout.HASH_SUFFIX
    _have_file(disk, target / layout.ORIGINAL, original.data)
    _have_file(disk, target / hash_name, layout.hash_line(original.sha256, layout.ORIGINAL))
    _have_file(disk, target / layout.CHIP_FACTS, facts)


def _have_folder(disk: Disk, folder: Path) -> None:
    if disk.kind(folder) is Kind.FOLDER:
        return
    disk.make_folder(folder)
    disk.sync_folder(folder.parent)


def _have_file(disk: Disk, path: Path, data: bytes) -> None:
    if disk.kind(path) is Kind.ABSENT:
        disk.write_new(path, data)
        return
    try:
        found = disk.read_back(path, at_most=len(data))
    except OSError as error:
        raise _holds_another(path, error.strerror or str(error)) from error
    if hashlib.sha256(found).digest() != hashlib.sha256(data).digest():
        raise _holds_another(path, "it is not what the job holds")


def _holds_another(path: Path, why: str) -> JobDamaged:
    return JobDamaged(
        f"The second copy {quoted(path)} cannot be relied on: {why}.",
        next_step="The job's own original is as it was saved. Look at that disk, move this file"
        " away, and run the same command again.",
    )
