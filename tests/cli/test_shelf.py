"""`flashbench shelf`: the list, what it finds, checks, packs and forgets."""

from pathlib import Path

import pytest

from flashbench.job.events import SecondCopyProven
from flashbench.job.folder import Job
from tests.builders.job import Calendar
from tests.builders.shelf import a_chip, contents, edited, stand_up, write
from tests.cli.workplace import run, three_lines, told


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    calendar = Calendar()
    stand_up(tmp_path, "board-1", board=1, label="Miller, bag 1", calendar=calendar)
    calendar.advance(90_000)
    stand_up(
        tmp_path, "board-2", board=2, label="Smith 002", written=True, boots=True, calendar=calendar
    )
    return tmp_path


def test_the_list_fits_the_terminal_and_names_what_is_damaged(jobs: Path) -> None:
    (jobs / "broken" / "round-1").mkdir(parents=True)
    stand_up(jobs, "long", board=3, label="A customer with a very long name, in bag 0123456789012")

    result = run("shelf", str(jobs))

    lines = result.stdout.splitlines()
    assert result.exit_code == 0
    assert "2026-01-02  image made       XX25Q00         board-1: Miller, bag 1" in lines
    assert "2026-01-03  boots            XX25Q00         board-2: Smith 002" in lines
    assert any(line.startswith("broken: damaged.") for line in lines)
    assert all(len(line) <= 80 for line in lines)
    assert lines[-1] == "4 jobs."


def test_json_tells_all_of_each_job(jobs: Path) -> None:
    facts = told(run("shelf", str(jobs), "--find", "smith", "--json"))

    (job,) = facts["jobs"]
    assert job["label"] == "Smith 002"
    assert job["standing"] == "boots"
    assert job["jedec_ids"] == ["aa400c"]
    assert [image["name"] for image in job["images"]] == ["original", "image 1"]


def test_two_jobs_of_one_label_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    stand_up(tmp_path, "first", board=1, label="Miller")
    stand_up(tmp_path, "second", board=2, label="Miller")

    said = run("shelf", str(tmp_path)).stdout

    assert "first: Miller" in said
    assert "second: Miller" in said


def test_a_job_without_an_original_is_listed_with_its_unproven_best_reading(
    tmp_path: Path,
) -> None:
    chip = a_chip()
    with Job.create(tmp_path / "unsteady", chip, now=Calendar()) as job:
        job.save_best_reading(
            contents(1),
            unstable={"bytes": 3},
            unstable_bytes=3,
            reads=[job.save_doubtful_numbered(contents(1)).number],
            chip_facts=chip.facts(),
            size_sources=["table", "SFDP"],
            size_doubt=None,
        )

    assert "  best reading, not proven  " in run("shelf", str(tmp_path)).stdout


def test_what_is_found_nowhere_is_a_failure_that_says_what_was_searched(jobs: Path) -> None:
    result = run("shelf", str(jobs), "--find", "WF2")

    assert result.exit_code == 1
    _, seen, next_step = three_lines(result)
    assert seen == f"No job in {jobs} is found by 'WF2'."
    assert "what was noted at intake" in next_step
    assert result.stdout.splitlines()[-1] == "0 jobs of 2."


def test_what_the_help_says_is_searched_finds_its_job(jobs: Path) -> None:
    (job,) = told(run("shelf", str(jobs), "--find", "Miller", "--json"))["jobs"]
    texts = [job["label"], Path(job["folder"]).name, job["chip"], job["standing"]]

    for text in (*texts, *job["unique_ids"], job["images"][0]["sha256"][:8]):
        found = told(run("shelf", str(jobs), "--find", text, "--json"))["jobs"]
        assert job["folder"] in [each["folder"] for each in found], text


def test_an_empty_shelf_is_no_error(tmp_path: Path) -> None:
    result = run("shelf", str(tmp_path))

    assert (result.exit_code, result.stdout) == (0, "0 jobs.\n")


def test_check_names_the_file_and_ends_with_1(jobs: Path) -> None:
    whole = run("shelf", str(jobs), "--check")
    image = jobs / "board-2" / "round-1" / "image-1.bin"
    image.chmod(0o600)
    image.write_bytes(b"something else")
    spoilt = run("shelf", str(jobs), "--check")

    assert whole.exit_code == 0
    assert "2 jobs checked: every file is as it was saved." in whole.stdout
    assert spoilt.exit_code == 1
    assert "round-1/image-1.bin was changed after it was saved" in spoilt.stdout
    assert "1 job of 2 not as saved: Smith 002" in three_lines(spoilt)[1]


def test_one_job_is_packed_beside_the_others(jobs: Path) -> None:
    facts = told(run("shelf", str(jobs), "--hand-over", "board-2", "--json"))

    assert Path(facts["file"]) == jobs / "board-2.zip"
    assert Path(facts["file"]).is_file()
    again = run("shelf", str(jobs), "--hand-over", "board-2")
    assert again.exit_code == 2
    assert "exists already" in three_lines(again)[1]


@pytest.mark.parametrize(
    "name",
    ["board-9", "..", ".", "", "../elsewhere", "/etc", "elsewhere/board-2", "/elsewhere/board-2"],
)
def test_only_a_job_on_this_shelf_is_forgotten(jobs: Path, name: str) -> None:
    result = run("shelf", str(jobs), "--forget", name, "--label", "002")

    assert result.exit_code == 2
    assert "There is no job" in three_lines(result)[1]
    assert run("shelf", str(jobs)).stdout.endswith("2 jobs.\n")


def test_forgetting_asks_for_the_end_of_the_label(jobs: Path) -> None:
    unasked = run("shelf", str(jobs), "--forget", "board-2")
    wrong = run("shelf", str(jobs), "--forget", "board-2", "--label", "003")
    right = run("shelf", str(jobs), "--forget", "board-2", "--label", "002")

    assert (unasked.exit_code, wrong.exit_code, right.exit_code) == (2, 3, 0)
    assert "nobody can be asked" in three_lines(unasked)[1]
    assert "The label of this job does not end in '003'" in three_lines(wrong)[1]
    assert not (jobs / "board-2").exists()
    assert run("shelf", str(jobs)).stdout.endswith("1 job, 1 job forgotten on purpose.\n")


def test_forgetting_names_the_copies_that_are_left(jobs: Path) -> None:
    with Job.open(jobs / "board-2") as job:
        job.record(SecondCopyProven(folder="/shelf-2/board-2", sha256="0" * 64))

    result = run("shelf", str(jobs), "--forget", "board-2", "--label", "002")

    assert result.exit_code == 0
    assert "its originals are still there" in result.stdout
    assert "/shelf-2/board-2" in result.stdout


def test_a_half_written_job_is_not_forgotten_without_saying_so(jobs: Path) -> None:
    with Job.open(jobs / "board-1") as job:
        write(job, edited(contents(1)), to_its_end=False)

    result = run("shelf", str(jobs), "--forget", "board-1", "--label", "g 1")

    assert result.exit_code == 3
    assert "half-written. Without this folder nobody can finish or restore it" in result.stderr
    assert (jobs / "board-1").exists()
    assert "Miller, bag 1: half-written. Run: flashbench next" in run("shelf", str(jobs)).stdout
    assert run("shelf", str(jobs), "--forget", "board-1", "--label", "Miller, bag 1").exit_code == 0
    assert not (jobs / "board-1").exists()


def left_behind(job: Job) -> None:
    """The own chip is half-written, and another one took its place and is proven."""
    write(job, edited(contents(1)), to_its_end=False)
    kept = job.save_kept(contents(9), a_chip("99" * 8).facts())
    write(job, edited(contents(1)), kept_number=kept.number)


def test_a_half_written_chip_that_was_replaced_keeps_its_job_from_being_forgotten(
    jobs: Path,
) -> None:
    with Job.open(jobs / "board-1") as job:
        left_behind(job)
        job.open_round(a_chip("99" * 8))
        job.save_original(edited(contents(1)), chip_facts=a_chip("99" * 8).facts())

    refused = run("shelf", str(jobs), "--forget", "board-1", "--label", "g 1")

    assert refused.exit_code == 3
    assert "a chip of it was left half-written when another one was written" in refused.stderr
    assert "'g 1' is not the whole label of this job." in refused.stderr
    assert (jobs / "board-1").exists()
    assert run("shelf", str(jobs), "--forget", "board-1", "--label", "Miller, bag 1").exit_code == 0


def test_two_half_written_chips_are_counted(jobs: Path) -> None:
    with Job.open(jobs / "board-1") as job:
        write(job, edited(contents(1)), to_its_end=False)
        kept = job.save_kept(contents(9), a_chip("99" * 8).facts())
        write(job, edited(contents(1)), kept_number=kept.number, to_its_end=False)

    refused = run("shelf", str(jobs), "--forget", "board-1", "--label", "g 1")

    assert (
        "2 chips of it are half-written. Without this folder nobody can finish or restore them"
        in (" ".join(refused.stderr.split()))
    )


def test_one_thing_at_a_time(jobs: Path) -> None:
    result = run("shelf", str(jobs), "--check", "--forget", "board-1")

    assert result.exit_code == 2
    assert "one at a time" in three_lines(result)[1]
