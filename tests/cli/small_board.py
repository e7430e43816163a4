"""A dumped job of an invented chip of 256 KiB, quick to inspect.

It holds two copies of a pair of blocks, one of them around a memory record, and a serial number.
"""

import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flashbench.job.folder import Job
from tests.builders.job import AChip, a_profile
from tests.cli.workplace import run
from tests.image.edit_scene import COPIES, EDIT, MEMORY, NEW, memory_block, scene

SIZE = 1 << 18
CHECKS = tuple(copy + 12 for copy in COPIES)
RECORD = 16  # position of the memory record in a block
SERIAL = b"SN WF2-0042-004711\0"
SERIAL_AT = 0x9000
FREE = 0x20000  # noise from here on
LABEL = "board 7"


def board_image(*, serial: bytes = SERIAL, seed: int = 1) -> bytes:
    noise = random.Random(seed).randbytes(SIZE - FREE)
    blank = b"\xff" * (FREE - len(scene()))
    image = bytearray(scene() + blank + noise)
    image[SERIAL_AT : SERIAL_AT + len(serial)] = serial
    return bytes(image)


def with_larger_memory() -> bytes:
    """The edit in both copies, made by other means than the editing code."""
    return scene(memory_block(NEW.spd), memory_block(NEW.spd)) + board_image()[len(scene()) :]


@dataclass(frozen=True)
class SmallBoard:
    """A folder with the job and an edit file for the larger memory."""

    folder: Path

    @property
    def job(self) -> Path:
        return self.folder / "job"

    @property
    def edit_file(self) -> Path:
        return self.folder / "edit.toml"

    @property
    def kept(self) -> bytes | None:
        """The first image that the job has taken in."""
        path = self.job / "round-1" / "image-1.bin"
        return path.read_bytes() if path.exists() else None

    def edit(self, *words: str, text: str = EDIT + MEMORY) -> Any:
        self.edit_file.write_text(text)
        return run("edit", str(self.job), str(self.edit_file), *words)

    def take_in(self, image: bytes, *words: str) -> Any:
        """`edit --from-image`, as a script does it."""
        (self.folder / "new.bin").write_bytes(image)
        return run("edit", str(self.job), *words, "--from-image", str(self.folder / "new.bin"))


def small_board(folder: Path, *, image: bytes | None = None) -> SmallBoard:
    chip = AChip(profile=a_profile(density_bytes=SIZE))
    with Job.create(folder / "job", chip, label=LABEL) as job:
        original = board_image() if image is None else image
        job.save_original(original, chip_facts=chip.facts(), ways=("fast read", "plain read"))
    return SmallBoard(folder)
