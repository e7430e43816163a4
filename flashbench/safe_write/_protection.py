"""Write protection opened for the units of one plan, and put back whatever happens."""

from typing import Final

from flashbench.chip import protection
from flashbench.chip._read_frames import Register
from flashbench.chip.protection import StatusCommand, Unprotection
from flashbench.errors import ChipHalfWritten
from flashbench.job.events import RegistersChanged, RegistersRestored
from flashbench.safe_write._block_locks import locks_of
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import Plan
from flashbench.wording import command_line

_VOLATILE_ENABLE: Final = 0x50


class Protection:
    """The protection of the chip of one running Plan."""

    def __init__(self, plan: Plan, sender: Sender) -> None:
        """Decide how the protection is lifted, if something of the plan lies under it.

        Raises:
            ChipUntouched: it cannot be lifted. Nothing was sent.
        """
        self._plan = plan
        self._chip = plan.chip
        self._sender = sender
        self._how: Unprotection | None = None
        self._opened: Unprotection | None = None
        self._locks = locks_of(plan, sender)
        if self._covers_what_changes(self._chip.registers):
            self._how = protection.unprotection(self._chip.registers, self._chip.profile)

    def open(self) -> None:
        """Lift the protection; journalled before.

        Raises:
            ChipHalfWritten: the registers still protect afterwards.
        """
        how = self._how
        if how is None:
            return
        locked = self._locks.journalled() if self._locks is not None else {}
        self._plan.job.record(
            RegistersChanged(
                before={r.name: value for r, value in self._plan.registers.items()} | locked,
                after={r.name: value for r, value in how.target.items()},
            )
        )
        self._opened = how
        if self._locks is not None:
            self._locks.open()
            return
        for command in how.commands:
            self._send(command)
        if self._covers_what_changes(self._chip.read_registers()):
            raise ChipHalfWritten(
                "The write protection could not be lifted: its bits read as before.",
                state="No cell was changed.",
                next_step="Hold the WP# pin high. If it stays, the chip is locked for good: put"
                " another one in and run:"
                f" {command_line('write', self._plan.job.folder, '--to-new-chip')}",
            )

    def put_back(self) -> None:
        """Give every register and lock what the plan wants at the end, and read it back.

        Raises:
            ChipHalfWritten: a register or a lock does not take it.
            AdapterError: the bus failed.
        """
        if self._opened is None and not self._plan.registers_differ:
            return
        self._sender.settle()
        wanted = self._plan.registers
        commands = protection.commands_to_reach(
            self._chip.read_registers(), wanted, self._chip.profile
        )
        for command in commands:
            self._send(command)
        locked = self._locks.put_back() if self._locks is not None else {}
        found = self._chip.read_registers()
        for register, value in wanted.items():
            if found[register] != value:
                raise ChipHalfWritten(
                    f"The {register.value[0]} reads {found[register]:02X}h and should be"
                    f" {value:02X}h again: the protection is not put back.",
                    next_step="Hold the WP# pin high, then run finish or restore.",
                )
        self._plan.job.record_or_remember(
            RegistersRestored(values={r.name: value for r, value in found.items()} | locked)
        )

    def _covers_what_changes(self, registers: dict[Register, int]) -> bool:
        ranges = protection.protected_ranges(registers, self._chip.profile)
        if self._plan.cells.chip_erase:
            return bool(ranges)  # a chip erase is ignored if any block is protected
        return any(
            stretch.start < unit.start + unit.size and unit.start < stretch.stop
            for stretch in ranges
            for unit in self._plan.cells.units
        )

    def _send(self, command: StatusCommand) -> None:
        frames = self._sender.frames
        volatile = command.enable_opcode == _VOLATILE_ENABLE
        enable = frames.volatile_write_enable() if volatile else frames.write_enable()
        self._sender.run([enable, frames.write_register(command.opcode, command.data)])
        if not volatile:
            self._sender.wait_idle(
                expected_ms=0.0, limit_ms=command.ms_max, doing="a status register write"
            )
