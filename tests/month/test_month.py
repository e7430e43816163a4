"""A month at an invented bench, typed at the command line: 40 boards of 6 models, two adapters.

What may go wrong in a month goes wrong: chips in the wrong bag and the wrong socket, boards that
stay dark and come back, a chip that dies, the power, a disk. At the end every original is there
with its hash, every chip holds what its job says, and none was changed for another job's sake.
"""

import random
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.cli.workplace import places_text, run, three_lines, told
from tests.month.invented_bench import (
    SMALL,
    Board,
    Chip,
    InventedBench,
    Model,
    factory_contents,
    sha256,
    went_well,
)

_BY_DATASHEET = ("--datasheet-supply", "2.7-3.6")
MODELS = (
    *(
        Model(name=name, part=SMALL, size=64 << 10, identify=_BY_DATASHEET, edit_at=at)
        for name, at in (("AX1", 0x1100), ("BX2", 0x2040), ("CX3", 0x3FF8), ("DX4", 0x0010))
    ),
    Model(name="EX5", part=SMALL, size=64 << 10, identify=_BY_DATASHEET, edit_at=0x6F00),
    Model(
        name="FX6",
        part="W25Q64JW",
        size=8 << 20,
        identify=("--marking", "W25Q64JWSSIQ"),
        edit_at=0x0020_1000,
    ),
)
LARGE = (13, 29, 34)
"""Boards of the sixth model: their chips take 1.8 V, have a unique ID, and hold 8 MiB."""

WRONG_BAG = {4: 3, 17: 16, 25: 24, 33: 32}
SECOND_ROUND = (5, 11, 18, 23, 30, 36)
BACK_TO_ROUND_1 = 30
POWER_CUT_THEN_FINISH = (8, 13, 21)
POWER_CUT_THEN_RESTORE = 27
DEAD_CHIP = 15
DEAD_WHILE_HALF_WRITTEN = 34
DISK_LOST_AFTER = 20
GOES_BACK_AFTER_THE_LOSS = 7


def model_of(number: int) -> Model:
    return MODELS[5] if number in LARGE else MODELS[number % 5]


class Month:
    """The bench, its boards, and what happened to each."""

    def __init__(self, folder: Path) -> None:
        self.bench = InventedBench(folder)
        self.boards = {n: self.bench.new_board(n, model_of(n)) for n in range(1, 41)}
        self.originals = {n: sha256(board.holds) for n, board in self.boards.items()}
        self.refusals = 0

    def play(self) -> None:
        for number, board in self.boards.items():
            if number in WRONG_BAG:
                self.chip_in_the_wrong_bag(board, self.boards[WRONG_BAG[number]])
            elif number in SECOND_ROUND:
                self.board_stays_dark(board)
            elif number in POWER_CUT_THEN_FINISH:
                self.power_fails(board, then="finish")
            elif number == POWER_CUT_THEN_RESTORE:
                self.power_fails(board, then="restore")
            elif number == DEAD_CHIP:
                self.chip_dies(board)
            elif number == DEAD_WHILE_HALF_WRITTEN:
                self.chip_dies_half_written(board)
            else:
                self.bench.whole_job(board)
            if number == DISK_LOST_AFTER:
                self.disk_is_lost()
        self.wrong_socket(self.boards[LARGE[1]])

    def chip_in_the_wrong_bag(self, board: Board, neighbour: Board) -> None:
        """The neighbour's chip comes out of this board's bag: `write` and `restore` name it."""
        bench = self.bench
        bench.book_in(board)
        bench.dump(board)
        wanted = bench.edit(board)
        for verb in ("write", "restore"):
            refused = bench.at_chip(verb, board, chip=neighbour.chip)
            assert refused.exit_code == 3
            assert f"It is the chip of job {neighbour.label}" in three_lines(refused)[1]
            self.refusals += 1
        wrong_words = bench.at_chip("write", board, "--label", neighbour.bag)
        assert wrong_words.exit_code == 3
        asked = bench.at_socket(
            "whose", str(bench.shelf), "--json", *board.model.identify, chip=neighbour.chip
        )
        assert told(went_well(asked))["owner"]["label"] == neighbour.label
        bench.write(board, wanted)
        bench.tell(board, "--boots")

    def board_stays_dark(self, board: Board) -> None:
        """It does not boot; its chip comes back with what the board wrote, and is written anew."""
        bench = self.bench
        bench.book_in(board)
        bench.dump(board)
        bench.write(board, bench.edit(board))
        bench.tell(board, "--does-not-boot")
        coming = told(bench.off_chip("next", str(board.job), "--json"))
        assert coming["command"].endswith("--again")
        self.board_ran(board)
        bench.dump(board, "--again")
        checks = " ".join(told(bench.off_chip("next", str(board.job), "--json"))["checks"])
        assert "so the processor ran" in checks
        if board.number == BACK_TO_ROUND_1:
            went_well(bench.at_chip("restore", board, "--round", "1"))
            board.holds = board.factory_contents()
            bench.tell(board, "--boots")
            return
        same = bench.off_chip("edit", str(board.job), "--again")
        assert "holds this very edit already" in three_lines(same)[1]
        bench.write(board, bench.edit(board, other=True))
        bench.tell(board, "--boots")

    def board_ran(self, board: Board) -> None:
        """The board wrote its settings: blank cells of its chip are not blank any more."""
        at = board.model.size - 0x2000
        board.chip.board_runs(at, random.Random(board.number).randbytes(200))
        board.holds = board.chip.cells

    def power_fails(self, board: Board, *, then: str) -> None:
        """The power goes in the middle of a write; `next` leads on, and so does the other way."""
        bench = self.bench
        bench.book_in(board)
        bench.dump(board)
        wanted = bench.edit(board)
        cut = bench.cut_power_while("write", board, after=2)
        assert cut.exit_code == 4
        assert board.chip.cells not in (board.dumped, wanted)
        assert "half-written" in went_well(bench.off_chip("shelf", str(bench.shelf))).stdout
        coming = told(bench.off_chip("next", str(board.job), "--json"))
        assert coming["command"] == f"flashbench finish {board.job}"
        went_well(bench.at_chip(then, board))
        board.holds = wanted if then == "finish" else board.dumped

    def chip_dies(self, board: Board) -> None:
        """The chip is dead after its dump: the image goes onto another one."""
        bench = self.bench
        bench.book_in(board)
        bench.dump(board)
        wanted = bench.edit(board)
        self.replace_chip(board)
        bench.write(board, wanted, "--to-new-chip", *board.model.identify)
        bench.tell(board, "--boots")

    def chip_dies_half_written(self, board: Board) -> None:
        """The power goes in the middle of a write, and the chip with it."""
        bench = self.bench
        bench.book_in(board)
        bench.dump(board)
        wanted = bench.edit(board)
        cut = bench.cut_power_while("write", board, after=3)
        assert cut.exit_code == 4
        self.replace_chip(board)
        bench.write(board, wanted, "--to-new-chip", *board.model.identify)

    def replace_chip(self, board: Board) -> None:
        """Take a second-hand chip out of the drawer; the dead one sees no socket again.

        A sister board's, but where no factory number tells it from the board's own.
        """
        chip = board.chip
        contents = factory_contents(board.model, 1000 + board.number)
        if chip.part == SMALL:
            contents = random.Random(f"another model {board.number}").randbytes(board.model.size)
        board.chip = self.bench.new_chip(
            f"second-hand, of board {board.number:03d}",
            part=chip.part,
            contents=contents,
            socket=self.bench.socket_for(chip.part),
        )

    def disk_is_lost(self) -> None:
        """The disk with the shelf dies. The second shelf has every original; one goes back."""
        bench = self.bench
        shutil.rmtree(bench.shelf)
        bench.shelf.mkdir()
        board = self.boards[GOES_BACK_AFTER_THE_LOSS]
        copy = self.on_second_shelf(board) / "round-1" / "original.bin"
        board.job = bench.shelf / f"{board.job.name}-again"
        bench.dump(board)
        wanted = copy.read_bytes()
        elsewhere = bench.files / "back.bin"
        elsewhere.write_bytes(wanted)
        places = bench.files / "back.toml"
        places.write_text(places_text(board.dumped, wanted))
        words = (str(places), "--from-image", str(elsewhere))
        went_well(bench.off_chip("edit", str(board.job), *words))
        bench.write(board, wanted)

    def on_second_shelf(self, board: Board) -> Path:
        (copy,) = self.bench.second_shelf.glob(f"board-{board.number:03d}-{'[0-9a-f]' * 12}")
        return copy

    def wrong_socket(self, board: Board) -> None:
        """A chip for 1.8 V in the socket of 3.3 V is refused with the name of the right one."""
        bench = self.bench
        before = board.chip.cells
        refused = bench.at_socket(
            "verify", str(board.job), chip=board.chip, socket=bench.sockets["left"]
        )
        assert refused.exit_code == 3
        assert "'1.8 V socket'" in refused.stderr
        assert board.chip.cells == before
        self.refusals += 1


def owners_of(chip: Chip, month: Month) -> set[str]:
    """The jobs that may have changed a chip: those of the board it is, or was, on."""
    return {
        name
        for board in month.boards.values()
        if f"{board.number:03d}" in chip.name
        for name in (f"board-{board.number:03d}", f"board-{board.number:03d}-again")
    }


def test_a_month_at_the_bench_loses_nothing() -> None:
    with TemporaryDirectory() as folder:
        month = Month(Path(folder))
        bench = month.bench

        month.play()

        for number, board in month.boards.items():
            _check_original(month, number, board)
            _check_chip(month, board)
        for chip in bench.chips.values():
            assert bench.touched[chip.name] <= owners_of(chip, month), chip.name
        checked = run("shelf", str(bench.shelf), "--check", "--json")
        facts = told(went_well(checked))
        assert facts["findings"] == []
        assert len(facts["jobs"]) == 40 - DISK_LOST_AFTER + 1
        assert not any(job["damage"] or job["unfinished"] for job in facts["jobs"])
        assert month.refusals == 2 * len(WRONG_BAG) + 1


def _check_original(month: Month, number: int, board: Board) -> None:
    """The original of round 1 is on the shelf with its hash; of a lost job, on the second one."""
    copy = month.on_second_shelf(board) / "round-1" / "original.bin"
    assert sha256(copy.read_bytes()) == month.originals[number]
    if number > DISK_LOST_AFTER:
        original = board.job / "round-1" / "original.bin"
        assert sha256(original.read_bytes()) == month.originals[number]
        found = told(
            run("shelf", str(month.bench.shelf), "--find", month.originals[number], "--json")
        )
        assert [job["label"] for job in found["jobs"]] == [board.label]


def _check_chip(month: Month, board: Board) -> None:
    """The chip holds what was asked for; and where the job is still there, the job says so."""
    assert board.chip.cells == board.holds, board.label
    if board.job.exists():
        verified = went_well(month.bench.at_chip("verify", board, "--json"))
        assert told(verified)["sha256"] == sha256(board.holds)
