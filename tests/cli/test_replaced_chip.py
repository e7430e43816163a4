"""A chip without a factory number that died half-written, and the one that took its place."""

from dataclasses import replace
from pathlib import Path

import pytest

from flashbench.rehearsal import arm
from flashbench.rehearsal.faults import MisoFlips
from tests.cli.workplace import three_lines, told
from tests.month.invented_bench import (
    SECTOR,
    SMALL_MODEL,
    Board,
    Chip,
    InventedBench,
    factory_contents,
    went_well,
)

OTHER_MODEL = replace(SMALL_MODEL, name="WF7")
"""A model with a chip of the same part and nothing else in common."""


class Replaced:
    """The board's own chip is half-written; another one of its part holds the image, proven."""

    def __init__(self, folder: Path) -> None:
        self.bench = InventedBench(folder)
        self.board: Board = self.bench.new_board(17, SMALL_MODEL)
        self.bench.book_in(self.board)
        self.bench.dump(self.board)
        self.wanted = self.bench.edit(self.board)
        assert self.bench.cut_power_while("write", self.board, after=2).exit_code == 4
        self.new: Chip = self.bench.new_chip(
            "fresh",
            part=SMALL_MODEL.part,
            contents=factory_contents(OTHER_MODEL, 99),
            socket=self.bench.socket_for(SMALL_MODEL.part),
        )
        self.written = went_well(
            self.bench.at_chip(
                "write", self.board, "--to-new-chip", *SMALL_MODEL.identify, chip=self.new
            )
        )


@pytest.fixture
def replaced(tmp_path: Path) -> Replaced:
    return Replaced(tmp_path)


def test_the_old_chip_goes_into_a_bag_that_says_what_it_is(replaced: Replaced) -> None:
    said = " ".join(replaced.written.stdout.split())

    assert "old chip half-written: it belongs in a bag that says so" in said
    assert "It has no factory number: a chip that holds just image 1 will be taken for the" in said
    assert 'labelled "WF2 bag 017, half-written, not to be used" and keep it' in said


def test_verify_next_and_whose_are_content_with_the_replacement(replaced: Replaced) -> None:
    bench, board = replaced.bench, replaced.board

    verified = went_well(bench.at_chip("verify", board, chip=replaced.new))
    coming = told(bench.off_chip("next", str(board.job), "--json"))
    known = went_well(
        bench.at_socket("whose", str(bench.shelf), *SMALL_MODEL.identify, chip=replaced.new)
    )

    said = " ".join(verified.stdout.split())
    assert "the chip holds image 1, byte for byte." in said
    assert "It is taken for replacement chip 1" in said
    assert "the board's own chip was left half-written: it belongs in a bag that says so" in said
    assert coming["command"] == f"flashbench outcome {board.job}"
    assert any("own chip was left half-written" in sentence for sentence in coming["proven"])
    assert "This is the chip of job WF2 bag 017." in known.stdout


def test_the_old_chip_put_back_is_known_as_half_written_everywhere(replaced: Replaced) -> None:
    bench, board = replaced.bench, replaced.board
    on = f"flashbench finish {board.job}  (or: flashbench restore {board.job})"
    held = board.chip.cells
    assert held not in (board.dumped, replaced.wanted)

    met = [
        bench.at_chip("verify", board),
        bench.at_chip("dump", board, "--again"),
        bench.at_chip("write", board),
        bench.at_socket("whose", str(bench.shelf), *SMALL_MODEL.identify, chip=board.chip),
        bench.at_socket("dump", str(bench.shelf / "new"), *SMALL_MODEL.identify, chip=board.chip),
    ]

    for refused in met:
        assert refused.exit_code == 4, refused.stderr
        assert on in three_lines(refused)[2]
        assert refused.stdout.splitlines()[-1].endswith("Leave the chip in: it is half-written.")
    assert board.chip.cells == held
    assert not (board.job / "round-2").exists()


def test_the_old_chip_put_back_is_known_on_leads_too_long_for_the_clock_asked_for(
    replaced: Replaced,
) -> None:
    """One wrong page would make it another chip, and what it holds the board's next original."""
    bench, board = replaced.bench, replaced.board
    arm(bench.socket_for(board.chip.part).folder, [MisoFlips(rate=1e-3, above_hz=8e6)])

    again = bench.at_chip("dump", board, "--again")
    into_new_job = bench.at_socket(
        "dump", str(bench.shelf / "new"), *SMALL_MODEL.identify, chip=board.chip
    )

    assert (again.exit_code, into_new_job.exit_code) == (4, 4), again.stderr + into_new_job.stderr
    assert not (board.job / "round-2").exists()


def test_the_old_chip_that_ran_half_written_is_no_new_round(replaced: Replaced) -> None:
    bench, board = replaced.bench, replaced.board
    board.chip.board_runs(SMALL_MODEL.size - SECTOR, b"the board wrote this")

    again = bench.at_chip("dump", board, "--again")

    assert again.exit_code == 4
    state, seen, next_step = three_lines(again)
    assert state == "The chip may be half-written from before; this command changed nothing."
    assert seen.startswith("The board's own chip was left half-written by job WF2 bag 017, and")
    assert f"flashbench write {board.job} --to-new-chip. If its bag says that it is" in next_step
    assert not (board.job / "round-2").exists()


def test_the_replacement_whose_board_wrote_beside_the_edit_comes_back_for_another_round(
    replaced: Replaced,
) -> None:
    bench, board = replaced.bench, replaced.board
    replaced.new.board_runs(SMALL_MODEL.edit_at + 0x400, b"the board wrote this")
    replaced.new.board_runs(SMALL_MODEL.size - SECTOR, b"the board wrote this")

    again = bench.at_chip("dump", board, "--again", chip=replaced.new)

    assert again.exit_code == 0, again.stderr


def test_the_replacement_that_ran_comes_back_for_another_round(replaced: Replaced) -> None:
    bench, board = replaced.bench, replaced.board
    replaced.new.board_runs(SMALL_MODEL.size - SECTOR, b"the board wrote this")

    verified = bench.at_chip("verify", board, chip=replaced.new)
    again = bench.at_chip("dump", board, "--again", chip=replaced.new)

    assert verified.exit_code == 3
    assert three_lines(verified)[2].endswith(f"flashbench dump {board.job} --again")
    assert again.exit_code == 0, again.stderr
    assert (board.job / "round-2" / "original.bin").read_bytes() == replaced.new.cells
