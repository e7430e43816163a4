"""A chip that comes back: which one it is, what it holds that the job knows, and what is kept."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from flashbench.job.events import BoardWrote
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.safe_write.between_rounds import (
    RANGES_KEPT_MAX,
    demand_another_edit,
    demand_stored_edit,
    left_by_last_round,
    note_what_the_board_wrote,
    ranges_of,
    stored_edit,
    take_in_original_of,
    what_the_board_wrote,
    why_not_the_board,
)
from flashbench.safe_write.next_step import next_step
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, announcement
from tests.builders.shelf import finish
from tests.builders.story import (
    BY_THE_BOARD,
    OTHER,
    back_again,
    changed,
    keep_another,
    with_image,
    written,
)


def replaced(job: Job) -> None:
    """After the own chip, a replacement is written and proven too."""
    job.announce(announcement(kept_number=keep_another(job)))
    finish(job, IMAGE)


def test_what_the_board_wrote_is_journalled_with_its_ranges(tmp_path: Path) -> None:
    expected = BoardWrote(since_round=1, byte_count=3, range_count=2, ranges=((100, 1), (3000, 2)))
    with written(tmp_path / "job") as job:
        assert what_the_board_wrote(job) is None
        assert note_what_the_board_wrote(job) is None
        back_again(job, BY_THE_BOARD)

        assert what_the_board_wrote(job) == expected
        assert note_what_the_board_wrote(job) == expected
    assert [(one.offset, one.length) for one in ranges_of(expected)] == [(100, 1), (3000, 2)]


def test_of_very_many_ranges_the_first_are_kept_and_all_are_counted(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, changed(IMAGE, *range(0, 4096, 2)))
        wrote = what_the_board_wrote(job)

    assert wrote is not None
    assert (wrote.byte_count, wrote.range_count) == (2048, 2048)
    assert wrote.ranges == tuple((at, 1) for at in range(0, 2 * RANGES_KEPT_MAX, 2))


def test_the_replacement_that_was_written_last_is_the_board_s_chip(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        replaced(job)
        back_again(job, BY_THE_BOARD, unique_id=OTHER)
        left = left_by_last_round(job)

        assert left is not None
        assert (left.round_number, left.chip.kept_number, left.data) == (1, 1, IMAGE)
        assert why_not_the_board(job) is None


@pytest.mark.parametrize(
    ("held", "holds"),
    [
        (IMAGE, "what it held then"),
        (BY_THE_BOARD, "3 bytes that it did not hold then"),
        (ORIGINAL, "the original of round 1, byte for byte"),
    ],
)
def test_the_own_chip_after_a_replacement_tells_nothing_of_the_board(
    held: bytes, holds: str, tmp_path: Path
) -> None:
    with written(tmp_path / "job") as job:
        replaced(job)
        back_again(job, held)

        assert left_by_last_round(job) is None
        assert why_not_the_board(job) == (
            "this is the board's own chip, which this job wrote, but not last in round 1, not the"
            f" chip this job last wrote: it holds {holds}; what the board wrote is not known"
        )


def test_a_chip_that_was_replaced_before_it_was_written_was_left_untouched(tmp_path: Path) -> None:
    with with_image(tmp_path / "job") as job:
        replaced(job)
        back_again(job, ORIGINAL)

        assert why_not_the_board(job) == (
            "this is the board's own chip, which this job left untouched in round 1, not the chip"
            " this job last wrote: it holds what it held then; what the board wrote is not known"
        )


@pytest.mark.parametrize("story", [with_image, written], ids=["never proven", "proven before"])
def test_a_chip_that_was_left_half_written_is_called_that_in_the_next_round(
    story: Callable[[Path], AbstractContextManager[Job]], tmp_path: Path
) -> None:
    with story(tmp_path / "job") as job:
        job.announce(announcement())
        replaced(job)
        back_again(job, ORIGINAL)

        why = why_not_the_board(job)
        coming = next_step(job)

    assert why is not None
    assert why.startswith(
        "this is the board's own chip, which this job left half-written in round 1, not the chip"
    )
    assert why in coming.proven


def test_a_replacement_that_was_not_written_last_is_named_by_its_number(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        replaced(job)
        job.announce(announcement())
        finish(job, IMAGE)
        back_again(job, IMAGE, unique_id=OTHER)

        assert why_not_the_board(job) == (
            "this is replacement chip 1, which this job wrote, but not last in round 1, not the"
            " chip this job last wrote: it holds what it held then; what the board wrote is not"
            " known"
        )


def test_in_a_first_round_there_is_nothing_to_say_of_the_board(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        assert why_not_the_board(job) is None
        assert left_by_last_round(job) is None


def test_a_chip_without_a_number_is_taken_for_the_one_of_before_if_most_of_it_is_alike(
    tmp_path: Path,
) -> None:
    chip = AChip(unique_id=None)
    for name, differing, alike in (("half", 2048, True), ("more", 2049, False)):
        with Job.create(tmp_path / name, chip) as job:
            job.save_original(ORIGINAL, chip_facts=chip.facts(), ways=("one", "two"))
            job.open_round(chip)
            held = changed(ORIGINAL, *range(differing))
            job.save_original(held, chip_facts=chip.facts(), ways=("one", "two"))

            assert (left_by_last_round(job) is not None) == alike


def test_the_original_of_round_1_becomes_an_image_once(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        assert take_in_original_of(job, 1) is None
        back_again(job, BY_THE_BOARD)

        assert take_in_original_of(job, 2) is None
        assert take_in_original_of(job, 1) == take_in_original_of(job, 1) == 1
        assert job.load_image(1) == ORIGINAL
        assert job.load_changes(1)["original_of_round"] == 1


def test_the_edit_file_of_the_newest_image_that_has_one_is_found(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, BY_THE_BOARD)
        job.save_image(changed(IMAGE, 1), {"edit_file": 7})
        found = stored_edit(job)

        assert found is not None
        assert (found.round_number, found.image_number) == (1, 1)
        assert found.text == demand_stored_edit(job).text == "flashbench_edit = 1"


def test_without_an_edit_file_there_is_none_to_apply_afresh(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job, pytest.raises(StepRefused) as refused:
        demand_stored_edit(job)

    assert refused.value.seen == (
        "No image of job job was made by an edit file, so there is none to apply afresh."
    )
    assert refused.value.next_step == (
        "Name an edit file, or edit a copy of this round's own original: flashbench edit"
        f" {tmp_path / 'job'} --from-image FILE"
    )


def test_an_edit_that_the_chip_holds_already_is_refused_in_a_later_round(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        demand_another_edit(job, ORIGINAL)
        back_again(job, BY_THE_BOARD)
        demand_another_edit(job, IMAGE)
        with pytest.raises(StepRefused) as refused:
            demand_another_edit(job, BY_THE_BOARD)

    assert refused.value.seen == (
        "The chip of job job holds this very edit already, with what the board wrote since."
    )
    assert refused.value.next_step == (
        "Solder it down as it is, or make another edit file; it starts from the bytes before this"
        f" edit. Back to the start: flashbench restore {tmp_path / 'job'} --round 1"
    )
