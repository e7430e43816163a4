"""The duration shown before a write, beside the model time that the write then takes."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten
from flashbench.rehearsal import NorPart, in_memory_bench, load_part
from flashbench.rehearsal.faults import Fault, MisoFlips
from flashbench.safe_write.duration import expected_seconds
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.working_clock import at_working_clock
from tests.builders.bench import (
    SLOW_CLOCKED,
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    edited,
    firmware,
)

Edit = Callable[[bytes], bytes]

SMALL_AS_ITS_ROW = replace(SMALL, chip_erase_ms_typ=2000)
"""The chip erase of the table's row for W25Q80BW, not of the larger part it was made from."""


def one_sector(image: bytes) -> bytes:
    return edited(image, (0x5000, b"\xff" * 16))


def falling_bits(image: bytes) -> bytes:
    return edited(image, (0x5000, bytes([image[0x5000] & 0x0F])))


def a_sector_in_every_block(image: bytes) -> bytes:
    return edited(image, *((at, b"\xff" * 4) for at in range(0x1000, len(image), 0x10000)))


def half_of_it(image: bytes) -> bytes:
    half = len(image) // 2
    return Random(3).randbytes(half) + image[half:]


def zeros_all_over(image: bytes) -> bytes:
    return edited(image, *((at, b"\x00") for at in range(0x700, len(image), 0xDA0)))


def nearly_blank(image: bytes) -> bytes:
    return edited(b"\xff" * len(image), (0, firmware(0x8000, seed=7)))


def shown_and_taken(visit: Visit, plan: Plan) -> tuple[float, float]:
    shown = expected_seconds(plan)
    begun = visit.bench.time.now_s()
    fb.verify(fb.rewrite(plan))
    return shown, visit.bench.time.now_s() - begun


FAST, SLOW = 30_000_000, 1_000_000


@pytest.mark.parametrize(
    ("part", "edit", "clock_hz"),
    [
        (SMALL, one_sector, FAST),
        (SMALL, one_sector, SLOW),
        (SMALL, falling_bits, FAST),
        (SMALL, falling_bits, SLOW),
        (SMALL, a_sector_in_every_block, FAST),
        (SMALL, half_of_it, FAST),
        (SMALL, half_of_it, SLOW),
        (SMALL_AS_ITS_ROW, nearly_blank, FAST),
        (SLOW_CLOCKED, zeros_all_over, FAST),
        (SLOW_CLOCKED, half_of_it, FAST),
        (TINY, one_sector, FAST),
        (load_part("MX25L12835F"), one_sector, FAST),
        (load_part("W25Q256JV"), one_sector, FAST),
    ],
    ids=lambda value: getattr(value, "name", getattr(value, "__name__", None)),
)
def test_a_write_takes_as_long_as_was_said(
    part: NorPart, edit: Edit, clock_hz: int, tmp_path: Path
) -> None:
    board = Board(part)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit(clock_hz=clock_hz) as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), edit(board.original))

        shown, taken = shown_and_taken(visit, plan)

    assert plan.cells.chip_erase == (edit is nearly_blank)
    assert shown == pytest.approx(taken, rel=0.10)


@pytest.mark.parametrize(
    ("edit", "leads", "clocks"),
    [
        (half_of_it, (), (15_000_000, 10_000_000)),
        (half_of_it, (MisoFlips(rate=1e-3, above_hz=8e6),), (6_000_000, 3_750_000)),
        (one_sector, (), (15_000_000, 10_000_000)),
    ],
)
def test_a_write_at_the_clocks_that_were_found_takes_as_long_as_was_said(
    edit: Edit, leads: tuple[Fault, ...], clocks: tuple[int, int], tmp_path: Path
) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit(*leads, clock_hz=FAST) as visit, fb.Job.open(folder) as job:
        with visit.adapter.clock_limited_to(SLOW):
            chip = visit.identify()
        with at_working_clock(chip, to_change=True) as found:
            plan = fb.plan_rewrite(chip, fb.reload_backup(job), edit(board.original))

            shown, taken = shown_and_taken(visit, plan)

    assert (found.read_hz, found.change_hz) == clocks
    assert shown == pytest.approx(taken, rel=0.10)


def test_a_protected_chip_takes_as_long_as_was_said(tmp_path: Path) -> None:
    board = Board(SMALL)
    board.chip.preset_register("SR1", 0x1C)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), one_sector(board.original))

        shown, taken = shown_and_taken(visit, plan)

    assert shown == pytest.approx(taken, rel=0.10)


@pytest.mark.parametrize("onto", ["the new image", "the original"])
def test_a_recovery_takes_as_long_as_was_said(onto: str, tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = half_of_it(board.original)
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)

        def pull_the_power(step: str, done: int, total: int, left_s: float | None) -> None:
            if step == "writing" and done >= 0x40000:
                visit.bench.power_fails(visit.bench.time.now_s(), seed=1)

        with pytest.raises(ChipHalfWritten):
            fb.rewrite(plan, progress=pull_the_power)
    board.chip.restore_power()

    with board.visit() as visit, fb.Job.open(folder) as job:
        found = fb.read_for_recovery(visit.identify(), job)
        backup = fb.reload_backup(job)
        target = job.target if onto == "the new image" else backup.image
        recovery = fb.plan_recovery(found, backup, target=target)

        shown, taken = shown_and_taken(visit, recovery)

    assert len(recovery.cells.units) > 1
    assert shown == pytest.approx(taken, rel=0.10)


def bits_fall_in_every_block(image: bytes) -> bytes:
    return edited(image, *((at, b"\x00") for at in range(0x1000, len(image), 0x8000)))


@pytest.mark.parametrize("host_gap_us", [60, 1000])
def test_a_slow_host_is_counted_in(host_gap_us: float, tmp_path: Path) -> None:
    """Many small units: what is said must grow with what the host needs around each transfer."""
    contents = firmware(1 << 20)
    with (
        in_memory_bench(part=SMALL, contents=contents, host_gap_us=host_gap_us) as bench,
        fb.open_adapter(bench.device, clock_hz=FAST, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=1.8)
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            plan = fb.plan_rewrite(chip, backup, bits_fall_in_every_block(contents))

            shown, taken = shown_and_taken(Visit(bench, adapter), plan)

    assert len(plan.cells.units) == 32
    assert shown == pytest.approx(taken, rel=0.10)
