"""A half-written chip without a factory number that another one took the place of.

TINY has no factory number: what it holds must tell the two apart, and the old one stays suspect.
"""

from pathlib import Path
from unittest.mock import Mock

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten, Interrupted, OtherChip, StrangeContents
from flashbench.job.events import WriteFinished
from flashbench.job.folder import Job
from flashbench.job.left_behind import left_behind
from flashbench.job.unfinished import without
from flashbench.rehearsal.faults import LosePower
from flashbench.safe_write._protection import Protection
from flashbench.safe_write.comparison import Comparison, compare, demand_known
from flashbench.safe_write.found import WhichChip
from flashbench.safe_write.next_step import next_step
from flashbench.safe_write.steps import carry_out, job_for_dump, plan_finish, plan_write
from tests.builders.bench import (
    SLOW_CLOCKED,
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    edited,
    firmware,
    restore,
    write,
)
from tests.builders.job import announcement
from tests.safe_write.test_replacement import a_new_chip, replaced

IMAGE = edited(firmware(TINY.density_bytes), (0x1234, b"new"), (0x9000, b"also new"))


class Two:
    """The board's own chip, half-written, and the one that took its place."""

    def __init__(self, folder: Path) -> None:
        self.own, self.new = Board(TINY), a_new_chip(TINY)
        self.job = a_dumped_job(self.own, folder)
        with self.own.visit(LosePower(at_operation=2)) as visit, pytest.raises(ChipHalfWritten):
            write(visit, self.job, IMAGE)
        with self.new.visit() as visit:
            replaced(visit, self.job, IMAGE)

    def compared(self, board: Board) -> Comparison:
        with board.visit() as visit, Job.open(self.job) as job:
            return compare(visit.identify(), job)


@pytest.fixture
def two(tmp_path: Path) -> Two:
    return Two(tmp_path / "job")


def test_the_replacement_is_known_by_what_it_was_proven_to_hold(two: Two) -> None:
    held = two.compared(two.new)

    assert (held.equals, held.unfinished) == ("image 1", False)
    assert held.chip.startswith("replacement chip 1")
    assert held.doubts[-1].startswith(
        "It has no factory number. It is taken for replacement chip 1 (ID ef4010000000), since it"
        " holds just what that one was proven to hold; the board's own chip was left half-written"
    ), held.doubts
    with Job.open(two.job) as job:
        demand_known(held, job)


def test_next_is_content_and_names_the_old_chip_as_bagged(two: Two) -> None:
    with Job.open(two.job) as job:
        coming = next_step(job)

    assert coming.command == f"flashbench outcome {two.job}"
    assert (
        "the board's own chip was left half-written: it belongs in a bag that says so, and is not"
        " to be used"
    ) in coming.proven


def test_the_old_chip_put_back_is_still_half_written(two: Two) -> None:
    held = two.compared(two.own)

    assert held.unfinished
    with Job.open(two.job) as job, pytest.raises(ChipHalfWritten) as refused:
        demand_known(held, job)
    assert refused.value.next_step == (
        f"Run: flashbench finish {two.job}  (or: flashbench restore {two.job})"
    )


def test_the_old_chip_is_dumped_as_no_new_round_and_the_replacement_is(two: Two) -> None:
    with two.own.visit() as visit, Job.open(two.job) as job:
        with pytest.raises(ChipHalfWritten, match="is the board's own chip of job job"):
            job_for_dump(job, visit.identify(), two.job)
        assert job.round_number == 1
    ran = edited(IMAGE, (0xF000, b"the board wrote this"))
    board = Board(TINY, ran)
    with board.visit() as visit, Job.open(two.job) as job:
        job_for_dump(job, visit.identify(), two.job)
        assert job.round_number == 2


def test_finish_leaves_the_replacement_alone_and_goes_on_with_the_old_chip(two: Two) -> None:
    before = two.new.chip.change_count
    half_written = pytest.raises(OtherChip, match="Half-written is the board's own chip")
    with two.new.visit() as visit, Job.open(two.job) as job, half_written:
        plan_finish(visit.identify(), job)

    with two.own.visit() as visit, Job.open(two.job) as job:
        plan = plan_finish(visit.identify(), job)
        fb.verify(fb.rewrite(plan))

    assert two.new.chip.change_count == before
    assert two.own.contents == IMAGE


def test_what_is_suspect_on_the_old_chip_is_erased_on_whatever_holds_the_same(two: Two) -> None:
    """Were it the old chip after all, reading right by chance, no suspect unit would be left."""
    with Job.open(two.job) as job:
        write_of_own = job.unfinished_on(None)
    assert write_of_own is not None and write_of_own.suspect

    def erased_in_full(visit: Visit, job: Job) -> bool:
        found = fb.read_for_recovery(visit.identify(), job)
        assert found.kept_number == 1
        return found.suspect == write_of_own.suspect

    with two.new.visit() as visit, Job.open(two.job) as job:
        assert erased_in_full(visit, job)
        kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
        plan = fb.plan_replacement(kept, fb.reload_backup(job), target=IMAGE)
    erased = [range(u.start, u.start + u.size) for u in plan.cells.units if u.erase is not None]
    assert without(write_of_own.suspect, erased) == []


def test_a_replacement_that_is_half_written_again_itself_takes_nobodys_place() -> None:
    own, new = announcement(), announcement(kept_number=1)
    proven = WriteFinished(target_sha256=new.target_sha256)

    assert left_behind([own, new, proven], (None, 1), new.target_sha256, registers={}) == {None}
    assert (
        left_behind([own, new, proven, new], (None, 1), new.target_sha256, registers={})
        == frozenset()
    )
    assert left_behind([own, new, proven], (None,), new.target_sha256, registers={}) == frozenset()


def test_a_chip_whose_protection_is_still_open_is_not_the_replacement_that_was_proven_protected(
    tmp_path: Path,
) -> None:
    """Cut off after its last page: the cells are as wanted, and SR1 is not put back yet."""
    own, new = Board(SLOW_CLOCKED), a_new_chip(SLOW_CLOCKED)
    own.chip.preset_register("SR1", 0x1C)
    folder = a_dumped_job(own, tmp_path / "job")
    image = edited(own.original, (0x1234, b"new"))
    stop = Interrupted("Stopped on request.", next_step="")
    with own.visit() as visit, Job.open(folder) as job, pytest.raises(ChipHalfWritten):
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        with pytest.MonkeyPatch.context() as cut:
            cut.setattr(Protection, "put_back", Mock(side_effect=stop))
            fb.rewrite(plan)
    assert (own.contents, own.chip.current["SR1"]) == (image, 0)
    with new.visit() as visit:
        replaced(visit, folder, image)
    assert (new.contents, new.chip.current["SR1"]) == (image, 0x1C)

    unfinished = {}
    for board in (own, new):
        with board.visit() as visit, Job.open(folder) as job:
            held = compare(visit.identify(), job)
        unfinished[held.chip] = held.unfinished

    assert list(unfinished.values()) == [True, False], unfinished
    with own.visit() as visit, Job.open(folder) as job:
        chip = visit.identify()
        with pytest.raises(ChipHalfWritten):
            job_for_dump(job, chip, folder)
        carry_out(plan_finish(chip, job, which=WhichChip(kept_number=None)))
    assert own.chip.current["SR1"] == 0x1C


def test_another_image_goes_onto_the_replacement(two: Two) -> None:
    second = edited(IMAGE, (0x2010, b"newer"))
    with Job.open(two.job) as job:
        job.save_image(second, {})
        coming = next_step(job)
    replaced_by_another = pytest.raises(ChipHalfWritten, match="another one took its place")
    with two.new.visit() as visit, Job.open(two.job) as job, replaced_by_another as refused:
        plan_write(visit.identify(), job)
    with two.new.visit() as visit:
        replaced(visit, two.job, second)

    assert coming.command == f"flashbench write {two.job} --to-new-chip"
    assert f"in the socket: {coming.command}" in refused.value.next_step
    assert two.new.contents == second
    held = two.compared(two.new)
    assert (held.equals, held.unfinished) == ("image 2", False)


def test_restore_puts_the_original_on_the_replacement_and_the_old_chip_stays_known(
    two: Two,
) -> None:
    with two.new.visit() as visit:
        restore(visit, two.job)

    assert two.new.contents == two.own.original
    held = two.compared(two.new)
    assert (held.equals, held.unfinished) == ("original", False)
    assert two.compared(two.own).unfinished


def test_a_write_to_the_old_chip_after_it_was_replaced_makes_it_a_candidate_again(
    two: Two,
) -> None:
    """Cut off again: it may hold the whole image by now, so nothing tells the two apart."""
    cut = LosePower(at_operation=two.own.chip.operation_number + 1)
    with two.own.visit(cut) as visit, Job.open(two.job) as job:
        plan = plan_finish(visit.identify(), job)
        with pytest.raises(ChipHalfWritten):
            fb.rewrite(plan)

    assert two.compared(two.new).unfinished


def test_the_replacement_that_ran_on_its_board_is_dumped_again_and_a_stranger_not_finished(
    two: Two,
) -> None:
    ran = Board(TINY, edited(IMAGE, (0xF000, b"?")))

    held = two.compared(ran)

    assert (held.equals, held.unfinished) == (None, False)
    with Job.open(two.job) as job, pytest.raises(StrangeContents, match="If the board ran") as told:
        demand_known(held, job)
    assert told.value.next_step.endswith(f"flashbench dump {two.job} --again")
    with ran.visit() as visit, Job.open(two.job) as job, pytest.raises(StrangeContents):
        plan_finish(visit.identify(), job)
    assert ran.chip.change_count == 0


def test_a_chip_left_half_written_in_an_earlier_round_opens_no_later_one(tmp_path: Path) -> None:
    own, new = Board(SMALL), a_new_chip()
    folder = a_dumped_job(own, tmp_path / "job")
    image = edited(own.original, (0x1234, b"new"))
    with own.visit(LosePower(at_operation=2)) as visit, pytest.raises(ChipHalfWritten):
        write(visit, folder, image)
    with new.visit() as visit:
        replaced(visit, folder, image)
    with new.visit() as visit, Job.open(folder) as job:
        chip = visit.identify()
        job_for_dump(job, chip, folder)
        fb.back_up(fb.read_twice(chip), job)

    left = pytest.raises(OtherChip, match="was left half-written in round 1 of job job")
    with own.visit() as visit, Job.open(folder) as job, left as refused:
        job_for_dump(job, visit.identify(), folder)
    assert "Put in the chip that the board has now." in refused.value.next_step
