"""Speed on the virtual adapter: ours, the plain way, the floor; and the design's targets.

    python -m tests.benchmarks [--json] [--adapter FT232H] [--gap 125]

Wire seconds are model time: nothing here is a measurement of hardware. CPU is measured, the
virtual bench's own share taken out. "charged" is model time with that CPU on the same clock.
Beside it: `tests.benchmarks.plan`, `tests.benchmarks.inspection`, `tests.benchmarks.host`,
`tests.benchmarks.two_adapters`.
"""

import argparse
import json
import sys
from dataclasses import asdict, dataclass
from random import Random
from typing import Any

from flashbench.rehearsal.usb_device import AdapterChip
from tests.benchmarks import wire
from tests.benchmarks.wire import Figure, Setting

MIB = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One job, one way, in one setting: without and with the host's CPU on the clock."""

    adapter: AdapterChip
    gap_us: float
    plain_clock: Figure
    charged: Figure

    @property
    def cpu_ms_per_mib(self) -> float:
        cpu_s = min(self.plain_clock.host_cpu_s, self.charged.host_cpu_s)
        return cpu_s * 1000 / (self.charged.size / MIB)

    def share(self, figure: Figure) -> float:
        return figure.floor_s / figure.seconds

    def as_json(self) -> dict[str, Any]:
        figure = asdict(self.plain_clock)
        figure["model_s"] = figure.pop("seconds")
        del figure["host_cpu_s"]
        return {
            "adapter": self.adapter,
            "host_gap_us": self.gap_us,
            **figure,
            "charged_s": self.charged.seconds,
            "of_floor": self.share(self.plain_clock),
            "of_floor_charged": self.share(self.charged),
            "cpu_ms_per_mib": self.cpu_ms_per_mib,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A number of the design, and what came out."""

    what: str
    wanted: str
    found: str
    met: bool


def measure(adapter: AdapterChip, gap_us: float, image: bytes) -> tuple[list[Row], float]:
    """Every row of one setting, and duration said / taken of the small edit."""
    both: list[list[Figure]] = []
    said = 1.0
    for charge in (False, True):
        setting = Setting(adapter=adapter, gap_us=gap_us, charge=charge)
        figures, ratio = wire.ours(setting, image)
        said = said if charge else ratio
        both.append(figures + wire.plain(setting, image))
    rows = [
        Row(adapter=adapter, gap_us=gap_us, plain_clock=one, charged=two)
        for one, two in zip(*both, strict=True)
    ]
    return rows, said


def targets(rows: list[Row], said: float) -> list[Target]:
    """The design's numbers, from the rows of FT232H and 125 us."""
    by = {(row.plain_clock.what, row.plain_clock.how): row for row in rows}
    read, program = by[wire.READ, "ours"], by[wire.PROGRAM, "ours"]
    plain_read, plain_program = by[wire.READ, "exchange"], by[wire.PROGRAM, "exchange"]
    edit = by[wire.SMALL_EDIT, "ours"]
    read_share, program_share = read.share(read.charged), program.share(program.charged)
    cpu = read.cpu_ms_per_mib / plain_read.cpu_ms_per_mib
    faster = _rate(program.charged) / _rate(plain_program.charged)
    longer = edit.charged.seconds / edit.charged.floor_s
    return [
        _target("read, charged", ">= 0.98 of SCK / 8", f"{read_share:.3f}", read_share >= 0.98),
        _target("host CPU while reading", "<= 0.1 of exchange", f"{cpu:.3f}", cpu <= 0.1),
        _target(
            "program, charged",
            ">= 0.95 of wire + tPP",
            f"{program_share:.3f}",
            program_share >= 0.95,
        ),
        _target("program, charged", ">= 2 x plain loop", f"{faster:.2f} x", faster >= 2),
        _target("small edit, charged", "<= 1.05 of its floor", f"{longer:.3f}", longer <= 1.05),
        _target("time shown before", "within 10 %", f"{said:.3f} of it", abs(said - 1) <= 0.1),
    ]


def _rate(figure: Figure) -> float:
    return figure.size / figure.seconds


def _target(what: str, wanted: str, found: str, met: bool) -> Target:
    return Target(what=what, wanted=wanted, found=found, met=met)


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object")
    parser.add_argument("--adapter", choices=wire.ADAPTERS, action="append")
    parser.add_argument("--gap", type=float, action="append", metavar="US")
    asked = parser.parse_args(arguments)
    image = Random(1).randbytes(wire.CHIP_BYTES)
    rows: list[Row] = []
    met: list[Target] = []
    for adapter in asked.adapter or wire.ADAPTERS:
        for gap_us in asked.gap or wire.GAPS_US:
            found, said = measure(adapter, gap_us, image)
            rows += found
            if (adapter, gap_us) == ("FT232H", 125.0):
                met = targets(found, said)
    if asked.json:
        told = {
            "rows": [row.as_json() for row in rows],
            "targets": [asdict(target) for target in met],
        }
        json.dump(told, sys.stdout, indent=1)
        return
    print_tables(rows, met)


def print_tables(rows: list[Row], met: list[Target]) -> None:
    """The figures for eyes: MB/s of the model, shares of the floor, CPU."""
    lines = [
        "adapter  gap us  what                      how         MB/s  of floor  charged  CPU ms/MiB"
    ]
    lines += [
        f"{row.adapter:8} {row.gap_us:6.0f}  {row.plain_clock.what:24}  {row.plain_clock.how:8}"
        f"  {_rate(row.plain_clock) / 1e6:6.3f}  {row.share(row.plain_clock):8.3f}"
        f"  {row.share(row.charged):7.3f}  {row.cpu_ms_per_mib:10.1f}"
        for row in rows
    ]
    lines += [
        f"{target.what:24} {target.wanted:22} {target.found:12} {'met' if target.met else 'MISSED'}"
        for target in met
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
