"""Text for people: what must not reach a terminal raw, and commands that can be copied. Pure."""

import re
import shlex
from pathlib import Path
from typing import Final

_PLAIN: Final = (
    ("Object contains unknown field", "there is no key"),
    ("Object missing required field", "it lacks the key"),
    ("Expected str", "expected a text"),
    ("Expected int", "expected a whole number"),
    ("Expected float", "expected a number"),
    ("Expected array", "expected a list"),
    ("Expected object", "expected a table"),
    ("Expected bool", "expected true or false"),
    ("got str", "found a text"),
    ("got int", "found a whole number"),
    ("got float", "found a number"),
    ("got array", "found a list"),
    ("got object", "found a table"),
    ("got bool", "found true or false"),
    ("Invalid enum value", "there is no such choice as"),
)


def shown(text: str) -> str:
    r"""`text` as one line without control characters: each is shown as an escape, like \x1b."""
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in text
    )


def quoted(path: Path | str) -> str:
    """A path as a shell takes it."""
    return shlex.quote(str(path))


def in_plain_words(complaint: str) -> str:
    """What a reader of TOML or a checker of types says of a file, in words of the trade.

    "Expected `int >= 0` - at `$.place[0].at`" is "in place 1, at: expected int >= 0". A part of
    the complaint that is not known here stays as it is.
    """
    said, _, path = complaint.replace("`", "").partition(" - at $")
    for raw, words in _PLAIN:
        said = said.replace(raw, words)
    steps = [
        f"{name} {int(number) + 1}" if number else name
        for name, number in re.findall(r"\.?([\w-]+)(?:\[(\d+)\])?", path)
    ]
    said = said[:1].lower() + said[1:]
    return f"in {', '.join(steps)}: {said}" if steps else said


def command_line(verb: str, job: Path, *more: str) -> str:
    """The command that does `verb` on the job in a folder, to be copied."""
    return " ".join(["flashbench", verb, quoted(job), *more])
