"""`flashbench spare`: a chip for stock, and never a customer's identity on it."""

import random
from pathlib import Path

import pytest
from typer.testing import Result

from flashbench.report.short_code import short_code
from tests.cli.workplace import places_text, run, three_lines, told
from tests.month.invented_bench import (
    SECTOR,
    SMALL_MODEL,
    Board,
    Chip,
    InventedBench,
    sha256,
    went_well,
)


@pytest.fixture
def bench(tmp_path: Path) -> InventedBench:
    return InventedBench(tmp_path)


def _edited_job(bench: InventedBench) -> Board:
    board = bench.new_board(17, SMALL_MODEL)
    bench.dump(board)
    bench.edit(board)
    return board


def _used(bench: InventedBench) -> Chip:
    """A second-hand chip: what it holds proves its size, which the table does not know."""
    contents = random.Random(5).randbytes(SMALL_MODEL.size)
    return bench.new_chip(
        "used", part=SMALL_MODEL.part, contents=contents, socket=bench.sockets["left"]
    )


def _spare(bench: InventedBench, board: Board, chip: Chip, *words: str) -> Result:
    return bench.at_chip("spare", board, "--yes", *board.model.identify, *words, chip=chip)


def _without_identity(bench: InventedBench, board: Board) -> bytes:
    """Make image 2: the edit, and the board's own sector blank."""
    at = SMALL_MODEL.size // 2
    wanted = board.edited(board.dumped)
    wanted = wanted[:at] + b"\xff" * SECTOR + wanted[at + SECTOR :]
    path = bench.files / "blank.toml"
    path.write_text(places_text(board.dumped, wanted))
    went_well(bench.off_chip("edit", str(board.job), str(path)))
    return wanted


def test_a_spare_is_programmed_proven_and_labelled(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)
    wanted = _without_identity(bench, board)

    result = went_well(_spare(bench, board, chip))

    assert chip.cells == wanted
    assert board.chip.cells == board.dumped
    assert f"| image {short_code(sha256(wanted))} " in result.stdout
    assert "| o  pin 1 at the dot" in result.stdout
    assert "| 2.7 to 3.6 V" in result.stdout
    assert "| 512 Kbit (64 KiB)" in result.stdout
    assert "into a bag labelled" not in result.stdout  # nothing takes the place of the board's own


def test_an_image_with_a_customer_s_identity_makes_no_spare(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)

    result = _spare(bench, board, chip)

    _, seen, next_step = three_lines(result)
    assert result.exit_code == 3
    assert "serial number at 0x8005" in seen
    assert "network address at 0x8012" in seen
    assert "XB000017" not in result.stderr
    assert "--image N" in next_step
    assert chip.operation_count == 0


def test_a_number_that_another_board_has_too_is_nobody_s(bench: InventedBench) -> None:
    board = _edited_job(bench)
    other = bench.new_board(18, SMALL_MODEL)
    bench.dump(other)
    chip = _used(bench)

    of_another_board = _spare(bench, board, chip, "--also-on", str(other.job))
    of_itself = _spare(bench, board, chip, "--also-on", str(board.job))

    assert of_another_board.exit_code == 3
    assert "serial number" in three_lines(of_another_board)[1]
    assert of_itself.exit_code == 2
    assert "in the job of another board" in three_lines(of_itself)[1]


def test_another_job_of_the_same_board_is_no_other_board(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)
    twin = bench.shelf / "twin"
    went_well(bench.at_socket("dump", str(twin), *SMALL_MODEL.identify, chip=board.chip))

    refused = _spare(bench, board, chip, "--also-on", str(twin))

    assert refused.exit_code == 2
    assert "is of the same board as job" in three_lines(refused)[1]
    assert chip.operation_count == 0


def test_whose_and_the_report_call_a_spare_a_spare(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)
    _without_identity(bench, board)
    went_well(_spare(bench, board, chip, "--image", "2"))

    seen = told(
        bench.at_socket("whose", str(bench.shelf), *SMALL_MODEL.identify, "--json", chip=chip)
    )
    went_well(bench.off_chip("report", str(board.job)))

    assert (seen["owner"]["label"], seen["owner"]["spare"]) == (board.label, True)
    assert "replacement" not in (board.job / "report.html").read_text()


def test_a_spare_says_nothing_of_the_board(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)
    _without_identity(bench, board)
    went_well(_spare(bench, board, chip, "--image", "2"))

    coming = told(run("next", str(board.job), "--json"))
    listed = told(run("shelf", str(bench.shelf), "--json"))["jobs"][0]

    assert coming["command"] == f"flashbench write {board.job}"
    assert listed["standing"] == "image made"


def test_the_board_s_own_chip_is_no_spare(bench: InventedBench) -> None:
    board = _edited_job(bench)
    _without_identity(bench, board)

    result = _spare(bench, board, board.chip)

    assert result.exit_code == 3
    assert "it is never written as a replacement" in result.stderr
    assert board.chip.cells == board.dumped


def test_a_board_s_chip_makes_no_spare_and_a_spare_replaces_a_board_s(
    bench: InventedBench,
) -> None:
    board, spare = _edited_job(bench), _used(bench)
    neighbour = bench.new_board(18, SMALL_MODEL)
    bench.dump(neighbour)
    _without_identity(bench, board)

    refused = _spare(bench, board, neighbour.chip)
    went_well(_spare(bench, board, spare))
    used_up = bench.at_chip(
        "restore", neighbour, "--to-new-chip", *SMALL_MODEL.identify, chip=spare
    )

    assert refused.exit_code == 3
    assert "it is the chip of job WF2 bag 018 (board-018)" in three_lines(refused)[1]
    assert neighbour.chip.operation_count == 0
    went_well(used_up)
    assert spare.cells == neighbour.holds


def test_an_own_chip_without_a_number_is_told_by_what_it_holds(bench: InventedBench) -> None:
    board, chip = _edited_job(bench), _used(bench)
    went_well(bench.at_chip("write", board, "--to-new-chip", *SMALL_MODEL.identify, chip=chip))

    dumped = told(bench.at_chip("dump", board, "--again", "--json"))

    assert dumped["board_wrote"] is None
    assert "this is the board's own chip, which this job left untouched" in dumped["notes"][-1]


def test_a_blank_chip_without_a_number_is_no_later_round(bench: InventedBench) -> None:
    board = _edited_job(bench)
    blank = bench.new_chip(
        "blank",
        part=SMALL_MODEL.part,
        contents=b"\xff" * SMALL_MODEL.size,
        socket=bench.socket_for(SMALL_MODEL.part),
    )

    refused = bench.at_chip("dump", board, "--again", chip=blank)
    own = bench.at_chip("dump", board, "--again")

    assert refused.exit_code == 3
    assert three_lines(refused)[1] == (
        "The chip in the socket is blank, and no chip of job WF2 bag 017 was left so: no board"
        " wrote that."
    )
    assert three_lines(refused)[2].startswith(
        "Put the job's chip in. If this is that one, put its contents back: flashbench restore"
        f" {board.job}. A chip that somebody else soldered"
    )
    went_well(own)
    assert (board.job / "round-2" / "original.bin").read_bytes() == board.holds
    assert not (board.job / "round-3").exists()
