"""A job forgotten on purpose: its folder is deleted, and a line without personal data stays."""

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import msgspec

from flashbench.errors import ChipUntouched, WrongCall
from flashbench.job.disk import Disk, Kind
from flashbench.job.journal import system_now
from flashbench.job.layout import TEXT_BYTES_MAX
from flashbench.job.lock import LOCK, JobLock
from flashbench.job.refusals import disk_refused
from flashbench.shelf.entry import Entry
from flashbench.wording import quoted

FORGOTTEN: Final = "forgotten.jsonl"
LABEL_END_CHARS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What is kept of a job: no label, no note, no number and no hash of anybody's."""

    forgotten: str  # date, ISO 8601
    created: str  # date, ISO 8601
    part: str
    size_bytes: int | None
    rounds: int
    standing: str


def label_end(label: str) -> str:
    """What has to be said to change or delete what bears this label: its last characters."""
    return label[-LABEL_END_CHARS:]


def demanded_words(entry: Entry) -> str:
    """What must be typed to forget this job: of a half-written one, the whole label."""
    return entry.label if entry.unfinished else label_end(entry.label)


def forget(
    entry: Entry,
    *,
    words: str,
    disk: Disk | None = None,
    now: Callable[[], datetime] = system_now,
) -> Forgotten:
    """Delete the job's folder and keep a line of it beside the other jobs.

    `words` are what the user typed: the last three characters of the label, or the whole label
    of a job whose chip is half-written, which nobody can finish or restore afterwards.

    Raises:
        WrongCall: the words are not those of this label.
        JobInUse: another process works on the job.
        ChipUntouched: the disk refused; what is left is still shown on the shelf.
    """
    if words != demanded_words(entry):
        which = "the whole label" if entry.unfinished else "the last three characters of the label"
        raise WrongCall(
            f"{words!r} is not {which} of {quoted(entry.folder)}.",
            next_step="Look at the list again, and at the bag.",
        )
    disk = disk or Disk()
    line = Forgotten(
        forgotten=now().date().isoformat(),
        created=entry.created[:10],
        part=entry.chip_text,
        size_bytes=entry.size_bytes,
        rounds=entry.round_count,
        standing=entry.standing.value,
    )
    try:
        lock = JobLock.take(disk, entry.folder)
        try:
            _add_line(disk, entry.folder.parent / FORGOTTEN, line)
            _delete_inside(disk, entry.folder, last=LOCK)
        finally:
            lock.release()
        disk.unlink(entry.folder / LOCK)
        disk.remove_folder(entry.folder)
        disk.sync_folder(entry.folder.parent)
    except OSError as error:
        raise disk_refused(f"deleting {quoted(entry.folder)}", error, unfinished=False) from error
    return line


def read_forgotten(shelf: Path, *, disk: Disk | None = None) -> tuple[Forgotten, ...]:
    """The lines of all jobs that were forgotten; lines that are none are passed over."""
    disk = disk or Disk()
    try:
        data = disk.read(shelf / FORGOTTEN, at_most=TEXT_BYTES_MAX)
    except OSError:
        return ()
    return tuple(_lines(data))


def _lines(data: bytes) -> Iterator[Forgotten]:
    for line in data.splitlines():
        try:
            yield msgspec.json.decode(line, type=Forgotten)
        except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
            continue


def _add_line(disk: Disk, path: Path, line: Forgotten) -> None:
    kind = disk.kind(path)
    if kind not in (Kind.ABSENT, Kind.FILE):
        raise ChipUntouched(
            f"{quoted(path)} is not a plain file, so no line of the job can be kept.",
            next_step="Move it away, then run the same command again.",
        )
    known = b"" if kind is Kind.ABSENT else disk.read(path, at_most=TEXT_BYTES_MAX)
    disk.write_over(path, known + json.dumps(asdict(line)).encode() + b"\n")


def _delete_inside(disk: Disk, folder: Path, *, last: str = "") -> None:
    """Everything in a folder; a link is deleted, and what it leads to is not."""
    for name in disk.names(folder):
        if name == last:
            continue
        path = folder / name
        if disk.kind(path) is Kind.FOLDER:
            _delete_inside(disk, path)
            disk.remove_folder(path)
        else:
            disk.unlink(path)
