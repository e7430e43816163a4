"""`misuse.py` under mypy, and the same misuse at run time."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import flashbench as fb
from tests.builders.bench import SMALL, Board, a_dumped_job, edited

ROOT = Path(__file__).parents[2]


def test_mypy_refuses_every_marked_line_of_misuse(tmp_path: Path) -> None:
    """With the project's own settings; an ignore that is not needed is an error there."""
    checked = subprocess.run(
        [
            *(sys.executable, "-m", "mypy", "--no-error-summary", "--cache-dir", str(tmp_path)),
            *("--follow-imports=silent", "--config-file", "pyproject.toml"),
            str(ROOT / "tests/typing/misuse.py"),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert checked.stdout + checked.stderr == ""
    assert checked.returncode == 0


MISUSES: dict[str, tuple[Callable[..., object], str]] = {
    "a write of nothing": (
        lambda s: fb.rewrite(s.image),
        r"rewrite\(\) takes the Plan that plan_rewrite\(\) made",
    ),
    "a write of a backup": (
        lambda s: fb.rewrite(s.backup),
        r"rewrite\(\) takes the Plan that plan_rewrite\(\) made",
    ),
    "a plan without a backup": (
        lambda s: fb.plan_rewrite(s.chip, s.read, s.image),
        r"a plan needs the Backup that back_up\(\) or reload_backup\(\) made",
    ),
    "a plan for an adapter": (
        lambda s: fb.plan_rewrite(s.adapter, s.backup, s.image),
        r"a plan needs the Identified that identify\(\) made",
    ),
    "a plan for a path": (
        lambda s: fb.plan_rewrite(s.chip, s.backup, Path("image.bin")),  # type: ignore[arg-type]
        "bytes-like object is required",
    ),
    "a backup of one read": (
        lambda s: fb.back_up(s.read.image, s.job),
        r"back_up\(\) takes the StableRead that read_twice\(\) made",
    ),
    "two reads of an adapter": (
        lambda s: fb.read_twice(s.adapter),
        r"read_twice\(\) takes the Identified that identify\(\) made",
    ),
    "a look of recovery at an adapter": (
        lambda s: fb.read_for_recovery(s.adapter, s.job),
        r"read_for_recovery\(\) takes the Identified that identify\(\) made",
    ),
    "a recovery without looking": (
        lambda s: fb.plan_recovery(s.read, s.backup, target=s.backup.image),
        r"plan_recovery\(\) takes the Found that read_for_recovery\(\) made",
    ),
    "a recovery for another job": (
        lambda s: fb.plan_recovery(s.found, s.backup_of_another_job, target=s.backup.image),
        "the chip was read for one job and the backup is of another",
    ),
    "a proof of a plan": (
        lambda s: fb.verify(s.plan),
        r"verify\(\) takes the Written that rewrite\(\) made",
    ),
    "an identification without a supply": (
        lambda s: fb.identify(s.adapter),  # type: ignore[call-arg]
        "missing 1 required keyword-only argument: 'supply_volts'",
    ),
}


class Scene:
    """One thing of each kind, for a chip in a session."""

    def __init__(self, board: Board, folder: Path, adapter: fb.Adapter, chip: fb.Identified):
        self.adapter, self.chip = adapter, chip
        self.job = fb.Job.open(a_dumped_job(Board(SMALL), folder / "board 17"))
        self.other_job = fb.Job.open(a_dumped_job(Board(SMALL), folder / "board 18"))
        self.image = edited(board.original, (0x5000, b"new"))
        self.read = fb.read_twice(chip)
        self.backup = fb.reload_backup(self.job)
        self.backup_of_another_job = fb.reload_backup(self.other_job)
        self.found = fb.read_for_recovery(chip, self.job)
        self.plan = fb.plan_rewrite(chip, self.backup, self.image)


@pytest.mark.parametrize("name", MISUSES)
def test_misuse_is_a_type_error_at_run_time(name: str, tmp_path: Path) -> None:
    misuse, sentence = MISUSES[name]
    board = Board(SMALL)
    with board.visit() as visit:
        scene = Scene(board, tmp_path, visit.adapter, visit.identify())

        with pytest.raises(TypeError, match=sentence):
            misuse(scene)

        scene.job.close()
        scene.other_job.close()
    assert board.chip.change_count == 0
