"""Chips without a factory number: what they hold must tell them apart, or nothing is erased.

TINY has no number. The sister of a board holds the same firmware, with a serial number of its own.
"""

from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten, OtherChip, StrangeContents
from flashbench.job.folder import Job
from flashbench.rehearsal import load_part
from flashbench.rehearsal.faults import LosePower, UnstableCells
from flashbench.safe_write.found import CannotTell, WhichChip
from flashbench.safe_write.own_sectors import own_sectors
from flashbench.safe_write.steps import carry_out, plan_finish, plan_restore
from flashbench.safe_write.under_way import Explanation, InterruptedWrite, explained
from tests.builders.bench import (
    TINY,
    Board,
    a_dumped_job,
    edited,
    finish,
    firmware,
    write,
)
from tests.safe_write.test_replacement import a_new_chip, replaced

ORIGINAL = firmware(TINY.density_bytes)
IMAGE = edited(ORIGINAL, (0x5010, b"new"), (0xA000, bytes(300)), (0xE010, b"newer"))
SERIAL = b"serial 4711, keys"


def an_own_chip_cut_off(folder: Path, *, at_operation: int) -> tuple[Board, Path]:
    """In the write of `IMAGE`: erase 1 and pages to 17 are the unit at 5000h, 18 on A000h."""
    own = Board(TINY)
    job = a_dumped_job(own, folder)
    cut = LosePower(at_operation=at_operation, seed=3)
    with own.visit(cut) as visit, pytest.raises(ChipHalfWritten):
        write(visit, job, IMAGE)
    own.chip.restore_power()
    return own, job


def a_replacement_cut_off(job: Path, new: Board, *, at_operation: int) -> None:
    cut = LosePower(at_operation=at_operation, seed=3)
    with new.visit(cut) as visit, pytest.raises(ChipHalfWritten):
        replaced(visit, job, IMAGE)
    new.chip.restore_power()


@pytest.mark.parametrize("serial_at", [0x5800, 0xB100, 0xE800])
def test_a_sister_s_chip_is_no_half_written_chip_but_where_the_write_was(
    tmp_path: Path, serial_at: int
) -> None:
    """Its serial number lies in a unit that is proven, outside all, or that nobody came to yet."""
    _, job = an_own_chip_cut_off(tmp_path / "job", at_operation=18)
    sister = Board(TINY, edited(ORIGINAL, (0x5010, b"new"), (serial_at, SERIAL)))

    with sister.visit() as visit, pytest.raises(StrangeContents) as refused:
        finish(visit, job)

    assert refused.value.seen == (
        f"The page at {serial_at:#08x} is neither the original's nor an image's of job job: not"
        " this job's chip, or it has run since."
    )
    assert sister.chip.change_count == 0


def test_a_whole_original_is_not_what_a_write_leaves_that_proved_a_unit(tmp_path: Path) -> None:
    own, job = an_own_chip_cut_off(tmp_path / "job", at_operation=18)
    twin = Board(TINY)

    with twin.visit() as visit, pytest.raises(StrangeContents) as refused:
        finish(visit, job)
    with own.visit() as visit:
        finish(visit, job)

    assert refused.value.seen == (
        "The page at 0x005000 is not what can be left there by what the journal has of job job:"
        " not this job's chip, or it has run since."
    )
    assert (twin.chip.change_count, own.contents) == (0, IMAGE)


def test_what_only_the_unit_under_way_explains_is_shown_as_a_doubt(tmp_path: Path) -> None:
    """Contents cannot tell more: whose chip it is, is asked from its bag and from the shelf."""
    own, job = an_own_chip_cut_off(tmp_path / "job", at_operation=18)
    sister = Board(TINY, edited(own.contents, (0xA000, ORIGINAL[0xA000:0xB000]), (0xA800, SERIAL)))

    with sister.visit() as visit, Job.open(job) as opened:
        plan = plan_finish(visit.identify(), opened)

    assert plan.doubts == (
        "What it holds at 0x00a800 (1 page there) is taken for what the accident left: no factory"
        " number tells this chip from another board's that differs only there.",
    )


@pytest.mark.parametrize("stranger", ["sister", "twin", "blank"])
def test_no_chip_but_the_half_written_one_is_taken_for_a_replacement(
    tmp_path: Path, stranger: str
) -> None:
    job = a_dumped_job(Board(TINY), tmp_path / "job")
    new = a_new_chip(TINY)
    a_replacement_cut_off(job, new, at_operation=9)
    contents = {
        "sister": edited(ORIGINAL, (0xB100, SERIAL)),
        "twin": edited(IMAGE, (0x2100, SERIAL)),
        "blank": b"\xff" * TINY.density_bytes,
    }
    other = Board(TINY, contents[stranger])

    with other.visit() as visit, pytest.raises(StrangeContents):
        finish(visit, job)
    with new.visit() as visit:
        finish(visit, job)

    assert (other.chip.change_count, new.contents) == (0, IMAGE)


def test_of_two_half_written_chips_each_is_finished_as_what_it_is(tmp_path: Path) -> None:
    own, job = an_own_chip_cut_off(tmp_path / "job", at_operation=1)
    new = a_new_chip(TINY)
    a_replacement_cut_off(job, new, at_operation=4)

    half_written = []
    for board in (own, new):
        with board.visit() as visit:
            finish(visit, job)
        with Job.open(job) as opened:
            half_written.append(opened.half_written_chips)

    assert half_written == [(1,), ()]
    assert own.contents == new.contents == IMAGE


def two_that_nothing_tells_apart(tmp_path: Path) -> tuple[Board, Board, Path]:
    """The own chip cut off at A000h; the new one, of a board that is given up, there too."""
    own, job = an_own_chip_cut_off(tmp_path / "job", at_operation=18)
    new = Board(TINY, edited(ORIGINAL, (0x9000, bytes(0x80))))
    donor = a_dumped_job(new, tmp_path / "board 3")
    with (
        new.visit(LosePower(at_operation=36, seed=3)) as visit,
        Job.open(job) as opened,
        Job.open(donor) as other,
    ):
        read = fb.read_twice(visit.identify())
        kept = fb.keep_contents(read, opened, chip_of=other)
        plan = fb.plan_replacement(kept, fb.reload_backup(opened), target=IMAGE)
        with pytest.raises(ChipHalfWritten):
            fb.rewrite(plan)
    new.chip.restore_power()
    return own, new, job


def test_of_chips_that_nothing_tells_apart_the_bag_is_asked(tmp_path: Path) -> None:
    own, new, job = two_that_nothing_tells_apart(tmp_path)

    with new.visit() as visit, Job.open(job) as opened:
        with pytest.raises(CannotTell) as refused:
            plan_finish(visit.identify(), opened)
        untouched = new.chip.change_count
        plan = plan_finish(visit.identify(), opened, which=WhichChip(kept_number=1))
        carry_out(plan)
        left = opened.half_written_chips

    assert refused.value.seen == (
        "The chip in the socket can be the board's own chip or replacement chip 1 (ID"
        " ef4010000000) of job job: it has no factory number, and holds what an interrupted write"
        " can have left on each."
    )
    assert refused.value.next_step == (
        "Read its bag, and say which it is, with the same command: --chip-is original or --chip-is"
        " 1. If nobody knows, leave both as they are, and write to another one:"
        f" flashbench write {job} --to-new-chip"
    )
    assert untouched < new.chip.change_count
    assert (left, new.contents) == ((None,), IMAGE)
    with own.visit() as visit, Job.open(job) as opened:
        carry_out(plan_finish(visit.identify(), opened))
    assert own.contents == IMAGE


def test_what_can_be_the_own_chip_left_whole_is_that_whatever_the_bag_says(tmp_path: Path) -> None:
    own = Board(TINY)
    job = a_dumped_job(own, tmp_path / "job")
    new = a_new_chip(TINY)
    a_replacement_cut_off(job, new, at_operation=3)
    with new.visit() as visit, Job.open(job) as opened:
        fb.rewrite(plan_restore(visit.identify(), opened))  # cut off before it was proven
    assert new.contents == ORIGINAL

    with own.visit() as visit, Job.open(job) as opened:
        chip = visit.identify()
        plan = plan_restore(chip, opened)
        with pytest.raises(OtherChip, match="Half-written is replacement chip 1") as refused:
            plan_finish(chip, opened)
        with pytest.raises(OtherChip, match="was said to be replacement chip 1") as no:
            plan_restore(chip, opened, which=WhichChip(kept_number=1))

    assert refused.value.next_step == (
        f"Put that chip in. This one needs nothing: flashbench verify {job} says what it holds. If"
        " it is the half-written one, leave it as it is, and write to another: flashbench write"
        f" {job} --to-new-chip"
    )
    assert no.value.next_step == (
        "Read its bag again. If that is the chip in the socket, leave --chip-is out."
    )
    assert (plan.kept_number, plan.changes_nothing) == (None, True)
    assert plan.doubts == (
        "It is taken for the board's own chip. It could also be replacement chip 1 (ID"
        " ef4010000000), half-written: if it is, write to another chip instead.",
    )


@pytest.mark.parametrize("said", [1, 7])
def test_a_half_written_chip_is_not_finished_as_another_than_it_was_said_to_be(
    tmp_path: Path, said: int
) -> None:
    own, job = an_own_chip_cut_off(tmp_path / "job", at_operation=18)
    before = own.chip.change_count

    with own.visit() as visit, Job.open(job) as opened:
        chip = visit.identify()
        for plan in (plan_finish, plan_restore):
            with pytest.raises(ChipHalfWritten) as refused:
                plan(chip, opened, which=WhichChip(kept_number=said))
        plan_finish(chip, opened, which=WhichChip(kept_number=None))

    assert refused.value.seen == (
        f"The chip in the socket was said to be replacement chip {said} of job job. By what it"
        " answers and holds it is the board's own chip."
    )
    assert own.chip.change_count == before


def a_replacement_that_holds_the_best_reading(folder: Path) -> tuple[Board, Board, Path]:
    """Interrupted before it was proven: the board's own, if it reads steadily, holds the same."""
    own, new = Board(TINY), a_new_chip(TINY)
    with own.visit(UnstableCells(start=0x2000, length=16, bits=9, seed=1)) as visit:
        chip = visit.identify()
        with fb.Job.create(folder, chip) as job:
            best = fb.read_best_effort(chip, job, reads=3)
    own.chip._cells[:] = best.image
    with new.visit() as visit, Job.open(folder) as job:
        kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
        fb.rewrite(
            fb.plan_replacement(kept, fb.reload_best_reading(job), target=best.image)
        )  # and never verified
    assert new.contents == own.contents
    return own, new, folder


def test_a_replacement_that_holds_the_best_reading_is_finished_once_its_bag_says_it(
    tmp_path: Path,
) -> None:
    _, new, job = a_replacement_that_holds_the_best_reading(tmp_path / "job")
    before = new.chip.change_count

    with new.visit() as visit, Job.open(job) as opened:
        chip = visit.identify()
        with pytest.raises(CannotTell) as refused:
            plan_restore(chip, opened)
        with pytest.raises(ChipHalfWritten) as not_new:
            fb.keep_contents(fb.read_twice(chip), opened)
        untouched = new.chip.change_count
        plan = plan_restore(chip, opened, which=WhichChip(kept_number=1))
        carry_out(plan)
        left = opened.half_written_chips

    assert (untouched, left) == (before, ())
    assert (refused.value.exit_status, refused.value.state) == (
        4,
        "The chip may be half-written from before; this command changed nothing.",
    )
    assert refused.value.seen == (
        "The chip in the socket can be the board's own chip or replacement chip 1 (ID"
        " ef4010000000) of job job: it has no factory number, and holds what an interrupted write"
        " can have left, but also what the board's own held."
    )
    assert refused.value.next_step == (
        "Its own is never written by this job, which has only a best reading of it. If the bag"
        " says that this is the replacement, say so with the same command: --chip-is 1. If nobody"
        f" knows, leave both as they are, and write to another one: flashbench restore {job}"
        " --to-new-chip"
    )
    assert f"If it was left half-written: flashbench restore {job}. If it" in (
        not_new.value.next_step
    )
    assert (
        "It is taken for replacement chip 1 (ID ef4010000000) because that was said. It holds what"
        " the board's own chip could hold, too, and that one must never be written."
    ) in plan.doubts


def test_the_own_chip_of_a_best_reading_is_not_written_as_itself_or_as_a_chip_that_is_none(
    tmp_path: Path,
) -> None:
    own, _, job = a_replacement_that_holds_the_best_reading(tmp_path / "job")

    with own.visit() as visit, Job.open(job) as opened:
        chip = visit.identify()
        for said, why in ((None, "never writes to it"), (7, "can be the board's own chip")):
            which = WhichChip(kept_number=said)
            with pytest.raises((OtherChip, CannotTell), match=why):
                plan_restore(chip, opened, which=which)
    assert own.chip.change_count == 0


PAGES = 16
BEFORE = b"\x11" * 256 * PAGES
LED_TO = b"\x22" * 256 * PAGES
UNITS = tuple(range(start, start + 1024) for start in range(0, 4096, 1024))


def held_after(done: int, *, torn: bytes = b"") -> bytes:
    """So many units are done, and the next begins with what is torn."""
    return edited(LED_TO[: 1024 * done] + BEFORE[1024 * done :], (1024 * done, torn))


def told(image: bytes, *, lines: int, then: InterruptedWrite | None = None) -> Explanation:
    """By a journal with so many lines on proven units."""
    first = InterruptedWrite(units=UNITS, proven=frozenset(UNITS[:lines]), target=LED_TO)
    writes = [first] if then is None else [first, then]
    return explained(image, before=[BEFORE], writes=writes)


@pytest.mark.parametrize("lines", [0, 1, 2])
def test_units_whose_lines_a_crash_took_are_known_by_what_they_hold(lines: int) -> None:
    story = told(held_after(2, torn=b"torn"), lines=lines)

    assert (story.strange, story.torn) == (None, frozenset({2048}))


def test_one_unit_of_a_write_was_under_way_and_no_other() -> None:
    after = edited(held_after(1, torn=b"torn"), (3 * 1024, b"strange"))
    proven = edited(held_after(2), (0, b"strange"))

    assert told(after, lines=1).strange == 3 * 1024
    assert told(proven, lines=2).strange == 0


def test_a_later_write_has_a_unit_of_its_own_under_way() -> None:
    back = InterruptedWrite(units=UNITS[:3], proven=frozenset(), target=BEFORE)
    torn_twice = edited(held_after(2, torn=b"torn"), (0, b"also torn"))

    story = told(torn_twice, lines=2, then=back)

    assert (story.strange, story.torn) == (None, frozenset({0, 2048}))


def test_a_unit_as_large_as_the_chip_explains_nothing() -> None:
    chip_erase = InterruptedWrite(units=(range(len(BEFORE)),), proven=frozenset(), target=LED_TO)

    assert explained(b"\x33" * 4096, before=[BEFORE], writes=[chip_erase]).strange == 0


@pytest.mark.parametrize(
    "since",
    [((0x2020, b"boot"),), ((0x2020, b"\x00"),), ((0, firmware(0xB000, seed=7)),)],
    ids=["settings", "one byte", "new firmware"],
)
def test_the_own_chip_that_ran_since_is_not_taken_for_a_replacement(
    tmp_path: Path, since: tuple[tuple[int, bytes], ...]
) -> None:
    job = a_dumped_job(Board(TINY), tmp_path / "job")
    ran = Board(TINY, edited(ORIGINAL, *since))

    with ran.visit() as visit, pytest.raises(OtherChip) as refused:
        replaced(visit, job, IMAGE)

    assert ran.chip.change_count == 0
    assert refused.value.seen.startswith("The chip in the socket has no factory number, and ")
    assert refused.value.seen.endswith(
        " sectors that it holds something in (4 KiB each) are much as this job has them: it may be"
        " the board's own, which ran since: it is never written as a replacement."
    )
    assert refused.value.next_step == (
        "Put the new chip in. To write to the own chip, leave --to-new-chip out. If it is the chip"
        " of another board, and that one is given up: dump it, from its own bag, into a job of its"
        " own, and name that job (--chip-of)."
    )


def test_a_chip_that_has_a_few_sectors_in_common_is_a_new_one(tmp_path: Path) -> None:
    job = a_dumped_job(Board(TINY), tmp_path / "job")
    some = edited(firmware(TINY.density_bytes, seed=8), (0x5000, ORIGINAL[0x5000:0x8000]))
    new = Board(TINY, some)

    with Job.open(job) as opened:
        counted = own_sectors(some, opened)
    with new.visit() as visit:
        replaced(visit, job, IMAGE)

    assert (counted.alike, counted.count, counted.is_much) == (3, 14, False)
    assert new.contents == IMAGE


def test_the_chip_of_a_board_that_is_given_up_is_taken_by_its_own_job(tmp_path: Path) -> None:
    own = Board(TINY)
    job = a_dumped_job(own, tmp_path / "job")
    sister = Board(TINY, edited(ORIGINAL, (0xB100, SERIAL)))
    donor = a_dumped_job(sister, tmp_path / "board 3")

    with sister.visit() as visit, Job.open(job) as opened, Job.open(donor) as other:
        read = fb.read_twice(visit.identify())
        opened.save_image(IMAGE, {})
        kept = fb.keep_contents(read, opened, chip_of=other)
        carry_out(fb.plan_replacement(kept, fb.reload_backup(opened), target=IMAGE))

    assert sister.contents == IMAGE
    assert (donor / "round-1" / "original.bin").read_bytes() == sister.original
    assert own.chip.change_count == 0


@pytest.mark.parametrize("named", ["this job", "one of another chip", "one of the same contents"])
def test_a_job_that_is_not_that_of_the_chip_frees_nothing(tmp_path: Path, named: str) -> None:
    job = a_dumped_job(Board(TINY), tmp_path / "job")
    ran = Board(TINY, edited(ORIGINAL, (0x2020, b"boot")))
    held = {
        "one of another chip": edited(ORIGINAL, (0xB100, SERIAL)),
        "one of the same contents": ORIGINAL,
    }
    if named == "this job":
        refused_by(ran, job, job, "is no job of another board whose chip was dumped")
        return
    donor = a_dumped_job(Board(TINY, held[named]), tmp_path / "board 3")
    chip = Board(TINY) if named == "one of the same contents" else ran

    why = "holds nothing that" if chip is not ran else "does not hold, byte for byte, what job boar"
    refused_by(chip, job, donor, why)


def refused_by(board: Board, job: Path, donor: Path, why: str) -> None:
    with board.visit() as visit, Job.open(job) as opened:
        read = fb.read_twice(visit.identify())
        if donor == job:
            with pytest.raises(OtherChip, match=why):
                fb.keep_contents(read, opened, chip_of=opened)
        else:
            with Job.open(donor) as other, pytest.raises(OtherChip, match=why):
                fb.keep_contents(read, opened, chip_of=other)
    assert board.chip.change_count == 0


def test_a_number_that_only_one_identification_reads_does_not_make_it_another_chip(
    tmp_path: Path,
) -> None:
    """The dump was made with a marking under which no number is read."""
    own = Board(load_part("W25Q128JV"))
    with own.visit() as visit:
        chip = visit.identify(marking="ZD25Q128C", datasheet_volts=(2.7, 3.6))
        assert chip.unique_id is None
        with Job.create(tmp_path / "job", chip) as job:
            fb.back_up(fb.read_twice(chip), job)

    with own.visit() as visit, Job.open(tmp_path / "job") as job:
        read = fb.read_twice(visit.identify())
        with pytest.raises(OtherChip) as refused:
            fb.keep_contents(read, job)

    assert refused.value.seen == (
        "The chip in the socket has a factory number, which was not read when the board's own was"
        " dumped, and holds nothing that the board's own chip would not hold: it is never written"
        " as a replacement."
    )
    assert own.chip.change_count == 0


def test_the_source_of_a_best_reading_is_no_replacement_once_its_board_ran(tmp_path: Path) -> None:
    own = Board(TINY)
    with own.visit(UnstableCells(start=0x2000, length=16, bits=9, seed=1)) as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job:
            fb.read_best_effort(chip, job, reads=3)
    ran = Board(TINY, edited(ORIGINAL, (0x9000, b"boot")))

    with ran.visit() as visit, Job.open(tmp_path / "job") as job:
        read = fb.read_twice(visit.identify())
        with pytest.raises(OtherChip, match="are much as this job has them"):
            fb.keep_contents(read, job)

    assert ran.chip.change_count == 0
