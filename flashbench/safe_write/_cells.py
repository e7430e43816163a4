"""Units finished one by one: picture checked, erased, found blank, programmed, read back."""

from collections import defaultdict, deque
from collections.abc import Callable
from typing import Final, NoReturn

import numpy as np
import numpy.typing as npt

from flashbench.adapter._frame import Frame
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.profile import Address, ChipEraseTime, EraseKind
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.errors import ChipHalfWritten, ChipUntouched
from flashbench.job.events import OpcodeRefuted, UnitFailed, UnitProven
from flashbench.job.folder import Job
from flashbench.job.unfinished import without
from flashbench.progress import Progress
from flashbench.safe_write._pages import Page, PageProgrammer
from flashbench.safe_write._sender import SAMPLES, Sender
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.plan_units import UnitPlan
from flashbench.wording import command_line

ATTEMPTS_PER_UNIT: Final = 3
WRITES_TILL_WORN: Final = 2
"""A unit that fails in so many writes, each with its attempts, is worn: common practice."""

ERASES_REMEMBERED: Final = 8
FIRST_LOOK_UNLEARNT: Final = 1 / 4
FIRST_LOOK_LEARNT: Final = 7 / 8

NEIGHBOURHOOD_BYTES: Final = 256 * 1024
_BLANK: Final = b"\xff"


class CellWriter:
    """Carries out the cell part of one running Plan.

    `now` is what the chip is believed to hold, kept up to date unit by unit; in `unknown` nothing
    is believed.
    """

    def __init__(self, plan: Plan, sender: Sender, progress: Progress) -> None:
        self._plan = plan
        self._job: Job = plan.job
        self._sender = sender
        self._progress = progress
        self._now = bytearray(plan.current)
        self._unknown = list(plan.suspect)
        self._programmer = PageProgrammer(sender, plan.chip.profile)
        self._opcodes_seen: set[int] = set()
        self._erase_times: defaultdict[int, EraseTime] = defaultdict(EraseTime)  # by opcode
        self._first_picture_seen = False
        self._total = sum(unit.size for unit in plan.cells.units)
        self._done = 0
        self._seconds_per_byte = plan.cells.seconds / max(1, self._total)

    def demand_first_picture(self) -> None:
        """What is changed first must hold what the plan was made from. Nothing is sent for it.

        Raises:
            ChipUntouched: it does not.
        """
        self._tell()
        with reading.address_mode(self._plan.chip):
            if self._plan.cells.chip_erase:
                self._demand_picture(range(len(self._now)))
            elif self._plan.cells.units:
                self._demand_picture(_stretch(self._plan.cells.units[0]))
        self._first_picture_seen = True

    def finish_all(self) -> None:
        """Every unit of the plan, in order; each proven one is journalled."""
        self._tell()
        if self._plan.cells.chip_erase:
            self._erase_chip()
        for unit in self._plan.cells.units:
            self._finish(unit)
            self._job.record_or_remember(UnitProven(start=unit.start, size=unit.size))
            self._done += unit.size
            self._tell()

    def _tell(self) -> None:
        left_s = (self._total - self._done) * self._seconds_per_byte
        self._progress("writing", self._done, self._total, left_s)

    def _read(self, start: int, size: int, *, kind: ReadKind = ReadKind.FAST) -> bytes:
        return reading.read_bytes(self._plan.chip, Address(start), size, kind=kind)

    def _read_hoping_for(self, start: int, wanted: bytes) -> bytes:
        """Read once, and if that is not `wanted` once more by the other read instruction."""
        found = self._read(start, len(wanted))
        return found if found == wanted else self._read(start, len(wanted), kind=ReadKind.PLAIN)

    def _finish(self, unit: UnitPlan) -> None:
        start, end = unit.start, unit.start + unit.size
        wanted = self._plan.target[start:end]
        if self._plan.cells.chip_erase:
            self._demand_blank_after_chip_erase(unit)
        elif self._first_picture_seen:
            self._first_picture_seen = False
        else:
            self._demand_picture(_stretch(unit))
        if without([_stretch(unit)], self._unknown) != [_stretch(unit)]:
            self._demand_own_chip(unit)
        attempts = 0
        while attempts < ATTEMPTS_PER_UNIT:
            attempts += 1
            if unit.erase is not None:
                self._erase(unit, unit.erase)
            self._program(unit)
            found = self._read_hoping_for(start, wanted)
            self._now[start:end] = found
            if found == wanted:
                self._unknown = without(self._unknown, [_stretch(unit)])
                return
            if unit.erase is None and not self._may_be_programmed_again(found, wanted):
                break
        raise self._failed(
            unit,
            attempts,
            f"The unit at {start:#08x} ({unit.size} bytes) does not hold what was written after"
            f" {attempts} attempt{'s' if attempts > 1 else ''}: {_difference(found, wanted)}.",
        )

    def _demand_own_chip(self, unit: UnitPlan) -> None:
        """The picture of `unit` tells nothing, for nothing is believed there: ask elsewhere.

        Raises:
            ChipUntouched, ChipHalfWritten: its ID, its unique ID, or the nearest known bytes are
                not this chip's.
        """
        self._plan.chip.demand_same_chip()
        for away in range(unit.size, len(self._now), unit.size):
            for start in (unit.start - away, unit.start + away):
                known = range(start, start + unit.size)
                inside = known.start >= 0 and known.stop <= len(self._now)
                if not inside or _is_blank(self._now[known.start : known.stop]):
                    continue
                if without([known], self._unknown) == [known]:
                    self._demand_picture(known)
                    return

    def _may_be_programmed_again(self, found: bytes, wanted: bytes) -> bool:
        return self._plan.chip.profile.ecc_free and _only_bits_fall(found, wanted)

    def _demand_picture(self, stretch: range) -> None:
        """Right before cells are touched, they must hold what the plan was made from.

        Bytes that an accident left half-done may drift: they are not compared.
        """
        found = self._read_hoping_for(stretch.start, bytes(self._now[stretch.start : stretch.stop]))
        expected = self._expected(stretch, found)
        if found == expected:
            return
        error = ChipHalfWritten if self._sender.has_sent else ChipUntouched
        raise error(
            f"The unit at {stretch.start:#08x} no longer reads as it did when the plan was made:"
            f" {_difference(found, expected)}.",
            next_step="Check the contact; do not touch the socket while writing. Then start over.",
        )

    def _expected(self, stretch: range, found: bytes) -> bytes:
        """What the chip is believed to hold there, with what is unknown taken from `found`."""
        expected = self._now[stretch.start : stretch.stop]
        for unknown in self._unknown:
            first, last = max(stretch.start, unknown.start), min(stretch.stop, unknown.stop)
            if first < last:
                a, b = first - stretch.start, last - stretch.start
                expected[a:b] = found[a:b]
        return bytes(expected)

    def _erase(self, unit: UnitPlan, kind: EraseKind) -> None:
        start, end = unit.start, unit.start + unit.size
        blank = _BLANK * unit.size
        for _ in range(ATTEMPTS_PER_UNIT):
            before = bytes(self._now[start:end])
            told = before != blank and self._tells_of_larger_units(unit)
            frame = self._sender.frames.erase(kind, unit.start)
            self._send_erase(
                frame,
                kind,
                f"the erase at {start:#08x}",
                meanwhile=lambda: self._programmer.prepare(self._pages_of(unit)),
            )
            if kind.opcode not in self._opcodes_seen:
                self._demand_nothing_beside(unit, kind, was_blank=before == blank)
            found = self._read_hoping_for(start, blank)
            self._now[start:end] = found
            if found == blank:
                self._opcodes_seen.update([kind.opcode] if told else [])
                return
            if _erased_in_part(before, found):
                self._refute(unit, kind)
        left = sum(1 for byte in found if byte != 0xFF)
        raise self._failed(
            unit,
            ATTEMPTS_PER_UNIT,
            f"The unit at {start:#08x} is not blank after {ATTEMPTS_PER_UNIT} erases"
            f" ({kind.opcode:02X}h): {left} of {unit.size} bytes are not FFh.",
        )

    def _failed(self, unit: UnitPlan, attempts: int, seen: str) -> ChipHalfWritten:
        """Journal that a unit failed; worn if it did so in an earlier write too."""
        self._job.record_or_remember(
            UnitFailed(start=unit.start, size=unit.size, attempts=attempts)
        )
        folder = self._job.folder
        back = self._job.is_going_back
        replacement = command_line("restore" if back else "write", folder, "--to-new-chip")
        again = command_line("restore" if back else "finish", folder)
        writes = self._job.failed_units_on(self._plan.kept_number)[_stretch(unit)]
        if writes < WRITES_TILL_WORN:
            return ChipHalfWritten(
                seen,
                next_step=f"Check contact and supply, then run: {again}"
                f"  (if the same unit fails again, it is protected or worn: {replacement})",
            )
        return ChipHalfWritten(
            f"{seen} It failed in {writes} writes: this chip is worn there, or protected for good.",
            next_step=f"Put another chip of the same part in and run: {replacement}",
        )

    def _send_erase(
        self,
        frame: Frame,
        erase: EraseKind | ChipEraseTime,
        where: str,
        *,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> None:
        """Send one erase behind its write enable, and wait until the chip is idle.

        The host has nothing else to do then, so `meanwhile` is called.
        """
        frames, time = self._sender.frames, self._plan.chip.adapter.time
        look = frames.status(SAMPLES)
        reply = self._sender.run([frames.write_enable(), look, frame, look])
        begun_s = time.now_s()
        before, after = reply[:SAMPLES], reply[SAMPLES:]
        if not any(status != 0xFF and status & WRITE_ENABLED for status in before):
            raise ChipHalfWritten(
                f"Write enable (06h) had no effect: status {before[0]:02X}h before {where}.",
                next_step="Check contact, supply and the WP# pin, then run finish or restore.",
            )
        if not any(status & BUSY for status in after):
            return
        meanwhile()
        learnt = self._erase_times[erase.opcode]
        took_ms = self._sender.wait_idle(
            expected_ms=learnt.first_look_ms(erase.ms_typ),
            limit_ms=erase.ms_max,
            doing="the chip erase" if isinstance(erase, ChipEraseTime) else "an erase",
            since_s=begun_s,
        )
        learnt.take(took_ms)

    def _tells_of_larger_units(self, unit: UnitPlan) -> bool:
        """Whether an erase of twice the size or more would show beside this unit.

        Every larger unit contains the unit's twin: there something known must be written.
        """
        twin = unit.start ^ unit.size
        if twin + unit.size > len(self._now):
            return True
        known = without([range(twin, twin + unit.size)], self._unknown)
        return any(not _is_blank(self._now[part.start : part.stop]) for part in known)

    def _demand_nothing_beside(self, unit: UnitPlan, kind: EraseKind, *, was_blank: bool) -> None:
        """An erase must have cleared nothing beside its unit.

        That of a blank unit proves no erase, so all that is looked at is whether it did harm.
        """
        for stretch in self._telling_page(unit) if was_blank else self._neighbourhood(unit):
            strange = self._strange_bytes(stretch, ReadKind.FAST)
            if strange.any() and (strange & self._strange_bytes(stretch, ReadKind.PLAIN)).any():
                self._refute(unit, kind)

    def _neighbourhood(self, unit: UnitPlan) -> list[range]:
        end = unit.start + unit.size
        low = range(max(0, unit.start - NEIGHBOURHOOD_BYTES), int(unit.start))
        high = range(end, min(len(self._now), end + NEIGHBOURHOOD_BYTES))
        return [part for part in (low, high) if part]

    def _telling_page(self, unit: UnitPlan) -> list[range]:
        """A written page of the unit's twin: every larger unit would clear it. None if blank."""
        page, twin = self._plan.chip.profile.page_size, unit.start ^ unit.size
        if twin + unit.size > len(self._now):
            return []
        for part in without([range(twin, twin + unit.size)], self._unknown):
            held = np.frombuffer(self._now[part.start : part.stop], np.uint8)
            written = np.flatnonzero(held != 0xFF)
            if len(written):
                start = (part.start + int(written[0])) // page * page
                return [range(start, start + page)]
        return []

    def _strange_bytes(self, stretch: range, kind: ReadKind) -> npt.NDArray[np.bool_]:
        """Which bytes do not read as believed; one misread must not refute an instruction."""
        found = self._read(stretch.start, len(stretch), kind=kind)
        strange: npt.NDArray[np.bool_] = np.frombuffer(found, np.uint8) != np.frombuffer(
            self._expected(stretch, found), np.uint8
        )
        return strange

    def _refute(self, unit: UnitPlan, kind: EraseKind) -> NoReturn:
        """Stop, and leave to recovery which opcode is wrong and how far it may have reached."""
        reached = self._changed_beside(unit)
        self._job.record_or_remember(
            OpcodeRefuted(opcode=kind.opcode, start=reached.start, size=len(reached))
        )
        raise ChipHalfWritten(
            f"The erase {kind.opcode:02X}h at {unit.start:#08x} did not clear exactly its"
            f" {kind.size} bytes: this chip does not erase in the units its data say.",
            next_step="Run finish or restore: they plan without this erase instruction.",
        )

    def _changed_beside(self, unit: UnitPlan) -> range:
        """From the first page to the last that is not as believed, the unit itself included."""
        page = self._plan.chip.profile.page_size
        where = np.flatnonzero(self._strange_bytes(range(len(self._now)), ReadKind.FAST))
        first, last = int(unit.start), unit.start + unit.size
        if len(where):
            first = min(first, int(where[0]) // page * page)
            last = max(last, (int(where[-1]) // page + 1) * page)
        return range(first, last)

    def _erase_chip(self) -> None:
        erase = self._plan.chip.profile.chip_erase
        if erase is None:
            raise ChipUntouched("This chip is never erased as a whole.", next_step="Plan again.")
        if not self._first_picture_seen:
            self._demand_picture(range(len(self._now)))
        self._send_erase(self._sender.frames.chip_erase(), erase, "the chip erase")
        self._now[:] = _BLANK * len(self._now)

    def _demand_blank_after_chip_erase(self, unit: UnitPlan) -> None:
        blank = _BLANK * unit.size
        found = self._read_hoping_for(unit.start, blank)
        if found != blank:
            raise self._failed(
                unit,
                1,
                f"The unit at {unit.start:#08x} is not blank after the chip erase:"
                f" {_difference(found, blank)}.",
            )

    def _program(self, unit: UnitPlan) -> None:
        self._programmer.program(self._pages_of(unit), idle=self._tell)

    def _pages_of(self, unit: UnitPlan) -> list[Page]:
        """The pages to program, where nothing is erased without those that are as they shall be."""
        size, target = self._plan.chip.profile.page_size, self._plan.target
        pages = []
        for start in unit.pages:
            erased = unit.erase is not None
            over = _BLANK * size if erased else bytes(self._now[start : start + size])
            if erased or over != target[start : start + size]:
                pages.append(Page(start, target[start : start + size], over))
        return pages


class EraseTime:
    """How long this chip's erases with one opcode take, and so when to look first.

    It varies with the unit and its wear, so a lower quartile of the last ones is kept to: one
    that was uncommonly quick or slow moves nothing.
    """

    def __init__(self) -> None:
        self._recent_ms: deque[float] = deque(maxlen=ERASES_REMEMBERED)

    def take(self, ms: float) -> None:
        """An erase was over by then."""
        self._recent_ms.append(ms)

    def first_look_ms(self, ms_typ: float) -> float:
        """When to look first; `ms_typ` is what the table or the chip says."""
        if not self._recent_ms:
            return ms_typ * FIRST_LOOK_UNLEARNT
        ascending = sorted(self._recent_ms)
        return ascending[len(ascending) // 4] * FIRST_LOOK_LEARNT


def _stretch(unit: UnitPlan) -> range:
    return range(unit.start, unit.start + unit.size)


def _is_blank(data: bytes | bytearray) -> bool:
    return data.count(_BLANK) == len(data)


def _erased_in_part(before: bytes, after: bytes) -> bool:
    """One end of the unit was cleared and the other kept its bytes: a smaller erase unit.

    A worn cell that stays programmed looks different: cleared bytes lie on both sides of it.
    """
    old, new = np.frombuffer(before, np.uint8), np.frombuffer(after, np.uint8)
    told = old != 0xFF
    kept = np.flatnonzero(told & (new == old))
    cleared = np.flatnonzero(told & (new == 0xFF))
    if not len(kept) or not len(cleared):
        return False
    return bool(kept[0] > cleared[-1] or kept[-1] < cleared[0])


def _only_bits_fall(found: bytes, wanted: bytes) -> bool:
    one, two = np.frombuffer(found, np.uint8), np.frombuffer(wanted, np.uint8)
    return bool(((one & two) == two).all())


def _difference(found: bytes, wanted: bytes) -> str:
    one, two = np.frombuffer(found, np.uint8), np.frombuffer(wanted, np.uint8)
    where = np.flatnonzero(one != two)
    at = int(where[0])
    return (
        f"{len(where)} bytes differ, first at +{at:#x} ({found[at]:02X}h instead of"
        f" {wanted[at]:02X}h)"
    )
