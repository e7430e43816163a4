"""Booking a board in before its chip is in any socket: a job folder with intake.toml alone."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from flashbench.job import events, layout
from flashbench.job import intake as form
from flashbench.job.disk import Disk, Kind
from flashbench.job.intake import Intake
from flashbench.job.making import claim, refuse_existing
from flashbench.job.refusals import JobDamaged, JobForeign, StepRefused, disk_refused
from flashbench.job.round_files import read_whole
from flashbench.wording import quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedIntake:
    """What was told of a job's board; `doubt` is a sentence if the file is not as it was saved."""

    intake: Intake | None
    doubt: str | None


def book_in(folder: Path, intake: Intake, *, disk: Disk | None = None) -> None:
    """Keep what was told of a board in `folder`, which is made if it is new.

    A board whose chip was not dumped yet is booked in anew: the earlier answers are replaced.

    Raises:
        JobExists: a job with a dumped chip is there (amend that one), or something else.
        JobInUse: another process works on it.
        StepRefused: an answer cannot be kept.
        ChipUntouched: the disk refused.
    """
    disk = disk or Disk()
    data = form_bytes(intake)
    try:
        lock = claim(disk, folder)
        try:
            refuse_existing(disk, folder)
            if disk.kind(folder / layout.PHOTOS) is Kind.ABSENT:
                disk.make_folder(folder / layout.PHOTOS)
            disk.write_over(folder / layout.INTAKE, data)
        finally:
            lock.release()
    except OSError as error:
        raise disk_refused(f"booking in {quoted(folder)}", error, unfinished=False) from error


def booked_in(folder: Path, *, disk: Disk | None = None) -> Intake | None:
    """What was told of the board in `folder`, or None if it was not booked in.

    Raises:
        JobDamaged, JobForeign: intake.toml is not what this flashbench writes.
        ChipUntouched: the disk refused.
    """
    disk = disk or Disk()
    try:
        if disk.kind(folder) is not Kind.FOLDER:
            return None
        if disk.kind(folder / layout.INTAKE) is Kind.ABSENT:
            return None
        return form.decode(_text(_read(disk, folder)))
    except OSError as error:
        raise disk_refused(f"reading {layout.INTAKE}", error, unfinished=False) from error


def form_bytes(intake: Intake) -> bytes:
    """intake.toml for these answers. Raises `StepRefused` for one that it cannot keep."""
    why = form.doubt(intake)
    if why is not None:
        raise StepRefused(f"This cannot be kept: {why}.", next_step="Say it in another way.")
    return form.encode(intake).encode()


def intake_event(intake: Intake) -> events.IntakeSaved:
    """What the journal says of intake.toml with these answers."""
    return events.IntakeSaved(sha256=hashlib.sha256(form_bytes(intake)).hexdigest())


def refuse_other_label(intake: Intake | None, label: str) -> None:
    """Raises `StepRefused` if the board was booked in under another label."""
    if intake is not None and intake.label != label:
        raise StepRefused(
            f"The board was booked in as {intake.label!r}, not {label!r}.",
            next_step="Look at the bag. Leave the label out, or name the folder of another job.",
        )


def check_intake(disk: Disk, folder: Path, *, hashes: Sequence[str]) -> NotedIntake:
    """intake.toml of a job, against the hashes that its journal has, oldest first.

    Never refuses: the answers are no evidence, and must not keep a chip from being recovered.
    Raises `OSError`.
    """
    if disk.kind(folder / layout.INTAKE) is Kind.ABSENT:
        missing = "intake.toml is missing from the job." if hashes else None
        return NotedIntake(intake=None, doubt=missing)
    try:
        data = _read(disk, folder)
        intake = form.decode(_text(data))
    except (JobDamaged, JobForeign) as error:
        return NotedIntake(intake=None, doubt=error.seen)
    found = hashlib.sha256(data).hexdigest()
    if hashes and found == hashes[-1]:
        return NotedIntake(intake=intake, doubt=None)
    if found in hashes:
        doubt = "intake.toml is an earlier one: the last amendment was interrupted."
        return NotedIntake(intake=intake, doubt=doubt)
    return NotedIntake(intake=intake, doubt="intake.toml was changed after it was saved.")


def _read(disk: Disk, folder: Path) -> bytes:
    return read_whole(disk, folder / layout.INTAKE, at_most=layout.INTAKE_BYTES_MAX)


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise form.damaged(f"it is no UTF-8 text: {error.reason}") from error
