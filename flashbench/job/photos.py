"""What lies in a job's photos/: listed and hashed when the job is opened, and compared later."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind
from flashbench.job.events import Photo

PHOTOS_MAX: Final = 200
PHOTO_BYTES_MAX: Final = 64 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoStock:
    """What photos/ holds, and how that differs from what was listed before.

    `left_out` are names that are not listed, each with the reason: a link, a folder, too large.
    """

    photos: tuple[Photo, ...]
    new: tuple[str, ...]
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]

    def sentences(self) -> tuple[str, ...]:
        """What is worth saying; new ones are counted, the rest is named."""
        said = []
        if self.new:
            noun = "photo was" if len(self.new) == 1 else "photos were"
            said.append(f"{len(self.new)} {noun} found in photos/, listed and hashed.")
        said += [
            f"{layout.PHOTOS}/{name} was changed after it was listed." for name in self.changed
        ]
        said += [f"{layout.PHOTOS}/{name} was listed, and is missing." for name in self.missing]
        said += [f"{layout.PHOTOS}/{name} is not listed: {why}." for name, why in self.left_out]
        return tuple(said)


def take_stock(disk: Disk, job: Path, *, known: Sequence[Photo]) -> PhotoStock:
    """List and hash photos/ of a job; one that is as old and as large as before is not hashed
    again. Links are not followed. Raises `OSError`.
    """
    folder = job / layout.PHOTOS
    before = {photo.name: photo for photo in known}
    photos: list[Photo] = []
    left_out: list[tuple[str, str]] = []
    names = disk.names(folder) if disk.kind(folder) is Kind.FOLDER else ()
    for name in names:
        why = _why_left_out(disk, folder / name, listed=len(photos))
        if why is None:
            photos.append(_photo(disk, folder / name, before.get(name)))
        else:
            left_out.append((name, why))
    now = {photo.name: photo for photo in photos}
    return PhotoStock(
        photos=tuple(photos),
        new=tuple(name for name in now if name not in before),
        changed=tuple(
            name for name in now if name in before and before[name].sha256 != now[name].sha256
        ),
        missing=tuple(name for name in before if name not in names),
        left_out=tuple(left_out),
    )


def _why_left_out(disk: Disk, path: Path, *, listed: int) -> str | None:
    if not path.name.isprintable():
        return "its name has characters that cannot be shown"
    if disk.kind(path) is not Kind.FILE:
        return "it is not a plain file"
    if disk.size_and_time(path)[0] > PHOTO_BYTES_MAX:
        return f"it is larger than {PHOTO_BYTES_MAX >> 20} MiB"
    return f"at most {PHOTOS_MAX} are" if listed >= PHOTOS_MAX else None


def _photo(disk: Disk, path: Path, before: Photo | None) -> Photo:
    size, modified_ns = disk.size_and_time(path)
    if before is not None and (before.size, before.modified_ns) == (size, modified_ns):
        return before
    data = disk.read(path, at_most=PHOTO_BYTES_MAX)
    return Photo(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        size=len(data),
        modified_ns=modified_ns,
    )
