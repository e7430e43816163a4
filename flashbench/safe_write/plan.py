"""What will be done to which unit of which chip: the evidence `Plan`, made after a fresh read."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import InitVar, dataclass, field, replace
from typing import Final, NoReturn, final

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind, Register
from flashbench.chip.carry_over import CarryOver, carry_over
from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.chip.profile import ChipProfile
from flashbench.chip.remembered import remember
from flashbench.errors import ChipHalfWritten, ChipUntouched, StrangeContents
from flashbench.image.change_sheet import change_sheet
from flashbench.job.folder import Job
from flashbench.job.unfinished import UnfinishedWrite
from flashbench.job.way_on import ways_on
from flashbench.progress import Progress, silent
from flashbench.safe_write import screening
from flashbench.safe_write._following import Comparison, Digest, Following
from flashbench.safe_write.backup import Backup
from flashbench.safe_write.best_reading import BestReading
from flashbench.safe_write.fit import differences, refuse_unfit_size, refuse_unfit_supply
from flashbench.safe_write.found import Found
from flashbench.safe_write.kept import Kept
from flashbench.safe_write.plan_units import UnitsPlan, plan_units
from flashbench.safe_write.same_chip import refuse_other_chip
from flashbench.wording import command_line

_SEAL: Final = object()
LOCK_PREFIX: Final = "BLOCK_"
"""How the journal's names of block locks begin; no register's does."""


@dataclass(slots=True)
class _Use:
    """A Plan is used once: made, then running, then spent."""

    begun: bool = False
    running: bool = False


@final
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan(Evidence):
    """From what the chip holds to what it shall hold. Used once, by `rewrite`.

    Has no public constructor: `plan_rewrite` and `plan_recovery` make one from a fresh read
    of the chip. `current` is the picture it was planned from; the bytes in `suspect`
    were left half-done by this job and are not trusted. `registers` are the values that the
    chip shall have again at the end; `locks_before` are block locks, by their names in the
    journal, that this job opened before an accident. `doubts` are sentences for whoever agrees
    to it. A plan for a replacement chip has its `kept_number`, what it sets in its registers for
    good (`carry_over`), and in sentences how it differs from the board's own (`differences`).
    """

    chip: Identified
    job: Job
    current: bytes = field(repr=False)
    suspect: tuple[range, ...]
    target: bytes = field(repr=False)
    target_name: str
    target_sha256: str
    original_sha256: str
    cells: UnitsPlan = field(repr=False)
    registers: dict[Register, int]
    locks_before: dict[str, int]
    doubts: tuple[str, ...]
    change_count: int
    kept_number: int | None
    carry_over: CarryOver | None
    differences: tuple[str, ...]
    use: _Use = field(repr=False)
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Plan has no public constructor: call plan_rewrite()")

    @property
    def changes_nothing(self) -> bool:
        """True if the chip already holds the target and needs no register put back."""
        carries = self.carry_over is not None and bool(self.carry_over.commands)
        return not self.cells.units and not self.registers_differ and not carries

    @property
    def final_registers(self) -> dict[Register, int]:
        """What the registers shall read when all is done."""
        return self.registers if self.carry_over is None else self.carry_over.registers

    @property
    def registers_differ(self) -> bool:
        """True if a register is not what it shall be at the end, or a block lock may not be."""
        if self.locks_before:
            return True
        found = self.chip.registers
        return any(found.get(register) != value for register, value in self.registers.items())

    @contextmanager
    def running(self) -> Iterator[None]:
        """The one time this Plan is carried out.

        Raises:
            ChipUntouched: it was used before, or the chip was changed since it was made.
        """
        if self.use.begun:
            raise ChipUntouched(
                "This plan was used before.", next_step="Plan again: the chip is read anew."
            )
        self.chip.check_still_in_session()
        if self.chip.adapter.session.change_count != self.change_count:
            raise ChipUntouched(
                "The chip was changed after this plan was made.",
                next_step="Plan again: the chip is read anew.",
            )
        self.use.begun = self.use.running = True
        try:
            yield
        finally:
            self.use.running = False

    def demand_running(self) -> None:
        """Raise TypeError unless this Plan is being carried out at this moment."""
        if not self.use.running:
            raise TypeError("changing frames are made only while a Plan is carried out")


def plan_rewrite(
    chip: Identified, backup: Backup, new_image: bytes, *, progress: Progress = silent
) -> Plan:
    """Plan the first write of `new_image`. Reads the whole chip; stores image and change sheet.

    Raises:
        TypeError: `backup` is not a Backup.
        ChipHalfWritten: a write of this job is unfinished.
        ChipUntouched: another chip, wrong size, size not proven, or the chip holds neither what
            the backup (or a proven image of this job) says nor already the new image.
    """
    _demand_types(chip, backup)
    new_image = bytes(memoryview(new_image))
    job = backup.job
    _refuse_wrong_size(backup, new_image)
    unfinished = job.unfinished_on(None)
    if unfinished is not None:
        raise _own_is_half_written(job, unfinished)
    image = _NewImage(backup, new_image)
    current = _read_current(chip, image, progress)
    number = image.number
    if number is None:
        number = job.save_image(new_image, image.sheet)
    return _make(
        chip=chip,
        backup=backup,
        current=current,
        suspect=(),
        target=new_image,
        target_sha256=image.sha256,
        target_name=f"image {number}",
        registers=dict(chip.registers),
    )


def _own_is_half_written(job: Job, unfinished: UnfinishedWrite) -> ChipHalfWritten:
    run = ways_on(job.folder, job.story, unfinished)
    if job.unfinished() is not None:
        return ChipHalfWritten(f"Job {job.label} has an unfinished write.", next_step=f"Run: {run}")
    another = command_line("write", job.folder, "--to-new-chip")
    return ChipHalfWritten(
        f"The board's own chip was left half-written by job {job.label}, and another one took its"
        " place.",
        next_step=f"If that other one is in the socket: {another}  (the own one: {run})",
    )


def plan_recovery(found: Found, backup: Backup | BestReading, *, target: bytes) -> Plan:
    """Plan from whatever an accident left, to `target`: the new image or `backup.image`.

    A best reading leads on with a replacement chip only.

    Raises:
        TypeError: not the evidence that `read_for_recovery` and `reload_backup` make.
        ChipUntouched: another chip, or a target this job has never stored.
    """
    if not isinstance(found, Found):
        raise TypeError("plan_recovery() takes the Found that read_for_recovery() made")
    if found.kept_number is None:
        _demand_types(found.chip, backup)
    else:
        _demand_source(found.chip, backup)
    _refuse_wrong_size(backup, target)
    if found.job is not backup.job:
        raise TypeError("the chip was read for one job and the backup is of another")
    if found.chip.adapter.session.change_count != found.change_count:
        raise ChipUntouched(
            "The chip was changed after it was read for recovery.",
            next_step="Run the command again: the chip is read anew.",
        )
    name = _stored_name(backup, target)
    unfinished = backup.job.unfinished_on(found.kept_number)
    registers = dict(found.chip.registers)
    locks: dict[str, int] = {}
    if unfinished is not None:
        before = unfinished.registers_before
        locks = {name: value for name, value in before.items() if name.startswith(LOCK_PREFIX)}
        if found.kept_number is None:
            registers.update(
                _journalled({k: v for k, v in before.items() if k not in locks}, found.chip)
            )
    if found.kept_number is not None:
        return _make_for_new_chip(
            chip=found.chip,
            source=backup,
            number=found.kept_number,
            current=found.image,
            suspect=found.suspect,
            target=target,
            locks_before=locks,
            doubts=found.doubts,
        )
    return _make(
        chip=found.chip,
        backup=backup,
        current=found.image,
        suspect=found.suspect,
        target=target,
        target_sha256=screening.sha256_hex(target),
        target_name=name,
        registers=registers,
        locks_before=locks,
        doubts=found.doubts,
    )


def plan_replacement(kept: Kept, backup: Backup | BestReading, *, target: bytes) -> Plan:
    """Plan to write `target`, the job's image or `backup.image`, to another chip.

    The board's own chip is not needed for it, and is not changed. What the new chip's registers
    shall be for good follows from the own chip's, as the dump found them.

    Raises:
        TypeError: not the evidence that `keep_contents`, and `back_up` or `reload_backup` (or
            `read_best_effort`) make; or of two jobs.
        ChipUntouched: the new chip is not of exactly the own one's size, its size is not proven,
            the sources disagree on the own one's, its supply does not fit the board, or the job
            does not have the target.
    """
    if not isinstance(kept, Kept):
        raise TypeError("plan_replacement() takes the Kept that keep_contents() made")
    _demand_source(kept.chip, backup)
    if kept.job is not backup.job:
        raise TypeError("the chip was kept for one job and the backup is of another")
    if kept.chip.adapter.session.change_count != kept.change_count:
        raise ChipUntouched(
            "The chip was changed after its contents were kept.",
            next_step="Run the command again: the chip is read anew.",
        )
    refuse_unfit_size(kept.chip.profile, backup.density_bytes)
    _refuse_wrong_length(backup, target)
    _refuse_contradicted_size(backup)
    _refuse_unproven_size(
        kept.size_sources,
        kept.size_doubt,
        of="the new chip",
        way_on="Take a new chip that the table knows and whose SFDP states the same size.",
    )
    return _make_for_new_chip(
        chip=kept.chip,
        source=backup,
        number=kept.number,
        current=kept.image,
        suspect=kept.suspect,
        target=target,
    )


def _make_for_new_chip(
    *,
    chip: Identified,
    source: Backup | BestReading,
    number: int,
    current: bytes,
    suspect: tuple[range, ...],
    target: bytes,
    locks_before: dict[str, int] | None = None,
    doubts: tuple[str, ...] = (),
) -> Plan:
    job = source.job
    own = remember(job.load_chip_facts())
    refuse_unfit_supply(own, chip.profile)
    carried = carry_over(
        own,
        chip.profile,
        chip.registers,
        rewrite_all=job.unfinished_on(number) is not None,  # what is read may be volatile
    )
    if isinstance(source, BestReading):
        doubts = (*doubts, _not_proven(source))
    if len(source.size_sources) == 1:
        doubts = (
            *doubts,
            f"Only {source.size_sources[0]} speaks for the size of the board's own chip.",
        )
    return _make(
        chip=chip,
        backup=source,
        current=current,
        suspect=suspect,
        target=target,
        target_sha256=screening.sha256_hex(target),
        target_name=_stored_name(source, target),
        registers=dict(chip.registers),
        locks_before=locks_before,
        doubts=doubts,
        kept_number=number,
        carry_over=carried,
        differences=differences(own, chip),
    )


def _not_proven(source: BestReading) -> str:
    return (
        f"The image is made from a best reading, not proven: {source.unstable_bytes} bytes read"
        f" differently over {source.read_count} reads."
    )


def _journalled(values: Mapping[str, int], chip: Identified) -> dict[Register, int]:
    """The register values to put back, if this identification knows all these registers."""
    journalled = {Register[name]: value for name, value in values.items()}
    unknown = [register.value[0] for register in journalled if register not in chip.registers]
    if unknown:
        raise ChipUntouched(
            f"The {unknown[0]} has to be put back, and as the chip is identified now it is not"
            " known how.",
            next_step="If --marking was given for the dump, give it again.",
        )
    return journalled


def _make(
    *,
    chip: Identified,
    backup: Backup | BestReading,
    current: bytes,
    suspect: tuple[range, ...],
    target: bytes,
    target_sha256: str,
    target_name: str,
    registers: dict[Register, int],
    locks_before: dict[str, int] | None = None,
    doubts: tuple[str, ...] = (),
    kept_number: int | None = None,
    carry_over: CarryOver | None = None,
    differences: tuple[str, ...] = (),
) -> Plan:
    cells = plan_units(
        current,
        target,
        _profile_to_plan_with(chip),
        sck_hz=reading.read_hz(chip, ReadKind.FAST),
        change_hz=chip.change_clock_hz,
        must_erase=suspect,
        refuted_opcodes=backup.job.refuted_opcodes_on(kept_number),
    )
    return Plan(
        chip=chip,
        job=backup.job,
        current=current,
        suspect=suspect,
        target=target,
        target_name=target_name,
        target_sha256=target_sha256,
        original_sha256=backup.sha256,
        cells=cells,
        registers=registers,
        locks_before=locks_before or {},
        doubts=doubts,
        change_count=chip.adapter.session.change_count,
        kept_number=kept_number,
        carry_over=carry_over,
        differences=differences,
        use=_Use(),
        seal=_SEAL,
    )


def _profile_to_plan_with(chip: Identified) -> ChipProfile:
    """Without the chip erase where nothing but its contents tells this chip from its like.

    An interrupted chip erase leaves contents that could be anybody's; recovery then has only
    the factory number to know the chip by.
    """
    if chip.unique_id is not None:
        return chip.profile
    return replace(chip.profile, chip_erase=None)


def _demand_types(chip: Identified, backup: Backup | BestReading) -> None:
    if not isinstance(chip, Identified):
        raise TypeError("a plan needs the Identified that identify() made")
    if not isinstance(backup, Backup):
        raise TypeError("a plan needs the Backup that back_up() or reload_backup() made")
    _demand_source(chip, backup)
    _refuse_other_chip(chip, backup)


def _demand_source(chip: Identified, backup: Backup | BestReading) -> None:
    """A best reading is enough for another chip, never for the chip it was read from."""
    if not isinstance(backup, Backup | BestReading):
        raise TypeError("a plan needs the Backup that back_up() or reload_backup() made")
    chip.check_still_in_session()
    if backup.round_number != backup.job.round_number:
        raise ChipUntouched(
            f"The backup is of round {backup.round_number}, and job {backup.job.label} is at round"
            f" {backup.job.round_number}.",
            next_step="Reload the backup.",
        )


def _refuse_other_chip(chip: Identified, backup: Backup) -> None:
    refuse_other_chip(chip, backup, density_bytes=backup.density_bytes, label=backup.job.label)


def _refuse_wrong_size(backup: Backup | BestReading, image: bytes) -> None:
    _refuse_wrong_length(backup, image)
    _refuse_unproven_size(
        backup.size_sources,
        backup.size_doubt,
        of="this chip",
        way_on="This chip stays as it is; another chip of the same size can be written, one whose"
        f" SFDP states it: {command_line('write', backup.job.folder, '--to-new-chip')}",
    )


def _refuse_wrong_length(backup: Backup | BestReading, image: bytes) -> None:
    if len(image) != backup.density_bytes:
        raise ChipUntouched(
            f"The image has {len(image)} bytes, the chip {backup.density_bytes}.",
            next_step="Take an image made from this job's own dump; nothing is padded or cut.",
        )


def _refuse_contradicted_size(backup: Backup | BestReading) -> None:
    """The own chip is not changed, so one source is enough if nothing speaks against it."""
    if backup.size_doubt is None and backup.size_sources:
        return
    raise ChipUntouched(
        "How large the board's own chip is, is not known."
        f" {backup.size_doubt or 'Its sources disagree.'} So the dump may be a part or a repetition"
        " of it.",
        next_step="Give the marking printed on the chip (--marking) and dump it again in a new"
        f" round: {command_line('dump', backup.job.folder, '--again')}",
    )


def _refuse_unproven_size(
    sources: tuple[str, ...], doubt: str | None, *, of: str, way_on: str
) -> None:
    if doubt is not None:
        raise ChipUntouched(
            f"The size of {of} is not proven: {doubt}", next_step=f"The dump is kept. {way_on}"
        )
    if len(sources) < 2:
        known = f"only {sources[0]}" if sources else "nothing"
        raise ChipUntouched(
            f"The size of {of} is not proven: {known} speaks for it.",
            next_step=f"The dump is kept. {way_on}",
        )


class _NewImage:
    """What there is to find out of a new image without the chip, while the chip is read."""

    def __init__(self, backup: Backup, data: bytes) -> None:
        self.backup = backup
        self.data = data
        self.sha256 = ""
        self.number: int | None = None
        self.sheet: dict[str, object] = {}

    def prepare(self) -> None:
        """Its hash, its number in the job, and if it has none yet, what it changes."""
        self.sha256 = screening.sha256_hex(self.data)
        self.number = self.backup.job.image_number(self.sha256)
        if self.number is None:
            self.sheet = change_sheet(self.backup.image, self.data)


def _read_current(chip: Identified, image: _NewImage, progress: Progress) -> bytes:
    """What the chip holds: what was backed up, the new image, or what it was proven to hold.

    Raises:
        StrangeContents: none of these.
    """
    digest = Digest()
    pictures = Comparison(image.backup.image), Comparison(image.data)
    with Following(digest.work, *(picture.work for picture in pictures)) as following:
        following.meanwhile(image.prepare)
        current = reading.read_whole(
            chip,
            kind=ReadKind.FAST,
            sck_hz=reading.read_hz(chip, ReadKind.FAST),
            step="read before writing",
            progress=progress,
            arriving=following.arriving,
        )
    known = digest.sha256 in image.backup.job.proven_images()
    if not known and not any(picture.equal for picture in pictures):
        _refuse_changed_contents(current, image.backup)
    return current


def _refuse_changed_contents(current: bytes, backup: Backup) -> NoReturn:
    found = screening.disagreement(backup.image, current)
    where = (
        ""
        if found is None
        else (
            f" {found.byte_count} bytes differ, first at {found.first:#08x}"
            f" ({found.first_values[0]:02X}h in the backup, {found.first_values[1]:02X}h now)."
        )
    )
    raise StrangeContents(
        f"The chip no longer holds what job {backup.job.label} backed up.{where}",
        next_step="If the board ran since, open a new round:"
        f" {command_line('dump', backup.job.folder, '--again')}",
    )


def _stored_name(backup: Backup | BestReading, target: bytes) -> str:
    if target == backup.image:
        return "original" if isinstance(backup, Backup) else "best reading"
    number = backup.job.image_number(screening.sha256_hex(target))
    if number is None:
        raise ChipUntouched(
            "The target is neither this job's original nor one of its images.",
            next_step="Make it one with:"
            f" {command_line('edit', backup.job.folder, '--from-image', 'FILE')}",
        )
    return f"image {number}"
