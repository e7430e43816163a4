"""What a job allows, in which order, and what it refuses with which words."""

import hashlib
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from flashbench.errors import ChipHalfWritten, ChipUntouched
from flashbench.job.check import check_folder
from flashbench.job.disk import Disk
from flashbench.job.events import RegistersChanged, UnitProven, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, JobExists, JobInUse, JobMissing, StepRefused
from tests.builders.disk import DiskFault, Does, FaultyDisk
from tests.builders.job import (
    IMAGE,
    ORIGINAL,
    SIZE,
    AChip,
    Calendar,
    a_dumped_job,
    a_job,
    a_profile,
    announcement,
    opened,
)


def test_a_job_survives_being_closed_and_opened(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        saved = job.save_image(IMAGE, {"why": "two ranks"})

    with opened(tmp_path / "job") as job:
        original = job.load_original()

        assert original.data == ORIGINAL
        assert original.sha256 == hashlib.sha256(ORIGINAL).hexdigest()
        assert original.jedec_id == bytes.fromhex("aa400c")
        assert original.unique_id == bytes.fromhex("00112233445566aa")
        assert original.ways == ("fast read at 30 MHz", "read at 15 MHz")
        assert (saved, job.newest_image()) == (1, 1)
        assert job.load_image(1) == IMAGE
        assert job.load_changes(1) == {"why": "two ranks"}
        assert job.target == IMAGE


def test_job_toml_tells_what_recovery_needs_while_the_chip_cannot_be_asked(tmp_path: Path) -> None:
    with a_job(tmp_path / "job", label="shop 0007") as job:
        assert job.label == "shop 0007"
        assert job.file.limits.longest_erase_ms == 400
        assert job.file.limits.density_bytes == SIZE
        assert job.file.adapter["serial"] == "XB0001"
        assert job.file.rehearsal
    assert 'label = "shop 0007"' in (tmp_path / "job" / "job.toml").read_text()


def test_the_folder_s_name_is_the_label_if_none_is_given(tmp_path: Path) -> None:
    with a_job(tmp_path / "board 7") as job:
        assert job.label == "board 7"


@pytest.mark.parametrize(
    ("label", "says"),
    [("", "visible character"), ("a\nb", "one line"), ("x" * 121, "at most 120 characters")],
)
def test_what_cannot_stand_on_a_bag_is_no_label(tmp_path: Path, label: str, says: str) -> None:
    with pytest.raises(StepRefused, match=says):
        a_job(tmp_path / "job", label=label)
    assert not (tmp_path / "job").exists()


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
def test_the_folder_is_its_owner_s_and_what_was_saved_is_read_only(tmp_path: Path) -> None:
    (tmp_path / "job").mkdir(mode=0o755)
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})

    def mode(name: str) -> int:
        return stat.S_IMODE((tmp_path / "job" / name).stat().st_mode)

    assert mode(".") == 0o700
    assert mode("round-1") == 0o700
    for name in ("original.bin", "original.bin.sha256", "image-1.bin", "chip.json"):
        assert mode(f"round-1/{name}") == 0o400
    assert mode("round-1/journal.jsonl") == 0o600


def test_register_bytes_are_files_of_their_own(tmp_path: Path) -> None:
    with a_job(tmp_path / "job"):
        registers = tmp_path / "job" / "round-1" / "registers"
        assert {path.name: path.read_bytes() for path in registers.iterdir()} == {
            "SR1.bin": b"\x1c",
            "SR2.bin": b"\x02",
        }


def test_an_existing_job_is_not_made_again(tmp_path: Path) -> None:
    a_dumped_job(tmp_path / "job").close()

    with pytest.raises(JobExists, match=r"There is a job in .* already"):
        a_job(tmp_path / "job")
    with opened(tmp_path / "job") as job:
        assert job.load_original().data == ORIGINAL


def test_a_folder_with_other_things_in_it_becomes_no_job(tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("dear all")

    with pytest.raises(JobExists, match=r"not empty: it holds 'letters\.txt'"):
        a_job(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]


def test_photos_may_be_there_before_the_job(tmp_path: Path) -> None:
    (tmp_path / "job" / "photos").mkdir(parents=True)

    a_job(tmp_path / "job").close()


@pytest.mark.parametrize("name", ["nowhere", "empty", "a file"])
def test_where_there_is_no_job_it_says_so(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "a file").touch()

    with pytest.raises(JobMissing, match="There is no job in"):
        opened(tmp_path / name)


def test_a_job_in_use_is_refused_by_name_and_free_again_afterwards(tmp_path: Path) -> None:
    with a_job(tmp_path / "board 7"), pytest.raises(JobInUse, match="Job board 7 is in use"):
        opened(tmp_path / "board 7")

    opened(tmp_path / "board 7").close()


def test_another_process_is_kept_out_and_its_death_frees_the_job(tmp_path: Path) -> None:
    a_job(tmp_path / "job").close()
    script = (
        "import sys, pathlib\n"
        "from flashbench.job.folder import Job\n"
        "job = Job.open(pathlib.Path(sys.argv[1]))\n"
        "print('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "job")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(JobInUse, match="is in use by another process"):
            opened(tmp_path / "job")
        other.kill()
        other.wait()

    opened(tmp_path / "job").close()


def test_a_lock_file_left_behind_locks_nothing(tmp_path: Path) -> None:
    a_job(tmp_path / "job").close()
    assert (tmp_path / "job" / "lock").exists()

    opened(tmp_path / "job").close()


def test_a_lock_file_deleted_while_it_is_held_lets_nobody_in(tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="Windows keeps an open file from being deleted")
    with a_job(tmp_path / "job"):
        (tmp_path / "job" / "lock").unlink()
        with pytest.raises(JobInUse, match="is in use by another process"):
            opened(tmp_path / "job")

    opened(tmp_path / "job").close()


def test_no_write_is_announced_once_the_only_lock_is_gone(tmp_path: Path) -> None:
    """Where a folder cannot be locked, as on some network file systems."""

    class NoFolderLocks(Disk):
        def lock_folder(self, path: Path) -> int | None:
            return None

    a_dumped_job(tmp_path / "job").close()
    with opened(tmp_path / "job", disk=NoFolderLocks()) as job:
        (tmp_path / "job" / "lock").unlink()
        with pytest.raises(JobInUse, match="was deleted or replaced while it was held"):
            job.announce(announcement(target=ORIGINAL))


def test_a_lock_that_nobody_can_take_is_told_and_noticed(tmp_path: Path) -> None:
    a_job(tmp_path / "job").close()
    lock = tmp_path / "job" / "lock"
    lock.unlink()
    lock.symlink_to(tmp_path / "elsewhere")

    with pytest.raises(JobDamaged, match="nothing can lock it") as refused:
        opened(tmp_path / "job")

    assert "Delete it (it holds nothing of the job)" in refused.value.next_step
    assert ("lock", True) in [(one.path, one.damaged) for one in check_folder(tmp_path / "job")]


def test_the_original_of_a_round_is_saved_once(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match="has its original, which is never replaced"):
            job.save_original(IMAGE, chip_facts=AChip().facts())
        assert job.load_original().data == ORIGINAL


@pytest.mark.parametrize("other", [AChip(jedec_id="aa400d"), AChip(unique_id="ff" * 8)])
def test_the_dump_of_another_chip_is_refused(tmp_path: Path, other: AChip) -> None:
    with a_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match="The dump is of another chip"):
            job.save_original(ORIGINAL, chip_facts=other.facts())
        assert not (tmp_path / "job" / "round-1" / "original.bin").exists()


def test_what_an_interrupted_save_left_is_set_aside_and_not_lost(tmp_path: Path) -> None:
    with a_job(tmp_path / "job") as job:
        (tmp_path / "job" / "round-1" / "original.bin").write_bytes(IMAGE)
        job.save_original(ORIGINAL, chip_facts=AChip().facts())

        assert job.load_original().data == ORIGINAL
    assert (tmp_path / "job" / "round-1" / "doubtful-1.bin").read_bytes() == IMAGE


def test_there_is_no_original_to_load_before_it_is_saved(tmp_path: Path) -> None:
    with a_job(tmp_path / "job") as job:
        assert not job.has_original
        with pytest.raises(StepRefused, match="has no original yet"):
            job.load_original()
        with pytest.raises(StepRefused, match="has no original yet"):
            job.save_image(IMAGE, {})
        with pytest.raises(StepRefused, match="has no image"):
            _ = job.target


def test_an_image_of_another_size_is_refused(tmp_path: Path) -> None:
    with (
        a_dumped_job(tmp_path / "job") as job,
        pytest.raises(StepRefused, match="The image has 4095 bytes, the original 4096"),
    ):
        job.save_image(IMAGE[:-1], {})


def test_images_are_numbered_and_found_by_their_hash(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        first, second = job.save_image(IMAGE, {}), job.save_image(ORIGINAL[::-1], {})

        assert (first, second, job.newest_image()) == (1, 2, 2)
        assert job.image_number(hashlib.sha256(IMAGE).hexdigest()) == 1
        assert job.image_number("0" * 64) is None


def test_no_image_is_added_while_a_write_is_unfinished(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())

        with pytest.raises(StepRefused, match="has an unfinished write"):
            job.save_image(ORIGINAL[::-1], {})


def test_a_target_that_is_not_stored_is_not_announced(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match="image 1, is not stored in this round"):
            job.announce(announcement())
        assert job.unfinished() is None


def test_an_unfinished_write_is_known_to_the_next_process(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.save_image(ORIGINAL[::-1], {})
        job.announce(announcement())
        job.record(RegistersChanged(before={"SR1": 0x1C}, after={"SR1": 0}))

    with opened(tmp_path / "job") as job:
        unfinished = job.unfinished()
        assert unfinished is not None
        assert unfinished.suspect == (range(1024, 2048),)
        assert job.registers_to_put_back == {"SR1": 0x1C}
        assert job.target == IMAGE  # the one announced, not the newest
        assert job.announced_images() == (IMAGE,)

        job.announce(announcement(target=ORIGINAL, target_name="original"))
        assert job.target == IMAGE

        job.record(UnitProven(start=1024, size=1024))
        job.record(WriteFinished(target_sha256=announcement().target_sha256))
        assert job.unfinished() is None
        assert job.proven_images() == {announcement().target_sha256}
        assert job.target == ORIGINAL[::-1]


def test_an_announced_target_is_kept_even_if_the_process_dies_at_once(tmp_path: Path) -> None:
    disk = FaultyDisk(tmp_path)
    job = a_dumped_job(tmp_path / "job", disk=disk)
    job.save_image(IMAGE, {})
    job.announce(announcement())
    disk.end_process()
    disk.leave_after_power_loss(tmp_path / "after", names_synced=True, contents_synced=True)

    with opened(tmp_path / "after" / "job") as again:
        assert again.unfinished() is not None


def test_the_disk_s_refusal_says_what_it_was_about_and_what_to_do(tmp_path: Path) -> None:
    disk = FaultyDisk(tmp_path)
    with a_job(tmp_path / "board 7", disk=disk) as job:
        disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FULL, from_then_on=True)
        with pytest.raises(
            ChipUntouched, match=r"The disk refused while .* \(job board 7\)"
        ) as seen:
            job.save_original(ORIGINAL, chip_facts=AChip().facts())
        disk.fault = None

    assert seen.value.next_step.startswith("Free some space on that disk")
    assert str(seen.value).splitlines()[0] == "This command did not touch the chip."


def _refused_by_the_disk(job: Job, disk: FaultyDisk) -> ChipHalfWritten:
    disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.READ_ONLY, from_then_on=True)
    with pytest.raises(ChipHalfWritten) as refusal:
        job.save_found(ORIGINAL)
    disk.fault = None
    return refusal.value


def test_while_a_write_is_unfinished_the_disk_s_refusal_says_half_written(tmp_path: Path) -> None:
    """In the command that began the write, and in one that found it so."""
    disk = FaultyDisk(tmp_path)
    with a_dumped_job(tmp_path / "job", disk=disk) as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())
        at_once = _refused_by_the_disk(job, disk)
    with opened(tmp_path / "job", disk=disk) as job:
        later = _refused_by_the_disk(job, disk)

    assert at_once.exit_status == later.exit_status == 4
    assert at_once.next_step == (
        "Leave the chip where it is. Make room on that disk, or repair it, then run: flashbench"
        f" finish {tmp_path / 'job'}  (or: flashbench restore {tmp_path / 'job'})"
    )
    assert later.next_step == (
        "Make the folder writable for you, or use another, then run the same command again."
    )


def test_a_job_is_refused_where_its_files_would_not_fit(tmp_path: Path) -> None:
    class SmallDisk(Disk):
        def free_bytes(self, folder: Path) -> int:
            return 60 << 20

    chip = AChip(profile=a_profile(density_bytes=16 << 20))

    with pytest.raises(StepRefused, match="has 60 MiB free; this chip's job needs 64 MiB"):
        Job.create(tmp_path / "job", chip, disk=SmallDisk(), now=Calendar())


def test_what_is_no_evidence_is_numbered_and_kept(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        assert job.save_doubtful(IMAGE).name == "doubtful-1.bin"
        assert job.save_doubtful(ORIGINAL).name == "doubtful-2.bin"
        assert job.save_found(IMAGE).name == "found-1.bin"
        kept = job.save_kept(IMAGE, AChip(unique_id=None).facts())

    assert (kept.number, kept.path.name) == (1, "kept-1.bin")
    assert (tmp_path / "job" / "round-1" / "doubtful-2.bin").read_bytes() == ORIGINAL


def test_a_second_round_leaves_the_first_original_where_it_is(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        assert job.open_round(AChip()) == 2
        job.save_original(IMAGE, chip_facts=AChip().facts())

    with opened(tmp_path / "job") as job:
        assert job.round_numbers == (1, 2)
        assert job.load_original().data == IMAGE
        assert job.load_original(round_number=1).data == ORIGINAL
        assert job.label == "job"
        with pytest.raises(StepRefused, match="has no round 3"):
            job.load_original(round_number=3)


def test_a_round_is_not_opened_over_an_unfinished_write_or_an_empty_round(tmp_path: Path) -> None:
    with a_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match="has no original yet"):
            job.open_round(AChip())
        job.save_original(ORIGINAL, chip_facts=AChip().facts())
        job.save_image(IMAGE, {})
        job.announce(announcement())
        with pytest.raises(StepRefused, match="has an unfinished write"):
            job.open_round(AChip())


def test_a_register_name_that_would_leave_the_folder_is_refused(tmp_path: Path) -> None:
    class Hostile(AChip):
        def facts(self) -> dict[str, object]:
            return {**super().facts(), "registers": {"../../SR1": 0}}

    with pytest.raises(ValueError, match="a register's name becomes a file's"):
        Job.create(tmp_path / "job", Hostile(), now=Calendar())
    assert [path.name for path in tmp_path.iterdir()] == ["job"]
