"""Wire speed on the virtual adapter, ours beside the plain way and the floor.

`python -m tests.benchmarks [--json]`. Seconds are model time: nothing here is a measurement of
hardware. CPU is measured, as process time with the virtual bench's share in it.

The plain way is pyftdi's public `SpiPort.exchange` with its defaults: reads of 4 KiB, a page at a
time with a poll by exchange. The floor is bits / SCK + the cells' typical times.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

from pyftdi.spi import SpiController

import flashbench as fb
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.rehearsal.usb_device import AdapterChip

SCK_HZ = 30_000_000
BYTE_S = 8 / SCK_HZ
CHIP_BYTES = 16 << 20
PLAIN_BYTES = 256 << 10  # the plain way is so slow that a part of the chip must do
PROGRAM_BYTES = 1 << 20
PAGE, PAGE_S, ERASE_4K_S, ERASE_64K_S = 256, 400e-6, 45e-3, 150e-3  # W25Q128JV Rev I, typical
GAPS_US = (60.0, 125.0, 250.0, 500.0, 1000.0)
ADAPTERS: tuple[AdapterChip, ...] = ("FT232H", "FT2232H")


class Watch:
    """Model seconds and CPU seconds of what runs inside it."""

    model_s = 0.0
    cpu_s = 0.0


@contextmanager
def watching(bench: Bench) -> Iterator[Watch]:
    watch = Watch()
    model, cpu = bench.time.now_s(), time.process_time()
    yield watch
    watch.model_s = bench.time.now_s() - model
    watch.cpu_s = time.process_time() - cpu


def figure(what: str, how: str, watch: Watch, size: int, floor_s: float) -> dict[str, Any]:
    """One row: kB/s and share of the floor in model time, CPU per MiB as measured."""
    return {
        "what": what,
        "how": how,
        "bytes": size,
        "model_s": watch.model_s,
        "floor_s": floor_s,
        "of_floor": floor_s / watch.model_s,
        "cpu_ms_per_mib": watch.cpu_s * 1000 / (size / (1 << 20)),
    }


def ours(adapter_chip: AdapterChip, gap_us: float, image: bytes) -> list[dict[str, Any]]:
    """Read of the whole chip; 1 MiB of other contents; a small edit from plan to proof."""
    rows = []
    with (
        in_memory_bench(contents=image, adapter=adapter_chip, host_gap_us=gap_us) as bench,
        tempfile.TemporaryDirectory() as folder,
        fb.open_adapter(bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=3.3)
        with watching(bench) as watch:
            reading.read_whole(chip, kind=ReadKind.FAST, sck_hz=SCK_HZ, step="read")
        rows.append(figure("read", "ours", watch, CHIP_BYTES, CHIP_BYTES * BYTE_S))
        with fb.Job.create(Path(folder) / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            small = bytearray(image)
            small[0x20010:0x20020] = b"\xff" * 16  # bits must rise: this takes an erase
            with watching(bench) as watch:
                fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, bytes(small))))
            cells_s = ERASE_4K_S + 16 * PAGE_S
            floor_s = 2 * CHIP_BYTES * BYTE_S + cells_s
            rows.append(figure("small edit, whole write", "ours", watch, CHIP_BYTES, floor_s))
            large = Random(2).randbytes(PROGRAM_BYTES) + bytes(small[PROGRAM_BYTES:])
            plan = fb.plan_rewrite(chip, backup, large)
            with watching(bench) as watch:
                fb.rewrite(plan)
            units, pages = PROGRAM_BYTES >> 16, PROGRAM_BYTES // PAGE
            floor_s = units * ERASE_64K_S + pages * PAGE_S + 4 * PROGRAM_BYTES * BYTE_S
            rows.append(figure("erase, program, read 3 x", "ours", watch, PROGRAM_BYTES, floor_s))
    return rows


def plain(adapter_chip: AdapterChip, gap_us: float, image: bytes) -> list[dict[str, Any]]:
    """The same wires through `SpiPort.exchange`."""
    rows = []
    with in_memory_bench(contents=image, adapter=adapter_chip, host_gap_us=gap_us) as bench:
        controller = SpiController()
        controller.configure(bench.device, interface=1, frequency=SCK_HZ)
        port = controller.get_port(cs=0, freq=SCK_HZ, mode=0)
        with watching(bench) as watch:
            for at in range(0, PLAIN_BYTES, 4096):
                port.exchange(b"\x0b" + at.to_bytes(3, "big") + b"\x00", 4096)
        rows.append(figure("read", "exchange", watch, PLAIN_BYTES, PLAIN_BYTES * BYTE_S))
        with watching(bench) as watch:
            for start in range(0, PLAIN_BYTES, 1 << 16):
                _exchange_change(port, b"\xd8" + start.to_bytes(3, "big"))
                for at in range(start, start + (1 << 16), PAGE):
                    data = image[-PLAIN_BYTES + at :][:PAGE]
                    _exchange_change(port, b"\x02" + at.to_bytes(3, "big") + data)
        units, pages = PLAIN_BYTES >> 16, PLAIN_BYTES // PAGE
        floor_s = units * ERASE_64K_S + pages * PAGE_S + PLAIN_BYTES * BYTE_S
        rows.append(figure("erase, program", "exchange", watch, PLAIN_BYTES, floor_s))
    return rows


def _exchange_change(port: Any, command: bytes) -> None:
    port.exchange(b"\x06")
    port.exchange(command)
    while port.exchange(b"\x05", 1)[0] & 1:
        pass


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON list")
    asked = parser.parse_args(arguments)
    image = Random(1).randbytes(CHIP_BYTES)
    rows: list[dict[str, Any]] = []
    for adapter_chip in ADAPTERS:
        for gap_us in GAPS_US:
            found = ours(adapter_chip, gap_us, image) + plain(adapter_chip, gap_us, image)
            rows += [{"adapter": adapter_chip, "host_gap_us": gap_us, **row} for row in found]
    if asked.json:
        json.dump(rows, sys.stdout, indent=1)
        return
    print("adapter  gap us  what                      how       MB/s   of floor  CPU ms/MiB")  # noqa: T201
    for row in rows:
        print(  # noqa: T201
            f"{row['adapter']:8} {row['host_gap_us']:6.0f}  {row['what']:24}  {row['how']:8}"
            f"  {row['bytes'] / row['model_s'] / 1e6:5.3f}  {row['of_floor']:7.3f}"
            f"  {row['cpu_ms_per_mib']:10.1f}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
