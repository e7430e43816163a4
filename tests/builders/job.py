"""Jobs for tests: an invented chip of 4 KiB, a calendar that stands still unless told."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flashbench.chip.profile import ChipProfile, EraseKind
from flashbench.job.disk import Disk
from flashbench.job.events import AnnouncedUnit, WriteAnnounced
from flashbench.job.folder import Job
from tests.builders.profile import plain_profile

SIZE = 4096
ORIGINAL = bytes(range(256)) * (SIZE // 256)
IMAGE = ORIGINAL[:1024] + bytes(256) + ORIGINAL[1280:]


def a_profile(*, density_bytes: int = SIZE) -> ChipProfile:
    """A part with one erase kind of 1 KiB."""
    kind = EraseKind(opcode=0x20, size=1024, ms_typ=45, ms_max=400)
    return plain_profile(density_bytes, kind, parts=("XX25Q00",), jedec_id=bytes.fromhex("aa400c"))


@dataclass(frozen=True)
class AChip:
    """As much of an identified chip as a job wants to know."""

    jedec_id: str = "aa400c"
    unique_id: str | None = "00112233445566aa"
    profile: ChipProfile = field(default_factory=a_profile)

    def facts(self) -> Mapping[str, object]:
        return {
            "jedec_id": self.jedec_id,
            "unique_id": self.unique_id,
            "sfdp": "53464450",
            "parts": list(self.profile.parts),
            "density_bytes": self.profile.density_bytes,
            "registers": {"SR1": 0x1C, "SR2": 0x02},
            "adapter": {"url": "rehearsal:bench", "serial": "XB0001", "interface": 1},
        }


@dataclass
class Calendar:
    """A clock that moves when a test moves it."""

    at: datetime = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def advance(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)


def a_job(folder: Path, *, disk: Disk | None = None, label: str | None = None) -> Job:
    """A new job for `AChip`, nothing dumped yet."""
    return Job.create(folder, AChip(), label=label, disk=disk, now=Calendar())


def a_dumped_job(folder: Path, *, disk: Disk | None = None) -> Job:
    """A new job that has its original."""
    job = a_job(folder, disk=disk)
    job.save_original(
        ORIGINAL, chip_facts=AChip().facts(), ways=("fast read at 30 MHz", "read at 15 MHz")
    )
    return job


def opened(folder: Path, *, disk: Disk | None = None) -> Job:
    """An existing job, opened by the same calendar."""
    return Job.open(folder, disk=disk, now=Calendar())


def announcement(
    *units: AnnouncedUnit,
    target: bytes = IMAGE,
    target_name: str = "image 1",
    registers_before: Mapping[str, int] | None = None,
    kept_number: int | None = None,
) -> WriteAnnounced:
    """The announcement of a write to `AChip`, of one erased KiB unless units are given."""
    return WriteAnnounced(
        target_sha256=hashlib.sha256(target).hexdigest(),
        target_name=target_name,
        jedec_id="aa400c",
        unique_id="00112233445566aa",
        kept_number=kept_number,
        units=units or (AnnouncedUnit(start=1024, size=1024, erase_opcode=0x20),),
        session_id="0123456789abcdef",
        registers_before=registers_before or {"SR1": 0x1C},
    )
