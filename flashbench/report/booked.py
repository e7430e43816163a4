"""What was told of a board when it was booked in, as the report says it."""

from flashbench.errors import CheckFailed
from flashbench.image.memory_package import MemoryPackage, parse_package_file
from flashbench.job.folder import Job
from flashbench.job.intake import Intake
from flashbench.report.view import Booking


def told_booking(job: Job) -> Booking:
    """The booking of a job; empty if it was never booked in, or its intake.toml is damaged."""
    intake = job.load_intake().intake
    return Booking() if intake is None else as_booking(intake)


def as_booking(intake: Intake) -> Booking:
    """An intake as the pages take it. A package that cannot be understood is left out."""
    return Booking(
        device=intake.device,
        board_number=intake.board_number,
        fault=intake.fault,
        note=intake.note,
        condition=intake.condition,
        entitled=intake.entitled,
        packages_on_board=intake.old_count,
        straps=intake.straps,
        was_marking=intake.old_package,
        was=_package(intake.old_description),
        fitted_marking=intake.new_package,
        fitted_known_from=intake.new_known_from,
        fitted=_package(intake.new_description),
        disk_encrypted=intake.disk_encrypted,
        recovery_key_at_hand=intake.recovery_key_at_hand,
    )


def _package(description: str | None) -> MemoryPackage | None:
    if description is None:
        return None
    try:
        return parse_package_file(description)
    except CheckFailed:
        return None
