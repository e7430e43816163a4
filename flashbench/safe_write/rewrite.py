"""A Plan carried out: announced, opened, cells finished unit by unit, closed again: `Written`."""

from dataclasses import InitVar, dataclass
from typing import Final, final

from flashbench.chip.evidence import Evidence
from flashbench.errors import ChipHalfWritten, ChipUntouched, FlashbenchError
from flashbench.job.events import AnnouncedUnit, WriteAnnounced
from flashbench.job.folder import Job
from flashbench.job.lock import chip_at_work
from flashbench.job.way_on import ways_on
from flashbench.progress import Progress, silent
from flashbench.safe_write._address_mode import writing_address_mode
from flashbench.safe_write._cells import CellWriter
from flashbench.safe_write._protection import Protection
from flashbench.safe_write._sender import Sender
from flashbench.safe_write._set_for_good import set_for_good
from flashbench.safe_write.plan import Plan
from flashbench.wording import command_line

_SEAL: Final = object()


@final
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Written(Evidence):
    """A plan carried out: every unit read back once, the protection put back.

    Has no public constructor: see `rewrite`. Not yet proof: `verify` reads the whole chip.
    """

    plan: Plan
    change_count: int
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Written has no public constructor: call rewrite()")


def rewrite(plan: Plan, *, progress: Progress = silent) -> Written:
    """Carry `plan` out. The protection is put back whatever happens, if the chip still answers.

    Raises:
        TypeError: `plan` is not a Plan.
        ChipUntouched: the plan was used, or the chip is not as it was planned for.
        ChipHalfWritten: something failed after the first change; `finish` or `restore` lead on.
        AdapterError, Interrupted: the bus failed or the user stopped, before the first change.
    """
    if not isinstance(plan, Plan):
        raise TypeError("rewrite() takes the Plan that plan_rewrite() made")
    with plan.running():
        plan.chip.demand_same_chip()
        if plan.changes_nothing:
            # What is recorded from here on must not be taken for another chip's.
            if plan.job.last_written_chip != plan.kept_number:
                _announce(plan)
        else:
            _demand_files(plan)
            sender = Sender(plan)
            protection = Protection(plan, sender)
            cells = CellWriter(plan, sender, progress)
            cells.demand_first_picture()
            _announce(plan)
            with chip_at_work(plan.job.folder):
                _carry_out(plan, sender, protection, cells)
    return Written(plan=plan, change_count=plan.chip.adapter.session.change_count, seal=_SEAL)


def _demand_files(plan: Plan) -> None:
    """Original and target must be on the disk, as saved, before the chip is what they are not."""
    if _source_sha256(plan.job) != plan.original_sha256:
        raise ChipUntouched(
            f"The original of job {plan.job.label} is not the one this plan was made with.",
            next_step="Plan again.",
        )
    number = plan.job.image_number(plan.target_sha256)
    if number is not None:
        plan.job.load_image(number)


def _source_sha256(job: Job) -> str:
    if job.has_best_reading:
        return job.load_best_reading().saved.sha256
    return job.load_original().sha256


def _announce(plan: Plan) -> None:
    """One line with the whole plan, on the disk before the first change."""
    chip = plan.chip
    plan.job.announce(
        WriteAnnounced(
            target_sha256=plan.target_sha256,
            target_name=plan.target_name,
            jedec_id=chip.jedec_id.hex(),
            unique_id=chip.unique_id.hex() if chip.unique_id is not None else None,
            kept_number=plan.kept_number,
            units=tuple(_announced_units(plan)),
            session_id=chip.adapter.session.id,
            registers_before={r.name: value for r, value in plan.final_registers.items()}
            | plan.locks_before,
        )
    )


def _announced_units(plan: Plan) -> list[AnnouncedUnit]:
    if plan.cells.chip_erase:
        erase = plan.chip.profile.chip_erase
        opcode = erase.opcode if erase is not None else None
        size = plan.chip.profile.density_bytes
        return [AnnouncedUnit(start=0, size=size, erase_opcode=opcode)]
    return [
        AnnouncedUnit(
            start=unit.start,
            size=unit.size,
            erase_opcode=unit.erase.opcode if unit.erase is not None else None,
        )
        for unit in plan.cells.units
    ]


def _carry_out(plan: Plan, sender: Sender, protection: Protection, cells: CellWriter) -> None:
    try:
        try:
            protection.open()
            with writing_address_mode(plan, sender):
                cells.finish_all()
        finally:
            protection.put_back()
            sender.disarm()
        set_for_good(plan, sender)
    except BaseException as error:
        if not sender.has_sent:
            raise
        raise half_written(plan, error) from error


def half_written(plan: Plan, error: BaseException) -> ChipHalfWritten:
    """What `error` means once something of `plan` was changed and is not proven."""
    seen, before = _seen(error), error.__context__
    if isinstance(before, FlashbenchError):
        seen = f"{_seen(before)} And while the chip was put in order again: {seen}"
    if isinstance(error, ChipHalfWritten):
        return ChipHalfWritten(seen, next_step=error.next_step, state=error.state)
    return ChipHalfWritten(
        seen,
        next_step=f"Leave the chip where it is and run: {ways_on_from(plan)}",
    )


def ways_on_from(plan: Plan) -> str:
    """The commands that lead on from a plan that was begun, the way it leads first."""
    write = plan.job.unfinished_on(plan.kept_number)
    if write is None:
        return command_line("next", plan.job.folder)
    return ways_on(plan.job.folder, plan.job.story, write)


def _seen(error: BaseException) -> str:
    if isinstance(error, FlashbenchError):
        return error.seen
    return f"{type(error).__name__}: {error}".removesuffix(": ")
