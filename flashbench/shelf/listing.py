"""The shelf as a list: every job folder in one folder, by date, and those that a text finds."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final

from flashbench.errors import WrongCall
from flashbench.job.disk import Disk, Kind
from flashbench.report.short_code import short_code
from flashbench.shelf.entry import Entry, read_entry
from flashbench.wording import quoted

_HASH_DIGITS_MIN: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """All jobs of a folder, oldest first, and how many other folders lie among them."""

    folder: Path
    entries: tuple[Entry, ...]
    other_count: int


def read_shelf(folder: Path, *, disk: Disk | None = None) -> Shelf:
    """Every job in `folder`. Raises `WrongCall` if it is no folder or cannot be listed."""
    disk = disk or Disk()
    try:
        names = disk.names(folder)
        folders = [folder / name for name in names if disk.kind(folder / name) is not Kind.FILE]
    except OSError as error:
        raise WrongCall(
            f"{quoted(folder)} cannot be listed: {error.strerror or error}.",
            next_step="Name the folder that your job folders are in.",
        ) from error
    found = [read_entry(each, disk=disk) for each in folders]
    entries = [entry for entry in found if entry is not None]
    entries.sort(key=lambda entry: (entry.last_at or entry.created, entry.folder.name))
    return Shelf(folder=folder, entries=tuple(entries), other_count=len(folders) - len(entries))


def find(entries: Sequence[Entry], text: str) -> tuple[Entry, ...]:
    """Those of `entries` that `text` names.

    It is looked for in labels, folder names, markings, parts and everything told at intake; or
    it is a chip's JEDEC or unique ID in hex, the first 8 or more digits of the sha256 of an
    original or image, or such an image's short code.
    """
    wanted = " ".join(text.casefold().split())
    if not wanted:
        return tuple(entries)
    return tuple(entry for entry in entries if _is_named(entry, wanted))


def _is_named(entry: Entry, wanted: str) -> bool:
    if any(wanted in " ".join(text.casefold().split()) for text in _texts(entry)):
        return True
    digits = wanted.replace(" ", "").replace(":", "")
    for chip in entry.chips:
        if digits in (chip.jedec_id, chip.unique_id):
            return True
    for image in entry.images:
        if len(digits) >= _HASH_DIGITS_MIN and image.sha256.startswith(digits):
            return True
        if digits == short_code(image.sha256).casefold():
            return True
    return False


def _texts(entry: Entry) -> Iterator[str]:
    yield from (entry.folder.name, entry.label, entry.marking or "", entry.standing.value)
    yield from entry.parts
    if entry.intake is not None:
        values = (getattr(entry.intake, each.name) for each in fields(entry.intake))
        yield from (value for value in values if isinstance(value, str))
