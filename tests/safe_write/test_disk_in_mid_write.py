"""What somebody, or the disk, does to the job's folder while its chip is being written."""

import errno
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import CheckFailed, ChipHalfWritten, FlashbenchError
from tests.builders.bench import SMALL, TINY, Board, a_dumped_job, edited, firmware

IMAGE = edited(firmware(TINY.density_bytes), (0x5010, b"new"), (0xA000, bytes(300)))
DEEDS: dict[str, Callable[[Path], object]] = {
    "original.bin is missing from round-1": lambda job: (job / "round-1/original.bin").unlink(),
    "journal.jsonl is missing from round-1": lambda job: (job / "round-1/journal.jsonl").unlink(),
    "original.bin in round-1 was changed": lambda job: spoil(job / "round-1/original.bin"),
    "journal.jsonl is damaged": lambda job: (
        shutil.copy(job / "old", job / "round-1/journal.jsonl")
        and shutil.copy(job / "old head", job / "round-1/journal.head")
    ),
}


def spoil(path: Path) -> None:
    path.chmod(0o600)
    path.write_bytes(b"another board's")


def write_while(board: Board, folder: Path, deed: Callable[[Path], object], step: str) -> None:
    done_already: list[bool] = []

    def do(now: str, done: int, total: int, left_s: float | None) -> None:
        if now == step and done > 0 and not done_already:
            done_already.append(True)
            deed(folder)

    with board.visit() as visit, fb.Job.open(folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), IMAGE)
        fb.verify(fb.rewrite(plan, progress=do), progress=do)


@pytest.mark.parametrize("lost", DEEDS)
def test_a_file_lost_in_mid_write_is_told_with_what_the_chip_holds(
    tmp_path: Path, lost: str
) -> None:
    board = Board(TINY)
    folder = a_dumped_job(board, tmp_path / "job")
    shutil.copy(folder / "round-1/journal.jsonl", folder / "old")
    shutil.copy(folder / "round-1/journal.head", folder / "old head")
    step = "verify" if "damaged" in lost else "writing"

    with pytest.raises(FlashbenchError) as told:
        write_while(board, folder, DEEDS[lost], step)

    assert board.contents == IMAGE
    assert told.value.state == "The chip holds image 1, and was read back."
    assert isinstance(told.value, CheckFailed)
    assert f"not as they were before this write: {lost}" in told.value.seen
    assert "from a second copy of the job" in told.value.next_step


def test_a_write_whose_folder_stays_whole_says_nothing_of_files(tmp_path: Path) -> None:
    board = Board(TINY)
    folder = a_dumped_job(board, tmp_path / "job")

    write_while(board, folder, lambda job: None, "writing")

    with fb.Job.open(folder) as job:
        assert job.unfinished() is None
        assert job.lost_files() is None


def refuse_writes_of(job: fb.Job) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    job._disk.write = full  # type: ignore[assignment, method-assign]


def test_a_replacement_is_finished_although_the_disk_fails_after_its_first_erase(
    tmp_path: Path,
) -> None:
    """Its registers are set for good too, which is journalled as soon as the disk can."""
    own = Board(SMALL)
    own.chip.preset_register("SR2", 0x02)
    folder = a_dumped_job(own, tmp_path / "job")
    new = Board(replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000001")), firmware(1 << 20, 9))
    target = own.original
    with new.visit() as visit:
        chip = visit.identify()
        job = fb.Job.open(folder)
        plan = fb.plan_replacement(
            fb.keep_contents(fb.read_twice(chip), job), fb.reload_backup(job), target=target
        )

        def fail_from_now_on(step: str, done: int, total: int, left_s: float | None) -> None:
            if new.chip.cell_change_count:
                refuse_writes_of(job)

        proof = fb.verify(fb.rewrite(plan, progress=fail_from_now_on))
        assert job.journal_failure is not None
        with pytest.raises(ChipHalfWritten, match="closing the journal"):
            job.close()

    assert proof.target_name == "original"
    assert new.contents == target
    assert new.chip.stored["SR2"] == 0x02, "quad enable, as on the original"


def test_a_job_that_cannot_be_closed_after_an_error_tells_that_error_first(tmp_path: Path) -> None:
    board = Board(TINY)
    folder = a_dumped_job(board, tmp_path / "job")

    def unplug_and_fail(job: fb.Job) -> None:
        plan = fb.plan_rewrite(chip, fb.reload_backup(job), IMAGE)

        def fail(step: str, done: int, total: int, left_s: float | None) -> None:
            if board.chip.cell_change_count:
                refuse_writes_of(job)
            if job.journal_failure is not None:
                visit.bench.adapter.unplug()

        fb.rewrite(plan, progress=fail)

    with board.visit() as visit:
        chip = visit.identify()
        with pytest.raises(ChipHalfWritten) as told, fb.Job.open(folder) as job:
            unplug_and_fail(job)

    seen = told.value.seen
    assert "left the USB" in seen
    assert seen.index("left the USB") < seen.index("And then the job could not be closed: The disk")
    assert "See to the disk that the job is on first. Leave the chip" in told.value.next_step
