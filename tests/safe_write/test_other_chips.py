"""Another chip in the socket than the job's: nothing of it is changed, whatever the command."""

from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipUntouched, FlashbenchError
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.faults import LosePower
from tests.builders.bench import (
    SMALL,
    TINY,
    Board,
    a_dumped_job,
    edited,
    finish,
    firmware,
    restore,
    write,
)

UNITS = (0x5000, 0x6000, 0x9000)


def an_image(original: bytes) -> bytes:
    """Changes three units of 4 KiB, each with a bit that rises."""
    return edited(original, *((start + 0x10, b"a new memory") for start in UNITS))


def a_job_killed_midway(part: NorPart, folder: Path) -> Path:
    """Its own chip was lost in the second unit."""
    board = Board(part)
    job = a_dumped_job(board, folder)
    with (
        pytest.raises(FlashbenchError, match="left the USB"),
        board.visit(LosePower(at_operation=21, seed=1)) as visit,
    ):
        write(visit, job, an_image(board.original))
    return job


def a_stranger(part: NorPart, contents: bytes, *, unique_id: str | None = None) -> Board:
    """A chip of the same part, of another customer."""
    number = part.unique_id if unique_id is None else bytes.fromhex(unique_id)
    return Board(replace(part, unique_id=number), contents)


@pytest.mark.parametrize("recover", [finish, restore])
@pytest.mark.parametrize("part", [SMALL, TINY], ids=lambda part: part.name)
def test_a_chip_with_other_contents_is_refused_and_untouched(
    part: NorPart, recover: object, tmp_path: Path
) -> None:
    job = a_job_killed_midway(part, tmp_path / "board 17")
    other = a_stranger(part, firmware(part.density_bytes, seed=2), unique_id="C0FFEE9999999999")

    with other.visit() as visit, pytest.raises(ChipUntouched) as refused:
        recover(visit, job)  # type: ignore[operator]

    assert other.chip.change_count == 0
    assert other.chip.opcode_counts[0x06] == other.chip.opcode_counts[0x50] == 0
    assert str(refused.value).startswith("The chip is untouched.\n")


def test_a_chip_with_another_unique_id_is_refused_whatever_it_holds(tmp_path: Path) -> None:
    job = a_job_killed_midway(SMALL, tmp_path / "board 17")
    other = a_stranger(SMALL, firmware(1 << 20), unique_id="C0FFEE9999999999")

    with (
        other.visit() as visit,
        pytest.raises(
            ChipUntouched,
            match=r"not the one that job board 17 was dumped from .*another unique ID",
        ),
    ):
        finish(visit, job)

    assert other.chip.change_count == 0


def test_a_chip_whose_unique_id_cannot_be_read_is_refused(tmp_path: Path) -> None:
    job = a_job_killed_midway(SMALL, tmp_path / "board 17")
    other = a_stranger(SMALL, firmware(1 << 20), unique_id="")

    with (
        other.visit() as visit,
        pytest.raises(ChipUntouched, match=r"has the unique ID .* none can be read") as refused,
    ):
        finish(visit, job)

    assert "--marking" in refused.value.next_step
    assert other.chip.change_count == 0


def test_without_unique_ids_a_page_outside_the_announced_units_gives_a_stranger_away(
    tmp_path: Path,
) -> None:
    job = a_job_killed_midway(TINY, tmp_path / "board 17")
    other = Board(TINY, edited(firmware(1 << 16), (0xF123, b"serial 2")))

    with other.visit() as visit, pytest.raises(ChipUntouched) as refused:
        finish(visit, job)

    assert "The page at 0x00f100 is neither the original's nor an image's" in refused.value.seen
    assert "not this job's chip, or it has run since" in refused.value.seen
    assert refused.value.next_step.endswith("board 17' --to-new-chip")
    assert other.chip.change_count == 0
    assert (job / "round-1" / "found-1.bin").read_bytes() == other.original


def test_a_stranger_that_differs_only_where_the_job_was_writing_is_refused(tmp_path: Path) -> None:
    """Without a unique ID: one write can tear one unit, and here two hold what nobody wrote."""
    board = Board(TINY)
    job = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x1000, bytes(0x9000)))
    with (
        pytest.raises(FlashbenchError, match="left the USB"),
        board.visit(LosePower(at_operation=21, seed=1)) as visit,
    ):
        write(visit, job, image)
    other = Board(TINY, edited(board.original, (0x1200, b"serial 2"), (0x9200, b"serial 3")))

    with other.visit() as visit, pytest.raises(ChipUntouched, match="neither the original's nor"):
        finish(visit, job)

    assert other.chip.change_count == 0


@pytest.mark.parametrize("part", [SMALL, TINY], ids=lambda part: part.name)
def test_a_chip_swapped_in_between_plan_and_rewrite_is_untouched(
    part: NorPart, tmp_path: Path
) -> None:
    board = Board(part)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    other = a_stranger(part, firmware(part.density_bytes, seed=2), unique_id="C0FFEE9999999999")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        chip = visit.identify()
        plan = fb.plan_rewrite(chip, fb.reload_backup(job), an_image(board.original))
        visit.bench.swap_chip(other.chip)

        with pytest.raises(ChipUntouched, match=r"unique ID|no longer reads as it did"):
            fb.rewrite(plan)

        assert job.unfinished() is None
    assert other.chip.change_count == board.chip.change_count == 0


def test_a_chip_of_another_part_between_plan_and_rewrite_is_untouched(tmp_path: Path) -> None:
    board, other = Board(SMALL), Board(TINY)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), an_image(board.original))
        visit.bench.swap_chip(other.chip)

        with pytest.raises(ChipUntouched, match=r"answers ef 40 10 .* now; it was ef 50 14"):
            fb.rewrite(plan)

    assert other.chip.change_count == 0


def test_a_twin_that_equals_the_plans_units_but_has_another_unique_id_is_untouched(
    tmp_path: Path,
) -> None:
    board = Board(SMALL)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    other = a_stranger(SMALL, edited(board.original, (0xF0000, b"2")), unique_id="C0FFEE9999999999")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), an_image(board.original))
        visit.bench.swap_chip(other.chip)

        with pytest.raises(ChipUntouched, match="same part but with the unique ID c0 ff ee 99"):
            fb.rewrite(plan)

    assert other.chip.change_count == 0


def test_a_chip_swapped_in_while_it_is_read_is_not_backed_up(tmp_path: Path) -> None:
    board = Board(SMALL)
    other = a_stranger(SMALL, board.original, unique_id="C0FFEE9999999999")
    with board.visit() as visit:
        chip = visit.identify()
        visit.bench.swap_chip(other.chip)

        with pytest.raises(ChipUntouched, match="same part but with the unique ID"):
            fb.read_twice(chip)


def test_a_job_of_another_part_is_refused(tmp_path: Path) -> None:
    job = a_dumped_job(Board(SMALL), tmp_path / "board 17")
    other = Board(load_part("W25Q64JW"))

    with (
        other.visit() as visit,
        pytest.raises(ChipUntouched, match="is not the one that job board 17 was dumped from"),
    ):
        write(visit, job, bytes(1 << 20))

    assert other.chip.change_count == 0
