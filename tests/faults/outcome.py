"""One point played and judged: what the chip's cells and the job's files say, without the driver.

The judge looks at the model's cells and reads the job's files as bytes. Only the way on, with the
fault lifted, is taken through flashbench again, and its end is judged alike.
"""

import hashlib
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Literal

from flashbench.errors import FlashbenchError, OtherChip
from flashbench.rehearsal.faults import OUTCOMES, Outcome, UnstableCells
from flashbench.rehearsal.nor_chip import NorChip
from tests.builders.bench import TINY, Board, a_dumped_job, edited
from tests.faults.points import ACCIDENTS, NEW, Point, Trace, interferences
from tests.faults.scene import (
    DUMPS,
    GIVEN_UP,
    KNOWN,
    NOTHING,
    UNSTEADY,
    Damage,
    Ending,
    new_board,
    own_board,
    play,
    wanted,
)


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
    """The chip in the socket and a job's folder, as an accident or a step left them.

    `own` is the board's own chip, and stays that when another one lies in the socket.
    """

    board: Board
    folder: Path
    own: Board

    def copy(self, root: Path) -> "State":
        """The same state under another root, which must not exist."""
        shutil.copytree(self.folder.parent, root)
        board = self.board.twin()
        return State(board, root / self.folder.name, board if self.has_own else self.own)

    def put_new_chip_in(self) -> None:
        """Take the own chip out, and put another of its part in, of a board that is given up."""
        self.board = new_board(self.own.part)
        if self.own.part.name != KNOWN.name:
            a_dumped_job(self.board, self.folder.with_name(GIVEN_UP))

    @property
    def has_own(self) -> bool:
        """Whether the board's own chip lies in the socket."""
        return self.board is self.own

    @property
    def saved(self) -> Path:
        """Where the job keeps what its chip held."""
        best = UNSTEADY in self.own.lasting
        return self.folder / "round-1" / ("best-reading.bin" if best else "original.bin")

    @property
    def original(self) -> bytes:
        """What the board's own chip held at first; of cells without a value, what was saved."""
        if UNSTEADY not in self.own.lasting:
            return self.own.original
        first, end = UNSTEADY.start, UNSTEADY.start + UNSTEADY.length
        return edited(self.own.original, (first, self.saved.read_bytes()[first:end]))

    @property
    def registers_when_done(self) -> "Registers":
        """What the registers in the socket must hold after a step that says it is done.

        The chip's own; a replacement's like the original's where the table describes them, its
        one-time bits (Winbond's LB1 to LB3, SR2 bits 3 to 5) as they were.
        """
        own, new = self.own.chip.stored, self.board.chip.stored
        if self.has_own or self.own.part.name != KNOWN.name:
            return _registers(new, new)
        right = {**own, "SR2": own["SR2"] & ~ONE_TIME | new["SR2"] & ONE_TIME}
        return _registers(right, right)


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
        if name in NEW:
            root.mkdir()
            part = KNOWN if name == "new, known part" else TINY
            own = own_board(part, unsteady=name == "new, unsteady cells")
            made = State(own, root / "job", own)
        else:
            accident = ACCIDENTS[name]
            made = self.state(accident.before).copy(root)
            if accident.new_chip:
                made.put_new_chip_in()
            if accident.step is not None:
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
        had_original = state.saved.exists()
        before = _look(state.board)
        announced = _writes_announced(state)
        changes = state.board.chip.change_count
        ending = play(point.step, state.board, state.folder, point.wrong)
        if point.step == "to new chip" and _another_one_was_taken(state, point, ending):
            return Verdict.DONE
        stranger = ending.stranger
        demand(stranger is None or not stranger.was_touched, "a stranger's chip was touched", point)
        self._demand_kept(point, state, before)
        if point.step in DUMPS and _is_another_dump(state, point, ending):
            return Verdict.DONE
        demand(not had_original or _original_is_there(state), "the original is gone", point)
        fired = ending.fired or point.family in ALWAYS_THERE
        if not fired:
            demand(ending.is_done, f"failed without a fault: {ending.error}", point)
        if ending.is_done:
            self._demand_done(point, state, before)
        elif ending.error is not None and point.wrong.damage is not None:
            named = _names(ending.error, point.wrong.damage)
            demand(named, f"refused without the damaged file's name: {ending.error}", point)
        elif ending.error is not None and _says_unchanged(ending.error):
            allowed = OUTCOMES[fault_of(point.family)] is Outcome.DECLARED
            # Weak cells drift by themselves, so that contents do not tell.
            untouched = state.board.chip.change_count == changes
            demand(allowed or untouched, f"not untouched: {ending.error}", point)
        is_begun = _writes_announced(state) > announced or point.step in ("finish", "restore")
        on = _way_on(point, state, way) if is_begun else point.step
        verdict = self._led_on(point, state, on, ending, before, way)
        if not fired:
            return Verdict.NOT_REACHED
        return verdict or _plain_verdict(ending)

    def _demand_kept(self, point: Point, state: State, before: "Seen") -> None:
        """What a new chip held is on disk from before its first change; one-time bits stay."""
        if state.has_own:
            return
        changed = state.board.chip.change_count > 0
        held = state.board.original
        demand(not changed or held in _kept(state), "what the new chip held is not kept", point)
        if OUTCOMES[fault_of(point.family)] is Outcome.SURVIVED:
            blown = dict(before.registers).get("SR2", 0) ^ state.board.chip.stored.get("SR2", 0)
            demand(not blown & ONE_TIME, "a one-time bit of the new chip was changed", point)

    def _demand_done(self, point: Point, state: State, before: "Seen") -> None:
        demand(_original_is_there(state), "done, and the original is not on disk", point)
        if point.step in DUMPS:
            demand(_look(state.board) == before, "a dump changed the chip", point)
            return
        self._demand_right(point, state, point.step, before)

    def _demand_right(self, point: Point, state: State, step: str, before: "Seen") -> None:
        state.board.chip.grow_old()
        cells = wanted(step, state.original)
        demand(state.board.contents == cells, f"{step} done, and the cells are not", point)
        if OUTCOMES[fault_of(point.family)] is Outcome.DECLARED and step != point.step:
            return  # a command that nobody sent may have set a register, before or after
        if state.has_own:
            demand(_look(state.board).registers == before.registers, "registers changed", point)
        else:
            right = state.registers_when_done
            demand(_look(state.board).registers == right, "registers not as the own one's", point)

    def _led_on(
        self, point: Point, state: State, step: str, ending: Ending, before: "Seen", way: int
    ) -> Verdict | None:
        """Take the way on with the fault lifted; DECLARED if that is refused and may be.

        For every third point the adapter, too, is another one.
        """
        adapter: Literal["FT232H", "FT2232H"] = "FT2232H" if way % 3 == 0 else "FT232H"
        on = play(step, state.board, state.folder, NOTHING, adapter_chip=adapter)
        if step in DUMPS and on.error is not None and "into a new folder" in on.error.next_step:
            state.folder = state.folder.with_name("job-of-what-was-misread")
            on = play(step, state.board, state.folder, NOTHING)
        if step in DUMPS and _is_another_dump(state, point, on):
            return None
        if _holds_the_best_reading(state, on):
            return None
        if on.is_done:
            demand(_original_is_there(state), f"{step} left no original", point)
            if step not in DUMPS:
                self._demand_right(point, state, step, before)
            self._demand_kept(point, state, before)
            return None
        said = "" if on.error is None else on.error.seen
        demand(
            OUTCOMES[fault_of(point.family)] is Outcome.DECLARED,
            f"{step} after it was refused: {said} (first: {ending.error})",
            point,
        )
        demand(bool(re.search(_PLACE, said)), f"no place named: {said}", point)
        demand(step in DUMPS or _original_is_there(state), f"{step} left no original", point)
        return Verdict.DECLARED


ALWAYS_THERE = (
    "slow chip",
    "chip left busy or in another mode",
    "uneven times",
    "bad contact",
    "line held low",
    "lines too slow for the clock",
    "random flips on MISO",
    "random flips on MOSI",
    "contact that comes and goes",
    "worn sector",
    "stuck bit",
    "stuck address bit",
    "cells that never read alike",
    "erase unit other than stated",
)
_PLACE = (
    r"0x[0-9a-f]{6}|\bID\b|status register|line \d+|job\.toml|journal\.head"
    r"|(original|image-1|best-reading)\.(bin|json)|size of the new chip is not proven"
)
ONE_TIME = 0x38
Registers = tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Seen:
    """What a chip holds, by its model."""

    cells: bytes
    registers: Registers


def _look(board: Board) -> Seen:
    return Seen(board.contents, _registers(board.chip.stored, board.chip.current))


def _registers(stored: Mapping[str, int], current: Mapping[str, int]) -> Registers:
    """What is kept without power, and what rules now: a protection may be open until then."""
    return (*sorted(stored.items()), *((f"{k} now", v) for k, v in sorted(current.items())))


def _original_is_there(state: State) -> bool:
    saved = state.saved
    if not saved.is_file():
        return False
    hashed = saved.with_name(f"{saved.name}.sha256").read_text().split()[0]
    data = saved.read_bytes()
    return data == state.original and hashed == hashlib.sha256(data).hexdigest()


def _names(error: FlashbenchError, damage: Damage) -> bool:
    """The file, or what its bytes stand for: a line of the journal, the image of that number."""
    name = Path(damage.path).name
    others = {"journal.jsonl": "journal", "journal.head": "journal"}
    return name in str(error) or others.get(name, name) in str(error)


def _says_unchanged(error: FlashbenchError) -> bool:
    return any(words in error.state for words in ("untouched", "othing was changed", "not touch"))


def _is_another_dump(state: State, point: Point, ending: Ending) -> bool:
    """A dump of what was in the socket before its ID was read; or of cells that have no value."""
    if not ending.is_done:
        return False
    data = state.saved.read_bytes()
    if ending.stranger is not None and ending.stranger.was_in:
        return data == ending.stranger.contents
    for fault in point.wrong.chip:
        if isinstance(fault, UnstableCells):
            a, b = fault.start, fault.start + fault.length
            right = state.original
            return data != right and data[:a] + data[b:] == right[:a] + right[b:]
    return False


def _holds_the_best_reading(state: State, ending: Ending) -> bool:
    """Refused, for a chip with the best reading on it may be the one it was read from."""
    return (
        isinstance(ending.error, OtherChip)
        and "only a best reading" in ending.error.seen
        and _original_is_there(state)
        and state.board.contents == state.original
    )


def _another_one_was_taken(state: State, point: Point, ending: Ending) -> bool:
    """A new chip is any that is put in before its ID is read; what that one held is kept, too."""
    other = ending.stranger
    if other is None or not other.was_touched:
        return False
    demand(other.contents in _kept(state), "what the new chip held is not kept", point)
    demand(_original_is_there(state), "the original is gone", point)
    right = wanted(point.step, state.original)
    demand(not ending.is_done or other.chip.contents == right, "called done, and is not", point)
    return True


def _kept(state: State) -> list[bytes]:
    return [path.read_bytes() for path in sorted(state.folder.glob("round-1/kept-*.bin"))]


def _way_on(point: Point, state: State, way: int) -> str:
    """What brings on a chip of which a write was begun."""
    if point.step in DUMPS:
        return point.step
    journal = _journal(state)
    is_unfinished = journal.rfind(ANNOUNCED) > journal.rfind(b'"write-finished"')
    return ("finish", "restore")[way % 2] if is_unfinished else "restore"


def _writes_announced(state: State) -> int:
    return _journal(state).count(ANNOUNCED)


def _journal(state: State) -> bytes:
    path = state.folder / "round-1" / "journal.jsonl"
    return path.read_bytes() if path.exists() else b""


ANNOUNCED = b'"write-announced"'


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
