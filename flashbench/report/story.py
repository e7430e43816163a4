"""A round's journal as a timeline: what a person wants to read of it. Pure functions."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Final

from flashbench.job import events
from flashbench.job.events import Event
from flashbench.job.folder import Told
from flashbench.report.view import Moment, RoundStory
from flashbench.report.wording import address, number

_HASH_SHOWN: Final = 16
OTHER: Final = "other"
"""The kind of a line that there is no sentence for."""


def round_story(round_number: int, told: Sequence[Told]) -> RoundStory:
    """The moments of a round, oldest first; units that were proven in a row are one moment."""
    return RoundStory(round_number=round_number, moments=tuple(_moments(told)))


def _moments(told: Sequence[Told]) -> Iterator[Moment]:
    for proven, group in groupby(told, key=lambda one: isinstance(one.event, events.UnitProven)):
        if not proven:
            yield from (_moment(one.at, one.event) for one in group)
            continue
        units = list(group)
        yield _made(units[-1].at, events.UnitProven.KIND, {"count": number(len(units))})


def _moment(at: str, event: Event) -> Moment:
    if isinstance(event, events.OutcomeUnreadable):
        facts_of_line = {"line": str(event.line_number), "why": event.why}
        return _made(at, "outcome-unreadable", facts_of_line)
    facts = _facts(event)
    if facts is None:
        return _made(at, OTHER, {"kind": event.KIND})
    if isinstance(event, events.OutcomeTold):
        return _made(at, "outcome-boots" if event.boots else "outcome-boots-not", facts)
    return _made(at, event.KIND, facts)


def _facts(event: events.Recorded) -> dict[str, str] | None:
    """What the sentence of an event says; None for one that the timeline does not know."""
    match event:
        case events.RoundCreated() | events.RoundOpened():
            return {"round": str(event.round_number)}
        case events.JobFileWritten() | events.ChipFactsSaved():
            return {}
        case events.CellsProven() | events.WriteFinished() | events.IntakeSaved():
            return {}
        case events.PhotosListed():
            return {"count": number(len(event.photos))}
        case events.BestReadingSaved():
            return {"reads": number(len(event.reads)), "bytes": number(event.unstable_bytes)}
        case events.UnitFailed():
            return {"start": address(event.start), "attempts": number(event.attempts)}
        case events.OriginalSaved() | events.FilesTakenIn():
            return {"bytes": number(event.size), "sha256": event.sha256[:_HASH_SHOWN]}
        case events.ImageSaved():
            return {"number": str(event.number), "sha256": event.sha256[:_HASH_SHOWN]}
        case (
            events.DoubtfulSaved()
            | events.FoundSaved()
            | events.FoundRemoved()
            | events.KeptContents()
        ):
            return {"number": str(event.number)}
        case events.ReadDisagreed():
            return {"count": number(event.byte_count), "first": address(event.first_address)}
        case events.WriteAnnounced():
            changed = sum(unit.size for unit in event.units)
            return {
                "target": event.target_name,
                "units": number(len(event.units)),
                "bytes": number(changed),
            }
        case events.RegistersSaved() | events.RegistersRestored():
            return {"values": _registers(event.values)}
        case events.RegistersChanged():
            return {"values": f"{_registers(event.before)} > {_registers(event.after)}"}
        case events.BlocksEdited():
            return {"count": number(len(event.blocks))}
        case events.SpareChosen():
            return {"number": str(event.kept_number)}
        case events.BoardWrote():
            return {
                "round": str(event.since_round),
                "bytes": number(event.byte_count),
                "ranges": number(event.range_count),
            }
        case events.SecondCopyProven():
            return {"folder": event.folder}
        case events.OpcodeRefuted():
            return {"opcode": f"{event.opcode:02X}h"}
        case events.OutcomeTold():
            note = f": {event.note}" if event.note else ""
            return {"round": str(event.round_number), "note": note}
        case _:
            return None


def _registers(values: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {value:02X}h" for name, value in values.items())


def _made(at: str, kind: str, facts: Mapping[str, str]) -> Moment:
    return Moment(at=at, kind=kind, facts=tuple(facts.items()))
