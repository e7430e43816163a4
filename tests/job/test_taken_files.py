"""A job opened from two dumps made with other equipment, and what becomes of it."""

from pathlib import Path

import pytest

from flashbench.job.check import check_folder
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, JobExists, JobMissing, StepRefused
from flashbench.job.taken_files import take_files_in
from tests.builders.job import AChip, Calendar, a_dumped_job, a_profile

SIZE = 1 << 16
DUMP = bytes(range(256)) * (SIZE // 256)
CHIP = AChip(profile=a_profile(density_bytes=SIZE))


def with_one_bit(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def opened_from_files(tmp_path: Path) -> Path:
    take_files_in(tmp_path / "job", DUMP, DUMP, label="bag 4")
    return tmp_path / "job"


def dump_into(folder: Path, data: bytes) -> None:
    with Job.create(folder, CHIP, now=Calendar()) as job:
        job.save_original(data, chip_facts=CHIP.facts(), ways=("a", "b"))


def test_equal_dumps_are_kept_with_their_hash(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)

    assert (folder / "from-files.bin").read_bytes() == DUMP
    assert (folder / "from-files.bin.sha256").exists()


def test_it_has_no_backup_and_says_what_comes_next(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)

    with pytest.raises(JobMissing, match="opened from two files") as refusal:
        Job.open(folder)
    assert refusal.value.next_step.endswith(f"flashbench dump {folder}")


def test_a_job_that_was_only_opened_from_files_lacks_no_round(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)

    whole = check_folder(folder)
    (folder / "from-files.bin").chmod(0o600)
    (folder / "from-files.bin").write_bytes(DUMP[:-1] + b"\0")
    spoilt = [finding.path for finding in check_folder(folder) if finding.damaged]

    assert [finding.damaged for finding in whole] == [False]
    assert spoilt == ["from-files.bin"]


def test_reads_that_equal_the_files_become_the_original(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)

    dump_into(folder, DUMP)

    with Job.open(folder, now=Calendar()) as job:
        assert job.label == "bag 4"
        assert job.load_original().data == DUMP
    assert check_folder(folder) == ()


@pytest.mark.parametrize("at", [0, SIZE // 2, SIZE - 1])
def test_reads_that_differ_by_a_bit_are_doubtful_and_no_original(tmp_path: Path, at: int) -> None:
    folder = opened_from_files(tmp_path)

    with pytest.raises(
        StepRefused, match="is not what the files hold that this job was opened"
    ) as refused:
        dump_into(folder, with_one_bit(DUMP, at))
    assert refused.value.next_step == (
        "If a contact or the other equipment is in doubt, seat the chip again and dump again. If"
        " the files are old, or of another chip, dump into a folder of its own."
    )

    with Job.open(folder, now=Calendar()) as job:
        assert not job.has_original
        assert job.load_doubtful(1) == with_one_bit(DUMP, at)
        with pytest.raises(StepRefused, match="no original yet"):
            job.load_original()
        job.save_original(DUMP, chip_facts=CHIP.facts(), ways=("a", "b"))  # another try
        assert job.load_original().data == DUMP


@pytest.mark.parametrize(
    ("second", "seen"),
    [
        (with_one_bit(DUMP, 5), "The two dumps differ, first at 0x5"),
        (DUMP[:-1], "The two dumps have 65536 and 65535 bytes"),
    ],
)
def test_dumps_that_do_not_agree_open_nothing(tmp_path: Path, second: bytes, seen: str) -> None:
    with pytest.raises(StepRefused, match=seen):
        take_files_in(tmp_path / "job", DUMP, second)

    assert not (tmp_path / "job").exists()


def test_what_no_chip_holds_opens_nothing(tmp_path: Path) -> None:
    with pytest.raises(StepRefused, match="A flash chip does not have 1000 bytes"):
        take_files_in(tmp_path / "job", DUMP[:1000], DUMP[:1000])


def test_a_job_that_was_dumped_takes_no_files_in(tmp_path: Path) -> None:
    a_dumped_job(tmp_path / "job").close()

    with pytest.raises(JobExists):
        take_files_in(tmp_path / "job", DUMP, DUMP)
    assert not (tmp_path / "job" / "from-files.bin").exists()


def test_files_are_taken_in_once(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)

    with pytest.raises(StepRefused, match="opened from two files already"):
        take_files_in(folder, DUMP, DUMP)


def test_files_that_changed_on_the_disk_prove_nothing(tmp_path: Path) -> None:
    folder = opened_from_files(tmp_path)
    (folder / "from-files.bin").chmod(0o600)
    (folder / "from-files.bin").write_bytes(with_one_bit(DUMP, 7))

    with pytest.raises(JobDamaged, match="was changed after it was taken in"):
        dump_into(folder, DUMP)
    damaged = [finding.path for finding in check_folder(folder) if finding.damaged]
    assert "from-files.bin" in damaged
