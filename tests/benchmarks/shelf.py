"""How long the list of a thousand jobs takes.

    python -m tests.benchmarks.shelf [--json] [--jobs N]

A tenth of the journals is as long as rewriting a 16 MiB chip makes them.
"""

import argparse
import json
import shutil
import sys
import tempfile
import time
from pathlib import Path

from flashbench.shelf.listing import read_shelf
from tests.builders.shelf import stand_up

RUNS = 3


def a_shelf(folder: Path, jobs: int) -> None:
    """So many jobs, all but two of them copies without the images, which the list never reads."""
    short = stand_up(folder, "short", board=1, written=True, boots=True, units=8)
    long = stand_up(folder, "long", board=2, written=True, boots=True, units=256)
    for number in range(2, jobs):
        pattern = long if number % 10 == 0 else short
        left_out = shutil.ignore_patterns("*.bin")
        shutil.copytree(pattern, folder / f"job-{number}", ignore=left_out)


def measured(jobs: int) -> dict[str, float]:
    """Seconds by the clock and of CPU, the quickest of a few."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        a_shelf(folder, jobs)
        runs = []
        for _ in range(RUNS):
            begun_s, cpu_s = time.perf_counter(), time.process_time()
            count = len(read_shelf(folder).entries)
            runs.append((time.process_time() - cpu_s, time.perf_counter() - begun_s))
    assert count == jobs
    cpu_s, seconds = min(runs)
    return {"jobs": jobs, "seconds": round(seconds, 3), "cpu_s": round(cpu_s, 3)}


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.shelf", description=__doc__)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object")
    parser.add_argument("--jobs", type=int, default=1000)
    asked = parser.parse_args(arguments)
    found = measured(asked.jobs)
    if asked.json:
        json.dump(found, sys.stdout)
        return
    sys.stdout.write(
        f"a list of {found['jobs']} jobs  {found['seconds']:.3f} s  CPU {found['cpu_s']:.3f} s\n"
    )


if __name__ == "__main__":
    main(sys.argv[1:])
