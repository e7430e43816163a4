"""A line from whoever sits at the terminal: what was typed after the question, and only that."""

import sys
from contextlib import suppress

import typer

from flashbench.cli.streams import STANDING_LINE
from flashbench.errors import Interrupted

if sys.platform == "win32":
    import msvcrt
else:
    import termios


def typed_line(prompt: str) -> str:
    """Show `prompt`, and return the line that is typed then; "" if the input has ended.

    What was typed before the question stood there answers another one, or none: it is dropped.
    Raises OSError where the terminal is gone.
    """
    _drop_what_was_typed_ahead()
    STANDING_LINE.make_way()
    try:
        typer.echo(prompt, nl=False, err=True)
        answer = sys.stdin.readline()
    except (KeyboardInterrupt, Interrupted):
        _end_the_line()
        raise
    if not answer.endswith("\n"):
        _end_the_line()
    return answer


def _drop_what_was_typed_ahead() -> None:
    if not sys.stdin.isatty():
        return
    if sys.platform == "win32":
        while msvcrt.kbhit():
            msvcrt.getwch()
        return
    with suppress(OSError, ValueError, termios.error):  # the terminal is gone: reading says so
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


def _end_the_line() -> None:
    """What is said next does not stand behind the question."""
    with suppress(OSError):
        typer.echo(err=True)
