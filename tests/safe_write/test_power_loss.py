"""Power lost, or the adapter unplugged, at every operation and transfer of a small write.

Each case is played once: the accident, then on two copies of what it left `finish` and `restore`.
What the cells hold is looked up in the model, not read through the driver.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipUntouched, FlashbenchError
from flashbench.rehearsal import NorChip
from flashbench.rehearsal.faults import Fault, LosePower, SlowChip, SupplyDip, Unplug, UnstableCells
from flashbench.safe_write.stable_read import ReadsDisagree
from tests.builders.bench import (
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    copy_of,
    edited,
    finish,
    firmware,
    restore,
    write,
)

ORIGINAL = edited(
    firmware(TINY.density_bytes), (0x5300, b"\xff" * 0xD00), (0xA200, b"\xff" * 0xE00)
)
IMAGE = edited(ORIGINAL, (0x5010, b"a new memory"), (0xA000, bytes(0x100)))
"""Two units of 4 KiB, of three and two pages: seven operations."""


Way = tuple[str, Callable[[Visit, Path], fb.Verified], bytes]


@dataclass(frozen=True)
class Start:
    """A dumped job of a chip that holds `ORIGINAL`."""

    job: Path

    def play(self, fault: Fault, to: Path) -> tuple[Board, Path, FlashbenchError | None]:
        """The write with one fault, on copies."""
        board = Board(TINY, ORIGINAL)
        job = copy_of(self.job, to / "job")
        try:
            with board.visit(fault) as visit:
                write(visit, job, IMAGE)
        except FlashbenchError as error:
            return board, job, error
        return board, job, None


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Start:
    folder = tmp_path_factory.mktemp("power") / "board 17"
    return Start(a_dumped_job(Board(TINY, ORIGINAL), folder))


def transfers_of_a_write(start: Start, to: Path) -> range:
    """The numbers of the bulk transfers from the first of `rewrite` to the last of `verify`."""
    board, job_folder = Board(TINY, ORIGINAL), copy_of(start.job, to / "counted")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), IMAGE)
        before = visit.bench.adapter.bulk_transfers
        fb.verify(fb.rewrite(plan))
        return range(before + 1, visit.bench.adapter.bulk_transfers + 1)


WAYS = (("finish", finish, IMAGE), ("restore", restore, ORIGINAL))


def recoveries(
    board: Board, job: Path, to: Path, ways: tuple[Way, ...] = WAYS
) -> Iterator[tuple[Board, bytes]]:
    """Twins of the chip, each after one of the ways; with what it must hold then."""
    for name, recover, wanted in ways:
        twin = board.twin()
        try:
            with twin.visit() as visit:
                recover(visit, copy_of(job, to / name))
        except FlashbenchError as error:
            raise AssertionError(f"{name}: {error}") from error
        yield twin, wanted


def holds_whatever_is_wanted(
    start: Start, fault: Fault, to: Path, ways: tuple[Way, ...] = WAYS
) -> FlashbenchError | None:
    """Play the fault, then each way on; what went wrong in the write, if anything did."""
    board, job, error = start.play(fault, to)
    assert (job / "round-1" / "original.bin").read_bytes() == ORIGINAL
    with fb.Job.open(job) as opened:
        begun = opened.unfinished() is not None
    if error is None:
        assert board.contents == IMAGE
    elif error.exit_status != 4:
        assert board.contents == ORIGINAL, f"{fault}: {error}"
    if not begun:
        with board.visit() as visit:
            write(visit, copy_of(job, to / "again"), IMAGE)
        assert board.contents == IMAGE
    else:
        for twin, wanted in recoveries(board, job, to, ways):
            assert twin.contents == wanted, fault
    return error


@pytest.mark.parametrize("between", [False, True], ids=["inside", "after"])
@pytest.mark.parametrize("number", range(1, 8))
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_after_power_loss_at_any_operation_both_ways_lead_on(
    start: Start, tmp_path: Path, number: int, between: bool, seed: int
) -> None:
    fault = LosePower(at_operation=number, between=between, seed=seed)

    error = holds_whatever_is_wanted(start, fault, tmp_path)

    assert error is not None
    assert error.exit_status == 4
    assert "The adapter left the USB" in error.seen
    assert "flashbench finish" in error.next_step


@pytest.mark.parametrize("number", range(1, 8))
def test_after_a_supply_dip_at_any_operation_the_write_goes_on_or_both_ways_lead_on(
    start: Start, tmp_path: Path, number: int
) -> None:
    holds_whatever_is_wanted(start, SupplyDip(at_operation=number), tmp_path)


@pytest.mark.parametrize("powered_by", ["adapter", "elsewhere"])
def test_after_an_unplug_in_any_transfer_both_ways_lead_on(
    start: Start, tmp_path: Path, powered_by: str
) -> None:
    half_written = 0
    for number in transfers_of_a_write(start, tmp_path):
        fault = Unplug(at_transfer=number, chip_powered_by=powered_by, seed=number)  # type: ignore[arg-type]
        to = tmp_path / str(number)
        to.mkdir()
        error = holds_whatever_is_wanted(start, fault, to, (WAYS[number % 2],))
        if error is not None:
            assert "left the USB" in error.seen, error
            half_written += error.exit_status == 4

    assert half_written > 20


@pytest.mark.parametrize("where", [0x5000, 0x1000], ids=["in the torn unit", "elsewhere"])
def test_two_reads_of_recovery_may_differ_in_suspect_units_only(
    start: Start, tmp_path: Path, where: int
) -> None:
    board, folder, _ = start.play(LosePower(at_operation=1, seed=1), tmp_path)
    unstable = UnstableCells(start=where, length=0x100, bits=8, seed=1)
    with board.visit(unstable) as visit, fb.Job.open(folder) as job:
        chip = visit.identify()
        if where == 0x5000:
            assert range(0x5000, 0x6000) in fb.read_for_recovery(chip, job).suspect
        else:
            with pytest.raises(ReadsDisagree, match="Both reads are kept"):
                fb.read_for_recovery(chip, job)

    kept = {path.name for path in (folder / "round-1").glob("*-?.bin")}
    expected = {"found-1.bin"} if where == 0x5000 else {"doubtful-1.bin", "doubtful-2.bin"}
    assert kept == {"image-1.bin", *expected}


def test_a_unit_that_reads_right_and_was_not_recorded_is_erased_again(
    start: Start, tmp_path: Path
) -> None:
    """Cells of an interrupted erase may read right and drift later."""
    board, folder, _ = start.play(LosePower(at_operation=4, between=True), tmp_path)
    assert board.contents[0x5000:0x6000] == IMAGE[0x5000:0x6000]
    with fb.Job.open(folder) as job:
        unfinished = job.unfinished()
    assert unfinished is not None
    assert range(0x5000, 0x6000) in unfinished.suspect
    erases = board.chip.opcode_counts[0x20]

    with board.visit() as visit:
        finish(visit, folder)

    assert board.chip.opcode_counts[0x20] == erases + 2
    assert board.contents == IMAGE


def test_another_chip_put_in_before_a_suspect_unit_is_erased_is_not_touched(
    start: Start, tmp_path: Path
) -> None:
    """Of a suspect unit nothing is believed, and this part has no unique ID: what else it holds."""
    board, folder, _ = start.play(LosePower(at_operation=1, seed=1), tmp_path)
    stranger = NorChip(TINY, contents=firmware(TINY.density_bytes, 2))
    with board.visit() as visit, fb.Job.open(folder) as job:
        found = fb.read_for_recovery(visit.identify(), job)
        plan = fb.plan_recovery(found, fb.reload_backup(job), target=job.target)
        visit.bench.swap_chip(stranger)

        with pytest.raises(ChipUntouched, match="no longer reads as it did"):
            fb.rewrite(plan)

    assert stranger.change_count == 0
    assert stranger.contents == firmware(TINY.density_bytes, 2)


def test_a_recovery_that_is_cut_off_itself_is_recovered(start: Start, tmp_path: Path) -> None:
    board, job, _ = start.play(LosePower(at_operation=6, seed=5), tmp_path)
    for cut in (7, 9, 11):
        with (
            pytest.raises(FlashbenchError, match="left the USB"),
            board.visit(LosePower(at_operation=cut, seed=cut)) as visit,
        ):
            finish(visit, job)

    for twin, wanted in recoveries(board, job, tmp_path):
        assert twin.contents == wanted


def test_a_chip_left_erasing_is_waited_for(start: Start, tmp_path: Path) -> None:
    board = Board(TINY, ORIGINAL, lasting=(SlowChip(factor=10),))
    job = copy_of(start.job, tmp_path / "job")
    with (
        pytest.raises(FlashbenchError, match="left the USB"),
        board.visit(LosePower(at_operation=1)) as visit,
    ):
        visit.bench.faults.on_chip_power_lost = lambda at_s, seed: visit.bench.adapter.unplug()
        write(visit, job, IMAGE)
    assert board.chip.in_flight is not None
    erased_s = board.chip.state()["in_flight"]["ends_s"]

    with board.visit() as visit:
        finish(visit, job)

    assert board.contents == IMAGE
    assert not [c for c in board.chip.complaints if c.at_s < erased_s and c.kind == "while busy"]


def test_what_was_open_for_writing_is_protected_again_after_power_loss(tmp_path: Path) -> None:
    board = Board(SMALL)
    board.chip.preset_register("SR1", 0x1C)  # everything protected
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x5010, b"a new memory"))
    for number in range(1, 6):
        with (
            pytest.raises(FlashbenchError),
            board.visit(
                LosePower(at_operation=board.chip.operation_number + number, seed=number)
            ) as visit,
        ):
            if number == 1:
                write(visit, job, image)
            finish(visit, job)

    with board.visit() as visit:
        finish(visit, job)

    assert board.contents == image
    assert board.chip.stored["SR1"] == 0x1C
