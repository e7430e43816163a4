"""A writing process killed by SIGKILL at twenty of its chip's operations, and what leads on.

The chip lies in a folder (`rehearsal:DIR`) that outlives the process. Where it was killed is
counted from the chip's own file of operations. Recovery runs in the test's process.
"""

import hashlib
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.chip.identity import Identified
from flashbench.rehearsal import arm, create_bench, open_bench
from flashbench.rehearsal.faults import KillProcess
from tests.builders.bench import copy_of, edited, firmware

ORIGINAL = firmware(1 << 16)
IMAGE = edited(ORIGINAL, (0x5010, b"a new memory"), (0xA000, bytes(0x900)))
"""Two 4 KiB units: operations 1 and 18 are their erases, 34 is the last page."""

LAST_OPERATION = 34
KILLS = (
    KillProcess(at_operation=1),
    KillProcess(at_operation=1, stage="part", power="lost", seed=1),
    KillProcess(at_operation=1, stage="done"),
    KillProcess(at_operation=2),
    KillProcess(at_operation=3, stage="part", power="lost", seed=2),
    KillProcess(at_operation=5, stage="done"),
    KillProcess(at_operation=8, stage="part"),
    KillProcess(at_operation=11),
    KillProcess(at_operation=14, stage="done", power="lost"),
    KillProcess(at_operation=17),
    KillProcess(at_operation=17, stage="done"),
    KillProcess(at_operation=18),
    KillProcess(at_operation=18, stage="part", power="lost", seed=3),
    KillProcess(at_operation=18, stage="done"),
    KillProcess(at_operation=19, stage="part"),
    KillProcess(at_operation=22, power="lost"),
    KillProcess(at_operation=27, stage="part", power="lost", seed=4),
    KillProcess(at_operation=30),
    KillProcess(at_operation=LAST_OPERATION, stage="part"),
    KillProcess(at_operation=LAST_OPERATION, stage="done"),
)


@dataclass(frozen=True)
class Accident:
    """The bench and the job that a killed process left behind."""

    bench: Path
    job: Path
    return_code: int

    @property
    def operations(self) -> list[str]:
        """The lines of the chip's own file, without the set-up's."""
        return (self.bench / "chips" / "first" / "operations").read_text().splitlines()

    def begun(self, what: str) -> list[int]:
        """The numbers of the operations of one kind that were begun."""
        found = (re.fullmatch(rf"begun (\d+) \S+ {what} .*", line) for line in self.operations)
        return [int(match[1]) for match in found if match]

    @property
    def ended(self) -> set[int]:
        found = (re.fullmatch(r"(?:done|torn) (\d+)", line) for line in self.operations)
        return {int(match[1]) for match in found if match}

    @property
    def is_inside_an_operation(self) -> bool:
        """The last thing begun was not ended, or its power was lost in the middle of it."""
        last = max(self.begun("erase") + self.begun("program"))
        return last not in self.ended or f"torn {last}" in self.operations

    @property
    def is_between_first_erase_and_last_program(self) -> bool:
        done = {int(line.split()[1]) for line in self.operations if line.startswith("done")}
        return bool(self.begun("erase")) and LAST_OPERATION not in done


def identify(adapter: fb.Adapter) -> Identified:
    return fb.identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)


@pytest.fixture(scope="module")
def accidents(tmp_path_factory: pytest.TempPathFactory) -> list[Accident]:
    """Twenty processes, killed."""
    root = tmp_path_factory.mktemp("kills")
    bench, job_folder, image = root / "bench", root / "job", root / "image"
    create_bench(bench, part="TINY64K", contents=ORIGINAL).close()
    image.write_bytes(IMAGE)
    with fb.open_url(f"rehearsal:{bench}", clock_hz=30_000_000) as adapter:
        chip = identify(adapter)
        with fb.Job.create(job_folder, chip) as job:
            fb.back_up(fb.read_twice(chip), job)

    def kill(number: int) -> Accident:
        own_bench = copy_of(bench, root / f"bench-{number}")
        own_job = copy_of(job_folder, root / f"job-{number}")
        arm(own_bench, [KILLS[number]])
        module = "tests.safe_write.writing_process"
        ended = subprocess.run(
            [sys.executable, "-m", module, str(own_bench), str(own_job), str(image)],
            cwd=Path(__file__).parents[2],
            check=False,
        )
        return Accident(own_bench, own_job, ended.returncode)

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(kill, range(len(KILLS))))


def recovered(accident: Accident, to: Path, target: Callable[[fb.Job, fb.Backup], bytes]) -> bytes:
    """What the cells hold after a recovery on copies of bench and job."""
    bench = copy_of(accident.bench, to / "bench")
    with fb.open_url(f"rehearsal:{bench}", clock_hz=30_000_000) as adapter:
        chip = identify(adapter)
        with fb.Job.open(copy_of(accident.job, to / "job")) as job:
            backup = fb.reload_backup(job)
            found = fb.read_for_recovery(chip, job)
            plan = fb.plan_recovery(found, backup, target=target(job, backup))
            fb.verify(fb.rewrite(plan))
            assert job.unfinished() is None
    with open_bench(bench) as opened:
        return opened.chip.contents


def test_the_processes_were_killed_where_it_hurts(accidents: list[Accident]) -> None:
    assert [accident.return_code for accident in accidents] == [-signal.SIGKILL] * 20
    assert sum(a.is_between_first_erase_and_last_program for a in accidents) >= 12
    assert sum(a.is_inside_an_operation for a in accidents) >= 3


def test_the_original_is_on_disk_after_every_kill(accidents: list[Accident]) -> None:
    wanted = hashlib.sha256(ORIGINAL).hexdigest()
    for accident in accidents:
        saved = accident.job / "round-1" / "original.bin"
        assert hashlib.sha256(saved.read_bytes()).hexdigest() == wanted


def test_finish_ends_with_the_target_after_every_kill(
    accidents: list[Accident], tmp_path: Path
) -> None:
    ends = [
        recovered(accident, tmp_path / str(n), lambda job, _: job.target)
        for n, accident in enumerate(accidents)
    ]

    assert [end == IMAGE for end in ends] == [True] * 20


def test_restore_ends_with_the_original_after_every_kill(
    accidents: list[Accident], tmp_path: Path
) -> None:
    ends = [
        recovered(accident, tmp_path / str(n), lambda _, backup: backup.image)
        for n, accident in enumerate(accidents)
    ]

    assert [end == ORIGINAL for end in ends] == [True] * 20
