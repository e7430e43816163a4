"""What the steps say and refuse around a write: whole sentences, and the few sums they make."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

import flashbench as fb
from flashbench.chip.profile import ChipProfile
from flashbench.job.refusals import StepRefused
from flashbench.job.round_reader import BestReadingFile
from flashbench.safe_write._sender import WORN_FACTOR, Sender
from flashbench.safe_write.best_reading import unstable_ranges
from flashbench.safe_write.between_rounds import start_of_edit
from flashbench.safe_write.comparison import compare
from flashbench.safe_write.duration import measure_bus
from flashbench.safe_write.steps import (
    demand_new_image,
    demand_unfinished,
    job_to_dump_into,
    longest_stop_s,
    protection_in_the_way,
)
from tests.builders import bench
from tests.builders.bench import SMALL, Board
from tests.builders.job import IMAGE, ORIGINAL, a_dumped_job


def test_a_chip_that_holds_an_image_is_not_called_the_original_that_differs_by_a_byte(
    tmp_path: Path,
) -> None:
    board = Board(SMALL)
    folder = bench.a_dumped_job(board, tmp_path / "job")
    image = bench.edited(board.original, (0x5010, bytes([board.original[0x5010] ^ 1])))
    with board.visit() as visit:
        bench.write(visit, folder, image)

    with board.visit() as visit, fb.Job.open(folder) as job:
        found = compare(visit.identify(), job)

    assert (found.equals, found.nearest, found.differing_bytes) == ("image 1", "image 1", 0)


def test_a_stop_takes_a_worn_erase_and_then_the_writes_of_the_registers(tmp_path: Path) -> None:
    with Board(SMALL).visit() as visit:
        chip = visit.identify()

    slowest_ms = max(kind.ms_max for part in chip.profile.regions for kind in part.kinds)
    registers_ms = len(chip.registers) * chip.profile.status_write_ms_max
    assert registers_ms > 0
    assert longest_stop_s(chip) == pytest.approx((WORN_FACTOR * slowest_ms + registers_ms) / 1000)


class _Asked(Sender):
    """A sender that only notes how long it would wait."""

    def __init__(self, profile: ChipProfile) -> None:
        self.chip = SimpleNamespace(profile=profile)  # type: ignore[assignment]
        self.limit_ms = 0.0

    def wait_idle(
        self, *, expected_ms: float, limit_ms: float, doing: str, since_s: float | None = None
    ) -> float:
        self.limit_ms = limit_ms
        return 0.0


def test_a_chip_that_is_only_programmed_settles_within_a_register_write() -> None:
    with Board(SMALL).visit() as visit:
        profile = visit.identify().profile
    without_erase = _Asked(replace(profile, regions=(), chip_erase=None))

    without_erase.settle()

    assert without_erase.limit_ms == profile.status_write_ms_max


def test_what_the_bus_takes_beside_the_bits_does_not_depend_on_the_clock() -> None:
    def frame_s(clock_hz: int) -> float:
        with Board(SMALL).visit(clock_hz=clock_hz) as visit:
            return measure_bus(visit.identify()).frame_s

    assert frame_s(1_000_000) == pytest.approx(frame_s(30_000_000), abs=10e-6)


def test_an_edit_of_round_1_puts_nothing_back(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        start = start_of_edit(job)

    assert (start.image, start.put_back_bytes, start.kept) == (ORIGINAL, 0, ())


def test_the_same_image_again_is_refused_with_the_command_that_writes_it(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        with pytest.raises(StepRefused) as refused:
            demand_new_image(job, ORIGINAL, IMAGE)

    assert refused.value.seen == "Job job has this very image already, as image 1."
    assert refused.value.next_step == f"Write it: flashbench write {tmp_path / 'job'} --image 1"


def test_nothing_to_finish_names_both_ways_a_write_can_begin(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    with a_dumped_job(folder) as job, pytest.raises(StepRefused) as refused:
        demand_unfinished(job)

    assert refused.value.next_step == (
        f"To write its image: flashbench write {folder}  (original: flashbench restore {folder})"
    )


def test_a_second_dump_is_refused_with_the_way_for_this_chip_and_for_another(
    tmp_path: Path,
) -> None:
    a_dumped_job(tmp_path / "job").close()

    with pytest.raises(StepRefused) as refused:
        job_to_dump_into(tmp_path / "job")

    assert refused.value.next_step == (
        "If the board ran since and its chip is back, add --again for a new round; for another"
        " chip name another folder."
    )


@pytest.mark.parametrize(
    ("listed_to", "ranges"),
    [
        (48, (range(4, 8), range(16, 32), range(48, 64))),
        (64, (range(4, 8), range(16, 32))),
    ],
)
def test_what_lies_beyond_a_cut_list_counts_as_unstable(
    listed_to: int, ranges: tuple[range, ...]
) -> None:
    found = BestReadingFile(
        data=bytes(64),
        path=Path("best-reading.bin"),
        unstable={"unstable": [[4, 8], [16, 32]], "listed_to": listed_to},
        saved=None,  # type: ignore[arg-type]
    )

    assert unstable_ranges(found) == ranges


@pytest.mark.parametrize(
    ("at", "protected"), [(0x5010, ()), (0xF8010, (range(0xF0000, 0x100000),))]
)
def test_a_protection_is_in_the_way_of_what_it_covers_only(
    at: int, protected: tuple[range, ...], tmp_path: Path
) -> None:
    board = Board(SMALL)
    board.chip.preset_register("SR1", 0x04)
    folder = bench.a_dumped_job(board, tmp_path / "job")
    image = bench.edited(board.original, (at, b"a new memory"))

    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)

    assert protection_in_the_way(plan) == protected
