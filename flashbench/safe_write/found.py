"""What an accident left on the chip, read twice, kept on disk and explained: `Found`."""

from collections.abc import Iterable, Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

import numpy as np
import numpy.typing as npt

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched, StrangeContents
from flashbench.job.events import Event, WriteAnnounced, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.progress import Progress, silent
from flashbench.safe_write.same_chip import refuse_other_chip
from flashbench.safe_write.screening import sha256_hex
from flashbench.safe_write.stable_read import read_twice_except

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
    original = job.load_original()
    refuse_other_chip(chip, original, density_bytes=len(original.data), label=job.label)
    unfinished = job.unfinished()
    suspect = unfinished.suspect if unfinished is not None else ()
    announced = unfinished.announced if unfinished is not None else ()
    image = read_twice_except(chip, suspect, keep_doubtful_in=job, progress=progress)
    path = job.save_found(image)
    images, doubts = _intact_images(job)
    known = [original.data, *images]
    if sha256_hex(image) in job.proven_images():
        known.append(image)  # the journal's hash tells it, even if its file is damaged
    strange = unexplained_page(image, known, announced)
    if strange is None and unfinished is not None and chip.unique_id is None:
        lost = unfinished.proven if doubts else ()
        strange = page_that_no_write_tore(image, known, announced_units(job.story), lost=lost)
    if strange is not None:
        raise StrangeContents(
            f"The page at {strange:#08x} is neither the original's nor an image's of job"
            f" {job.label}: not this job's chip, or it has run since."
            + "".join(f" {doubt}" for doubt in doubts),
            next_step=(
                "Put that job's chip in. If this is the chip, leave it as it is, and write this"
                " job's image to another chip of the same part, dumped into a job of its own."
            ),
        )
    return Found(
        chip=chip,
        job=job,
        image=image,
        suspect=suspect,
        path=path,
        doubts=doubts,
        change_count=chip.adapter.session.change_count,
        seal=_SEAL,
    )


def _intact_images(job: Job) -> tuple[list[bytes], tuple[str, ...]]:
    """The announced images that are as saved, and a sentence on each that is not."""
    images, doubts = [], []
    for number in job.announced_image_numbers():
        try:
            images.append(job.load_image(number))
        except JobDamaged as error:
            doubts.append(f"Image {number} is set aside: {error.seen}")
    return images, tuple(doubts)


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


def announced_units(story: Iterable[Event]) -> list[tuple[range, ...]]:
    """The units of every write of the round's own chip since it was last finished."""
    writes: list[tuple[range, ...]] = []
    of_own_chip = True
    for event in story:
        if isinstance(event, WriteAnnounced):
            of_own_chip = event.kept_number is None
            if of_own_chip:
                writes.append(tuple(range(u.start, u.start + u.size) for u in event.units))
        elif isinstance(event, WriteFinished) and of_own_chip:
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
