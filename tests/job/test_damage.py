"""A job folder damaged at rest: each changed byte is noticed, and what is good is still had.

The one outside source here is coreutils: `sha256sum -c` must read our hash files.
"""

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.errors import FlashbenchError
from flashbench.job.check import Finding, check_folder
from flashbench.job.refusals import JobDamaged, JobForeign, StepRefused
from tests.builders.disk import FaultyDisk
from tests.builders.job import IMAGE, ORIGINAL, a_dumped_job, announcement, opened


def append(path: Path, data: bytes) -> None:
    path.write_bytes(path.read_bytes() + data)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A closed job with original, image and a finished announcement."""
    path = tmp_path / "board 7"
    with a_dumped_job(path, disk=FaultyDisk(tmp_path)) as job:
        job.save_image(IMAGE, {"changed": [[1024, 256]]})
    return path


def changed_bytes(path: Path, flips: tuple[int, ...]) -> "list[bytes]":
    good = path.read_bytes()
    return [
        good[:at] + bytes([good[at] ^ flip]) + good[at + 1 :]
        for at in range(len(good))
        for flip in flips
    ]


def use(folder: Path) -> None:
    """Open the job and load what a write or a recovery would."""
    with opened(folder, disk=FaultyDisk(folder.parent)) as job:
        assert job.load_original().data == ORIGINAL
        assert job.load_image(1) == IMAGE
        assert job.load_changes(1) == {"changed": [[1024, 256]]}
        assert job.load_chip_facts()["jedec_id"] == "aa400c"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("job.toml", r"job\.toml (was changed after|states format|is not)"),
        ("round-1/journal.jsonl", r"journal\.jsonl is damaged: \d+ lines were written"),
        ("round-1/journal.head", r"journal\.head (is damaged|contradict)|journal\.jsonl"),
        ("round-1/original.bin.sha256", r"original\.bin\.sha256 in round-1 was changed"),
        ("round-1/original.bin", r"original\.bin in round-1 was changed after it was saved"),
        ("round-1/image-1.bin.sha256", r"image-1\.bin\.sha256 in round-1 was changed"),
        ("round-1/changes-1.json", r"changes-1\.json in round-1 was changed after"),
        ("round-1/chip.json", r"chip\.json in round-1 was changed after it was saved"),
    ],
)
def test_every_changed_byte_is_noticed_and_its_file_named(
    folder: Path, name: str, says: str
) -> None:
    path = folder / name
    # Every byte of the short files; of the others a part, as what notices it is a hash here and
    # tested byte by byte for the journal where it is made.
    cases = changed_bytes(path, (0x01, 0x20))
    for changed in cases[:: max(1, len(cases) // 800)]:
        path.chmod(0o600)
        path.write_bytes(changed)

        with pytest.raises((JobDamaged, JobForeign)) as refusal:
            use(folder)

        assert re.search(says, refusal.value.seen), refusal.value.seen
        assert refusal.value.exit_status == 3


@pytest.mark.parametrize("name", ["round-1/original.bin", "round-1/image-1.bin", "job.toml"])
def test_every_cut_is_noticed(folder: Path, name: str) -> None:
    path = folder / name
    good = path.read_bytes()
    path.chmod(0o600)
    for size in range(0, len(good), 1 + len(good) // 40):
        path.write_bytes(good[:size])
        with pytest.raises((JobDamaged, JobForeign)):
            use(folder)
    path.write_bytes(good)
    use(folder)


def test_the_whole_folder_check_notices_every_changed_file_and_changes_none(folder: Path) -> None:
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.name != "lock"]
    assert len(files) == 11
    assert check_folder(folder) == ()
    for path in files:
        good = path.read_bytes()
        path.chmod(0o600)
        path.write_bytes(good[:-2] + bytes([good[-2] ^ 1]) + good[-1:] if len(good) > 1 else b"?")
        before = {each: each.read_bytes() for each in files}

        found = check_folder(folder)

        assert any(finding.damaged for finding in found), path
        names = {finding.path for finding in found}
        at = str(path.relative_to(folder))
        journal = {"round-1/journal.jsonl"}
        assert at in names or (path.name == "journal.head" and names & journal), (at, found)
        assert {each: each.read_bytes() for each in files} == before
        path.write_bytes(good)
    assert check_folder(folder) == ()


@pytest.mark.parametrize(
    ("spoil", "expected"),
    [
        (
            lambda folder: (folder / "round-1" / "image-1.bin.sha256").unlink(),
            Finding(
                path="round-1/image-1.bin.sha256",
                seen="is missing; the journal has the hash",
                damaged=False,
            ),
        ),
        (
            lambda folder: (folder / "round-1" / "original.bin").unlink(),
            Finding(
                path="round-1/original.bin",
                seen="cannot be read: No such file or directory",
                damaged=True,
            ),
        ),
        (
            lambda folder: (folder / "round-1" / "image-2.bin").write_bytes(b"x"),
            Finding(
                path="round-1/image-2.bin",
                seen="is not in the journal, and no evidence: its saving was interrupted, or it"
                " belongs to another job: then move it out of the folder",
                damaged=False,
            ),
        ),
        (
            lambda folder: (folder / "notes.txt").write_bytes(b"x"),
            Finding(path="notes.txt", seen="was not made by flashbench", damaged=False),
        ),
        (
            lambda folder: (folder / "round-1" / "original.bin.unfinished").write_bytes(b"x"),
            Finding(
                path="round-1/original.bin.unfinished",
                seen="was left when a process was stopped or the disk refused; it may be deleted",
                damaged=False,
            ),
        ),
        (
            lambda folder: folder.chmod(0o755),
            Finding(path=".", seen="others than its owner can enter the folder", damaged=False),
        ),
        (
            lambda folder: append(folder / "round-1" / "journal.jsonl", b'{"n":'),
            Finding(
                path="round-1/journal.jsonl",
                seen="its last 5 bytes were never finished and do not count",
                damaged=False,
            ),
        ),
    ],
)
def test_the_whole_folder_check_says_what_is_unusual(
    folder: Path, spoil: Callable[[Path], object], expected: Finding
) -> None:
    spoil(folder)

    assert check_folder(folder) == (expected,)


def test_a_damaged_original_names_what_is_still_good(folder: Path) -> None:
    spoil(folder / "round-1" / "original.bin")

    with opened(folder) as job, pytest.raises(JobDamaged) as refusal:
        job.load_original()

    assert "Still as saved: image-1.bin." in refusal.value.seen
    assert "has never written to its chip: it can also be dumped again" in refusal.value.next_step


def test_a_damaged_original_of_a_written_chip_cannot_be_dumped_again(folder: Path) -> None:
    with opened(folder) as job:
        job.announce(announcement())
    spoil(folder / "round-1" / "original.bin")
    spoil(folder / "round-1" / "image-1.bin")

    with opened(folder) as job, pytest.raises(JobDamaged) as refusal:
        job.load_original()

    assert "No image is as saved." in refusal.value.seen
    assert "second copy" in refusal.value.next_step
    assert "dumped again" not in refusal.value.next_step


def test_a_damaged_hash_file_says_that_the_original_itself_is_good(folder: Path) -> None:
    path = folder / "round-1" / "original.bin.sha256"
    spoil(path)

    with opened(folder) as job:
        with pytest.raises(JobDamaged, match=r"original\.bin itself is as the journal says"):
            job.load_original()
        path.unlink()  # the next step of that refusal
        assert job.load_original().data == ORIGINAL
    assert path.read_text().endswith("  original.bin\n")


def test_a_missing_job_file_is_made_again_from_the_journal(folder: Path) -> None:
    good = (folder / "job.toml").read_bytes()
    (folder / "job.toml").unlink()

    with opened(folder) as job:
        assert job.label == "board 7"
    assert (folder / "job.toml").read_bytes() == good


def test_a_round_under_another_number_is_noticed(folder: Path) -> None:
    (folder / "round-1").rename(folder / "round-2")

    with pytest.raises(JobDamaged, match="round-1 is missing"):
        opened(folder)
    found = {finding.path: finding.seen for finding in check_folder(folder)}
    assert found["round-1"] == "the round is missing"
    assert "is not the journal of that round" in found["round-2/journal.jsonl"]


def test_a_round_that_is_a_copy_of_another_is_noticed(folder: Path) -> None:
    shutil.copytree(folder / "round-1", folder / "round-2")

    with pytest.raises(JobDamaged, match="round-2 is not the journal of that round"):
        opened(folder)
    assert check_folder(folder) == (
        Finding(
            path="round-2",
            seen="is a copy of round-1: move it out of the folder",
            damaged=True,
        ),
    )


@pytest.mark.parametrize(
    ("text", "refusal", "says"),
    [
        (b"format = 2\n", JobForeign, "states format 2; this flashbench knows 1"),
        (b"format = true\n", JobForeign, "states format True"),
        (b'label = "x"\n', JobForeign, "states format None"),
        (b"format = \n", JobDamaged, "is not a TOML file"),
        (b"format = 1\n", JobDamaged, "is not what flashbench writes"),
        (b"\xff\xfe", JobDamaged, "was changed after it was written"),
        (b"[" * 5000, JobDamaged, "is not a TOML file"),
        (b"#" * ((1 << 20) + 1), JobDamaged, "at most 65536 are expected"),
    ],
)
def test_a_job_file_of_another_kind_is_refused_in_one_sentence(
    folder: Path, text: bytes, refusal: type[FlashbenchError], says: str
) -> None:
    (folder / "job.toml").write_bytes(text)

    with pytest.raises(refusal, match=re.escape(says)):
        opened(folder)


@pytest.mark.parametrize("name", ["round-1/original.bin", "round-1/journal.jsonl", "job.toml"])
def test_no_link_is_followed_out_of_the_folder(folder: Path, tmp_path: Path, name: str) -> None:
    elsewhere = tmp_path / "elsewhere"
    (folder / name).rename(elsewhere)
    (folder / name).symlink_to(elsewhere)

    with pytest.raises(JobDamaged, match="is not a plain file"):
        use(folder)


def test_a_round_that_is_a_link_is_no_round(folder: Path, tmp_path: Path) -> None:
    (folder / "round-1").rename(tmp_path / "elsewhere")
    (folder / "round-1").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(JobDamaged, match="round-1 is missing"):
        opened(folder)


def test_the_hash_files_are_what_sha256sum_reads(folder: Path) -> None:
    sha256sum = shutil.which("sha256sum")
    if sha256sum is None:
        pytest.skip("coreutils' sha256sum is not installed here")
    round_1 = folder / "round-1"
    names = sorted(path.name for path in round_1.glob("*.sha256"))

    checked = subprocess.run(
        [sha256sum, "--check", "--strict", *names],
        cwd=round_1,
        capture_output=True,
        text=True,
        check=False,
        env={"LC_ALL": "C"},
    )

    assert checked.returncode == 0, checked.stderr
    assert checked.stdout == "image-1.bin: OK\noriginal.bin: OK\n"


def test_an_image_the_journal_does_not_know_is_not_loaded(folder: Path) -> None:
    shutil.copy(folder / "round-1" / "image-1.bin", folder / "round-1" / "image-2.bin")

    with opened(folder) as job:
        with pytest.raises(StepRefused, match="has no image 2"):
            job.load_image(2)
        assert job.newest_image() == 1
        assert job.save_image(IMAGE, {}) == 3  # nothing that lies there is overwritten


def spoil(path: Path) -> None:
    data = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(bytes([data[0] ^ 1]) + data[1:])
