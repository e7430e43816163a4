"""A job forgotten on purpose: its folder is deleted, and a line without personal data stays."""

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import msgspec

from flashbench.errors import ChipUntouched
from flashbench.job.disk import Disk, Kind
from flashbench.job.journal import system_now
from flashbench.job.layout import TEXT_BYTES_MAX
from flashbench.job.lock import LOCK, JobLock
from flashbench.job.refusals import disk_refused
from flashbench.shelf.entry import Entry
from flashbench.wording import quoted

FORGOTTEN: Final = "forgotten.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What is kept of a job: no label, no note, no number and no hash of anybody's."""

    forgotten: str  # date, ISO 8601
    created: str  # date, ISO 8601
    part: str
    size_bytes: int | None
    rounds: int
    standing: str


def forget(
    entry: Entry,
    *,
    disk: Disk | None = None,
    now: Callable[[], datetime] = system_now,
) -> Forgotten:
    """Delete the job's folder and keep a line of it beside the other jobs. Ask before.

    Of a job whose chip is half-written nobody can finish or restore that chip afterwards.

    Raises:
        JobInUse: another process works on the job.
        ChipUntouched: the disk refused; what is left is still shown on the shelf.
    """
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
