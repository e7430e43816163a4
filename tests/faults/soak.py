"""Anything a bench sees, in any order: `python -m tests.faults.soak [--minutes 10] [--seed N]`.

Three sister boards with chips of one part (the same firmware, but a serial number and some settings
of their own), a job for each, and two chips in a drawer: one of another model, one of a fourth
sister, which is given up. On some days the part has factory numbers, on others it has none, so that
only contents, and on being asked the bag, tell chips apart. Hypothesis' state machine draws the
steps: dump, a best reading of the third board, edit, write, finish, restore, write to a new chip;
any of them perhaps with a fault, or with a chip in the socket that is not the job's. After each
step every chip and every job is looked at without the driver: no original is lost, no stranger's
chip is touched, what was called done is so, registers included. At the end of a day one command
brings each board back.
"""

import argparse
import hashlib
import json
import shutil
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import mkdtemp
from typing import Final

import hypothesis
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

import flashbench as fb
from flashbench.image.change_sheet import change_sheet
from flashbench.rehearsal import faults as f
from flashbench.safe_write import steps
from flashbench.safe_write.found import WhichChip
from flashbench.safe_write.new_chip import plan_to_new_chip
from flashbench.shelf.whose import read_chip
from tests.builders.bench import SMALL, Board, a_dumped_job, edited, firmware
from tests.builders.disk import DiskFault, Does
from tests.faults.scene import NOTHING, At, Ending, Interference, play

BOARDS: Final = ("anna", "berta", "cilli")
DRAWER: Final = ("of another model", "of a fourth sister")
GIVEN_UP: Final = DRAWER[1]
FIRMWARE: Final = firmware(SMALL.density_bytes)
OWN_PLACES: Final = (0x2_0100, 0x6_0200, 0xC_0300)
"""Serial number and settings, far enough apart not to lie in one erase unit."""

REGISTERS: Final[tuple[dict[str, int], ...]] = (
    {"SR1": 0x1C, "SR2": 0x02},
    {"SR3": 0x20},
    {},
    {"SR2": 0x08},
    {"SR1": 0x04},
)
"""Protection, quad enable, drive strength; of the fourth chip a one-time bit is set."""

ONE_TIME: Final = 0x38
COUNTS: Final[Counter[str]] = Counter()
"""What was done and what came of it, over all days of this process."""

RESULTS: Final = Path(__file__).with_name("soak.json")
_MEMORY: Final = Path("/dev/shm")


def _of(fault: f.Fault, *more: f.Fault) -> Interference:
    return Interference(faults=(fault, *more))


_operation = st.integers(1, 14)
_transfer = st.integers(1, 160)
WRONG: Final = st.one_of(
    st.just(NOTHING),
    st.just(NOTHING),
    st.builds(lambda n, s: _of(f.LosePower(at_operation=n, seed=s)), _operation, _operation),
    st.builds(lambda n: _of(f.LosePower(at_operation=n), f.WeakAfterTear()), _operation),
    st.builds(lambda n: _of(f.LosePower(at_operation=n, between=True)), _operation),
    st.builds(lambda n: _of(f.SilentOperation(at_operation=n, lasting=n % 2 == 0)), _operation),
    st.builds(lambda n: _of(f.SupplyDip(at_operation=n)), _operation),
    st.builds(lambda n: _of(f.Unplug(at_transfer=n, seed=n)), _transfer),
    st.builds(lambda n: _of(f.Unplug(at_transfer=n, chip_powered_by="elsewhere")), _transfer),
    st.builds(lambda n: _of(f.MuteReply(at_transfer=n, lasting=n % 2 == 0)), _transfer),
    st.builds(lambda n: _of(f.HostSuspends(at_transfer=n, adapter="leaves")), _transfer),
    st.builds(lambda n: _of(f.FrameGlitch(at_frame=n, what="supply dips", at_bit=4)), _transfer),
    st.builds(lambda n: _of(f.MisoFlips(rate=10.0**-n, seed=n)), st.integers(4, 8)),
    st.builds(lambda n: Interference(ends_at_transfer=n), _transfer),
    st.builds(lambda n: Interference(signal_at_look=n), st.integers(1, 40)),
    st.builds(
        lambda n, does, lasting: Interference(
            disk=DiskFault(at=n, does=does, from_then_on=lasting and does is not Does.KILL)
        ),
        _transfer,
        st.sampled_from([Does.FULL, Does.FAIL, Does.READ_ONLY, Does.HELD, Does.KILL]),
        st.booleans(),
    ),
)


class Day(RuleBasedStateMachine):
    """One day at the bench."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(mkdtemp(dir=_MEMORY if _MEMORY.is_dir() else None))
        self.chips: dict[str, Board] = {}
        self.registers: dict[str, dict[str, int]] = {}
        self.has_original: set[str] = set()
        self.best_reading: dict[str, bytes] = {}
        self.written_to: dict[str, set[str]] = {name: {name} for name in BOARDS}
        self.images: dict[str, list[bytes]] = {name: [] for name in BOARDS}
        self.numbered = True
        for name in (*BOARDS, GIVEN_UP):
            (self.root / name).mkdir()

    @initialize(numbered=st.booleans())
    def morning(self, numbered: bool) -> None:
        """What the day's chips are; two boards are dumped, the third comes in when it may."""
        self.numbered = numbered
        COUNTS["days with factory numbers" if numbered else "days without"] += 1
        for number, (name, registers) in enumerate(
            zip((*BOARDS, *DRAWER), REGISTERS, strict=True), start=1
        ):
            part = replace(SMALL, unique_id=bytes([number]) * 8 if numbered else b"")
            own = [(at, f"{name}: {at}".encode()) for at in OWN_PLACES]
            other_model = firmware(part.density_bytes, 9)
            board = Board(part, other_model if name == DRAWER[0] else edited(FIRMWARE, *own))
            for register, value in registers.items():
                board.chip.preset_register(register, value)
            self.chips[name], self.registers[name] = board, dict(board.chip.stored)
        a_dumped_job(self.chips[GIVEN_UP], self._folder(GIVEN_UP))
        for name in BOARDS[:2]:
            self.dump(name, NOTHING)
            self.edit(name, len(name), 3000)

    def teardown(self) -> None:
        """Nothing may be left that one command does not bring back."""
        try:
            for name in sorted(self.has_original):
                board = self.chips[name]
                ending = play(_knowing(_restore, name, name), board, self._folder(name))
                _demand(ending.is_done, f"{name} cannot be restored: {ending.error}")
                board.chip.grow_old()
                _demand(board.contents == board.original, "not restored")
                _demand(board.chip.stored == self.registers[name], "registers not put back")
                COUNTS["brought back at the end of a day"] += 1
            COUNTS["days"] += 1
        finally:
            shutil.rmtree(self.root, ignore_errors=True)

    @rule(job=st.sampled_from(BOARDS), wrong=WRONG)
    def dump(self, job: str, wrong: Interference) -> None:
        """Dump a board's own chip into its job."""
        ending = self._step("dump", _dump, job, job, wrong, may_change=False)
        if ending.is_done and job not in self.best_reading:
            self.has_original.add(job)
            self._look_at_originals()

    @precondition(lambda self: BOARDS[2] not in self.has_original | self.best_reading.keys())
    @rule()
    def best_reading_of_the_third(self) -> None:
        """`dump --best-effort`: from then on its own chip is never written."""
        job = BOARDS[2]
        ending = self._step("best reading", _best_effort, job, job, NOTHING, may_change=False)
        if ending.is_done:
            self.best_reading[job] = self.chips[job].contents

    @rule(job=st.sampled_from(BOARDS), at=st.integers(0, 250), size=st.integers(1, 6000))
    def edit(self, job: str, at: int, size: int) -> None:
        """Take an edited image in."""
        if job not in self.has_original and job not in self.best_reading:
            return
        original = self.chips[job].original
        start = at * 4096 + 17
        image = edited(original, (start, bytes(b ^ 0x5A for b in original[start : start + size])))
        with fb.Job.open(self._folder(job)) as opened:
            known = opened.image_number(hashlib.sha256(image).hexdigest())
            if opened.unfinished() is not None or known is not None:
                return
            opened.save_image(image, change_sheet(original, image))
        self.images[job].append(image)
        COUNTS["edit"] += 1

    @rule(job=st.sampled_from(BOARDS), wrong=WRONG)
    def write(self, job: str, wrong: Interference) -> None:
        """The first write, or the next."""
        self._step("write", _write, job, job, wrong)

    @rule(
        job=st.sampled_from(BOARDS),
        chip=st.sampled_from((*BOARDS, *DRAWER)),
        step=st.sampled_from(["write", "finish", "restore"]),
        wrong=WRONG,
    )
    def any_chip(self, job: str, chip: str, step: str, wrong: Interference) -> None:
        """Somebody puts in whatever lies on the table."""
        self._step(step, _STEPS[step], job, chip, wrong)

    @rule(job=st.sampled_from(BOARDS), step=st.sampled_from(["finish", "restore"]), wrong=WRONG)
    def recover(self, job: str, step: str, wrong: Interference) -> None:
        """On to the image or back to the original, with the job's own chip."""
        self._step(step, _STEPS[step], job, job, wrong)

    @rule(job=st.sampled_from(BOARDS), chip=st.sampled_from(DRAWER), wrong=WRONG)
    def new_chip(self, job: str, chip: str, wrong: Interference) -> None:
        """Write the job to a chip from the drawer; what it held is kept first."""
        model = self.chips[chip].chip
        model.lose_power(model.last_s, seed=1)  # it came out of the socket and is put in again
        model.restore_power()
        model.grow_old()
        held = self.chips[chip].contents
        known = self.written_to.get(job, set())
        self.written_to[job] = known | {chip}
        self._step("to a new chip", _to_new_chip, job, chip, wrong)
        if self.chips[chip].contents != held and chip not in known:
            kept = [p.read_bytes() for p in self._folder(job).glob("round-*/kept-*.bin")]
            _demand(held in kept, "what the new chip held is not kept")

    def _folder(self, job: str) -> Path:
        return self.root / job / "job"

    def _step(
        self,
        name: str,
        step: Callable[[At], None],
        job: str,
        chip: str,
        wrong: Interference,
        *,
        may_change: bool = True,
    ) -> Ending:
        board = self.chips[chip]
        step = _knowing(step, job, chip)
        before = board.chip.change_count  # weak cells drift by themselves: contents do not tell
        number = board.chip.operation_number
        board.chip.operation_number = 0
        ending = play(step, board, self._folder(job), wrong)
        board.chip.operation_number += number
        same = board.chip.change_count == before
        own = chip in self.written_to[job] and (
            job in self.has_original or (job in self.best_reading and chip != job)
        )
        COUNTS[f"{name}: {_came_out(ending)}"] += 1
        if chip not in self.written_to[job]:
            COUNTS["stranger in the socket"] += 1
        COUNTS["with a fault that came to pass"] += ending.fired
        _demand(same or (own and may_change), f"{name} of {job} touched the chip of {chip}")
        if ending.error is not None and ending.error.exit_status in (3, 5, 130):
            unchanged = "may still be on" in ending.error.state or same
            _demand(unchanged, f"{name}: not untouched: {ending.error}")
        if ending.is_done and may_change:
            board.chip.grow_old()
            _demand(
                board.contents in (self.chips[job].original, *self.images[job]),
                f"{name} of {job} called done, and {chip} holds something else",
            )
            self._look_at_registers(job, chip)
        self._look_at_originals()
        return ending

    def _look_at_registers(self, job: str, chip: str) -> None:
        """After a step that is done: as they were, or on a new chip as the own one's."""
        stored, wanted = self.chips[chip].chip.stored, self.registers[job]
        if chip != job and not self.numbered:
            return  # what cannot be told from the own chip is taken for that
        blown = self.registers[chip]["SR2"] & ONE_TIME
        wanted = {**wanted, "SR2": wanted["SR2"] & ~ONE_TIME | blown}
        _demand(stored == wanted, f"{job}: {chip} has registers {stored} instead of {wanted}")

    def _look_at_originals(self) -> None:
        for job, best in self.best_reading.items():
            saved = self._folder(job) / "round-1" / "best-reading.bin"
            _demand(saved.read_bytes() == best, f"{job}: best reading lost")
        for job in self.has_original:
            saved = self._folder(job) / "round-1" / "original.bin"
            _demand(saved.read_bytes() == self.chips[job].original, f"{job}: original lost")


def _came_out(ending: Ending) -> str:
    if ending.killed:
        return "killed"
    if ending.error is None:
        return "done"
    return "half-written" if ending.error.exit_status == 4 else "refused"


def _demand(holds: bool, what: str) -> None:
    if not holds:
        raise AssertionError(what)


def _dump(at: At) -> None:
    chip = at.identify()
    with at.job_for(chip) as job:
        if not job.has_original:
            fb.back_up(fb.read_twice(chip, keep_doubtful_in=job, progress=at.signal), job)


def _write(at: At) -> None:
    chip = at.identify()
    with at.job() as job:
        steps.carry_out(steps.plan_write(chip, job, progress=at.signal), progress=at.signal)


def _finish(at: At, which: WhichChip | None = None) -> None:
    chip = at.identify()
    with at.job() as job:
        plan = steps.plan_finish(chip, job, which=which, progress=at.signal)
        steps.carry_out(plan, progress=at.signal)


def _restore(at: At, which: WhichChip | None = None) -> None:
    chip = at.identify()
    with at.job() as job:
        plan = steps.plan_restore(chip, job, which=which, progress=at.signal)
        steps.carry_out(plan, progress=at.signal)


def _knowing(step: Callable[..., None], job: str, chip: str) -> Callable[[At], None]:
    """The step, told what the bag of a board's own chip says, should it ask."""
    if step in (_finish, _restore) and chip == job:
        return partial(step, which=WhichChip(kept_number=None))
    return step


def _best_effort(at: At) -> None:
    chip = at.identify()
    with at.job_for(chip) as job:
        fb.read_best_effort(chip, job, reads=3, progress=at.signal)


def _to_new_chip(at: At) -> None:
    """Of the fourth sister, the job that it was dumped into from its own bag is named."""
    chip = at.identify()
    given_up = at.folder.parent.parent / GIVEN_UP / "job"
    with at.job() as job, fb.Job.open(given_up) as other:
        held = read_chip(chip).sha256
        is_its = other.dumped is not None and other.dumped.sha256 == held
        plan = plan_to_new_chip(chip, job, chip_of=other if is_its else None, progress=at.signal)
        steps.carry_out(plan, progress=at.signal)


_STEPS: Final = {"write": _write, "finish": _finish, "restore": _restore}


def soak(*, days: int, steps_a_day: int, seed: int) -> None:
    """Live through some days; raises `AssertionError` with what led there."""
    run = settings(
        max_examples=days,
        stateful_step_count=steps_a_day,
        deadline=None,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    hypothesis.seed(seed)(Day)
    run_state_machine_as_test(Day, settings=run)


def main() -> int:
    """Soak for so many minutes, and write the counts down."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--results", type=Path, default=RESULTS)
    options = parser.parse_args()
    begun_s = time.monotonic()
    seed = options.seed
    while time.monotonic() < begun_s + 60 * options.minutes:
        soak(days=4, steps_a_day=40, seed=seed)
        seed += 1
    kept = {
        "command": " ".join(["python -m tests.faults.soak", *sys.argv[1:]]),
        "seeds": [options.seed, seed - 1],
        "seconds": round(time.monotonic() - begun_s),
        "counts": dict(sorted(COUNTS.items())),
    }
    options.results.write_text(json.dumps(kept, indent=1) + "\n")
    sys.stdout.write(json.dumps(kept, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
