"""One process at a time on a job: the operating system's lock, never a file's existence."""

import contextlib
from pathlib import Path

from flashbench.job.disk import Disk
from flashbench.job.refusals import JobInUse, disk_refused

LOCK = "lock"


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
