"""The write itself, on chips that resist: protected, slow, worn, lying, and in every address mode.

What cells and registers hold is looked up in the model, not read through the driver.
"""

import errno
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.chip._read_frames import Register
from flashbench.errors import (
    AdapterError,
    ChipHalfWritten,
    ChipUntouched,
    FlashbenchError,
    Interrupted,
)
from flashbench.job.events import OpcodeRefuted
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.faults import (
    DuplicatedReply,
    Fault,
    LeftIn4ByteMode,
    LosePower,
    MisoFlips,
    MuteReply,
    ShortReply,
    SilentOperation,
    SlowChip,
    StaleReply,
    WornSector,
    WrongEraseUnit,
)
from flashbench.safe_write.next_step import next_step
from flashbench.safe_write.steps import plan_restore
from tests.builders.bench import (
    SMALL,
    TINY,
    Board,
    Visit,
    a_dumped_job,
    edited,
    finish,
    firmware,
    restore,
    write,
)

JV = load_part("W25Q128JV")
EDIT = (0x5010, b"a new memory")
NEVER_EXCUSED = (
    *("while busy", "no WEL", "bad length", "stray bits", "page wrap", "unaligned erase"),
    *("unknown opcode", "one-time opcode", "one-time bit", "clock too fast", "CS# high too short"),
    *("read across 16 MiB", "reset while busy", "QPI entered", "ECC unit programmed twice"),
    *("protected", "registers locked", "while powered down", "too soon after wake-up"),
)
"""Complaints of the model that an undisturbed write may not cause."""


def demand_good_manners(board: Board) -> None:
    counts = board.chip.complaint_counts()
    assert {kind: counts[kind] for kind in NEVER_EXCUSED if counts[kind]} == {}


def preset(board: Board, **registers: int) -> None:
    for name, value in registers.items():
        board.chip.preset_register(name, value)


# --- protection -------------------------------------------------------------------------------

LAYOUTS: dict[str, tuple[NorPart, dict[str, int]]] = {
    "all of it, SR1": (SMALL, {"SR1": 0x1C}),
    "volatile bits": (JV, {"SR1": 0x1C, "SR2": 0x02}),
    "a lock for each block": (JV, {"SR3": 0x64}),
}
"""Every layout is opened and put back in `test_every_protection.py`."""


@pytest.mark.parametrize("name", LAYOUTS)
def test_protection_is_put_back_when_the_write_fails_midway(name: str, tmp_path: Path) -> None:
    part, registers = LAYOUTS[name]
    board = Board(part, lasting=(WornSector(start=0x5000),))
    preset(board, **registers)
    job = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="The unit at 0x005000"):
        write(visit, job, edited(board.original, EDIT))

    assert board.chip.cell_change_count > 0
    assert {key: board.chip.current[key] for key in registers} == registers
    assert {key: board.chip.stored[key] for key in registers} == registers
    if name == "a lock for each block":
        assert len(board.chip._locked) == len(board.chip._lock_starts)
    assert not board.chip.write_enabled


def test_protection_is_put_back_when_the_user_stops(tmp_path: Path) -> None:
    board = Board(SMALL)
    preset(board, SR1=0x1C)
    folder = a_dumped_job(board, tmp_path / "board 17")

    def stop(step: str, done: int, total: int, left_s: float | None) -> None:
        if done:
            raise Interrupted("Stopped on request.", next_step="Run it again.")

    image = edited(board.original, EDIT, (0x9010, b"a new memory"))
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        with pytest.raises(ChipHalfWritten, match="Stopped on request"):
            fb.rewrite(plan, progress=stop)

    assert board.chip.stored["SR1"] == 0x1C
    with board.visit() as visit:
        finish(visit, folder)
    assert board.contents == image


def test_protection_that_covers_no_unit_stays_as_it_is(tmp_path: Path) -> None:
    board = Board(SMALL)
    preset(board, SR1=0x04)  # the upper 64 KiB
    job = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit:
        write(visit, job, edited(board.original, EDIT))

    assert board.chip.register_change_count == 0
    assert board.chip.stored["SR1"] == 0x04


def test_a_locked_status_register_is_refused_without_a_change(tmp_path: Path) -> None:
    """SRP = 1 and WP# low: the bits do not move, and no cell is tried."""
    board = Board(SMALL)
    preset(board, SR1=0x9C)
    board.chip.wp_pin_low = True
    job = a_dumped_job(board, tmp_path / "board 17")

    with (
        board.visit() as visit,
        pytest.raises(ChipHalfWritten, match="The write protection could not be lifted") as refused,
    ):
        write(visit, job, edited(board.original, EDIT))

    assert "No cell was changed." in str(refused.value)
    assert "WP# pin high" in refused.value.next_step
    assert board.chip.cell_change_count == 0
    assert not board.chip.write_enabled, "the refused register write left it set"


def test_protection_of_an_unknown_layout_is_refused_untouched(tmp_path: Path) -> None:
    board = Board(TINY)
    preset(board, SR1=0x1C)
    folder = a_dumped_job(board, tmp_path / "board 17")

    with (
        board.visit() as visit,
        pytest.raises(ChipUntouched, match="The protection layout of this part is not known"),
    ):
        write(visit, folder, edited(board.original, EDIT))

    assert board.chip.change_count == 0
    with fb.Job.open(folder) as job:
        assert job.unfinished() is None


# --- chips that lie ---------------------------------------------------------------------------


def test_an_erase_that_does_nothing_once_is_repeated(tmp_path: Path) -> None:
    board = Board(TINY, lasting=(SilentOperation(at_operation=1),))
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)

    with board.visit() as visit:
        write(visit, job, image)

    assert board.contents == image


def test_an_erase_that_never_does_anything_is_half_written(tmp_path: Path) -> None:
    board = Board(TINY, lasting=(SilentOperation(at_operation=1, lasting=True),))
    job = a_dumped_job(board, tmp_path / "board 17")

    with (
        board.visit() as visit,
        pytest.raises(
            ChipHalfWritten, match=r"The unit at 0x005000 is not blank after 3 erases \(20h\)"
        ) as failed,
    ):
        write(visit, job, edited(board.original, EDIT))

    assert failed.value.exit_status == 4
    assert "protected or worn" in failed.value.next_step
    assert board.contents == board.original


def test_a_program_that_does_nothing_is_repeated(tmp_path: Path) -> None:
    board = Board(TINY, lasting=(SilentOperation(at_operation=5),))
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)

    with board.visit() as visit:
        write(visit, job, image)

    assert board.contents == image


def test_programs_that_never_do_anything_are_never_called_done(tmp_path: Path) -> None:
    board = Board(TINY, lasting=(SilentOperation(at_operation=2, lasting=True),))
    job = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="The unit at 0x005000"):
        write(visit, job, edited(board.original, EDIT))


@pytest.mark.parametrize("size", [0x2000, 0x8000, 0x10000, 0x80000, 1 << 20], ids=hex)
def test_an_erase_that_clears_more_than_stated_is_refuted_and_recovered(
    size: int, tmp_path: Path
) -> None:
    board = Board(SMALL, lasting=(WrongEraseUnit(opcode=0x20, size=size),))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)

    with (
        board.visit() as visit,
        pytest.raises(
            ChipHalfWritten, match="The erase 20h at 0x005000 did not clear exactly its 4096 bytes"
        ) as failed,
    ):
        write(visit, folder, image)
    assert "they plan without this erase instruction" in failed.value.next_step
    with fb.Job.open(folder) as job:
        assert job.refuted_opcodes_on(None) == {0x20}
    erases = board.chip.opcode_counts[0x20]
    with board.visit() as visit:
        finish(visit, folder)

    assert board.contents == image
    assert board.chip.opcode_counts[0x20] == erases
    with board.visit() as visit:  # and a later write of the same job has not forgotten
        write(visit, folder, edited(image, (0x9010, b"\xff" * 8)))
    assert board.chip.opcode_counts[0x20] == erases


def test_a_refuted_erase_reached_as_far_as_the_last_page_it_changed_a_byte_of(
    tmp_path: Path,
) -> None:
    """Of the first page that it cleared too much of, and of the last, one byte was not blank."""
    image = bytearray(firmware(SMALL.density_bytes))
    image[:0x100], image[0xFF00:0x10000] = b"\xff" * 0x100, b"\xff" * 0x100
    image[0x80] = image[0xFF80] = 0
    board = Board(SMALL, bytes(image), lasting=(WrongEraseUnit(opcode=0x20, size=0x10000),))
    folder = a_dumped_job(board, tmp_path / "board 17")

    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="did not clear exactly"):
        write(visit, folder, edited(board.original, EDIT))

    with fb.Job.open(folder) as job:
        refuted = [event for event in job.story if isinstance(event, OpcodeRefuted)]
    assert refuted == [OpcodeRefuted(opcode=0x20, start=0, size=0x10000)]


def test_an_erase_that_clears_less_than_stated_is_refuted_and_recovered(tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(WrongEraseUnit(opcode=0x52, size=0x1000),))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x40000, firmware(0x10000, seed=9)))

    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="The erase 52h at 0x040000"):
        write(visit, folder, image)
    with board.visit() as visit:
        finish(visit, folder)

    assert board.contents == image


def test_an_erase_unit_is_not_proven_where_its_neighbours_are_blank(tmp_path: Path) -> None:
    """The first unit lies in blank surroundings; the second has something to lose."""
    blank = b"\xff" * 0x10000
    contents = edited(firmware(1 << 20), (0, blank), (0x5000, firmware(0x1000)))
    board = Board(SMALL, contents, lasting=(WrongEraseUnit(opcode=0x20, size=0x8000),))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(contents, EDIT, (0x85010, b"a new memory"))

    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="The erase 20h at 0x085000"):
        write(visit, folder, image)
    with board.visit() as visit:
        finish(visit, folder)

    assert board.contents == image


def test_one_misread_does_not_refute_an_erase(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, EDIT)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        visit.bench.contacts.faults = (MisoFlips(rate=3e-7, seed=4),)
        try:
            fb.rewrite(plan)
        except FlashbenchError as error:
            assert error.exit_status in (3, 4)
        assert job.refuted_opcodes_on(None) == frozenset()


def test_a_worn_sector_is_named_and_never_called_done(tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(WornSector(start=0x5000, bits=4, seed=2),))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x5000, b"\xff" * 0x1000))

    with (
        board.visit() as visit,
        pytest.raises(
            ChipHalfWritten, match="The unit at 0x005000 is not blank after 3 erases"
        ) as failed,
    ):
        write(visit, folder, image)

    assert "flashbench finish" in failed.value.next_step
    with fb.Job.open(folder) as job:
        assert job.refuted_opcodes_on(None) == frozenset()
        assert "finish" in next_step(job).command
    with board.visit() as visit, pytest.raises(ChipHalfWritten, match="failed in 2 writes") as worn:
        finish(visit, folder)
    assert "this chip is worn there" in worn.value.seen
    assert worn.value.next_step.endswith("board 17' --to-new-chip")
    with fb.Job.open(folder) as job:
        assert next_step(job).command.endswith("board 17' --to-new-chip")
        assert "the unit at 0x005000 did not hold" in next_step(job).why


@pytest.mark.parametrize("factor", [0.5, 3, 8, 12])
def test_a_chip_slower_or_faster_than_typical_is_written(factor: float, tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(SlowChip(factor=factor),))
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x4000, firmware(0x4000, seed=5)))

    with board.visit() as visit:
        write(visit, job, image)

    assert board.contents == image


@pytest.mark.parametrize("factor", [3, 6, 7])
def test_a_chip_that_grows_slower_midway_is_sent_its_lost_pages_again(
    factor: int, tmp_path: Path
) -> None:
    """A busy chip drops a page in silence; no unit has to be erased a second time for that."""
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x10000, firmware(0x18000, seed=5)))
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        armed = visit.bench.faults

        def grow_slower(step: str, done: int, total: int, left_s: float | None) -> None:
            if board.chip.cell_change_count > 20:
                armed.faults = (SlowChip(factor=factor),)

        fb.verify(fb.rewrite(plan, progress=grow_slower))

    assert board.contents == image
    assert board.chip.complaint_counts()["while busy"] > 0, "pages were lost"
    erases = sum(board.chip.opcode_counts[opcode] for opcode in (0x20, 0x52, 0xD8))
    assert erases == len(plan.cells.units) > 1


def test_a_chip_that_stays_busy_is_given_up_with_a_bound(tmp_path: Path) -> None:
    board = Board(SMALL, lasting=(SlowChip(factor=1000),))
    job = a_dumped_job(board, tmp_path / "board 17")

    with (
        board.visit() as visit,
        pytest.raises(
            ChipHalfWritten, match=r"still busy after \d+ ms of an erase, twice the longest time"
        ),
    ):
        write(visit, job, edited(board.original, EDIT))


# --- a bus that fails -------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [1e-6, 1e-5, 1e-4])
def test_bits_flipped_while_writing_never_end_in_a_false_proof(rate: float, tmp_path: Path) -> None:
    for seed in range(6):
        board = Board(TINY)
        folder = a_dumped_job(board, tmp_path / f"board {seed}")
        image = edited(board.original, EDIT, (0x9010, b"a new memory"))
        with board.visit() as visit, fb.Job.open(folder) as job:
            plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
            visit.bench.contacts.faults = (MisoFlips(rate=rate, seed=seed),)
            try:
                fb.verify(fb.rewrite(plan))
                proven = True
            except FlashbenchError:
                proven = False
        assert not proven or board.contents == image
        if job.unfinished() is not None:
            with board.visit() as visit:
                finish(visit, folder)
            assert board.contents == image


REPLY_FAULTS = (MuteReply, ShortReply, StaleReply, DuplicatedReply)


@pytest.mark.parametrize("kind", REPLY_FAULTS, ids=lambda kind: kind.__name__)
def test_a_bad_reply_in_any_transfer_is_an_error_and_recovered(
    kind: type[MuteReply], tmp_path: Path
) -> None:
    board = Board(TINY)
    master = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit, fb.Job.open(master) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        first = visit.bench.adapter.bulk_transfers + 1
        fb.verify(fb.rewrite(plan))
        last = visit.bench.adapter.bulk_transfers
    errors = 0
    for number in range(first, last + 1, 3):
        board = Board(TINY)
        folder = a_dumped_job(board, tmp_path / f"board {number}")
        try:
            with board.visit(kind(at_transfer=number)) as visit:
                write(visit, folder, image)
        except FlashbenchError as error:
            errors += 1
            assert isinstance(error, ChipHalfWritten | AdapterError), error
        with fb.Job.open(folder) as job:
            begun = job.unfinished() is not None
        with board.visit() as visit:
            if begun:
                finish(visit, folder)
            else:
                write(visit, folder, image)
        assert board.contents == image

    assert errors >= 5


def test_an_unplug_while_the_write_is_read_back_is_half_written(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit, fb.Job.open(folder) as job:
        written = fb.rewrite(fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image))
        visit.bench.adapter.unplug()
        with pytest.raises(ChipHalfWritten, match="left the USB") as failed:
            fb.verify(written)

    assert failed.value.exit_status == 4
    with board.visit() as visit:
        finish(visit, folder)
    assert board.contents == image


def test_a_cell_that_changes_after_its_unit_was_proven_is_found_and_mended(
    tmp_path: Path,
) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit, fb.Job.open(folder) as job:
        written = fb.rewrite(fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image))
        board.chip.areas["cells"][0x5010:0x5011] = b"A"
        with pytest.raises(ChipHalfWritten) as failed:
            fb.verify(written)

    assert "1 bytes are not the target's, first at 0x005010" in failed.value.seen
    assert "(61h wanted, 41h read)" in failed.value.seen
    with board.visit() as visit:
        finish(visit, folder)
    assert board.contents == image


def test_a_restore_that_is_not_proven_leads_on_to_restore(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board")
    with board.visit() as visit:
        write(visit, folder, edited(board.original, EDIT))
    with board.visit() as visit, fb.Job.open(folder) as job:
        written = fb.rewrite(plan_restore(visit.identify(), job))
        board.chip.areas["cells"][0x5010:0x5011] = b"A"
        with pytest.raises(ChipHalfWritten) as failed:
            fb.verify(written)

    assert failed.value.next_step == (
        f"Check the contact, then run: flashbench restore {folder}"
        f"  (or: flashbench finish {folder})"
    )


def test_cells_proven_and_protection_not_put_back_is_not_done(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit, fb.Job.open(folder) as job:
        written = fb.rewrite(fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image))
        preset(board, SR1=0x04)
        with pytest.raises(ChipHalfWritten) as failed:
            fb.verify(written)
        assert job.unfinished() is not None

    assert "The cells are proven, but the status register 1 reads 04h instead of 00h" in str(
        failed.value
    )
    with board.visit() as visit:
        finish(visit, folder)
    assert board.chip.stored["SR1"] == 0x00


def test_a_closed_adapter_before_the_proof_is_half_written(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with fb.Job.open(folder) as job:
        with board.visit() as visit:
            plan = fb.plan_rewrite(
                visit.identify(), fb.reload_backup(job), edited(board.original, EDIT)
            )
            written = fb.rewrite(plan)
        with pytest.raises(ChipHalfWritten, match="another session"):
            fb.verify(written)


# --- address modes and large units -----------------------------------------------------------

MODES = {
    "W25Q256FV by B7h": load_part("W25Q256FV"),
    "W25Q256JV by 4-byte opcodes": load_part("W25Q256JV"),
    "MX25U25645G by 4-byte opcodes": load_part("MX25U25645G"),
    "MX25U25645G by B7h": replace(load_part("MX25U25645G"), sfdp=b""),
    "MT25QU256A by 4-byte opcodes": load_part("MT25QU256A"),
}
"""06h B7h is on none of them; `tests/test_real_image.py` has it, on QEMU's n25q256a13."""


def an_edit_on_both_sides_of_16_mib(board: Board) -> bytes:
    middle = 1 << 24
    return edited(board.original, (middle - 8, b"across 16 MiB"), (0x100, b"low"))


@pytest.mark.parametrize("name", MODES)
@pytest.mark.parametrize("left", [(), (LeftIn4ByteMode(),)], ids=["3-byte", "4-byte"])
def test_parts_above_16_mib_are_written_and_their_mode_left_as_found(
    name: str, left: tuple[Fault, ...], tmp_path: Path
) -> None:
    board = Board(MODES[name], lasting=left)
    job = a_dumped_job(board, tmp_path / "board 17")
    image = an_edit_on_both_sides_of_16_mib(board)

    with board.visit() as visit:
        write(visit, job, image)

    assert board.contents == image
    assert board.chip.four_byte_mode is bool(left)
    demand_good_manners(board)


def test_the_address_mode_is_put_back_after_power_stayed_and_the_process_went(
    tmp_path: Path,
) -> None:
    """The chip is found in 4-byte mode then, and the job knows that it was not before."""
    board = Board(load_part("W25Q256FV"))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = an_edit_on_both_sides_of_16_mib(board)
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)

        def unplug(step: str, done: int, total: int, left_s: float | None) -> None:
            if done:
                visit.bench.adapter.unplug()

        with pytest.raises(ChipHalfWritten, match="left the USB"):
            fb.rewrite(plan, progress=unplug)
    assert board.chip.four_byte_mode

    with board.visit() as visit:
        finish(visit, folder)

    assert board.contents == image
    assert not board.chip.four_byte_mode
    demand_good_manners(board)


def test_the_address_mode_is_put_back_when_the_bus_fails_in_an_erase(tmp_path: Path) -> None:
    """A busy chip ignores E9h: the mode is put back once the erase is over."""
    board = Board(load_part("W25Q256FV"))
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, EDIT)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        faults, erase_span = visit.bench.faults, board.chip._erase_span

        def erase_and_spoil_the_next_reply(*arguments: Any) -> None:
            now = visit.bench.adapter.bulk_transfers
            faults._reply_faults = tuple(StaleReply(at_transfer=now + n) for n in (0, 1))
            erase_span(*arguments)

        board.chip._erase_span = erase_and_spoil_the_next_reply  # type: ignore[assignment, method-assign]
        with pytest.raises(ChipHalfWritten, match="The adapter failed"):
            fb.rewrite(plan)

    assert not board.chip.four_byte_mode
    assert board.chip.complaint_counts()["while busy"] == 0


def test_units_of_256_kib_are_written_whole(tmp_path: Path) -> None:
    """64 MiB, 256 KiB units, on-die ECC: nothing is programmed that was not erased."""
    board = Board(load_part("S25FL512S"))
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x3FF0, b"\x00" * 0x20), (0x3FC0000, b"last unit"))
    with board.visit() as visit:
        write(visit, folder, image)

    assert board.contents == image
    assert board.chip.opcode_counts[0xDC] == 2
    demand_good_manners(board)


# --- what already holds, and what follows -----------------------------------------------------


def test_a_chip_that_already_holds_the_target_is_verified_and_not_changed(tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit:
        write(visit, job, image)
    changes = board.chip.change_count

    with board.visit() as visit:
        proof = write(visit, job, image)

    assert board.chip.change_count == changes
    assert (proof.target_name, proof.byte_count) == ("image 1", 1 << 20)


def test_image_2_is_written_over_image_1_and_the_original_restored(tmp_path: Path) -> None:
    board = Board(SMALL)
    job = a_dumped_job(board, tmp_path / "board 17")
    first = edited(board.original, EDIT)
    second = edited(board.original, (0x9010, b"another memory"))
    with board.visit() as visit:
        write(visit, job, first)
    with board.visit() as visit:
        write(visit, job, second)
    assert board.contents == second

    with board.visit() as visit:
        proof = restore(visit, job)

    assert board.contents == board.original
    assert proof.target_name == "original"
    assert proof.registers == {
        Register.STATUS_1: 0,
        Register.STATUS_2: 0,
        Register.STATUS_3: 0x60,
    }


def test_a_plan_says_what_it_will_do(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(
            visit.identify(), fb.reload_backup(job), edited(board.original, EDIT)
        )

    assert [(unit.start, unit.size) for unit in plan.cells.units] == [(0x5000, 0x1000)]
    assert plan.cells.changed_bytes == 12
    assert plan.cells.seconds > 0.05
    assert not plan.changes_nothing
    assert plan.target_name == "image 1"


def test_a_whole_new_image_by_chip_erase_is_read_before_and_after(tmp_path: Path) -> None:
    """Only where a unique ID tells the chip; the picture of all of it is checked before C7h."""
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(b"\xff" * (1 << 20), (0, firmware(0x8000, seed=7)))
    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        assert plan.cells.chip_erase
        board.chip.areas["cells"][0xFFFFF:0x100000] = b"\x00"
        with pytest.raises(ChipUntouched, match="no longer reads as it did"):
            fb.rewrite(plan)
    assert board.chip.change_count == 0


@pytest.mark.parametrize("protected", [0x00, 0x04], ids=["open", "upper 64 KiB protected"])
def test_a_chip_erase_needs_the_whole_chip_open(protected: int, tmp_path: Path) -> None:
    """The image is written in the lower half only; C7h is ignored if any block is protected."""
    board = Board(SMALL)
    preset(board, SR1=protected)
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(b"\xff" * (1 << 20), (0, firmware(0x8000, seed=7)))

    with board.visit() as visit:
        write(visit, job, image)

    assert board.contents == image
    assert board.chip.stored["SR1"] == protected
    assert board.chip.opcode_counts[0xC7] == 1
    demand_good_manners(board)


def test_a_job_is_finished_although_its_journal_cannot_be_written_any_more(tmp_path: Path) -> None:
    """After the first erase nothing is stopped by the disk; the job says that it is incomplete."""
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with board.visit() as visit:
        job = fb.Job.open(folder)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)

        def full(*_: object) -> None:
            raise OSError(errno.EIO, "Input/output error")

        def fail_from_now_on(step: str, done: int, total: int, left_s: float | None) -> None:
            if board.chip.cell_change_count:
                job._disk.write = full  # type: ignore[assignment, method-assign]

        proof = fb.verify(fb.rewrite(plan, progress=fail_from_now_on))
        assert proof.target_name == "image 1"
        assert job.journal_failure is not None
        with pytest.raises(FlashbenchError):
            job.close()

    assert board.contents == image


def test_a_second_accident_in_another_unit_is_recovered(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT, (0x9010, b"a new memory"), (0xD010, b"a new memory"))
    for fault in (LosePower(at_operation=20, seed=1), LosePower(at_operation=30, seed=2)):
        with pytest.raises(FlashbenchError), board.visit(fault) as visit:
            go_on(visit, folder, image)

    with board.visit() as visit:
        restore(visit, folder)

    assert board.contents == board.original


def go_on(visit: Visit, folder: Path, image: bytes) -> None:
    with fb.Job.open(folder) as job:
        begun = job.unfinished() is not None
    if begun:
        finish(visit, folder)
    else:
        write(visit, folder, image)


def test_the_write_survives_an_unplug_while_protection_is_put_back(tmp_path: Path) -> None:
    board = Board(SMALL)
    preset(board, SR1=0x1C)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, EDIT)
    with (
        pytest.raises(ChipHalfWritten, match="left the USB"),
        board.visit() as visit,
        fb.Job.open(folder) as job,
    ):
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)

        def unplug_at_the_end(step: str, done: int, total: int, left_s: float | None) -> None:
            if done == total:
                visit.bench.adapter.unplug()

        fb.rewrite(plan, progress=unplug_at_the_end)
    assert board.chip.stored["SR1"] != 0x1C

    with board.visit() as visit:
        finish(visit, folder)

    assert board.contents == image
    assert board.chip.stored["SR1"] == 0x1C
