"""The dump: contact and clock first, then two reads, and where they differ a closer look."""

from contextlib import suppress
from dataclasses import dataclass

from flashbench.chip.contact import SLOW_HZ, ClockProof, look_closer, settle_clock
from flashbench.chip.diagnosis import Finding
from flashbench.chip.identity import Identified
from flashbench.chip.profile import Address
from flashbench.errors import AdapterError
from flashbench.job.events import ReadDisagreed
from flashbench.job.folder import Job
from flashbench.job.sector_digests import keep_sectors
from flashbench.progress import Progress, silent
from flashbench.safe_write.backup import Backup, back_up
from flashbench.safe_write.stable_read import ReadsDisagree, StableRead, read_twice
from flashbench.wording import command_line


@dataclass(frozen=True, slots=True, kw_only=True)
class Dumped:
    """A dump that is backed up: the evidence of both steps, and the clock it was read at."""

    read: StableRead
    backup: Backup
    clock: ClockProof | None


def dump(chip: Identified, job: Job, *, progress: Progress = silent) -> Dumped:
    """Find the clock, read the chip twice at it and back it up into `job`.

    The adapter's clock is the fastest wanted.

    Raises:
        ReadsUnsteady: the contact is not good, found before the first whole read.
        ReadsDisagree: the reads differ; it says whether cells, contact or clock are to blame.
        FlashbenchError: what `read_twice` and `back_up` raise.
    """
    clock = settle_clock(chip, progress=progress)
    with chip.adapter.clock_limited_to(clock.clock_hz if clock is not None else SLOW_HZ):
        try:
            read = read_twice(chip, keep_doubtful_in=job, progress=progress)
        except ReadsDisagree as error:
            raise _looked_at(chip, job, error) from error
    backup = back_up(read, job)
    keep_sectors(backup.path.parent, backup.path.name, backup.image)
    return Dumped(read=read, backup=backup, clock=clock)


def _looked_at(chip: Identified, job: Job, error: ReadsDisagree) -> ReadsDisagree:
    """The same refusal, with the count against the last try and what a closer look shows."""
    found = error.difference
    if found is None:
        return error
    said, next_step = [error.seen], error.next_step
    before = _last_count(job)
    if before is not None:
        said.append(f"At the last try {before} differed, now {found.byte_count}.")
    job.record(
        ReadDisagreed(byte_count=found.byte_count, first_address=found.first, ways=error.ways)
    )
    with suppress(AdapterError):
        closer = look_closer(chip, Address(found.first))
        said += [f"Looked at again around {found.first:06X}h:", *closer.sentences]
        next_step = closer.next_action if closer.flips is not None else next_step
        if closer.name is Finding.WEAK_CELLS:
            next_step = f"Dump again at once. {_best_effort(job)}"
            before = None  # the door is named already
    if before is not None:
        next_step += f" {_best_effort(job)}"
    return ReadsDisagree(
        " ".join(said),
        next_step=f"{next_step} To look closer: flashbench check-contact"
        f" --supply {chip.supply_volts:g} --around {found.first:X}",
        kept=error.kept,
        difference=found,
        ways=error.ways,
    )


def _best_effort(job: Job) -> str:
    return (
        "If two reads never agree, keep what most of several say, for another chip:"
        f" {command_line('dump', job.folder, '--best-effort')}."
    )


def _last_count(job: Job) -> int | None:
    """In how many bytes two reads of this round differed at the last try."""
    counts = [event.byte_count for event in job.story if isinstance(event, ReadDisagreed)]
    return counts[-1] if counts else None
