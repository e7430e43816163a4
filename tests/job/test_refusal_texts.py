"""The sentences of a job's refusals, whole: what was seen, what the chip is in, what to do next."""

import errno
from pathlib import Path

import pytest

from flashbench.errors import ChipHalfWritten, ChipUntouched
from flashbench.job.booking import booked_in
from flashbench.job.folder import Job
from flashbench.job.refusals import (
    JobMissing,
    StepRefused,
    disk_refused,
    disk_refused_after_write,
)
from flashbench.job.taken_files import take_files_in
from tests.builders.disk import DiskFault, Does, FaultyDisk
from tests.builders.job import IMAGE, AChip, a_dumped_job, a_job, opened

DUMP = bytes(range(256)) * 256
BROKEN = OSError(errno.EIO, "Input/output error")


def test_a_disk_that_refuses_in_mid_write_is_named_and_the_chip_called_half_written() -> None:
    refused = disk_refused("reading image-1.bin", BROKEN, unfinished=True)

    assert isinstance(refused, ChipHalfWritten)
    assert refused.seen == "The disk refused while reading image-1.bin: Input/output error."
    assert refused.state == "The chip is half-written. This command did not touch the chip."
    assert refused.next_step == (
        "Use a folder on a healthy local disk, then run the same command again."
    )


def test_a_disk_that_refuses_after_the_proof_leads_to_finish_which_completes_the_journal() -> None:
    refused = disk_refused_after_write(
        "writing the journal", BROKEN, target_name="image 1", folder=Path("a job")
    )

    assert refused.seen == "The disk refused while writing the journal: Input/output error."
    assert refused.state == (
        "The chip holds image 1, and was read back; the job's journal may not say so."
    )
    assert refused.next_step == (
        "Make room on that disk, or repair it, then have the chip read again, which completes the"
        " job's journal: flashbench finish 'a job'"
    )


@pytest.mark.parametrize(
    ("load", "doing"),
    [
        (lambda job: job.load_changes(1), "reading changes-1.json"),
        (lambda job: job.load_image(1), "reading image-1.bin"),
        (lambda job: job.load_original(), "reading original.bin"),
    ],
)
def test_a_file_that_the_disk_does_not_give_is_named(
    tmp_path: Path, load: object, doing: str
) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
    disk = FaultyDisk(tmp_path)
    with opened(tmp_path / "job", disk=disk) as job:
        disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FAIL, from_then_on=True)
        with pytest.raises(ChipUntouched, match=rf"The disk refused while {doing} \(job job\)"):
            load(job)  # type: ignore[operator]
        disk.fault = None


def test_a_hash_that_is_stored_nowhere_leads_to_what_is_stored(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job, pytest.raises(StepRefused) as refused:
        job.load_stored("0" * 64)

    assert refused.value.seen == (
        "Round 1 of job job stores nothing with the sha256 0000000000000000..."
    )
    assert refused.value.next_step == "Name the original or one of its images."


def test_no_round_is_opened_after_one_without_a_dump(tmp_path: Path) -> None:
    with a_job(tmp_path / "job") as job, pytest.raises(StepRefused) as refused:
        job.open_round(AChip())

    assert refused.value.seen == "Round 1 of job job has no original yet."
    assert refused.value.next_step == "Dump the chip in this round."


def test_a_folder_without_a_job_is_refused_with_two_ways_on(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()

    with pytest.raises(JobMissing) as refused:
        Job.open(tmp_path / "empty")

    assert refused.value.next_step == ("Name the folder of a job, or make one by dumping its chip.")


def test_a_job_opened_from_files_is_booked_in_on_the_disk_that_was_given(tmp_path: Path) -> None:
    disk = FaultyDisk(tmp_path)

    take_files_in(tmp_path / "job", DUMP, DUMP, disk=disk)
    disk.end_process()
    disk.leave_after_power_loss(tmp_path / "after", names_synced=True, contents_synced=True)

    booked = booked_in(tmp_path / "after" / "job")
    assert booked is not None
    assert booked.label == "job"
