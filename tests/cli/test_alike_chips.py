"""Chips without a factory number at the command line: their bags and the shelf are asked, too."""

import random
from pathlib import Path

import pytest
from typer.testing import Result

from flashbench.rehearsal import arm, power_cycle
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import run, three_lines
from tests.month.invented_bench import SMALL_MODEL, Board, InventedBench, went_well

READING = ("--datasheet-supply", "2.7-3.6")


@pytest.fixture
def bench(tmp_path: Path) -> InventedBench:
    return InventedBench(tmp_path)


def cut_off(bench: InventedBench, board: Board, after: int) -> None:
    """The board's image goes onto its own chip, and the power fails."""
    bench.dump(board)
    bench.edit(board)
    assert bench.cut_power_while("write", board, after=after).exit_code == 4


def a_sister(bench: InventedBench, board: Board) -> Board:
    """A board with the same firmware, dumped; it differs where the other was being written."""
    sister = bench.new_board(18, SMALL_MODEL)
    at = board.model.edit_at + 0x100
    cells = board.chip.cells
    sister.holds = cells[:at] + b"serial 4711" + cells[at + 11 :]
    sister.chip.board_runs(0, sister.holds)
    bench.dump(sister)
    return sister


def test_a_neighbour_s_chip_is_not_finished_and_is_named(bench: InventedBench) -> None:
    board = bench.new_board(17, SMALL_MODEL)
    sister = a_sister(bench, board)
    cut_off(bench, board, after=1)

    refused = bench.at_chip("finish", board, chip=sister.chip)

    assert refused.exit_code == 3
    assert three_lines(refused)[1] == (
        "The chip in the socket is not that of job WF2 bag 017: where this job was writing it holds"
        " what job WF2 bag 018 (board-018) has there."
    )
    assert three_lines(refused)[2] == (
        "Put it back into the bag of WF2 bag 018; then put in the chip of WF2 bag 017."
    )
    assert sister.chip.cells == sister.holds
    went_well(bench.at_chip("finish", board))


def test_yes_does_not_say_whose_a_half_written_chip_without_a_number_is(
    bench: InventedBench,
) -> None:
    board = bench.new_board(17, SMALL_MODEL)
    cut_off(bench, board, after=1)
    torn = board.chip.cells
    at_bench = bench.sockets["left"].adapter

    unasked = run("finish", str(board.job), "--yes", *at_bench, "--supply", "3.3")
    other_bag = bench.at_chip("finish", board, "--label", "018")

    assert unasked.exit_code == 2
    assert three_lines(unasked)[2] == (
        'Read the bag, and say its last three characters: --label "d17". --yes does not answer'
        " this."
    )
    assert three_lines(other_bag)[1] == "The label of this job does not end in '018'."
    assert board.chip.cells == torn


def onto_its_chip(bench: InventedBench, board: Board, donor: Board, *words: str) -> Result:
    """`write --to-new-chip` with the chip of a board that is given up."""
    return bench.at_chip("write", board, "--to-new-chip", *words, *READING, chip=donor.chip)


def two_boards(bench: InventedBench) -> tuple[Board, Board]:
    board, donor = bench.new_board(17, SMALL_MODEL), bench.new_board(3, SMALL_MODEL)
    bench.dump(donor)
    bench.dump(board)
    bench.edit(board)
    return board, donor


def test_a_chip_of_a_board_that_is_given_up_is_named_by_its_job_and_its_bag(
    bench: InventedBench,
) -> None:
    board, donor = two_boards(bench)
    named = ("--chip-of", str(donor.job), "--chip-label")

    refused = onto_its_chip(bench, board, donor)
    other_bag = onto_its_chip(bench, board, donor, *named, "017")
    done = went_well(onto_its_chip(bench, board, donor, *named, "003"))

    assert three_lines(refused)[2].endswith(
        "(If that job is over and its chip may be used up: say so with the same command:"
        f" --chip-of {donor.job})"
    )
    assert three_lines(other_bag)[1] == (
        "The label of the job named by --chip-of does not end in '017'."
    )
    said = " ".join(done.stdout.split())
    assert "taken for another than the board's own by what it held: no factory number tells" in said
    assert 'labelled "WF2 bag 017, original chip" and keep it.' in said
    assert "nothing was erased on it" not in said
    assert donor.chip.cells == board.edited(board.dumped)
    assert (donor.job / "round-1" / "original.bin").read_bytes() == donor.dumped
    assert board.chip.cells == board.dumped


def test_a_donor_s_chip_that_was_cut_off_is_finished_though_the_shelf_knows_it(
    bench: InventedBench,
) -> None:
    board, donor = two_boards(bench)
    socket = bench.sockets["left"]
    bench.insert(donor.chip, socket)
    for after in (1, 3):
        arm(socket.folder, (LosePower(at_operation=after, seed=after),))
        if after == 1:
            named = ("--chip-of", str(donor.job), "--chip-label", "003")
            cut = onto_its_chip(bench, board, donor, *named)
        else:
            cut = bench.at_chip("finish", board, chip=donor.chip)
        assert cut.exit_code == 4, cut.stderr
        arm(socket.folder, ())
        power_cycle(socket.folder)

    went_well(bench.at_chip("finish", board, chip=donor.chip))

    assert donor.chip.cells == board.edited(board.dumped)


def test_the_own_chip_left_in_the_socket_is_not_written_once_the_board_ran(
    bench: InventedBench,
) -> None:
    board, _ = two_boards(bench)
    board.chip.board_runs(0x9100, b"boot")
    ran = board.chip.cells

    refused = bench.at_chip("write", board, "--to-new-chip", *READING)

    assert refused.exit_code == 3
    assert "it may be the board's own, which ran since" in three_lines(refused)[1]
    assert board.chip.cells == ran


def test_a_sister_s_chip_is_dumped_while_a_neighbour_s_replacement_is_half_written(
    bench: InventedBench,
) -> None:
    """Nearly all of the replacement was announced; the sister's chip is none of it."""
    board, _ = two_boards(bench)
    socket = bench.sockets["left"]
    used = random.Random(5).randbytes(SMALL_MODEL.size)
    new = bench.new_chip("used", part=SMALL_MODEL.part, contents=used, socket=socket)
    bench.insert(new, socket)
    arm(socket.folder, (LosePower(at_operation=3, seed=1),))
    cut = bench.at_chip("write", board, "--to-new-chip", *READING, chip=new)
    assert cut.exit_code == 4, cut.stderr
    arm(socket.folder, ())
    power_cycle(socket.folder)

    bench.dump(bench.new_board(18, SMALL_MODEL))
    itself = bench.at_socket("dump", str(bench.shelf / "another"), *READING, chip=new)

    assert itself.exit_code == 4
    assert "is one of job WF2 bag 017" in three_lines(itself)[1]


def test_what_chip_it_is_takes_a_word_or_a_number(bench: InventedBench) -> None:
    board = bench.new_board(17, SMALL_MODEL)
    cut_off(bench, board, after=1)

    result = bench.at_chip("finish", board, "--chip-is", "the old one")

    assert result.exit_code == 2
    assert three_lines(result)[1] == (
        "--chip-is takes 'original' or the number of a replacement chip, not 'the old one'."
    )
