"""One process at a time on a job: the operating system's lock, never a file's existence."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from flashbench.job.disk import Disk
from flashbench.job.refusals import JobInUse, disk_refused

LOCK = "lock"
CHIP_LOCK = "chip.lock"
"""Held only while a chip is written or verified; `LOCK` is also held at a prompt, or by a report,
when the chip may lie anywhere."""


class JobLock:
    """Held from `take` to `release`; the system releases it when the process ends."""

    def __init__(self, disk: Disk, descriptor: int) -> None:
        self._disk = disk
        self._descriptor: int | None = descriptor

    @classmethod
    def take(cls, disk: Disk, folder: Path) -> "JobLock":
        """Lock the job in `folder`.

        Raises `JobInUse` naming the job while another process holds it, and `ChipUntouched` where
        the file system cannot lock.
        """
        try:
            return cls(disk, disk.lock(folder / LOCK))
        except BlockingIOError as error:
            raise JobInUse(
                f"Job {folder.name} is in use by another process.",
                next_step="Wait until that one ends, or end it, then run the same command again.",
            ) from error
        except OSError as error:
            raise disk_refused(f"locking {folder.name}", error, unfinished=False) from error

    def release(self) -> None:
        """Let go of the lock. Does nothing the second time."""
        if self._descriptor is not None:
            descriptor, self._descriptor = self._descriptor, None
            # Nothing was written through it, and whatever close() says, the lock is gone.
            with contextlib.suppress(OSError):
                self._disk.close(descriptor)


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
