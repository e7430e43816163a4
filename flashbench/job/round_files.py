"""The files of one round: saved whole and proven, loaded only as they were saved."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind, TooLarge
from flashbench.job.refusals import JobDamaged


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedFile:
    """A file on disk that was read back and hashed after it was written."""

    path: Path
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberedFile:
    """One of a round's image-N.bin, found-N.bin, doubtful-N.bin, kept-N.bin, as saved."""

    number: int
    path: Path
    sha256: str


class RoundFiles:
    """Writes and reads in one round's folder. Methods raise `OSError` from the disk."""

    def __init__(self, disk: Disk, folder: Path) -> None:
        self._disk = disk
        self.folder = folder

    def save(self, name: str, data: bytes) -> SavedFile:
        """Save NAME, read-only. What an interrupted save left under that name is set aside."""
        path = self.folder / name
        self._set_aside(path)
        return SavedFile(path=path, sha256=self._disk.write_new(path, data))

    def save_with_hash_file(self, name: str, data: bytes) -> SavedFile:
        """Save NAME and NAME.sha256, both read-only."""
        saved = self.save(name, data)
        self.save(name + layout.HASH_SUFFIX, layout.hash_line(saved.sha256, name))
        return saved

    def save_numbered(self, what: str, data: bytes) -> NumberedFile:
        """Save WHAT-N.bin and its hash file under the next free number."""
        number = self.next_number(what)
        saved = self.save_with_hash_file(f"{what}-{number}.bin", data)
        return NumberedFile(number=number, path=saved.path, sha256=saved.sha256)

    def next_number(self, what: str) -> int:
        """The first number that no WHAT-N.bin bears, finished or not."""
        return layout.next_number(self._disk.names(self.folder), what)

    def load(self, name: str, sha256: str) -> bytes:
        """The bytes of NAME if their hash is `sha256`, as journalled. Raises `JobDamaged`."""
        data = read_whole(self._disk, self.folder / name, at_most=layout.IMAGE_BYTES_MAX)
        found = hashlib.sha256(data).hexdigest()
        if found != sha256:
            raise JobDamaged(
                f"{name} in {self.folder.name} was changed after it was saved: its sha256 is"
                f" {found[:16]}..., the journal says {sha256[:16]}..."
            )
        return data

    def load_with_hash_file(self, name: str, sha256: str) -> bytes:
        """Like `load`; the hash file must say the same, and is made again if it is missing."""
        data = self.load(name, sha256)
        self.check_hash_file(name, sha256)
        return data

    def check_hash_file(self, name: str, sha256: str) -> None:
        """Raise `JobDamaged` if NAME.sha256 says something else; make it again if missing."""
        hash_name = name + layout.HASH_SUFFIX
        path = self.folder / hash_name
        line = layout.hash_line(sha256, name)
        if self._disk.kind(path) is Kind.ABSENT:
            self._disk.write_new(path, line)
        elif read_whole(self._disk, path, at_most=layout.HASH_BYTES_MAX) != line:
            raise JobDamaged(
                f"{hash_name} in {self.folder.name} was changed; {name} itself is as the journal"
                " says it was saved.",
                next_step=f"Move {hash_name} out of the folder: it is then made again.",
            )

    def remove(self, name: str) -> None:
        """Delete NAME and its hash file, whichever are there. Whether they may go is not asked."""
        for each in (name, name + layout.HASH_SUFFIX):
            if self._disk.kind(self.folder / each) is not Kind.ABSENT:
                self._disk.unlink(self.folder / each)

    def _set_aside(self, path: Path) -> None:
        """Rename what an interrupted save left, since it may be the only copy of something."""
        if self._disk.kind(path) is Kind.ABSENT:
            return
        if path.suffix == layout.HASH_SUFFIX:
            self._disk.unlink(path)  # says nothing that its file does not
            return
        number = self.next_number("doubtful")
        self._disk.move_new(path, self.folder / f"doubtful-{number}.bin")
        self._disk.sync_folder(self.folder)


def read_whole(disk: Disk, path: Path, *, at_most: int) -> bytes:
    """A file of a job, which is a plain file and not larger than any that flashbench writes.

    Raises `JobDamaged` if it is missing, a link, a pipe, or too large; `OSError` from the disk.
    """
    where = f"{path.name} in {path.parent.name}"
    kind = disk.kind(path)
    if kind is Kind.ABSENT:
        raise JobDamaged(f"{path.name} is missing from {path.parent.name}.")
    if kind is not Kind.FILE:
        raise JobDamaged(f"{where} is not a plain file.")
    try:
        return disk.read(path, at_most=at_most)
    except TooLarge as error:
        raise JobDamaged(f"{where} is not what was saved: {error.strerror}.") from error
