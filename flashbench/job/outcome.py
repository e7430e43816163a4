"""What became of the board: told by whoever tried it, kept in the journal, never guessed."""

from collections.abc import Mapping, Sequence
from typing import Final

from flashbench.job import events
from flashbench.job.events import Event, OutcomeTold
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.job.spares import without_spares
from flashbench.job.way_on import ways_on
from flashbench.wording import command_line

NOTE_CHARS_MAX: Final = 500
TEST_HOURS_MAX: Final = 10_000
TEST_ERRORS_MAX: Final = 1 << 40
MEMORY_GBIT_MAX: Final = 1 << 20

BOARD_GBIT_KEY: Final = "board_gbit"
"""The key of a change sheet that says what memory the edit makes of the whole board."""

Stories = Mapping[int, Sequence[Event]]
"""Round number to what its journal says, oldest first."""


def record_outcome(
    job: Job,
    *,
    boots: bool,
    memory_shown_gbit: int | None = None,
    test_hours: float | None = None,
    test_errors: int | None = None,
    note: str | None = None,
    round_number: int | None = None,
) -> OutcomeTold:
    """Journal what became of the board, for the round whose chip it was tried with.

    Without a number that is the last round in which a chip was proven. What was told before of
    the same round stays in the journal; the last word counts. A test of 0 hours is no test.

    Raises:
        StepRefused: nothing was proven on a chip of that round, or a write is unfinished, or
            the facts contradict each other or cannot be.
        ChipUntouched: the disk refused.
    """
    if test_hours == 0:
        test_hours, test_errors = None, test_errors or None
    _refuse_contradiction(
        boots=boots,
        memory_shown_gbit=memory_shown_gbit,
        test_hours=test_hours,
        test_errors=test_errors,
        note=note,
    )
    unfinished = job.unfinished()
    if unfinished is not None:
        raise StepRefused(
            f"A write of job {job.label} is unfinished, so no board can have been tried with it.",
            next_step=f"Run: {ways_on(job.folder, job.story, unfinished)}",
        )
    stories = stories_of(job)
    number = _last_proven_round(stories) if round_number is None else round_number
    held = None if number is None else held_by_chip(stories.get(number, ()))
    if number is None or held is None:
        where = f"job {job.label}" if number is None else f"round {number} of job {job.label}"
        raise StepRefused(
            f"Nothing was written and proven in {where}, so there is no outcome to tell of it.",
            next_step=f"See where the job stands: {command_line('next', job.folder)}",
        )
    told = OutcomeTold(
        round_number=number,
        target_sha256=held,
        boots=boots,
        memory_shown_gbit=memory_shown_gbit,
        test_hours=test_hours,
        test_errors=test_errors,
        note=note,
    )
    job.record(told)
    return told


def _memory_remark(job: Job, told: OutcomeTold) -> str | None:
    """Where the board shows another memory than the edit of its image makes, a sentence on that.

    None too where the edit file did not say how many packages the board has.

    Raises `JobDamaged` if a change sheet is not as it was saved.
    """
    shown = told.memory_shown_gbit
    number = _image_of(job, told)
    if shown is None or number is None:
        return None
    made = job.load_changes(number, round_number=told.round_number).get(BOARD_GBIT_KEY)
    if not isinstance(made, int) or made == shown:
        return None
    return (
        f"the board shows {shown / 8:g} GB, and the edit of image {number} describes"
        f" {made / 8:g} GB: look at ranks, straps and memory joints, and at what was edited"
    )


def _image_of(job: Job, told: OutcomeTold) -> int | None:
    """The number of the image that the board was tried with; None for an original."""
    for one in job.told(round_number=told.round_number):
        match one.event:
            case events.ImageSaved(number=number, sha256=sha256) if sha256 == told.target_sha256:
                return number
            case _:
                pass
    return None


def outcome_of(job: Job, *, round_number: int | None = None) -> OutcomeTold | None:
    """What was last told of a round, by default the newest; None while nobody knows.

    A write that was announced later makes what was told before a thing of the past.
    """
    number = job.round_number if round_number is None else round_number
    return outcome_in(stories_of(job), number)


def outcome_in(stories: Stories, round_number: int) -> OutcomeTold | None:
    """`outcome_of` from the journals of a job's rounds."""
    last = _last_word(stories, round_number)
    return last if isinstance(last, OutcomeTold) else None


def remark_on_outcome(job: Job, *, round_number: int | None = None) -> str | None:
    """What is odd about the last word on a round, by default the newest: a sentence, or None.

    That the board shows other memory than the edit makes, or that the line cannot be read.
    Raises `JobDamaged`.
    """
    number = job.round_number if round_number is None else round_number
    match _last_word(stories_of(job), number):
        case OutcomeTold() as told:
            return _memory_remark(job, told)
        case events.OutcomeUnreadable() as line:
            return f"{line.sentence()} (tell it again; the line stays as it is)"
        case None:
            return None


def _last_word(
    stories: Stories, round_number: int
) -> OutcomeTold | events.OutcomeUnreadable | None:
    last: OutcomeTold | events.OutcomeUnreadable | None = None
    for number in sorted(stories):
        for event in without_spares(stories[number]):
            match event:
                case OutcomeTold() if event.round_number == round_number:
                    last = event
                case events.OutcomeUnreadable() if event.round_number in (None, round_number):
                    last = event
                case events.WriteAnnounced() if number == round_number:
                    last = None
                case _:
                    pass
    return last


def stories_of(job: Job) -> Stories:
    """The journals of all rounds. Raises `JobDamaged`."""
    return {
        number: tuple(told.event for told in job.told(round_number=number))
        for number in job.round_numbers
    }


def held_by_chip(story: Sequence[Event]) -> str | None:
    """The sha256 of what a round's chip was last proven to hold by a write; None if nothing."""
    return next(
        (
            event.target_sha256
            for event in reversed(without_spares(story))
            if isinstance(event, events.WriteFinished)
        ),
        None,
    )


def _last_proven_round(stories: Stories) -> int | None:
    proven = [number for number, story in stories.items() if held_by_chip(story) is not None]
    return max(proven, default=None)


def _refuse_contradiction(
    *,
    boots: bool,
    memory_shown_gbit: int | None,
    test_hours: float | None,
    test_errors: int | None,
    note: str | None,
) -> None:
    contradiction = None
    if not boots and (memory_shown_gbit, test_hours, test_errors) != (None, None, None):
        contradiction = "A board that does not boot shows no memory and runs no memory test."
    elif (test_hours is None) != (test_errors is None):
        contradiction = (
            "A memory test has both: how many hours it ran, and how many errors it found."
        )
    elif test_hours is not None and not 0 < test_hours <= TEST_HOURS_MAX:
        contradiction = f"A memory test runs for more than 0 and at most {TEST_HOURS_MAX} hours."
    elif test_errors is not None and not 0 <= test_errors <= TEST_ERRORS_MAX:
        contradiction = f"The errors of a memory test are counted, up to {TEST_ERRORS_MAX}."
    elif memory_shown_gbit is not None and not 1 <= memory_shown_gbit <= MEMORY_GBIT_MAX:
        contradiction = f"No board shows more than {MEMORY_GBIT_MAX // 8} GB of memory, or none."
    elif note is not None and not (note.isprintable() and 0 < len(note) <= NOTE_CHARS_MAX):
        contradiction = f"A note is one line of at most {NOTE_CHARS_MAX} printable characters."
    if contradiction is not None:
        raise StepRefused(contradiction, next_step="Tell it again, as it was seen.")
