"""`flashbench intake`: a board is booked in, by questions at a terminal or by options."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command
from flashbench.cli.terminal import someone_can_be_asked
from flashbench.errors import Interrupted, WrongCall
from flashbench.wording import command_line, quoted

if TYPE_CHECKING:
    from flashbench.job.intake import Intake

NOT_KNOWN: Final = ("?", "don't know", "dont know", "unknown")
_STRAPS_MAX: Final = 16
_DESCRIPTION_BYTES_MAX: Final = 16_000
BACK: Final = "back"
_SHOWN_AS: Final = {True: "yes", False: "no"}

Answer = str | int | bool | None


class Back(Exception):
    """The question before shall be put again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing that is asked; `key` is the field of the intake that the answer goes into, `name`
    what a list calls it."""

    key: str
    name: str
    asks: str
    read: Callable[[str], Answer]


def _text(text: str) -> Answer:
    return text.strip()


def _straps(text: str) -> Answer:
    straps = "".join(text.split())
    if straps and len(straps) <= _STRAPS_MAX and not set(straps) - {"0", "1"}:
        return straps
    raise ValueError("each strap as 0 or 1, such as 0110")


def _count(text: str) -> Answer:
    if text.strip().isascii() and text.strip().isdigit() and 1 <= int(text) <= 64:
        return int(text)
    raise ValueError("a whole number from 1 to 64")


def _yes_or_no(text: str) -> Answer:
    word = text.strip().lower()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no"):
        return False
    raise ValueError("yes or no")


def _known_from(text: str) -> Answer:
    word = text.strip().lower().replace("data sheet", "datasheet")
    word = {"seller": "seller only"}.get(word, word)
    if word in ("datasheet", "marking", "seller only"):
        return word
    raise ValueError("datasheet, marking or seller only")


QUESTIONS: Final = (
    Question(key="label", name="label", asks="What stands on the bag?", read=_text),
    Question(key="device", name="device", asks="Which device?", read=_text),
    Question(key="board_number", name="board number", asks="Number of the board?", read=_text),
    Question(key="fault", name="wanted", asks="What is wrong with it, or wanted?", read=_text),
    Question(key="condition", name="condition", asks="In what condition did it come?", read=_text),
    Question(key="note", name="note", asks="A note for the customer's page?", read=_text),
    Question(
        key="old_package",
        name="packages on it",
        asks="Marking of the memory packages on it?",
        read=_text,
    ),
    Question(key="old_count", name="how many", asks="How many of them?", read=_count),
    Question(
        key="straps",
        name="straps",
        asks="Memory straps as measured, highest bit first?",
        read=_straps,
    ),
    Question(
        key="new_package",
        name="packages fitted",
        asks="Marking of the packages fitted?",
        read=_text,
    ),
    Question(
        key="new_known_from",
        name="known from",
        asks="Their data are known from (datasheet, marking, seller only)?",
        read=_known_from,
    ),
    Question(
        key="disk_encrypted",
        name="disk encrypted",
        asks="Is disk encryption in use?",
        read=_yes_or_no,
    ),
    Question(
        key="recovery_key_at_hand",
        name="recovery key",
        asks="Is the recovery key in the customer's hands?",
        read=_yes_or_no,
    ),
    Question(
        key="entitled",
        name="entitled",
        asks="Is the customer entitled to have it worked on?",
        read=_yes_or_no,
    ),
)
"""In the order in which they are asked."""


def _told(name: str, metavar: str, helps: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(
        name, metavar=metavar, show_default=False, help=helps
    )
    return option


def _described(name: str, which: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(
        name,
        metavar="FILE",
        exists=True,
        dir_okay=False,
        show_default=False,
        help=f"Description of one {which} package (TOML), as edit files have it.",
    )
    return option


def intake(
    job: JobArgument,
    label: Annotated[str | None, _told("--label", "TEXT", "What stands on the bag.")] = None,
    device: Annotated[str | None, _told("--device", "TEXT", "What it is.")] = None,
    board_number: Annotated[
        str | None, _told("--board-number", "TEXT", "The board's own number.")
    ] = None,
    fault: Annotated[str | None, _told("--fault", "TEXT", "What is wrong or wanted.")] = None,
    condition: Annotated[str | None, _told("--condition", "TEXT", "How it came in.")] = None,
    note: Annotated[str | None, _told("--note", "TEXT", "For the customer's page.")] = None,
    old_package: Annotated[
        str | None, _told("--old-package", "TEXT", "Marking of the packages that were on it.")
    ] = None,
    old_count: Annotated[str | None, _told("--old-count", "N", "How many of them.")] = None,
    straps: Annotated[
        str | None, _told("--straps", "BITS", "As measured, highest bit first: 0110.")
    ] = None,
    new_package: Annotated[
        str | None, _told("--new-package", "TEXT", "Marking of the packages fitted.")
    ] = None,
    new_known_from: Annotated[
        str | None,
        _told("--new-known-from", "SOURCE", 'Their data: datasheet, marking or "seller only".'),
    ] = None,
    disk_encrypted: Annotated[
        str | None, _told("--disk-encrypted", "YES|NO", "Disk encryption in use?")
    ] = None,
    recovery_key_at_hand: Annotated[
        str | None, _told("--recovery-key", "YES|NO", "In the customer's hands?")
    ] = None,
    entitled: Annotated[
        str | None, _told("--entitled", "YES|NO", "May the customer have it worked on?")
    ] = None,
    old_description: Annotated[Path | None, _described("--old-description", "old")] = None,
    new_description: Annotated[Path | None, _described("--new-description", "new")] = None,
    json: JsonOption = False,
) -> None:
    """Book a board in, or amend what was noted. Needs no adapter.

    \b
      flashbench intake board-17
      flashbench intake board-17 --label "Miller 17" --device "small desktop"
      flashbench intake board-17 --straps 0110 --new-known-from datasheet

    At a terminal it asks one thing at a time; Enter keeps what is in brackets, "?" says that
    it is not known, and back leads to the question before. Ctrl-C keeps what was answered.
    With options it asks nothing and notes just these; "?" takes a note back. Run again, it
    shows what was noted. Put photos into JOB/photos: the next command on the job lists and
    hashes them. The answers are in JOB/intake.toml.

    With --json: folder, label, every answer by name (null: not known), photos.
    """
    given = {
        key: value
        for key, value in (
            ("label", label),
            ("device", device),
            ("board_number", board_number),
            ("fault", fault),
            ("condition", condition),
            ("note", note),
            ("old_package", old_package),
            ("old_count", old_count),
            ("straps", straps),
            ("new_package", new_package),
            ("new_known_from", new_known_from),
            ("disk_encrypted", disk_encrypted),
            ("recovery_key_at_hand", recovery_key_at_hand),
            ("entitled", entitled),
        )
        if value is not None
    }
    with command(json=json) as output:
        answers = read_answers(given)
        for key, path in (
            ("old_description", old_description),
            ("new_description", new_description),
        ):
            if path is not None:
                answers[key] = _description(path)
        intake_at(output, job, answers=answers)


def read_answers(given: Mapping[str, str]) -> dict[str, Answer]:
    """What options say, by key of the question. Raises WrongCall for what is no answer."""
    answers: dict[str, Answer] = {}
    for question in QUESTIONS:
        text = given.get(question.key)
        if text is None:
            continue
        try:
            answers[question.key] = _read(question, text)
        except ValueError as error:
            option = "--" + question.key.removesuffix("_at_hand").replace("_", "-")
            raise WrongCall(
                f"{option} {text!r} is no answer to: {question.asks}",
                next_step=f"Say {error}, or ? if it is not known.",
            ) from error
    return answers


def intake_at(output: Output, folder: Path, *, answers: Mapping[str, Answer]) -> None:
    """What `intake` does: notes `answers`; without any, asks, or shows what was noted."""
    from flashbench.job.booking import booked_in
    from flashbench.job.intake import Intake
    from flashbench.job.making import refuse_missing_parent

    present = booked_in(folder)
    output.label = present.label if present else _label_of(folder)
    may_ask = someone_can_be_asked(output)
    if not answers and present is None and not may_ask:
        raise WrongCall(
            f"No board is booked in in {quoted(folder)}, and nobody can be asked.",
            next_step="Say what is known with options (flashbench intake --help), or run it at a"
            " terminal.",
        )
    wanted = replace(present or Intake(label=output.label), **answers)  # type: ignore[arg-type]
    if not answers and may_ask:
        refuse_missing_parent(folder)
        if present is None or _wants_to_amend(output, present):
            answers, are_all = ask_intake(output, wanted)
            wanted = replace(wanted, **answers)  # type: ignore[arg-type]
            if not are_all:
                raise _ended_early(output, folder, wanted, is_new=bool(answers))
    photos = _keep(output, folder, wanted, is_new=wanted != present)
    output.label = wanted.label
    output.facts = {"folder": str(folder), **asdict(wanted), "photos": photos}
    show_intake(output, wanted)
    what = "noted" if wanted != present else "shown as it was noted"
    output.say(
        f"{wanted.label}: {what}. Photos go into {quoted(folder / 'photos')}. What comes next:"
        f" {command_line('next', folder)}"
    )


def ask_intake(output: Output, present: "Intake") -> tuple[dict[str, Answer], bool]:
    """Ask every question in turn; `present` holds the answers that Enter keeps.

    What was answered by key, and whether that is all: it is not after Ctrl-C, or if the input
    has ended.
    """
    output.say(
        'Enter keeps what is in brackets. Type "?" for what you do not know, and back for the'
        " question before. Ctrl-C ends it, and keeps what was answered."
    )
    answers: dict[str, Answer] = {}
    number = 0
    while number < len(QUESTIONS):
        question = QUESTIONS[number]
        known = answers.get(question.key, getattr(present, question.key))
        try:
            answers[question.key] = _asked(output, question, known)
        except Back:
            number = max(number - 1, 0)
            continue
        except (Interrupted, KeyboardInterrupt):
            return answers, False
        number += 1
    return answers, True


def _ended_early(output: Output, folder: Path, wanted: "Intake", *, is_new: bool) -> Interrupted:
    """Keep what was answered, and say so."""
    if not is_new:
        return Interrupted("Stopped before the first answer.", next_step="Nothing was noted.")
    _keep(output, folder, wanted, is_new=True)
    return Interrupted(
        "Stopped before all was answered.",
        next_step=f"Go on: {command_line('intake', folder)}",
        state="What was answered is noted.",
    )


def show_intake(output: Output, intake: "Intake") -> None:
    """What is known, one row a question."""
    rows = [
        (question.name, _answer_text(getattr(intake, question.key)) or "not known")
        for question in QUESTIONS
    ]
    for name in ("old_description", "new_description"):
        if getattr(intake, name) is not None:
            rows.append((f"{name.partition('_')[0]} package", "described"))
    output.rows(rows)


def _keep(output: Output, folder: Path, intake: "Intake", *, is_new: bool) -> list[str]:
    """Note the answers, in the job if there is one; the names of the photos that it holds."""
    from flashbench.cli.jobs import opened_job
    from flashbench.job.booking import book_in
    from flashbench.job.refusals import JobMissing

    try:
        with opened_job(output, folder) as job:
            if is_new:
                job.save_intake(intake)
            return [photo.name for photo in job.photos]
    except JobMissing:
        if is_new:
            book_in(folder, intake)
        return []


def _label_of(folder: Path) -> str:
    """The label of a job that was never booked in, or the folder's name where there is none."""
    from flashbench.job.folder import Job
    from flashbench.job.refusals import JobMissing

    try:
        with Job.open(folder) as job:
            return job.label
    except JobMissing:
        return folder.resolve().name


def _wants_to_amend(output: Output, present: "Intake") -> bool:
    show_intake(output, present)
    return output.ask("Amend it?")


def _asked(output: Output, question: Question, known: Answer) -> Answer:
    while True:
        shown = _answer_text(known)
        text = output.ask_text(f"{question.asks}{f' [{shown}]' if shown else ''}")
        if text is None:
            raise Interrupted("The answers ended.", next_step="Run it again.")
        if not text.strip():
            return known
        if text.strip().lower() == BACK:
            raise Back
        try:
            answer = _read(question, text)
        except ValueError as error:
            output.say(f"Say {error}, or ? if it is not known.")
            continue
        if question.key == "label" and answer is None:
            output.say("A bag needs a label.")
            continue
        return answer


def _read(question: Question, text: str) -> Answer:
    if text.strip().lower() in NOT_KNOWN:
        return None
    return question.read(text)


def _answer_text(answer: Answer) -> str:
    if answer is None:
        return ""
    return _SHOWN_AS[answer] if isinstance(answer, bool) else str(answer)


def _description(path: Path) -> str:
    """The text of a package description, which is known to be one."""
    from flashbench.image.memory_package import parse_package_file

    try:
        with path.open("rb") as file:
            text = file.read(_DESCRIPTION_BYTES_MAX + 1).decode()
    except (OSError, UnicodeDecodeError) as error:
        raise WrongCall(
            f"{quoted(path)} cannot be read: {error}.",
            next_step="Name a text file in UTF-8 that you may read.",
        ) from error
    if len(text) > _DESCRIPTION_BYTES_MAX:
        raise WrongCall(
            f"{quoted(path)} is longer than {_DESCRIPTION_BYTES_MAX} characters.",
            next_step="Name the description of one package.",
        )
    parse_package_file(text)
    return text
