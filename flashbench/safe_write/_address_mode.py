"""The address mode for a whole write: entered before the first change, left as found."""

from collections.abc import Iterator
from contextlib import contextmanager

from flashbench.chip import reading
from flashbench.chip.profile import AddressMode
from flashbench.safe_write._sender import Sender
from flashbench.safe_write.plan import Plan


@contextmanager
def writing_address_mode(plan: Plan, sender: Sender) -> Iterator[None]:
    """As `reading.address_mode`; parts that want write enable before B7h and E9h get it."""
    chip = plan.chip
    if chip.profile.address_mode is not AddressMode.ENTER_4BYTE_WITH_WEL:
        with reading.address_mode(chip):
            yield
        return
    if chip.found_in_4byte_mode:
        yield
        return
    frames = sender.frames
    sender.run([frames.write_enable(), *reading.entering_4byte_mode()])
    try:
        yield
    finally:
        sender.run([frames.write_enable(), *reading.leaving_4byte_mode()])
