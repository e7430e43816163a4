"""The steps of the job as the command line and the guide call them: one function each."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final

from flashbench.adapter.adapter import Adapter
from flashbench.chip import protection
from flashbench.chip.identity import Identified, identify
from flashbench.errors import (
    AdapterError,
    ChipHalfWritten,
    Interrupted,
    OtherChip,
    ReadsUnsteady,
)
from flashbench.image.change_sheet import ChangedRange, NamedRange, change_sheet, changed_ranges
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged, JobMissing, StepRefused
from flashbench.job.sector_digests import keep_sectors
from flashbench.progress import Progress, silent
from flashbench.safe_write import screening
from flashbench.safe_write._sender import WORN_FACTOR
from flashbench.safe_write.backup import Backup, reload_backup
from flashbench.safe_write.beside_half_written import (
    refuse_half_written_replacement,
    refuse_whole_chip,
)
from flashbench.safe_write.found import WhichChip, read_for_recovery
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.next_round import refuse_stranger_in_new_round
from flashbench.safe_write.plan import Plan, plan_recovery, plan_rewrite
from flashbench.safe_write.plan_units import NoErasePlan
from flashbench.safe_write.put_back import refuse_put_back
from flashbench.safe_write.rewrite import rewrite
from flashbench.safe_write.stable_read import ReadsDisagree
from flashbench.safe_write.verify import Verified, verify
from flashbench.safe_write.which_chip import name_of_chip, refuse_half_written
from flashbench.wording import command_line, quoted

_STOPS: Final = (
    AdapterError,
    Interrupted,
    JobDamaged,
    NoErasePlan,
    ReadsDisagree,
    ReadsUnsteady,
    StepRefused,
)
"""What stops a command without a doubt that the chip in the socket is the job's."""


def identify_for(
    adapter: Adapter,
    job: Job,
    *,
    supply_volts: float,
    marking: str | None = None,
    datasheet_volts: tuple[float, float] | None = None,
) -> Identified:
    """The chip on the adapter, for a job that has met it before. Raises what `identify` raises.

    The marking of the chip last written counts unless another is given, and so does the range
    that was read in the part's datasheet. An accident may have left the chip erasing: it is
    waited for as long as the job says that its longest erase takes.
    """
    known = job.load_chip_facts()
    if marking is None:
        marking = _marking_of(job, known)
    return identify(
        adapter,
        supply_volts=supply_volts,
        marking=marking,
        datasheet_volts=datasheet_volts or _datasheet_volts(known),
        busy_ms_max=WORN_FACTOR * job.file.limits.longest_erase_ms,
    )


def _datasheet_volts(facts: Mapping[str, object]) -> tuple[float, float] | None:
    """The range that somebody read in the datasheet when the chip was dumped, if any."""
    match facts.get("supply"):
        case {"datasheet_volts": [int() | float() as low, int() | float() as high]}:
            return float(low), float(high)
        case _:
            return None


def _marking_of(job: Job, own: Mapping[str, object]) -> str | None:
    """What stands on the chip that the job last wrote to, or else on the board's own."""
    unfinished = job.unfinished()
    last = job.last_written_chip_of_board if unfinished is None else unfinished.kept_number
    for kept in job.kept_chips:
        if kept.number == last:
            return kept.marking
    printed = own.get("marking")
    return printed if isinstance(printed, str) else None


def longest_stop_s(chip: Identified) -> float:
    """How long it may take until work on this chip has stopped and its protection is back."""
    erases_ms = [kind.ms_max for region in chip.profile.regions for kind in region.kinds]
    registers_ms = len(chip.registers) * chip.profile.status_write_ms_max
    return (WORN_FACTOR * max(erases_ms, default=0.0) + registers_ms) / 1000


@dataclass(slots=True)
class HalfWrittenBefore:
    """What is known, so far, of the chip that a command met."""

    may_be_in_the_socket: bool


@contextmanager
def outranked_by_unfinished(job: Job) -> Iterator[HalfWrittenBefore]:
    """A half-written chip stays half-written, whatever stops the command that meets it.

    Whoever learns that the chip in the socket is none of those says so by what is yielded.

    Raises:
        ChipHalfWritten: the work inside was stopped, and a write had been unfinished before.
            Only a refusal that doubts whether this is the job's chip at all stays what it is.
    """
    left = HalfWrittenBefore(may_be_in_the_socket=job.unfinished() is not None)
    try:
        yield left
    except _STOPS as error:
        if not left.may_be_in_the_socket:
            raise
        raise ChipHalfWritten(
            error.seen,
            next_step=error.next_step,
            state="The chip is half-written from before; this command changed nothing.",
        ) from error


def job_to_dump_into(folder: Path, *, again: bool = False) -> Job | None:
    """The job in `folder` that a dump goes on with, open; None if one is to be made.

    Raises:
        StepRefused: it has its original, and no new round (`again`) is asked for.
        JobMissing: a new round of a job that is not there.
        ChipUntouched: it cannot be opened.
    """
    try:
        job = Job.open(folder)
    except JobMissing:
        if again:
            raise
        return None
    if job.dumped is not None and not again:
        job.close()
        what = "its original" if job.has_original else "its best reading"
        raise StepRefused(
            f"Job {job.label} has {what}, which is never replaced.",
            next_step="If the board ran since and its chip is back, add --again for a new round;"
            " for another chip name another folder.",
        )
    return job


def job_for_dump(
    job: Job | None,
    chip: Identified,
    folder: Path,
    *,
    label: str | None = None,
    progress: Progress = silent,
) -> Job:
    """The job a dump of `chip` goes into: `job`, in a new round if it has its original.

    Raises:
        ChipHalfWritten: a write to this very chip, by its factory number or by what it holds, is
            not proven.
        OtherChip: a new round, and the chip is none of the job's, or blank where none was.
        StepRefused, ChipUntouched: what `Job.create` and `Job.open_round` raise.
    """
    if job is None:
        return Job.create(folder, chip, label=label)
    if job.dumped is not None:
        refuse_half_written(chip, job)
        refuse_put_back(chip, job, progress=progress)
        refuse_stranger_in_new_round(chip, job)
        job.open_round(chip)
    return job


@dataclass(frozen=True, slots=True, kw_only=True)
class Edited:
    """An edited image that the job has taken in."""

    number: int
    sha256: str
    original: bytes = field(repr=False)
    image: bytes = field(repr=False)
    ranges: tuple[ChangedRange, ...]

    @property
    def changed_bytes(self) -> int:
        """Bytes that differ from the original."""
        return sum(changed.length for changed in self.ranges)


def take_in(
    job: Job,
    image: bytes,
    *,
    names: Sequence[NamedRange] = (),
    told: Mapping[str, object] = MappingProxyType({}),
) -> Edited:
    """Store an edited image, with its change sheet against the original.

    `names` of what lies in the changed ranges go into the sheet, and so does what is `told`
    besides: reasons, answers, doubts.

    Raises:
        StepRefused: as `demand_new_image` does, or a write is unfinished.
        ChipUntouched: the original is not as saved, or the disk refused.
    """
    backup = source_of(job)
    original = backup.image
    demand_new_image(job, original, image)
    number = job.save_image(image, {**told, **change_sheet(original, image, names=names)})
    keep_sectors(backup.path.parent, f"image-{number}.bin", image)
    return Edited(
        number=number,
        sha256=screening.sha256_hex(image),
        original=original,
        image=image,
        ranges=changed_ranges(original, image),
    )


def demand_new_image(job: Job, original: bytes, image: bytes) -> None:
    """Return if `image` could be an edit of the job's original.

    Raises:
        StepRefused: wrong size, equal to the original or to an image the job has.
    """
    if len(image) != len(original):
        raise StepRefused(
            f"The image has {len(image)} bytes, the original {len(original)}.",
            next_step="Take an image made from this job's own dump; nothing is padded or cut.",
        )
    if image == original:
        raise StepRefused(
            f"The image is the original of job {job.label}: it changes nothing.",
            next_step="Edit a copy of original.bin, and name the copy.",
        )
    known = job.image_number(screening.sha256_hex(image))
    if known is not None:
        raise StepRefused(
            f"Job {job.label} has this very image already, as image {known}.",
            next_step=f"Write it: flashbench write {quoted(job.folder)} --image {known}",
        )


def plan_write(
    chip: Identified,
    job: Job,
    *,
    image_number: int | None = None,
    which: WhichChip | None = None,
    progress: Progress = silent,
) -> Plan:
    """The plan of `write`: to the image named, or the newest one of the job.

    While a replacement is half-written the board's own chip is written only if `which` says it.

    Raises:
        ChipHalfWritten: the chip is a half-written one of the job.
        OtherChip: it is none of the job's, or another one than was left half-written.
        ChipUntouched: there is no image, or whatever `plan_rewrite` refuses.
    """
    backup, image = demand_image(job, image_number)
    refuse_half_written_replacement(chip, job)
    refuse_whole_chip(chip, job, which=which)
    return plan_rewrite(chip, backup, image, progress=progress)


def demand_image(job: Job, image_number: int | None = None) -> tuple[Backup, bytes]:
    """What `write` starts from and leads to: the image named, or the newest. Needs no chip.

    Raises:
        ChipUntouched: there is no original or no such image, or one is not as saved.
    """
    backup = reload_backup(job)
    return backup, job.target if image_number is None else job.load_image(image_number)


def demand_unfinished(job: Job) -> None:
    """Return if there is something to finish. Needs no chip.

    Raises:
        StepRefused: no write of this job is unfinished, or it leads back and there is no image.
    """
    if not job.half_written_chips:
        raise StepRefused(
            f"Job {job.label} has no unfinished write: there is nothing to finish.",
            next_step=f"To write its image: {command_line('write', job.folder)}"
            f"  (original: {command_line('restore', job.folder)})",
        )
    if job.is_going_back and job.newest_image() is None:
        raise StepRefused(
            f"What was begun leads back to the original, and job {job.label} has no image to go on"
            " to instead.",
            next_step=f"Go on back: {command_line('restore', job.folder)}",
        )


def change_of_way(job: Job) -> str | None:
    """What `finish` does to a chip that was on its way back to the original; else None."""
    if not job.is_going_back:
        return None
    return (
        "restore was begun and is not proven. finish does not go on with it: it leads to the new"
        f" image. To go on back to the original: {command_line('restore', job.folder)}"
    )


def plan_finish(
    chip: Identified, job: Job, *, which: WhichChip | None = None, progress: Progress = silent
) -> Plan:
    """The plan of `finish`: from whatever an accident left, on to the job's image.

    `which` chip of the job it is, is asked only where nothing else tells.

    Raises:
        StepRefused: no write is unfinished.
        ChipUntouched: whatever `read_for_recovery` and `plan_recovery` refuse.
    """
    demand_unfinished(job)
    source = source_of(job)
    target = job.target
    found = read_for_recovery(chip, job, which=which, progress=progress)
    if job.unfinished_on(found.kept_number) is None:
        half_written = " and ".join(name_of_chip(job, n) for n in job.half_written_chips)
        raise OtherChip(
            f"The chip in the socket is {name_of_chip(job, found.kept_number)} of job"
            f" {job.label}, or holds just what that one would, and nothing of it is unfinished."
            f" Half-written is {half_written}.",
            next_step="Put that chip in. This one needs nothing:"
            f" {command_line('verify', job.folder)} says what it holds.{_if_it_is(job, chip)}",
        )
    return plan_recovery(found, source, target=target)


def _if_it_is(job: Job, chip: Identified) -> str:
    """What leads on where no factory number tells that it is not the half-written one."""
    if chip.unique_id is not None:
        return ""
    another = command_line("write", job.folder, "--to-new-chip")
    return f" If it is the half-written one, leave it as it is, and write to another: {another}"


def plan_restore(
    chip: Identified,
    job: Job,
    *,
    image_number: int | None = None,
    which: WhichChip | None = None,
    progress: Progress = silent,
) -> Plan:
    """The plan of `restore`: from whatever the chip holds now, back to the original.

    Or to the image that the original of another round was taken in as. While another chip of the
    job is half-written, a whole one is changed only if `which` says that it is the one.
    """
    source = source_of(job)
    refuse_whole_chip(chip, job, which=which)
    target = source.image if image_number is None else job.load_image(image_number)
    found = read_for_recovery(chip, job, which=which, progress=progress)
    return plan_recovery(found, source, target=target)


def carry_out(plan: Plan, *, progress: Progress = silent) -> Verified:
    """Rewrite and verify. Raises what the two steps raise."""
    return verify(rewrite(plan, progress=progress), progress=progress)


def protection_in_the_way(plan: Plan) -> tuple[range, ...]:
    """The protected stretches of the array that the plan must change something in."""
    return tuple(
        stretch
        for stretch in protection.protected_ranges(plan.chip.registers, plan.chip.profile)
        if any(
            stretch.start < unit.start + unit.size and unit.start < stretch.stop
            for unit in plan.cells.units
        )
    )


def stays_open_until_power_off(plan: Plan) -> bool:
    """Whether what is opened for the plan is locked again by the next power-up only."""
    locks = protection.block_locks(plan.chip.registers, plan.chip.profile)
    return locks is protection.BlockLocks.UNTIL_POWER_OFF
