"""The one place where jobs touch the file system.

`Disk` is a small set of operations, each of which a test can count, refuse or interrupt, and
two recipes made of them: `write_new` and `write_over`. Everything else in this room calls these.
"""

import contextlib
import errno
import hashlib
import os
import shutil
import stat
import sys
from enum import Enum
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

UNFINISHED_SUFFIX = ".unfinished"
"""Ends the name of everything that is being written; whatever bears it may be deleted."""

_BINARY = getattr(os, "O_BINARY", 0)
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)  # opening a pipe that somebody left here must not hang
_HAVE_NO_LOCK = (errno.EBADF, errno.EINVAL, errno.ENOTSUP, errno.ENOLCK, errno.ENOSYS)


class Kind(Enum):
    """What a path leads to, links not followed."""

    ABSENT = "nothing"
    FILE = "a file"
    FOLDER = "a folder"
    OTHER = "neither a file nor a folder"


class TooLarge(OSError):
    """A file is larger than anything flashbench would have written there."""

    def __init__(self, path: Path, size: int, at_most: int) -> None:
        super().__init__(
            errno.EFBIG, f"it has {size} bytes, and at most {at_most} are expected", str(path)
        )


class ReadBackDiffers(OSError):
    """The disk took the bytes and gave back others."""

    def __init__(self, path: Path) -> None:
        super().__init__(errno.EIO, "it read back differently from what was written", str(path))


class Disk:
    """The operations jobs need, on the file system of this machine.

    Every method raises `OSError`. What the promises rest on:

    - `sync` asks the drive itself to empty its cache on macOS (F_FULLFSYNC) and does what
      fsync(2) does elsewhere. A drive that lies about its cache is beyond us.
    - `read_back` asks for the file without the system's page cache: posix_fadvise(DONTNEED) on
      Linux, F_NOCACHE on macOS. Both are requests. They take effect for pages that are clean and
      not mapped, which holds after `sync`; where neither exists, on network file systems, and for
      the drive's own cache, the bytes may come from memory.
    - `move_new` looks before it renames. Only others that hold the job's lock are kept from
      making the file in between.
    """

    def make_folder(self, path: Path) -> None:
        """Make one folder for its owner only; it must not exist, its parent must."""
        path.mkdir(mode=0o700)

    def make_private(self, path: Path) -> None:
        """Take a folder away from everyone but its owner."""
        path.chmod(0o700)

    def is_private(self, path: Path) -> bool:
        """Whether only the folder's owner can enter it; Windows is taken at its word."""
        return os.name != "posix" or not path.stat().st_mode & 0o077

    def create_new(self, path: Path) -> int:
        """A descriptor for writing a file that did not exist, readable by its owner only."""
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND | _BINARY | _NO_FOLLOW
        return os.open(path, flags, 0o600)

    def open_to_append(self, path: Path) -> int:
        """A descriptor that writes at the end of an existing file."""
        return os.open(path, os.O_WRONLY | os.O_APPEND | _BINARY | _NO_FOLLOW | _NO_WAIT)

    def write(self, descriptor: int, data: bytes) -> None:
        """Write all of `data`. After an error, some, all or none of it is in the file."""
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(descriptor, rest) :]

    def truncate(self, descriptor: int, size: int) -> None:
        """Cut the file down to its first `size` bytes."""
        os.ftruncate(descriptor, size)

    def sync(self, descriptor: int) -> None:
        """Return when the file is on the medium. After an error, its unsynced bytes are unknown."""
        if sys.platform == "darwin":
            with contextlib.suppress(OSError):  # network volumes know only the plain form
                fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
                return
        os.fsync(descriptor)

    def close(self, descriptor: int) -> None:
        """Give the descriptor back."""
        os.close(descriptor)

    def make_read_only(self, path: Path) -> None:
        """Take the right to write from everyone, the owner too."""
        path.chmod(stat.S_IMODE(path.stat().st_mode) & ~0o222)

    def move_new(self, source: Path, target: Path) -> None:
        """Rename a file or folder to a name that is free."""
        if self.kind(target) is not Kind.ABSENT:
            raise FileExistsError(errno.EEXIST, "it exists already", str(target))
        source.rename(target)

    def move_over(self, source: Path, target: Path) -> None:
        """Rename a file over another in one step."""
        source.replace(target)

    def sync_folder(self, path: Path) -> None:
        """Return when the folder's names are on the medium. Windows has no such request."""
        if sys.platform == "win32":
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def unlink(self, path: Path) -> None:
        """Delete a file of our own making that was never finished."""
        path.unlink()

    def remove_folder(self, path: Path) -> None:
        """Delete an empty folder of our own making that was never finished."""
        path.rmdir()

    def kind(self, path: Path) -> Kind:
        """What is at `path`, without following a link."""
        try:
            mode = path.lstat().st_mode
        except FileNotFoundError:
            return Kind.ABSENT
        if stat.S_ISREG(mode):
            return Kind.FILE
        return Kind.FOLDER if stat.S_ISDIR(mode) else Kind.OTHER

    def size_and_time(self, path: Path) -> tuple[int, int]:
        """Bytes, and when it was last changed in ns, of a file; a link is not followed."""
        found = path.lstat()
        return found.st_size, found.st_mtime_ns

    def same_disk(self, one: Path, other: Path) -> bool:
        """Whether two paths are of one file system, and so surely of one disk."""
        return one.stat().st_dev == other.stat().st_dev

    def names(self, folder: Path) -> tuple[str, ...]:
        """The names in a folder, sorted."""
        return tuple(sorted(path.name for path in folder.iterdir()))

    def read(self, path: Path, *, at_most: int) -> bytes:
        """A regular file's bytes; one larger than `at_most` is not read, a link not followed."""
        return self._read(path, at_most=at_most, cached=True)

    def read_back(self, path: Path, *, at_most: int) -> bytes:
        """Like `read`, asking that the bytes come from the medium; see the class for how far."""
        return self._read(path, at_most=at_most, cached=False)

    def lock(self, path: Path) -> int:
        """Take the system's exclusive lock on a file, made if missing; held until `close`.

        Raises `BlockingIOError` while another holds it. The system lets go of it when the process
        ends, however it ends.
        """
        descriptor = os.open(path, os.O_CREAT | os.O_RDWR | _BINARY | _NO_FOLLOW | _NO_WAIT, 0o600)
        try:
            _lock_now(descriptor)
        except BaseException:
            os.close(descriptor)
            raise
        return descriptor

    def lock_folder(self, path: Path) -> int | None:
        """As `lock`, on the folder itself, where nobody can delete what is locked; None where
        the platform or the file system has no such lock.

        Raises `BlockingIOError` while another holds it.
        """
        if sys.platform == "win32":  # which keeps an open file from being deleted
            return None
        descriptor = os.open(path, os.O_RDONLY | _NO_FOLLOW)
        try:
            _lock_now(descriptor)
        except BaseException as error:
            os.close(descriptor)
            if isinstance(error, OSError) and error.errno in _HAVE_NO_LOCK:
                return None
            raise
        return descriptor

    def is_at(self, descriptor: int, path: Path) -> bool:
        """Whether an open file is still the one at `path`: not deleted, moved or replaced."""
        try:
            return os.path.samestat(os.fstat(descriptor), path.lstat())
        except FileNotFoundError:
            return False

    def is_locked(self, path: Path) -> bool:
        """Whether somebody holds `lock` on a file right now; False if there is no such file.

        Two who ask at once do not take each other for a holder. On Windows, whose C library has
        no lock that can be shared, the answer is always False.
        """
        if sys.platform == "win32":
            return False
        try:
            descriptor = os.open(path, os.O_RDONLY | _NO_FOLLOW | _NO_WAIT)
        except FileNotFoundError:
            return False
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(descriptor)
        return False

    def free_bytes(self, folder: Path) -> int:
        """What the file system says this user may still write."""
        return shutil.disk_usage(folder).free

    def allocate(self, descriptor: int, byte_count: int) -> None:
        """Have the file system set aside `byte_count` bytes for an empty file."""
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(descriptor, 0, byte_count)
            return
        for start in range(0, byte_count, 1 << 20):
            self.write(descriptor, bytes(min(1 << 20, byte_count - start)))

    def write_new(self, path: Path, data: bytes, *, read_only: bool = True) -> str:
        """Put `data` into a new file and prove it: the sha256 of what was read back, in hex.

        Temporary, fsync, rename, fsync of the folder, read back, compare. An existing file is
        never overwritten. After an error before the rename nothing of that name exists; after a
        later one the file exists and is not proven.
        """
        temporary = self._write_temporary(path, data, read_only=read_only)
        self.move_new(temporary, path)
        self.sync_folder(path.parent)
        found = self.read_back(path, at_most=len(data))
        if found != data:
            raise ReadBackDiffers(path)
        return hashlib.sha256(found).hexdigest()

    def write_over(self, path: Path, data: bytes) -> None:
        """Replace a file in one step: afterwards, and after any error, it is the old or the new."""
        temporary = self._write_temporary(path, data, read_only=False)
        self.move_over(temporary, path)
        self.sync_folder(path.parent)

    def _write_temporary(self, path: Path, data: bytes, *, read_only: bool) -> Path:
        temporary = path.with_name(path.name + UNFINISHED_SUFFIX)
        if self.kind(temporary) is not Kind.ABSENT:  # of a process that was killed
            self.unlink(temporary)
        descriptor = self.create_new(temporary)
        try:
            self.write(descriptor, data)
            self.sync(descriptor)
        finally:
            self.close(descriptor)
        if read_only:
            self.make_read_only(temporary)
        return temporary

    def _read(self, path: Path, *, at_most: int, cached: bool) -> bytes:
        descriptor = os.open(path, os.O_RDONLY | _BINARY | _NO_FOLLOW | _NO_WAIT)
        try:
            found = os.fstat(descriptor)
            if not stat.S_ISREG(found.st_mode):
                raise OSError(errno.EINVAL, "it is not a regular file", str(path))
            if found.st_size > at_most:
                raise TooLarge(path, found.st_size, at_most)
            if not cached:
                _leave_the_page_cache(descriptor)
            with os.fdopen(descriptor, "rb", closefd=False) as file:
                return file.read(at_most)
        finally:
            os.close(descriptor)


def _leave_the_page_cache(descriptor: int) -> None:
    if sys.platform == "darwin":
        fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
    elif sys.platform != "win32" and hasattr(os, "posix_fadvise"):
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)


def _lock_now(descriptor: int) -> None:
    if sys.platform == "win32":
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError as error:
            raise BlockingIOError(errno.EAGAIN, "another process holds the lock") from error
    else:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
