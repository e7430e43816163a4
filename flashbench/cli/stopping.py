"""Ctrl-C and its kin while a chip is at work: asked for at once, done when the chip is idle."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

from flashbench.errors import Interrupted
from flashbench.progress import StopRequest

_SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class Stopping:
    """A `StopRequest` that signals set. `tell` shows a line to whoever is waiting."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self.request = StopRequest()
        self.seconds_at_most: float | None = None
        self._tell = tell
        self._at_a_prompt = False

    @contextmanager
    def on_signals(self) -> Iterator[None]:
        """INT, TERM and HUP set the request for as long as this lasts."""
        before = {number: signal.signal(number, self._asked) for number in _SIGNALS}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    @contextmanager
    def at_a_prompt(self) -> Iterator[None]:
        """Nothing is under way here: a signal stops at once."""
        self.request.check()
        self._at_a_prompt = True
        try:
            yield
        finally:
            self._at_a_prompt = False

    def _asked(self, number: int, frame: FrameType | None) -> None:
        if self._at_a_prompt:
            self.request.requested = True
            raise Interrupted(
                "Stopped on request, before anything was changed.",
                next_step="Run the same command again to start over.",
            )
        if not self.request.requested:
            self.request.requested = True
            self._tell("Stopping as soon as the chip is idle.")
            return
        longest = self.seconds_at_most
        left = "a few seconds" if longest is None else f"at most {longest:.0f} s"
        self._tell(f"Still stopping: the chip must become idle and safe; {left}.")
