"""Is the chip in the socket one that a job on the shelf left half-written?"""

import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten
from flashbench.job import events, layout
from flashbench.job.disk import Disk
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_files import read_whole
from flashbench.job.unfinished import UnfinishedWrite, unfinished_on, unfinished_write
from flashbench.job.way_on import ways_on
from flashbench.progress import Progress, silent
from flashbench.safe_write.found import unexplained_page
from flashbench.safe_write.screening import is_constant
from flashbench.shelf.entry import ChipId, Entry
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.whose import ChipSeen, Whose, read_chip


def refuse_half_written_by_neighbour(
    chip: Identified, folder: Path, *, progress: Progress = silent
) -> None:
    """Return unless a job beside `folder` left this chip half-written: before it is dumped.

    What it holds now is no original of anything. A unique ID tells it; a part without one is read
    once, if a neighbour has such a part half-written at all.

    Raises:
        ChipHalfWritten: it is; the sentence names the job and what leads on.
        AdapterError, Interrupted: as reading does.
    """
    own = folder.resolve()
    entries = [e for e in read_shelf(own.parent).entries if e.folder.resolve() != own]
    here = chip_id(chip)
    left = [entry for entry in entries if any(_writes_on(entry, here))]
    if not left:
        return
    if chip.unique_id is None:
        seen = read_chip(chip, progress=progress)
        left = [entry for entry in left if _explains(entry, seen)]
    if left:
        raise half_written_by(left[0], here)


def half_written_job(found: Whose, entries: Sequence[Entry]) -> Entry | None:
    """The job that left this chip half-written, as far as the shelf tells; None if none did.

    Its owner's unfinished write counts even where the contents do not prove that it is this chip:
    to leave a whole chip in costs nothing.
    """
    candidates = [entry for entry in entries if any(_writes_on(entry, found.seen.chip))]
    if found.owner in candidates or found.seen.chip.unique_id is not None:
        return found.owner if found.owner in candidates else next(iter(candidates), None)
    return next((entry for entry in candidates if _explains(entry, found.seen)), None)


def half_written_by(entry: Entry, chip: ChipId) -> ChipHalfWritten:
    """What is said of a chip that `entry`'s job left half-written."""
    return ChipHalfWritten(
        f"The chip in the socket is one of job {entry.label}, and a write to it was begun and is"
        " not proven.",
        next_step=f"Leave it in, and run: {ways_on_with(entry, chip)}",
        state="The chip is half-written from before; this command changed nothing.",
    )


def ways_on_with(entry: Entry, chip: ChipId) -> str:
    """The commands that lead on from what `entry`'s job left of this chip, the begun way first."""
    story = _newest_story(entry)
    writes = list(_writes_on(entry, chip))
    last = unfinished_write(story)
    return ways_on(entry.folder, story, last if last in writes else writes[0])


def chip_id(chip: Identified) -> ChipId:
    """The IDs of a chip as the journals have them."""
    unique_id = None if chip.unique_id is None else chip.unique_id.hex()
    return ChipId(jedec_id=chip.jedec_id.hex(), unique_id=unique_id)


def _writes_on(entry: Entry, chip: ChipId) -> Iterator[UnfinishedWrite]:
    """The unfinished writes of a job to a chip of these IDs."""
    newest = _newest_story(entry)
    kept = [event.number for event in newest if isinstance(event, events.KeptContents)]
    for number in (None, *kept):
        write = unfinished_on(newest, number)
        if write is not None and (write.jedec_id, write.unique_id) == (
            chip.jedec_id,
            chip.unique_id,
        ):
            yield write


def _newest_story(entry: Entry) -> Sequence[events.Event]:
    if entry.damage is not None or not entry.stories:
        return ()
    return entry.stories[max(entry.stories)]


def _explains(entry: Entry, seen: ChipSeen) -> bool:
    """Whether every page of the chip is one that an unfinished write of the job leads to."""
    if is_constant(seen.contents):
        return False
    return any(
        unexplained_page(seen.contents, _known(entry, write, size=len(seen.contents)), announced)
        is None
        for write in _writes_on(entry, seen.chip)
        for announced in [write.announced]
    )


def _known(entry: Entry, write: UnfinishedWrite, *, size: int) -> list[bytes]:
    """The files whose pages the chip of a write can hold, as far as they are as saved."""
    number = max(entry.stories)
    folder, disk = layout.round_folder(entry.folder, number), Disk()
    found = []
    for name, sha256 in _files(entry.stories[number], write):
        try:
            data = read_whole(disk, folder / name, at_most=layout.IMAGE_BYTES_MAX)
        except (JobDamaged, OSError):
            continue
        if len(data) == size and hashlib.sha256(data).hexdigest() == sha256:
            found.append(data)
    return found


def _files(story: Sequence[events.Event], write: UnfinishedWrite) -> Iterator[tuple[str, str]]:
    """(file, sha256) of the round's dump, the write's targets, and what its chip held before."""
    targets = {sha256 for _, sha256 in write.targets}
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
