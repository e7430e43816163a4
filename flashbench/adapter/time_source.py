"""The one clock. Given to `open_adapter`; nothing else in flashbench imports `time`."""

import time
from typing import Protocol


class TimeSource(Protocol):
    """A monotonic clock that can also wait."""

    def now_s(self) -> float:
        """Seconds since some fixed moment, never going back."""
        ...

    def wait_s(self, seconds: float) -> None:
        """Return after at least `seconds`."""
        ...


class SystemTime:
    """The machine's own monotonic clock."""

    def now_s(self) -> float:
        return time.monotonic()

    def wait_s(self, seconds: float) -> None:
        time.sleep(seconds)
