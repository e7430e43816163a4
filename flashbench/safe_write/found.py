"""What an accident left on the chip, read twice, kept on disk and explained: `Found`."""

from collections.abc import Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

import numpy as np
import numpy.typing as npt

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched
from flashbench.job.folder import Job
from flashbench.progress import Progress, silent
from flashbench.safe_write.same_chip import refuse_other_chip
from flashbench.safe_write.stable_read import read_twice_except

_SEAL: Final = object()
_PAGE: Final = 256


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Found(Evidence):
    """A chip as an accident left it. Has no public constructor: see `read_for_recovery`.

    Every page equals the original or an image of the job, or lies where the job was writing.
    `suspect` is what must be erased in full, whatever it reads.
    """

    chip: Identified
    job: Job
    image: bytes = field(repr=False)
    suspect: tuple[range, ...]
    path: Path
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
        ChipUntouched: two reads differ outside suspect units, or a page is neither the
            original's nor an image's and lies in no unit that the job announced: not this job's
            chip, or the board has run since.
    """
    original = job.load_original()
    refuse_other_chip(chip, original, density_bytes=len(original.data), label=job.label)
    unfinished = job.unfinished()
    suspect = unfinished.suspect if unfinished is not None else ()
    announced = unfinished.announced if unfinished is not None else ()
    image = read_twice_except(chip, suspect, keep_doubtful_in=job, progress=progress)
    path = job.save_found(image)
    known = [original.data, *job.announced_images()]
    strange = unexplained_page(image, known, announced)
    if strange is None and unfinished is not None and chip.unique_id is None:
        strange = page_of_too_many_torn_units(
            image,
            known,
            announced,
            unit_bytes=_largest_unit(chip),
            torn_max=len(unfinished.targets),
        )
    if strange is not None:
        raise ChipUntouched(
            f"The page at {strange:#08x} is neither the original's nor an image's of job"
            f" {job.label}: not this job's chip, or it has run since.",
            next_step=(
                "Put that job's chip in. If this is the chip, only a replacement chip leads on:"
                " flashbench write JOB --to-new-chip"
            ),
        )
    return Found(
        chip=chip,
        job=job,
        image=image,
        suspect=suspect,
        path=path,
        change_count=chip.adapter.session.change_count,
        seal=_SEAL,
    )


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


def page_of_too_many_torn_units(
    image: bytes,
    known: Sequence[bytes],
    announced: Sequence[range],
    *,
    unit_bytes: int,
    torn_max: int,
) -> int | None:
    """A strange page in the announced ranges, if more units hold such pages than can be torn.

    Units are finished one by one, so an interrupted write leaves one unit in between: neither
    blank nor any known image. More of them than there were interruptions means another chip
    whose contents happen to lie where this job was about to write. Not for a chip erase, which
    may leave all of it in between; it is only planned where a factory number tells the chip.
    """
    strange = ~(_equals_any(image, known) | _is_blank(image))
    per_unit = unit_bytes // _PAGE
    torn: set[int] = set()
    first: int | None = None
    for stretch in announced:
        pages = np.flatnonzero(strange[stretch.start // _PAGE : -(-stretch.stop // _PAGE)])
        pages = pages + stretch.start // _PAGE
        torn.update(int(unit) for unit in np.unique(pages // per_unit))
        first = int(pages[0]) * _PAGE if first is None and len(pages) else first
    return first if len(torn) > torn_max else None


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


def _largest_unit(chip: Identified) -> int:
    """Of the erase kinds that units are planned with; at least what is programmed in one go."""
    sizes = [kind.size for region in chip.profile.regions for kind in region.kinds]
    return max([*sizes, 1 << 16])
