"""What is said while a command works: which step, how far it is, how many seconds are left."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.safe_write import steps
from flashbench.safe_write.dump import dump
from flashbench.safe_write.new_chip import plan_to_new_chip
from tests.builders.bench import SMALL, Board, a_dumped_job, edited
from tests.builders.job import announcement

IMAGE_EDITS = ((0x1234, b"new"), (0x9_0000, b"also new"))
READ_TWICE = ["first read", "second read"]


@dataclass
class Told:
    """Everything that was said, in order."""

    said: list[tuple[str, int, int, float | None]] = field(default_factory=list)

    def __call__(self, step: str, done: int, total: int, seconds_left: float | None) -> None:
        self.said.append((step, done, total, seconds_left))

    @property
    def steps(self) -> list[str]:
        return list(dict.fromkeys(step for step, *_ in self.said))

    def of(self, step: str) -> list[tuple[int, int, float | None]]:
        """Without what was said again and again."""
        return list(dict.fromkeys(told[1:] for told in self.said if told[0] == step))


def test_a_write_says_after_each_unit_what_is_left_of_its_bytes_and_seconds(
    tmp_path: Path,
) -> None:
    board, told = Board(SMALL), Told()
    folder = a_dumped_job(board, tmp_path / "job")
    with board.visit() as visit, fb.Job.open(folder) as job:
        image = edited(board.original, *IMAGE_EDITS)
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        fb.verify(fb.rewrite(plan, progress=told), progress=told)

    sizes = [unit.size for unit in plan.cells.units]
    total, seconds = sum(sizes), plan.cells.seconds
    assert sizes == [4096, 4096]
    assert seconds > 0
    said = told.of("writing")
    assert [(done, whole) for done, whole, _ in said] == [(0, total), (4096, total), (8192, total)]
    assert [left for *_, left in said] == pytest.approx([seconds, seconds / 2, 0])
    last = told.of("verify")[-1]
    assert (told.steps, last) == (["writing", "verify"], (SMALL.density_bytes,) * 2 + (0.0,))


def test_every_command_says_what_it_reads_whole(tmp_path: Path) -> None:
    own, new = Board(SMALL), Board(replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000001")))
    told = {name: Told() for name in ("dump", "write", "finish", "restore", "new chip")}
    image = edited(own.original, *IMAGE_EDITS)
    with own.visit() as visit, fb.Job.create(tmp_path / "job", visit.identify()) as job:
        chip = visit.identify()
        dump(chip, job, progress=told["dump"])
        job.save_image(image, {})
        steps.plan_write(chip, job, progress=told["write"])
    with new.visit() as visit, fb.Job.open(tmp_path / "job") as job:
        plan_to_new_chip(visit.identify(), job, progress=told["new chip"])
    with own.visit() as visit, fb.Job.open(tmp_path / "job") as job:
        chip = visit.identify()
        job.announce(
            announcement(target=image, target_name="image 1", registers_before={"STATUS_1": 0})
        )
        steps.plan_finish(chip, job, progress=told["finish"])
        steps.plan_restore(chip, job, progress=told["restore"])

    assert {name: one.steps for name, one in told.items()} == {
        "dump": ["finding the clock", *READ_TWICE],
        "write": ["read before writing"],
        "new chip": READ_TWICE,
        "finish": READ_TWICE,
        "restore": READ_TWICE,
    }
