"""What `job/` and `safe_write/` refuse or find wrong, each sentence whole, kept in sentences.txt.

A test of a refusal looks at the part that matters to it; a word lost anywhere else shows here.
While the tests of the two rooms run, each refusal and each finding is looked up among those on
record, with numbers, paths and foreign words left open. New ones are put on record by

    FLASHBENCH_KEEP_SENTENCES=1 pytest tests/job tests/safe_write

and are to be read, like any other text, before they are committed.
"""

import os
import re
import sys
from collections.abc import Callable, Iterator
from functools import cache, wraps
from pathlib import Path
from types import FrameType
from typing import Any, Final

import pytest

from flashbench.errors import FlashbenchError
from flashbench.job.check import Finding

ROOMS: Final = ("job", "safe_write")
UNHEARD: Final = ("test_no_second_door.py",)
"""Drives everything with anything."""

_RECORD: Final = Path(__file__).with_name("sentences.txt")
_SPEAKERS: Final = ("flashbench.job.", "flashbench.safe_write.")
_OPEN: Final = (
    (r"'/[^']*'|(?<![\w.])/[\w.][^\s'\",;)]*\w", "PATH"),
    (r"(is not understood: ).*", r"\1..."),
    (r"(cannot be read: ).*", r"\1..."),
    (r"(is not a TOML file: ).*", r"\1..."),
    (r"(could not be read back: ).*", r"\1..."),
    (r"(The disk refused while .*?: ).*", r"\1..."),
    (r"'[^']*'(?= is no label| is missing)", "..."),
    (r"\b[0-9a-f]{16,}\b", "HASH"),
    (r"\b[0-9a-fA-F]{2}( [0-9a-fA-F]{2})+\b", "BYTES"),
    (r"0x[0-9a-f]+", "ADDRESS"),
    (r"\b[0-9A-F]+h\b", "HEX"),
    (r"\d+(\.\d+)?", "#"),
    (r"\bjob (job|one|best|best_reading|a_job|board #|W#Q#BW|TINY#K)(?!\w)", "job LABEL"),
)


def with_values_left_open(text: str) -> str:
    """The sentence without what differs from one board, disk or library to the next."""
    for pattern, stand_in in _OPEN:
        text = re.sub(pattern, stand_in, text)
    return text


@cache
def on_record() -> frozenset[str]:
    """Every group of sentences in sentences.txt."""
    return frozenset(_RECORD.read_text().strip().split("\n\n"))


def put_on_record(new: set[str]) -> None:
    """Add to sentences.txt, in the order of the modules that say them."""
    _RECORD.write_text("\n\n".join(sorted(on_record() | new)) + "\n")
    on_record.cache_clear()


def _speaker(frame: FrameType | None) -> str | None:
    """The module of the two rooms that is making a sentence in `frame` or above, if one is."""
    while frame is not None:
        name = str(frame.f_globals.get("__name__", ""))
        if name.startswith("flashbench.") and name != "flashbench.errors":
            return name.removeprefix("flashbench.") if name.startswith(_SPEAKERS) else None
        frame = frame.f_back
    return None


def listening() -> Iterator[set[str]]:
    """The sentences that are made until the generator is closed, in a set that may be emptied."""
    heard: set[str] = set()

    def listen(to: type, lines: Callable[[Any], list[str]]) -> None:
        make = to.__init__  # type: ignore[misc]

        @wraps(make)
        def make_and_note(one: Any, *args: Any, **named: Any) -> None:
            make(one, *args, **named)
            speaker = _speaker(sys._getframe(1))
            if speaker is not None:
                told = [f"  {with_values_left_open(str(line))}" for line in lines(one)]
                heard.add("\n".join((f"{speaker} {type(one).__name__}", *told)))

        hooked.setattr(to, "__init__", make_and_note)

    with pytest.MonkeyPatch.context() as hooked:
        listen(FlashbenchError, lambda error: [error.state, error.seen, error.next_step])
        listen(Finding, lambda finding: [f"{finding.path}: {finding.seen}"])
        yield heard


def check(heard: set[str]) -> None:
    """Fail if a sentence is not on record, or put it there if that is asked for."""
    new = heard - on_record()
    if new and "FLASHBENCH_KEEP_SENTENCES" in os.environ:
        put_on_record(new)
    else:
        assert not new, "not in tests/sentences.txt:\n\n" + "\n\n".join(sorted(new))


def are_held_to(test_file: Path) -> bool:
    """Whether a test module is of the rooms whose sentences are on record."""
    return test_file.parent.name in ROOMS and test_file.name not in UNHEARD
