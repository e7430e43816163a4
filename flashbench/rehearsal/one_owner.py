"""One process at a time on a bench folder, by the operating system's lock."""

import os
import sys
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

BINARY = getattr(os, "O_BINARY", 0)
"""For `os.open`: on Windows a file is text unless it is said not to be."""


def lock(path: Path) -> tuple[int, bool]:
    """Open `path` and lock it: its descriptor, to be closed by the caller, and whether it worked.

    The system takes the lock back when the descriptor is closed or the process ends.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | BINARY, 0o600)
    try:
        if sys.platform == "win32":
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):  # the second is Windows' way to say it
        return descriptor, False
    return descriptor, True
