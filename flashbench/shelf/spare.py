"""Spare chips: programmed from a job, for sale or stock, and never with a customer's identity."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched
from flashbench.image.board_numbers import BoardNumber, find_board_numbers
from flashbench.job.chips_left import chips_left
from flashbench.job.events import OriginalSaved, SpareChosen
from flashbench.job.folder import Job
from flashbench.job.outcome import stories_of
from flashbench.progress import Progress, silent
from flashbench.report.short_code import short_code
from flashbench.safe_write.backup import reload_backup
from flashbench.safe_write.kept import keep_contents
from flashbench.safe_write.plan import Plan, plan_replacement
from flashbench.safe_write.stable_read import read_twice
from flashbench.wording import command_line, quoted

_SHOWN_MAX: Final = 3


class IdentityFound(ChipUntouched):
    """The image bears numbers that may be a customer's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareLabel:
    """What is stuck on a spare chip's bag. `supply_volts` is what its part takes, (min, max)."""

    part: str
    supply_volts: tuple[float, float]
    size_bytes: int
    code: str  # the image's short code
    date: str  # ISO 8601


def refuse_identity(image: bytes, job: Job, *, others: Sequence[bytes] = ()) -> None:
    """Return if `image` bears no number that could be one board's own.

    Serial numbers, network addresses and UUIDs count, unless the same stands in the image of
    another board (`others`) too: what two boards share is neither's identity.

    Raises:
        IdentityFound: it bears one; the sentence says kinds and places, never the numbers.
    """
    shared = {number.text.casefold() for other in others for number in find_board_numbers(other)}
    own = [number for number in find_board_numbers(image) if number.text.casefold() not in shared]
    if not own:
        return
    spare = command_line("spare", job.folder)
    raise IdentityFound(
        f"The image bears what may be a customer's identity: {_places_text(own)}. A spare chip"
        " carries nobody's.",
        next_step="Make an image in which these places are blank"
        f" (flashbench edit {quoted(job.folder)} EDITFILE), and name it: {spare} --image N. If a"
        f" number is the same on every board of the model, show it with another job: {spare}"
        " --also-on OTHERJOB",
    )


def same_board(job: Job, other: Job) -> str | None:
    """Why two jobs are of one board, or None: a chip of both, or the same original."""
    chips, dumps = _chips_and_dumps(job)
    other_chips, other_dumps = _chips_and_dumps(other)
    if chips & other_chips:
        return f"both met the chip with the unique ID {min(chips & other_chips)}"
    if dumps & other_dumps:
        return "both dumped the same contents"
    return None


def _chips_and_dumps(job: Job) -> tuple[frozenset[str], frozenset[str]]:
    """The unique IDs of the chips that were ever the board's, and the hashes of its originals."""
    chips: set[str | None] = set()
    dumps: set[str] = set()
    for story in stories_of(job).values():
        chips |= {chip.unique_id for chip in chips_left(story)}
        dumps |= {event.sha256 for event in story if isinstance(event, OriginalSaved)}
    return frozenset(chip for chip in chips if chip is not None), frozenset(dumps)


def _places_text(numbers: Sequence[BoardNumber]) -> str:
    shown = [f"{number.kind.value} at {number.span.start:#x}" for number in numbers[:_SHOWN_MAX]]
    left_out = len(numbers) - len(shown)
    return ", ".join(shown) + (f" and {left_out} more" if left_out else "")


def plan_spare(
    chip: Identified,
    job: Job,
    *,
    target: bytes,
    others: Sequence[bytes] = (),
    chip_of: Job | None = None,
    progress: Progress = silent,
) -> Plan:
    """Plan to make the chip in the socket a spare with `target`, an image of the job.

    What the chip holds is kept first; the board's own chip is never taken for a spare. `chip_of`
    is the job of a board that is given up, whose chip this is.

    Raises:
        IdentityFound: as `refuse_identity` does.
        OtherChip, ChipUntouched, ChipHalfWritten: as `keep_contents` and `plan_replacement` do.
    """
    refuse_identity(target, job, others=others)
    backup = reload_backup(job)
    read = read_twice(chip, keep_doubtful_in=job, progress=progress)
    kept = keep_contents(read, job, chip_of=chip_of)
    job.record(SpareChosen(kept_number=kept.number))
    return plan_replacement(kept, backup, target=target)


def spare_label(plan: Plan, *, date: str) -> SpareLabel:
    """The label of the spare that `plan` made."""
    profile = plan.chip.profile
    return SpareLabel(
        part=plan.chip.marking or (profile.parts[0] if profile.parts else "part not known"),
        supply_volts=profile.supply_volts,
        size_bytes=profile.density_bytes,
        code=short_code(plan.target_sha256),
        date=date,
    )
