"""Spare chips in a job's story: written like a replacement, and no board's. Pure."""

from collections.abc import Sequence

from flashbench.job import events
from flashbench.job.events import Event

_OF_A_WRITE = (
    events.WriteAnnounced,
    events.RegistersSaved,
    events.RegistersChanged,
    events.RegistersRestored,
    events.UnitProven,
    events.UnitFailed,
    events.OpcodeRefuted,
    events.CellsProven,
    events.WriteFinished,
)


def spare_numbers(story: Sequence[Event]) -> frozenset[int]:
    """The kept-N numbers of a round's spare chips."""
    return frozenset(event.kept_number for event in story if isinstance(event, events.SpareChosen))


def without_spares(story: Sequence[Event]) -> tuple[Event, ...]:
    """The events of a round without the writes to spare chips: what is left is the board's."""
    spares = spare_numbers(story)
    if not spares:
        return tuple(story)
    of_board = []
    to_spare = False
    for event in story:
        if isinstance(event, events.WriteAnnounced):
            to_spare = event.kept_number in spares
        if not (to_spare and isinstance(event, _OF_A_WRITE)):
            of_board.append(event)
    return tuple(of_board)
