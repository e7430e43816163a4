"""What another chip held before a job is written to it, kept on disk: the evidence `Kept`."""

from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, ChipUntouched, OtherChip
from flashbench.job.events import BestReadingSaved, OriginalSaved
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.job.unfinished import targets_on
from flashbench.job.way_on import ways_on
from flashbench.safe_write.best_reading import unstable_ranges
from flashbench.safe_write.found import could_be_own_chip, half_written_it_can_be, suspect_on
from flashbench.safe_write.own_sectors import own_sectors
from flashbench.safe_write.screening import is_constant, sha256_hex
from flashbench.safe_write.stable_read import StableRead
from flashbench.safe_write.which_chip import (
    JournalledChip,
    can_be,
    chips_it_can_be,
    is_surely,
    is_surely_another,
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


def keep_contents(read: StableRead, job: Job, *, chip_of: Job | None = None) -> Kept:
    """Keep what another chip holds, as kept-N.bin, before the job may be written to it.

    `chip_of` is the job of another board, which is given up: its chip, dumped from its own bag and
    unchanged since, may be taken although it holds much of what the own chip holds; and so may a
    spare that was made from that job.

    Raises:
        TypeError: `read` is not a StableRead.
        StepRefused: the job has nothing to write yet.
        OtherChip: it is the very chip the job was dumped from, or may be: by its factory number,
            or, where that does not tell, by how much of what it holds is this job's; or it is not
            the chip of `chip_of`.
        ChipHalfWritten: it is a replacement of this job that is half-written, or may be one.
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
    _refuse_own_chip(chip, job, read.image, chip_of)
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


def _refuse_own_chip(chip: Identified, job: Job, image: bytes, chip_of: Job | None) -> None:
    dumped = job.dumped
    if dumped is None:
        raise StepRefused(
            f"Round {job.round_number} of job {job.label} has nothing to write yet.",
            next_step=f"Dump the board's chip first: {command_line('dump', job.folder)}",
        )
    if chip_of is not None:
        _demand_chip_of(chip_of, chip, image, job)
    if is_surely(chip, dumped):
        why = "has the factory number of the board's own chip"
    elif is_surely_another(chip, dumped) or _is_known_replacement(chip, job, image):
        return
    elif _holds_what_own_would(image, job):
        number = _number_text(chip, dumped)
        why = f"{number}, and holds nothing that the board's own chip would not hold"
    elif chip_of is None and (alike := own_sectors(image, job)).is_much:
        why = f"{_number_text(chip, dumped)}, and {alike.sentence()}"
    else:
        return
    seen = f"The chip in the socket {why}: it is never written as a replacement."
    next_step = f"Put the new chip in.{_ways_besides(chip, job, dumped)}"
    if half_written_it_can_be(image, chip, job):
        raise ChipHalfWritten(
            seen,
            next_step=next_step,
            state="The chip may be half-written from before; this command changed nothing.",
        )
    raise OtherChip(seen, next_step=next_step)


def _number_text(chip: Identified, dumped: JournalledChip) -> str:
    if chip.unique_id is not None:
        return "has a factory number, which was not read when the board's own was dumped"
    if dumped.unique_id is not None:
        return "tells no factory number now, as the board's own did at its dump"
    return "has no factory number"


def _ways_besides(chip: Identified, job: Job, dumped: BestReadingSaved | OriginalSaved) -> str:
    ways = ""
    if not isinstance(dumped, BestReadingSaved):
        ways += " To write to the own chip, leave --to-new-chip out."
    if job.half_written_chips:
        left = job.unfinished() or job.unfinished_on(job.half_written_chips[0])
        if left is not None:
            ways += f" If it was left half-written: {ways_on(job.folder, job.story, left)}."
    if is_surely(chip, dumped):
        return ways
    return ways + (
        " If it is the chip of another board, and that one is given up: dump it, from its own bag,"
        " into a job of its own, and name that job (--chip-of)."
    )


def _is_known_replacement(chip: Identified, job: Job, image: bytes) -> bool:
    """Whether it holds, byte for byte, what a replacement was proven to hold and the own chip not.

    Or cannot be the own one, since that was left half-written before.
    """
    sha256 = sha256_hex(image)
    own = job.dumped
    if own is None or sha256 == own.sha256 or sha256 in targets_on(job.story, None):
        return None in _not_taken_for(chip, job, image)
    others = (one.number for one in job.kept_chips if can_be(chip, one))
    return any(sha256 in job.proven_images(number) for number in others)


def _demand_chip_of(other: Job, chip: Identified, image: bytes, job: Job) -> None:
    """Return if `chip` is another board's, as far as its own job can show it.

    Raises:
        OtherChip: it is not, or that job is the same board's.
    """
    dumped = other.dumped
    if any(sha256_hex(image) in other.proven_images(number) for number in other.spare_chips):
        return  # a spare that the other job made, unchanged since
    if other.folder.resolve() == job.folder.resolve() or not isinstance(dumped, OriginalSaved):
        raise OtherChip(
            f"Job {other.label} is no job of another board whose chip was dumped.",
            next_step="Name the job into which the chip in the socket was dumped from its own bag.",
        )
    if not can_be(chip, dumped) or other.load_original().data != image or other.half_written_chips:
        raise OtherChip(
            f"The chip in the socket does not hold, byte for byte, what job {other.label} dumped:"
            " it is another chip, or was changed since.",
            next_step="Put that job's chip in, or dump this one again, from its own bag:"
            f" {command_line('dump', other.folder, '--again')}",
        )


def _not_taken_for(chip: Identified, job: Job, image: bytes) -> tuple[int | None, ...]:
    """The half-written chips of the job that this one could be by its IDs, and is not."""
    try:
        possible = chips_it_can_be(chip, job)
    except ChipUntouched:
        return ()
    told = told_by_contents(chip, job, possible, sha256_hex(image))
    return tuple(number for number in possible if number not in told)


def _holds_what_own_would(image: bytes, job: Job) -> bool:
    dumped = job.dumped
    if dumped is None or len(image) != dumped.size or is_constant(image):
        return False
    unstable: tuple[range, ...] = ()
    if isinstance(dumped, BestReadingSaved):
        unstable = unstable_ranges(job.load_best_reading())
    return could_be_own_chip(image, job, unstable=unstable)
