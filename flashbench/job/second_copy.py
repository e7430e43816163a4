"""A job's dumps on a second shelf: copied there, read back, and proven before a write.

A dump is a round's original, or its best reading where no two reads agreed.
"""

import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind
from flashbench.job.events import BestReadingSaved, OriginalSaved, SecondCopyProven
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, StepRefused, disk_refused
from flashbench.job.round_files import read_whole
from flashbench.wording import quoted

_HASH_IN_NAME: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCopy:
    """Where a job's dumps lie a second time; `same_disk` if that is no other disk."""

    folder: Path
    same_disk: bool


def copy_to_second_shelf(job: Job, shelf: Path, *, disk: Disk | None = None) -> SecondCopy:
    """Have the dump and chip.json of every round on `shelf`, each read back and hashed.

    What is there already is read and compared, and never overwritten.

    Of earlier rounds what is damaged is left out.

    Raises:
        StepRefused: the shelf is not there, or the round has no dump.
        JobDamaged: the newest dump is not as it was saved, or its copy is another.
        ChipUntouched, ChipHalfWritten: a disk refused.
    """
    disk = disk or Disk()
    try:
        if disk.kind(shelf) is not Kind.FOLDER:
            raise StepRefused(
                f"The second shelf {quoted(shelf)} is not there.",
                next_step="Plug that disk in, or correct second_shelf in the bench file.",
            )
        first = _dumped_in(job, 1)
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
    newest = _dumped_in(job, job.round_number).sha256
    proven = SecondCopyProven(folder=str(folder), sha256=newest)
    if proven not in job.story:
        job.record(proven)
    return copy


def _dumped_in(job: Job, number: int) -> OriginalSaved | BestReadingSaved:
    for one in job.told(round_number=number):
        if isinstance(one.event, OriginalSaved | BestReadingSaved):
            return one.event
    raise StepRefused(
        f"Round {number} of job {job.label} has no original yet.", next_step="Dump the chip."
    )


def _copy_round(disk: Disk, job: Job, number: int, folder: Path) -> None:
    files = dict(_files_of_round(disk, job, number))
    target = layout.round_folder(folder, number)
    _have_folder(disk, target)
    for name, data in files.items():
        _have_file(disk, target / name, data)


def _files_of_round(disk: Disk, job: Job, number: int) -> Iterator[tuple[str, bytes]]:
    """The dump, its hash file, and what goes with it, each as the journal has it."""
    source = layout.round_folder(job.folder, number)
    dumped = _dumped_in(job, number)
    if isinstance(dumped, OriginalSaved):
        name, data = layout.ORIGINAL, job.load_original(round_number=number).data
    else:
        name, data = layout.BEST_READING, job.load_best_reading(round_number=number).data
        unstable = source / layout.UNSTABLE
        yield layout.UNSTABLE, read_whole(disk, unstable, at_most=layout.TEXT_BYTES_MAX)
    yield name, data
    yield name + layout.HASH_SUFFIX, layout.hash_line(dumped.sha256, name)
    job.load_chip_facts(round_number=number)  # raises unless the file is as it was saved
    facts = source / layout.CHIP_FACTS
    yield layout.CHIP_FACTS, read_whole(disk, facts, at_most=layout.TEXT_BYTES_MAX)


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
