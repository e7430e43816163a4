"""A bench in a folder, a job beside it, and commands typed at both.

The contents are invented: numbered lines of text, a blank stretch, and noise.
"""

import json
import random
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from typer.testing import CliRunner, Result

from flashbench.cli import app
from flashbench.rehearsal import create_bench, open_bench
from flashbench.rehearsal.faults import Fault
from flashbench.safe_write import steps
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.verify import Verified

PART = "W25Q128JV"
SIZE = 16 << 20
EDITS = {0x0010_0123: b"changed here", 0x00FF_FFF0: b"and in the last page"[:16]}
"""The edited image differs from the original at these offsets."""


def contents(seed: int = 1) -> bytes:
    """What the chip holds before anybody touches it."""
    noise = random.Random(seed)
    lines = "".join(f"line {number:06d} of board {seed}\n" for number in range(40_000)).encode()
    image = bytearray(noise.randbytes(SIZE))
    image[: len(lines)] = lines
    image[0x0080_0000:0x00A0_0000] = b"\xff" * 0x0020_0000
    return bytes(image)


def edited(image: bytes) -> bytes:
    """`image` with `EDITS`."""
    changed = bytearray(image)
    for offset, text in EDITS.items():
        changed[offset : offset + len(text)] = text
    return bytes(changed)


def places_text(old: bytes, new: bytes) -> str:
    """The edit file that names every byte in which two images differ."""
    blocks = [at for at in range(0, len(old), 4096) if old[at : at + 4096] != new[at : at + 4096]]
    places = [
        f'[[place]]\nat = {at}\nexpect = "{old[at]:02x}"\nnew = "{new[at]:02x}"\n'
        for start in blocks
        for at in range(start, min(start + 4096, len(old)))
        if old[at] != new[at]
    ]
    return "flashbench_edit = 1\n" + "".join(places)


@dataclass(frozen=True)
class ChipState:
    """All that a command which leaves the chip untouched must leave as it was."""

    operations: int  # programs, erases, register writes accepted in its whole life
    cells: bytes
    registers: dict[str, int]


@dataclass(frozen=True)
class Workplace:
    """A folder with a bench, a job and an edited image."""

    folder: Path

    @property
    def bench(self) -> Path:
        return self.folder / "bench"

    @property
    def job(self) -> Path:
        return self.folder / "job"

    @property
    def edited(self) -> Path:
        return self.folder / "new.bin"

    @property
    def at_bench(self) -> tuple[str, ...]:
        return ("--adapter", f"rehearsal:{self.bench}", "--supply", "3.3", "--clock", "30M")

    @property
    def named_places(self) -> Path:
        """An edit file that names what is changed: nothing of it lies in a block."""
        return self.folder / "places.toml"

    def take_in(self, *words: str) -> Result:
        """`edit --from-image` with the edited image, whose changes are named."""
        return run(
            "edit", str(self.job), str(self.named_places), "--from-image", str(self.edited), *words
        )

    def write_edited(self, image: bytes | None = None) -> None:
        """Make the edited image and the file that names its changes."""
        new = edited(contents()) if image is None else image
        self.edited.write_bytes(new)
        self.named_places.write_text(places_text(contents(), new))

    @property
    def bag(self) -> str:
        """What is read from the bag of this job, if there is one: the end of its label."""
        try:
            label = str(tomllib.loads((self.job / "job.toml").read_text())["label"])
        except FileNotFoundError:
            return "no bag"
        return "".join(label.split())[-3:]

    def chip(self) -> ChipState:
        """The chip as its own files have it."""
        with open_bench(self.bench) as bench:
            return ChipState(
                operations=bench.chip.operation_number,
                cells=bench.chip.contents,
                registers=dict(bench.chip.stored),
            )

    def set_cells(self, offset: int, data: bytes) -> None:
        """Change cells behind everybody's back: no operation of the chip."""
        path = self.bench / "chips" / "first" / "cells"
        with path.open("r+b") as file:
            file.seek(offset)
            file.write(data)

    def preset_register(self, name: str, value: int) -> None:
        with open_bench(self.bench) as bench:
            bench.chip.preset_register(name, value)

    def on_job(self, verb: str, *words: str) -> Result:
        """A command on this job, at this bench, with the bag in hand."""
        if verb in ("write", "restore", "finish") and "--label" not in words:
            words += ("--label", self.bag)
        return run(verb, str(self.job), *words, *self.at_bench)


@contextmanager
def timing_the_write() -> Iterator[list[float]]:
    """The model seconds from the yes to the proof, of every write inside."""
    taken_s: list[float] = []
    carry_out = steps.carry_out

    def timed(plan: Plan, **how: Any) -> Verified:
        time = plan.chip.adapter.time
        begun_s = time.now_s()
        proof = carry_out(plan, **how)
        taken_s.append(time.now_s() - begun_s)
        return proof

    with patch.object(steps, "carry_out", timed):
        yield taken_s


def run(*words: str) -> Result:
    """Type `flashbench WORDS` where there is no terminal."""
    return CliRunner().invoke(app, list(words))


def told(result: Result) -> dict[str, Any]:
    """The one JSON object on stdout."""
    facts = json.loads(result.stdout)
    assert isinstance(facts, dict)
    return facts


def three_lines(result: Result) -> tuple[str, str, str]:
    """State, seen, next step: all that stderr has."""
    lines = result.stderr.splitlines()
    assert len(lines) == 3, result.stderr
    return lines[0], lines[1], lines[2]


def make_template(folder: Path, *, faults: tuple[Fault, ...] = ()) -> Workplace:
    """A workplace whose job has its original and its edited image; nothing was written yet."""
    place = Workplace(folder)
    create_bench(place.bench, part=PART, contents=contents(), faults=faults).close()
    place.write_edited()
    for result in (place.on_job("dump", "--label", "board 17"), place.take_in()):
        assert result.exit_code == 0, result.stderr
    return place


def copied(place: Workplace, to: Path) -> Workplace:
    shutil.copytree(place.folder, to)
    return Workplace(to)
