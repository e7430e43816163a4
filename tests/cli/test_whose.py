"""Whose chip is in the socket: asked outright, and said where a stranger's chip is refused."""

import shutil
from pathlib import Path

import pytest
from typer.testing import Result

from flashbench.rehearsal import arm
from flashbench.rehearsal.faults import UnstableCells
from tests.cli.workplace import three_lines, told
from tests.month.invented_bench import SECTOR, SMALL_MODEL, Board, InventedBench, went_well


class Two:
    """Two boards of one model with their jobs on one shelf; neither was written yet."""

    def __init__(self, folder: Path) -> None:
        self.bench = InventedBench(folder)
        self.board, self.neighbour = (self.bench.new_board(n, SMALL_MODEL) for n in (17, 18))
        for board in (self.board, self.neighbour):
            self.bench.book_in(board)
            self.bench.dump(board)
        self.wanted = self.bench.edit(self.board)

    def whose(self, board: Board, *words: str, shelf: Path | None = None) -> Result:
        where = str(shelf or self.bench.shelf)
        return self.bench.at_socket("whose", where, *SMALL_MODEL.identify, *words, chip=board.chip)


@pytest.fixture
def two(tmp_path: Path) -> Two:
    return Two(tmp_path)


def test_whose_names_the_job_and_changes_nothing(two: Two) -> None:
    neighbour = went_well(two.whose(two.neighbour))
    own = told(two.whose(two.board, "--json"))

    assert "This is the chip of job WF2 bag 018." in neighbour.stdout
    assert "its original of round 1, byte for byte" in neighbour.stdout
    assert neighbour.stdout.splitlines()[-1] == "You may take the chip out."
    assert own["owner"]["label"] == "WF2 bag 017"
    assert (own["owner"]["image"], own["owner"]["equal"]) == ("original", True)
    for board in (two.board, two.neighbour):
        assert (board.chip.cells, board.chip.operation_count) == (board.holds, 0)


def test_a_chip_that_ran_since_is_told_by_its_sectors(two: Two) -> None:
    two.neighbour.chip.board_runs(SMALL_MODEL.size - SECTOR, b"the board wrote this")

    facts = told(two.whose(two.neighbour, "--json"))

    assert facts["owner"]["label"] == "WF2 bag 018"
    assert facts["owner"]["equal"] is False
    assert facts["owner"]["sectors"] - facts["owner"]["same_sectors"] == 1


def test_an_empty_shelf_owns_no_chip(two: Two, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()

    result = two.whose(two.board, shelf=tmp_path / "empty")

    assert result.exit_code == 0
    assert "No job on this shelf is clearly the one of this chip (0 jobs" in " ".join(
        result.stdout.split()
    )


def _half_write(two: Two) -> None:
    cut = two.bench.cut_power_while("write", two.board, after=2)
    assert cut.exit_code == 4


@pytest.mark.parametrize("verb", ["write", "restore", "finish", "verify"])
def test_a_neighbour_s_chip_is_refused_by_name_and_stays_as_it_is(two: Two, verb: str) -> None:
    if verb == "finish":
        _half_write(two)

    result = two.bench.at_chip(verb, two.board, chip=two.neighbour.chip)

    assert result.exit_code in (3, 4), result.stderr
    _, seen, next_step = three_lines(result)
    assert "It is the chip of job WF2 bag 018 (board-018)" in seen
    assert "its original of round 1, byte for byte" in seen
    assert next_step == (
        "Put it back into the bag of WF2 bag 018; then put in the chip of WF2 bag 017."
    )
    assert two.neighbour.chip.operation_count == 0
    assert two.neighbour.chip.cells == two.neighbour.holds


def test_a_chip_that_ran_since_is_not_called_a_stranger_s(two: Two) -> None:
    two.board.chip.board_runs(SMALL_MODEL.size - SECTOR, b"the board wrote this")

    seen = three_lines(two.bench.at_chip("write", two.board))[1]

    assert "It resembles this job itself most:" in seen


def test_a_refusal_stands_where_the_shelf_knows_nobody(two: Two) -> None:
    shutil.rmtree(two.neighbour.job)

    result = two.bench.at_chip("restore", two.board, chip=two.neighbour.chip)

    assert result.exit_code == 3
    assert "It is the chip of job" not in result.stderr
    assert two.neighbour.chip.operation_count == 0


def test_no_round_is_opened_with_a_neighbour_s_chip(two: Two) -> None:
    refused = two.bench.at_chip("dump", two.board, "--again", chip=two.neighbour.chip)
    own = two.bench.at_chip("dump", two.board, "--again")

    assert refused.exit_code == 3
    _, seen, next_step = three_lines(refused)
    assert seen.startswith("The chip in the socket is not that of job WF2 bag 017.")
    assert "It is the chip of job WF2 bag 018" in seen
    assert next_step.startswith("Put it back into the bag of WF2 bag 018")
    assert own.exit_code == 0, own.stderr
    assert (two.board.job / "round-2" / "original.bin").read_bytes() == two.board.holds
    assert not (two.board.job / "round-3").exists()


@pytest.mark.parametrize("best_effort", [(), ("--best-effort", "--reads", "3")])
def test_a_round_left_without_its_dump_does_not_take_a_neighbour_s_chip(
    two: Two, best_effort: tuple[str, ...]
) -> None:
    socket = two.bench.socket_for(SMALL_MODEL.part)
    arm(socket.folder, (UnstableCells(start=0x1000, length=0x100, bits=40, seed=1),))
    unsteady = two.bench.at_chip("dump", two.board, "--again")
    arm(socket.folder, ())

    refused = two.bench.at_chip("dump", two.board, *best_effort, chip=two.neighbour.chip)
    own = two.bench.at_chip("dump", two.board)

    assert unsteady.exit_code == 3
    assert (two.board.job / "round-2").is_dir()
    assert refused.exit_code == 3
    assert "It is the chip of job WF2 bag 018" in three_lines(refused)[1]
    assert own.exit_code == 0, own.stderr
    assert (two.board.job / "round-2" / "original.bin").read_bytes() == two.board.holds


@pytest.mark.parametrize("verb", ["write", "restore"])
def test_a_neighbour_s_chip_is_no_new_chip(two: Two, verb: str) -> None:
    refused = two.bench.at_chip(
        verb, two.board, "--to-new-chip", *SMALL_MODEL.identify, chip=two.neighbour.chip
    )

    assert refused.exit_code == 3, refused.stdout
    _, seen, next_step = three_lines(refused)
    assert seen == (
        "The chip in the socket is no new one: it is the chip of job WF2 bag 018 (board-018)."
    )
    assert next_step.startswith("Put it back into the bag of WF2 bag 018, and put in one that is")
    assert next_step.endswith(f"say so with the same command: --chip-of {two.neighbour.job})")
    assert two.neighbour.chip.operation_count == 0


def _left_half_written(two: Two) -> None:
    cut = two.bench.cut_power_while("write", two.board, after=2)
    assert cut.exit_code == 4, cut.stderr


def test_whose_leaves_a_half_written_chip_in(two: Two) -> None:
    _left_half_written(two)

    seen = two.whose(two.board)
    facts = two.whose(two.board, "--json")

    assert seen.exit_code == facts.exit_code == 4
    state, said, next_step = three_lines(seen)
    assert "half-written from before" in state
    assert "one of job WF2 bag 017, and a write to it was begun and is not proven" in said
    assert f"flashbench finish {two.board.job}" in next_step
    assert seen.stdout.splitlines()[-1] == "Leave the chip in: it is half-written."
    assert told(facts)["half_written"] is True


def test_a_chip_that_a_neighbour_left_half_written_opens_no_new_job(two: Two) -> None:
    _left_half_written(two)
    new = two.bench.shelf / "new"
    another = two.bench.new_board(19, SMALL_MODEL)

    refused = two.bench.at_socket("dump", str(new), *SMALL_MODEL.identify, chip=two.board.chip)
    two.bench.dump(another)

    assert refused.exit_code == 4
    assert "one of job WF2 bag 017" in three_lines(refused)[1]
    assert f"flashbench finish {two.board.job}" in three_lines(refused)[2]
    assert not new.exists()


def test_a_chip_that_a_neighbour_left_half_written_is_no_new_chip(two: Two) -> None:
    _left_half_written(two)
    held = two.board.chip.cells

    refused = two.bench.at_chip(
        "restore", two.neighbour, "--to-new-chip", *SMALL_MODEL.identify, chip=two.board.chip
    )

    assert refused.exit_code == 4
    assert "one of job WF2 bag 017" in three_lines(refused)[1]
    assert two.board.chip.cells == held


def test_after_an_interrupted_restore_whoever_meets_the_chip_names_restore_first(two: Two) -> None:
    _left_half_written(two)
    two.bench.cut_power_while("restore", two.board, after=two.board.chip.operation_count + 2)
    back = f"flashbench restore {two.board.job}  (or: flashbench finish {two.board.job})"
    chip, new = two.board.chip, two.bench.shelf / "new"

    met = [
        two.whose(two.board),
        two.bench.at_socket("dump", str(new), *SMALL_MODEL.identify, chip=chip),
        two.bench.at_chip("restore", two.neighbour, chip=chip),
    ]

    for refused in met:
        assert three_lines(refused)[2].endswith(f": {back}"), refused.stderr
    assert "That job left it half-written" in three_lines(met[-1])[2]
