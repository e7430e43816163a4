"""Which chips may be written as new ones: not those of other boards on the shelf."""

from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import OtherChip
from flashbench.shelf.owner import refuse_chip_of_a_board
from tests.builders.bench import SMALL, Board, a_dumped_job, edited, firmware


def numbered(number: int, contents: bytes) -> Board:
    """A board whose chip has a factory number of its own."""
    return Board(replace(SMALL, unique_id=number.to_bytes(8, "big")), contents)


def refusal_of(board: Board, folder: Path) -> OtherChip | None:
    """What is said of this board's chip where the job in `folder` wants a new one."""
    with board.visit() as visit, fb.Job.open(folder) as job:
        try:
            refuse_chip_of_a_board(visit.identify(), job)
        except OtherChip as error:
            return error
    return None


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    return a_dumped_job(numbered(1, firmware(SMALL.density_bytes)), tmp_path / "mine")


@pytest.fixture
def neighbour(tmp_path: Path) -> Board:
    board = numbered(2, edited(firmware(SMALL.density_bytes), (0x8000, b"another board")))
    a_dumped_job(board, tmp_path / "neighbour")
    return board


def test_a_neighbour_s_chip_is_known_by_its_number_whatever_it_holds(
    mine: Path, neighbour: Board
) -> None:
    wiped = numbered(2, b"\xff" * SMALL.density_bytes)

    for board in (neighbour, wiped):
        refused = refusal_of(board, mine)
        assert refused is not None
        assert refused.seen.endswith("it is the chip of job neighbour.")
        assert "shelf" in refused.next_step and "--forget neighbour" in refused.next_step


def test_a_chip_of_another_number_is_new_even_with_a_neighbour_s_contents(
    mine: Path, neighbour: Board
) -> None:
    assert refusal_of(numbered(3, neighbour.original), mine) is None


def test_a_chip_that_replaced_the_neighbour_s_own_is_that_board_s_too(
    mine: Path, neighbour: Board
) -> None:
    replacement = numbered(4, neighbour.original[:-4] + b"used")
    only_looked_at = numbered(5, neighbour.original[:-4] + b"more")
    with fb.Job.open(mine.parent / "neighbour") as job:
        backup = fb.reload_backup(job)
        for board in (only_looked_at, replacement):
            with board.visit() as visit:
                kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
                if board is replacement:
                    plan = fb.plan_replacement(kept, backup, target=backup.image)
                    fb.verify(fb.rewrite(plan))

    assert refusal_of(replacement, mine) is not None
    assert refusal_of(only_looked_at, mine) is None
