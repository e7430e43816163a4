"""Two adapters, two jobs, two processes at once on one machine, beside one alone.

    python -m tests.benchmarks.two_adapters [--json]

Each process has its own virtual adapter and chip of 16 MiB, dumps it and writes a small edit.
"charged" is model time with the CPU of the thread that drives the adapter on the same clock:
were there a lock or a queue between the two, or a core too few, it would grow.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import IO, Any

import flashbench as fb
from tests.benchmarks import wire
from tests.benchmarks.wire import SCK_HZ, Setting

ROUNDS = 3
GAP_US = 125.0


def work(folder: Path) -> None:
    """One board: made ready, then a line on stdin starts it; the figures on stdout."""
    image = Random(1).randbytes(wire.CHIP_BYTES)
    bench = Setting(adapter="FT232H", gap_us=GAP_US, charge=True).bench(image)
    target = bytearray(image)
    target[0x20010:0x20020] = b"\xff" * 16
    with (
        bench.bench,
        fb.open_adapter(bench.bench.device, clock_hz=SCK_HZ, time=bench.time) as adapter,
    ):
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        sys.stdin.readline()
        begun_s, cpu_s = time.perf_counter(), time.process_time()
        with bench.watching() as watch:
            chip = fb.identify(adapter, supply_volts=3.3)
            with fb.Job.create(folder / "job", chip) as job:
                backup = fb.back_up(fb.read_twice(chip), job)
                fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, bytes(target))))
        figures = {
            "charged_s": watch.model_s,
            "on_the_clock_s": bench.time.charged_s,
            "cpu_s": time.process_time() - cpu_s,
            "wall_s": time.perf_counter() - begun_s,
        }
    sys.stdout.write(json.dumps(figures) + "\n")


def together(count: int) -> list[dict[str, Any]]:
    """So many processes, started at one moment."""
    with tempfile.TemporaryDirectory() as folder:
        workers = []
        for number in range(count):
            place = Path(folder) / str(number)
            place.mkdir()
            me = [sys.executable, "-m", "tests.benchmarks.two_adapters", "--work", str(place)]
            workers.append(
                subprocess.Popen(me, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            )
        for worker in workers:
            _pipe(worker.stdout).readline()
        for worker in workers:
            _pipe(worker.stdin).write("go\n")
            _pipe(worker.stdin).flush()
        return [json.loads(worker.communicate()[0]) for worker in workers]


def _pipe(pipe: IO[str] | None) -> IO[str]:
    assert pipe is not None
    return pipe


def best(rounds: Sequence[list[dict[str, Any]]]) -> dict[str, Any]:
    """The quickest round, by its slowest process: what slowed the others was not flashbench."""
    slowest = [max(found, key=lambda each: each["charged_s"]) for found in rounds]
    return min(slowest, key=lambda each: each["charged_s"])


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.two_adapters", description=__doc__
    )
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--work", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.work:
        work(Path(asked.work))
        return
    alone = best([together(1) for _ in range(ROUNDS)])
    both = best([together(2) for _ in range(ROUNDS)])
    if asked.json:
        json.dump({"alone": alone, "two at once": both}, sys.stdout, indent=1)
        return
    for name, found in (("alone", alone), ("two at once, slower one", both)):
        sys.stdout.write(
            f"{name:24} charged {found['charged_s']:7.3f} s, of it CPU"
            f" {found['on_the_clock_s']:6.3f} s;"
            f" CPU with the bench's {found['cpu_s']:6.3f} s, wall {found['wall_s']:6.3f} s\n"
        )
    sys.stdout.write(f"ratio of charged times   {both['charged_s'] / alone['charged_s']:.4f}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
