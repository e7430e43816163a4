"""A folder claimed for a board, and what was told of it: kept, made again, or refused in words."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.errors import ChipUntouched, WrongCall
from flashbench.job.booking import book_in, booked_in
from flashbench.job.folder import Job
from flashbench.job.intake import Intake
from flashbench.job.making import refuse_missing_parent
from flashbench.job.photos import PHOTOS_MAX
from flashbench.job.refusals import JobDamaged, JobExists, StepRefused
from tests.builders.disk import DiskFault, Does, FaultyDisk
from tests.builders.job import AChip, a_dumped_job, a_job

TOLD = Intake(label="board 17")


def test_a_file_where_the_folder_should_be_is_named(tmp_path: Path) -> None:
    (tmp_path / "job").write_bytes(b"x")

    with pytest.raises(JobExists) as refused:
        book_in(tmp_path / "job", TOLD)

    assert refused.value.seen == f"{tmp_path / 'job'} is not a folder."
    assert refused.value.next_step == "Name a folder that is new."


def test_a_folder_in_no_folder_is_a_wrong_call(tmp_path: Path) -> None:
    folder = tmp_path / "shelf" / "job"
    said = []
    claims: tuple[Callable[[], None], ...] = (
        lambda: book_in(folder, TOLD),
        lambda: refuse_missing_parent(folder),
    )
    for claim in claims:
        with pytest.raises(WrongCall) as refused:
            claim()
        said.append((refused.value.seen, refused.value.next_step))

    assert said == 2 * [
        (
            f"There is no folder {tmp_path / 'shelf'} for the job job to be in.",
            "Make that folder first, or look at how the job's path is spelled.",
        )
    ]
    refuse_missing_parent(tmp_path / "job")


def test_a_disk_that_refuses_a_booking_is_named_with_the_folder(tmp_path: Path) -> None:
    disk = FaultyDisk(tmp_path)
    disk.fault = DiskFault(at=1, does=Does.FULL, from_then_on=True)

    with pytest.raises(ChipUntouched) as refused:
        book_in(tmp_path / "job", TOLD, disk=disk)
    disk.fault = None

    assert refused.value.seen.startswith(f"The disk refused while booking in {tmp_path / 'job'}: ")
    assert refused.value.next_step == (
        "Free some space on that disk, then run the same command again."
    )


def test_an_intake_that_is_no_text_is_damaged(tmp_path: Path) -> None:
    book_in(tmp_path / "job", TOLD)
    (tmp_path / "job" / "intake.toml").write_bytes(b"label = \xff\n")

    with pytest.raises(JobDamaged, match="it is no UTF-8 text: invalid start byte"):
        booked_in(tmp_path / "job")


def test_an_intake_that_cannot_be_kept_says_why(tmp_path: Path) -> None:
    with pytest.raises(StepRefused) as refused:
        book_in(tmp_path / "job", Intake(label="board\n17"))

    assert refused.value.seen.startswith("This cannot be kept: ")
    assert refused.value.next_step == "Say it in another way."


def test_an_earlier_intake_is_told_from_a_changed_one(tmp_path: Path) -> None:
    path = tmp_path / "job" / "intake.toml"
    doubts = []
    with a_dumped_job(tmp_path / "job") as job:
        job.save_intake(Intake(label="job"))
        earlier = path.read_bytes()
        job.save_intake(Intake(label="job", device="a small computer"))
        doubts.append(job.load_intake().doubt)
        path.write_bytes(earlier)
        doubts.append(job.load_intake().doubt)
        path.write_bytes(earlier + b"\n")
        doubts.append(job.load_intake().doubt)
        path.unlink()
        doubts.append(job.load_intake().doubt)

    assert doubts == [
        None,
        "intake.toml is an earlier one: the last amendment was interrupted.",
        "intake.toml was changed after it was saved.",
        "intake.toml is missing from the job.",
    ]


def test_so_many_photos_are_listed_and_one_more_is_left_out(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        (tmp_path / "job" / "photos").mkdir(exist_ok=True)
        for number in range(PHOTOS_MAX + 1):
            (tmp_path / "job" / "photos" / f"{number:03}.jpg").write_bytes(b"x")
        stock = job.list_photos()

    assert len(stock.photos) == PHOTOS_MAX
    assert stock.left_out == ((f"{PHOTOS_MAX:03}.jpg", f"at most {PHOTOS_MAX} are"),)


def test_a_photo_as_old_and_as_large_as_before_is_not_read_again(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        (tmp_path / "job" / "photos").mkdir(exist_ok=True)
        path = tmp_path / "job" / "photos" / "top.jpg"
        path.write_bytes(b"one")
        first = job.list_photos()
        stat = path.stat()
        path.write_bytes(b"two")
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        second = job.list_photos()

    assert (first.new, second.new, second.changed) == (("top.jpg",), (), ())
    assert second.photos == first.photos


def test_the_files_of_an_interrupted_creation_give_way_to_a_new_one(tmp_path: Path) -> None:
    a_job(tmp_path / "job").close()
    left = tmp_path / "job" / "round-1"
    (tmp_path / "job" / "job.toml").unlink()
    (left / "chip.json").rename(left / "chip.json.unfinished")
    left.rename(tmp_path / "job" / "round-1.unfinished")

    with Job.create(tmp_path / "job", AChip()) as job:
        assert job.round_number == 1
    assert not (tmp_path / "job" / "round-1.unfinished").exists()


def test_what_no_interrupted_creation_leaves_is_left_alone(tmp_path: Path) -> None:
    left = tmp_path / "job" / "round-1.unfinished"
    left.mkdir(parents=True)
    (left / "letter.txt").write_bytes(b"x")

    with pytest.raises(JobExists) as refused:
        Job.create(tmp_path / "job", AChip())

    assert refused.value.seen == (
        f"{left} holds 'letter.txt', which no interrupted creation leaves."
    )
    assert refused.value.next_step == "Name a folder that is new."
    assert (left / "letter.txt").exists()


def test_a_photo_may_be_as_large_as_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.job.photos.PHOTO_BYTES_MAX", 1 << 20)
    with a_dumped_job(tmp_path / "job") as job:
        folder = tmp_path / "job" / "photos"
        folder.mkdir(exist_ok=True)
        (folder / "largest.jpg").write_bytes(bytes(1 << 20))
        (folder / "larger.jpg").write_bytes(bytes((1 << 20) + 1))
        stock = job.list_photos()

    assert [(photo.name, photo.size) for photo in stock.photos] == [("largest.jpg", 1 << 20)]
    assert stock.left_out == (("larger.jpg", "it is larger than 1 MiB"),)
