"""Read, program and write on the virtual adapter: ours, the plain way, and the floor.

The plain way is pyftdi's public `SpiPort.exchange` with its defaults: reads of 4 KiB, a page at
a time with a poll by exchange, whole-chip erase and rewrite. The floor is bits / SCK + the
cells' typical times, as the part's own file states them (W25Q128JV: the datasheet's, Rev I).
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any, Final
from unittest.mock import patch

from pyftdi.spi import SpiController, SpiPort

import flashbench as fb
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.usb_device import AdapterChip
from flashbench.safe_write._pages import PageProgrammer
from flashbench.safe_write.duration import expected_seconds
from tests.benchmarks.charged import ChargedBench, Watch

SCK_HZ = 30_000_000
BYTE_S = 8 / SCK_HZ
PART: Final = load_part("W25Q128JV")
PLAIN_BYTES = 256 << 10  # the plain way is so slow that a part of the chip must do
PROGRAM_BYTES = 1 << 20
SMALL_EDIT_AT, SMALL_EDIT_BYTES = 0x20010, 16
PAGE = 256
PAGE_WIRE_S = (PAGE + 4 + 1) * BYTE_S  # 02h with its address and data, and 06h
GAPS_US = (60.0, 125.0, 250.0, 500.0, 1000.0)
ADAPTERS: tuple[AdapterChip, ...] = ("FT232H", "FT2232H")

READ, PROGRAM = "read", "program"
SMALL_EDIT = "write of a small edit"
REWRITE_1, REWRITE_3 = "rewrite, floor 1 read", "rewrite, floor 3 reads"
ESTIMATED, WHOLE_CHIP = "whole chip, estimated", "whole chip, run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Where a figure was taken. `charge`: with the host's CPU on the clock."""

    adapter: AdapterChip
    gap_us: float
    charge: bool
    part: NorPart = PART

    def bench(self, contents: bytes | None) -> ChargedBench:
        return ChargedBench(
            self.part, contents, adapter=self.adapter, gap_us=self.gap_us, charge=self.charge
        )

    @property
    def supply_volts(self) -> float:
        return 3.3 if self.part.supply_volts[1] > 3.3 else 1.8

    @property
    def page_s(self) -> float:
        """The floor of one page: its cells and its bits."""
        return self.part.program_us_typ * 1e-6 + PAGE_WIRE_S

    def erase_s(self, size: int) -> float:
        """What the erase of a unit of this size takes."""
        (ms,) = (kind.ms_typ for kind in self.part.erase if kind.size == size)
        return ms / 1e3

    @property
    def program_bytes(self) -> int:
        return min(PROGRAM_BYTES, self.part.density_bytes // 4)

    @property
    def plain_bytes(self) -> int:
        return min(PLAIN_BYTES, self.part.density_bytes // 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One job done one way."""

    what: str
    how: str
    size: int
    seconds: float
    floor_s: float
    host_cpu_s: float
    note: str = ""

    @classmethod
    def of(cls, what: str, how: str, watch: Watch, size: int, floor_s: float) -> "Figure":
        return cls(
            what=what,
            how=how,
            size=size,
            seconds=watch.model_s,
            floor_s=floor_s,
            host_cpu_s=watch.host_cpu_s,
        )


@contextmanager
def _pages_watched(bench: ChargedBench) -> Iterator[list[Watch]]:
    """What the programming of pages takes inside, without what is around it.

    Frames are made while the erase before still runs: their CPU counts, that time does not.
    """
    watches: list[Watch] = []
    program, prepare = PageProgrammer.program, PageProgrammer.prepare

    def watched(self: PageProgrammer, *args: Any, **how: Any) -> None:
        with bench.watching() as watch:
            program(self, *args, **how)
        watches.append(watch)

    def prepared(self: PageProgrammer, *args: Any, **how: Any) -> None:
        with bench.watching() as watch:
            prepare(self, *args, **how)
        watch.model_s = 0.0
        watches.append(watch)

    with (
        patch.object(PageProgrammer, "program", watched),
        patch.object(PageProgrammer, "prepare", prepared),
    ):
        yield watches


def small_edit(image: bytes) -> bytes:
    """Bits must rise: this takes an erase."""
    data = bytearray(image)
    data[SMALL_EDIT_AT : SMALL_EDIT_AT + SMALL_EDIT_BYTES] = b"\xff" * SMALL_EDIT_BYTES
    return bytes(data)


def ours(setting: Setting, image: bytes) -> list[Figure]:
    """Our figures."""
    bench, size = setting.bench(image), len(image)
    with (
        bench.bench,
        tempfile.TemporaryDirectory() as folder,
        fb.open_adapter(bench.bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=setting.supply_volts)
        with bench.watching() as watch:
            reading.read_whole(chip, kind=ReadKind.FAST, sck_hz=SCK_HZ, step="read")
        figures = [Figure.of(READ, "ours", watch, size, size * BYTE_S)]
        with fb.Job.create(Path(folder) / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            small = small_edit(image)
            with bench.watching() as watch:
                plan = fb.plan_rewrite(chip, backup, small)
                expected_seconds(plan)  # as `write` does before it asks
                fb.verify(fb.rewrite(plan))
            floor_s = 2 * size * BYTE_S + setting.erase_s(4096) + 16 * setting.page_s
            figures.append(Figure.of(SMALL_EDIT, "ours", watch, size, floor_s))
            count = setting.program_bytes
            plan = fb.plan_rewrite(chip, backup, Random(2).randbytes(count) + small[count:])
            with bench.watching() as watch, _pages_watched(bench) as pages:
                fb.rewrite(plan)
    return figures + _large_figures(setting, watch, pages)


def _large_figures(setting: Setting, whole: Watch, pages: list[Watch]) -> list[Figure]:
    """Of a rewrite the floor with the one read that any proof takes, and with our own three.

    Ours reads each unit it erases as it was before, as blank, and as written.
    """
    size = setting.program_bytes
    pages_s = size // PAGE * setting.page_s
    together = Watch()
    together.model_s = sum(watch.model_s for watch in pages)
    together.host_cpu_s = sum(watch.host_cpu_s for watch in pages)
    cells_s = (size >> 16) * setting.erase_s(1 << 16) + pages_s
    return [
        Figure.of(PROGRAM, "ours", together, size, pages_s),
        Figure.of(REWRITE_1, "ours", whole, size, cells_s + size * BYTE_S),
        Figure.of(REWRITE_3, "ours", whole, size, cells_s + 3 * size * BYTE_S),
    ]


@contextmanager
def _plain_port(setting: Setting, contents: bytes) -> Iterator[tuple[ChargedBench, SpiPort]]:
    bench = setting.bench(contents)
    with bench.bench:
        controller = SpiController()
        controller.configure(bench.bench.device, interface=1, frequency=SCK_HZ)
        yield bench, controller.get_port(cs=0, freq=SCK_HZ, mode=0)
        controller.close(freeze=True)


def _plain_read(port: SpiPort, size: int) -> None:
    for at in range(0, size, 4096):
        port.exchange(b"\x0b" + at.to_bytes(3, "big") + b"\x00", 4096)


def _plain_program(port: SpiPort, start: int, data: bytes) -> None:
    for at in range(0, len(data), PAGE):
        port.exchange(b"\x06")
        port.exchange(b"\x02" + (start + at).to_bytes(3, "big") + data[at : at + PAGE])
        while port.exchange(b"\x05", 1)[0] & 1:
            pass


def plain(setting: Setting, image: bytes) -> list[Figure]:
    """The same wires through `SpiPort.exchange`, on a chip that is blank where it programs."""
    part = setting.plain_bytes
    blank = b"\xff" * (len(image) - part)
    with _plain_port(setting, image[:part] + blank) as (bench, port):
        with bench.watching() as watch:
            _plain_read(port, part)
        read = Figure.of(READ, "exchange", watch, part, part * BYTE_S)
        with bench.watching() as watch:
            _plain_program(port, part, image[part : 2 * part])
        program = Figure.of(PROGRAM, "exchange", watch, part, part // PAGE * setting.page_s)
    return [read, program, _plain_estimate(setting, read, program)]


def _plain_estimate(setting: Setting, read: Figure, program: Figure) -> Figure:
    """Erase the chip, program every page, read it back: made up from the rates of a part."""
    erase_s = setting.part.chip_erase_ms_typ / 1e3
    times = setting.part.density_bytes / read.size
    return Figure(
        what=ESTIMATED,
        how="exchange",
        size=setting.part.density_bytes,
        seconds=erase_s + times * (read.seconds + program.seconds),
        floor_s=erase_s + times * (read.floor_s + program.floor_s),
        host_cpu_s=times * (read.host_cpu_s + program.host_cpu_s),
        note="put together from the rates of a part of the chip and a chip erase without a poll",
    )


def plain_in_full(setting: Setting, image: bytes) -> Figure:
    """The whole chip erased with polls, programmed and read back by exchanges, every one run."""
    with _plain_port(setting, b"\x00" * len(image)) as (bench, port), bench.watching() as watch:
        port.exchange(b"\x06")
        port.exchange(b"\xc7")
        while port.exchange(b"\x05", 1)[0] & 1:
            bench.time.wait_s(0.1)  # 400 polls of 40 s; without a wait they are 100,000
        _plain_program(port, 0, image)
        _plain_read(port, len(image))
    assert bench.chip.contents == image
    floor_s = (
        setting.part.chip_erase_ms_typ / 1e3
        + len(image) // PAGE * setting.page_s
        + len(image) * BYTE_S
    )
    return Figure.of(WHOLE_CHIP, "exchange", watch, len(image), floor_s)
