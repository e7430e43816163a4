"""Two jobs at once: a chip that is being written elsewhere is not the one in this socket.

The parts have no unique ID, so what one holds must tell whether it is another job's, half-written.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import Result

import flashbench as fb
from flashbench.errors import ChipHalfWritten
from flashbench.job.lock import CHIP_LOCK
from flashbench.rehearsal import create_bench, power_cycle
from flashbench.rehearsal.faults import LosePower
from flashbench.safe_write.found import read_for_recovery
from flashbench.shelf.half_written import (
    LeftHalfWritten,
    half_written_job,
    refuse_half_written_by_neighbour,
)
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.whose import read_chip, whose
from tests.builders.bench import TINY, Board, Visit, a_dumped_job, edited, firmware
from tests.cli.workplace import run, three_lines

ONE = firmware(TINY.density_bytes)
OTHER = edited(ONE, (0xA000, b"another board's numbers"))
"""Two boards of one model: a write that covers the numbers explains every page of both."""

EDITS = {
    "small": ((0x5010, b"a new memory"),),
    "large": ((0x5010, b"a new memory"), (0xA000, bytes(0x900))),
}
SIZES = pytest.mark.parametrize("size", EDITS)
BOTH_WAYS = pytest.mark.parametrize(
    ("writing", "dumping"), [(ONE, OTHER), (OTHER, ONE)], ids=["one writes", "other writes"]
)


@dataclass(frozen=True)
class Met:
    """What a dump beside it met: a refusal or none, and how many bytes it had to read first."""

    refusal: ChipHalfWritten | None
    read_bytes: int


def met_by_dump(board: Board, folder: Path) -> Met:
    """What `dump` into a new job in `folder` is told of this board's chip."""
    with board.visit() as visit:
        chip = visit.identify()
        before = visit.bench.adapter.bulk_bytes["in"]
        refusal = None
        try:
            refuse_half_written_by_neighbour(chip, folder)
        except ChipHalfWritten as error:
            refusal = error
        return Met(refusal, visit.bench.adapter.bulk_bytes["in"] - before)


class Meanwhile:
    """A progress that has another board dumped: once some of a step is done, for each step."""

    def __init__(self, board: Board, folder: Path) -> None:
        self._board, self._folder = board, folder
        self.met: dict[str, Met] = {}

    def __call__(self, step: str, done: int, total: int, left_s: float | None) -> None:
        if done and step not in self.met:
            self.met[step] = met_by_dump(self._board, self._folder)


def stop_in_the_middle(visit: Visit, job: fb.Job, image: bytes) -> None:
    """A write whose adapter fails after its first erase; the job stays open."""
    plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
    with pytest.raises(ChipHalfWritten):
        fb.rewrite(plan)


@SIZES
@BOTH_WAYS
def test_a_board_is_dumped_while_its_neighbour_is_written_and_neither_hinders_the_other(
    writing: bytes, dumping: bytes, size: str, tmp_path: Path
) -> None:
    board, image = Board(TINY, writing), edited(writing, *EDITS[size])
    folder = a_dumped_job(board, tmp_path / "writing")
    meanwhile = Meanwhile(Board(TINY, dumping), tmp_path / "dumping")

    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        fb.verify(fb.rewrite(plan, progress=meanwhile), progress=meanwhile)

    assert meanwhile.met == {step: Met(None, 0) for step in ("writing", "verify")}
    assert board.contents == image
    assert not (folder / CHIP_LOCK).exists()


@SIZES
def test_whose_does_not_call_the_other_chip_half_written_meanwhile(
    size: str, tmp_path: Path
) -> None:
    board = Board(TINY, ONE)
    folder = a_dumped_job(board, tmp_path / "writing")
    found: list[LeftHalfWritten | None] = []

    def ask(step: str, done: int, total: int, left_s: float | None) -> None:
        if found or not done:
            return
        with Board(TINY, OTHER).visit() as visit:
            entries = read_shelf(tmp_path).entries
            found.append(half_written_job(whose(read_chip(visit.identify()), entries), entries))

    with board.visit() as visit, fb.Job.open(folder) as job:
        backup = fb.reload_backup(job)
        fb.rewrite(
            fb.plan_rewrite(visit.identify(), backup, edited(ONE, *EDITS[size])), progress=ask
        )

    assert found == [None]


@SIZES
def test_a_job_that_is_only_open_does_not_hide_its_half_written_chip(
    size: str, tmp_path: Path
) -> None:
    """As at a prompt, in a report, or in a library's session whose write has failed."""
    board = Board(TINY, ONE)
    folder = a_dumped_job(board, tmp_path / "left")
    with fb.Job.open(folder) as job:
        with board.visit(LosePower(at_operation=2, seed=1)) as visit:
            stop_in_the_middle(visit, job, edited(ONE, *EDITS[size]))
        while_open = met_by_dump(board, tmp_path / "new")
        with board.visit() as visit:
            found = read_for_recovery(visit.identify(), job)
            fb.plan_recovery(found, fb.reload_backup(job), target=job.target)
            at_the_prompt = met_by_dump(board.twin(), tmp_path / "new")
    closed = met_by_dump(board, tmp_path / "new")

    for met in (while_open, at_the_prompt, closed):
        assert met.refusal is not None
        assert met.read_bytes > TINY.density_bytes
        assert f"flashbench finish {folder}" in met.refusal.next_step


def test_the_own_chip_is_known_as_half_written_while_the_new_one_is_written(
    tmp_path: Path,
) -> None:
    """Only the chip that is at work is in another socket: the one it replaces is anywhere."""
    own, new = Board(TINY, ONE), Board(TINY, firmware(TINY.density_bytes, seed=2))
    image = edited(ONE, *EDITS["small"])
    folder = a_dumped_job(own, tmp_path / "left")
    meanwhile = Meanwhile(own, tmp_path / "dumping")
    with fb.Job.open(folder) as job:
        with own.visit(LosePower(at_operation=2, seed=1)) as visit:
            stop_in_the_middle(visit, job, image)
        with new.visit() as visit:
            kept = fb.keep_contents(fb.read_twice(visit.identify()), job)
            plan = fb.plan_replacement(kept, fb.reload_backup(job), target=image)
            fb.rewrite(plan, progress=meanwhile)

    refusal = meanwhile.met["writing"].refusal
    assert refusal is not None
    assert "one of job left" in refusal.seen


def test_a_write_goes_well_where_the_lock_that_tells_of_it_cannot_be_taken(tmp_path: Path) -> None:
    board, image = Board(TINY, ONE), edited(ONE, *EDITS["small"])
    folder = a_dumped_job(board, tmp_path / "writing")
    (folder / CHIP_LOCK).mkdir()
    meanwhile = Meanwhile(Board(TINY, OTHER), tmp_path / "dumping")

    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        fb.verify(fb.rewrite(plan, progress=meanwhile))

    assert board.contents == image
    met = meanwhile.met["writing"]
    assert met.refusal is None
    assert met.read_bytes > TINY.density_bytes, "it has to look for itself"


@dataclass(frozen=True)
class Sockets:
    """Two benches in folders, each with its chip, and the job of the first one's."""

    writing: Path
    dumping: Path
    job: Path
    image: Path

    @contextmanager
    def writing_process(self) -> Iterator["subprocess.Popen[str]"]:
        """A process in the middle of its write; if it is still there at the end, it is killed."""
        words = [str(path) for path in (self.writing, self.job, self.image)]
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.shelf.writing_neighbour", *words],
            cwd=Path(__file__).parents[2],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "writing\n"
            yield process
        finally:
            process.kill()
            process.communicate()


def two_sockets(folder: Path, *, size: str) -> Sockets:
    for name, contents in (("writing", ONE), ("dumping", OTHER)):
        create_bench(folder / name, part="TINY64K", contents=contents).close()
    image, shelf = folder / "image.bin", folder / "shelf"
    image.write_bytes(edited(ONE, *EDITS[size]))
    shelf.mkdir()
    sockets = Sockets(folder / "writing", folder / "dumping", shelf / "board-17", image)
    assert dump(sockets.writing, sockets.job).exit_code == 0
    return sockets


def dump(bench: Path, job: Path) -> Result:
    at = ("--adapter", f"rehearsal:{bench}", "--supply", "3.3", "--datasheet-supply", "2.7-3.6")
    return run("dump", str(job), *at, "--clock", "30M")


@SIZES
def test_another_process_dumps_its_board_while_this_one_is_written(
    size: str, tmp_path: Path
) -> None:
    sockets = two_sockets(tmp_path, size=size)
    new = sockets.job.parent / "board-18"

    with sockets.writing_process() as process:
        result = dump(sockets.dumping, new)
        process.communicate("go on\n")

    assert result.exit_code == 0, result.stderr
    assert (new / "round-1" / "original.bin").read_bytes() == OTHER
    passed_over = "board-17 is being written by another process now; not compared."
    assert passed_over in " ".join(result.stderr.split())
    assert process.returncode == 0
    with fb.Job.open(sockets.job) as job:
        assert job.unfinished() is None


@SIZES
def test_after_the_writing_process_was_killed_its_chip_is_known_in_another_socket(
    size: str, tmp_path: Path
) -> None:
    sockets = two_sockets(tmp_path, size=size)
    with sockets.writing_process() as process:
        process.kill()
        process.wait()
    power_cycle(sockets.writing)

    result = dump(sockets.writing, sockets.job.parent / "board-18")

    assert result.exit_code == 4
    assert "one of job board-17" in three_lines(result)[1]
    assert f"flashbench finish {sockets.job}" in three_lines(result)[2]
