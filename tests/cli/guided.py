"""A job for the guide: a small chip of a board with a memory table, and a person who answers.

The chip of 1 MiB is that of `tests.builders.bench`; on disk it bears the name of another part,
since a bench folder names only parts that the rehearsal has files of.
"""

import io
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import pytest

from flashbench.cli import app
from flashbench.rehearsal import NorPart, create_bench, load_part, open_bench
from flashbench.rehearsal import bench as benches
from flashbench.rehearsal.demo_board import (
    DEMO,
    GROUP_OFFSETS,
    demo_edited_image,
    demo_image,
)
from tests.builders.bench import SMALL
from tests.cli.terminal import question_in

PART = "W25Q64JW"
_GROUP_BYTES = 0x4000


@cache
def board_image(size: int, *, edited: bool = False) -> bytes:
    """Some noise, and the practice board's memory tables; `edited` as the rehearsal edits it."""
    whole = demo_edited_image(demo_image()) if edited else demo_image()
    start = GROUP_OFFSETS[0]
    group = whole[start : start + _GROUP_BYTES]
    noise = random.Random(3).randbytes(size // 8)
    image = bytearray(noise.ljust(size, b"\xff"))
    for place in (size // 8, size - size // 8):
        image[place : place + _GROUP_BYTES] = group
    return bytes(image)


ANSWERS = {
    "Which file is that": "?",
    "more ranks": "no",
    "processor take": "16GB",
    "shall the board have": "8GB",
    "of one type": "yes",
    "balls of both": "yes",
    "measure the straps": "yes",
    "Go on with that open": "yes",
    "Read, done, and ready": "yes",
    "on the bag": "Miller 17",
    "Which device": DEMO.board,
    "Number of the board": "?",
    "wrong with it": "more memory",
    "In what condition": "clean",
    "A note for": "?",
    "packages on it": DEMO.old_part,
    "How many of them": "2",
    "straps as measured": DEMO.straps,
    "packages fitted": DEMO.new_part,
    "data are known from": "datasheet",
    "disk encryption": "no",
    "entitled": "yes",
    "socket, or clipped": "socket",
    "Is it off": "yes",
    "printed on the chip": "W25Q80BW",
    "Which range does it give": "1.65-1.95",
    "how many volts": "1.8",
    "Volts at the chip now": "1.8",
    "Is it there": "yes",
    "From which": "package",
    "Type of the memory": "LPDDR5",
    "Density of one die": "16",
    "Dies in one": "2",
    "Width of one channel": "16",
    "Ranks (chip": "1",
    "Speed, in": "6400",
    "Is that right": "yes",
    "(done, not needed": "?",
    "last three characters": "17",
    "to this chip?": "yes",
    "Is everything on": "yes",
    "Has it started": "yes",
    "Does the board start": "yes",
    "does it show": "8GB",
    "memory test run": "4",
    "errors did it find": "0",
}
"""What somebody answers who does the whole job without a hitch, by a part of the question."""


def answer_to(question: str, answers: dict[str, str]) -> str:
    """The answer to a question. An AssertionError for one that nobody foresaw."""
    found = [answer for part, answer in answers.items() if part in question]
    assert found, f"not foreseen: {question!r}"
    return found[0]


class Screen(io.TextIOWrapper):
    """A terminal to write to, whose text can be read."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8", write_through=True)

    def isatty(self) -> bool:
        return True

    @property
    def text(self) -> str:
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode()


@dataclass
class Person:
    """Sits at a terminal in this process and answers. `said` is all that the screen showed."""

    folder: Path
    answers: dict[str, str] = field(default_factory=lambda: dict(ANSWERS))
    asked: list[str] = field(default_factory=list)
    said: str = ""

    @property
    def bench(self) -> Path:
        return self.folder / "bench"

    @property
    def job(self) -> Path:
        return self.folder / "job"

    def answer(self, question: str) -> str:
        """What is typed to a question."""
        self.asked.append(question)
        return answer_to(question, self.answers)

    def guide(self, *words: str) -> "Sat":
        """One sitting: the exit status, and what was said."""
        screen, keyboard = Screen(), io.StringIO()
        keyboard.isatty = lambda: True  # type: ignore[method-assign]
        keyboard.readline = self._typed(screen)  # type: ignore[method-assign, assignment]
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("sys.stdin", keyboard)
            patched.setattr("sys.stdout", screen)
            patched.setattr("sys.stderr", screen)
            patched.setattr(
                "sys.argv",
                ["flashbench", "guide", str(self.job), "--adapter", f"rehearsal:{self.bench}"],
            )
            with pytest.raises(SystemExit) as ended:
                app(sys.argv[1:] + list(words), prog_name="flashbench")
        self.said += screen.text
        return Sat(status=int(ended.value.code or 0), said=screen.text)

    def _typed(self, screen: Screen) -> Callable[[], str]:
        def readline() -> str:
            typed = self.answer(question_in(screen.text)) + "\n"
            screen.write(typed)
            return typed

        return readline

    def cells(self) -> bytes:
        """What the chip holds."""
        with open_bench(self.bench) as bench:
            return bench.chip.contents


@dataclass(frozen=True)
class Sat:
    """How one sitting ended."""

    status: int
    said: str


def small_part(name: str) -> NorPart:
    """The part that a bench folder names, with the chip of 1 MiB in place of `PART`."""
    return replace(SMALL, name=PART) if name == PART else load_part(name)


def with_small_chips(monkeypatch: pytest.MonkeyPatch) -> None:
    """`PART` of bench folders is a chip of 1 MiB."""
    monkeypatch.setattr(benches, "load_part", small_part)


def set_up(folder: Path) -> None:
    """A bench with a chip in its socket, and no job."""
    create_bench(folder / "bench", part=PART, contents=board_image(SMALL.density_bytes)).close()


IN_A_PROCESS = (
    "from flashbench.rehearsal import bench\n"
    "from tests.cli.guided import small_part\n"
    "from flashbench.cli import main\n"
    "bench.load_part = small_part\n"
    "main()\n"
)
"""The program of `flashbench` on such a bench."""
