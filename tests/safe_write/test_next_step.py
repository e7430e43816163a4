"""Where a job stands, told from its folder alone: every kind of story, with the whole answer.

JOB stands for the folder. The first sentence, what is on disk of the chip, has a test of its own.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.job.events import UnitFailed
from flashbench.job.folder import Job
from flashbench.job.outcome import record_outcome
from flashbench.safe_write.between_rounds import (
    start_of_edit,
)
from flashbench.safe_write.next_step import next_step, said_of_older_rounds
from tests.builders.job import IMAGE, ORIGINAL, a_dumped_job, a_job, announcement
from tests.builders.shelf import finish
from tests.builders.story import (
    BY_THE_BOARD,
    OTHER,
    OWN,
    back_again,
    best_reading,
    changed,
    keep_another,
    with_image,
    written,
)

FROM_IMAGE = "edit JOB --from-image FILE"
IMAGE_1 = "image 1 on disk with its change sheet"
HALF_WRITTEN = (
    "the board's own chip was left half-written: it belongs in a bag that says so, and is not to be"
    " used"
)
REPLACEMENT = f"replacement chip 1 (ID aa400c, {OTHER})"


def fail(job: Job, *, writes: int, back: bool = False, kept_number: int | None = None) -> None:
    """The same unit fails in so many writes."""
    for _ in range(writes):
        target, name = (ORIGINAL, "original") if back else (IMAGE, "image 1")
        job.announce(announcement(target=target, target_name=name, kept_number=kept_number))
        job.record(UnitFailed(start=1024, size=1024, attempts=3))


def stands(job: Job) -> tuple[tuple[str, ...], str, str]:
    """What is proven beside what was dumped, the command and why, without the folder's name."""
    coming = next_step(job)
    folder = str(job.folder)
    proven = tuple(one.replace(folder, "JOB") for one in coming.proven[1:])
    command = coming.command.removeprefix("flashbench ").replace(folder, "JOB")
    return proven, command, coming.why.replace(folder, "JOB")


def damage_the_image(job: Job) -> None:
    path = job.folder / "round-1" / "image-1.bin"
    path.chmod(0o600)
    path.write_bytes(ORIGINAL)


def test_nothing_dumped_leads_to_dump(tmp_path: Path) -> None:
    with a_job(tmp_path / "job") as job:
        coming = next_step(job)

    assert (coming.proven, coming.checks) == ((), ())
    assert coming.command == f"flashbench dump {tmp_path / 'job'}"
    assert coming.why == "there is no original yet"


def test_what_is_on_disk_of_the_chip_comes_first(tmp_path: Path) -> None:
    said = []
    with written(tmp_path / "one") as job:
        said.append(next_step(job).proven[0])
        back_again(job, BY_THE_BOARD)
        said.append(next_step(job).proven[0])
    with best_reading(tmp_path / "best") as job:
        said.append(next_step(job).proven[0])

    assert said == [
        "original of 4096 bytes on disk, sha256 c8f5d0341d54d951...",
        "original of round 2 of 4096 bytes on disk, sha256 b719a723339f6f2c...",
        "best reading, not proven, of 4096 bytes on disk, sha256 c8f5d0341d54d951...: 4 bytes read"
        " differently over 3 reads",
    ]


def test_an_original_without_an_image_leads_to_edit(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        assert stands(job) == ((), FROM_IMAGE, "there is no edited image yet")


def _begun(job: Job) -> None:
    job.announce(announcement())


def _begun_and_damaged(job: Job) -> None:
    job.announce(announcement())
    damage_the_image(job)


def _both_begun(job: Job) -> None:
    job.announce(announcement())
    job.announce(announcement(kept_number=keep_another(job)))


def _only_the_replacement_proven(job: Job) -> None:
    _both_begun(job)
    finish(job, IMAGE)


def _written_to_another(job: Job) -> None:
    job.announce(announcement(kept_number=keep_another(job)))
    finish(job, IMAGE)


def _begun_back(job: Job) -> None:
    job.announce(announcement(target=ORIGINAL, target_name="original"))


def _back(job: Job) -> None:
    _begun_back(job)
    finish(job, ORIGINAL)


@pytest.mark.parametrize(
    ("then", "proven", "command", "why"),
    [
        (lambda job: None, (IMAGE_1,), "write JOB", "image 1 is not on the chip yet"),
        (
            damage_the_image,
            ("image 1 is not on disk as it was saved",),
            FROM_IMAGE,
            "the image is damaged",
        ),
        (
            _begun,
            (),
            "finish JOB",
            "writing image 1 to the board's own chip was begun and is not proven (back instead:"
            " flashbench restore JOB)",
        ),
        (
            _begun_and_damaged,
            (),
            "restore JOB",
            "a write to the board's own chip was begun and is not proven, and it cannot be"
            " finished: image-1.bin in round-1 was changed after it was saved: its sha256 is"
            " c8f5d0341d54d951..., the journal says 30c43220ffd4201f...",
        ),
        (
            _both_begun,
            (HALF_WRITTEN,),
            "finish JOB",
            f"writing image 1 to {REPLACEMENT} was begun and is not proven (back instead:"
            " flashbench restore JOB)",
        ),
        (
            _only_the_replacement_proven,
            (
                IMAGE_1,
                "the replacement chip last held image 1, read back byte for byte",
                HALF_WRITTEN,
            ),
            "outcome JOB",
            "chip verified, board not yet proven: image 1 is on the chip; solder it down, try the"
            " board, then tell what became of it (what was done tells: flashbench report JOB)",
        ),
        (
            _begun_back,
            (),
            "restore JOB",
            "putting the original back on the board's own chip was begun and is not proven (on to"
            " the new image instead: flashbench finish JOB)",
        ),
        (
            _back,
            (IMAGE_1, "the chip last held the original, read back byte for byte"),
            "outcome JOB",
            "chip verified, board not yet proven: the original is on the chip; solder it down, try"
            " the board, then tell what became of it (what was done tells: flashbench report JOB)",
        ),
        (
            lambda job: fail(job, writes=1),
            (),
            "finish JOB",
            "writing image 1 to the board's own chip was begun and is not proven (back instead:"
            " flashbench restore JOB)",
        ),
        (
            lambda job: fail(job, writes=2),
            (),
            "write JOB --to-new-chip",
            "the board's own chip is worn: the unit at 0x000400 did not hold what was written in 2"
            " writes",
        ),
        (
            lambda job: fail(job, writes=3, back=True, kept_number=keep_another(job)),
            (),
            "restore JOB --to-new-chip",
            f"{REPLACEMENT} is worn: the unit at 0x000400 did not hold what was written in 3"
            " writes",
        ),
    ],
)
def test_a_first_round_with_an_image(
    then: Callable[[Job], None],
    proven: tuple[str, ...],
    command: str,
    why: str,
    tmp_path: Path,
) -> None:
    with with_image(tmp_path / "job") as job:
        then(job)
        assert stands(job) == (proven, command, why)


@pytest.mark.parametrize(
    ("hours", "errors", "proven", "command", "why"),
    [
        (
            None,
            None,
            "the board boots",
            "outcome JOB",
            "no memory test was told yet; run one, then tell its hours (or go on: flashbench"
            " report JOB)",
        ),
        (
            2.5,
            3,
            "the board boots",
            "outcome JOB",
            "the memory test found 3 errors: look at the memory joints, at ranks and straps, test"
            " again, and tell what came of it",
        ),
        (
            2.5,
            0,
            "the board boots, and 2.5 h of a memory test found no error",
            "report JOB",
            "the report tells what was done",
        ),
    ],
)
def test_a_board_that_boots_is_to_be_tested(
    hours: float | None,
    errors: int | None,
    proven: str,
    command: str,
    why: str,
    tmp_path: Path,
) -> None:
    with written(tmp_path / "job") as job:
        record_outcome(job, boots=True, test_hours=hours, test_errors=errors)
        assert stands(job) == (
            (IMAGE_1, "the chip last held image 1, read back byte for byte", proven),
            command,
            why,
        )


def test_a_board_that_stays_dark_comes_with_what_to_look_at_unless_a_write_is_unfinished(
    tmp_path: Path,
) -> None:
    with written(tmp_path / "job") as job:
        record_outcome(job, boots=False)
        dark = next_step(job)
        assert stands(job)[1:] == ("dump JOB --again", "the board does not boot")
        back_again(job, BY_THE_BOARD)
        job.save_image(changed(IMAGE, 4000), {})
        job.announce(announcement(target=changed(IMAGE, 4000)))
        unfinished = next_step(job)

    assert len(dark.checks) == 7
    assert unfinished.checks == ()


@pytest.mark.parametrize(
    ("then", "proven", "command", "why"),
    [
        (
            lambda job: None,
            (IMAGE_1,),
            "write JOB --to-new-chip",
            "image 1 is not on another chip yet, and a best reading goes to no other",
        ),
        (
            _written_to_another,
            (IMAGE_1, "the replacement chip last held image 1, read back byte for byte"),
            "outcome JOB",
            "chip verified, board not yet proven: image 1 is on the chip; solder it down, try the"
            " board, then tell what became of it (what was done tells: flashbench report JOB)",
        ),
    ],
)
def test_a_best_reading_goes_to_another_chip(
    then: Callable[[Job], None],
    proven: tuple[str, ...],
    command: str,
    why: str,
    tmp_path: Path,
) -> None:
    with best_reading(tmp_path / "job") as job:
        then(job)
        assert stands(job) == (proven, command, why)


WROTE_3 = "the board wrote 3 bytes in 2 ranges since round 1: its processor ran"
STILL_THERE = "the edit of round 1 is still on the chip"
AS_IT_IS = (
    "the chip holds that edit, and what the board wrote: solder it down as it is, or make another"
    " edit, which starts from the bytes before that one (back to the start: flashbench restore JOB"
    " --round 1)"
)
AFRESH = (
    "the edit file of round 1 is applied afresh to this round's original, which holds what the"
    " board wrote"
)


@pytest.mark.parametrize(
    ("held", "unique_id", "proven", "command", "why", "put_back"),
    [
        (BY_THE_BOARD, None, (WROTE_3, STILL_THERE), "edit JOB EDITFILE", AS_IT_IS, 255),
        (
            changed(IMAGE, 3000),
            None,
            ("the board wrote 1 byte in 1 range since round 1: its processor ran", STILL_THERE),
            "edit JOB EDITFILE",
            AS_IT_IS,
            255,
        ),
        (
            IMAGE,
            None,
            (
                "the board wrote nothing since round 1: nothing proves that its processor ran",
                STILL_THERE,
            ),
            "edit JOB EDITFILE",
            AS_IT_IS,
            255,
        ),
        (
            changed(IMAGE, 1030),
            None,
            ("the board wrote 1 byte in 1 range since round 1: its processor ran",),
            "edit JOB --again",
            AFRESH,
            0,
        ),
        (
            ORIGINAL,
            None,
            (
                "the chip holds the original of round 1, byte for byte, which is not what this job"
                " last proved on it: another program or job wrote it, and nothing proves that its"
                " processor ran",
            ),
            "edit JOB --again",
            AFRESH,
            0,
        ),
        (
            BY_THE_BOARD,
            OTHER,
            (
                "this is not the chip this job last wrote in round 1, nor another that it dumped"
                " then: what the board wrote is not known (if it is not this board's, put that in:"
                " flashbench dump JOB --again)",
                STILL_THERE,
            ),
            "edit JOB EDITFILE",
            AS_IT_IS,
            255,
        ),
    ],
)
def test_a_second_round_says_what_the_board_wrote_and_what_became_of_the_edit(
    held: bytes,
    unique_id: str | None,
    proven: tuple[str, ...],
    command: str,
    why: str,
    put_back: int,
    tmp_path: Path,
) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, held, unique_id=unique_id or OWN)

        assert stands(job) == (proven, command, why)
        assert start_of_edit(job).put_back_bytes == put_back


def test_an_edit_that_the_board_wrote_into_is_left_as_the_board_has_it(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, changed(IMAGE, 1030))
        start = start_of_edit(job)

    assert start.image == changed(IMAGE, 1030)
    assert [(one.offset, one.length) for one in start.kept] == [(1025, 255)]


def test_an_edit_starts_from_the_board_s_bytes_with_the_earlier_edit_taken_out(
    tmp_path: Path,
) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, BY_THE_BOARD)
        start = start_of_edit(job)

    assert start.image == changed(ORIGINAL, 100, 3000, 3001)
    assert start.kept == ()


def test_an_image_made_elsewhere_is_made_again_elsewhere(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())
        finish(job, IMAGE)
        back_again(job, BY_THE_BOARD)

        assert stands(job) == (
            (WROTE_3,),
            FROM_IMAGE,
            "the image of an earlier round was edited elsewhere: make the same change in a copy of"
            " round 2's own original.bin, which holds what the board wrote",
        )


def test_in_a_later_round_what_is_on_the_chip_is_named_with_its_round(tmp_path: Path) -> None:
    again = changed(BY_THE_BOARD, 4000)
    with written(tmp_path / "job") as job:
        back_again(job, BY_THE_BOARD)
        job.save_image(again, {})
        job.announce(announcement(target=again))
        finish(job, again)

        assert stands(job)[0][1:] == (
            IMAGE_1,
            "the chip last held image 1 of round 2, read back byte for byte",
        )


def test_what_was_not_looked_at_of_older_rounds_is_said(tmp_path: Path) -> None:
    said = []
    with written(tmp_path / "job") as job:
        for _ in range(4):
            said.append([one.replace(str(job.folder), "JOB") for one in said_of_older_rounds(job)])
            back_again(job, BY_THE_BOARD)
    with best_reading(tmp_path / "best") as job:
        back_again(job, BY_THE_BOARD)
        said.append([one.replace(str(job.folder), "JOB") for one in said_of_older_rounds(job)])

    not_checked = "the files of {} were not checked: flashbench next JOB --check"
    assert said == [
        [],
        [],
        [not_checked.format("round 2")],
        [not_checked.format("rounds 2 to 3")],
        [not_checked.format("round 1")],
    ]


def test_a_damaged_original_of_round_1_is_said_in_every_later_round(tmp_path: Path) -> None:
    with written(tmp_path / "job") as job:
        back_again(job, BY_THE_BOARD)
        back_again(job, BY_THE_BOARD)
        path = job.folder / "round-1" / "original.bin"
        path.chmod(0o600)
        path.write_bytes(IMAGE)

        said = said_of_older_rounds(job)

    assert said[0].startswith("damaged: the original of round 1. original.bin in round-1 was")
    assert said[0].endswith(" Put it back from a second copy")
    assert said[1].startswith("the files of round 2 were not checked: ")
