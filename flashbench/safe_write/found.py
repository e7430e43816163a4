"""What an accident left on the chip, read twice, kept on disk and explained: `Found`."""

from collections.abc import Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched
from flashbench.job.folder import Job
from flashbench.progress import Progress, silent
from flashbench.safe_write.stable_read import read_twice_except

_SEAL: Final = object()
_PAGE: Final = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A chip as an accident left it. Has no public constructor: see `read_for_recovery`.

    Every page outside `suspect` equals the original or an image of the job.
    """

    chip: Identified
    job: Job
    image: bytes = field(repr=False)
    suspect: tuple[range, ...]
    path: Path
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Found has no public constructor: call read_for_recovery()")


def read_for_recovery(chip: Identified, job: Job, *, progress: Progress = silent) -> Found:
    """Read the chip twice, keep what was found as `found-N.bin`, and explain every page.

    The journal is never believed that cells are good and always that they are suspect: a unit
    announced and not recorded as read back counts as unknown, whatever it reads now.

    Raises:
        ChipUntouched: two reads differ outside suspect units, or a page is neither the
            original's nor an image's and lies in no suspect unit: not this job's chip, or the
            board has run since.
    """
    _refuse_other_id(chip, job)
    unfinished = job.unfinished()
    suspect = tuple(unfinished.suspect) if unfinished is not None else ()
    image = read_twice_except(chip, suspect, keep_doubtful_in=job, progress=progress)
    path = job.save_found(image)
    known = [job.load_original().data, *job.announced_images()]
    strange = unexplained_page(image, known, suspect)
    if strange is not None:
        raise ChipUntouched(
            f"The page at {strange:#08x} is neither the original's nor an image's of job"
            f" {job.label}: not this job's chip, or it has run since.",
            next_step=(
                "Put that job's chip in. If this is the chip, only a replacement chip leads on:"
                " flashbench write JOB --to-new-chip"
            ),
        )
    return Found(chip=chip, job=job, image=image, suspect=suspect, path=path, seal=_SEAL)


def unexplained_page(image: bytes, known: Sequence[bytes], suspect: Sequence[range]) -> int | None:
    """The first page that equals no known image there and lies in no suspect range, or None.

    All of `known` are as long as `image`. Pages are 256 bytes.
    """
    pages = np.frombuffer(image, np.uint8).reshape(-1, _PAGE)
    explained: npt.NDArray[np.bool_] = np.zeros(len(pages), bool)
    for picture in known:
        explained |= (pages == np.frombuffer(picture, np.uint8).reshape(-1, _PAGE)).all(axis=1)
    for stretch in suspect:
        explained[stretch.start // _PAGE : -(-stretch.stop // _PAGE)] = True
    strange = np.flatnonzero(~explained)
    return int(strange[0]) * _PAGE if len(strange) else None


def _refuse_other_id(chip: Identified, job: Job) -> None:
    original = job.load_original()
    if chip.jedec_id == original.jedec_id and len(original.data) == chip.profile.density_bytes:
        return
    raise ChipUntouched(
        f"The chip in the socket (ID {chip.jedec_id.hex(' ')}) is not the one that job"
        f" {job.label} was dumped from (ID {original.jedec_id.hex(' ')}).",
        next_step="Put that job's chip in.",
    )
