"""The volatile locks of single blocks: opened for one Plan, and locked again as they were.

A lock that was open before stays open, and one that was set is set again. What was set is
journalled before it is opened, under names of this module, so that after a kill the locks are
put back that this job opened. Loss of power sets them all: that is the chip's own way back.
"""

from abc import ABC, abstractmethod
from typing import Final

from flashbench.chip import _read_frames as read_frames
from flashbench.chip import protection
from flashbench.chip.profile import Address
from flashbench.chip.protection import BlockLocks
from flashbench.errors import ChipHalfWritten, ChipUntouched, ReadsUnsteady
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import LOCK_PREFIX, Plan

_ALL: Final = f"{LOCK_PREFIX}LOCK_ALL"
_ONE: Final = f"{LOCK_PREFIX}LOCK_"
_UNLOCK_ALL: Final = 0x98
_LOCK_ALL: Final = 0x7E
_LOCK_MS_MAX: Final = 50.0


class Locks(ABC):
    """The locks of the chip of one running Plan. Made by `locks_of`."""

    def __init__(self, plan: Plan, sender: Sender) -> None:
        self._plan = plan
        self._chip = plan.chip
        self._sender = sender

    @abstractmethod
    def journalled(self) -> dict[str, int]:
        """What is about to be opened, for the journal."""

    @abstractmethod
    def open(self) -> None:
        """Open what lies in the way of the plan.

        Raises:
            ChipHalfWritten: a block still reads as locked.
        """

    @abstractmethod
    def put_back(self) -> dict[str, int]:
        """Lock again what was locked before this job first opened it; what is locked now.

        Raises:
            ChipHalfWritten: a lock does not read as set.
        """

    def _send(self, opcode: int, *, start: int | None = None) -> None:
        make = self._sender.frames
        frame = (
            make.write_register(opcode, b"")
            if start is None
            else make.block_lock(opcode, Address(start))
        )
        self._sender.run([make.write_enable(), frame])
        self._sender.wait_idle(expected_ms=0.0, limit_ms=_LOCK_MS_MAX, doing="a block lock")

    def _demand_open(self, units: tuple[range, ...]) -> None:
        locked = self._locked(units)
        if locked:
            raise ChipHalfWritten(
                f"The block at {locked[0].start:#08x} was unlocked and still reads as locked.",
                state="No cell was changed.",
                next_step="Hold the WP# pin high and run finish or restore. If it stays, write the"
                " job to another chip (write --to-new-chip).",
            )

    def _locked(self, units: tuple[range, ...]) -> list[range]:
        """Those of `units` that are locked now."""
        opcode = protection.lock_read_opcode(self._chip.profile)
        if opcode is None or not units:
            return []
        to_read = [
            read_frames.read_block_lock(Address(unit.start), opcode=opcode, address_bytes=3)
            for unit in units
        ]
        first, second = self._chip.run(to_read), self._chip.run(to_read)
        if first != second:
            raise _unsteady()
        return [unit for unit, value in zip(units, first, strict=True) if value & 1]


def locks_of(plan: Plan, sender: Sender) -> Locks | None:
    """The locks that protect the chip of this plan, or None where it has none in force."""
    kind = protection.block_locks(plan.chip.registers, plan.chip.profile)
    match kind:
        case None:
            return None
        case BlockLocks.EACH:
            return _EachBlock(plan, sender)
        case BlockLocks.ALL:
            return _AllBlocks(plan, sender)
        case BlockLocks.UNTIL_POWER_OFF:
            return _UntilPowerOff(plan, sender)


class _EachBlock(Locks):
    """36h and 39h, for the blocks that the plan changes and no others."""

    def __init__(self, plan: Plan, sender: Sender) -> None:
        super().__init__(plan, sender)
        units = protection.lock_units(plan.chip.profile)
        self._of_old = {
            unit.start: unit for unit in units if _name(unit.start) in plan.locks_before
        }
        self._in_the_way = {unit.start: unit for unit in self._locked(_changed(plan, units))}

    def journalled(self) -> dict[str, int]:
        return {_name(start): 1 for start in self._in_the_way}

    def open(self) -> None:
        for start in self._in_the_way:
            self._send(0x39, start=start)
        self._demand_open(tuple(self._in_the_way.values()))

    def put_back(self) -> dict[str, int]:
        wanted = {**self._of_old, **self._in_the_way}
        for start in wanted:
            self._send(0x36, start=start)
        taken = {unit.start for unit in self._locked(tuple(wanted.values()))}
        for start in wanted:
            if start not in taken:
                raise _not_taken(f"the block at {start:#08x}")
        return {_name(start): 1 for start in wanted}


class _AllBlocks(Locks):
    """98h and 7Eh, where the instructions for one block do not reach.

    The locks below 16 MiB can be read: all of them must be set, as they are after power-up.
    """

    def __init__(self, plan: Plan, sender: Sender) -> None:
        super().__init__(plan, sender)
        units = protection.lock_units(plan.chip.profile)
        reachable = tuple(unit for unit in units if unit.stop <= 1 << 24)
        readable = protection.lock_read_opcode(plan.chip.profile) == 0x3D
        self._reachable = reachable if readable else ()
        known = _ALL in plan.locks_before
        if not known and len(self._locked(self._reachable)) != len(self._reachable):
            raise ChipUntouched(
                "Some blocks of this chip are locked and others are not, and beyond 16 MiB it"
                " cannot be read which: they could not be put back.",
                next_step="Switch the supply off and on: all blocks come up locked, and can be"
                " put back.",
            )

    def journalled(self) -> dict[str, int]:
        return {_ALL: 1}

    def open(self) -> None:
        self._send(_UNLOCK_ALL)
        self._demand_open(self._reachable)

    def put_back(self) -> dict[str, int]:
        self._send(_LOCK_ALL)
        if len(self._locked(self._reachable)) != len(self._reachable):
            raise _not_taken("a block")
        return {_ALL: 1}


class _UntilPowerOff(Locks):
    """SST26: 98h opens every block until the supply goes off.

    What could lock them again before that is an instruction (42h) that burns one-time bits of
    other makers' parts, so it is not sent.
    """

    def journalled(self) -> dict[str, int]:
        return {}

    def open(self) -> None:
        self._send(_UNLOCK_ALL)

    def put_back(self) -> dict[str, int]:
        return {}


def _name(start: int) -> str:
    return f"{_ONE}{start:06X}"


def _changed(plan: Plan, units: tuple[range, ...]) -> tuple[range, ...]:
    if plan.cells.chip_erase:
        return units
    return tuple(
        unit
        for unit in units
        if any(
            unit.start < changed.start + changed.size and changed.start < unit.stop
            for changed in plan.cells.units
        )
    )


def _unsteady() -> ReadsUnsteady:
    return ReadsUnsteady(
        "Two reads of the block locks differ.",
        next_step="Press the chip into the socket again, shorten the leads, lower --clock.",
    )


def _not_taken(what: str) -> ChipHalfWritten:
    return ChipHalfWritten(
        f"The lock of {what} was set again and does not read so: the protection is not put back.",
        next_step="Run finish or restore; switching the supply off and on locks every block.",
    )
