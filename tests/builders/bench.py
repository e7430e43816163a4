"""A chip that is taken to the bench again and again, and jobs with it, for tests of the sequence.

The contents are noise with blank stretches, so that nothing repeats and an erase shows anywhere.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import flashbench as fb
from flashbench.chip.identity import Identified
from flashbench.rehearsal import Bench, FixedHostGap, NorChip, NorPart, VirtualTime, load_part
from flashbench.rehearsal.faults import ArmedFaults, Fault
from flashbench.rehearsal.spi_target import SpiTarget

CLOCK_HZ = 30_000_000

SMALL = replace(
    load_part("W25Q64JW"),
    name="W25Q80BW",
    rdid=bytes.fromhex("ef5014"),
    density_bytes=1 << 20,
    sfdp=b"",
)
"""1 MiB, a factory number, Winbond's protection bits, no SFDP: size from table and array."""

SLOW_CLOCKED = replace(
    SMALL,
    name="W25X80",
    rdid=bytes.fromhex("ef3014"),
    supply_volts=(2.7, 3.6),
    unique_id=b"",
    fast_read_hz_max=25_000_000,
    erase=tuple(kind for kind in SMALL.erase if kind.size != 1 << 15),
)
"""As SMALL, but its row allows 25 MHz, which no adapter here makes: 15 MHz is next below."""

TINY = load_part("TINY64K")
"""64 KiB, invented, not in the table: no factory number, registers unknown, SFDP only."""

_IDENTIFIED_WITH: dict[str, dict[str, Any]] = {
    "W25Q80BW": {"supply_volts": 1.8},
    "W25Q64JW": {"supply_volts": 1.8},
    "W25X80": {"supply_volts": 3.3, "datasheet_volts": (2.7, 3.6), "marking": "W25X80"},
    "TINY64K": {"supply_volts": 3.3, "supply_confirmed_by_user": True},
    "W25Q128JV": {"supply_volts": 3.3},
    "W25Q256FV": {"supply_volts": 3.3},
    "W25Q256JV": {"supply_volts": 3.3},
    "MX25U25645G": {"supply_volts": 1.8},
    "MX25L12835F": {"supply_volts": 3.3},
    "GD25Q128C": {"supply_volts": 3.3, "datasheet_volts": (2.7, 3.6)},
    "IS25LP128": {"supply_volts": 3.3},
    "MT25QU256A": {"supply_volts": 1.8},
    "S25FL512S": {"supply_volts": 3.3, "datasheet_volts": (2.7, 3.6), "marking": "S25FL512S"},
    "SST26VF064B": {"supply_volts": 3.3, "datasheet_volts": (2.7, 3.6), "marking": "SST26VF064B"},
}


@cache
def firmware(size: int, seed: int = 1) -> bytes:
    """Noise, with every eighth 4 KiB blank but the last."""
    data = bytearray(Random(seed).randbytes(size))
    for start in range(0x3000, size - 0x1000, 0x8000):
        data[start : start + 0x1000] = b"\xff" * 0x1000
    return bytes(data)


def edited(image: bytes, *edits: tuple[int, bytes]) -> bytes:
    """`image` with the bytes at some offsets replaced."""
    data = bytearray(image)
    for offset, new in edits:
        data[offset : offset + len(new)] = new
    return bytes(data)


@dataclass
class Visit:
    """One session: an adapter plugged in and opened, and a chip in its socket."""

    bench: Bench
    adapter: fb.Adapter
    how: dict[str, Any] = field(default_factory=dict)

    def identify(self, **more: Any) -> Identified:
        """The chip, with the supply (and marking) its part needs; `more` goes over it."""
        return fb.identify(self.adapter, **{**self.how, **more})


@contextmanager
def plugged_in(
    target: SpiTarget, *faults: Fault, clock_hz: int = CLOCK_HZ, at_s: float = 0.0
) -> Iterator[Visit]:
    """A new adapter with this chip in its socket."""
    bench = Bench(
        target,
        time=VirtualTime(at_s),
        adapter_chip="FT232H",
        host_gap=FixedHostGap(125.0),
        armed=ArmedFaults(faults),
    )
    with (
        bench,
        fb.open_adapter(bench.device, clock_hz=clock_hz, time=bench.time) as adapter,
    ):
        yield Visit(bench, adapter)


class Board:
    """One chip; each visit is another session, and the chip stays what the last one left."""

    def __init__(
        self,
        part: NorPart = SMALL,
        contents: bytes | None = None,
        *,
        lasting: tuple[Fault, ...] = (),
    ) -> None:
        self.part = part
        self.original = firmware(part.density_bytes) if contents is None else contents
        self.lasting = lasting
        self.chip = NorChip(part, contents=self.original, faults=ArmedFaults(lasting))

    @contextmanager
    def visit(self, *faults: Fault, clock_hz: int = CLOCK_HZ) -> Iterator[Visit]:
        """Take the chip to the bench, with `faults` for this visit only."""
        with plugged_in(
            self.chip, *self.lasting, *faults, clock_hz=clock_hz, at_s=self.chip.last_s
        ) as visit:
            self.chip._faults = visit.bench.faults
            visit.how = _IDENTIFIED_WITH[self.part.name]
            yield visit

    def twin(self) -> "Board":
        """Another board in the very same state, busy or torn as it may be."""
        other = Board(self.part, self.original, lasting=self.lasting)
        other.chip = NorChip(self.part, contents=self.contents, faults=ArmedFaults(self.lasting))
        other.chip._adopt({**self.chip.state(), "fired": []})
        return other

    @property
    def contents(self) -> bytes:
        """What its cells hold, not by way of any driver."""
        return self.chip.contents


def a_dumped_job(board: Board, folder: Path) -> Path:
    """The folder of a job with this board's dump, made in a visit of its own and closed."""
    with board.visit() as visit:
        chip = visit.identify()
        with fb.Job.create(folder, chip) as job:
            fb.back_up(fb.read_twice(chip, keep_doubtful_in=job), job)
    return folder


def write(visit: Visit, folder: Path, image: bytes) -> fb.Verified:
    """The whole write of `image` in one visit."""
    chip = visit.identify()
    with fb.Job.open(folder) as job:
        return fb.verify(fb.rewrite(fb.plan_rewrite(chip, fb.reload_backup(job), image)))


def finish(visit: Visit, folder: Path) -> fb.Verified:
    """From whatever an accident left, on to the job's image."""
    chip = visit.identify()
    with fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        found = fb.read_for_recovery(chip, job)
        return fb.verify(fb.rewrite(fb.plan_recovery(found, backup, target=job.target)))


def restore(visit: Visit, folder: Path) -> fb.Verified:
    """From whatever the chip holds, back to the job's original."""
    chip = visit.identify()
    with fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        found = fb.read_for_recovery(chip, job)
        return fb.verify(fb.rewrite(fb.plan_recovery(found, backup, target=backup.image)))


def copy_of(folder: Path, to: Path) -> Path:
    """A second copy of a job or bench folder."""
    shutil.copytree(folder, to)
    return to
