"""Text for people: what must not reach a terminal raw, and commands that can be copied. Pure."""

import shlex
from pathlib import Path


def shown(text: str) -> str:
    r"""`text` as one line without control characters: each is shown as an escape, like \x1b."""
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in text
    )


def quoted(path: Path | str) -> str:
    """A path as a shell takes it."""
    return shlex.quote(str(path))


def command_line(verb: str, job: Path, *more: str) -> str:
    """The command that does `verb` on the job in a folder, to be copied."""
    return " ".join(["flashbench", verb, quoted(job), *more])


def ways_on(job: Path, *, going_back: bool = False) -> str:
    """Both commands that lead on from a half-written chip, the way that was begun first."""
    begun, other = ("restore", "finish") if going_back else ("finish", "restore")
    return f"{command_line(begun, job)}  (or: {command_line(other, job)})"
