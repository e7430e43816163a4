"""What is told when a board is booked in: kept, amended, never in the way of its chip."""

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.job import events, layout
from flashbench.job.booking import book_in, booked_in
from flashbench.job.check import check_folder
from flashbench.job.folder import Job
from flashbench.job.intake import TEXT_CHARS_MAX, Intake, decode, doubt, encode
from flashbench.job.refusals import JobDamaged, JobExists, JobForeign, StepRefused
from tests.builders.job import AChip, Calendar, a_dumped_job, a_job, opened

TOLD = Intake(
    label="Miller 17",
    device="small desktop",
    straps="0110",
    old_count=4,
    new_known_from="seller only",
    disk_encrypted=True,
    recovery_key_at_hand=False,
)


def dumped_after_booking(folder: Path) -> Job:
    book_in(folder, TOLD)
    return Job.create(folder, AChip(), now=Calendar())


def test_a_board_is_booked_in_without_any_chip(tmp_path: Path) -> None:
    folder = tmp_path / "job"

    book_in(folder, TOLD)

    assert booked_in(folder) == TOLD
    assert sorted(path.name for path in folder.iterdir()) == ["intake.toml", "lock", "photos"]
    assert folder.stat().st_mode & 0o077 == 0


def test_its_dump_opens_round_1_in_that_folder_under_the_booked_label(tmp_path: Path) -> None:
    with dumped_after_booking(tmp_path / "job") as job:
        assert job.label == "Miller 17"
        assert job.round_number == 1
        assert job.load_intake().intake == TOLD
        assert job.load_intake().doubt is None


def test_a_dump_under_another_label_is_refused(tmp_path: Path) -> None:
    book_in(tmp_path / "job", TOLD)

    with pytest.raises(StepRefused, match=r"booked in as 'Miller 17', not 'Baker 3'"):
        Job.create(tmp_path / "job", AChip(), label="Baker 3")

    assert not (tmp_path / "job" / "job.toml").exists()


def test_a_job_is_not_booked_in_over(tmp_path: Path) -> None:
    a_dumped_job(tmp_path / "job").close()

    with pytest.raises(JobExists, match="a job in"):
        book_in(tmp_path / "job", TOLD)


def test_a_booking_may_be_made_anew_until_there_is_a_job(tmp_path: Path) -> None:
    book_in(tmp_path / "job", TOLD)
    book_in(tmp_path / "job", Intake(label="Baker 3"))

    assert booked_in(tmp_path / "job") == Intake(label="Baker 3")


def test_an_amendment_is_journalled_by_its_hash(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    with a_job(folder, label="Miller 17") as job:
        assert job.load_intake().intake is None
        job.save_intake(TOLD)

    with opened(folder) as job:
        assert job.load_intake().intake == TOLD
        assert any(isinstance(event, events.IntakeSaved) for event in job.story)


def test_an_amendment_cannot_change_the_label_on_the_bag(tmp_path: Path) -> None:
    with (
        a_job(tmp_path / "job", label="Baker 3") as job,
        pytest.raises(StepRefused, match="booked in as 'Miller 17'"),
    ):
        job.save_intake(TOLD)


def test_answers_changed_behind_the_journal_are_told_and_stop_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    dumped_after_booking(folder).close()
    path = folder / "intake.toml"
    path.write_text(path.read_text().replace("0110", "0111"))

    with opened(folder) as job:
        noted = job.load_intake()

    assert noted.intake is not None and noted.intake.straps == "0111"
    assert noted.doubt == "intake.toml was changed after it was saved."
    assert [finding.path for finding in check_folder(folder) if finding.damaged] == ["intake.toml"]


def test_a_board_that_was_only_booked_in_lacks_no_round(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    book_in(folder, Intake(label="board"))

    whole = check_folder(folder)
    (folder / "intake.toml").write_text("label = 7")
    spoilt = [finding.path for finding in check_folder(folder) if finding.damaged]

    assert [(finding.path, finding.damaged) for finding in whole] == [(".", False)]
    assert "not dumped yet" in whole[0].seen
    assert spoilt == ["intake.toml"]


def test_the_next_round_s_journal_knows_intake_and_photos_too(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    book_in(folder, Intake(label="board"))
    (folder / "photos" / "top.jpg").write_bytes(b"as it came")
    with Job.create(folder, AChip(), now=Calendar()) as job:
        job.list_photos()
        job.save_original(bytes(4096), chip_facts=AChip().facts())
        job.open_round(AChip())

        assert job.load_intake().doubt is None
        assert [photo.name for photo in job.photos] == ["top.jpg"]
        assert job.list_photos().sentences() == ()


def test_photos_are_listed_and_hashed_and_a_changed_or_missing_one_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    photos = folder / "photos"
    book_in(folder, Intake(label="board"))
    (photos / "top.jpg").write_bytes(b"as it came")
    (photos / "bottom side.jpg").write_bytes(b"joints")
    with Job.create(folder, AChip(), now=Calendar()) as job:
        first = job.list_photos()
        lines = len(job.story)
        again = job.list_photos()
        assert len(job.story) == lines, "nothing new, no new line"
        (photos / "top.jpg").write_bytes(b"another picture")
        (photos / "bottom side.jpg").unlink()
        later = job.list_photos()

    assert first.sentences() == ("2 photos were found in photos/, listed and hashed.",)
    assert again.sentences() == ()
    assert later.sentences() == (
        "photos/top.jpg was changed after it was listed.",
        "photos/bottom side.jpg was listed, and is missing.",
    )


def test_links_folders_and_huge_files_are_no_photos(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    book_in(folder, Intake(label="board"))
    secret = tmp_path / "secret"
    secret.write_bytes(b"not of this job")
    (folder / "photos" / "link.jpg").symlink_to(secret)
    (folder / "photos" / "more").mkdir()
    with (folder / "photos" / "huge.raw").open("wb") as file:
        os.truncate(file.fileno(), (64 << 20) + 1)
    with Job.create(folder, AChip(), now=Calendar()) as job:
        stock = job.list_photos()

    assert stock.photos == ()
    assert dict(stock.left_out) == {
        "huge.raw": "it is larger than 64 MiB",
        "link.jpg": "it is not a plain file",
        "more": "it is not a plain file",
    }


def test_a_whole_check_finds_a_photo_that_was_changed_without_its_time(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    book_in(folder, Intake(label="board"))
    photo = folder / "photos" / "top.jpg"
    photo.write_bytes(b"as it came")
    with Job.create(folder, AChip(), now=Calendar()) as job:
        job.list_photos()
    found = photo.stat()
    photo.write_bytes(b"AS it came")
    os.utime(photo, ns=(found.st_atime_ns, found.st_mtime_ns))

    assert [finding.path for finding in check_folder(folder) if finding.damaged] == [
        "photos/top.jpg"
    ]


printable = st.text(
    st.characters(exclude_categories=("C", "Z"), include_characters=" "), min_size=1
).filter(str.strip)


@settings(max_examples=40)
@given(
    st.builds(
        Intake,
        label=printable.filter(lambda text: layout.label_doubt(text) is None),
        note=st.none() | printable,
        fault=st.none() | printable,
        old_count=st.none() | st.integers(1, 64),
        disk_encrypted=st.none() | st.booleans(),
        new_known_from=st.sampled_from(["datasheet", "marking", "seller only", None]),
    )
)
def test_every_intake_is_read_as_it_was_written(intake: Intake) -> None:
    assert decode(encode(intake)) == intake


@pytest.mark.parametrize(
    "text",
    [
        "format = 1",
        'format = 1\nlabel = ""',
        'format = 1\nlabel = "x"\ncolour = "red"',
        'format = 1\nlabel = "x"\nold_count = 0',
        'format = 1\nlabel = "x"\nold_count = true',
        'format = 1\nlabel = "x"\nfault = "two\\nlines"',
        'format = 1\nlabel = "x"\nnew_known_from = "a friend"',
        "format = 1\nlabel = [",
        "a = " + "[" * 5000,
    ],
)
def test_a_hostile_intake_is_a_sentence(text: str) -> None:
    with pytest.raises(JobDamaged, match=r"intake\.toml is not what flashbench writes"):
        decode(text)


def test_an_intake_of_another_version_is_not_guessed_at() -> None:
    with pytest.raises(JobForeign, match="states format 2"):
        decode('format = 2\nlabel = "x"')


def test_an_answer_is_a_line_of_so_many_characters_and_a_description_is_longer() -> None:
    line = "x" * TEXT_CHARS_MAX

    assert doubt(Intake(label="x", fault=line)) is None
    assert doubt(Intake(label="x", fault=line + "x")) == "fault has at most 2000 characters"
    assert doubt(Intake(label="x", fault=" ")) == "fault is one line of printable characters"
    assert doubt(Intake(label="x", old_description=f"{line}\n{line}")) is None
