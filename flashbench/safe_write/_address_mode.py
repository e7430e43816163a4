"""The address mode for a whole write: entered before the first change, put back after the last."""

from collections.abc import Iterator
from contextlib import contextmanager

from flashbench.chip import reading
from flashbench.chip.profile import AddressMode
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import Plan


@contextmanager
def writing_address_mode(plan: Plan, sender: Sender) -> Iterator[None]:
    """4-byte mode where the profile asks for it; afterwards the mode that the plan wants back.

    That is the mode the chip was in before this job's first change: what is found may be what a
    killed process left. Parts that want write enable before B7h and E9h get it.
    """
    chip, mode = plan.chip, plan.chip.profile.address_mode
    if mode not in (AddressMode.ENTER_4BYTE, AddressMode.ENTER_4BYTE_WITH_WEL):
        yield
        return
    enable = [sender.frames.write_enable()] if mode is AddressMode.ENTER_4BYTE_WITH_WEL else []
    if not chip.is_in_4byte_mode():
        sender.run([*enable, *reading.entering_4byte_mode()])
    try:
        yield
    finally:
        sender.settle()  # a busy chip ignores E9h
        if not chip.shows_4byte_mode(plan.registers):
            sender.run([*enable, *reading.leaving_4byte_mode()])
