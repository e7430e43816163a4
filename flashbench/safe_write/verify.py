"""The whole chip read once more and compared, registers included: `Verified`."""

from dataclasses import InitVar, dataclass
from typing import Final, final

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind, Register
from flashbench.chip.evidence import Evidence
from flashbench.errors import ChipHalfWritten
from flashbench.job.events import CellsProven, WriteFinished
from flashbench.job.layout import round_folder
from flashbench.job.lock import chip_at_work
from flashbench.job.refusals import files_lost_during_write
from flashbench.progress import Progress, silent
from flashbench.safe_write._following import Comparison, Digest, Following
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.rewrite import Written, half_written, ways_on_from

_SEAL: Final = object()


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Verified(Evidence):
    """Every byte of the chip equals the target and every register is as before.

    Has no public constructor: see `verify`.
    """

    target_name: str
    sha256: str
    byte_count: int
    registers: dict[Register, int]
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Verified has no public constructor: call verify()")


def verify(written: Written, *, progress: Progress = silent) -> Verified:
    """Read everything back, by another read instruction than the one used while writing.

    Raises:
        TypeError: `written` is not a Written.
        ChipHalfWritten: a byte or a register is not what it shall be; it says which. Or the bus
            failed, or the user stopped, while a write of the job is not proven.
        ChipUntouched, AdapterError, Interrupted: so, where none is.
        CheckFailed: the chip is proven, and the job lost its dump or journal meanwhile.
    """
    if not isinstance(written, Written):
        raise TypeError("verify() takes the Written that rewrite() made")
    plan = written.plan
    try:
        with chip_at_work(plan.job.folder):
            return _prove(written, progress)
    except BaseException as error:
        if plan.job.unfinished_on(plan.kept_number) is None:
            raise
        raise half_written(plan, error) from error


def _prove(written: Written, progress: Progress) -> Verified:
    plan = written.plan
    plan.chip.check_still_in_session()
    if plan.chip.adapter.session.change_count != written.change_count:
        raise ChipHalfWritten(
            "The chip was changed again after this plan was carried out.",
            next_step="Run finish or restore: they read the chip anew.",
        )
    digest, comparison = Digest(), Comparison(plan.target)
    with Following(digest.work, comparison.work) as following:
        found = reading.read_whole(
            plan.chip,
            kind=ReadKind.PLAIN,
            sck_hz=reading.read_hz(plan.chip, ReadKind.PLAIN),
            step="verify",
            progress=progress,
            arriving=following.arriving,
        )
    if digest.sha256 != plan.target_sha256 or not comparison.equal:
        raise _other_bytes(plan, found, comparison)
    plan.job.record_or_remember(CellsProven(sha256=plan.target_sha256))
    registers = _demand_registers(plan)
    lost = plan.job.lost_files()
    plan.job.record_or_remember(WriteFinished(target_sha256=plan.target_sha256))
    if lost is not None:
        folder = round_folder(plan.job.folder, plan.job.round_number)
        raise files_lost_during_write(lost, folder=folder, target_name=plan.target_name)
    return Verified(
        target_name=plan.target_name,
        sha256=digest.sha256,
        byte_count=len(found),
        registers=registers,
        seal=_SEAL,
    )


def _other_bytes(plan: Plan, found: bytes, comparison: Comparison) -> ChipHalfWritten:
    first = comparison.first_difference
    values = (
        f", first at {first:#08x} ({plan.target[first]:02X}h wanted, {found[first]:02X}h read)"
        if first is not None
        else ""
    )
    return ChipHalfWritten(
        f"{comparison.differing_bytes} bytes are not the target's{values}.",
        next_step=f"Check the contact, then run: {ways_on_from(plan)}",
    )


def _demand_registers(plan: Plan) -> dict[Register, int]:
    now = plan.chip.read_registers()
    for register, wanted in plan.final_registers.items():
        if now[register] != wanted:
            raise ChipHalfWritten(
                f"The cells are proven, but the {register.value[0]} reads {now[register]:02X}h"
                f" instead of {wanted:02X}h: the protection is not as it was.",
                next_step=f"Check the WP# pin, then run: {ways_on_from(plan)}",
            )
    return now
