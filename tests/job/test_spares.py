"""A spare chip written from a job says nothing of the job's board."""

from pathlib import Path

from flashbench.job.events import SpareChosen, WriteAnnounced, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.outcome import outcome_of, record_outcome
from flashbench.job.spares import without_spares
from flashbench.safe_write.next_step import next_step
from flashbench.safe_write.which_chip import name_of_chip
from tests.builders.job import IMAGE, AChip, a_dumped_job, announcement
from tests.builders.shelf import finish


def _with_spare(folder: Path) -> Job:
    job = a_dumped_job(folder)
    job.save_image(IMAGE, {})
    kept = job.save_kept(b"\xff" * len(IMAGE), AChip(unique_id=None).facts())
    job.record(SpareChosen(kept_number=kept.number))
    job.announce(announcement(kept_number=kept.number))
    finish(job, IMAGE)
    return job


def test_a_spare_is_not_the_board_s_chip(tmp_path: Path) -> None:
    with _with_spare(tmp_path / "job") as job:
        of_board = without_spares(job.story)

        assert not any(isinstance(event, WriteAnnounced | WriteFinished) for event in of_board)
        assert next_step(job).command.split()[1] == "write"


def test_a_spare_made_later_leaves_the_board_s_outcome_alone(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())
        finish(job, IMAGE)
        record_outcome(job, boots=True)
        kept = job.save_kept(b"\xff" * len(IMAGE), AChip(unique_id=None).facts())
        job.record(SpareChosen(kept_number=kept.number))
        job.announce(announcement(kept_number=kept.number))
        finish(job, IMAGE)

        assert outcome_of(job) is not None


def test_a_replacement_is_the_board_s_chip(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        kept = job.save_kept(b"\xff" * len(IMAGE), AChip(unique_id=None).facts())
        job.announce(announcement(kept_number=kept.number))
        finish(job, IMAGE)

        assert without_spares(job.story) == job.story
        assert record_outcome(job, boots=True).boots


def test_a_spare_leaves_what_is_said_of_the_board_as_it_was(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())
        finish(job, IMAGE)
        before = next_step(job)
        chip = {**AChip(unique_id="5a5a5a5a5a5a5a5a").facts(), "marking": "SPARE"}
        kept = job.save_kept(b"\xff" * len(IMAGE), chip)
        job.record(SpareChosen(kept_number=kept.number))
        job.announce(announcement(kept_number=kept.number))
        assert [one.marking for one in job.kept_chips] == ["SPARE"]
        half_written = name_of_chip(job, kept.number)
        unfinished = next_step(job)
        finish(job, IMAGE)

        assert next_step(job) == before
        assert before.proven[-1].startswith("the chip last held image 1")
        assert half_written == "spare chip 1 (ID aa400c, 5a5a5a5a5a5a5a5a)"
        assert half_written in unfinished.why
        assert job.last_written_chip_of_board is None
