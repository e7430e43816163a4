"""The guide's steps away from the adapter: before heat, intake, soldering, the first start."""

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import typer

from flashbench.cli.guide.cautions import Moment
from flashbench.cli.guide.course import Step, key_of, on_visit
from flashbench.cli.guide.desk import Left, one_of, read_count, read_yes
from flashbench.cli.guide.work import NotYet, Work
from flashbench.cli.inspecting import Wanted, inspect_at
from flashbench.cli.intake import BACK, QUESTIONS, Answer, Back, Question, intake_at, show_intake
from flashbench.cli.outcome import memory_gbit, outcome_at
from flashbench.cli.output import listed
from flashbench.cli.report import report_at
from flashbench.job.layout import PHOTOS
from flashbench.wording import command_line, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flashbench.image.inspection import Editable


def before_heat(work: Work) -> None:
    """Go, no-go or not known, from what can be known without touching the board."""
    from flashbench.cli.guide.before_heat import Feasibility, Verdict, judge

    output = work.output
    output.say(
        "An hour of hot air can be saved by a few questions. What you do not know stays open; it"
        " is said again in the verdict."
    )
    records = _earlier_image(work)
    more_ranks = _yes(work, "ranks", "Do the new packages need more ranks (chip selects)?")
    limit = "How much memory does the processor take at most?"
    wanted = "How much memory shall the board have, in all?"
    known = Feasibility(
        limit_gbit=work.ask("heat limit", limit, read_memory),
        wanted_gbit=work.ask("heat wanted", wanted, read_memory),
        same_type=_yes(work, "type", "Are old and new packages of one type (LPDDR5, ...)?"),
        same_balls=_yes(work, "balls", "Are outline and balls of both the same?"),
        more_ranks=more_ranks,
        ranks_wired=_yes(work, "wired", "Is the second rank wired on every channel?")
        if more_ranks
        else None,
        straps_readable=_yes(work, "straps", "Can you measure the straps that choose the memory?"),
        records=records,
    )
    verdict, reasons = judge(known)
    output.say()
    output.say(f"Verdict: {verdict.value}.")
    said = reasons or ("Nothing that was asked speaks against it.",)
    output.rows(listed("because", said))
    if verdict is Verdict.NO_GO:
        output.say("Reading the chip harms nothing, but writing it would not help.")
        work.desk.ready("Go on all the same?")
    elif verdict is Verdict.NOT_KNOWN:
        work.desk.ready("Go on with that open?")


def _yes(work: Work, key: str, question: str) -> bool | None:
    return work.ask(f"heat {key}", f"{question} (yes, no or ?)", read_yes)


def _earlier_image(work: Work) -> "Sequence[Editable] | None":
    """What `inspect` finds in an earlier dump or a maker's update file."""
    from flashbench.image.inspection import inspect as look_into

    work.output.say(
        "An earlier dump of such a board, or an update file of its maker, shows whether the memory"
        " records can be edited at all."
    )
    asked_now = "heat image" not in work.notes.answers
    path = work.ask("heat image", "Which file is that? (a file, or ? for none)", read_image_file)
    if path is None:
        return None
    if asked_now:
        work.do(lambda output: inspect_at(output, path, Wanted()))
    return [finding.editable for finding in look_into(path.read_bytes()).memory]


def intake(work: Work) -> None:
    """The questions of `intake`, each answer kept at once."""
    work.caution(Moment.INTAKE)
    work.output.say("Type back for the question before.")
    _ask_in_turn(work)
    booked = work.intake
    if booked is None:
        return
    work.output.say()
    show_intake(work.output, booked)
    work.output.say(f"Photos go into {quoted(work.folder / PHOTOS)}.")
    if booked.entitled is False:
        _stop(work, "The customer is not entitled to have it worked on: nothing is begun.")
    if booked.disk_encrypted and booked.recovery_key_at_hand is False:
        _stop(work, "The disk is encrypted and its key is not at hand: nothing is begun yet.")


def _ask_in_turn(work: Work) -> None:
    """What is not behind; what somebody went back over is put again."""
    asked: list[int] = []
    anew: set[int] = set()
    number = 0
    while number < len(QUESTIONS):
        if number in anew or not _is_behind(work, QUESTIONS[number]):
            try:
                _ask_intake(work, QUESTIONS[number])
            except Back:
                if asked:
                    number = asked.pop()
                    anew.add(number)
                continue
            anew.discard(number)
            asked.append(number)
        number += 1


def _is_behind(work: Work, question: Question) -> bool:
    """Answered, by whatever way, or needless."""
    if f"intake {question.key}" in work.notes.answers or _cannot_be_wrong(work, question.key):
        return True
    return question.key != "label" and getattr(work.intake, question.key, None) is not None


def _ask_intake(work: Work, question: Question) -> None:
    """Raises `Back` if the question before shall be put again."""

    def read(text: str) -> Answer:
        if text.lower() == BACK:
            raise Back
        return question.read(text)

    if question.key == "label":
        answer = work.desk.must(question.asks, read)
    else:
        answer = work.desk.ask(question.asks, read)
    work.do_silently(partial(intake_at, folder=work.folder, answers={question.key: answer}))
    work.answered(f"intake {question.key}", None if answer is None else "told")
    if question.key == "label":
        work.output.label = str(answer)


def _stop(work: Work, why: str) -> NoReturn:
    """Raises `Left`: this board is not gone on with before something else was noted."""
    work.output.say(f"{why} Once that has changed, note it: {command_line('intake', work.folder)}")
    raise Left


def _cannot_be_wrong(work: Work, key: str) -> bool:
    """Questions that an earlier answer has made needless."""
    booked = work.intake
    if key == "recovery_key_at_hand":
        return booked is not None and booked.disk_encrypted is False
    if key == "new_known_from":
        return booked is not None and booked.new_package is None
    if key == "old_count":
        return booked is not None and booked.old_package is None
    return False


def lift(work: Work) -> None:
    """Off the board into a socket, or a clip on the board."""
    key = on_visit("way", work.notes)
    if work.notes.answer(key) is None:
        asks = "Will the chip be lifted into a socket, or clipped?"
        work.answered(key, work.desk.choose(asks, ("socket", "clip")))
    if work.is_clipped:
        return
    work.caution(Moment.HEAT)
    work.output.say("Note where pin 1 of the chip is on the board, lift it, clean its pads.")
    work.desk.ready("Is it off?")


def solder(work: Work) -> None:
    """Chip and packages onto the board, by the device's service manual."""
    if work.is_clipped:
        work.output.say("The clip comes off, supply first.")
        work.caution(Moment.HEAT)
    work.output.say(
        "Solder down what has to be soldered: the flash chip with pin 1 at the board's mark, the"
        " packages that the image describes, the straps as the edit expects them."
        " hardware_notes/soldering.md has common practice."
    )
    work.desk.ready("Is everything on the board?")
    work.caution(Moment.SOLDERED)


def first_boot(work: Work) -> None:
    """Power, and patience."""
    work.caution(Moment.BOOT)
    work.output.say("Switch the board on, and wait.")
    work.desk.ready("Has it started, or had several minutes?")


def outcome(work: Work) -> None:
    """What became of the board; where it stays dark, what to look at, and the way on."""
    if work.desk.must("Does the board start? (yes, no or leave)", one_of(("yes", "no"))) == "yes":
        shown = work.desk.ask("How much memory does it show, in all?", read_memory)
        hours = work.desk.ask("How many hours did a memory test run? (0 = none yet)", read_hours)
        errors = work.desk.must("How many errors did it find?", read_count) if hours else None
        work.do(
            lambda output: outcome_at(
                output,
                work.folder,
                boots=True,
                memory_shown_gbit=shown,
                test_hours=hours or None,
                test_errors=errors,
            )
        )
        return
    work.do(lambda output: outcome_at(output, work.folder, boots=False))
    asks = "Try it once more, or take the chip off and read it again?"
    if work.desk.choose(asks, ("try", "read")) == "read":
        work.chip_comes_back()
    else:
        work.note(work.notes.without(key_of(Step.FIRST_BOOT, work.notes)))
    raise NotYet


def report(work: Work) -> None:
    """Both pages."""
    work.do(lambda output: report_at(output, work.folder))


def read_memory(text: str) -> int:
    """An amount of memory in Gbit, as `outcome` takes it. Raises ValueError."""
    try:
        return memory_gbit(text)
    except typer.BadParameter as error:
        raise ValueError("it with its unit: 8GB, 64Gbit or 512MB") from error


def read_hours(text: str) -> float:
    """Hours from 0 on. Raises ValueError."""
    try:
        hours = float(text.replace(",", "."))
    except ValueError as error:
        raise ValueError("a number of hours") from error
    if not 0 <= hours <= 10_000:
        raise ValueError("a number of hours")
    return hours


def read_image_file(text: str) -> Path:
    """A file that exists. Raises ValueError."""
    path = Path(text).expanduser()
    if not path.is_file():
        raise ValueError("the name of a file that is there")
    return path
