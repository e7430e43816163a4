"""Evidence made by hand, of the wrong kind, or of two jobs: it is said what makes the right one."""

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.safe_write.best_reading import read_best_effort
from tests.builders.bench import SMALL, Board, a_dumped_job

NOT_IT: Any = object()


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [
        (fb.StableRead, "StableRead has no public constructor: call read_twice()"),
        (fb.Backup, "Backup has no public constructor: call back_up() or reload_backup()"),
        (fb.BestReading, "BestReading has no public constructor: call read_best_effort()"),
        (fb.Kept, "Kept has no public constructor: call keep_contents()"),
        (fb.Found, "Found has no public constructor: call read_for_recovery()"),
        (fb.Plan, "Plan has no public constructor: call plan_rewrite()"),
        (fb.Written, "Written has no public constructor: call rewrite()"),
        (fb.Verified, "Verified has no public constructor: call verify()"),
    ],
)
def test_evidence_made_by_hand(kind: Any, sentence: str) -> None:
    with pytest.raises(TypeError) as refused:
        kind(**{one.name: NOT_IT for one in fields(kind)}, seal=object())

    assert str(refused.value) == sentence


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: fb.read_twice(NOT_IT),
            "read_twice() takes the Identified that identify() made",
        ),
        (
            lambda: read_best_effort(NOT_IT, NOT_IT),
            "read_best_effort() takes the Identified that identify() made",
        ),
        (
            lambda: fb.back_up(NOT_IT, NOT_IT),
            "back_up() takes the StableRead that read_twice() made",
        ),
        (
            lambda: fb.keep_contents(NOT_IT, NOT_IT),
            "keep_contents() takes the StableRead that read_twice() made",
        ),
        (
            lambda: fb.read_for_recovery(NOT_IT, NOT_IT),
            "read_for_recovery() takes the Identified that identify() made",
        ),
        (
            lambda: fb.plan_rewrite(NOT_IT, NOT_IT, b""),
            "a plan needs the Identified that identify() made",
        ),
        (
            lambda: fb.plan_recovery(NOT_IT, NOT_IT, target=b""),
            "plan_recovery() takes the Found that read_for_recovery() made",
        ),
        (
            lambda: fb.plan_replacement(NOT_IT, NOT_IT, target=b""),
            "plan_replacement() takes the Kept that keep_contents() made",
        ),
        (lambda: fb.rewrite(NOT_IT), "rewrite() takes the Plan that plan_rewrite() made"),
        (lambda: fb.verify(NOT_IT), "verify() takes the Written that rewrite() made"),
    ],
)
def test_a_step_given_the_wrong_evidence(call: Callable[[], object], sentence: str) -> None:
    with pytest.raises(TypeError) as refused:
        call()

    assert str(refused.value) == sentence


def test_a_plan_with_no_backup_or_with_that_of_another_job(tmp_path: Path) -> None:
    board = Board(SMALL)
    folders = [a_dumped_job(board, tmp_path / name) for name in ("one", "two")]
    said = []
    with (
        board.visit() as visit,
        fb.Job.open(folders[0]) as one,
        fb.Job.open(folders[1]) as two,
    ):
        chip = visit.identify()
        backup = fb.reload_backup(two)
        found = fb.read_for_recovery(chip, one)
        steps: tuple[Callable[[], object], ...] = (
            lambda: fb.plan_rewrite(chip, NOT_IT, b""),
            lambda: fb.plan_recovery(found, NOT_IT, target=b""),
            lambda: fb.plan_recovery(found, backup, target=backup.image),
        )
        for step in steps:
            with pytest.raises(TypeError) as refused:
                step()
            said.append(str(refused.value))

    assert said == [
        "a plan needs the Backup that back_up() or reload_backup() made",
        "a plan needs the Backup that back_up() or reload_backup() made",
        "the chip was read for one job and the backup is of another",
    ]
    assert board.chip.change_count == 0


def test_a_replacement_that_was_kept_for_another_job(tmp_path: Path) -> None:
    board = Board(SMALL)
    folders = [a_dumped_job(board, tmp_path / name) for name in ("one", "two")]
    other = Board(
        replace(SMALL, unique_id=bytes.fromhex("DECAFBAD00000001")), b"\xff" * SMALL.density_bytes
    )
    with (
        other.visit() as visit,
        fb.Job.open(folders[0]) as one,
        fb.Job.open(folders[1]) as two,
    ):
        kept = fb.keep_contents(fb.read_twice(visit.identify()), one)
        backup = fb.reload_backup(two)
        for wrong, sentence in (
            (backup, "the chip was kept for one job and the backup is of another"),
            (NOT_IT, "a plan needs the Backup that back_up() or reload_backup() made"),
        ):
            with pytest.raises(TypeError) as refused:
                fb.plan_replacement(kept, wrong, target=backup.image)
            assert str(refused.value) == sentence
