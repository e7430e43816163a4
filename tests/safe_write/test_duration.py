"""The duration shown before a write, beside the model time that the write then takes."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

import flashbench as fb
from chipdb.table import rows_for_id
from flashbench.errors import ChipHalfWritten
from flashbench.rehearsal import NorPart, in_memory_bench, load_part
from flashbench.rehearsal.faults import Fault, MisoFlips
from flashbench.safe_write._pages import PAGES_MEASURED, PAGES_PER_RUN
from flashbench.safe_write.duration import BusTimes, expected_seconds
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.working_clock import at_working_clock
from tests.builders import bench
from tests.builders.bench import TINY, Board, Visit, a_dumped_job, edited, firmware

Edit = Callable[[bytes], bytes]


def with_the_times_of_its_row(part: NorPart) -> NorPart:
    """A part that was made from another keeps that one's times; its row in the table has its."""
    (row,) = rows_for_id(part.rdid)
    ms = {kind.opcode: kind.ms_typ for kind in row.erase}
    assert row.chip_erase_ms_typ is not None
    return replace(
        part,
        program_us_typ=row.program_us_typ,
        chip_erase_ms_typ=row.chip_erase_ms_typ,
        erase=tuple(replace(kind, ms_typ=ms[kind.opcode]) for kind in part.erase),
    )


SMALL = with_the_times_of_its_row(bench.SMALL)
SLOW_CLOCKED = with_the_times_of_its_row(bench.SLOW_CLOCKED)


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


def a_mib_of_firmware(image: bytes) -> bytes:
    return edited(image, (0, firmware(1 << 20, seed=3)))


def zeros_in_twelve_large_units(image: bytes) -> bytes:
    return edited(image, *((at, b"\x00") for at in range(0x700, 12 << 18, 1 << 18)))


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
        (SMALL, nearly_blank, FAST),
        (SLOW_CLOCKED, zeros_all_over, FAST),
        (SLOW_CLOCKED, half_of_it, FAST),
        (TINY, one_sector, FAST),
        (load_part("MX25L12835F"), one_sector, FAST),
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


@pytest.mark.parametrize(("edit", "erases"), [(one_sector, 1), (falling_bits, 0)])
def test_each_run_on_the_bus_is_counted(
    edit: Edit, erases: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten around the write, two for a unit, three for its erase, one for pages that go
    together, and the first pages alone."""
    board, shown = Board(SMALL), []
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), edit(board.original))
        for run_s in (0.0, 1.0):
            bus = BusTimes(run_s=run_s, frame_s=0.0)
            monkeypatch.setattr(
                "flashbench.safe_write.duration.measure_bus", lambda _, bus=bus: bus
            )
            shown.append(expected_seconds(plan))

    (unit,) = plan.cells.units
    assert (unit.erase is not None) == bool(erases)
    pages = len(unit.pages)
    assert pages <= PAGES_PER_RUN
    assert shown[1] - shown[0] == pytest.approx(
        10 + 2 + 3 * erases + 1 + min(PAGES_MEASURED, pages)
    )


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


def part_and_edit(name: str, edit: Edit) -> Any:
    return pytest.param(load_part(name), edit, id=f"{name}-{edit.__name__}")


@pytest.mark.parametrize(
    ("part", "edit"),
    [
        part_and_edit("S25FL512S", zeros_in_twelve_large_units),
        part_and_edit("MX25L12835F", a_mib_of_firmware),
    ],
)
def test_the_write_of_a_nearly_blank_chip_takes_as_long_as_was_said(
    part: NorPart, edit: Edit, tmp_path: Path
) -> None:
    """Parts whose own tables state no times: these are the row's."""
    text = firmware(0x40000, seed=5)
    board = Board(part, text + b"\xff" * (part.density_bytes - len(text)))
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), edit(board.original))

        shown, taken = shown_and_taken(visit, plan)

    assert len(plan.cells.units) >= 12
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
        in_memory_bench(part=SMALL, contents=contents, host_gap_us=host_gap_us) as slow,
        fb.open_adapter(slow.device, clock_hz=FAST, time=slow.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=1.8)
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            plan = fb.plan_rewrite(chip, backup, bits_fall_in_every_block(contents))

            shown, taken = shown_and_taken(Visit(slow, adapter), plan)

    assert len(plan.cells.units) == 32
    assert shown == pytest.approx(taken, rel=0.10)
