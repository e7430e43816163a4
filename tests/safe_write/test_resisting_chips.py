"""Chips that stop obeying one instruction in mid-write: refused in whole sentences, never done."""

from collections.abc import Callable
from dataclasses import replace
from itertools import cycle
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten, ReadsUnsteady
from flashbench.rehearsal import NorChip, NorPart, load_part
from flashbench.wording import command_line
from tests.builders.bench import SMALL, Board, a_dumped_job, edited, firmware, restore, write

EDIT = (0x5010, b"a new memory")
FOLDER = "board 17"
JV = load_part("W25Q128JV")
HALF_WRITTEN = "The chip is half-written."
PAGES_PER_UNIT = 16
NO_CELL = "No cell was changed."


def obeys(chip: NorChip, opcode: int, *, times: int, then: Callable[[], None]) -> None:
    """From the time after so many on, something else happens at this instruction."""
    command = chip._commands[opcode]
    left = times

    def run(address: int, data: bytes, at_s: float) -> None:
        nonlocal left
        if left:
            left -= 1
            command.run(address, data, at_s)
        else:
            then()

    chip._commands[opcode] = replace(command, run=run)


def ignores(opcode: int, *, after: int = 0) -> Callable[[NorChip], None]:
    """Obeyed so many times, and then without effect."""
    return lambda chip: obeys(chip, opcode, times=after, then=lambda: None)


def silent(chip: NorChip) -> None:
    """The status register reads FFh, as an open MISO line does."""
    obeys(chip, 0x05, times=0, then=lambda: chip.answer_with(b"\xff", repeats=True))


def silent_from(opcode: int, *, after: int = 0) -> Callable[[NorChip], None]:
    """Obeyed so many times, and silent from then on, without effect any more."""
    return lambda chip: obeys(chip, opcode, times=after, then=lambda: silent(chip))


def locks_flicker(chip: NorChip) -> None:
    """A lock reads otherwise each time."""
    values = cycle((b"\x00", b"\x01"))
    obeys(chip, 0x3D, times=0, then=lambda: chip.answer_with(next(values), repeats=True))


def protected(part: NorPart, **registers: int) -> Board:
    """A board with these register values."""
    board = Board(part)
    for name, value in registers.items():
        board.chip.preset_register(name, value)
    return board


def refusal(board: Board, tmp_path: Path, hook: Callable[[NorChip], None]) -> tuple[str, str, str]:
    """What a small write says of a chip that is as `hook` makes it once the plan is made."""
    folder = a_dumped_job(board, tmp_path / FOLDER)
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, EDIT)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        hook(board.chip)
        with pytest.raises(ChipHalfWritten) as refused:
            fb.verify(fb.rewrite(plan))
        assert job.unfinished() is not None
    told = refused.value
    return told.state, told.seen, told.next_step.replace(str(tmp_path), "SHELF")


WAYS_ON = (
    "Check contact and supply, then run: flashbench finish 'SHELF/board 17'  (if the same unit"
    " fails again, it is protected or worn: flashbench write 'SHELF/board 17' --to-new-chip)"
)


@pytest.mark.parametrize(
    ("hook", "seen", "next_step"),
    [
        (
            ignores(0x06),
            "Write enable (06h) had no effect: status 00h before the erase at 0x005000.",
            "Check contact, supply and the WP# pin, then run finish or restore.",
        ),
        (
            ignores(0x06, after=1),
            "The chip did not accept the page at 0x005000 in 4 attempts: write enable (06h) has no"
            " effect.",
            "Check contact and supply, then run finish or restore.",
        ),
        (
            ignores(0x20),
            "The unit at 0x005000 is not blank after 3 erases (20h): 4076 of 4096 bytes are not"
            " FFh.",
            WAYS_ON,
        ),
        (
            ignores(0x02),
            "The unit at 0x005000 (4096 bytes) does not hold what was written after 3 attempts:"
            " 4076 bytes differ, first at +0x0 (FFh instead of BCh).",
            WAYS_ON,
        ),
        (
            silent,
            "Write enable (06h) had no effect: status FFh before the erase at 0x005000.",
            "Check contact, supply and the WP# pin, then run finish or restore.",
        ),
        (
            silent_from(0x20),
            "The chip stopped answering during an erase: its status reads FFh.",
            "Check supply and contact, then run finish or restore.",
        ),
        (
            silent_from(0x02),
            "The chip stopped answering during a page program: its status reads FFh.",
            "Check supply and contact, then run finish or restore.",
        ),
        (
            silent_from(0x06, after=2),
            "The chip stopped answering at the page 0x005100: its status reads FFh.",
            "Check supply and contact, then run finish or restore.",
        ),
    ],
)
def test_an_instruction_without_effect_is_named(
    hook: Callable[[NorChip], None], seen: str, next_step: str, tmp_path: Path
) -> None:
    assert refusal(Board(SMALL), tmp_path, hook) == (HALF_WRITTEN, seen, next_step)


@pytest.mark.parametrize(
    ("part", "registers", "hook", "told"),
    [
        (
            SMALL,
            {"SR1": 0x1C},
            ignores(0x01),
            (
                NO_CELL,
                "The write protection could not be lifted: its bits read as before.",
                "Hold the WP# pin high. If it stays, the chip is locked for good: put another one"
                " in and run: flashbench write 'SHELF/board 17' --to-new-chip",
            ),
        ),
        (
            SMALL,
            {"SR1": 0x1C},
            ignores(0x01, after=1),
            (
                HALF_WRITTEN,
                "The status register 1 reads 00h and should be 1Ch again: the protection is not put"
                " back.",
                "Hold the WP# pin high, then run finish or restore.",
            ),
        ),
        (
            JV,
            {"SR3": 0x64},
            ignores(0x36),
            (
                HALF_WRITTEN,
                "The lock of the block at 0x005000 was set again and does not read so: the"
                " protection is not put back.",
                "Run finish or restore; switching the supply off and on locks every block.",
            ),
        ),
        (
            load_part("W25Q256JV"),
            {"SR3": 0x64},
            ignores(0x7E),
            (
                HALF_WRITTEN,
                "The lock of a block was set again and does not read so: the protection is not put"
                " back.",
                "Run finish or restore; switching the supply off and on locks every block.",
            ),
        ),
    ],
)
def test_a_protection_that_does_not_open_or_close_is_named(
    part: NorPart,
    registers: dict[str, int],
    hook: Callable[[NorChip], None],
    told: tuple[str, str, str],
    tmp_path: Path,
) -> None:
    assert refusal(protected(part, **registers), tmp_path, hook) == told


def test_locks_that_do_not_read_the_same_twice_stop_before_any_change(tmp_path: Path) -> None:
    board = protected(JV, SR3=0x64)
    folder = a_dumped_job(board, tmp_path / FOLDER)
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, EDIT)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        locks_flicker(board.chip)
        with pytest.raises(ReadsUnsteady) as refused:
            fb.rewrite(plan)
        assert job.unfinished() is None

    assert refused.value.seen == "Two reads of the block locks differ."
    assert refused.value.next_step == (
        "Press the chip into the socket again, shorten the leads, lower --clock."
    )
    assert board.chip.change_count == 0


@pytest.mark.parametrize(
    ("hook", "seen", "next_step"),
    [
        (
            ignores(0x01),
            "The status register 2 of the new chip reads 00h and shall be 02h, as on the original.",
            "Hold the WP# pin high, then run finish.",
        ),
        (
            ignores(0x06, after=2 + 2 * PAGES_PER_UNIT),
            "Write enable (06h) had no effect: status 00h before a register write.",
            "Check contact, supply and the WP# pin, then run finish.",
        ),
        (
            silent_from(0x01),
            "The chip stopped answering during a non-volatile register write: its status reads"
            " FFh.",
            "Check supply and contact, then run finish or restore.",
        ),
    ],
)
def test_a_register_that_a_new_chip_does_not_take_is_named(
    hook: Callable[[NorChip], None], seen: str, next_step: str, tmp_path: Path
) -> None:
    own = protected(SMALL, SR2=0x02)
    new = Board(
        replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000001")),
        edited(own.original, EDIT, (0x9000, b"somebody's")),
    )
    folder = a_dumped_job(own, tmp_path / FOLDER)
    with new.visit() as visit, fb.Job.open(folder) as job:
        kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
        backup = fb.reload_backup(job)
        plan = fb.plan_replacement(kept, backup, target=backup.image)
        hook(new.chip)
        with pytest.raises(ChipHalfWritten) as refused:
            fb.verify(fb.rewrite(plan))

    assert (refused.value.seen, refused.value.next_step) == (seen, next_step)


def test_what_fails_while_the_chip_is_put_in_order_is_said_behind_what_failed_first(
    tmp_path: Path,
) -> None:
    def hook(chip: NorChip) -> None:
        ignores(0x20)(chip)
        ignores(0x01, after=1)(chip)

    assert refusal(protected(SMALL, SR1=0x1C), tmp_path, hook) == (
        HALF_WRITTEN,
        "The unit at 0x005000 is not blank after 3 erases (20h): 4076 of 4096 bytes are not FFh."
        " And while the chip was put in order again: The status register 1 reads 00h and should be"
        " 1Ch again: the protection is not put back.",
        "Hold the WP# pin high, then run finish or restore.",
    )


def test_a_unit_that_changes_after_the_first_was_written_is_found_on_a_half_written_chip(
    tmp_path: Path,
) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / FOLDER)
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, EDIT, (0x90010, b"another"))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        before = board.original[0x90800]
        board.chip.areas["cells"][0x90800:0x90801] = bytes([before ^ 0x10])
        with pytest.raises(ChipHalfWritten) as refused:
            fb.rewrite(plan)

    assert refused.value.state == HALF_WRITTEN
    assert refused.value.seen == (
        "The unit at 0x090000 no longer reads as it did when the plan was made: 1 bytes differ,"
        f" first at +0x800 ({before ^ 0x10:02X}h instead of {before:02X}h)."
    )
    assert refused.value.next_step == (
        "Check the contact; do not touch the socket while writing. Then start over."
    )


@pytest.mark.parametrize("at", [0x1F000, 0x20000], ids=["end of a block", "start of a block"])
def test_only_the_block_that_is_changed_is_unlocked(at: int, tmp_path: Path) -> None:
    board = protected(JV, SR3=0x64)
    folder = a_dumped_job(board, tmp_path / FOLDER)
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, (at + 0x10, b"a new memory"))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        assert [(unit.start, unit.size) for unit in plan.cells.units] == [(at, 0x1000)]
        fb.verify(fb.rewrite(plan))

    assert board.chip.opcode_counts[0x39] == board.chip.opcode_counts[0x36] == 1
    assert board.contents == image


def test_a_chip_without_a_factory_number_is_never_erased_as_a_whole(tmp_path: Path) -> None:
    """Nothing but its contents would tell it from its like afterwards."""
    planned = []
    for name, part in (("numbered", SMALL), ("nameless", replace(SMALL, unique_id=b""))):
        board = Board(part)
        folder = a_dumped_job(board, tmp_path / name)
        image = edited(b"\xff" * part.density_bytes, (0, firmware(0x8000, seed=7)))
        with board.visit() as visit, fb.Job.open(folder) as job:
            chip = visit.identify()
            assert chip.profile.chip_erase is not None
            plan = fb.plan_rewrite(chip, fb.reload_backup(job), image)
            planned.append((chip.unique_id is None, plan.cells.chip_erase))

    assert planned == [(False, True), (True, False)]


@pytest.mark.parametrize(
    ("spoils", "seen"),
    [
        (
            False,
            "does not hold what was written after 3 attempts: 12 bytes differ, first at +0x10 (FFh"
            " instead of 61h).",
        ),
        (
            True,
            "does not hold what was written after 1 attempt: 12 bytes differ, first at +0x10 (00h"
            " instead of 61h).",
        ),
    ],
    ids=["still blank", "spoiled"],
)
def test_what_is_programmed_without_an_erase_is_tried_again_while_bits_can_still_fall(
    spoils: bool, seen: str, tmp_path: Path
) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / FOLDER)

    def spoil() -> None:
        if spoils:
            board.chip.areas["cells"][0x3010:0x301C] = bytes(12)

    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, (0x3010, EDIT[1]))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        obeys(board.chip, 0x02, times=0, then=spoil)
        with pytest.raises(ChipHalfWritten) as refused:
            fb.rewrite(plan)

    assert refused.value.seen.endswith(seen)
    assert board.chip.opcode_counts[0x20] == 0


def test_a_unit_that_fails_on_the_way_back_leads_back_again(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / FOLDER)
    with board.visit() as visit:
        write(visit, folder, edited(board.original, EDIT))
    ignores(0x20)(board.chip)
    with board.visit() as visit, pytest.raises(ChipHalfWritten) as refused:
        restore(visit, folder)

    again = command_line("restore", folder)
    assert refused.value.next_step == (
        f"Check contact and supply, then run: {again}  (if the same unit fails again, it is"
        f" protected or worn: {again} --to-new-chip)"
    )
