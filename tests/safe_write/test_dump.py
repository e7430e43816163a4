"""What a dump does beside its two reads: the clock before, a closer look where they differ."""

from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ReadsUnsteady
from flashbench.job.events import ReadDisagreed
from flashbench.job.refusals import JobMissing
from flashbench.rehearsal.faults import Fault, MisoFlips, MisoSettlesLate, UnstableCells
from flashbench.safe_write.dump import Dumped, dump
from flashbench.safe_write.stable_read import ReadsDisagree
from flashbench.safe_write.working_clock import dumped_at_hz
from tests.builders.bench import SMALL, TINY, Board

WEAK = UnstableCells(start=0x8A000, length=0x100, bits=6, seed=1)


def dumped(board: Board, folder: Path, *faults: Fault, clock_hz: int = 30_000_000) -> Dumped:
    with board.visit(*faults, clock_hz=clock_hz) as visit:
        with visit.adapter.clock_limited_to(1_000_000):
            chip = visit.identify()
        try:
            with fb.Job.open(folder) as job:
                return dump(chip, job)
        except JobMissing:
            with fb.Job.create(folder, chip) as job:
                return dump(chip, job)


def test_a_dump_works_one_step_below_the_fastest_stable_clock(tmp_path: Path) -> None:
    found = dumped(Board(SMALL), tmp_path / "job")

    assert found.clock is not None
    assert (found.clock.stable_hz, found.clock.clock_hz) == (30_000_000, 15_000_000)
    assert found.read.ways[0].startswith("fast read at 15 MHz")


@pytest.mark.parametrize(
    "fault",
    [MisoFlips(rate=1e-3, above_hz=8e6), MisoSettlesLate(above_hz=8e6)],
    ids=["noise above 8 MHz", "a line that settles late above 8 MHz"],
)
def test_leads_too_long_for_the_clock_only_slow_a_dump_down(fault: Fault, tmp_path: Path) -> None:
    board = Board(SMALL)

    found = dumped(board, tmp_path / "job", fault)

    assert found.clock is not None
    assert (found.clock.stable_hz, found.clock.clock_hz) == (7_500_000, 6_000_000)
    assert found.backup.image == board.original


def test_the_clock_of_the_adapter_is_the_limit(tmp_path: Path) -> None:
    found = dumped(Board(SMALL), tmp_path / "job", clock_hz=6_000_000)

    assert found.clock is not None
    assert found.clock.clock_hz == 6_000_000
    assert found.clock.stable_hz == 7_500_000


def test_a_dump_that_is_refused_says_in_which_ways_it_read(tmp_path: Path) -> None:
    with pytest.raises(ReadsDisagree) as refused:
        dumped(Board(SMALL), tmp_path / "job", WEAK)

    assert [way.split(" at ")[0] for way in refused.value.ways] == ["fast read", "plain read"]


def test_settling_the_clock_costs_little_beside_the_reads(tmp_path: Path) -> None:
    board = Board(SMALL)
    steps: dict[str, float] = {}
    with board.visit() as visit:
        chip = visit.identify()

        def told(step: str, done: int, total: int, left_s: float | None) -> None:
            steps.setdefault(step, visit.bench.time.now_s())

        with fb.Job.create(tmp_path / "job", chip) as job:
            began = visit.bench.time.now_s()
            dump(chip, job, progress=told)
            ended = visit.bench.time.now_s()

    assert steps["first read"] - began < 0.2 * (ended - steps["first read"])


def test_a_bad_contact_is_told_before_the_first_whole_read(tmp_path: Path) -> None:
    with pytest.raises(ReadsUnsteady, match="contact, supply or clock, not the cells"):
        dumped(Board(SMALL), tmp_path / "job", MisoFlips(rate=2e-5, seed=3))

    assert not list((tmp_path / "job" / "round-1").glob("doubtful*"))


def test_weak_cells_are_told_from_a_bad_contact_and_the_reads_are_kept(tmp_path: Path) -> None:
    with pytest.raises(ReadsDisagree) as refused:
        dumped(Board(SMALL), tmp_path / "job", WEAK)

    assert "Looked at again around 08A0" in refused.value.seen
    assert "It is the same addresses at each try" in refused.value.seen
    assert "weak cells in the chip, not the contact" in refused.value.seen
    assert "flashbench check-contact --supply 1.8 --around 8A0" in refused.value.next_step
    assert len(refused.value.kept) == 2


def test_the_count_is_compared_with_the_last_try_and_journalled(tmp_path: Path) -> None:
    board, folder = Board(SMALL), tmp_path / "job"
    with pytest.raises(ReadsDisagree) as first:
        dumped(board, folder, WEAK)
    assert "At the last try" not in first.value.seen
    assert first.value.difference is not None

    with pytest.raises(ReadsDisagree) as second:
        dumped(board, folder, UnstableCells(start=0x8A000, length=0x100, bits=2, seed=1))

    assert second.value.difference is not None
    before, now = first.value.difference.byte_count, second.value.difference.byte_count
    assert f"At the last try {before} differed, now {now}." in second.value.seen
    with fb.Job.open(folder) as job:
        counts = [e.byte_count for e in job.story if isinstance(e, ReadDisagreed)]
    assert counts == [before, now]


def test_weak_cells_where_the_clock_is_tried_do_not_stop_the_dump_before_its_reads(
    tmp_path: Path,
) -> None:
    """Every sample is weak, so the clock cannot be found; both reads are taken and kept."""
    everywhere = tuple(
        UnstableCells(start=start, length=0x1000, bits=4, seed=start)
        for start in range(0, 1 << 20, 1 << 14)
    )
    with pytest.raises(ReadsDisagree) as refused:
        dumped(Board(SMALL), tmp_path / "job", *everywhere)

    assert len(refused.value.kept) == 2


def test_a_job_knows_the_clock_that_its_chip_was_dumped_at(tmp_path: Path) -> None:
    with Board(TINY).visit(clock_hz=5_000_000) as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job:
            before = dumped_at_hz(job)
            fb.back_up(fb.read_twice(chip), job)

            assert (before, dumped_at_hz(job)) == (None, 5_000_000)
