"""The duration shown before a write, beside the model time that the write then takes.

    python -m tests.benchmarks.durations [--json]

Several parts, edits and host gaps. The parts take what their own files say, which is not where
the durations come from.
"""

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random
from typing import Final

import flashbench as fb
from flashbench.rehearsal import NorPart, load_part
from flashbench.safe_write.duration import expected_seconds
from tests.benchmarks.wire import SCK_HZ, Setting, small_edit

PARTS: Final = ("W25Q128JV", "MX25L12835F")
GAPS_US: Final = (60.0, 125.0, 1000.0)
OFF_MAX: Final = 0.10

Edit = Callable[[bytes], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Duration:
    """One write of one chip: what was said and what it took, in seconds."""

    part: str
    gap_us: float
    edit: str
    said_s: float
    took_s: float

    @property
    def ratio(self) -> float:
        """Said beside taken."""
        return self.said_s / self.took_s


def scattered(image: bytes) -> bytes:
    """One byte of every 64 KiB goes to 00h: on parts without on-die ECC nothing is erased."""
    data = bytearray(image)
    for at in range(0x700, len(data), 1 << 16):
        data[at] = 0x00
    return bytes(data)


def a_sixteenth(image: bytes) -> bytes:
    """New contents in a sixteenth of the chip."""
    size = len(image) // 16
    return Random(2).randbytes(size) + image[size:]


EDITS: Final[dict[str, Edit]] = {
    "small edit": small_edit,
    "scattered": scattered,
    "a sixteenth": a_sixteenth,
}


def durations(part: NorPart, gap_us: float, image: bytes) -> Iterator[Duration]:
    """Every edit of one chip, one after another."""
    setting = Setting(adapter="FT232H", gap_us=gap_us, charge=False, part=part)
    bench, volts = setting.bench(image), setting.supply_volts
    with (
        bench.bench,
        tempfile.TemporaryDirectory() as folder,
        fb.open_adapter(bench.bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=volts)
        with fb.Job.create(Path(folder) / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            for name, edit in EDITS.items():
                image = edit(image)
                plan = fb.plan_rewrite(chip, backup, image)
                said_s = expected_seconds(plan)
                begun_s = bench.time.now_s()
                fb.verify(fb.rewrite(plan))
                took_s = bench.time.now_s() - begun_s
                yield Duration(
                    part=part.name, gap_us=gap_us, edit=name, said_s=said_s, took_s=took_s
                )


def measured(parts: Sequence[NorPart], gaps_us: Sequence[float]) -> list[Duration]:
    """Every part at every gap."""
    return [
        each
        for part in parts
        for gap_us in gaps_us
        for each in durations(part, gap_us, Random(1).randbytes(part.density_bytes))
    ]


def furthest_off(found: Sequence[Duration]) -> Duration:
    """The one that was said worst."""
    return max(found, key=lambda each: abs(each.ratio - 1))


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.durations", description=__doc__
    )
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object")
    asked = parser.parse_args(arguments)
    found = measured([load_part(name) for name in PARTS], GAPS_US)
    if asked.json:
        rows = [{**asdict(each), "said_of_taken": each.ratio} for each in found]
        json.dump({"durations": rows}, sys.stdout, indent=1)
    else:
        print_table(found)
    return 0 if abs(furthest_off(found).ratio - 1) <= OFF_MAX else 1


def print_table(found: Sequence[Duration]) -> None:
    """A line for each."""
    lines = [f"{'part':12}  gap  {'edit':12}{'said s':>9}{'took s':>9}{'of it':>8}"]
    lines += [
        f"{each.part:12} {each.gap_us:4.0f}  {each.edit:12}"
        f"{each.said_s:9.3f}{each.took_s:9.3f}{each.ratio:8.3f}"
        for each in found
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
