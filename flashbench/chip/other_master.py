"""Is somebody else on the bus? Judged before any SPI line is driven.

On a board the flash chip's own controller may be awake, on the board's supply or on what a clip
feeds into it. Two outputs that fight can harm both, and a command of ours that it garbles is
another command. So the lines are listened to first: what moves there, nobody here has moved.

It is no proof that nobody is there: one that sleeps is not heard, nor one that wakes up later, nor
any behind a level shifter of fixed direction. Its frames then make reads differ, which is refused
too.
"""

from collections.abc import Collection
from typing import Final

from flashbench.adapter._wire import Wire
from flashbench.adapter.listening import Heard
from flashbench.errors import ChipUntouched

_MASTERS_LINES: Final = ("SCK", "CS#", "MOSI")
_SURELY_A_CLOCK: Final = 8  # changes of one line in some 30 ms; mains hum makes four at most

NEXT_STEP: Final = (
    "Take the board's own supply off, hold its controller in reset as its service manual says, or"
    " lift the chip."
)


class BusInUse(ChipUntouched):
    """Something else moves the lines of the bus: nothing was driven against it."""


def listen_before_driving(wire: Wire) -> Heard | None:
    """What the lines do by themselves; None if the adapter drives them already.

    A supply that the adapter switches is off for the first look, and on for the last: what wakes
    up on it is heard then. A line that changes once has come to rest, at the level that a pull-up
    or a supply gives it, and is looked at again.

    Raises:
        AdapterError: the bus failed.
    """
    heard = None
    for supply_on in (False, True) if wire.switches_supply else (False,):
        heard = wire.listen(supply_on=supply_on)
        if heard is not None and max(_changes(heard).values(), default=0) == 1:
            heard = wire.listen(supply_on=supply_on)
        if heard is None or _changes(heard):
            break
    return heard


def refuse_other_master(heard: Heard | None) -> None:
    """Raise BusInUse if SCK, CS# or MOSI moved while nothing here drove them."""
    sentence = other_master_sentence(heard)
    if sentence is not None:
        raise BusInUse(sentence, next_step=next_step(heard))


def other_master_sentence(heard: Heard | None) -> str | None:
    """What moved, and who is likely to have moved it; None if nothing did."""
    changes = _changes(heard) if heard is not None else {}
    if not changes:
        return None
    count = sum(changes.values())
    times = "time" if count == 1 else "times"
    who = "another chip is using this bus"
    if not _is_a_clock(changes):
        who += ", or leads without pull-ups pick something up"
    return f"{_listed(changes)} changed {count} {times} while flashbench drove nothing: {who}."


def next_step(heard: Heard | None) -> str:
    """What to do about it."""
    if heard is None or _is_a_clock(_changes(heard)):
        return NEXT_STEP
    return NEXT_STEP + " If nothing else is wired there: shorter leads, 10 kOhm from CS# to VCC."


def held_low_sentence(heard: Heard | None) -> str | None:
    """A doubt: a line that its weak pull-up does not lift stands low by somebody's doing."""
    low = [line for line in _MASTERS_LINES if heard is not None and line in heard.held_low]
    if not low:
        return None
    stands = "stands" if len(low) == 1 else "stand"
    return (
        f"{_listed(low)} {stands} low while nothing here drives it: a pull-down, a board"
        " without supply, or another chip that may wake up. If reads differ, look there first."
    )


def _changes(heard: Heard) -> dict[str, int]:
    """Those of the lines that a master drives; MISO moves with any noise while it floats."""
    return {line: heard.changes[line] for line in _MASTERS_LINES if line in heard.changes}


def _is_a_clock(changes: dict[str, int]) -> bool:
    return max(changes.values(), default=0) >= _SURELY_A_CLOCK


def _listed(lines: Collection[str]) -> str:
    *first, last = lines
    return f"{', '.join(first)} and {last}" if first else last
