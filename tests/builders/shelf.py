"""A shelf of invented jobs: small chips, made through the job room itself."""

import hashlib
import random
from pathlib import Path

from flashbench.job.events import AnnouncedUnit, CellsProven, UnitProven, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.outcome import record_outcome
from tests.builders.job import AChip, Calendar, a_profile, announcement

SIZE = 64 << 10
SECTOR = 4096
COMMON = random.Random(7).randbytes(SIZE // 2)
"""What all boards of the model share."""


def contents(board: int) -> bytes:
    """What board number `board` holds: half of it is the model's, a quarter blank."""
    own = random.Random(board).randbytes(SIZE // 4)
    return COMMON + own + b"\xff" * (SIZE // 4)


def edited(image: bytes) -> bytes:
    """`image` with 16 bytes changed in its second sector."""
    return image[:SECTOR] + bytes(16) + image[SECTOR + 16 :]


def a_chip(unique_id: str | None = None) -> AChip:
    return AChip(unique_id=unique_id, profile=a_profile(density_bytes=SIZE))


def stand_up(
    shelf: Path,
    name: str,
    *,
    board: int,
    label: str | None = None,
    unique_id: str | None = None,
    written: bool = False,
    boots: bool | None = None,
    units: int = 1,
    calendar: Calendar | None = None,
) -> Path:
    """A job with its original and one image; the image is on the chip if `written`."""
    chip = a_chip(unique_id)
    calendar = calendar or Calendar()
    folder = shelf / name
    with Job.create(folder, chip, label=label, now=calendar) as job:
        original = contents(board)
        job.save_original(original, chip_facts=chip.facts())
        job.save_image(edited(original), {"ranges": []})
        if written:
            write(job, edited(original), units=units)
        if boots is not None:
            record_outcome(job, boots=boots)
    return folder


def write(
    job: Job,
    target: bytes,
    *,
    units: int = 1,
    to_its_end: bool = True,
    kept_number: int | None = None,
) -> None:
    """Journal a write of `target` to the board's own chip or another, to its end or not."""
    stretches = [
        AnnouncedUnit(start=SECTOR * number, size=SECTOR, erase_opcode=0x20)
        for number in range(1, units + 1)
    ]
    job.announce(announcement(*stretches, target=target, kept_number=kept_number))
    for unit in stretches:
        if to_its_end:
            job.record(UnitProven(start=unit.start, size=unit.size))
    if to_its_end:
        finish(job, target)


def finish(job: Job, target: bytes) -> None:
    """Journal that `target` was proven, cells and protection."""
    sha256 = hashlib.sha256(target).hexdigest()
    job.record(CellsProven(sha256=sha256))
    job.record(WriteFinished(target_sha256=sha256))
