"""The originals on a second shelf: proven there, never overwritten, and a lost shelf is said."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from flashbench.errors import ChipUntouched
from flashbench.job.disk import Disk
from flashbench.job.events import SecondCopyProven
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, StepRefused
from flashbench.job.second_copy import copy_to_second_shelf
from tests.builders.disk import DiskFault, Does, FaultyDisk, Killed
from tests.builders.job import ORIGINAL, AChip, a_dumped_job


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    (tmp_path / "shelf").mkdir()
    with a_dumped_job(tmp_path / "board-17") as job:
        yield job


def test_original_hash_and_chip_facts_are_read_back_from_the_second_shelf(
    job: Job, tmp_path: Path
) -> None:
    copy = copy_to_second_shelf(job, tmp_path / "shelf")

    there = copy.folder / "round-1"
    assert copy.folder.parent == tmp_path / "shelf"
    assert copy.folder.name.startswith("board-17-")
    assert (there / "original.bin").read_bytes() == ORIGINAL
    line = (there / "original.bin.sha256").read_text()
    assert line == f"{job.load_original().sha256}  original.bin\n"
    assert json.loads((there / "chip.json").read_text())["jedec_id"] == "aa400c"
    assert copy.same_disk, "one temporary folder is one disk"
    assert job.story[-1] == SecondCopyProven(
        folder=str(copy.folder), sha256=job.load_original().sha256
    )


def test_a_copy_that_is_there_is_proven_again_and_told_once(job: Job, tmp_path: Path) -> None:
    first = copy_to_second_shelf(job, tmp_path / "shelf")
    lines = len(job.story)

    assert copy_to_second_shelf(job, tmp_path / "shelf") == first
    assert len(job.story) == lines


def test_every_round_is_copied(job: Job, tmp_path: Path) -> None:
    job.open_round(AChip())
    second = bytes(reversed(ORIGINAL))
    job.save_original(second, chip_facts=AChip().facts())

    copy = copy_to_second_shelf(job, tmp_path / "shelf")

    assert (copy.folder / "round-1" / "original.bin").read_bytes() == ORIGINAL
    assert (copy.folder / "round-2" / "original.bin").read_bytes() == second


def test_a_best_reading_is_copied_and_keeps_no_later_round_from_it(
    job: Job, tmp_path: Path
) -> None:
    other = tmp_path / "unsteady"
    with Job.create(other, AChip()) as unsteady:
        save_best_reading(unsteady, ORIGINAL)
        alone = copy_to_second_shelf(unsteady, tmp_path / "shelf")
        proven = unsteady.story[-1]
        unsteady.open_round(AChip())
        unsteady.save_original(ORIGINAL[::-1], chip_facts=AChip().facts())
        both = copy_to_second_shelf(unsteady, tmp_path / "shelf")
        sha256 = unsteady.load_best_reading(round_number=1).saved.sha256

    assert proven == SecondCopyProven(folder=str(alone.folder), sha256=sha256)
    assert both.folder == alone.folder
    first = both.folder / "round-1"
    assert (first / "best-reading.bin").read_bytes() == ORIGINAL
    assert (first / "best-reading.bin.sha256").read_text() == f"{sha256}  best-reading.bin\n"
    held = (other / "round-1" / "best-reading.json").read_bytes()
    assert (first / "best-reading.json").read_bytes() == held
    assert (both.folder / "round-2" / "original.bin").read_bytes() == ORIGINAL[::-1]


def save_best_reading(job: Job, data: bytes) -> None:
    job.save_best_reading(
        data,
        unstable={"unstable": [[16, 32]], "listed_to": len(data)},
        unstable_bytes=16,
        reads=[job.save_doubtful_numbered(data).number],
        chip_facts=AChip().facts(),
        size_sources=("table", "SFDP"),
        size_doubt=None,
    )


def test_chip_facts_that_are_not_as_saved_are_not_copied_as_if_they_were(
    job: Job, tmp_path: Path
) -> None:
    facts = job.folder / "round-1" / "chip.json"
    facts.chmod(0o600)
    facts.write_bytes(facts.read_bytes().replace(b"aa400c", b"aa400d"))

    with pytest.raises(JobDamaged, match=r"chip\.json"):
        copy_to_second_shelf(job, tmp_path / "shelf")


def test_two_jobs_of_one_name_do_not_meet(job: Job, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    other = Job.create(tmp_path / "other" / "board-17", AChip())
    other.save_original(ORIGINAL[::-1], chip_facts=AChip().facts())

    with other:
        theirs = copy_to_second_shelf(other, tmp_path / "shelf")
    ours = copy_to_second_shelf(job, tmp_path / "shelf")

    assert theirs.folder != ours.folder


def test_a_copy_that_was_changed_is_refused_and_left_as_it_is(job: Job, tmp_path: Path) -> None:
    copy = copy_to_second_shelf(job, tmp_path / "shelf")
    path = copy.folder / "round-1" / "original.bin"
    path.chmod(0o600)
    changed = ORIGINAL[:-1] + b"?"
    path.write_bytes(changed)

    with pytest.raises(JobDamaged, match="cannot be relied on: it is not what the job holds") as no:
        copy_to_second_shelf(job, tmp_path / "shelf")
    assert no.value.next_step == (
        "The job's own original is as it was saved. Look at that disk, move this file away, and"
        " run the same command again."
    )
    assert path.read_bytes() == changed


def test_a_shelf_that_is_not_there_is_not_made(job: Job, tmp_path: Path) -> None:
    shutil.rmtree(tmp_path / "shelf")

    with pytest.raises(StepRefused, match=r"The second shelf .* is not there\.") as refused:
        copy_to_second_shelf(job, tmp_path / "shelf")

    assert "Plug that disk in" in refused.value.next_step
    assert not (tmp_path / "shelf").exists()


def test_a_second_disk_that_refuses_is_named(job: Job, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    disk = FaultyDisk(tmp_path, DiskFault(at=1, does=Does.FAIL, from_then_on=True))

    with pytest.raises(ChipUntouched) as refused:
        copy_to_second_shelf(job, shelf, disk=disk)

    assert f"The disk refused while copying to the second shelf {shelf}: " in refused.value.seen


@pytest.mark.parametrize("does", [Does.FULL, Does.FAIL, Does.LIE, Does.KILL_HALF_WAY])
def test_whatever_the_second_disk_does_a_copy_that_was_promised_is_there(
    job: Job, tmp_path: Path, does: Does
) -> None:
    at = 1
    while True:
        shelf = tmp_path / f"shelf-{at}"
        shelf.mkdir()
        disk = FaultyDisk(tmp_path, DiskFault(at=at, does=does, from_then_on=False))
        promised = False
        try:
            copy_to_second_shelf(job, shelf, disk=disk)
            promised = True
        except (ChipUntouched, Killed):
            pass
        disk.end_process()
        if promised:
            (kept,) = shelf.iterdir()
            assert (kept / "round-1" / "original.bin").read_bytes() == ORIGINAL
        again = copy_to_second_shelf(job, shelf, disk=Disk()) if does is not Does.LIE else None
        assert again is None or (again.folder / "round-1" / "original.bin").read_bytes() == ORIGINAL
        if not disk.fault_fired:
            break
        at += 1
    assert at > 20
