"""Every fault at every operation, recoveries too: `python -m tests.faults [--minutes M]`.

The first dump and the first write of the small chip take all their points; a write to a new chip,
the same steps on a part whose registers are known, and each recovery from each accident take of
every fault one point in so many, in an order that `--seed N` shuffles; after M minutes (20 unless
said) no new batch is begun.
Prints counts and adds them, with the seed, the command and the commit, to `results.json` here.
`--replay 'Point(...)'` plays the one point that a failure printed.
"""

import argparse
import json
import os
import re
import subprocess
import sys
import time
from collections import Counter, defaultdict, deque
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from flashbench.rehearsal import faults as fault_values
from tests.builders import disk
from tests.faults import points, scene
from tests.faults.outcome import Play, Verdict, Wrong, fault_of
from tests.faults.points import FIRST, HALF_WRITTEN, Point

RESULTS = Path(__file__).with_name("results.json")
_MEMORY = Path("/dev/shm")
BATCH = 50
TRIED_WHOLE = ("new", "dumped")


@dataclass(frozen=True)
class Batch:
    """Some of the points of one step from one state."""

    state: str
    step: str
    number: int


@dataclass
class Counts:
    """What came of the points of one task."""

    tried: "Counter[tuple[str, str, Verdict]]" = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def steps() -> Iterator[tuple[str, str]]:
    """The steps that are tried, each with the state it starts from."""
    yield from FIRST.items()
    for state in HALF_WRITTEN:
        yield state, "finish"
        yield state, "restore"


class Worker:
    """One process of the run: it makes each state once."""

    instance: "Worker"

    def __init__(self, seed: int, one_in: int) -> None:
        self._scratch = TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None)
        self._play = Play(Path(self._scratch.name), seed=seed)
        self._one_in = one_in

    @cache  # noqa: B019  # one worker, which lives as long as its process
    def picked(self, state: str, step: str) -> list[tuple[int, Point]]:
        """The points of a step that are tried, each with the way on after it."""
        everything = list(enumerate(self._play.points(state, step)))
        random = Random(f"{self._play.seed} {state} {step}")
        random.shuffle(everything)
        if state in TRIED_WHOLE:
            return everything
        by_family: dict[str, list[tuple[int, Point]]] = defaultdict(list)
        for numbered in everything:
            by_family[numbered[1].family].append(numbered)
        some = [one for family in by_family.values() for one in family[:: self._one_in]]
        random.shuffle(some)
        return some

    def carry_out(self, batch: Batch) -> Counts:
        """Play every point of a batch."""
        counts = Counts()
        points_of_step = self.picked(batch.state, batch.step)
        for way, point in points_of_step[batch.number * BATCH : (batch.number + 1) * BATCH]:
            try:
                verdict = self._play.run(point, way=way)
            except Wrong as error:
                counts.wrong.append(str(error))
            except Exception as error:
                counts.wrong.append(f"{type(error).__name__}: {error}\n{point!r}")
            else:
                counts.tried[_said_of(point), point.family, verdict] += 1
        return counts


def _said_of(point: Point) -> str:
    """The step and what chip it was played on, for the counts."""
    on = " on a new chip" if point.state.startswith("new chip") else ""
    part = ", known part" if "known part" in point.state else ""
    return point.step + (on if point.step in ("finish", "restore") else "") + part


def _begin(seed: int, one_in: int) -> None:
    Worker.instance = Worker(seed, one_in)


def _count(step: tuple[str, str]) -> int:
    return len(Worker.instance.picked(*step))


def _carry_out(batch: Batch) -> Counts:
    return Worker.instance.carry_out(batch)


def play_for(minutes: float, *, seed: int, one_in: int, after: int = 0) -> tuple[Counts, int]:
    """The counts of what was tried in that time, and how many points there are in all.

    With `after` so many points of the same seed are taken as played, by a run that time cut off.
    """
    ends_s = time.monotonic() + 60 * minutes
    total, planned = Counts(), 0
    with ProcessPoolExecutor(os.cpu_count(), initializer=_begin, initargs=(seed, one_in)) as pool:
        batches = []
        sizes = dict(zip(steps(), pool.map(_count, steps()), strict=True))
        for (state, step), count in sizes.items():
            planned += count
            batches += [Batch(state, step, n) for n in range(-(-count // BATCH))]
        Random(seed).shuffle(batches)
        waiting = deque(batches)
        while after > 0:
            played = waiting.popleft()
            size = min(BATCH, sizes[played.state, played.step] - BATCH * played.number)
            after, planned = after - size, planned - size
        running: set[Future[Counts]] = set()
        while waiting or running:
            while waiting and len(running) < 4 and time.monotonic() < ends_s:
                running.add(pool.submit(_carry_out, waiting.popleft()))
            if not running:
                break
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for counts in (future.result() for future in done):
                total.tried.update(counts.tried)
                total.wrong += counts.wrong
                for wrong in counts.wrong:
                    sys.stdout.write(f"WRONG: {wrong}\n\n")
                    sys.stdout.flush()
    return total, planned


def results(
    total: Counts, *, planned: int, seed: int, command: str, seconds: float
) -> dict[str, object]:
    """What is kept of a run."""
    by_step: dict[str, dict[str, dict[str, int]]] = defaultdict(lambda: defaultdict(dict))
    for (step, family, verdict), count in sorted(total.tried.items(), key=str):
        by_step[step][family][verdict.name] = count
    verdicts = Counter[str]()
    for (_, _, verdict), count in total.tried.items():
        verdicts[verdict.name] += count
    return {
        "command": command,
        "seed": seed,
        "commit": _commit(),
        "seconds": round(seconds),
        "planned": planned,
        "points": total.tried.total() + len(total.wrong),
        "wrong": len(total.wrong),
        "faults": len({fault_of(family) for _, family, _ in total.tried}),
        "verdicts": dict(sorted(verdicts.items())),
        "by_step": by_step,
    }


def _commit() -> str:
    said = subprocess.run(
        ["git", "describe", "--always", "--dirty"],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=False,
    )
    return said.stdout.strip()


def replay(text: str, seed: int) -> int:
    """Play the one point that a failure printed."""
    names = {**vars(points), **vars(scene), **vars(fault_values), **vars(disk)}
    point = eval(re.sub(r"<(Does\.\w+): '[^']*'>", r"\1", text), names)
    with TemporaryDirectory() as scratch:
        for way in (0, 1):
            (Path(scratch) / str(way)).mkdir()
            verdict = Play(Path(scratch) / str(way), seed=seed).run(point, way=way)
            sys.stdout.write(f"{verdict.value}\n")
    return 0


def main() -> int:
    """Run it; the exit status is 1 if a single point came out wrong, or was not played."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--one-in", type=int, default=20, help="of each fault, elsewhere")
    parser.add_argument("--after", type=int, default=0, help="points of this seed played before")
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--replay", metavar="POINT", help="the repr of a point that came out wrong")
    options = parser.parse_args()
    if options.replay is not None:
        return replay(options.replay, options.seed)
    begun_s = time.monotonic()
    total, planned = play_for(
        options.minutes, seed=options.seed, one_in=options.one_in, after=options.after
    )
    kept = results(
        total,
        planned=planned,
        seed=options.seed,
        command=" ".join(["python -m tests.faults", *sys.argv[1:]]),
        seconds=time.monotonic() - begun_s,
    )
    earlier = json.loads(options.results.read_text()) if options.results.exists() else []
    options.results.write_text(json.dumps([*earlier, kept], indent=1) + "\n")
    sys.stdout.write(
        f"{kept['points']} of {planned} points of {kept['faults']} faults in {kept['seconds']} s,"
        f" {kept['wrong']} wrong: {kept['verdicts']}\n"
    )
    return bool(total.wrong) or total.tried.total() < planned


if __name__ == "__main__":
    sys.exit(main())
