"""The steps of the job in their order, and which of them comes next. Pure.

What is proven is read from the job by `next_step`; what only a person can know stands in
the guide's notes. No step is tried out here: whether it may be done, its command decides.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

from flashbench.cli.guide.notes import Notes


class Step(Enum):
    """A step of the job. The value is its key in guide.toml."""

    BEFORE_HEAT = "before-heat"
    INTAKE = "intake"
    LIFT = "lift"
    SUPPLY = "supply"
    CONTACT = "contact"
    IDENTIFY = "identify"
    DUMP = "dump"
    INSPECT = "inspect"
    EDIT_FILE = "edit-file"
    EDIT = "edit"
    WRITE = "write"
    SOLDER = "solder"
    FIRST_BOOT = "first-boot"
    OUTCOME = "outcome"
    REPORT = "report"
    RECOVER = "recover"  # comes before all others while a write is unfinished


COURSE: Final = tuple(step for step in Step if step is not Step.RECOVER)
TITLES: Final = {
    Step.BEFORE_HEAT: "before you heat anything",
    Step.INTAKE: "the board is booked in",
    Step.LIFT: "the way to the chip",
    Step.SUPPLY: "marking and supply",
    Step.CONTACT: "the chip goes in, and its contact is proven",
    Step.IDENTIFY: "which chip it is",
    Step.DUMP: "the only copy in the world",
    Step.INSPECT: "what the image holds",
    Step.EDIT_FILE: "what shall be changed",
    Step.EDIT: "the edited image",
    Step.WRITE: "the chip is written",
    Step.SOLDER: "back onto the board",
    Step.FIRST_BOOT: "the first start",
    Step.OUTCOME: "what became of the board",
    Step.REPORT: "the pages",
    Step.RECOVER: "a write that is not finished",
}
ONCE: Final = frozenset({Step.BEFORE_HEAT, Step.INTAKE})
"""Steps that a chip which comes back does not repeat."""
UNTIL_DUMPED: Final = frozenset(COURSE[: COURSE.index(Step.DUMP) + 1]) - {Step.INTAKE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a job stands: its folder, and the guide's notes.

    `rounds` is 0 before there is a job. `verb` is the command that `next` names; None where
    there is no job. `dumped` is said of the newest round. `verbs_on` are the commands that lead
    on from an unfinished write, the way that was begun first.
    """

    label: str
    notes: Notes
    rounds: int = 0
    dumped: bool = False
    has_image: bool = False
    verbs_on: tuple[str, ...] = ()
    verb: str | None = None

    @property
    def unfinished(self) -> bool:
        """Whether the newest round has an unfinished write."""
        return bool(self.verbs_on)

    @property
    def chip_is_dumped(self) -> bool:
        """Whether the chip was dumped since it came to the bench this time."""
        return self.dumped and self.rounds >= self.notes.visit

    @property
    def chip_is_proven(self) -> bool:
        return self.chip_is_dumped and self.verb not in ("edit", "write", "finish")


def key_of(step: Step, notes: Notes) -> str:
    """How the notes call a step: those of a visit bear its number."""
    return step.value if step in ONCE else on_visit(step.value, notes)


def on_visit(key: str, notes: Notes) -> str:
    """A key of the notes that counts for this visit of the chip."""
    return f"visit {notes.visit} {key}"


def is_done(step: Step, standing: Standing) -> bool:
    """Whether a step of the course is behind."""
    if key_of(step, standing.notes) in standing.notes.passed:
        return True
    if step in UNTIL_DUMPED:
        return standing.chip_is_dumped
    if step in (Step.INSPECT, Step.EDIT_FILE, Step.EDIT):
        return standing.chip_is_dumped and (standing.has_image or standing.chip_is_proven)
    if step is Step.WRITE:
        return standing.chip_is_proven
    return False


def coming(standing: Standing) -> Step | None:
    """The step that comes next; None if all are done."""
    if standing.unfinished:
        return Step.RECOVER
    return next((step for step in COURSE if not is_done(step, standing)), None)
