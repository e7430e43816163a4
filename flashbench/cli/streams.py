"""stdout and stderr may be lost while a chip is at work: a closed pipe, a full disk, a terminal
that is gone. What is said is then dropped, and the work goes on to its end: an error raised while
a line is printed would stop a write half-way.
"""

import errno
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final, TextIO

import typer

READER_GONE: Final = 128 + getattr(signal, "SIGPIPE", 13)
"""The status of a program that only tells, and whose reader closed the pipe: what a shell shows
of one that SIGPIPE ended."""


class StandingLine:
    """The line on the terminal that is drawn anew again and again, a bar or a finding, if there is
    one. Whatever else is said goes onto a line of its own: what stands is wiped away first, and
    comes back when it is drawn next."""

    def __init__(self) -> None:
        self._wipe: Callable[[], object] | None = None

    def stands(self, wipe: Callable[[], object]) -> None:
        """Something was begun that is drawn in one line; `wipe` empties that line."""
        self._wipe = wipe

    def ended(self) -> None:
        """The cursor is at the start of an empty line for good."""
        self._wipe = None

    def make_way(self) -> None:
        """Empty the line, if one stands."""
        if self._wipe is not None:
            with drawing_on_stderr():
                self._wipe()


STANDING_LINE: Final = StandingLine()
"""A process has one terminal, and so one such line."""


class Stream:
    """stdout, or stderr with `err`. `lost` is what went wrong with it, None while it works."""

    def __init__(self, *, err: bool) -> None:
        self._err = err
        self.lost: OSError | None = None

    def put(self, text: str, *, nl: bool = True) -> None:
        """Print; once the stream is lost, nothing."""
        if self.lost is not None:
            return
        STANDING_LINE.make_way()
        try:
            typer.echo(text, nl=nl, err=self._err)
        except OSError as error:
            self.lost = error
            let_go(sys.stderr if self._err else sys.stdout)

    @property
    def has_no_reader(self) -> bool:
        """Whether somebody closed the pipe, as `| head` does, having read enough."""
        return self.lost is not None and self.lost.errno == errno.EPIPE


@contextmanager
def drawing_on_stderr() -> Iterator[None]:
    """What draws on stderr itself: where that fails, the drawing ends and nothing else does."""
    try:
        yield
    except OSError:
        let_go(sys.stderr)


def let_go(stream: TextIO) -> None:
    """Whatever this stream still holds or is given goes nowhere, and never fails again."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, stream.fileno())
        finally:
            os.close(nowhere)
