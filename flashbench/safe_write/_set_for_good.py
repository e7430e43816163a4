"""A replacement chip's registers set as on the original, non-volatile, and read back."""

from flashbench.chip.protection import StatusCommand
from flashbench.chip.status import WRITE_ENABLED
from flashbench.errors import ChipHalfWritten
from flashbench.job.events import RegistersChanged, RegistersRestored
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import Plan


def set_for_good(plan: Plan, sender: Sender) -> None:
    """Send what the plan carries over; journalled before, read back afterwards.

    Raises:
        ChipHalfWritten: a write enable had no effect, or a register does not take its value.
        AdapterError: the bus failed.
    """
    carried = plan.carry_over
    if carried is None or not carried.commands:
        return
    change = RegistersChanged(
        before={r.name: value for r, value in plan.chip.read_registers().items()},
        after={r.name: value for r, value in carried.registers.items()},
    )
    if sender.has_sent:  # a chip whose cells are on the way is finished, whatever the disk says
        plan.job.record_or_remember(change)
    else:
        plan.job.record(change)
    for command in carried.commands:
        _send(sender, command)
    sender.disarm()
    found = plan.chip.read_registers()
    for register, value in carried.registers.items():
        if found[register] != value:
            raise ChipHalfWritten(
                f"The {register.value[0]} of the new chip reads {found[register]:02X}h and shall"
                f" be {value:02X}h, as on the original.",
                next_step="Hold the WP# pin high, then run finish.",
            )
    plan.job.record_or_remember(
        RegistersRestored(values={r.name: value for r, value in found.items()})
    )


def _send(sender: Sender, command: StatusCommand) -> None:
    frames = sender.frames
    sender.settle()
    before = sender.run([frames.write_enable(), frames.status()])[-1]
    if before == 0xFF or not before & WRITE_ENABLED:
        raise ChipHalfWritten(
            f"Write enable (06h) had no effect: status {before:02X}h before a register write.",
            next_step="Check contact, supply and the WP# pin, then run finish.",
        )
    sender.run([frames.write_register(command.opcode, command.data)])
    sender.wait_idle(
        expected_ms=0.0, limit_ms=command.ms_max, doing="a non-volatile register write"
    )
