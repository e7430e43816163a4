"""Every disk operation of every step refused, half done, or the last one ever.

No outside source: the promises are section 2 of our own design. The method (fail operation N for
N from 1 until a run completes, once and from then on) is that of SQLite's and littlefs's published
testing pages.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import count, islice
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.errors import FlashbenchError
from flashbench.job.booking import book_in
from flashbench.job.events import CellsProven, RegistersRestored, UnitProven, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.intake import Intake
from flashbench.job.refusals import JobMissing
from tests.builders.disk import DiskFault, Does, FaultyDisk, Killed
from tests.builders.job import (
    IMAGE,
    ORIGINAL,
    AChip,
    a_dumped_job,
    a_job,
    announcement,
    opened,
)

REFUSALS = [
    (does, lasting)
    for does in (Does.FULL, Does.FAIL, Does.READ_ONLY, Does.FAIL_AFTER)
    for lasting in (False, True)
]
DEATHS = [Does.KILL, Does.KILL_HALF_WAY]
LEFT_BY_POWER_LOSS = [(True, True), (False, True), (True, False)]

Saved = dict[str, bytes]
"""What the step's caller was told is safe."""


def create(folder: Path, disk: FaultyDisk, saved: Saved) -> None:
    with a_job(folder, disk=disk):
        saved["job"] = b""


def save_original(folder: Path, disk: FaultyDisk, saved: Saved) -> None:
    with opened(folder, disk=disk) as job:
        job.save_original(ORIGINAL, chip_facts=AChip().facts())
        saved["original"] = ORIGINAL


def save_image(folder: Path, disk: FaultyDisk, saved: Saved) -> None:
    with opened(folder, disk=disk) as job:
        number = job.save_image(IMAGE, {"changed": [[1024, 256]]})
        saved[f"image {number}"] = IMAGE


def book(folder: Path, disk: FaultyDisk, _: Saved) -> None:
    book_in(folder, Intake(label="job"), disk=disk)


def write(folder: Path, disk: FaultyDisk, saved: Saved) -> None:
    with opened(folder, disk=disk) as job:
        saved.pop("finished", None)
        job.announce(announcement())
        saved["announced"] = b""
        job.record_or_remember(UnitProven(start=1024, size=1024))
        job.record_or_remember(CellsProven(sha256=announcement().target_sha256))
        job.record_or_remember(RegistersRestored(values={"SR1": 0x1C}))
        job.record_or_remember(WriteFinished(target_sha256=announcement().target_sha256))
        if job.journal_failure is None:
            saved["finished"] = b""


def open_round(folder: Path, disk: FaultyDisk, saved: Saved) -> None:
    with opened(folder, disk=disk) as job:
        job.open_round(AChip())
        saved["round 2"] = b""


Step = Callable[[Path, FaultyDisk, Saved], None]
# Each step with the steps that come before it, and the operations a clean run of it takes.
STEPS: dict[str, tuple[Step, tuple[Step, ...], int]] = {
    "create": (create, (), 100),
    "create, booked in": (create, (book,), 111),
    "save the original": (save_original, (create,), 51),
    "save an image": (save_image, (create, save_original), 62),
    "write": (write, (create, save_original, save_image), 61),
    "open a round": (open_round, (create, save_original), 102),
}


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """In memory where there is such a place: thousands of folders, and nothing here is synced."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as place:
        yield Path(place)


@pytest.fixture(params=STEPS)
def step(request: pytest.FixtureRequest) -> tuple[Step, tuple[Step, ...], int]:
    return STEPS[request.param]


def prepared(root: Path, before: tuple[Step, ...]) -> tuple[Path, Saved]:
    root.mkdir()
    saved: Saved = {}
    for each in before:
        each(root / "job", FaultyDisk(root), saved)
    return root / "job", saved


def check(folder: Path, saved: Saved) -> None:
    """What was returned as saved is there and right, seen through a disk without faults."""
    disk = FaultyDisk(folder.parent)
    try:
        job = opened(folder, disk=disk)
    except JobMissing:
        assert not saved
        with a_job(folder, disk=disk):  # and the place can be used again
            return
    with job:
        if "original" in saved:
            assert job.load_original(round_number=1).data == ORIGINAL
        if "image 1" in saved and job.round_number == 1:
            assert job.load_image(1) == IMAGE
            assert job.load_changes(1) == {"changed": [[1024, 256]]}
        if "announced" in saved and "finished" not in saved:
            unfinished = job.unfinished()
            done = announcement().target_sha256 in job.proven_images()
            assert done or (unfinished is not None and unfinished.announced == (range(1024, 2048),))
        if "finished" in saved:
            assert job.unfinished() is None
        assert job.round_number == 2 or "round 2" not in saved


def runs(
    root: Path, step: tuple[Step, tuple[Step, ...], int], does: Does, *, from_then_on: bool
) -> Iterator[tuple[Path, Saved, FaultyDisk]]:
    """One run of a step for each operation of it, with the fault there, until one runs clean."""
    run, before, clean_operations = step
    _, saved_before = prepared(root / "before", before)
    for at in count(1):
        place, saved = root / "run", dict(saved_before)
        shutil.copytree(root / "before", place)
        disk = FaultyDisk(place, DiskFault(at=at, does=does, from_then_on=from_then_on))
        with suppress(FlashbenchError, Killed):
            run(place / "job", disk, saved)
        disk.end_process()
        yield place / "job", saved, disk
        shutil.rmtree(place)
        if not disk.fault_fired:
            assert at == clean_operations + 1
            return


@pytest.mark.parametrize(("does", "lasting"), REFUSALS)
def test_whatever_the_disk_refuses_nothing_that_was_called_saved_is_lost(
    tmp_path: Path, step: tuple[Step, tuple[Step, ...], int], does: Does, lasting: bool
) -> None:
    for folder, saved, _ in runs(tmp_path, step, does, from_then_on=lasting):
        check(folder, saved)


@pytest.mark.parametrize("does", DEATHS)
def test_whenever_the_process_is_killed_nothing_that_was_called_saved_is_lost(
    tmp_path: Path, step: tuple[Step, tuple[Step, ...], int], does: Does
) -> None:
    for folder, saved, _ in runs(tmp_path, step, does, from_then_on=False):
        check(folder, saved)


@pytest.mark.parametrize(("names_synced", "contents_synced"), LEFT_BY_POWER_LOSS)
def test_whenever_power_is_lost_nothing_that_was_called_saved_is_lost(
    tmp_path: Path,
    step: tuple[Step, tuple[Step, ...], int],
    names_synced: bool,
    contents_synced: bool,
) -> None:
    for _, saved, disk in runs(tmp_path, step, Does.KILL, from_then_on=False):
        after = tmp_path / "after"
        disk.leave_after_power_loss(
            after, names_synced=names_synced, contents_synced=contents_synced
        )
        check(after / "job", saved)
        shutil.rmtree(after)


@pytest.mark.parametrize("does", [*DEATHS, Does.FAIL])
def test_a_step_that_was_stopped_can_be_taken_again(
    tmp_path: Path, step: tuple[Step, tuple[Step, ...], int], does: Does
) -> None:
    run, _, _ = step
    for folder, saved, disk in runs(tmp_path, step, does, from_then_on=False):
        again: Saved = {}
        try:
            run(folder, FaultyDisk(folder.parent), again)
        except FlashbenchError as refusal:
            assert disk.fault_fired or saved, refusal
            assert was_done_already(str(refusal)), disk.fault
        check(folder, {**saved, **again})


def test_the_second_attempt_may_be_killed_too(
    tmp_path: Path, step: tuple[Step, tuple[Step, ...], int]
) -> None:
    run, _, _ = step
    tried = 0
    first_deaths = runs(tmp_path, step, Does.KILL_HALF_WAY, from_then_on=False)
    for folder, saved, _ in islice(first_deaths, 3, None, 11):
        for at in count(1, 3):
            place, told = tmp_path / "again", dict(saved)
            shutil.copytree(folder.parent, place)
            disk = FaultyDisk(place, DiskFault(at=at, does=Does.KILL_HALF_WAY))
            with suppress(FlashbenchError, Killed):
                run(place / "job", disk, told)
            disk.end_process()
            check(place / "job", told)
            shutil.rmtree(place)
            tried += 1
            if not disk.fault_fired:
                break
    assert tried > 20


def was_done_already(refusal: str) -> bool:
    done = ("There is a job in", "has its original", "has an unfinished write", "no original yet")
    return any(words in refusal for words in done)


@pytest.mark.parametrize("lasting", [False, True])
def test_a_disk_that_stores_something_else_is_noticed_before_anything_is_called_saved(
    tmp_path: Path, lasting: bool
) -> None:
    original = STEPS["save the original"]
    for folder, saved, disk in runs(tmp_path, original, Does.LIE, from_then_on=lasting):
        if "original" not in saved:
            continue
        wrote_at = [n for n, name in enumerate(disk.operations, 1) if name == "write"]
        assert disk.fault is not None
        if disk.fault.at > wrote_at[1] or disk.fault.at not in wrote_at:
            continue  # the lie fell on the journal, which is the next test's
        assert (folder / "round-1" / "original.bin").read_bytes() == ORIGINAL


def test_the_original_is_read_back_before_it_is_called_saved(tmp_path: Path) -> None:
    folder, _ = prepared(tmp_path / "a", (create,))
    clean = FaultyDisk(tmp_path / "a")
    first_write = 1 + count_before_write(folder, clean)
    folder, saved = prepared(tmp_path / "b", (create,))
    lying = FaultyDisk(tmp_path / "b", DiskFault(at=first_write, does=Does.LIE))

    with pytest.raises(FlashbenchError, match="read back differently from what was written"):
        save_original(folder, lying, saved)

    assert "original" not in saved


def count_before_write(folder: Path, disk: FaultyDisk) -> int:
    save_original(folder, disk, {})
    return disk.operations.index("write")


def test_the_job_is_refused_before_the_chip_is_touched_if_the_announcement_cannot_be_synced(
    tmp_path: Path,
) -> None:
    for at in count(1):
        folder, _ = prepared(tmp_path / f"{at}", (create, save_original, save_image))
        disk = FaultyDisk(tmp_path / f"{at}", DiskFault(at=at, does=Does.FAIL))
        announced = False
        with suppress(FlashbenchError), Job.open(folder, disk=disk) as job:
            job.announce(announcement())
            announced = True
        disk.end_process()
        if announced:
            with opened(folder) as job:
                assert job.unfinished() is not None, disk.fault
        if not disk.fault_fired:
            break


def test_a_full_disk_after_the_first_erase_spends_the_reserve(tmp_path: Path) -> None:
    folder, _ = prepared(tmp_path / "a", (create, save_original, save_image))
    disk = FaultyDisk(tmp_path / "a")
    with opened(folder, disk=disk) as job:
        job.announce(announcement())
        disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FULL)
        job.record_or_remember(UnitProven(start=1024, size=1024))

        assert disk.fault_fired
        assert job.journal_failure is None
    with opened(folder) as job:
        unfinished = job.unfinished()
        assert unfinished is not None
        assert unfinished.suspect == ()


def test_lines_the_disk_refused_are_written_when_it_takes_them_again(tmp_path: Path) -> None:
    folder, _ = prepared(tmp_path / "a", (create, save_original, save_image))
    disk = FaultyDisk(tmp_path / "a")
    with opened(folder, disk=disk) as job:
        job.announce(announcement())
        disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FAIL, from_then_on=True)
        job.record_or_remember(UnitProven(start=1024, size=1024))
        job.record_or_remember(CellsProven(sha256=announcement().target_sha256))

        assert job.journal_failure is not None
        assert "incomplete on disk" in job.journal_failure

        disk.fault = None
        job.record_or_remember(WriteFinished(target_sha256=announcement().target_sha256))

        assert job.journal_failure is None
    with opened(folder) as job:
        assert job.unfinished() is None
        assert [event.KIND for event in job.story][-3:] == [
            "unit-proven",
            "cells-proven",
            "write-finished",
        ]


def test_a_dumped_job_is_what_the_builders_promise(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        assert job.load_original().data == ORIGINAL
