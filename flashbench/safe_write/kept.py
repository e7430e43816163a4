"""What another chip held before a job is written to it, kept on disk: the evidence `Kept`."""

from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched, OtherChip
from flashbench.job.events import BestReadingSaved
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.safe_write.best_reading import unstable_ranges
from flashbench.safe_write.found import could_be_own_chip, suspect_on
from flashbench.safe_write.screening import is_constant, sha256_hex
from flashbench.safe_write.stable_read import StableRead
from flashbench.safe_write.which_chip import (
    can_be,
    chips_it_can_be,
    is_surely,
    refuse_half_written,
    told_by_contents,
)
from flashbench.wording import command_line

_SEAL: Final = object()


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Kept(Evidence):
    """A chip that can replace the job's own, read twice, and its contents on disk.

    Has no public constructor: see `keep_contents`. `number` names the chip in the journal.
    `suspect` is what a half-written chip of the job, from which only its contents tell this one,
    has to have erased in full, whatever it reads.
    """

    chip: Identified
    job: Job
    number: int
    image: bytes = field(repr=False)
    path: Path
    sha256: str
    suspect: tuple[range, ...]
    size_sources: tuple[str, ...]
    size_doubt: str | None
    change_count: int
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Kept has no public constructor: call keep_contents()")


def keep_contents(read: StableRead, job: Job) -> Kept:
    """Keep what another chip holds, as kept-N.bin, before the job may be written to it.

    Raises:
        TypeError: `read` is not a StableRead.
        StepRefused: the job has nothing to write yet.
        OtherChip: it is the very chip the job was dumped from, or may be: by its factory number,
            or, where it has none, by holding nothing that the own chip would not hold.
        ChipHalfWritten: it is a replacement of this job that is half-written.
        ChipUntouched: it was changed after it was read; the disk refused.
    """
    if not isinstance(read, StableRead):
        raise TypeError("keep_contents() takes the StableRead that read_twice() made")
    chip = read.chip
    chip.check_still_in_session()
    if chip.adapter.session.change_count != read.change_count:
        raise ChipUntouched(
            "The chip was changed after it was read twice.", next_step="Read it again."
        )
    _refuse_own_chip(chip, job, read.image)
    refuse_half_written(chip, job)
    saved = job.save_kept(read.image, chip.facts())
    return Kept(
        chip=chip,
        job=job,
        number=saved.number,
        image=read.image,
        path=saved.path,
        sha256=saved.sha256,
        suspect=suspect_on(job, _not_taken_for(chip, job, read.image)),
        size_sources=read.size_sources,
        size_doubt=read.size_doubt,
        change_count=read.change_count,
        seal=_SEAL,
    )


def _refuse_own_chip(chip: Identified, job: Job, image: bytes) -> None:
    dumped = job.dumped
    if dumped is None:
        raise StepRefused(
            f"Round {job.round_number} of job {job.label} has nothing to write yet.",
            next_step=f"Dump the board's chip first: {command_line('dump', job.folder)}",
        )
    if is_surely(chip, dumped):
        why = "has the factory number of the board's own chip"
    elif (
        can_be(chip, dumped)
        and chip.unique_id is None
        and None not in _not_taken_for(chip, job, image)
        and _holds_what_own_would(image, job)
    ):
        why = "has no factory number, and holds nothing that the board's own chip would not hold"
    else:
        return
    ways = (
        ""
        if isinstance(dumped, BestReadingSaved)
        else " To write to the own chip, leave --to-new-chip out."
    )
    raise OtherChip(
        f"The chip in the socket {why}: it is never written as a replacement.",
        next_step=f"Put the new chip in.{ways}",
    )


def _not_taken_for(chip: Identified, job: Job, image: bytes) -> tuple[int | None, ...]:
    """The half-written chips of the job that this one could be by its IDs, and is not."""
    try:
        possible = chips_it_can_be(chip, job)
    except ChipUntouched:
        return ()
    told = told_by_contents(job, possible, sha256_hex(image))
    return tuple(number for number in possible if number not in told)


def _holds_what_own_would(image: bytes, job: Job) -> bool:
    dumped = job.dumped
    if dumped is None or len(image) != dumped.size or is_constant(image):
        return False
    unstable: tuple[range, ...] = ()
    if isinstance(dumped, BestReadingSaved):
        unstable = unstable_ranges(job.load_best_reading())
    return could_be_own_chip(image, job, unstable=unstable)
