"""Two jobs of one board are no two boards, whatever their folders are called."""

from pathlib import Path

from flashbench.job.folder import Job
from flashbench.shelf.spare import same_board
from tests.builders.shelf import stand_up


def _same(shelf: Path, *, boards: tuple[int, int], unique_ids: tuple[str, str]) -> str | None:
    one, two = (
        stand_up(shelf, f"job-{number}", board=board, unique_id=unique_id)
        for number, (board, unique_id) in enumerate(zip(boards, unique_ids, strict=True))
    )
    with Job.open(one) as job, Job.open(two) as other:
        return same_board(job, other)


def test_a_chip_that_both_jobs_met_tells_the_board_though_it_ran_since(tmp_path: Path) -> None:
    number = "00112233445566aa"

    assert _same(tmp_path, boards=(1, 2), unique_ids=(number, number)) == (
        f"both met the chip with the unique ID {number}"
    )


def test_the_same_contents_tell_the_board(tmp_path: Path) -> None:
    why = _same(tmp_path, boards=(1, 1), unique_ids=("00" * 8, "11" * 8))

    assert why == "both dumped the same contents"


def test_two_boards_are_two(tmp_path: Path) -> None:
    assert _same(tmp_path, boards=(1, 2), unique_ids=("00" * 8, "11" * 8)) is None
