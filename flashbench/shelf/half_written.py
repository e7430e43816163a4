"""Is the chip in the socket one that a job on the shelf left half-written?"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, OtherChip
from flashbench.job import events, layout
from flashbench.job.disk import Disk
from flashbench.job.left_behind import left_behind, was_replaced
from flashbench.job.lock import is_chip_at_work
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_files import read_whole
from flashbench.job.unfinished import (
    UnfinishedWrite,
    half_written_in,
    proven_on,
    unfinished_on,
    unfinished_write,
)
from flashbench.job.way_on import ways_on
from flashbench.progress import Progress, silent
from flashbench.safe_write.found import interrupted_writes
from flashbench.safe_write.screening import is_constant
from flashbench.safe_write.under_way import InterruptedWrite, explained
from flashbench.shelf.entry import ChipId, Entry, read_entry
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.not_compared import at_work_sentence, damaged_sentences
from flashbench.shelf.whose import ChipSeen, Whose, read_chip_surely


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftHalfWritten:
    """A job, and what it wrote to chips of some IDs without an end; at least one write."""

    entry: Entry
    writes: tuple[UnfinishedWrite, ...]


def refuse_half_written_by_neighbour(
    chip: Identified, folder: Path, *, progress: Progress = silent
) -> tuple[str, ...]:
    """Return unless a job beside `folder` left this chip half-written: before it is dumped.

    What is returned are sentences on what the chip was not compared with.

    What it holds now is no original of anything. A unique ID tells it; a part without one is read
    once, if a neighbour has such a part half-written at all. One that another process is writing
    at this moment is not: it is in that one's socket.

    Raises:
        ChipHalfWritten: it is; the sentence names the job and what leads on.
        ReadsUnsteady: the contact is not good, so that nothing can be said of what it holds.
        AdapterError, Interrupted: as reading does.
    """
    own = folder.resolve()
    entries = [e for e in read_shelf(own.parent).entries if e.folder.resolve() != own]
    left, at_work = _left_by(entries, chip_id(chip))
    if left and chip.unique_id is None:
        half_done = [part for each in left for write in each.writes for part in write.suspect]
        seen = read_chip_surely(chip, avoiding=half_done, progress=progress)
        left = [each for each in left if _explains(_not_replaced_by(seen, each), seen)]
    if left:
        raise half_written_by(left[0])
    return (*map(at_work_sentence, at_work), *damaged_sentences(entries))


def half_written_job(found: Whose, entries: Sequence[Entry]) -> LeftHalfWritten | None:
    """The job that left this chip half-written, as far as the shelf tells; None if none did.

    Its owner's unfinished write counts even where the contents do not prove that it is this chip:
    to leave a whole chip in costs nothing.
    """
    left_by, _ = _left_by(entries, found.seen.chip)
    met = [_not_replaced_by(found.seen, left) for left in left_by]
    candidates = [left for left in met if left.writes]
    owner = found.owner
    if owner is not None:
        of_owner = next((left for left in candidates if left.entry.folder == owner.folder), None)
        if of_owner is not None:
            return of_owner
    if found.seen.chip.unique_id is not None:
        return next(iter(candidates), None)
    return next((left for left in candidates if _explains(left, found.seen)), None)


def half_written_by(left: LeftHalfWritten) -> ChipHalfWritten | OtherChip:
    """What is said of a chip that a job left half-written."""
    story = _newest_story(left.entry)
    numbers = [write.kept_number for write in left.writes]
    if all(number is not None and was_replaced(story, number) for number in numbers):
        return OtherChip(
            f"The chip in the socket is one of job {left.entry.label}. It was left half-written,"
            " and another one took its place.",
            next_step="It belongs in a bag that says so, and is not to be used. Put in the chip"
            " that the board has now.",
        )
    return ChipHalfWritten(
        f"The chip in the socket is one of job {left.entry.label}, and a write to it was begun and"
        " is not proven.",
        next_step=f"Leave it in, and run: {ways_on_with(left)}",
        state="The chip is half-written from before; this command changed nothing.",
    )


def ways_on_with(left: LeftHalfWritten) -> str:
    """The commands that lead on from what a job left of a chip, the begun way first."""
    story = _newest_story(left.entry)
    last = unfinished_write(story)
    ways = ways_on(left.entry.folder, story, last if last in left.writes else left.writes[0])
    if not left.entry.has_gaps:
        return ways
    return (
        f"{ways}  That job is damaged: if it cannot be opened, put what it lost back from a copy."
        " If there is none, move its folder off this shelf, and dump the chip into a new job."
    )


def chip_id(chip: Identified) -> ChipId:
    """The IDs of a chip as the journals have them."""
    unique_id = None if chip.unique_id is None else chip.unique_id.hex()
    return ChipId(jedec_id=chip.jedec_id.hex(), unique_id=unique_id)


def _left_by(entries: Sequence[Entry], chip: ChipId) -> tuple[list[LeftHalfWritten], list[Entry]]:
    """Which jobs have chips of these IDs half-written, those left out that cannot be this one; and
    which of them are at work on one."""
    found: list[LeftHalfWritten] = []
    busy: list[Entry] = []
    for entry in entries:
        if not _writes_on(entry, chip):
            continue
        now, at_work = (entry, None) if chip.unique_id is not None else _looked_at_again(entry)
        writes = tuple(write for write in _writes_on(now, chip) if write != at_work)
        if writes:
            found.append(LeftHalfWritten(entry=now, writes=writes))
        if at_work is not None and at_work in _writes_on(now, chip):
            busy.append(now)
    return found, busy


def _looked_at_again(entry: Entry) -> tuple[Entry, UnfinishedWrite | None]:
    """The job as it is now, and the write that a living process is at, if one is.

    The lock is asked for before the journal is read: it is held only once the write is announced,
    so the write that it speaks of, or a later one, is the last in what is read then. A chip with
    a number of its own needs none of this: it is the very chip, wherever it was.
    """
    is_at_work = is_chip_at_work(entry.folder)
    now = read_entry(entry.folder)
    if now is None or not now.stories:
        return entry, None
    return now, unfinished_write(_newest_story(now)) if is_at_work else None


def _writes_on(entry: Entry, chip: ChipId) -> tuple[UnfinishedWrite, ...]:
    """The unfinished writes of a job to a chip of these IDs."""
    newest = _newest_story(entry)
    found = (unfinished_on(newest, number) for number in half_written_in(newest))
    return tuple(
        write
        for write in found
        if write is not None
        and (write.jedec_id, write.unique_id) == (chip.jedec_id, chip.unique_id)
    )


def _not_replaced_by(seen: ChipSeen, left: LeftHalfWritten) -> LeftHalfWritten:
    """Without the writes to chips that this one, by all that it holds, took the place of."""
    story = _newest_story(left.entry)
    kept = [event for event in story if isinstance(event, events.KeptContents)]
    here = [
        event.number
        for event in kept
        if ChipId(jedec_id=event.jedec_id, unique_id=event.unique_id) == seen.chip
    ]
    is_not = left_behind(story, (None, *here), seen.sha256, registers=seen.registers)
    return replace(
        left, writes=tuple(write for write in left.writes if write.kept_number not in is_not)
    )


def _newest_story(entry: Entry) -> Sequence[events.Event]:
    return entry.stories[max(entry.stories)] if entry.stories else ()


def _explains(left: LeftHalfWritten, seen: ChipSeen) -> bool:
    """Whether what the chip holds is what an unfinished write of the job can have left there."""
    if is_constant(seen.contents):
        return False
    return any(_leads_to(left.entry, write, seen.contents) for write in left.writes)


def _leads_to(entry: Entry, write: UnfinishedWrite, held: bytes) -> bool:
    story = _newest_story(entry)
    known = _known(entry, write, size=len(held))
    proven = proven_on(story, write.kept_number)
    before = [data for sha256, data in known.items() if sha256 in proven]
    before += [known[sha256] for sha256 in _first_held(story, write) if sha256 in known]
    writes, reached = interrupted_writes(story, write.kept_number)
    interrupted = [
        InterruptedWrite(units=units, proven=frozenset(done), target=known.get(sha256))
        for sha256, units, done in writes
    ]
    return explained(held, before=before, writes=interrupted, reached=reached).strange is None


def _first_held(story: Sequence[events.Event], write: UnfinishedWrite) -> Iterator[str]:
    """The hash of what the chip of a write held when the round met it."""
    for event in story:
        match event:
            case events.OriginalSaved() | events.BestReadingSaved() if write.kept_number is None:
                yield event.sha256
            case events.KeptContents() if event.number == write.kept_number:
                yield event.sha256
            case _:
                pass


def _known(entry: Entry, write: UnfinishedWrite, *, size: int) -> dict[str, bytes]:
    """The files whose pages the chip of a write can hold, by hash, as far as they are as saved."""
    number = max(entry.stories)
    folder, disk = layout.round_folder(entry.folder, number), Disk()
    found = {}
    for name, sha256 in _files(entry.stories[number], write):
        try:
            data = read_whole(disk, folder / name, at_most=layout.IMAGE_BYTES_MAX)
        except (JobDamaged, OSError):
            continue
        if len(data) == size and hashlib.sha256(data).hexdigest() == sha256:
            found[sha256] = data
    return found


def _files(story: Sequence[events.Event], write: UnfinishedWrite) -> Iterator[tuple[str, str]]:
    """(file, sha256) of the round's dump, the write's targets, and what its chip held before."""
    targets = {sha256 for _, sha256 in write.targets} | proven_on(story, write.kept_number)
    for event in story:
        match event:
            case events.OriginalSaved():
                yield layout.ORIGINAL, event.sha256
            case events.BestReadingSaved():
                yield layout.BEST_READING, event.sha256
            case events.ImageSaved() if event.sha256 in targets:
                yield f"image-{event.number}.bin", event.sha256
            case events.KeptContents() if event.number == write.kept_number:
                yield f"{event.STEM}-{event.number}.bin", event.sha256
            case _:
                pass
