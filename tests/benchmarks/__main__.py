"""Speed on the virtual adapter: ours, the plain way, the floor; and the design's targets.

    python -m tests.benchmarks [--json] [--adapter FT232H] [--gap 125]

Wire seconds are model time: nothing here is a measurement of hardware. CPU is measured, the
virtual bench's own share taken out. "charged" is model time with that CPU on the same clock. The
setting of the targets (FT232H, 125 us) also runs the plain rewrite of a whole chip in full, and
several writes beside the time that is shown before them. Exit status 1 if a target is missed.
Beside it: `tests.benchmarks.plan`, `tests.benchmarks.inspection`, `tests.benchmarks.host`,
`tests.benchmarks.two_adapters`, `tests.benchmarks.durations`, `tests.benchmarks.shelf`.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random
from typing import Any

from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.usb_device import AdapterChip
from tests.benchmarks import durations, wire
from tests.benchmarks.durations import Duration
from tests.benchmarks.wire import Figure, Setting

MIB = 1 << 20
TARGET_SETTING: tuple[AdapterChip, float] = ("FT232H", 125.0)


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


def measure(adapter: AdapterChip, gap_us: float, part: NorPart, image: bytes) -> list[Row]:
    """Every row of one setting."""
    both: list[list[Figure]] = []
    for charge in (False, True):
        setting = Setting(adapter=adapter, gap_us=gap_us, charge=charge, part=part)
        figures = wire.ours(setting, image) + wire.plain(setting, image)
        if (adapter, gap_us) == TARGET_SETTING:
            figures.append(wire.plain_in_full(setting, image))
        both.append(figures)
    return [
        Row(adapter=adapter, gap_us=gap_us, plain_clock=one, charged=two)
        for one, two in zip(*both, strict=True)
    ]


def targets(rows: list[Row], shown: Sequence[Duration]) -> list[Target]:
    """The design's numbers, from the rows of FT232H and 125 us."""
    by = {(row.plain_clock.what, row.plain_clock.how): row for row in rows}
    read, program = by[wire.READ, "ours"], by[wire.PROGRAM, "ours"]
    plain_read, plain_program = by[wire.READ, "exchange"], by[wire.PROGRAM, "exchange"]
    edit = by[wire.SMALL_EDIT, "ours"]
    read_share, program_share = read.share(read.charged), program.share(program.charged)
    cpu = read.cpu_ms_per_mib / plain_read.cpu_ms_per_mib
    faster = _rate(program.charged) / _rate(plain_program.charged)
    longer = edit.charged.seconds / edit.charged.floor_s
    said = durations.furthest_off(shown).ratio
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
        _target(
            f"time shown, {len(shown)} writes",
            "within 10 %",
            f"{said:.3f} of it",
            abs(said - 1) <= durations.OFF_MAX,
        ),
    ]


def estimate_off(rows: Sequence[Row]) -> float | None:
    """How much longer the plain way was said to take for a whole chip than it took, if it ran."""
    by = {row.plain_clock.what: row.plain_clock.seconds for row in rows}
    if wire.WHOLE_CHIP not in by:
        return None
    return by[wire.ESTIMATED] / by[wire.WHOLE_CHIP] - 1


def machine() -> dict[str, Any]:
    """Where this was measured."""
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "system": f"{platform.system()} {platform.release()}",
        "python": platform.python_version(),
        "commit": _commit(),
    }


def _processor() -> str:
    try:
        told = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.processor() or platform.machine()
    names = [line.partition(":")[2].strip() for line in told.splitlines() if "model name" in line]
    return names[0] if names else platform.machine()


def _commit() -> str:
    """The commit that is checked out, with a mark if a file of it was changed since."""

    def git(*arguments: str) -> str:
        ran = subprocess.run(
            ["git", *arguments],
            cwd=Path(__file__).parent,
            capture_output=True,
            text=True,
            check=False,
        )
        return ran.stdout.strip()

    changed = git("status", "--porcelain", "--untracked-files=no")
    return (git("rev-parse", "--short", "HEAD") or "unknown") + (" and changes" if changed else "")


def _rate(figure: Figure) -> float:
    return figure.size / figure.seconds


def _target(what: str, wanted: str, found: str, met: bool) -> Target:
    return Target(what=what, wanted=wanted, found=found, met=met)


def main(
    arguments: list[str],
    part: NorPart = wire.PART,
    shown_parts: Sequence[NorPart] | None = None,
    shown_gaps_us: Sequence[float] = durations.GAPS_US,
) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object")
    parser.add_argument("--adapter", choices=wire.ADAPTERS, action="append")
    parser.add_argument("--gap", type=float, action="append", metavar="US")
    asked = parser.parse_args(arguments)
    image = Random(1).randbytes(part.density_bytes)
    rows: list[Row] = []
    met: list[Target] = []
    shown: list[Duration] = []
    off: float | None = None
    for adapter in asked.adapter or wire.ADAPTERS:
        for gap_us in asked.gap or wire.GAPS_US:
            found = measure(adapter, gap_us, part, image)
            rows += found
            if (adapter, gap_us) == TARGET_SETTING:
                parts = shown_parts or [load_part(name) for name in durations.PARTS]
                shown = durations.measured(parts, shown_gaps_us)
                met, off = targets(found, shown), estimate_off(found)
    if asked.json:
        told = {
            "machine": machine(),
            "rows": [row.as_json() for row in rows],
            "durations": [{**asdict(each), "said_of_taken": each.ratio} for each in shown],
            "whole_chip_estimate_off": off,
            "targets": [asdict(target) for target in met],
        }
        json.dump(told, sys.stdout, indent=1)
    else:
        print_tables(rows, shown, met, off)
    return 0 if all(target.met for target in met) else 1


def print_tables(
    rows: Sequence[Row], shown: Sequence[Duration], met: Sequence[Target], off: float | None
) -> None:
    """The figures for eyes, none wider than 80 columns: MB/s of the model, of the floor, CPU."""
    here = machine()
    say = sys.stdout.write
    say(f"{here['processor']}, {here['cores']} cores, {here['system']}\n")
    say(f"Python {here['python']}, commit {here['commit']}\n\n")
    say(
        f"{'adapter':7} {'gap':>4}  {'what':22}  {'how':8} {'MB/s':>6} {'floor':>6}"
        f" {'charged':>7} {'CPU':>7}\n"
    )
    for row in rows:
        figure = row.plain_clock
        say(
            f"{row.adapter:7} {row.gap_us:4.0f}  {figure.what:22}  {figure.how:8}"
            f" {_rate(figure) / 1e6:6.3f} {row.share(figure):6.3f}"
            f" {row.share(row.charged):7.3f} {row.cpu_ms_per_mib:7.1f}\n"
        )
    if off is not None:
        say(f"\nthe estimate of the whole chip is {off:+.2%} off the time of the run\n")
    if shown:
        say("\n")
        durations.print_table(shown)
    if met:
        say("\n")
    for target in met:
        verdict = "met" if target.met else "MISSED"
        say(f"{target.what:24} {target.wanted:22} {target.found:12} {verdict}\n")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
