"""Whose chip is this? A chip's contents against every original and image on the shelf."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.identity import Identified
from flashbench.job.disk import Disk
from flashbench.job.layout import round_folder
from flashbench.job.sector_digests import (
    DIGEST_BYTES,
    SECTOR_BYTES,
    digest_sectors,
    load_sectors,
    make_sectors,
)
from flashbench.progress import Progress, silent
from flashbench.safe_write.working_clock import read_at_settled_clock
from flashbench.shelf.entry import ChipId, Entry, StoredImage

_BLANK: Final = digest_sectors(b"\xff" * SECTOR_BYTES)
Digests = npt.NDArray[np.uint64]
"""Of the sectors of an image, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipSeen:
    """A chip in the socket, read once. Nothing was changed."""

    chip: ChipId
    registers: Mapping[str, int]
    contents: bytes = field(repr=False)

    @property
    def sha256(self) -> str:
        """Of the whole array, in hex."""
        return hashlib.sha256(self.contents).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """How much of one stored image is on the chip.

    `equal` means byte for byte, by the hash of the whole. Sectors (4 KiB) that are blank in both
    count for nothing, so `sector_count` is less than the chip has.
    """

    entry: Entry
    image: StoredImage
    equal: bool
    same_sectors: int
    sector_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Whose:
    """What the shelf knows of a chip.

    `by_unique_id` are the jobs that met a chip of this very number. `equal` are all images that
    it holds byte for byte, of any job. Without an equal one that could be its own, `nearest` are
    those it resembles, the most alike image of each job, best first.
    """

    seen: ChipSeen = field(repr=False)
    by_unique_id: tuple[Entry, ...]
    equal: tuple[Likeness, ...]
    nearest: tuple[Likeness, ...]

    @property
    def owner(self) -> Entry | None:
        """The one job that it belongs to; None if that is not clear."""
        if len(self.by_unique_id) == 1:
            return self.by_unique_id[0]
        owners = {each.entry.folder: each.entry for each in self._own_equal}
        if len(owners) == 1:
            return next(iter(owners.values()))
        if owners or not self.nearest:
            return None
        first, *others = self.nearest
        more_than_half = 2 * first.same_sectors > first.sector_count
        alone = not others or others[0].same_sectors < first.same_sectors
        return first.entry if more_than_half and alone else None

    @property
    def is_spare(self) -> bool:
        """Whether it is a chip that was made a spare from its owner's job, and no board's.

        Without a unique ID what it holds must tell: something that no chip of the board held.
        """
        owner, seen = self.owner, self.seen
        if owner is None:
            return False
        if seen.chip.unique_id is not None:
            return seen.chip in owner.spare_chips
        return seen.sha256 in owner.held_by_spares - owner.held_by_board

    @property
    def held(self) -> Likeness | None:
        """What of its owner's it holds, or most resembles; the newest of several."""
        owner = self.owner
        known = [
            each
            for each in (*self.nearest, *self.equal)
            if owner is not None and each.entry.folder == owner.folder
        ]
        return known[-1] if known else None

    @property
    def _own_equal(self) -> tuple[Likeness, ...]:
        """Equal images of the jobs that met this chip, if any did."""
        own = tuple(each for each in self.equal if each.entry in self.by_unique_id)
        return own or self.equal


def read_chip(chip: Identified, *, progress: Progress = silent) -> ChipSeen:
    """Read the whole chip once. Raises what reading raises."""
    contents = reading.read_whole(
        chip,
        kind=ReadKind.PLAIN,
        sck_hz=reading.read_hz(chip, ReadKind.PLAIN),
        step="read",
        progress=progress,
    )
    return _seen(chip, contents)


def read_chip_surely(
    chip: Identified, *, avoiding: Sequence[range] = (), progress: Progress = silent
) -> ChipSeen:
    """As `read_chip`, contact and clock checked first: where a wrong byte lets a wrong chip pass.

    `avoiding` are ranges that an accident left half-done. Raises as `read_at_settled_clock`.
    """
    contents = read_at_settled_clock(chip, avoiding=avoiding, step="read", progress=progress)
    return _seen(chip, contents)


def _seen(chip: Identified, contents: bytes) -> ChipSeen:
    unique_id = None if chip.unique_id is None else chip.unique_id.hex()
    return ChipSeen(
        chip=ChipId(jedec_id=chip.jedec_id.hex(), unique_id=unique_id),
        contents=contents,
        registers={register.name: value for register, value in chip.registers.items()},
    )


def whose(
    seen: ChipSeen,
    entries: Sequence[Entry],
    *,
    disk: Disk | None = None,
    progress: Progress = silent,
) -> Whose:
    """Which job's chip `seen` is.

    Hashes of whole images come from the journals. Only if none is equal are sectors compared, of
    jobs with a chip of this ID and, where both are known, this unique ID; a job's images are read
    for that once, and their sector digests are kept in the job.
    """
    disk = disk or Disk()
    sha256 = seen.sha256
    count = -(-len(seen.contents) // SECTOR_BYTES)
    equal = tuple(
        Likeness(entry=entry, image=image, equal=True, same_sectors=count, sector_count=count)
        for entry in entries
        for image in entry.images
        if image.sha256 == sha256
    )
    by_number = tuple(
        entry for entry in entries if seen.chip.unique_id is not None and seen.chip in entry.chips
    )
    candidates = by_number or [entry for entry in entries if _can_be_of(entry, seen.chip)]
    explained = any(each.entry in by_number for each in equal) if by_number else bool(equal)
    nearest = () if explained else _nearest(disk, seen, candidates, progress)
    return Whose(seen=seen, by_unique_id=by_number, equal=equal, nearest=nearest)


def _can_be_of(entry: Entry, chip: ChipId) -> bool:
    """Whether a job met a chip of this ID whose number is not known to be another."""
    return any(
        known.jedec_id == chip.jedec_id
        and (None in (known.unique_id, chip.unique_id) or known.unique_id == chip.unique_id)
        for known in entry.chips
    )


def _nearest(
    disk: Disk, seen: ChipSeen, candidates: Sequence[Entry], progress: Progress
) -> tuple[Likeness, ...]:
    held = as_numbers(digest_sectors(seen.contents))
    best: list[Likeness] = []
    for number, entry in enumerate(candidates):
        progress("compare", number, len(candidates), None)
        alike = list(_likenesses(disk, held, entry, size=len(seen.contents)))
        if alike:
            best.append(max(alike, key=lambda one: one.same_sectors))
    progress("compare", len(candidates), len(candidates), None)
    best.sort(key=lambda one: -one.same_sectors)
    return tuple(one for one in best if one.same_sectors)


def _likenesses(disk: Disk, held: Digests, entry: Entry, *, size: int) -> Iterator[Likeness]:
    blank = as_numbers(_BLANK)[0]
    for image in entry.images:
        if image.size != size:
            continue
        digests = digests_of(disk, entry, image)
        if digests is None:
            continue
        stored = as_numbers(digests)
        telling = (held != blank) | (stored != blank)
        yield Likeness(
            entry=entry,
            image=image,
            equal=False,
            same_sectors=int(np.count_nonzero((held == stored) & telling)),
            sector_count=int(np.count_nonzero(telling)),
        )


def digests_of(disk: Disk, entry: Entry, image: StoredImage) -> bytes | None:
    """The sector digests of a job's image, kept in the job; None if it is not as saved."""
    folder = round_folder(entry.folder, image.round_number)
    known = load_sectors(folder, image.file, sha256=image.sha256, size=image.size, disk=disk)
    if known is not None:
        return known
    return make_sectors(folder, image.file, sha256=image.sha256, disk=disk)


def as_numbers(digests: bytes) -> Digests:
    """One number a sector."""
    return np.frombuffer(digests, dtype=np.dtype(f"u{DIGEST_BYTES}"))
