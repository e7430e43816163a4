"""One process at a time on a job: the operating system's lock, never a file's existence."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from flashbench.job.disk import Disk, Kind
from flashbench.job.refusals import JobDamaged, JobInUse, disk_refused
from flashbench.wording import quoted

LOCK = "lock"
CHIP_LOCK = "chip.lock"
"""Held only while a chip is written or verified; `LOCK` is also held at a prompt, or by a report,
when the chip may lie anywhere."""


class JobLock:
    """Held from `take` to `release`; the system releases it when the process ends.

    The folder is locked beside its file, where that can be: a file may be deleted while it is
    held, and the next process would then make and lock another.
    """

    def __init__(self, disk: Disk, path: Path, descriptor: int) -> None:
        self._disk = disk
        self._path = path
        self._descriptor: int | None = descriptor
        self._of_folder: int | None = None

    @classmethod
    def take(cls, disk: Disk, folder: Path) -> "JobLock":
        """Lock the job in `folder`.

        Raises `JobInUse` naming the job while another process holds it, and `ChipUntouched` where
        the file system cannot lock.
        """
        path = folder / LOCK
        try:
            lock = cls(disk, path, disk.lock(path))
            try:
                lock._of_folder = disk.lock_folder(folder)
            except BaseException:
                lock.release()
                raise
        except BlockingIOError as error:
            raise JobInUse(
                f"Job {folder.name} is in use by another process.",
                next_step="Wait until that one ends, or end it, then run the same command again.",
            ) from error
        except OSError as error:
            if disk.kind(path) not in (Kind.FILE, Kind.ABSENT):
                raise _no_lock_file(path) from error
            raise disk_refused(f"locking {folder.name}", error, unfinished=False) from error
        return lock

    def demand_held(self) -> None:
        """Raise `JobInUse` if the lock's file was deleted or replaced and nothing else is locked:
        another process may then have the job too."""
        if self._of_folder is not None or self._descriptor is None:
            return
        if not self._disk.is_at(self._descriptor, self._path):
            raise JobInUse(
                f"The lock {quoted(self._path)} was deleted or replaced while it was held:"
                " another process may work on this job too.",
                next_step="See that no other flashbench has this job, then run the same command"
                " again.",
            )

    def release(self) -> None:
        """Let go of the lock. Does nothing the second time."""
        held, self._descriptor, self._of_folder = (
            (self._of_folder, self._descriptor),
            None,
            None,
        )
        for descriptor in held:
            if descriptor is not None:
                # Nothing was written through it, and whatever close() says, the lock is gone.
                with contextlib.suppress(OSError):
                    self._disk.close(descriptor)


def no_lock_file(path: Path) -> str:
    """What is said of a lock that no process can take."""
    return f"{quoted(path.name)} is not a file that flashbench made, and nothing can lock it"


def _no_lock_file(path: Path) -> JobDamaged:
    return JobDamaged(
        f"Job {path.parent.name} cannot be locked: {no_lock_file(path)}.",
        next_step="Delete it (it holds nothing of the job), then run the same command again.",
    )


@contextlib.contextmanager
def chip_at_work(folder: Path) -> Iterator[None]:
    """Let other processes see that the chip last announced in this job is in this one's socket.

    Enter it after the announcement is on the disk. It is a courtesy: where the disk refuses, the
    others see nothing and ask for more than they need. The system ends it with the process.
    """
    disk, path = Disk(), folder / CHIP_LOCK
    descriptor: int | None = None
    with contextlib.suppress(OSError):
        descriptor = disk.lock(path)
    try:
        yield
    finally:
        if descriptor is not None:
            with contextlib.suppress(OSError):
                disk.close(descriptor)
            with contextlib.suppress(OSError):
                disk.unlink(path)


def is_chip_at_work(folder: Path) -> bool:
    """Whether a living process is inside `chip_at_work` of this job; False if that is not sure."""
    try:
        return Disk().is_locked(folder / CHIP_LOCK)
    except OSError:
        return False
