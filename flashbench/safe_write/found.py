"""What an accident left on the chip, read twice, kept on disk and explained: `Found`."""

from collections.abc import Iterable, Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

import numpy as np
import numpy.typing as npt

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import OtherChip, StrangeContents
from flashbench.job.events import Event, WriteAnnounced, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.unfinished import merged
from flashbench.progress import Progress, silent
from flashbench.safe_write.screening import sha256_hex
from flashbench.safe_write.stable_read import read_twice_except
from flashbench.safe_write.which_chip import chips_it_can_be, told_by_contents
from flashbench.wording import command_line

_SEAL: Final = object()
_PAGE: Final = 256


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Found(Evidence):
    """A chip as an accident left it. Has no public constructor: see `read_for_recovery`.

    Every page equals the original or an image of the job, or lies where the job was writing.
    `suspect` is what must be erased in full, whatever it reads. `doubts` are sentences on images
    of the job that are damaged and explain nothing.
    """

    chip: Identified
    job: Job
    kept_number: int | None  # of a replacement; None: the board's own chip
    image: bytes = field(repr=False)
    suspect: tuple[range, ...]
    path: Path
    doubts: tuple[str, ...]
    change_count: int
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Found has no public constructor: call read_for_recovery()")


def read_for_recovery(chip: Identified, job: Job, *, progress: Progress = silent) -> Found:
    """Read the chip twice, keep what was found as `found-N.bin`, and explain every page.

    The journal is never believed that cells are good and always that they are suspect: a unit
    announced and not recorded as read back counts as unknown, whatever it reads now. One that
    was read back may still have drifted: it is explained, and planned by what it reads.

    Raises:
        TypeError: `chip` is not an Identified.
        ChipUntouched: two reads differ outside suspect units, or a page is neither the
            original's nor an image's and lies in no unit that the job announced: not this job's
            chip, or the board has run since.
    """
    if not isinstance(chip, Identified):
        raise TypeError("read_for_recovery() takes the Identified that identify() made")
    possible = chips_it_can_be(chip, job)
    suspect = suspect_on(job, possible)
    image = read_twice_except(chip, suspect, keep_doubtful_in=job, progress=progress)
    path = job.save_found(image)
    explained, strange, doubts = explained_by(
        image, job, possible, told_apart=chip.unique_id is not None
    )
    if not explained:
        raise StrangeContents(
            f"The page at {strange:#08x} is neither the original's nor an image's of job"
            f" {job.label}: not this job's chip, or it has run since."
            + "".join(f" {doubt}" for doubt in doubts),
            next_step=(
                "Put that job's chip in. If this is the chip, leave it as it is, and write to"
                f" another one: {command_line('write', job.folder, '--to-new-chip')}"
            ),
        )
    told = told_by_contents(job, explained, sha256_hex(image))
    number = _the_likeliest(job, told)
    _demand_source(job, number)
    doubtful = job.unfinished_on(number) is not None or len(told) < len(explained)
    return Found(
        chip=chip,
        job=job,
        kept_number=number,
        image=image,
        suspect=suspect_on(job, explained if doubtful else ()),
        path=path,
        doubts=doubts,
        change_count=chip.adapter.session.change_count,
        seal=_SEAL,
    )


def suspect_on(job: Job, numbers: Iterable[int | None]) -> tuple[range, ...]:
    """What must be erased in full on a chip that can be any of these."""
    writes = (job.unfinished_on(number) for number in numbers)
    return tuple(merged(part for write in writes if write is not None for part in write.suspect))


def explained_by(
    image: bytes, job: Job, possible: Sequence[int | None], *, told_apart: bool
) -> tuple[list[int | None], int | None, tuple[str, ...]]:
    """Those of the possible chips whose story explains `image`; else its first strange page."""
    explained, strange, all_doubts = [], None, []
    for number in possible:
        known, doubts = _known_contents(job, number)
        all_doubts += doubts
        if sha256_hex(image) in job.proven_images(number):
            known.append(image)  # the journal's hash tells it, even if its file is damaged
        unfinished = job.unfinished_on(number)
        announced = unfinished.announced if unfinished is not None else ()
        page = unexplained_page(image, known, announced)
        if page is None and unfinished is not None and not told_apart:
            lost = unfinished.proven if doubts else ()
            writes = announced_units(job.story, number)
            page = page_that_no_write_tore(image, known, writes, lost=lost)
        if page is None:
            explained.append(number)
        elif strange is None:
            strange = page
    return explained, strange, tuple(dict.fromkeys(all_doubts))


def _the_likeliest(job: Job, explained: Sequence[int | None]) -> int | None:
    """Which of several chips without a factory number this one is taken for.

    If it can be the board's own chip and that one was left whole, it is taken for that: so the
    own chip is never erased for the sake of a half-written replacement.
    """
    if None in explained and job.unfinished_on(None) is None:
        return None
    half_written = [n for n in explained if job.unfinished_on(n) is not None]
    if job.last_written_chip in half_written:
        return job.last_written_chip
    return (half_written or list(explained))[0]


def _demand_source(job: Job, number: int | None) -> None:
    """The own chip of a round without an original is never changed, not even to finish."""
    if number is None and job.has_best_reading:
        raise OtherChip(
            "The chip in the socket is, or may be, the board's own: job"
            f" {job.label} has no original of that, only a best reading, and never writes to it.",
            next_step="Put the new chip in. If this is the new one, it holds the best reading"
            f" already: {command_line('verify', job.folder)} says what it holds.",
        )
    if number is None:
        job.load_original()


def could_be_own_chip(image: bytes, job: Job, *, unstable: Sequence[range] = ()) -> bool:
    """Whether the board's own chip could hold `image`, as far as this job knows it."""
    known, _ = _known_contents(job, None)
    unfinished = job.unfinished_on(None)
    announced = unfinished.announced if unfinished is not None else ()
    return unexplained_page(image, known, [*announced, *unstable]) is None


def _source(job: Job) -> bytes:
    return job.load_best_reading().data if job.has_best_reading else job.load_original().data


def _known_contents(job: Job, kept_number: int | None) -> tuple[list[bytes], list[str]]:
    """What pages of one chip may equal, and a sentence on each image that is damaged."""
    images, doubts = [_source(job)], []
    if kept_number is not None:
        images.append(job.load_kept(kept_number))
    for number in job.announced_image_numbers(kept_number):
        try:
            images.append(job.load_image(number))
        except JobDamaged as error:
            doubts.append(f"Image {number} is set aside: {error.seen}")
    return images, doubts


def unexplained_page(
    image: bytes, known: Sequence[bytes], announced: Sequence[range]
) -> int | None:
    """The first page that equals no known image there and lies in no announced range, or None.

    All of `known` are as long as `image`. Pages are 256 bytes.
    """
    explained = _equals_any(image, known)
    for stretch in announced:
        explained[stretch.start // _PAGE : -(-stretch.stop // _PAGE)] = True
    strange = np.flatnonzero(~explained)
    return int(strange[0]) * _PAGE if len(strange) else None


def announced_units(
    story: Iterable[Event], kept_number: int | None = None
) -> list[tuple[range, ...]]:
    """The units of every write of one chip since it was last finished."""
    writes: list[tuple[range, ...]] = []
    is_it: bool = kept_number is None
    for event in story:
        if isinstance(event, WriteAnnounced):
            is_it = event.kept_number == kept_number
            if is_it:
                writes.append(tuple(range(u.start, u.start + u.size) for u in event.units))
        elif isinstance(event, WriteFinished) and is_it:
            writes.clear()
    return writes


def page_that_no_write_tore(
    image: bytes,
    known: Sequence[bytes],
    writes: Sequence[Sequence[range]],
    *,
    lost: Sequence[range] = (),
) -> int | None:
    """A page in an announced unit that is strange, if the writes cannot have left all of these.

    Strange is what is neither blank nor any known image's. Units are finished one by one, so an
    interrupted write leaves one unit in between. Strange pages in more units mean another chip
    whose contents happen to differ where this job was about to write. Not for a chip erase,
    which may leave all of it in between; it is only planned where a unique ID tells the chip.
    In `lost` lie pages that the job proved to equal an image whose file is damaged since.
    """
    flags = ~(_equals_any(image, known) | _is_blank(image))
    announced = np.zeros(len(flags), bool)
    for unit in (unit for units in writes for unit in units):
        announced[unit.start // _PAGE : -(-unit.stop // _PAGE)] = True
    for stretch in lost:
        flags[stretch.start // _PAGE : -(-stretch.stop // _PAGE)] = False
    strange = [int(page) * _PAGE for page in np.flatnonzero(flags & announced)]
    return None if _lie_in_one_unit_each(strange, writes) else strange[0]


def _lie_in_one_unit_each(pages: Sequence[int], writes: Sequence[Sequence[range]]) -> bool:
    """Whether one unit of each write can be chosen so that every page lies in a chosen one."""
    if not pages:
        return True
    for number, units in enumerate(writes):
        torn = next((unit for unit in units if pages[0] in unit), None)
        if torn is not None:
            left = [page for page in pages if page not in torn]
            if _lie_in_one_unit_each(left, [*writes[:number], *writes[number + 1 :]]):
                return True
    return False


_Flags = npt.NDArray[np.bool_]


def _pages(image: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(image, np.uint8).reshape(-1, _PAGE)


def _equals_any(image: bytes, known: Sequence[bytes]) -> _Flags:
    pages = _pages(image)
    equal: _Flags = np.zeros(len(pages), bool)
    for picture in known:
        equal |= (pages == _pages(picture)).all(axis=1)
    return equal


def _is_blank(image: bytes) -> _Flags:
    blank: _Flags = (_pages(image) == 0xFF).all(axis=1)
    return blank
