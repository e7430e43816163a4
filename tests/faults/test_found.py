"""What the exhaustion found once, each as the point that showed it."""

from pathlib import Path

from flashbench.rehearsal.faults import FrameGlitch, MuteReply
from tests.builders.disk import DiskFault, Does
from tests.faults.outcome import Play, State
from tests.faults.scene import Interference, play


def test_an_adapter_that_fails_to_close_does_not_hide_a_half_written_chip(tmp_path: Path) -> None:
    state = Play(tmp_path, seed=1).state("dumped")
    mute = MuteReply(at_transfer=80, lasting=True)

    ending = play("write", state.board, state.folder, Interference(faults=(mute,)))

    assert ending.error is not None
    assert ending.error.exit_status == 4
    assert "half-written" in ending.error.state


def test_a_status_register_that_a_flipped_opcode_wrote_is_named_with_its_value(
    tmp_path: Path,
) -> None:
    """05h with one bit flipped is 01h: behind 06h it writes the status register."""
    states = Play(tmp_path, seed=1)
    frame = next(
        number
        for number in range(50, 98)
        if _writes_the_register(states.state("dumped").copy(tmp_path / str(number)), number)
    )
    state = states.state("dumped").copy(tmp_path / "again")
    glitch = FrameGlitch(at_frame=frame, what="MOSI flips", at_bit=5)
    play("write", state.board, state.folder, Interference(faults=(glitch,)))

    ending = play("finish", state.board, state.folder)

    assert ending.error is not None
    assert "status register 1 (FCh)" in ending.error.seen
    assert (state.folder / "round-1" / "original.bin").is_file()


def _writes_the_register(state: State, number: int) -> bool:
    glitch = FrameGlitch(at_frame=number, what="MOSI flips", at_bit=5)
    play("write", state.board, state.folder, Interference(faults=(glitch,)))
    return bool(state.board.chip.register_change_count)


def test_a_disk_that_fails_in_mid_write_does_not_make_the_chip_untouched(tmp_path: Path) -> None:
    """Neither while it refuses the lines of the write, nor when the job cannot be closed."""
    state = Play(tmp_path, seed=1).state("new chip of a known part")
    changes = state.board.chip.change_count
    full = DiskFault(at=142, does=Does.FULL, from_then_on=True)

    ending = play("to new chip", state.board, state.folder, Interference(disk=full))

    assert state.board.chip.change_count > changes
    assert ending.error is not None
    assert ending.error.exit_status == 4
    assert ending.error.state == (
        "The chip holds image 1, and was read back; the job's journal may not say so."
    )


def test_a_factory_number_that_was_misread_at_a_failed_dump_leads_to_a_new_folder(
    tmp_path: Path,
) -> None:
    """A chip select with a bad contact cut both readings of the number at the same bit."""
    state = Play(tmp_path, seed=1).state("new, known part")
    cut = FrameGlitch(at_frame=34, what="CS# stays high", at_bit=64, lasting=True)
    play("dump", state.board, state.folder, Interference(faults=(cut,)))

    again = play("dump", state.board, state.folder)
    elsewhere = play("dump", state.board, state.folder.with_name("another"))

    number = state.board.part.unique_id.hex()
    assert again.error is not None
    assert f"(ID ef5012000000, factory number {number})" in again.error.seen
    assert "was opened for (ID ef5012000000, factory number " in again.error.seen
    assert again.error.next_step == (
        "Put that chip in. If it is in, then its ID was misread when the round was opened, of"
        " which nothing was saved: dump it into a new folder, as you would dump another chip:"
        " flashbench dump NEWJOB"
    )
    assert elsewhere.is_done


def test_a_best_reading_that_is_shifted_alike_in_every_read_is_refused(tmp_path: Path) -> None:
    """A clock lost at the same bit of each long frame: no matter of cells, so no majority helps."""
    state = Play(tmp_path, seed=1).state("new, unsteady cells")
    lost = FrameGlitch(at_frame=38, what="clock lost", at_bit=161589, lasting=True)

    ending = play("best effort", state.board, state.folder, Interference(faults=(lost,)))

    assert ending.error is not None
    assert ending.error.seen.startswith("Most reads agree, but 16 bytes read again from ")
    assert ending.error.seen.endswith(" Every read is kept.")
    assert not (state.folder / "round-1" / "best-reading.bin").exists()
    assert len(list(state.folder.glob("round-1/doubtful-*.bin"))) == 3


def test_a_new_chip_that_holds_the_best_reading_is_not_told_from_the_own_one(
    tmp_path: Path,
) -> None:
    """Without a factory number: it is not written, and what it holds already is named."""
    state = Play(tmp_path, seed=1).state("new chip for a best reading, torn page")
    assert play("restore", state.board, state.folder).is_done
    changes = state.board.chip.change_count

    ending = play("restore", state.board, state.folder)

    assert ending.error is not None
    assert ending.error.seen == (
        "The chip in the socket is, or may be, the board's own: job job has no original of that,"
        " only a best reading, and never writes to it."
    )
    assert ending.error.next_step == (
        "Put the new chip in. If this is the new one, it holds the best reading already:"
        f" flashbench verify {state.folder} says what it holds."
    )
    assert state.board.chip.change_count == changes
