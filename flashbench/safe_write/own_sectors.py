"""How much of what a chip holds is the job's own: where no factory number tells, it may be its own.

A board writes settings of its own at every start, and its firmware may have been updated since the
dump: the own chip then holds neither the original nor an image any more, but still much of them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.sector_digests import SECTOR_BYTES
from flashbench.safe_write.best_reading import unstable_ranges

MUCH: Final = 4
"""A quarter of the sectors is much. What an update of the firmware leaves as it was (descriptor,
engine, settings) is often more, what two models of board have in common mostly far less: common
practice, no source."""

_ALIKE: Final = 8
"""A sector is alike if at most one in eight of its bytes that are not blank in both differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnSectors:
    """How many of the sectors that a chip holds are alike those of the job. Constant ones, blank
    or 00h, tell nothing and are left out."""

    alike: int
    count: int

    @property
    def is_much(self) -> bool:
        """Whether the chip may be the board's own by that."""
        return self.count > 0 and MUCH * self.alike >= self.count

    def sentence(self) -> str:
        """Without an end."""
        return (
            f"{self.alike} of the {self.count} sectors that it holds something in (4 KiB each) are"
            " much as this job has them: it may be the board's own, which ran since"
        )


def own_sectors(image: bytes, job: Job) -> OwnSectors:
    """Compare what a chip holds with what the job dumped and with its images, where intact.

    Where a best reading is unstable, nothing is compared. Raises what loading it raises.
    """
    held = _sectors(image)
    telling = held.min(axis=1) != held.max(axis=1)
    alike: npt.NDArray[np.bool_] = np.zeros(len(held), bool)
    for picture in _pictures(job, image):
        if len(picture) == len(image):
            alike |= _alike(held, _sectors(picture))
    return OwnSectors(
        alike=int(np.count_nonzero(alike & telling)), count=int(np.count_nonzero(telling))
    )


def _pictures(job: Job, image: bytes) -> list[bytes]:
    """What the own chip held, and what may have been written to it since."""
    if job.has_best_reading:
        best = job.load_best_reading()
        dumped = bytearray(best.data)
        for stretch in unstable_ranges(best):
            dumped[stretch.start : stretch.stop] = image[stretch.start : stretch.stop]
        pictures = [bytes(dumped)] if len(best.data) == len(image) else []
    else:
        pictures = [job.load_original().data]
    for number in range(1, (job.newest_image() or 0) + 1):
        try:
            pictures.append(job.load_image(number))
        except JobDamaged:
            continue
    return pictures


def _alike(one: npt.NDArray[np.uint8], other: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    differs = np.count_nonzero(one != other, axis=1)
    told = np.count_nonzero((one != 0xFF) | (other != 0xFF), axis=1)
    alike: npt.NDArray[np.bool_] = _ALIKE * differs <= told
    return alike


def _sectors(image: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(image, np.uint8).reshape(-1, SECTOR_BYTES)
