"""Rounds that are missing, or of another job: noticed by what the rounds say of each other."""

import json
import shutil
from pathlib import Path

import pytest

from flashbench.job import journal
from flashbench.job.check import check_folder
from flashbench.job.disk import Disk
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.shelf.entry import Standing, read_entry
from tests.builders.job import IMAGE, AChip, a_dumped_job, announcement, opened
from tests.cli.workplace import run


def two_rounds(folder: Path) -> Path:
    """A job whose second round was dumped, and whose write was announced and never finished."""
    with a_dumped_job(folder) as job:
        job.open_round(AChip())
        job.save_original(IMAGE, chip_facts=AChip().facts())
        job.announce(announcement(target=IMAGE))
    return folder


def damage(folder: Path) -> list[str]:
    return [f"{one.path} {one.seen}" for one in check_folder(folder) if one.damaged]


def test_rounds_that_belong_together_are_not_doubted(tmp_path: Path) -> None:
    folder = two_rounds(tmp_path / "job")

    assert damage(folder) == []
    with opened(folder) as job:
        assert job.round_number == 2


def test_a_lost_newest_round_is_noticed_and_never_worked_around(tmp_path: Path) -> None:
    """Its write was half done: the round before knows of no write at all."""
    folder = two_rounds(tmp_path / "job")
    shutil.rmtree(folder / "round-2")

    with pytest.raises(JobDamaged, match="folder round-2 is missing: by the journal of round-1 it"):
        Job.open(folder)
    checked, asked = run("next", str(folder), "--check"), run("next", str(folder))
    assert checked.exit_code == 1
    assert "round-2: is missing: by the journal of round-1" in " ".join(checked.output.split())
    assert asked.exit_code == 3
    assert "Leave the chip in if it may be half-written" in " ".join(asked.output.split())
    assert "solder" not in asked.output
    entry = read_entry(folder)
    assert entry is not None
    assert entry.standing is Standing.DAMAGED


def test_a_newest_round_whose_journal_begins_with_nothing_is_named_once(tmp_path: Path) -> None:
    folder = two_rounds(tmp_path / "job")
    path = folder / "round-2" / journal.JOURNAL
    path.write_bytes(b"x" + path.read_bytes()[1:])

    assert damage(folder) == [
        "round-2/journal.jsonl journal.jsonl is damaged: 5 lines were written, and only the first"
        " 0 are as written; line 1 was cut, edited or moved"
    ]


def test_a_round_of_another_job_is_noticed(tmp_path: Path) -> None:
    folder, other = two_rounds(tmp_path / "job"), two_rounds(tmp_path / "other")
    for number in (1, 2):
        mixed = shutil.copytree(folder, tmp_path / f"mixed {number}")
        shutil.rmtree(mixed / f"round-{number}")
        shutil.copytree(other / f"round-{number}", mixed / f"round-{number}")

        assert any("does not follow the round-1 that is here" in one for one in damage(mixed))
        entry = read_entry(mixed)
        assert entry is not None and entry.damage is not None and entry.has_gaps
        assert "does not follow the round-1 that is here" in entry.damage


def test_a_round_before_that_was_put_back_to_an_earlier_state_is_told_and_closes_nothing(
    tmp_path: Path,
) -> None:
    with a_dumped_job(tmp_path / "job"):
        pass
    early = shutil.copytree(tmp_path / "job" / "round-1", tmp_path / "early")
    with opened(tmp_path / "job") as job:
        job.save_image(IMAGE, {})
        job.open_round(AChip())
        job.save_original(IMAGE, chip_facts=AChip().facts())
        job.announce(announcement(target=IMAGE))
    for name in (journal.JOURNAL, journal.HEAD):
        shutil.copy(early / name, tmp_path / "job" / "round-1" / name)

    assert any("another state of this one" in one for one in damage(tmp_path / "job"))
    asked = run("next", str(tmp_path / "job"))
    said = " ".join(asked.output.split())
    assert asked.exit_code == 0, asked.output
    assert "damaged: the folder round-2 does not follow the round-1 that is here" in said
    assert f"next flashbench restore {tmp_path / 'job'}" in said
    with opened(tmp_path / "job") as job:
        assert job.unfinished() is not None


def test_a_job_whose_rounds_say_nothing_of_each_other_stays_readable(tmp_path: Path) -> None:
    """As flashbench wrote them before."""
    folder = two_rounds(tmp_path / "job")
    for number in (1, 2):
        forget_the_chain(folder / f"round-{number}")

    assert damage(folder) == []
    with opened(folder) as job:
        assert job.round_number == 2


def forget_the_chain(round_folder: Path) -> None:
    """Write a round's journal again without what ties it to the others."""
    disk = Disk()
    last, data = None, b""
    for line in journal.read_journal(disk, round_folder).lines:
        facts = json.loads(json.dumps(line.facts))
        facts.pop("after_sha256", None)
        if line.kind != "round-opened":
            last, text = journal.encode_line(line.kind, facts, at=line.at, after=last)
            data += text
    assert last is not None
    disk.write_over(round_folder / journal.JOURNAL, data)
    head = journal.Head(count=last.n, sha256=last.sha256)
    disk.write_over(round_folder / journal.HEAD, journal.encode_head(head))
