"""One point played and judged: what the chip's cells and the job's files say, without the driver.

The judge looks at the model's cells and reads the job's files as bytes. Only the way on, with the
fault lifted, is taken through flashbench again, and its end is judged alike.
"""

import hashlib
import re
import shutil
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from flashbench.errors import FlashbenchError
from flashbench.rehearsal.faults import OUTCOMES, Outcome, UnstableCells
from flashbench.rehearsal.nor_chip import NorChip
from tests.builders.bench import TINY, Board
from tests.faults.points import ACCIDENTS, Point, Trace, interferences
from tests.faults.scene import NOTHING, ORIGINAL, STEPS, Ending, play


class Verdict(Enum):
    """How a point ended. Every one of them leaves the original on disk."""

    NOT_REACHED = "the fault did not come to pass"
    DONE = "done in spite of it"
    UNTOUCHED = "refused untouched, and led on afterwards"
    HALF_WRITTEN = "half-written and said so, and led on afterwards"
    KILLED = "killed, and led on afterwards"
    DECLARED = "declared with the address, and kept refusing"


class Wrong(AssertionError):
    """Something that never happens has happened."""


@dataclass
class State:
    """A chip and its job's folder, as an accident or a step left them."""

    board: Board
    folder: Path

    def copy(self, root: Path) -> "State":
        """The same state under another root, which must not exist."""
        shutil.copytree(self.folder.parent, root)
        return State(self.board.twin(), root / self.folder.name)


class Play:
    """Points of one seed, played in a scratch folder that is the caller's to delete."""

    def __init__(self, scratch: Path, *, seed: int) -> None:
        self._scratch = scratch
        self.seed = seed
        self._states: dict[str, State] = {}
        self._traces: dict[tuple[str, str], Trace] = {}

    def state(self, name: str) -> State:
        """The state with this name; made once."""
        if name in self._states:
            return self._states[name]
        root = self._scratch / name.replace(" ", "-")
        if name == "new":
            root.mkdir()
            made = State(Board(TINY, ORIGINAL), root / "job")
        else:
            accident = ACCIDENTS[name]
            made = self.state(accident.before).copy(root)
            _renumber(made.board.chip)
            play(accident.step, made.board, made.folder, accident.wrong)
        _renumber(made.board.chip)
        self._states[name] = made
        return made

    def trace(self, state: str, step: str) -> Trace:
        """How far a clean run of `step` from `state` comes; run once."""
        if (state, step) not in self._traces:
            run = self.state(state).copy(self._scratch / "trace")
            files = {
                path.relative_to(run.folder).as_posix(): path.stat().st_size
                for path in sorted(run.folder.rglob("*"))
                if path.is_file() and path.name != "lock"
            }
            frames: list[list[int]] = []
            ending = play(step, run.board, run.folder, listen=frames)
            if not ending.is_done:
                raise Wrong(f"a clean {step} from {state} failed: {ending.error}")
            done = run.board.chip.operation_number
            self._traces[state, step] = Trace(
                ending=ending,
                operations=range(1, done + 1),
                files=files,
                frames=tuple((sent, received) for sent, received in frames),
            )
            shutil.rmtree(self._scratch / "trace")
        return self._traces[state, step]

    def points(self, state: str, step: str) -> list[Point]:
        """Every point of one step from one state."""
        trace = self.trace(state, step)
        return [
            Point(family=family, state=state, step=step, wrong=wrong)
            for family, wrong in interferences(trace, seed=self.seed)
        ]

    def run(self, point: Point, *, way: int = 0) -> Verdict:
        """Play one point and the way on; even `way` numbers finish, odd ones restore.

        Raises `Wrong` if something came of it that the table of outcomes does not allow.
        """
        state = self.state(point.state).copy(self._scratch / "point")
        try:
            return self._judged(point, state, way)
        finally:
            shutil.rmtree(self._scratch / "point")
            shutil.rmtree(self._scratch / "point-left", ignore_errors=True)

    def _judged(self, point: Point, state: State, way: int) -> Verdict:
        had_original = (state.folder / ORIGINAL_FILE).exists()
        before = _look(state.board)
        changes = state.board.chip.change_count
        ending = play(point.step, state.board, state.folder, point.wrong)
        stranger = ending.stranger
        demand(stranger is None or not stranger.was_touched, "a stranger's chip was touched", point)
        if point.step == "dump" and _is_another_dump(state, point, ending):
            return Verdict.DONE
        demand(not had_original or _original_is_there(state), "the original is gone", point)
        fired = ending.fired or point.family in ALWAYS_THERE
        if not fired:
            demand(ending.is_done, f"failed without a fault: {ending.error}", point)
        if ending.is_done:
            self._demand_done(point, state, before)
        elif ending.error is not None and _says_unchanged(ending.error):
            allowed = OUTCOMES[fault_of(point.family)] is Outcome.DECLARED
            # Weak cells drift by themselves, so that contents do not tell.
            untouched = state.board.chip.change_count == changes
            demand(allowed or untouched, f"not untouched: {ending.error}", point)
        verdict = self._led_on(point, state, way, ending)
        if not fired:
            return Verdict.NOT_REACHED
        return verdict or _plain_verdict(ending)

    def _demand_done(self, point: Point, state: State, before: "Seen") -> None:
        wanted = STEPS[point.step][1]
        demand(_original_is_there(state), "done, and the original is not on disk", point)
        if point.step == "dump":
            demand(_look(state.board) == before, "a dump changed the chip", point)
            return
        state.board.chip.grow_old()
        demand(state.board.contents == wanted, "called done, and the cells are not", point)
        demand(_look(state.board).registers == before.registers, "registers not put back", point)

    def _led_on(self, point: Point, state: State, way: int, ending: Ending) -> Verdict | None:
        """Take the way on with the fault lifted; DECLARED if that is refused and may be."""
        step = self._next_step(point, state, way)
        on = play(step, state.board, state.folder, NOTHING)
        if step == "dump" and _is_another_dump(state, point, on):
            return None
        if on.is_done:
            state.board.chip.grow_old()
            demand(_original_is_there(state), f"{step} left no original", point)
            demand(
                state.board.contents == STEPS[step][1], f"{step} left other cells than said", point
            )
            return None
        said = "" if on.error is None else on.error.seen
        demand(
            OUTCOMES[fault_of(point.family)] is Outcome.DECLARED,
            f"{step} after it was refused: {said} (first: {ending.error})",
            point,
        )
        demand(bool(re.search(_PLACE, said)), f"no place named: {said}", point)
        demand(step == "dump" or _original_is_there(state), f"{step} left no original", point)
        return Verdict.DECLARED

    def _next_step(self, point: Point, state: State, way: int) -> str:
        if point.step == "dump" or not (state.folder / ORIGINAL_FILE).exists():
            return "dump"
        journal = (state.folder / "round-1" / "journal.jsonl").read_bytes()
        if b'"write-announced"' in journal:
            return ("finish", "restore")[way % 2] if _is_unfinished(journal) else "restore"
        return "write"


ALWAYS_THERE = (
    "slow chip",
    "chip left busy or in another mode",
    "bad contact",
    "random flips on MISO",
    "random flips on MOSI",
    "contact that comes and goes",
    "worn sector",
    "stuck bit",
    "cells that never read alike",
    "erase unit other than stated",
)
_PLACE = (
    r"0x[0-9a-f]{6}|\bID\b|status register|line \d+|(original|image-1)\.bin|job\.toml|journal\.head"
)
ORIGINAL_FILE = Path("round-1") / "original.bin"


@dataclass(frozen=True)
class Seen:
    """What a chip holds, by its model."""

    cells: bytes
    registers: tuple[tuple[str, int], ...]


def _look(board: Board) -> Seen:
    return Seen(board.contents, tuple(sorted(board.chip.stored.items())))


def _original_is_there(state: State) -> bool:
    saved = state.folder / ORIGINAL_FILE
    if not saved.is_file():
        return False
    hashed = saved.with_name("original.bin.sha256").read_text().split()[0]
    data = saved.read_bytes()
    return data == ORIGINAL and hashed == hashlib.sha256(data).hexdigest()


def _says_unchanged(error: FlashbenchError) -> bool:
    return any(words in error.state for words in ("untouched", "othing was changed", "not touch"))


def _is_another_dump(state: State, point: Point, ending: Ending) -> bool:
    """A dump of what was in the socket before its ID was read; or of cells that have no value."""
    if not ending.is_done:
        return False
    data = (state.folder / ORIGINAL_FILE).read_bytes()
    if ending.stranger is not None and ending.stranger.was_in:
        return data == ending.stranger.contents
    for fault in point.wrong.chip:
        if isinstance(fault, UnstableCells):
            a, b = fault.start, fault.start + fault.length
            return data != ORIGINAL and data[:a] + data[b:] == ORIGINAL[:a] + ORIGINAL[b:]
    return False


def _is_unfinished(journal: bytes) -> bool:
    return journal.rfind(b'"write-announced"') > journal.rfind(b'"write-finished"')


def _plain_verdict(ending: Ending) -> Verdict:
    if ending.killed:
        return Verdict.KILLED
    if ending.error is None:
        return Verdict.DONE
    return Verdict.HALF_WRITTEN if ending.error.exit_status == 4 else Verdict.UNTOUCHED


def _renumber(chip: NorChip) -> None:
    """Count operations from 1 again, as the points of a step do."""
    chip.operation_number = 0


def fault_of(family: str) -> str:
    """The fault in the table of outcomes: a family without how long it lasts."""
    return re.sub(r", (once|from then on)$", "", family)


def demand(holds: bool, what: str, point: Point) -> None:
    """Raise `Wrong` with what replays the point, unless it holds."""
    if not holds:
        raise Wrong(f"{what}\n{point!r}")
