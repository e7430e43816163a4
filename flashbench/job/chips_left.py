"""Which chips a round left behind, and with what: what a later dump can be compared with. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from flashbench.job import events
from flashbench.job.events import Event
from flashbench.job.spares import spare_numbers, without_spares
from flashbench.job.unfinished import half_written_in


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipLeft:
    """One chip as a round left it: the round's own (`kept_number` None) or a replacement."""

    kept_number: int | None
    jedec_id: str
    unique_id: str | None
    sha256: str  # of what it was last proven to hold, or dumped with
    written: bool  # by a finished write of that round
    half_written: bool  # a later write to it was begun and is not proven
    written_last: bool  # in the board, as far as the job knows: the last written, or the only one

    def can_be(self, dumped: events.OriginalSaved) -> bool:
        """Whether its IDs are those of a chip dumped later."""
        return (self.jedec_id, self.unique_id) == (dumped.jedec_id, dumped.unique_id)


def chips_left(story: Sequence[Event]) -> tuple[ChipLeft, ...]:
    """The own chip of a round and its replacements; no spares, which are no board's."""
    ids: dict[int | None, tuple[str, str | None]] = {}
    held: dict[int | None, str] = {}
    written: dict[int | None, None] = {}
    current: int | None = None
    spares = spare_numbers(story)
    for event in without_spares(story):
        match event:
            case events.OriginalSaved():
                ids[None], held[None] = (event.jedec_id, event.unique_id), event.sha256
            case events.KeptContents() if event.number not in spares:
                ids[event.number] = (event.jedec_id, event.unique_id)
            case events.WriteAnnounced():
                current = event.kept_number
            case events.WriteFinished():
                held[current] = event.target_sha256
                written[current] = None
            case _:
                pass
    last = current if current in written else None
    left_open = half_written_in(story)
    return tuple(
        ChipLeft(
            kept_number=number,
            jedec_id=ids[number][0],
            unique_id=ids[number][1],
            sha256=sha256,
            written=number in written,
            half_written=number in left_open,
            written_last=number == last,
        )
        for number, sha256 in held.items()
        if number in ids
    )
