"""A share of every fault at every operation, in the normal run; `python -m tests.faults` does all.

Broken once to see it fail: suspect units taken for what they read, which left cells that drift.
What a whole last read finds is rare here; `tests/safe_write` holds it, and the full run does.
"""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import get_args

import pytest

from flashbench.rehearsal.faults import OUTCOMES, Fault, KillProcess
from tests.faults.outcome import Play, Verdict, fault_of
from tests.faults.points import FAMILIES, HALF_WRITTEN, Point

SEED = 7
MEMORY = Path("/dev/shm")


@pytest.fixture(scope="module")
def play() -> Iterator[Play]:
    with TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as scratch:
        yield Play(Path(scratch), seed=SEED)


def some_of_each_family(play: Play, state: str, step: str, count: int) -> list[tuple[int, Point]]:
    """`count` points of every family, chosen by the seed; fewer where there are fewer."""
    by_family: dict[str, list[tuple[int, Point]]] = {}
    for number, point in enumerate(play.points(state, step)):
        by_family.setdefault(point.family, []).append((number, point))
    random = Random(f"{SEED} {state} {step}")
    return [
        point
        for points in by_family.values()
        for point in random.sample(points, min(count, len(points)))
    ]


def test_every_fault_of_the_table_is_tried_and_every_one_tried_is_in_the_table() -> None:
    assert {fault_of(family) for family in FAMILIES} == set(OUTCOMES)


def test_every_kind_of_fault_that_can_be_armed_is_tried(play: Play) -> None:
    """Also as values: a row of the table may stand for several."""
    points = [*play.points("new", "dump"), *play.points("dumped", "write")]
    tried = {type(fault) for point in points for fault in (*point.wrong.faults, *point.wrong.chip)}

    assert set(get_args(Fault)) - tried == {KillProcess}  # ends the process by the chip's own file


def test_a_whole_job_has_a_few_hundred_operations(play: Play) -> None:
    traces = [play.trace("new", "dump"), play.trace("dumped", "write")]
    traces.append(play.trace("torn second erase", "restore"))

    assert [len(trace.operations) for trace in traces] == [0, 9, 24]
    assert sum(len(trace.frames) for trace in traces) > 250
    assert sum(trace.ending.transfers for trace in traces) > 250
    assert sum(trace.ending.file_operations for trace in traces) > 300


@pytest.mark.parametrize(
    ("state", "step", "of_each_family", "tried"),
    [
        ("new", "dump", 1, 63),
        ("dumped", "write", 2, 145),
        ("new chip of a known part", "to new chip", 1, 73),
    ],
)
def test_a_fault_at_any_operation_has_its_one_outcome(
    play: Play, state: str, step: str, of_each_family: int, tried: int
) -> None:
    verdicts = Counter(
        play.run(point, way=number)
        for number, point in some_of_each_family(play, state, step, of_each_family)
    )

    assert verdicts.total() == tried
    assert verdicts[Verdict.NOT_REACHED] < tried / 10
    assert min(verdicts[each] for each in (Verdict.DONE, Verdict.UNTOUCHED, Verdict.KILLED)) > 0


@pytest.mark.parametrize("step", ["finish", "restore"])
def test_a_fault_at_any_operation_of_a_recovery_has_its_one_outcome(play: Play, step: str) -> None:
    random = Random(f"{SEED} {step}")
    verdicts: Counter[Verdict] = Counter()
    for state in HALF_WRITTEN:
        points = list(enumerate(play.points(state, step)))
        for number, point in random.sample(points, 3):
            verdicts[play.run(point, way=number)] += 1

    assert verdicts.total() == 3 * len(HALF_WRITTEN)
    assert verdicts[Verdict.HALF_WRITTEN] > 10
