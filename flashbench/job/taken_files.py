"""A job opened from two dumps that were made with other equipment.

What they agree on is kept as from-files.bin, to be looked at. It is no backup: that is what our
own two reads of the chip make, and only if they equal it.
"""

import hashlib
from pathlib import Path

from flashbench.job import events, layout
from flashbench.job.booking import book_in, booked_in, refuse_other_label
from flashbench.job.disk import Disk, Kind
from flashbench.job.intake import Intake
from flashbench.job.making import claim, refuse_existing, refuse_little_space
from flashbench.job.refusals import JobDamaged, JobMissing, StepRefused, disk_refused
from flashbench.job.round_files import RoundFiles, SavedFile, read_whole
from flashbench.wording import command_line, quoted

SIZE_MIN = 1 << 16  # the smallest flash chips that boards start from


def take_files_in(
    folder: Path, first: bytes, second: bytes, *, label: str | None = None, disk: Disk | None = None
) -> SavedFile:
    """Open a job in `folder` from two dumps of one chip, which have to be equal.

    The folder is new, empty or booked in; a board that was not is booked in under `label`.

    Raises:
        StepRefused: the dumps differ or are no image of a chip, files were taken in before, or
            the label is another one than was booked in.
        JobExists: there is a job, or something else, in the folder.
        JobInUse: another process works on it.
        ChipUntouched: the disk refused.
    """
    _refuse_unequal(first, second)
    disk = disk or Disk()
    booked = booked_in(folder, disk=disk)
    if label is not None:
        refuse_other_label(booked, label)
    if booked is None:
        book_in(folder, Intake(label=label or folder.resolve().name), disk=disk)
    try:
        lock = claim(disk, folder)
        try:
            refuse_existing(disk, folder)
            refuse_little_space(disk, folder, len(first))
            if disk.kind(folder / layout.FROM_FILES) is not Kind.ABSENT:
                raise StepRefused(
                    f"The job in {quoted(folder)} was opened from two files already.",
                    next_step="Name another folder for other files.",
                )
            return RoundFiles(disk, folder).save_with_hash_file(layout.FROM_FILES, first)
        finally:
            lock.release()
    except OSError as error:
        raise disk_refused(
            f"taking files into {quoted(folder)}", error, unfinished=False
        ) from error


def taken_in(disk: Disk, folder: Path) -> events.FilesTakenIn | None:
    """What the journal says of from-files.bin; None if there is none.

    Raises `JobDamaged` if the file is not what its hash file says, `OSError` from the disk.
    """
    if disk.kind(folder / layout.FROM_FILES) is Kind.ABSENT:
        return None
    data = read_whole(disk, folder / layout.FROM_FILES, at_most=layout.IMAGE_BYTES_MAX)
    name = layout.FROM_FILES + layout.HASH_SUFFIX
    line = read_whole(disk, folder / name, at_most=layout.HASH_BYTES_MAX)
    sha256 = hashlib.sha256(data).hexdigest()
    if line != layout.hash_line(sha256, layout.FROM_FILES):
        raise JobDamaged(
            f"{layout.FROM_FILES} was changed after it was taken in.",
            next_step="Take the two files into a new folder, and dump the chip there.",
        )
    return events.FilesTakenIn(sha256=sha256, size=len(data))


def missing_job(disk: Disk, folder: Path) -> JobMissing:
    """The refusal where no chip was dumped yet; a job opened from files says so."""
    is_folder = disk.kind(folder) is Kind.FOLDER
    if not is_folder or disk.kind(folder / layout.FROM_FILES) is Kind.ABSENT:
        return JobMissing(
            f"There is no job in {quoted(folder)}.",
            next_step="Name the folder of a job, or make one by dumping its chip.",
        )
    return JobMissing(
        f"The job in {quoted(folder)} was opened from two files, and its chip was not read here"
        " yet: it has no backup.",
        next_step="Read the chip; what both reads agree on must equal the files:"
        f" {command_line('dump', folder)}",
    )


def is_what_files_hold(data: bytes, taken: events.FilesTakenIn) -> bool:
    """Whether what was read from the chip equals the files that the job was opened from."""
    return hashlib.sha256(data).hexdigest() == taken.sha256


def unlike_files(data: bytes, taken: events.FilesTakenIn, *, kept_as: Path) -> StepRefused:
    """The refusal of a reading that does not equal the files."""
    sizes = "" if len(data) == taken.size else f" ({len(data)} and {taken.size} bytes)"
    return StepRefused(
        f"What two reads of the chip agree on is not what the files hold{sizes} that this job was"
        f" opened from. It is kept as {kept_as.name} and is no backup.",
        next_step="If a contact or the other equipment is in doubt, seat the chip again and dump"
        " again. If the files are old, or of another chip, dump into a folder of its own.",
    )


def _refuse_unequal(first: bytes, second: bytes) -> None:
    if len(first) != len(second):
        raise StepRefused(
            f"The two dumps have {len(first)} and {len(second)} bytes.",
            next_step="Name two dumps of the whole of one chip.",
        )
    if not SIZE_MIN <= len(first) <= layout.IMAGE_BYTES_MAX or len(first) % SIZE_MIN:
        raise StepRefused(
            f"A flash chip does not have {len(first)} bytes.",
            next_step="Name two dumps of the whole of one chip.",
        )
    if first == second:
        return
    at = next(at for at, (one, two) in enumerate(zip(first, second, strict=True)) if one != two)
    raise StepRefused(
        f"The two dumps differ, first at {at:#x}: which of them is true cannot be told.",
        next_step="Dump the chip again with the other equipment until two dumps agree, or read it"
        " here.",
    )
