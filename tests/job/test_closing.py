"""A closed job keeps its hands off the folder, and a disk that fails late is told truly."""

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.errors import ChipHalfWritten, FlashbenchError
from flashbench.job.check import check_folder
from flashbench.job.events import RegistersSaved, UnitProven, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from tests.builders.disk import DiskFault, Does, FaultyDisk
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, announcement, opened


def test_a_disk_that_fails_after_a_proven_write_is_not_told_as_an_untouched_chip(
    tmp_path: Path,
) -> None:
    a_dumped_job(tmp_path / "job").close()
    disk = FaultyDisk(tmp_path)
    job = opened(tmp_path / "job", disk=disk)
    job.save_image(IMAGE, {})
    job.announce(announcement())
    disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FAIL, from_then_on=True)
    job.record_or_remember(UnitProven(start=1024, size=1024))
    job.record_or_remember(WriteFinished(target_sha256=hashlib.sha256(IMAGE).hexdigest()))

    with pytest.raises(ChipHalfWritten) as told:
        job.close()

    assert told.value.state.startswith("The chip holds image 1, and was read back")
    assert "did not touch" not in str(told.value)
    assert "flashbench finish " in told.value.next_step
    with opened(tmp_path / "job") as after:
        assert after.unfinished() is not None, "so finish is what leads on"


def test_a_second_close_does_nothing(tmp_path: Path) -> None:
    job = a_dumped_job(tmp_path / "job")
    job.close()
    job.close()

    with opened(tmp_path / "job"):
        job.close()  # and takes no lock away from anybody
        with pytest.raises(FlashbenchError, match="in use by another process"):
            opened(tmp_path / "job")


WRITES: dict[str, Callable[[Job], object]] = {
    "a line": lambda job: job.record(RegistersSaved(values={"SR1": 0})),
    "a line to remember": lambda job: job.record_or_remember(UnitProven(start=0, size=1024)),
    "an announcement": lambda job: job.announce(announcement(target=ORIGINAL)),
    "an image": lambda job: job.save_image(IMAGE[::-1], {}),
    "a doubtful read": lambda job: job.save_doubtful(IMAGE),
    "what was found": lambda job: job.save_found(IMAGE),
    "what was kept": lambda job: job.save_kept(IMAGE, AChip().facts()),
    "a report": lambda job: job.save_report("<p>"),
    "a round": lambda job: job.open_round(AChip()),
}


@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
def test_a_closed_job_records_nothing_without_its_lock(
    tmp_path: Path, write: Callable[[Job], object]
) -> None:
    job = a_dumped_job(tmp_path / "job")
    job.close()
    before = everything(tmp_path)

    with pytest.raises(StepRefused, match="was closed, and its lock given back"):
        write(job)

    assert everything(tmp_path) == before


def everything(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() if path.is_file() else b"" for path in folder.rglob("*")}


def test_of_many_found_pictures_the_first_and_the_newest_are_kept(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        for number in range(1, 6):
            job.save_found(bytes([number]) * 4096)
    kept = sorted(path.name for path in (tmp_path / "job" / "round-1").glob("found-*.bin"))

    assert kept == ["found-1.bin", "found-5.bin"]
    assert [one for one in check_folder(tmp_path / "job") if one.damaged] == []
    with opened(tmp_path / "job") as again:
        assert again.save_found(bytes(4096)).name == "found-6.bin"
    assert not (tmp_path / "job" / "round-1" / "found-5.bin").exists()


def test_a_kept_found_picture_that_is_deleted_is_still_noticed(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        for number in range(1, 4):
            job.save_found(bytes([number]) * 4096)
    (tmp_path / "job" / "round-1" / "found-1.bin").unlink()

    damaged = [one.path for one in check_folder(tmp_path / "job") if one.damaged]
    assert damaged == ["round-1/found-1.bin"]
