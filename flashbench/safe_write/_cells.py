"""Units finished one by one: picture checked, erased, found blank, programmed, read back."""

from typing import Final

import numpy as np

from flashbench.chip import reading
from flashbench.chip.profile import Address, EraseKind
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.errors import ChipHalfWritten, ChipUntouched
from flashbench.job.events import OpcodeRefuted, UnitProven
from flashbench.job.folder import Job
from flashbench.progress import Progress
from flashbench.safe_write._pages import PageProgrammer
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.plan_units import UnitPlan

ATTEMPTS_PER_UNIT: Final = 3
NEIGHBOURHOOD_BYTES: Final = 256 * 1024
_BLANK: Final = b"\xff"


class CellWriter:
    """Carries out the cell part of one running Plan.

    `now` is what the chip is believed to hold, kept up to date unit by unit.
    """

    def __init__(self, plan: Plan, sender: Sender, progress: Progress) -> None:
        self._plan = plan
        self._job: Job = plan.job
        self._sender = sender
        self._progress = progress
        self._now = bytearray(plan.current)
        self._programmer = PageProgrammer(sender, plan.chip.profile)
        self._opcodes_seen: set[int] = set()
        self._total = sum(unit.size for unit in plan.cells.units)
        self._done = 0
        self._seconds_per_byte = plan.cells.seconds / max(1, self._total)

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

    def _read(self, start: int, size: int) -> bytes:
        return reading.read_bytes(self._plan.chip, Address(start), size)

    def _finish(self, unit: UnitPlan) -> None:
        start, end = unit.start, unit.start + unit.size
        wanted = self._plan.target[start:end]
        if not self._plan.cells.chip_erase:
            self._demand_picture(unit)
        for _ in range(ATTEMPTS_PER_UNIT):
            if unit.erase is not None:
                self._erase(unit, unit.erase)
            self._program(unit)
            found = self._read(start, unit.size)
            self._now[start:end] = found
            if found == wanted:
                return
            if unit.erase is None and not _only_bits_fall(found, wanted):
                break
        raise ChipHalfWritten(
            f"The unit at {start:#08x} ({unit.size} bytes) does not hold what was written after"
            f" {ATTEMPTS_PER_UNIT} attempts: {_difference(found, wanted)}.",
            next_step=(
                "Check contact and supply and run finish. If the same unit fails again, the chip"
                " is worn: write the job to a replacement chip."
            ),
        )

    def _demand_picture(self, unit: UnitPlan) -> None:
        """Right before a unit is touched, it must hold what the plan was made from."""
        start, end = unit.start, unit.start + unit.size
        if any(stretch.start < end and start < stretch.stop for stretch in self._plan.suspect):
            return
        found = self._read(start, unit.size)
        if found == self._now[start:end]:
            return
        error = ChipHalfWritten if self._sender.has_sent else ChipUntouched
        raise error(
            f"The unit at {start:#08x} no longer reads as it did when the plan was made:"
            f" {_difference(found, bytes(self._now[start:end]))}.",
            next_step="Check the contact; do not touch the socket while writing. Then start over.",
        )

    def _erase(self, unit: UnitPlan, kind: EraseKind) -> None:
        start, end = unit.start, unit.start + unit.size
        for _ in range(ATTEMPTS_PER_UNIT):
            self._send_erase(kind, unit.start)
            telling = not _is_blank(self._now[start:end])
            if telling and kind.opcode not in self._opcodes_seen:
                self._demand_exact_unit(unit, kind)
            found = self._read(start, unit.size)
            self._now[start:end] = found
            if _is_blank(found):
                self._opcodes_seen.update([kind.opcode] if telling else [])
                return
        left = sum(1 for byte in found if byte != 0xFF)
        raise ChipHalfWritten(
            f"The unit at {start:#08x} is not blank after {ATTEMPTS_PER_UNIT} erases"
            f" ({kind.opcode:02X}h): {left} of {unit.size} bytes are not FFh.",
            next_step=(
                "Run finish to try again. If it stays, the sector is protected or worn: write the"
                " job to a replacement chip."
            ),
        )

    def _send_erase(self, kind: EraseKind, start: Address) -> None:
        frames = self._sender.frames
        reply = self._sender.run(
            [frames.write_enable(), frames.status(), frames.erase(kind, start), frames.status()]
        )
        if reply[0] == 0xFF or not reply[0] & WRITE_ENABLED:
            raise ChipHalfWritten(
                f"Write enable (06h) had no effect: status {reply[0]:02X}h before the erase at"
                f" {start:#08x}.",
                next_step="Check contact, supply and the WP# pin, then run finish or restore.",
            )
        if reply[1] & BUSY:
            self._sender.wait_idle(expected_ms=kind.ms_typ, limit_ms=kind.ms_max, doing="an erase")

    def _demand_exact_unit(self, unit: UnitPlan, kind: EraseKind) -> None:
        """The first erase with an opcode must have cleared its unit and nothing beside it."""
        start, end = unit.start, unit.start + unit.size
        low = max(0, start - NEIGHBOURHOOD_BYTES)
        high = min(len(self._now), end + NEIGHBOURHOOD_BYTES)
        found = self._read(low, high - low)
        expected = self._now[low:high]
        inside = found[start - low : end - low]
        for stretch in (range(start, end), *self._plan.suspect):
            a, b = max(low, stretch.start) - low, min(high, stretch.stop) - low
            if a < b:
                expected[a:b] = found[a:b]
        if found == bytes(expected) and not _erased_in_part(bytes(self._now[start:end]), inside):
            return
        self._job.record_or_remember(OpcodeRefuted(opcode=kind.opcode, start=low, size=high - low))
        raise ChipHalfWritten(
            f"The erase {kind.opcode:02X}h at {start:#08x} did not clear exactly its"
            f" {kind.size} bytes: this chip does not erase in the units its data say.",
            next_step="Run finish or restore: they plan without this erase instruction.",
        )

    def _erase_chip(self) -> None:
        erase = self._plan.chip.profile.chip_erase
        if erase is None:
            raise ChipUntouched("This chip is never erased as a whole.", next_step="Plan again.")
        frames = self._sender.frames
        reply = self._sender.run(
            [frames.write_enable(), frames.status(), frames.chip_erase(), frames.status()]
        )
        if not reply[0] & WRITE_ENABLED:
            raise ChipHalfWritten(
                f"Write enable (06h) had no effect: status {reply[0]:02X}h.",
                next_step="Check contact, supply and the WP# pin, then run finish or restore.",
            )
        if reply[1] & BUSY:
            self._sender.wait_idle(
                expected_ms=erase.ms_typ, limit_ms=erase.ms_max, doing="the chip erase"
            )
        self._now[:] = self._read_all()
        if not _is_blank(self._now):
            raise ChipHalfWritten(
                "The chip is not blank after the chip erase.",
                next_step="Run finish: it erases what is left unit by unit.",
            )

    def _read_all(self) -> bytes:
        return self._read(0, len(self._now))

    def _program(self, unit: UnitPlan) -> None:
        page = self._plan.chip.profile.page_size
        pages = [
            (start, self._plan.target[start : start + page])
            for start in unit.pages
            if unit.erase is not None
            or self._now[start : start + page] != self._plan.target[start : start + page]
        ]
        self._programmer.program(pages, idle=self._tell)


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
