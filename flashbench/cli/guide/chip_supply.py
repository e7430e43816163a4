"""Marking and supply: asked before any pin is driven, and anew where they forbid to go on."""

from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Final

from flashbench.cli.guide.allowed_supply import why_not
from flashbench.cli.guide.desk import read_text
from flashbench.cli.guide.work import Said, StepFailed, Work, read_range, read_volts
from flashbench.cli.lookup import find, lookup_text
from flashbench.errors import FlashbenchError

_RANGE_ASKS: Final = "Which range does it give, such as 2.7-3.6? (? if not known)"


def supply(work: Work) -> None:
    """The marking as printed, what the table knows of it, and the supply that the bench gives."""
    marking = _marking(work)
    is_settled = marking is not None and find(marking).is_settled
    if not is_settled and work.datasheet_supply is None:
        if "datasheet supply" not in work.notes.answers:
            work.output.say("The part's own datasheet settles what it takes.")
        work.ask("datasheet supply", _RANGE_ASKS, read_range)
    told = work.socket_sentence
    if told is not None:
        work.output.say(f"By the bench file {told}.")
    elif not work.supply_is_said:
        asks = "To how many volts is the bench set for it?"
        work.supply_said(work.desk.must(asks, read_volts))
    settle_supply(work)


def settle_supply(work: Work) -> None:
    """Go on only with volts that nothing known of the chip forbids. Raises `Left`."""
    dumped = supply_when_dumped(work.folder)
    while True:
        volts = work.volts()
        if dumped is not None and dumped[0] <= volts <= dumped[1]:
            return
        why = why_not(volts, marking=work.marking, datasheet=work.datasheet_supply or dumped)
        if why is None:
            return
        work.output.say(f"Not with {volts:g} V: no pin is driven so. {why}")
        say_anew(work)


def supply_when_dumped(folder: Path) -> tuple[float, float] | None:
    """What was agreed on for the chip when its original was read; None if it was not."""
    from flashbench.chip.remembered import remember
    from flashbench.job.folder import Job

    with suppress(FlashbenchError), Job.open(folder) as job:
        if job.has_original:
            return remember(job.load_chip_facts()).supply_volts
    return None


def say_anew(work: Work) -> None:
    """Let one thing that was said of the supply or the marking be said otherwise."""
    said = [each for each in Said if each is not Said.VOLTS or work.socket_sentence is None]
    what = Said(work.desk.choose("What is to be said anew?", [each.value for each in said]))
    work.unsay(what)
    if what is Said.VOLTS:
        work.volts()
    elif what is Said.MARKING:
        _marking(work)
    else:
        work.ask("datasheet supply", _RANGE_ASKS, read_range)


def _marking(work: Work) -> str | None:
    """Kept only once the table was asked; what it does not know is asked about each time."""
    while True:
        marking = work.marking
        is_new = marking is None and "marking" not in work.notes.answers
        if is_new:
            asks = "What is printed on the chip, as printed?"
            marking = work.desk.ask(asks, read_text)
        if marking is None:
            work.output.say(
                "Without a marking the supply has to come from the board's own drawings, or from a"
                " meter on the rail that the chip had."
            )
            work.answered("marking", None)
            return None
        if is_new or not find(marking).rows:
            try:
                work.do(partial(lookup_text, text=marking))
            except StepFailed:
                asks = "Read the marking again, or go on without the table?"
                if work.desk.choose(asks, ("again", "go on")) == "again":
                    work.unsay(Said.MARKING)
                    continue
        if is_new:
            work.answered("marking", marking)
        return marking
