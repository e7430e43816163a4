"""Read, program and write on the virtual adapter: ours, the plain way, and the floor.

The plain way is pyftdi's public `SpiPort.exchange` with its defaults: reads of 4 KiB, a page at
a time with a poll by exchange, whole-chip erase and rewrite. The floor is bits / SCK + the
cells' typical times (W25Q128JV Rev I).
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

from pyftdi.spi import SpiController

import flashbench as fb
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.rehearsal.usb_device import AdapterChip
from flashbench.safe_write._pages import PageProgrammer
from flashbench.safe_write.duration import expected_seconds
from tests.benchmarks.charged import ChargedBench, Watch

SCK_HZ = 30_000_000
BYTE_S = 8 / SCK_HZ
CHIP_BYTES = 16 << 20
PLAIN_BYTES = 256 << 10  # the plain way is so slow that a part of the chip must do
PROGRAM_BYTES = 1 << 20
PAGE, PAGE_S, ERASE_4K_S, ERASE_64K_S, ERASE_CHIP_S = 256, 400e-6, 45e-3, 150e-3, 40.0
PAGE_WIRE_S = (PAGE + 4 + 1) * BYTE_S  # 02h with its address and data, and 06h
GAPS_US = (60.0, 125.0, 250.0, 500.0, 1000.0)
ADAPTERS: tuple[AdapterChip, ...] = ("FT232H", "FT2232H")

READ, PROGRAM = "read", "program"
SMALL_EDIT = "small edit, whole write"
LARGE_EDIT = "erase, program, read 3 x"
REWRITE = "whole chip rewritten"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Where a figure was taken. `charge`: with the host's CPU on the clock."""

    adapter: AdapterChip
    gap_us: float
    charge: bool

    def bench(self, contents: bytes | None) -> ChargedBench:
        return ChargedBench(contents, adapter=self.adapter, gap_us=self.gap_us, charge=self.charge)


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
    """What the programming of pages takes inside, without what is around it."""
    watches: list[Watch] = []
    program = PageProgrammer.program

    def watched(self: PageProgrammer, *args: Any, **how: Any) -> None:
        with bench.watching() as watch:
            program(self, *args, **how)
        watches.append(watch)

    with patch.object(PageProgrammer, "program", watched):
        yield watches


def ours(setting: Setting, image: bytes) -> tuple[list[Figure], float]:
    """Our figures, and how long the small edit was said to take beside what it took."""
    bench = setting.bench(image)
    with (
        bench.bench,
        tempfile.TemporaryDirectory() as folder,
        fb.open_adapter(bench.bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=3.3)
        with bench.watching() as watch:
            reading.read_whole(chip, kind=ReadKind.FAST, sck_hz=SCK_HZ, step="read")
        figures = [Figure.of(READ, "ours", watch, CHIP_BYTES, CHIP_BYTES * BYTE_S)]
        with fb.Job.create(Path(folder) / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            small = bytearray(image)
            small[0x20010:0x20020] = b"\xff" * 16  # bits must rise: this takes an erase
            with bench.watching() as watch:
                plan = fb.plan_rewrite(chip, backup, bytes(small))
                said_s = expected_seconds(plan)
                begun_s = bench.time.now_s()
                fb.verify(fb.rewrite(plan))
                took_s = bench.time.now_s() - begun_s
            floor_s = 2 * CHIP_BYTES * BYTE_S + ERASE_4K_S + 16 * (PAGE_S + PAGE_WIRE_S)
            figures.append(Figure.of(SMALL_EDIT, "ours", watch, CHIP_BYTES, floor_s))
            large = Random(2).randbytes(PROGRAM_BYTES) + bytes(small[PROGRAM_BYTES:])
            plan = fb.plan_rewrite(chip, backup, large)
            with bench.watching() as watch, _pages_watched(bench) as pages:
                fb.rewrite(plan)
            figures += _large_figures(watch, pages)
    return figures, said_s / took_s


def _large_figures(whole: Watch, pages: list[Watch]) -> list[Figure]:
    units, page_count = PROGRAM_BYTES >> 16, PROGRAM_BYTES // PAGE
    pages_s = page_count * (PAGE_S + PAGE_WIRE_S)
    together = Watch()
    together.model_s = sum(watch.model_s for watch in pages)
    together.host_cpu_s = sum(watch.host_cpu_s for watch in pages)
    floor_s = units * ERASE_64K_S + pages_s + 3 * PROGRAM_BYTES * BYTE_S
    return [
        Figure.of(PROGRAM, "ours", together, PROGRAM_BYTES, pages_s),
        Figure.of(LARGE_EDIT, "ours", whole, PROGRAM_BYTES, floor_s),
    ]


def plain(setting: Setting, image: bytes) -> list[Figure]:
    """The same wires through `SpiPort.exchange`, on a chip that is blank where it programs."""
    half = PLAIN_BYTES
    bench = setting.bench(image[:half] + b"\xff" * (CHIP_BYTES - half))
    with bench.bench:
        controller = SpiController()
        controller.configure(bench.bench.device, interface=1, frequency=SCK_HZ)
        port = controller.get_port(cs=0, freq=SCK_HZ, mode=0)
        with bench.watching() as watch:
            for at in range(0, half, 4096):
                port.exchange(b"\x0b" + at.to_bytes(3, "big") + b"\x00", 4096)
        read = Figure.of(READ, "exchange", watch, half, half * BYTE_S)
        with bench.watching() as watch:
            for at in range(half, 2 * half, PAGE):
                port.exchange(b"\x06")
                port.exchange(b"\x02" + at.to_bytes(3, "big") + image[at : at + PAGE])
                while port.exchange(b"\x05", 1)[0] & 1:
                    pass
        pages_s = half // PAGE * (PAGE_S + PAGE_WIRE_S)
        program = Figure.of(PROGRAM, "exchange", watch, half, pages_s)
        controller.close(freeze=True)
    return [read, program, _plain_rewrite(read, program)]


def _plain_rewrite(read: Figure, program: Figure) -> Figure:
    """Erase the chip, program every page, read it back: made up from the rates of a part."""
    times = CHIP_BYTES / PLAIN_BYTES
    return Figure(
        what=REWRITE,
        how="exchange",
        size=CHIP_BYTES,
        seconds=ERASE_CHIP_S + times * (read.seconds + program.seconds),
        floor_s=ERASE_CHIP_S + times * (read.floor_s + program.floor_s),
        host_cpu_s=times * (read.host_cpu_s + program.host_cpu_s),
        note="put together from the rates of 256 KiB and a chip erase without a poll",
    )
