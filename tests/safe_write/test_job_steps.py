"""The steps that commands are made of, called as a library: what goes in, what comes out whole."""

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.errors import AdapterError, ChipHalfWritten, OtherChip
from flashbench.image.change_sheet import ChangedRange, NamedRange
from flashbench.job.events import WriteFinished
from flashbench.job.refusals import StepRefused
from flashbench.job.sector_digests import load_sectors
from flashbench.safe_write import steps
from flashbench.safe_write.new_chip import plan_to_new_chip
from tests.builders.bench import SMALL, Board, edited, firmware
from tests.builders.bench import a_dumped_job as a_job_of
from tests.builders.job import (
    IMAGE,
    ORIGINAL,
    AChip,
    a_dumped_job,
    a_job,
    announcement,
    opened,
)
from tests.builders.shelf import finish
from tests.builders.story import OTHER, with_image, written

EDITED = edited(firmware(SMALL.density_bytes), (0x5010, b"a new memory"))


def another_chip(contents: bytes | None = None) -> Board:
    part = replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000001"))
    return Board(part, firmware(part.density_bytes, seed=9) if contents is None else contents)


# --- identifying a chip that the job has met --------------------------------------------------


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What `identify` is called with, instead of a chip."""
    calls: list[dict[str, Any]] = []
    monkeypatch.setattr(steps, "identify", lambda adapter, **how: calls.append(how))
    return calls


def a_job_with(folder: Path, **more: object) -> fb.Job:
    """A dumped job whose chip had these facts besides."""

    class Chip(AChip):
        def facts(self) -> dict[str, object]:
            return {**super().facts(), **more}

    job = fb.Job.create(folder, Chip())
    job.save_original(ORIGINAL, chip_facts=Chip().facts(), ways=("one", "two"))
    return job


def test_a_known_chip_is_identified_by_what_the_dump_was_told(
    asked: list[dict[str, Any]], tmp_path: Path
) -> None:
    supply = {"datasheet_volts": [2, 3.6]}
    adapter: Any = object()
    with a_job_with(tmp_path / "job", marking="XX25Q00", supply=supply) as job:
        steps.identify_for(adapter, job, supply_volts=3.3)
        steps.identify_for(
            adapter, job, supply_volts=1.8, marking="OTHER", datasheet_volts=(1.7, 1.95)
        )

    assert asked == [
        {
            "supply_volts": 3.3,
            "marking": "XX25Q00",
            "datasheet_volts": (2.0, 3.6),
            "busy_ms_max": 800,
        },
        {
            "supply_volts": 1.8,
            "marking": "OTHER",
            "datasheet_volts": (1.7, 1.95),
            "busy_ms_max": 800,
        },
    ]


@pytest.mark.parametrize("supply", [None, {}, {"datasheet_volts": [2.7]}, {"volts": [2.7, 3.6]}])
def test_of_a_chip_without_marking_or_datasheet_none_is_made_up(
    supply: object, asked: list[dict[str, Any]], tmp_path: Path
) -> None:
    with a_job_with(tmp_path / "job", marking=7, supply=supply) as job:
        steps.identify_for(object(), job, supply_volts=3.3)  # type: ignore[arg-type]

    assert (asked[0]["marking"], asked[0]["datasheet_volts"]) == (None, None)


def test_the_marking_is_that_of_the_chip_last_written_or_being_written(
    asked: list[dict[str, Any]], tmp_path: Path
) -> None:
    adapter: Any = object()
    with a_job_with(tmp_path / "job", marking="OWN") as job:
        job.save_image(IMAGE, {})
        chip = {**AChip(unique_id=OTHER).facts(), "marking": "NEW"}
        number = job.save_kept(b"\xff" * len(IMAGE), chip).number
        steps.identify_for(adapter, job, supply_volts=3.3)
        job.announce(announcement(kept_number=number))
        steps.identify_for(adapter, job, supply_volts=3.3)
        finish(job, IMAGE)
        steps.identify_for(adapter, job, supply_volts=3.3)
        job.announce(announcement())
        steps.identify_for(adapter, job, supply_volts=3.3)

    assert [call["marking"] for call in asked] == ["OWN", "NEW", "NEW", "OWN"]


# --- the job that a dump goes into ------------------------------------------------------------


def test_a_first_dump_makes_the_job_with_its_label(tmp_path: Path) -> None:
    assert steps.job_to_dump_into(tmp_path / "job") is None
    chip: Any = AChip()

    with steps.job_for_dump(None, chip, tmp_path / "job", label="board 17") as job:
        assert (job.label, job.folder, job.round_number) == ("board 17", tmp_path / "job", 1)
        assert steps.job_for_dump(job, chip, tmp_path / "job") is job
        assert job.round_number == 1


def test_a_dump_again_opens_a_round(tmp_path: Path) -> None:
    a_dumped_job(tmp_path / "job").close()
    chip: Any = _Identified(AChip())

    job = steps.job_to_dump_into(tmp_path / "job", again=True)
    assert job is not None
    with job:
        assert steps.job_for_dump(job, chip, tmp_path / "job") is job
        assert job.round_number == 2


class _Identified:
    def __init__(self, chip: AChip) -> None:
        self.profile, self.facts = chip.profile, chip.facts
        self.jedec_id = bytes.fromhex(chip.jedec_id)
        self.unique_id = bytes.fromhex(chip.unique_id or "")


# --- images -----------------------------------------------------------------------------------


def test_what_is_taken_in_is_stored_with_its_changes_and_its_digests(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        taken = steps.take_in(
            job,
            IMAGE,
            names=[NamedRange(offset=1024, length=256, name="a table")],
            told={"why": "larger packages"},
        )
        sheet = job.load_changes(1)

        assert taken == steps.Edited(
            number=1,
            sha256=hashlib.sha256(IMAGE).hexdigest(),
            original=ORIGINAL,
            image=IMAGE,
            ranges=(ChangedRange(1025, 255),),
        )
        assert taken.changed_bytes == 255
        assert job.load_image(1) == IMAGE
        assert sheet["why"] == "larger packages"
        assert "a table" in str(sheet)
        digests = load_sectors(
            tmp_path / "job" / "round-1", "image-1.bin", sha256=taken.sha256, size=len(IMAGE)
        )
        assert digests is not None


@pytest.mark.parametrize(
    ("image", "seen", "next_step"),
    [
        (
            IMAGE[:-1],
            "The image has 4095 bytes, the original 4096.",
            "Take an image made from this job's own dump; nothing is padded or cut.",
        ),
        (
            ORIGINAL,
            "The image is the original of job job: it changes nothing.",
            "Edit a copy of original.bin, and name the copy.",
        ),
    ],
)
def test_an_image_that_is_no_edit_is_not_taken_in(
    image: bytes, seen: str, next_step: str, tmp_path: Path
) -> None:
    with a_dumped_job(tmp_path / "job") as job, pytest.raises(StepRefused) as refused:
        steps.take_in(job, image)

    assert (refused.value.seen, refused.value.next_step) == (seen, next_step)


def test_the_way_back_is_not_finished_to_an_image_that_is_not_there(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.announce(announcement(target=ORIGINAL, target_name="original"))
        with pytest.raises(StepRefused) as refused:
            steps.demand_unfinished(job)

    assert refused.value.seen == (
        "What was begun leads back to the original, and job job has no image to go on to instead."
    )
    assert refused.value.next_step == f"Go on back: flashbench restore {tmp_path / 'job'}"


def test_finish_says_when_it_changes_the_way(tmp_path: Path) -> None:
    with with_image(tmp_path / "job") as job:
        assert steps.change_of_way(job) is None
        job.announce(announcement())
        assert steps.change_of_way(job) is None
        steps.demand_unfinished(job)
        job.announce(announcement(target=ORIGINAL, target_name="original"))
        said = steps.change_of_way(job)
        steps.demand_unfinished(job)

    assert said == (
        "restore was begun and is not proven. finish does not go on with it: it leads to the new"
        f" image. To go on back to the original: flashbench restore {tmp_path / 'job'}"
    )


def test_what_stops_a_command_leaves_a_half_written_chip_half_written(tmp_path: Path) -> None:
    stop = AdapterError("The adapter left.", next_step="Plug it in.")
    with with_image(tmp_path / "job") as job:
        with pytest.raises(AdapterError), steps.outranked_by_unfinished(job):
            raise stop
        job.announce(announcement())
        with pytest.raises(ChipHalfWritten) as outranked, steps.outranked_by_unfinished(job):
            raise stop
        stranger = OtherChip("Another.", next_step="Take it out.")
        with pytest.raises(OtherChip), steps.outranked_by_unfinished(job):
            raise stranger

    assert str(outranked.value).splitlines() == [
        "The chip is half-written from before; this command changed nothing.",
        "The adapter left.",
        "Plug it in.",
    ]


# --- plans ------------------------------------------------------------------------------------


def test_each_command_plans_to_its_own_target(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_job_of(board, tmp_path / "board 17")
    second = edited(EDITED, (0x9010, b"once more"))
    with fb.Job.open(folder) as job:
        job.save_image(EDITED, {})
        job.save_image(second, {})
    planned = []
    with board.visit() as visit, fb.Job.open(folder) as job:
        chip = visit.identify()
        for number in (None, 1):
            plan = steps.plan_write(chip, job, image_number=number)
            planned.append((plan.target_name, plan.target))
            back = steps.plan_restore(chip, job, image_number=number)
            planned.append((back.target_name, back.target))
        begun = announcement(target=second, target_name="image 2", registers_before={"STATUS_1": 0})
        job.announce(begun)
        finishing = steps.plan_finish(chip, job)
        planned.append((finishing.target_name, finishing.target))

    assert planned == [
        ("image 2", second),
        ("original", board.original),
        ("image 1", EDITED),
        ("image 1", EDITED),
        ("image 2", second),
    ]


def test_a_new_chip_gets_the_newest_image_the_one_named_or_the_original(tmp_path: Path) -> None:
    own, new = Board(SMALL), another_chip()
    folder = a_job_of(own, tmp_path / "board 17")
    second = edited(EDITED, (0x9010, b"once more"))
    with new.visit() as visit, fb.Job.open(folder) as job:
        chip = visit.identify()
        with pytest.raises(StepRefused) as refused:
            plan_to_new_chip(chip, job)
        job.save_image(EDITED, {})
        job.save_image(second, {})
        targets = [
            plan_to_new_chip(chip, job, image_number=number, original=original).target
            for number, original in ((None, False), (1, False), (None, True))
        ]

    assert targets == [second, EDITED, own.original]
    assert refused.value.seen == "Round 1 of job board 17 has no image."
    assert refused.value.next_step == (
        "Make one by editing, or put what was dumped onto the new chip: flashbench restore"
        f" '{folder}' --to-new-chip"
    )


def test_a_plan_carried_out_is_verified_and_journalled(tmp_path: Path) -> None:
    board = Board(SMALL)
    folder = a_job_of(board, tmp_path / "board 17")
    told: list[str] = []
    with board.visit() as visit, fb.Job.open(folder) as job:
        job.save_image(EDITED, {})
        plan = steps.plan_write(visit.identify(), job)
        proof = steps.carry_out(plan, progress=lambda step, *_: told.append(step))
        finished = [event for event in job.story if isinstance(event, WriteFinished)]

    assert (proof.target_name, proof.byte_count) == ("image 1", SMALL.density_bytes)
    assert proof.sha256 == hashlib.sha256(EDITED).hexdigest() == finished[0].target_sha256
    assert list(dict.fromkeys(told)) == ["writing", "verify"]
    assert board.contents == EDITED


def test_a_job_that_nobody_dumped_into_is_dumped_into(tmp_path: Path) -> None:
    a_job(tmp_path / "job").close()
    job = steps.job_to_dump_into(tmp_path / "job")
    assert job is not None
    job.close()


def test_a_written_job_is_opened_again_with_what_it_proved(tmp_path: Path) -> None:
    with written(tmp_path / "job"):
        pass
    with opened(tmp_path / "job") as job:
        assert steps.change_of_way(job) is None
        with pytest.raises(StepRefused):
            steps.demand_unfinished(job)
