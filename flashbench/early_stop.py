"""Ctrl-C before any command has begun: a line and status 130, not a traceback or nothing.

Imports next to nothing, since the rest of flashbench is still being imported when it counts.
"""

import os
import signal
from types import FrameType
from typing import Never

_SAID = b"Nothing was changed by this command.\nStopped on request.\nRun it again to start over.\n"
_STDERR = 2


def arm() -> None:
    """From now on, until `disarm`, Ctrl-C ends the process with its three lines."""
    signal.signal(signal.SIGINT, _end)


def disarm() -> None:
    """A command has begun, and says for itself what a stop means. Without `arm`: nothing."""
    if signal.getsignal(signal.SIGINT) is _end:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _end(number: int, frame: FrameType | None) -> Never:
    os.write(_STDERR, _SAID)
    raise SystemExit(128 + number)
