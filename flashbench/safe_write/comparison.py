"""What the chip in the socket holds, compared with all that its job has on disk. Never writes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, OtherChip, StrangeContents
from flashbench.job.folder import Job
from flashbench.job.left_behind import was_replaced
from flashbench.job.refusals import JobDamaged
from flashbench.job.unfinished import UnfinishedWrite
from flashbench.job.way_on import ways_on
from flashbench.progress import Progress, silent
from flashbench.safe_write import _following
from flashbench.safe_write.found import explained_by
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.which_chip import (
    bagged_sentence,
    chips_it_can_be,
    is_still_wanted,
    name_of_chip,
    told_by_contents,
)
from flashbench.wording import quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What the chip in the socket holds, seen from one job. Nothing was changed.

    `equals` names what it equals: "original", "image 2"; None if neither. Then `nearest` is the
    one it resembles most, `differing_bytes` how much is different, first at `first_difference`.
    `chip` names the chip of the job that it is; `doubts` are sentences on damaged files, which
    were not compared with, on how it was told from a half-written one, and on another chip of the
    job that is half-written.
    """

    chip: str
    doubts: tuple[str, ...]

    equals: str | None
    nearest: str
    differing_bytes: int
    first_difference: int | None
    unfinished: bool
    sha256: str


def compare(chip: Identified, job: Job, *, progress: Progress = silent) -> Comparison:
    """Read the chip once and compare it with the job's original and images. Never writes.

    Raises:
        ChipUntouched: another chip, by its ID, size or unique ID.
        JobDamaged: not one file of the job is as saved, or the original is not and the chip
            holds none of the others.
    """
    possible = chips_it_can_be(chip, job)
    candidates, doubts = _intact_pictures(job)
    digest = _following.Digest()
    compared = [(name, _following.Comparison(data)) for name, data in candidates]
    with _following.Following(digest.work, *(p.work for _, p in compared)) as following:
        held = reading.read_whole(
            chip,
            kind=ReadKind.PLAIN,
            sck_hz=reading.read_hz(chip, ReadKind.PLAIN),
            step="verify",
            progress=progress,
            arriving=following.arriving,
        )
    nearest, picture = min(compared, key=lambda item: item[1].differing_bytes)
    if not picture.equal:
        source_of(job)  # a chip like a damaged original would be called a stranger's
    told = told_by_contents(chip, job, _that_explain(held, chip, job, possible), digest.sha256)
    if picture.equal and told != possible:
        doubts = (*doubts, _how_it_was_told(job, told, possible))
    left = [n for n in job.half_written_chips if n not in possible and is_still_wanted(job, n)]
    doubts = (*doubts, *(f"Half-written elsewhere: {bagged_sentence(job, n)}." for n in left))
    return Comparison(
        chip=" or ".join(name_of_chip(job, number) for number in told),
        doubts=doubts,
        equals=nearest if picture.equal else None,
        nearest=nearest,
        differing_bytes=picture.differing_bytes,
        first_difference=picture.first_difference,
        unfinished=any(job.unfinished_on(number) is not None for number in told),
        sha256=digest.sha256,
    )


def _that_explain(
    held: bytes, chip: Identified, job: Job, possible: tuple[int | None, ...]
) -> tuple[int | None, ...]:
    """The possible chips, without half-written ones that cannot hold this, where others are left.

    A chip that ran on its board since is one of those others.
    """
    left = [number for number in possible if job.unfinished_on(number) is not None]
    if chip.unique_id is not None or job.unfinished() is not None or len(left) == len(possible):
        return possible
    try:
        explained = explained_by(held, job, left, unique_id=None).torn
    except JobDamaged:
        return possible
    return tuple(n for n in possible if n not in left or n in explained)


def _how_it_was_told(job: Job, told: Sequence[int | None], possible: Sequence[int | None]) -> str:
    """Why this is taken for one chip and not for another, which nobody may take for it."""
    chip = " or ".join(name_of_chip(job, number) for number in told)
    others = ", and ".join(bagged_sentence(job, n) for n in possible if n not in told)
    return (
        f"It has no factory number. It is taken for {chip}, since it holds just what that one was"
        f" proven to hold; {others}."
    )


def _intact_pictures(job: Job) -> tuple[list[tuple[str, bytes]], tuple[str, ...]]:
    """What the newest round dumped and its images, by name, and a sentence on each damaged one."""
    pictures: list[tuple[str, bytes]] = []
    damage: list[JobDamaged] = []
    dumped = "best reading" if job.has_best_reading else "original"
    loads: list[tuple[str, Callable[[], bytes]]] = [(dumped, lambda: source_of(job).image)]
    newest = job.newest_image() or 0
    loads += [(f"image {n}", partial(job.load_image, n)) for n in range(newest, 0, -1)]
    for name, load in loads:
        try:
            pictures.append((name, load()))
        except JobDamaged as error:
            damage.append(error)
    if not pictures:
        raise damage[0]
    return pictures, tuple(f"Not compared with: {error.seen}" for error in damage)


def _unfinished_of(held: Comparison, job: Job) -> UnfinishedWrite:
    """The unfinished write of the chip that was compared; of several the job's last."""
    numbers = [n for n in job.half_written_chips if name_of_chip(job, n) in held.chip]
    writes = [one for n in numbers if (one := job.unfinished_on(n)) is not None]
    last = job.unfinished()
    return last if last is not None and last in writes else writes[0]


def demand_known(held: Comparison, job: Job) -> None:
    """Return if the chip holds something this job knows and nothing is left unproven.

    Raises:
        ChipHalfWritten: a write was begun and is not proven, whatever the cells read.
        ChipUntouched: the chip holds neither the original nor an image.
    """
    folder = quoted(job.folder)
    if held.unfinished:
        write = _unfinished_of(held, job)
        number = write.kept_number
        if number is not None and was_replaced(job.story, number):
            raise OtherChip(
                f"The chip in the socket is {name_of_chip(job, number)} of job {job.label}. It was"
                " left half-written, and another one took its place.",
                next_step="It belongs in a bag that says so, and is not to be used. Put in the"
                " chip that the board has now.",
            )
        raise ChipHalfWritten(
            f"A write of job {job.label} was begun and is not proven.",
            next_step=f"Run: {ways_on(job.folder, job.story, write)}",
        )
    if held.equals is None:
        raise StrangeContents(
            f"The chip holds neither the original nor an image of job {job.label}:"
            f" {held.differing_bytes} bytes differ from {held.nearest}, first at"
            f" {held.first_difference:#08x}.",
            next_step="If the board ran since, dump it again in a new round:"
            f" flashbench dump {folder} --again",
        )
