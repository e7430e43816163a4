"""What became of the board, and what to look at when it stays dark."""

import hashlib
from pathlib import Path

import pytest

from flashbench.job.dark_board import dark_board
from flashbench.job.events import BoardWrote, CellsProven, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.outcome import TEST_ERRORS_MAX, outcome_of, record_outcome
from flashbench.job.refusals import StepRefused
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, announcement, opened


def _write(job: Job, target: bytes = IMAGE, *, name: str = "image 1") -> None:
    sha256 = hashlib.sha256(target).hexdigest()
    job.announce(announcement(target=target, target_name=name))
    job.record(CellsProven(sha256=sha256))
    job.record(WriteFinished(target_sha256=sha256))


def _written_job(folder: Path) -> Job:
    job = a_dumped_job(folder)
    job.save_image(IMAGE, {})
    _write(job)
    return job


def _dump_again(job: Job, contents: bytes) -> None:
    job.open_round(AChip())
    job.save_original(contents, chip_facts=AChip().facts())


def test_an_outcome_is_kept_and_the_last_word_counts(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        assert outcome_of(job) is None
        record_outcome(job, boots=False)
        record_outcome(job, boots=True, memory_shown_gbit=64, test_hours=4, test_errors=0)

    with opened(tmp_path / "job") as job:
        told = outcome_of(job)

    assert told is not None
    assert (told.boots, told.memory_shown_gbit, told.test_hours, told.test_errors) == (
        True,
        64,
        4,
        0,
    )
    assert told.target_sha256 == hashlib.sha256(IMAGE).hexdigest()


def test_a_later_write_makes_the_outcome_unknown_again(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=True)
        _write(job, ORIGINAL, name="original")

        assert outcome_of(job) is None


def test_nothing_is_told_of_a_board_whose_chip_was_never_proven(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match="Nothing was written and proven in job job"):
            record_outcome(job, boots=True)
        assert outcome_of(job) is None


def test_nothing_is_told_while_a_write_is_unfinished(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        job.announce(announcement())

        with pytest.raises(StepRefused, match="A write of job job is unfinished"):
            record_outcome(job, boots=True)


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ({"boots": False, "memory_shown_gbit": 64}, "does not boot shows no memory"),
        ({"boots": True, "test_hours": 2.0}, "A memory test has both"),
        ({"boots": True, "test_errors": 0}, "A memory test has both"),
        (
            {"boots": True, "test_hours": -1, "test_errors": 0},
            "for more than 0 and at most 10000 h",
        ),
        ({"boots": True, "test_hours": 10_001, "test_errors": 0}, "more than 0 and at most 10000"),
        ({"boots": True, "test_hours": 1, "test_errors": -1}, "are counted, up to 1099511627776"),
        ({"boots": True, "memory_shown_gbit": 0}, "more than 131072 GB of memory, or none"),
        ({"boots": True, "memory_shown_gbit": 2**20 + 1}, "more than 131072 GB of memory, or"),
        ({"boots": True, "note": "two\nlines"}, "A note is one line"),
        ({"boots": True, "note": ""}, "A note is one line"),
        ({"boots": True, "note": "x" * 501}, "A note is one line"),
    ],
)
def test_contradicting_facts_are_not_kept(
    tmp_path: Path, facts: dict[str, object], says: str
) -> None:
    with _written_job(tmp_path / "job") as job:
        with pytest.raises(StepRefused, match=says):
            record_outcome(job, **facts)  # type: ignore[arg-type]
        assert outcome_of(job) is None


@pytest.mark.parametrize("note", ["x", "x" * 500])
def test_a_note_has_1_to_500_characters(note: str, tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        assert record_outcome(job, boots=True, note=note).note == note


def test_an_earlier_round_s_outcome_can_be_told_in_the_next_round(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        _dump_again(job, IMAGE)

        told = record_outcome(job, boots=False)

        assert told.round_number == 1
        assert outcome_of(job) is None
        assert outcome_of(job, round_number=1) == told
        with pytest.raises(StepRefused, match="proven in round 2"):
            record_outcome(job, boots=True, round_number=2)


def test_a_dark_board_is_looked_at_from_the_outside_in(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=False)
        dark = dark_board(job)

    assert dark is not None
    assert dark.board_wrote is None
    begins = ("Wait:", "Look at the current", "Measure the rails", "Look at the flash chip: pin 1")
    assert all(text.startswith(begin) for text, begin in zip(dark.checks[:4], begins, strict=True))
    assert "dump" in dark.command
    assert dark.command.endswith("--again")
    assert dark.checks[4].endswith(dark.command)
    assert dark.checks[-1].startswith("Last: the old straps, packages and image back: ")


def test_a_board_that_wrote_since_points_at_the_memory(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=False)
        _dump_again(job, IMAGE[:-1] + b"\x00")
        dark = dark_board(job)

    assert dark is not None
    assert dark.board_wrote is True
    assert "look at the memory joints" in dark.checks[4]
    assert dark.command.endswith("--round 1")


def test_a_board_that_wrote_nothing_points_at_the_chip_s_joints(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=False)
        _dump_again(job, IMAGE)
        dark = dark_board(job)

    assert dark is not None
    assert dark.board_wrote is False
    assert "at the flash chip's joints first" in dark.checks[4]


def test_what_was_journalled_of_the_board_s_writes_counts(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=False)
        _dump_again(job, IMAGE[:-1] + b"\x00")
        job.record(BoardWrote(since_round=1, byte_count=0, range_count=0, ranges=()))
        dark = dark_board(job)

    assert dark is not None
    assert dark.board_wrote is False


def test_with_the_original_on_the_chip_it_is_not_put_back_once_more(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        _write(job, ORIGINAL, name="original")
        record_outcome(job, boots=False)
        dark = dark_board(job)

    assert dark is not None
    assert dark.checks[-1].startswith("The chip has its original contents")


def test_a_board_that_boots_or_was_written_since_is_not_dark(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        assert dark_board(job) is None
        record_outcome(job, boots=False)
        record_outcome(job, boots=True)
        assert dark_board(job) is None
        record_outcome(job, boots=False)
        _write(job, ORIGINAL, name="original")
        assert dark_board(job) is None


def test_the_board_of_the_newest_round_with_an_outcome_is_the_dark_one(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        record_outcome(job, boots=True)
        _dump_again(job, IMAGE)
        job.save_image(IMAGE[:-1] + b"\x00", {})
        _write(job, IMAGE[:-1] + b"\x00")
        record_outcome(job, boots=False)
        dark = dark_board(job)

    assert dark is not None
    assert dark.round_number == 2


@pytest.mark.parametrize("contents", [ORIGINAL, b"\x00" * len(IMAGE)])
def test_a_chip_that_may_be_another_tells_nothing_of_the_board(
    contents: bytes, tmp_path: Path
) -> None:
    """The job's own file on it, or a chip that was replaced: no board wrote that."""
    with _written_job(tmp_path / "job") as job:
        if contents != ORIGINAL:
            kept = job.save_kept(IMAGE, AChip(unique_id="5a5a5a5a5a5a5a5a").facts())
            job.announce(announcement(kept_number=kept.number))
            sha256 = hashlib.sha256(IMAGE).hexdigest()
            job.record(WriteFinished(target_sha256=sha256))
        record_outcome(job, boots=False)
        _dump_again(job, contents)
        dark = dark_board(job)

    assert dark is not None
    assert dark.board_wrote is None
    assert dark.checks[4].startswith("Read the chip again: ")


def test_the_least_and_the_most_that_a_board_shows_are_kept(tmp_path: Path) -> None:
    with _written_job(tmp_path / "job") as job:
        for gbit, hours, errors in ((1, 0.1, 0), (2**20, 10_000, TEST_ERRORS_MAX)):
            told = record_outcome(
                job, boots=True, memory_shown_gbit=gbit, test_hours=hours, test_errors=errors
            )
            assert (told.memory_shown_gbit, told.test_hours, told.test_errors) == (
                gbit,
                hours,
                errors,
            )
