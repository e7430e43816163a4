"""Jobs of the practice board at every stage, made through the job's own door."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from flashbench.chip.profile import ChipProfile
from flashbench.image.change_sheet import NamedRange, change_sheet
from flashbench.image.memory_package import parse_package_file
from flashbench.job.events import (
    AnnouncedUnit,
    CellsProven,
    RegistersChanged,
    RegistersRestored,
    UnitProven,
    WriteAnnounced,
    WriteFinished,
)
from flashbench.job.folder import Job
from flashbench.rehearsal.demo_board import DEMO, IMAGE_BYTES, demo_edited_image, demo_image
from flashbench.report.view import Booking
from tests.builders.job import Calendar, a_profile

UNIT = 4096
UNIQUE_ID = "d1669c4e2f80b735"


@cache
def original() -> bytes:
    return demo_image()


@cache
def edited() -> bytes:
    return demo_edited_image(original())


@dataclass(frozen=True)
class SceneChip:
    """The chip of the practice board, as `identify` would describe it."""

    url: str = "rehearsal:bench"
    jedec_id: str = "ef4018"
    marking: str | None = "25Q128JVSQ"
    unique_id: str = UNIQUE_ID
    protected: list[list[int]] = field(default_factory=list)
    profile: ChipProfile = field(default_factory=lambda: a_profile(density_bytes=IMAGE_BYTES))

    def facts(self) -> Mapping[str, object]:
        return {
            "jedec_id": self.jedec_id,
            "unique_id": self.unique_id,
            "parts": ["W25Q128JV-IQ"],
            "density_bytes": IMAGE_BYTES,
            "size_sources": ["table", "SFDP", "array"],
            "supply": {
                "volts": [2.7, 3.6],
                "known_from": "datasheet",
                "declared_volts": 3.3,
            },
            "marking": self.marking,
            "registers": {"SR1": 0x1C, "SR2": 0x02, "SR3": 0x60},
            "protected": self.protected,
            "doubts": [],
            "adapter": {"url": self.url, "chip": "FT232H", "serial": "XB0001", "interface": 1},
        }


BOOKING = Booking(
    device=DEMO.board,
    board_number="WF2-0417",
    fault="needs more memory",
    packages_on_board=DEMO.packages_on_board,
    straps=DEMO.straps,
    was=parse_package_file(DEMO.old_package_toml),
    fitted=parse_package_file(DEMO.new_package_toml),
)


def a_chip(*, practice: bool = False) -> SceneChip:
    """The chip on a real adapter, its top sixteenth protected; or on a rehearsal."""
    url = "rehearsal:bench" if practice else "ftdi://ftdi:232h/1"
    return SceneChip(url=url, protected=[[0xF0_0000, 0x100_0000]])


def a_job(folder: Path, *, label: str = "board 17", practice: bool = False) -> Job:
    """Identified, nothing read."""
    return Job.create(folder, a_chip(practice=practice), label=label, now=Calendar())


def dump(job: Job, image: bytes, *, practice: bool = False) -> None:
    job.save_original(
        image,
        chip_facts=a_chip(practice=practice).facts(),
        ways=("fast read at 10 MHz from 000000h", "plain read at 5 MHz from 801000h"),
        size_sources=("table", "SFDP", "array"),
    )


def edit(job: Job, old: bytes, new: bytes, *, name: str = "SPD content") -> None:
    sheet = change_sheet(old, new)
    names = [NamedRange(offset=row["offset"], length=row["length"], name=name)
             for row in sheet["ranges"]]  # fmt: skip
    job.save_image(new, change_sheet(old, new, names=names))


def announce(job: Job, target: bytes, name: str, *starts: int) -> None:
    job.announce(
        WriteAnnounced(
            target_sha256=hashlib.sha256(target).hexdigest(),
            target_name=name,
            jedec_id="ef4018",
            unique_id=UNIQUE_ID,
            kept_number=None,
            units=tuple(AnnouncedUnit(start=at, size=UNIT, erase_opcode=0x20) for at in starts),
            session_id="0123456789abcdef",
            registers_before={"SR1": 0x1C},
        )
    )
    job.record(RegistersChanged(before={"SR1": 0x1C}, after={"SR1": 0x00}))


def finish(job: Job, target: bytes, *starts: int) -> None:
    for start in starts:
        job.record(UnitProven(start=start, size=UNIT))
    job.record(RegistersRestored(values={"SR1": 0x1C}))
    sha256 = hashlib.sha256(target).hexdigest()
    job.record(CellsProven(sha256=sha256))
    job.record(WriteFinished(target_sha256=sha256))


STARTS = (0xA4_1000, 0xE0_3000)


def a_dumped_job(folder: Path, *, label: str = "board 17", practice: bool = False) -> Job:
    job = a_job(folder, label=label, practice=practice)
    dump(job, original(), practice=practice)
    return job


def an_edited_job(folder: Path, *, label: str = "board 17", practice: bool = False) -> Job:
    job = a_dumped_job(folder, label=label, practice=practice)
    edit(job, original(), edited())
    return job


def a_half_written_job(folder: Path) -> Job:
    job = an_edited_job(folder)
    announce(job, edited(), "image 1", *STARTS)
    return job


def a_written_job(folder: Path, *, label: str = "board 17", practice: bool = False) -> Job:
    job = an_edited_job(folder, label=label, practice=practice)
    announce(job, edited(), "image 1", *STARTS)
    finish(job, edited(), *STARTS)
    return job


def a_restored_job(folder: Path) -> Job:
    job = a_written_job(folder)
    announce(job, original(), "original", *STARTS)
    finish(job, original(), *STARTS)
    return job


def written_by_the_board(image: bytes) -> bytes:
    """`image` after a boot: settings in blank sectors, and a counter."""
    ran = bytearray(image)
    for at in (0xF0_0000, 0xF0_4000, 0xF0_8000, 0xA0_2000):
        ran[at : at + 24] = b"boot log of round one   "
    return bytes(ran)


def a_second_round(folder: Path) -> Job:
    """Written, run, dumped again, and edited afresh."""
    job = a_written_job(folder)
    ran = written_by_the_board(edited())
    job.open_round(a_chip())
    dump(job, ran)
    return job


def a_read(seed: int) -> bytes:
    """A read over a bad contact: bit 5 sticks now and then in one stretch."""
    read = bytearray(original())
    for at in range(0x20_0000 + seed, 0x2C_0000, 977 + 13 * seed):
        read[at] ^= 0x20
    for at in range(0x81_0000 + seed, 0x81_4000, 41):
        read[at] ^= 0x20 | (at & 1)
    return bytes(read)


def a_job_with_doubtful_reads(folder: Path) -> Job:
    job = a_job(folder)
    job.save_doubtful(a_read(1))
    job.save_doubtful(a_read(2))
    dump(job, original())
    return job
