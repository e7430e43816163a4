"""A refusal of a stranger's chip that says whose it is, if the neighbours on the shelf tell."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched, FlashbenchError, OtherChip
from flashbench.job.disk import Disk
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.sector_digests import digest_sectors
from flashbench.progress import Progress, silent
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.screening import is_constant
from flashbench.safe_write.working_clock import half_done_ranges
from flashbench.shelf.entry import ChipId, Entry
from flashbench.shelf.half_written import (
    half_written_job,
    refuse_half_written_by_neighbour,
    ways_on_with,
)
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.not_compared import damaged_sentences
from flashbench.shelf.whose import (
    Digests,
    Likeness,
    Whose,
    as_numbers,
    digests_of,
    read_chip,
    read_chip_surely,
    whose,
)
from flashbench.wording import command_line, quoted

_NAMED_MAX: Final = 3


def naming_owner(
    error: ChipUntouched, chip: Identified, job: Job, *, progress: Progress = silent
) -> ChipUntouched:
    """`error`, of the same class, with a sentence on whose chip is in the socket.

    The chip is read once more. Whatever goes wrong here, `error` itself is what is returned:
    the refusal stands, with or without a name.
    """
    try:
        shelf = read_shelf(job.folder.resolve().parent)
        found = whose(read_chip(chip, progress=progress), shelf.entries, progress=progress)
    except FlashbenchError:
        return error
    sentence = owner_sentence(found, job)
    if sentence is None:
        return error
    next_step = error.next_step
    owner = found.owner
    if owner is not None and owner.folder.resolve() == job.folder.resolve():
        next_step = _another_round(error, job)
    elif owner is not None:
        next_step = _back_into_its_bag(owner, job)
        left = half_written_job(found, shelf.entries)
        if left is not None:
            next_step = (
                f"That job left it half-written; with it in the socket: {ways_on_with(left)}"
            )
    return type(error)(f"{error.seen} {sentence}", next_step=next_step, state=error.state)


def _another_round(error: ChipUntouched, job: Job) -> str:
    """The way on with a chip of this very job that its newest round was not dumped from."""
    if job.round_number == 1 or not isinstance(error, OtherChip) or job.half_written_chips:
        return error.next_step
    return (
        f"If round {job.round_number} was dumped from a wrong chip, and this is the board's, take"
        f" it as the next round: {command_line('dump', job.folder, '--again')}. Else put the chip"
        f" of round {job.round_number} in."
    )


def owner_sentence(found: Whose, job: Job) -> str | None:
    """Whose chip it is, for somebody who thought that it was `job`'s; None if nobody knows."""
    own = job.folder.resolve()
    owner, held = found.owner, found.held
    if owner is None:
        others = [each.entry for each in found.equal if each.entry.folder.resolve() != own]
        names = ", ".join(dict.fromkeys(_named(entry) for entry in others[:_NAMED_MAX]))
        return f"Several jobs know what it holds, among them {names}." if names else None
    if owner.folder.resolve() == own:
        return None if held is None else f"It resembles this job itself most: {alike_text(held)}."
    what = "nothing that this job knows" if held is None else alike_text(held)
    whose_chip = "a spare chip made from job" if found.is_spare else "the chip of job"
    return f"It is {whose_chip} {_named(owner)}: it holds {what}."


def alike_text(held: Likeness) -> str:
    """ "its image 1 of round 2, byte for byte", or in how many sectors it is alike."""
    which = f"its {held.image.name} of round {held.image.round_number}"
    if held.equal:
        return f"{which}, byte for byte"
    return (
        f"{held.same_sectors} of the {held.sector_count} sectors of {which} (4 KiB each, blank"
        " ones left out)"
    )


def _named(entry: Entry) -> str:
    if entry.label == entry.folder.name:
        return entry.label
    return f"{entry.label} ({entry.folder.name})"


def refuse_chip_of_another(
    chip: Identified, job: Job, *, progress: Progress = silent
) -> tuple[str, ...]:
    """Return unless the chip is clearly another job's: for a new round, before it is opened.

    What is returned are sentences on what the chip was not compared with.

    Parts without a unique ID look alike; a round opened with a neighbour's chip would have the
    edit made for this board written to that one. The chip is read once, where there is another
    job with a chip of its ID at all.

    Raises:
        OtherChip: it belongs to a neighbour on the shelf, whom the sentence names.
        ChipHalfWritten: such a neighbour left it half-written.
        ReadsUnsteady: the contact is not good, so that nothing can be said of what it holds.
        AdapterError, Interrupted: as reading does.
    """
    not_compared = refuse_half_written_by_neighbour(chip, job.folder, progress=progress)
    entries = read_shelf(job.folder.resolve().parent).entries
    found = _found_elsewhere(chip, job, entries, progress)
    if found is None or found.owner is None:
        return not_compared
    raise OtherChip(
        f"The chip in the socket is not that of job {job.label}. {owner_sentence(found, job)}",
        next_step=_back_into_its_bag(found.owner, job),
    )


def _found_elsewhere(
    chip: Identified, job: Job, entries: Sequence[Entry], progress: Progress
) -> Whose | None:
    """What the shelf knows of the chip, if it is clearly another job's; read only if one met its
    ID at all."""
    own = job.folder.resolve()
    jedec_id = chip.jedec_id.hex()
    if not any(
        known.jedec_id == jedec_id and entry.folder.resolve() != own
        for entry in entries
        for known in entry.chips
    ):
        return None
    seen = read_chip_surely(chip, avoiding=half_done_ranges(job), progress=progress)
    found = whose(seen, entries, progress=progress)
    owner = found.owner
    return None if owner is None or owner.folder.resolve() == own else found


@dataclass(frozen=True, slots=True, kw_only=True)
class Nobodys:
    """A chip that is no board's, as far as the shelf tells.

    `spare_of` is the job that it was made a spare from, if what it holds tells that;
    `not_compared` are sentences on what it was not compared with.
    """

    spare_of: Path | None
    not_compared: tuple[str, ...]


def refuse_chip_of_a_board(
    chip: Identified, job: Job, *, given_up: Path | None = None, progress: Progress = silent
) -> Nobodys:
    """Return unless the chip is that of another job's board: before it is taken for a new one.

    A unique ID tells it by itself; other parts are read, if another job has a chip of their ID.
    A spare of another job is nobody's, and so is a blank chip.

    Raises:
        OtherChip: it was dumped for a neighbour on the shelf, or replaced that one's own.
        ChipHalfWritten: such a neighbour left it half-written.
        ReadsUnsteady: the contact is not good, so that nothing can be said of what it holds.
        AdapterError, Interrupted: as reading does.
    """
    not_compared = refuse_half_written_by_neighbour(chip, job.folder, progress=progress)
    own = job.folder.resolve()
    entries = read_shelf(own.parent).entries
    if given_up is not None:
        entries = tuple(e for e in entries if e.folder.resolve() != given_up.resolve())
    others = [entry for entry in entries if entry.folder.resolve() != own]
    if chip.unique_id is not None:
        here = ChipId(jedec_id=chip.jedec_id.hex(), unique_id=chip.unique_id.hex())
        owner = next((entry for entry in others if here in entry.chips_of_board), None)
    else:
        found = _found_elsewhere(chip, job, entries, progress)
        owner = None if found is None or is_constant(found.seen.contents) else found.owner
        if owner is not None and found is not None and found.seen.sha256 in owner.held_by_spares:
            return Nobodys(spare_of=owner.folder, not_compared=not_compared)
    if owner is None:
        return Nobodys(spare_of=None, not_compared=not_compared)
    raise OtherChip(
        f"The chip in the socket is no new one: it is the chip of job {_named(owner)}.",
        next_step=f"Put it back into the bag of {owner.label}, and put in one that is nobody's."
        f" (If that job is over and its chip may be used up: {_using_up(owner, chip)})",
    )


def _using_up(owner: Entry, chip: Identified) -> str:
    """How the chip of a job that is over is set free; one without a number only by its job."""
    folder = owner.folder.resolve()
    if chip.unique_id is None:
        return f"say so with the same command: --chip-of {quoted(folder)}"
    return f"flashbench shelf {quoted(folder.parent)} --forget {quoted(folder.name)}"


def refuse_found_of_another(plan: Plan) -> tuple[str, ...]:
    """Return unless a chip that is known by what it holds alone is a neighbour's on the shelf.

    What an interrupted write had under way may hold anything; if it holds what a neighbour dumped
    or made, in a whole sector of 4 KiB that this job never had there, it is that one's chip. A chip
    with a factory number is told by that. What is returned are sentences on what the chip was not
    compared with.

    Raises:
        OtherChip: it is; the sentence names the neighbour.
    """
    chip, job = plan.chip, plan.job
    if chip.unique_id is not None:
        return ()
    held = as_numbers(digest_sectors(plan.current))
    unknown = np.ones(len(held), bool)
    for picture in (b"\xff" * len(plan.current), *_pictures_of(job)):
        unknown &= held != as_numbers(digest_sectors(picture))
    if not unknown.any():
        return ()
    own = job.folder.resolve()
    others = [e for e in read_shelf(own.parent).entries if e.folder.resolve() != own]
    for entry in others:
        if _has_any(entry, held, unknown, chip):
            raise OtherChip(
                f"The chip in the socket is not that of job {job.label}: where this job was"
                f" writing it holds what job {_named(entry)} has there.",
                next_step=_back_into_its_bag(entry, job),
            )
    return damaged_sentences(others)


def _has_any(entry: Entry, held: Digests, where: npt.NDArray[np.bool_], chip: Identified) -> bool:
    """Whether an image of a job with chips of this ID has one of the sectors held there."""
    if chip.jedec_id.hex() not in {c.jedec_id for c in entry.chips}:
        return False
    for image in entry.images:
        digests = digests_of(Disk(), entry, image)
        stored = None if digests is None else as_numbers(digests)
        if stored is not None and len(stored) == len(held) and ((stored == held) & where).any():
            return True
    return False


def _pictures_of(job: Job) -> Iterator[bytes]:
    """All that chips of the job are known to have held, as far as the files are as saved."""
    loads: list[Callable[[], bytes]] = [lambda: source_of(job).image]
    loads += [partial(job.load_image, n) for n in range(1, (job.newest_image() or 0) + 1)]
    loads += [partial(job.load_kept, one.number) for one in job.kept_chips]
    for load in loads:
        try:
            yield load()
        except JobDamaged:
            continue


def _back_into_its_bag(owner: Entry, job: Job) -> str:
    return f"Put it back into the bag of {owner.label}; then put in the chip of {job.label}."
