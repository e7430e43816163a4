"""Programming where no two pages take as long: `python -m tests.benchmarks.uneven_pages`.

Model time of a chip with a typical tPP of 400 us on an FT232H at 30 MHz, erases left out. Beside
ours the plain loop: a page at a time by `SpiPort.exchange`, polled until it is idle.
"""

import argparse
import json
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from random import Random

from pyftdi.spi import SpiController

import flashbench as fb
from flashbench.chip.profile import Address
from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.rehearsal.faults import Fault, SlowOperation, UnevenTimes
from flashbench.safe_write._pages import Page, PageProgrammer
from flashbench.safe_write._sender import Sender
from tests.builders.bench import SMALL, edited

SCK_HZ = 30_000_000
PART = replace(SMALL, program_us_typ=400)
MIB = PART.density_bytes
PAGE, UNIT = 256, 64 << 10
SEED = 7
CASES: dict[str, tuple[Fault, ...]] = {
    "all alike": (),
    "0.2 % take 4 x as long": (UnevenTimes(slow_share=0.002, seed=SEED),),
    "0 to 20 % longer": (UnevenTimes(spread=0.2, seed=SEED),),
    "both": (UnevenTimes(spread=0.2, slow_share=0.002, seed=SEED),),
    "one takes 4 x as long": (SlowOperation(at_operation=500, factor=4),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One kind of chip: kilobytes of a thousand bytes in a second of model time."""

    case: str
    ours_1_mib: float
    ours_4_mib: float
    plain: float


def ours_kb_s(faults: Iterable[Fault], *, mib: int = 1, gap_us: float = 125) -> float:
    """Blank cells filled with noise, in units of 64 KiB as a write does."""
    image = Random(1).randbytes(MIB)
    pages = [Page(Address(at), image[at : at + PAGE], b"\xff" * PAGE) for at in range(0, MIB, PAGE)]
    first = edited(b"\xff" * MIB, (0x8000, b"told apart from no chip"))
    bench = in_memory_bench(part=PART, contents=first, host_gap_us=gap_us, faults=faults)
    with (
        tempfile.TemporaryDirectory() as folder,
        bench,
        fb.open_adapter(bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=1.8)
        with fb.Job.create(Path(folder) / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            plan = fb.plan_rewrite(chip, backup, image)
            with plan.running():
                programmer = PageProgrammer(Sender(plan), chip.profile)
                seconds = sum(_round_s(bench, programmer, pages) for _ in range(mib))
        if bench.chip.contents != image:
            raise AssertionError("not programmed as asked")
    return mib * MIB / seconds / 1000


def _round_s(bench: Bench, programmer: PageProgrammer, pages: list[Page]) -> float:
    bench.chip.areas["cells"][0:MIB] = b"\xff" * MIB
    begun_s = bench.time.now_s()
    for at in range(0, len(pages), UNIT // PAGE):
        programmer.program(pages[at : at + UNIT // PAGE], idle=lambda: None)
    return bench.time.now_s() - begun_s


def plain_kb_s(faults: Iterable[Fault], *, size: int = MIB // 4, gap_us: float = 125) -> float:
    """The loop of pages and polls, by pyftdi's public `SpiPort.exchange`."""
    image = Random(1).randbytes(size)
    with in_memory_bench(part=PART, host_gap_us=gap_us, faults=faults) as bench:
        controller = SpiController()
        controller.configure(bench.device, interface=1, frequency=SCK_HZ)
        port = controller.get_port(cs=0, freq=SCK_HZ, mode=0)
        begun_s = bench.time.now_s()
        for at in range(0, size, PAGE):
            port.exchange(b"\x06")
            port.exchange(b"\x02" + at.to_bytes(3, "big") + image[at : at + PAGE])
            while port.exchange(b"\x05", 1)[0] & 1:
                pass
        seconds = bench.time.now_s() - begun_s
        controller.close(freeze=True)
    return size / seconds / 1000


def rows() -> list[Row]:
    """All cases, ours and plain."""
    return [
        Row(
            case=case,
            ours_1_mib=ours_kb_s(faults),
            ours_4_mib=ours_kb_s(faults, mib=4),
            plain=plain_kb_s(faults),
        )
        for case, faults in CASES.items()
    ]


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.uneven_pages", description=__doc__
    )
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object")
    found = rows()
    if parser.parse_args(arguments).json:
        json.dump({"rows": [asdict(row) for row in found]}, sys.stdout, indent=1)
        return
    lines = ["pages                    ours, 1 MiB  4 MiB  plain loop   kB/s, model time"]
    lines += [
        f"{row.case:24} {row.ours_1_mib:11.0f} {row.ours_4_mib:6.0f} {row.plain:11.0f}"
        for row in found
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
