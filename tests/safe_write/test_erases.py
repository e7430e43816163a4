"""Erases waited for no longer than they take, looked at seldom, and used for the host's work.

Polls are counted and model time is compared; nothing here waits.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flashbench as fb
from flashbench.chip.profile import Address, ChipProfile, reconcile
from flashbench.errors import ChipHalfWritten
from flashbench.rehearsal import Bench, NorPart, in_memory_bench, load_part
from flashbench.rehearsal.faults import Fault, UnevenTimes, WrongEraseUnit
from flashbench.safe_write._cells import EraseTime
from flashbench.safe_write._change_frames import ChangeFrames
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.duration import expected_seconds
from flashbench.safe_write.plan import Plan
from tests.builders.bench import SMALL, Board, a_dumped_job, edited, firmware

UNIT = 0x8000
UNITS = 12
START = 0x40000
READ, STATUS = 0x0B, 0x05


def with_erases(part: NorPart, *, times: float) -> NorPart:
    """The part with erases that take so many times as long."""
    slower = tuple(replace(kind, ms_typ=kind.ms_typ * times) for kind in part.erase)
    return replace(part, erase=slower)


@contextmanager
def a_plan_of_units(
    folder: Path, *faults: Fault, part: NorPart = SMALL, host_gap_us: float = 125
) -> Iterator[tuple[Bench, Plan]]:
    """Twelve units of 32 KiB, each of which must be erased and gets one page of its own."""
    contents = firmware(1 << 20)
    image = bytearray(contents)
    for start in range(START, START + UNITS * UNIT, UNIT):
        image[start : start + UNIT] = b"\xff" * UNIT
        image[start : start + 256] = contents[:256]
    with (
        in_memory_bench(
            part=part, contents=contents, host_gap_us=host_gap_us, faults=faults
        ) as bench,
        fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        chip = fb.identify(adapter, supply_volts=1.8)
        with fb.Job.create(folder, chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            yield bench, fb.plan_rewrite(chip, backup, bytes(image))


@pytest.fixture
def polls(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How often each wait for an idle chip looked, a wait an entry; whole erases only."""
    counts: list[int] = []
    wait_idle, status = Sender.wait_idle, Sender.status

    def counted(self: Sender, **how: Any) -> float:
        if "erase" in how["doing"]:
            counts.append(0)
        return wait_idle(self, **how)

    def looked(self: Sender) -> bytes:
        if counts:
            counts[-1] += 1
        return status(self)

    monkeypatch.setattr(Sender, "wait_idle", counted)
    monkeypatch.setattr(Sender, "status", looked)
    return counts


@pytest.mark.parametrize("host_gap_us", [60, 125, 1000])
@pytest.mark.parametrize("times", [0.5, 1, 2.5])
def test_an_erase_is_looked_at_often_once_and_a_few_times_when_it_is_known(
    times: float, host_gap_us: float, tmp_path: Path, polls: list[int]
) -> None:
    part = with_erases(SMALL, times=times)
    with a_plan_of_units(tmp_path / "job", part=part, host_gap_us=host_gap_us) as (bench, plan):
        fb.rewrite(plan)

    assert len(polls) == len(plan.cells.units) >= 6
    assert 2 <= polls[0] <= 70
    assert all(1 <= count <= 8 for count in polls[1:])
    assert bench.chip.complaint_counts()["while busy"] == 0


@pytest.mark.parametrize("times", [0.5, 1, 2.5])
def test_erases_are_waited_for_as_long_as_they_take_whatever_the_row_says(
    times: float, tmp_path: Path
) -> None:
    """Within a twentieth of bits and cells; the row says 200 ms for 32 KiB, from memory."""
    part = with_erases(SMALL, times=times)
    ms = {kind.size: kind.ms_typ for kind in part.erase}
    with a_plan_of_units(tmp_path / "job", part=part) as (bench, plan):
        begun_s = bench.time.now_s()
        fb.rewrite(plan)
        took_s = bench.time.now_s() - begun_s

    erases_s = sum(ms[unit.size] for unit in plan.cells.units) / 1000
    beside_s = 2 * 0x40000 * 8 / 30e6
    floor_s = plan.cells.seconds - plan.cells.erase_seconds + erases_s + beside_s
    assert floor_s <= took_s <= 1.05 * floor_s


def test_erases_that_vary_by_half_are_neither_missed_nor_polled_without_end(
    tmp_path: Path, polls: list[int]
) -> None:
    uneven = UnevenTimes(of="erases", spread=0.5, slow_share=0.1, slow_factor=2, seed=5)
    with a_plan_of_units(tmp_path / "job", uneven) as (bench, plan):
        fb.rewrite(plan)

        assert bench.chip.contents == plan.target
    assert bench.chip.complaint_counts()["while busy"] == 0
    assert max(polls) <= 70
    assert sum(polls[1:]) <= 25 * len(polls[1:])


def test_an_erase_uncommonly_quick_or_slow_moves_the_first_look_by_nothing() -> None:
    time, odd = EraseTime(), EraseTime()
    for ms in [150.0] * 8:
        time.take(ms)
    for ms in [150.0, 150.0, 20.0, 150.0, 150.0, 900.0, 150.0, 150.0]:
        odd.take(ms)

    assert odd.first_look_ms(500.0) == time.first_look_ms(500.0)
    assert 0.8 * 150 <= time.first_look_ms(500.0) < 150


def test_a_chip_whose_erases_grow_slower_with_wear_is_looked_at_later() -> None:
    time = EraseTime()
    for ms in [150.0] * 8 + [300.0] * 8:
        time.take(ms)

    assert time.first_look_ms(150.0) > 240


@given(typ_ms=st.floats(1, 5000), ms=st.floats(0.1, 20_000), units=st.integers(2, 30))
def test_the_first_look_is_early_enough_whatever_the_row_says(
    typ_ms: float, ms: float, units: int
) -> None:
    """A chip quicker than its row is found out within a few units, and none is looked at late."""
    time = EraseTime()
    for _ in range(units):
        time.take(max(ms, time.first_look_ms(typ_ms)))

    late_ms = time.first_look_ms(typ_ms) - ms
    assert late_ms <= 0 or time.first_look_ms(typ_ms) < typ_ms / 4 * 7 / 8


def test_the_frames_of_the_pages_are_made_while_the_chip_is_busy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All but those of the first unit, whose pages are what the wait is learnt from."""
    make = ChangeFrames.program
    was_busy: dict[int, bool] = {}
    contents = firmware(1 << 20)
    image = edited(contents, (START, firmware(1 << 20, seed=5)[: 4 * 0x10000]))
    board = Board(SMALL, contents)
    folder = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit, fb.Job.open(folder) as job:
        chip = visit.bench.chip

        def watched(self: ChangeFrames, start: Address, data: bytes, *, wait_us: int) -> Any:
            at_s = visit.bench.time.now_s()
            flight = chip._in_flight
            busy = flight is not None and at_s < flight.ends_s
            was_busy[start] = was_busy.get(start, True) and busy
            return make(self, start, data, wait_us=wait_us)

        monkeypatch.setattr(ChangeFrames, "program", watched)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        fb.rewrite(plan)

    late = [start for start, busy in was_busy.items() if not busy]
    first = plan.cells.units[0]
    assert len(was_busy) == plan.cells.page_count
    settled = [start for start in late if start >= first.start + 3 * first.size]
    assert settled == []


# --- a blank chip -----------------------------------------------------------------------------

JV = load_part("W25Q128JV")
WRITTEN = firmware(1 << 20)
CONTENTS = WRITTEN + b"\xff" * (JV.density_bytes - len(WRITTEN))


@contextmanager
def a_replacement(folder: Path, *faults: Fault, holds: bytes) -> Iterator[tuple[Bench, Plan]]:
    """The job of a chip that is mostly blank, planned onto a new one that begins with `holds`.

    Whether the part has on-die ECC is not known, by the patch that all tests below ask for.
    """
    own_folder = a_dumped_job(Board(JV, CONTENTS), folder)
    part = replace(JV, unique_id=bytes.fromhex("DECAFBAD00000001"))
    new = Board(part, holds + b"\xff" * (part.density_bytes - len(holds)), lasting=faults)
    with new.visit() as visit, fb.Job.open(own_folder) as job:
        chip = visit.identify()
        assert not chip.profile.ecc_free
        backup = fb.reload_backup(job)
        kept = fb.keep_contents(fb.read_twice(chip), job)
        plan = fb.plan_replacement(kept, backup, target=backup.image)
        assert not plan.cells.chip_erase
        yield visit.bench, plan


@pytest.fixture
def ecc_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknowing(*rows: Any, **how: Any) -> ChipProfile:
        return replace(reconcile(*rows, **how), ecc_free=False)

    monkeypatch.setattr("flashbench.chip.identity.reconcile", unknowing)


@pytest.mark.usefixtures("ecc_unknown")
@pytest.mark.parametrize("holds", [b"", firmware(0x9000, seed=9)], ids=["blank", "nearly blank"])
def test_a_replacement_on_a_new_chip_takes_as_long_as_was_said(
    holds: bytes, tmp_path: Path
) -> None:
    """Where ECC is possible blank units are erased too, and prove nothing of the erase."""
    with a_replacement(tmp_path / "job", holds=holds) as (bench, plan):
        shown = expected_seconds(plan)
        begun_s = bench.time.now_s()

        fb.verify(fb.rewrite(plan))

        took = bench.time.now_s() - begun_s
    assert shown == pytest.approx(took, rel=0.10)


@pytest.mark.usefixtures("ecc_unknown")
def test_an_erase_of_a_blank_unit_that_clears_the_one_before_is_refuted_all_the_same(
    tmp_path: Path,
) -> None:
    """The unit before was written and proven a moment ago, and a page of it tells."""
    wrong = tuple(WrongEraseUnit(opcode=opcode, size=0x40000) for opcode in (0x52, 0xD8))
    with a_replacement(tmp_path / "job", *wrong, holds=b"") as (_, plan):
        second = plan.cells.units[1].start
        with pytest.raises(ChipHalfWritten, match=f"at {second:#08x} did not clear exactly"):
            fb.rewrite(plan)
