"""How long work tells its caller how far it is, and learns that it shall stop."""

from typing import Protocol

from flashbench.errors import Interrupted


class Progress(Protocol):
    """Called between transfers, at most 250 ms of wire time apart.

    It may raise `Interrupted`; whoever calls it does so only where stopping is safe.
    """

    def __call__(
        self, step: str, done_bytes: int, total_bytes: int, seconds_left: float | None, /
    ) -> None: ...


def silent(step: str, done_bytes: int, total_bytes: int, seconds_left: float | None) -> None:
    """The progress of callers that do not want to know."""


class StopRequest:
    """A flag that a signal handler sets and that work looks at when the chip is idle."""

    def __init__(self) -> None:
        self.requested = False

    def check(self) -> None:
        """Raise `Interrupted` if somebody asked to stop."""
        if self.requested:
            raise Interrupted(
                "Stopped on request.", next_step="Run the same command again to start over."
            )
