"""Is the chip in the socket one that a new round of a job may be dumped from? Only the job's."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Final

from flashbench.chip import reading
from flashbench.chip.identity import Identified
from flashbench.chip.profile import Address
from flashbench.errors import OtherChip
from flashbench.job import events
from flashbench.job.chips_left import chips_left
from flashbench.job.events import Event
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, JobForeign
from flashbench.safe_write.screening import is_constant
from flashbench.safe_write.which_chip import JournalledChip, can_be
from flashbench.wording import command_line

_PIECE: Final = 1 << 16


def refuse_stranger_in_new_round(chip: Identified, job: Job) -> None:
    """Return unless `chip` is none of the chips that the job dumped, or wrote and proved.

    A chip with a factory number is told by that, before anything of it is read. Without one it
    is refused if it is blank, where nothing that the last round left was: every other difference
    may be the board's writing.

    Raises:
        OtherChip: it is none of them; what it holds would become the original of this board.
        AdapterError, Interrupted: as reading does.
    """
    known = tuple(_chips_of(job))
    possible = [one for one in known if can_be(chip, one)]
    if not possible:
        raise OtherChip(
            f"The chip in the socket ({_named(chip.jedec_id.hex(), chip.unique_id)}) is none of"
            f" the chips of job {job.label}: {_listed(known)}.",
            next_step=f"Put the job's chip in. {_doors(job)}",
        )
    is_told = chip.unique_id is not None and any(one.unique_id is not None for one in possible)
    if not is_told and not _left_blank(job) and _is_blank(chip):
        raise OtherChip(
            f"The chip in the socket is blank, and no chip of job {job.label} was left so: no"
            " board wrote that.",
            next_step="Put the job's chip in. If this is that one, put its contents back:"
            f" {command_line('restore', job.folder)}. {_doors(job)}",
        )


def _doors(job: Job) -> str:
    return (
        "A chip that somebody else soldered in its place opens a job of its own: flashbench dump"
        " NEWJOB. To put this job's contents onto another chip:"
        f" {command_line('restore', job.folder, '--to-new-chip')}"
    )


def _chips_of(job: Job) -> Iterator[JournalledChip]:
    """The dumped and the proven chips of every round whose journal can be read, once each."""
    seen = set()
    for number in job.round_numbers:
        with suppress(JobDamaged, JobForeign):
            for one in _chips_in([told.event for told in job.told(round_number=number)]):
                ids = (one.jedec_id, one.unique_id)
                if ids not in seen:
                    seen.add(ids)
                    yield one


def _chips_in(story: Sequence[Event]) -> Iterator[JournalledChip]:
    kept: dict[int | None, JournalledChip] = {}
    current: int | None = None
    for event in story:
        match event:
            case events.OriginalSaved() | events.BestReadingSaved():
                yield event
            case events.KeptContents():
                kept[event.number] = event
            case events.WriteAnnounced():
                current = event.kept_number
            case events.WriteFinished() if current in kept:
                yield kept[current]
            case _:
                pass


def _named(jedec_id: str, unique_id: bytes | None) -> str:
    number = "no factory number" if unique_id is None else f"factory number {unique_id.hex()}"
    return f"ID {jedec_id}, {number}"


def _listed(known: Sequence[JournalledChip]) -> str:
    return " and ".join(
        _named(one.jedec_id, None if one.unique_id is None else bytes.fromhex(one.unique_id))
        for one in known
    )


def _left_blank(job: Job) -> bool:
    """Whether the newest round left a chip with nothing but one value in it."""
    left = chips_left([told.event for told in job.told()])
    return any(is_constant(job.load_stored(one.sha256)) for one in left)


def _is_blank(chip: Identified) -> bool:
    """Whether the whole array holds one value; the reading ends at the first that differs."""
    size = chip.profile.density_bytes
    pieces: set[bytes] = set()
    with reading.address_mode(chip):
        for start in range(0, size, _PIECE):
            piece = reading.read_bytes(chip, Address(start), min(_PIECE, size - start))
            pieces.update((piece[:1], piece[-1:]))
            if not is_constant(piece) or len(pieces) > 1:
                return False
    return True
