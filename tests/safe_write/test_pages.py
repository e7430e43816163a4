"""How pages travel: what is learnt of the chip's program time, in model time and by counts."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.chip.status import BUSY
from flashbench.rehearsal import Bench, NorPart, in_memory_bench
from flashbench.rehearsal.faults import SlowChip
from flashbench.safe_write._pages import (
    PAGES_MEASURED,
    PAGES_WATCHED_MAX,
    WINDOW_BYTES,
    Page,
    PageProgrammer,
    ProgramTime,
)
from flashbench.safe_write.plan import Plan
from tests.builders.bench import SMALL, edited, firmware

BYTE_US = 8 / 30
PAGES = 1024


@contextmanager
def a_plan_of_four_blocks(
    folder: Path, *, host_gap_us: float = 125, part: NorPart = SMALL
) -> Iterator[tuple[Bench, Plan]]:
    contents = firmware(1 << 20)
    image = edited(contents, (0x40000, firmware(PAGES * 256 + 0x4000, seed=5)[: PAGES * 256]))
    with (
        in_memory_bench(part=part, contents=contents, host_gap_us=host_gap_us) as bench,
        fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=1.8)
        with fb.Job.create(folder, chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            yield bench, fb.plan_rewrite(chip, backup, image)


def seconds_of_the_part(plan: Plan) -> float:
    """The plan's model with the erase times that the part has, not those of its row."""
    ms_typ = {kind.size: kind.ms_typ for kind in SMALL.erase}
    erases_s = sum(ms_typ[unit.size] for unit in plan.cells.units) / 1000
    return plan.cells.seconds - plan.cells.erase_seconds + erases_s


@pytest.mark.parametrize("host_gap_us", [60, 125, 500, 1000])
def test_a_slow_host_neither_loses_pages_nor_lengthens_the_wait(
    host_gap_us: float, tmp_path: Path
) -> None:
    """An adapter that stops its clock while it waits for the host would make the count lie."""
    with a_plan_of_four_blocks(tmp_path / "job", host_gap_us=host_gap_us) as (bench, plan):
        begun_s, transfers = bench.time.now_s(), bench.adapter.bulk_transfers

        fb.rewrite(plan)

        seconds = bench.time.now_s() - begun_s
        transfers = bench.adapter.bulk_transfers - transfers
    assert bench.chip.complaint_counts()["while busy"] == 0
    assert seconds == pytest.approx(seconds_of_the_part(plan), rel=0.15), "a lost page costs one"
    assert transfers < plan.cells.page_count / 3, "an exchange per command takes six a page"


def test_a_page_lost_to_a_busy_chip_is_sent_again_and_no_ecc_unit_programmed_twice(
    tmp_path: Path,
) -> None:
    with_ecc = replace(SMALL, ecc_unit_bytes=16)
    with a_plan_of_four_blocks(tmp_path / "job", part=with_ecc) as (bench, plan):

        def grow_slower(step: str, done: int, total: int, left_s: float | None) -> None:
            if step == "writing" and done:
                bench.faults.faults = (SlowChip(factor=3),)

        fb.rewrite(plan, progress=grow_slower)

        assert bench.chip.contents == plan.target
    complaints = bench.chip.complaint_counts()
    assert complaints["while busy"] > 0, "pages were lost"
    assert complaints["ECC unit programmed twice"] == 0


def test_the_frames_of_a_unit_are_made_while_the_chip_erases_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with a_plan_of_four_blocks(tmp_path / "job") as (bench, plan):
        prepare, was_busy = PageProgrammer.prepare, []

        def watched(self: PageProgrammer, pages: Sequence[Page]) -> None:
            was_busy.append(bool(bench.chip.status_byte() & BUSY))
            prepare(self, pages)

        monkeypatch.setattr(PageProgrammer, "prepare", watched)
        fb.rewrite(plan)

    assert was_busy == [True] * len(plan.cells.units)


@pytest.mark.parametrize("program_us", [3, 55, 200, 395, 400, 460, 700, 1200, 2900])
def test_few_looks_find_how_long_a_program_takes(program_us: float) -> None:
    time = ProgramTime(typ_us=400, byte_us=BYTE_US)
    looks = 0
    while not time.known:
        looks += 1
        begin_us = time.window_begin_us
        left_us = program_us - begin_us
        time.take(begin_us, min(WINDOW_BYTES, max(0, round(left_us / BYTE_US))))
        if left_us >= WINDOW_BYTES * BYTE_US:
            time.at_most(program_us + 500)  # found idle by polling

    assert program_us <= time.wait_us <= program_us * 1.05 + 2 * BYTE_US
    assert PAGES_MEASURED <= looks <= PAGES_WATCHED_MAX


def test_the_longest_of_the_watched_pages_counts() -> None:
    time = ProgramTime(typ_us=400, byte_us=BYTE_US)
    for program_us in (380, 430, 390, 400):
        time.take(time.window_begin_us, round((program_us - time.window_begin_us) / BYTE_US))

    assert time.known
    assert 430 < time.wait_us < 445


def test_an_outlier_among_the_watched_pages_does_not_count() -> None:
    time = ProgramTime(typ_us=400, byte_us=BYTE_US)
    for program_us in (400, 1600, 404, 402):
        begin_us = round(program_us - WINDOW_BYTES * BYTE_US / 2)
        time.take(begin_us, round((program_us - begin_us) / BYTE_US))

    assert time.known
    assert 404 < time.wait_us < 415
    assert time.window_begin_us < 404, "the next look is for a usual page"


def test_a_chip_always_idle_by_the_first_look_is_waited_for_no_longer() -> None:
    time = ProgramTime(typ_us=400, byte_us=BYTE_US)
    while not time.known:
        time.take(time.window_begin_us, 0)

    assert time.wait_us == 0
