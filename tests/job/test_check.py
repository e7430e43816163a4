"""The check of a whole folder: each file gone, changed or too many, and the whole list it gives."""

from pathlib import Path

import pytest

from flashbench.job.check import Finding, can_be_checked, check_folder
from flashbench.job.folder import Job
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, a_job

CHANGED = "was changed after it was saved"
GONE = "cannot be read: No such file or directory"
HASH_CHANGED = "was changed; the journal has the hash"
HASH_GONE = "is missing; the journal has the hash"

WITH_HASH = ("original.bin", "image-1.bin", "doubtful-1.bin", "found-1.bin", "found-3.bin")
WITHOUT_HASH = ("changes-1.json", "chip.json", "registers/SR1.bin", "registers/SR2.bin")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of a job that has a file of each kind."""
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.save_doubtful(ORIGINAL)
        for _ in range(3):
            job.save_found(ORIGINAL)
        job.save_kept(IMAGE, AChip(unique_id="5a5a5a5a5a5a5a5a").facts())
    return tmp_path / "job"


@pytest.fixture
def best(tmp_path: Path) -> Path:
    """The folder of a job whose chip never read the same twice."""
    with a_job(tmp_path / "best") as job:
        job.save_doubtful(ORIGINAL)
        job.save_best_reading(
            ORIGINAL,
            unstable={"unstable": [], "listed_to": len(ORIGINAL)},
            unstable_bytes=0,
            reads=(1,),
            chip_facts=AChip().facts(),
            size_sources=("table",),
            size_doubt=None,
        )
    return tmp_path / "best"


def findings(folder: Path) -> list[tuple[str, str, bool]]:
    return [(one.path, one.seen, one.damaged) for one in check_folder(folder)]


def change(path: Path) -> None:
    path.chmod(0o600)
    data = bytearray(path.read_bytes())
    data[0] ^= 1
    path.write_bytes(data)


def remove(path: Path) -> None:
    path.parent.chmod(0o700)
    path.unlink()


def test_a_folder_as_it_was_saved_has_no_findings(folder: Path, best: Path) -> None:
    assert findings(folder) == []
    assert findings(best) == []


@pytest.mark.parametrize("name", [*WITH_HASH, *WITHOUT_HASH, "kept-1.bin"])
def test_a_saved_file_that_was_changed_or_is_gone_is_damaged(folder: Path, name: str) -> None:
    path = folder / "round-1" / name
    change(path)
    assert findings(folder) == [(f"round-1/{name}", CHANGED, True)]
    remove(path)
    assert findings(folder) == [(f"round-1/{name}", GONE, True)]


@pytest.mark.parametrize("name", [*WITH_HASH, "kept-1.bin"])
def test_a_hash_file_is_damaged_if_it_was_changed_and_not_missed_if_it_is_gone(
    folder: Path, name: str
) -> None:
    path = folder / "round-1" / f"{name}.sha256"
    change(path)
    assert findings(folder) == [(f"round-1/{name}.sha256", HASH_CHANGED, True)]
    remove(path)
    assert findings(folder) == [(f"round-1/{name}.sha256", HASH_GONE, False)]


def test_a_hash_file_that_cannot_be_read_is_damaged(folder: Path) -> None:
    path = folder / "round-1" / "original.bin.sha256"
    remove(path)
    path.mkdir()

    not_read = "cannot be read: it is not a regular file"
    assert findings(folder) == [("round-1/original.bin.sha256", not_read, True)]


@pytest.mark.parametrize("name", ["best-reading.bin", "best-reading.json"])
def test_a_best_reading_is_checked_with_its_list_of_unstable_addresses(
    best: Path, name: str
) -> None:
    change(best / "round-1" / name)

    assert findings(best) == [(f"round-1/{name}", CHANGED, True)]


def test_the_hash_file_of_a_best_reading_is_checked(best: Path) -> None:
    remove(best / "round-1" / "best-reading.bin.sha256")

    assert findings(best) == [("round-1/best-reading.bin.sha256", HASH_GONE, False)]


INTERRUPTED = (
    "is not in the journal, and no evidence: its saving was interrupted, or it belongs to"
    " another job: then move it out of the folder"
)
LEFT = "was left when a process was stopped or the disk refused; it may be deleted"
STRANGE = "was not made by flashbench"


@pytest.mark.parametrize(
    ("name", "seen"),
    [
        ("image-2.bin", INTERRUPTED),
        ("image-2.bin.sha256", INTERRUPTED),
        ("best-reading.bin", INTERRUPTED),
        ("best-reading.bin.sha256", INTERRUPTED),
        ("image-2.bin.unfinished", LEFT),
        ("journal.reserve", LEFT),
        ("letter.txt", STRANGE),
        ("registers/SR9.bin", STRANGE),
        ("chip.json.sha256", STRANGE),
    ],
)
def test_a_file_that_is_in_no_journal_is_worth_a_look_and_no_damage(
    folder: Path, name: str, seen: str
) -> None:
    (folder / "round-1" / name).write_bytes(b"x")

    assert findings(folder) == [(f"round-1/{name}", seen, False)]


def test_a_folder_in_a_round_is_named_itself_and_its_files_are_not(folder: Path) -> None:
    (folder / "round-1" / "pictures").mkdir()
    (folder / "round-1" / "pictures" / "one.jpg").write_bytes(b"x")

    assert findings(folder) == [("round-1/pictures", STRANGE, False)]


def test_a_missing_round_and_a_file_beside_the_rounds_are_named(folder: Path) -> None:
    with Job.open(folder) as job:
        job.open_round(AChip())
        job.save_original(ORIGINAL, chip_facts=AChip().facts(), ways=())
    (folder / "round-1").rename(folder / "round-one")

    assert check_folder(folder) == (
        Finding(path="round-one", seen=STRANGE, damaged=False),
        Finding(path="round-1", seen="the round is missing", damaged=True),
    )


def test_what_is_only_booked_in_is_said_and_its_intake_looked_at(tmp_path: Path) -> None:
    from flashbench.job.booking import book_in
    from flashbench.job.intake import Intake

    book_in(tmp_path / "job", Intake(label="board 17"))
    undumped = (".", "its chip was not dumped yet: there is no journal to compare with", False)
    assert findings(tmp_path / "job") == [undumped]

    (tmp_path / "job" / "intake.toml").write_text("?")

    assert findings(tmp_path / "job")[0] == undumped
    assert [(path, bad) for path, _, bad in findings(tmp_path / "job")[1:]] == [
        ("intake.toml", True)
    ]


def test_a_folder_that_others_can_enter_is_worth_a_look(folder: Path) -> None:
    folder.chmod(0o755)

    assert findings(folder) == [(".", "others than its owner can enter the folder", False)]


def test_a_folder_with_other_things_in_it_is_none_to_check(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("none of ours")

    assert not can_be_checked(tmp_path)
    assert not can_be_checked(tmp_path / "notes.txt")

    (tmp_path / "intake.toml").touch()

    assert can_be_checked(tmp_path)
