"""The guide's steps between dump and write: look in, and say what shall be changed."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from flashbench.cli.edited_elsewhere import from_image_at
from flashbench.cli.editing import edit_by_file_at
from flashbench.cli.guide.cautions import Moment
from flashbench.cli.guide.course import Step, key_of, on_visit
from flashbench.cli.guide.desk import one_of
from flashbench.cli.guide.on_the_board import read_image_file
from flashbench.cli.guide.work import StepFailed, Work
from flashbench.cli.inspecting import Wanted, inspect_at
from flashbench.cli.intake import intake_at
from flashbench.cli.writing import restore_at

if TYPE_CHECKING:
    from flashbench.cli.guide.edit_writing import Place
    from flashbench.image.inspection import Inspection
    from flashbench.image.memory_edit import Answer, Unsaid
    from flashbench.image.memory_package import MemoryPackage
    from flashbench.image.memory_records import MemoryRecord
    from flashbench.image.strap_table import RowChoice, RowMatch, StrapRow, StrapTable

    _Row = tuple[StrapTable, RowMatch]


def inspect(work: Work) -> None:
    """What `inspect` says of the original, with the straps as booked in."""
    straps = _straps(work)
    path = _original(work)
    work.do(lambda output: inspect_at(output, path, Wanted(straps=straps)))


def edit_file(work: Work) -> None:
    """How the new image is made; for a memory edit the edit file is written here."""
    with _asked_anew_if_refused(work):
        key = on_visit("made from", work.notes)
        if key not in work.notes.answers:
            work.output.say(
                "The new image is made from what you know of the fitted memory package, by an edit"
                " file that you have, or from an image that was edited elsewhere."
            )
        ways = ["package", "file", "image"]
        if work.notes.visit > 1:
            work.output.say(
                "Or keep the chip as it is, where only the board was at fault; or put the original"
                " of round 1 back, with the old packages and straps."
            )
            ways += ["keep", "original"]
        way = work.must(key, f"From which? ({', '.join(ways)} or leave)", one_of(ways))
        if way in ("keep", "original"):
            if way == "original":
                _put_back(work)
            work.pass_over(Step.EDIT, Step.WRITE)
            return
        if way == "package":
            source = _written(work)
        else:
            asks = "Which edit file?" if way == "file" else "Which image?"
            source = str(work.desk.must(asks, read_image_file).resolve())
        work.answered(on_visit("edit source", work.notes), source)


def _put_back(work: Work) -> None:
    work.caution(Moment.WRITE)
    options = work.at_bench()
    work.do(lambda output: restore_at(output, work.folder, options, round_number=1, yes=False))


def edit(work: Work) -> None:
    """What `edit` does with what the step before has named."""
    named = work.notes.answer(on_visit("edit source", work.notes)) or ""
    path = work.folder / named  # an absolute path stays what it is
    with _asked_anew_if_refused(work):
        if work.notes.answer(on_visit("made from", work.notes)) == "image":
            work.do(lambda output: from_image_at(output, work.folder, from_image=path))
        else:
            work.do(lambda output: edit_by_file_at(output, work.folder, edit_file=path))


@contextmanager
def _asked_anew_if_refused(work: Work) -> Iterator[None]:
    """After a refusal another source of the image can be named."""
    try:
        yield
    except StepFailed:
        work.forget(on_visit("made from", work.notes))
        work.forget(on_visit("edit source", work.notes))
        work.note(work.notes.without(key_of(Step.EDIT_FILE, work.notes)))
        raise


def _original(work: Work) -> Path:
    return work.folder / f"round-{work.standing().rounds}" / "original.bin"


def _straps(work: Work) -> str | None:
    """The straps as booked in, if they are written as bits."""
    booked = work.intake
    straps = booked.straps if booked else None
    return straps if straps and not set(straps) - {"0", "1"} else None


def _written(work: Work) -> str:
    """The name of the edit file that was written into the job's folder."""
    from flashbench.image.inspection import inspect as look_into

    package = _package(work)
    data = _original(work).read_bytes()
    found = look_into(data)
    row = _row(work, data, found)
    _demand_need(work, data, found, package)
    place = _place(work, row, found)
    _demand_same_type(work, place.record, package)
    straps = _straps(work)
    by_straps = straps is not None and row.index == int(straps, 2)
    return _save(work, _edit_text(work, data, found, package, place, by_straps=by_straps))


def _package(work: Work) -> "MemoryPackage":
    """The fitted package: as booked in, or by its questions; then it is booked in."""
    from flashbench.cli.guide.package_questions import ask_package, description_of
    from flashbench.image.memory_package import KnownFrom, parse_package_file

    booked = work.intake
    if booked and booked.new_description:
        return parse_package_file(booked.new_description)
    package = ask_package(
        work,
        part=booked.new_package if booked else None,
        known_from=KnownFrom(booked.new_known_from) if booked and booked.new_known_from else None,
    )
    answers = {"new_description": description_of(package)}
    work.do_silently(lambda output: intake_at(output, work.folder, answers=answers))
    return package


def _row(work: Work, data: bytes, found: "Inspection") -> "StrapRow":
    """The record that the board uses; asked for unless the straps or the image settle it."""
    from flashbench.cli.guide.edit_writing import settled
    from flashbench.errors import CheckFailed
    from flashbench.image.strap_table import choose_rows

    straps = _straps(work)
    try:
        choices = choose_rows(data, found.tables, straps=straps)
    except CheckFailed as error:
        work.output.say(error.seen)
        straps, choices = None, choose_rows(data, found.tables)
    row = settled(choices, straps)
    if row is not None and _is_the_row(work, _of_row(choices, row), straps):
        return row
    rows = [(choice.table, match) for choice in choices for match in choice.matches]
    full = [(table, match) for table, match in rows if match.row.record is not None]
    if not full:
        work.output.say(
            "No memory record was found in this image, so no edit file can be written for one. An"
            " edit file of yours, or an image that was edited elsewhere, leads on."
        )
        raise StepFailed(None)
    chosen = [(table, match) for table, match in full if match.fits_straps and row is None]
    if straps is not None and not chosen and row is None:
        work.output.say(f"Straps {straps} choose a row without a memory record: measure again.")
    return _asked_row(work, chosen or full)


def _is_the_row(work: Work, settled: "_Row", straps: str | None) -> bool:
    """Show the row that straps or image settle; asked about if straps are too few or many."""
    table, _ = settled
    if straps is not None:
        work.output.say(f"Straps {straps}, the first as the most significant, choose:")
    _show_rows(work, [settled])
    if straps is None or len(table.rows) == 1 or len(straps) == table.index_bits:
        return True
    work.output.say(
        f"{len(straps)} straps were given, and {len(table.rows)} rows take {table.index_bits}: is"
        " one missing, or one of another kind?"
    )
    return work.desk.choose("Is that the row?", ("yes", "no")) == "yes"


def _asked_row(work: Work, rows: "Sequence[_Row]") -> "StrapRow":
    """One of `rows`, named as the listing names it, and shown again before it is taken."""
    from flashbench.cli.guide.edit_writing import read_row

    work.output.say("Which of these described the packages that were on the board?")
    tables = list(dict.fromkeys(table for table, _ in rows))
    while True:
        table = tables[0]
        if len(tables) > 1:
            for each in tables:
                work.output.say(f"Table at {each.offset:#x}:")
                _show_rows(work, [row for row in rows if row[0] is each])
            asks = "In which table?"
            place = work.desk.choose(asks, [f"{each.offset:#x}" for each in tables])
            table = next(each for each in tables if f"{each.offset:#x}" == place)
        else:
            _show_rows(work, rows)
        of_table = [match for each, match in rows if each is table]
        read = read_row(table, [match.row for match in of_table])
        row = work.desk.must("Which row? (its number or its straps, as listed)", read)
        _show_rows(work, [(table, match) for match in of_table if match.row is row])
        if work.desk.choose("Is that the row?", ("yes", "no")) == "yes":
            return row


def _show_rows(work: Work, rows: "Sequence[_Row]") -> None:
    """Rows in the form in which `inspect` shows them."""
    from flashbench.image.strap_table import row_text

    work.output.rows(
        [
            (
                f"{match.row.offset:#010x}",
                f"row {table.index_text(match.row.index)}: {row_text(match)}",
            )
            for table, match in rows
        ]
    )


def _of_row(choices: "Sequence[RowChoice]", row: "StrapRow") -> "_Row":
    return next(
        (choice.table, match) for choice in choices for match in choice.matches if match.row is row
    )


def _demand_need(work: Work, data: bytes, found: "Inspection", package: "MemoryPackage") -> None:
    """Where the straps alone may do, that is said, and asked, first."""
    from flashbench.image.strap_table import already_described

    told = [already_described(data, table, package) for table in found.tables]
    said = [sentence for sentence in told if sentence]
    for sentence in said:
        work.output.say(sentence)
    if said:
        work.desk.ready("Edit the flash all the same?")


def _demand_same_type(work: Work, record: "MemoryRecord", package: "MemoryPackage") -> None:
    """Another type of memory is written only after a yes that is about that."""
    from flashbench.image.memory_edit import changed_type_doubt

    doubt = changed_type_doubt(record.content, package)
    if doubt is not None:
        work.output.say(f"CAUTION: {doubt}.")
        work.desk.ready("Write the other memory type into the record all the same?")


def _place(work: Work, row: "StrapRow", found: "Inspection") -> "Place":
    """The record and its block, with one reading of the block's check."""
    from flashbench.cli.guide.edit_writing import place_of, readings, with_reading

    place = work.checked(lambda: place_of(row, found))
    ways = readings(place.block)
    if not ways:
        return place
    work.output.say(
        "The check of the block can be read in several ways that agree with this image. Only the"
        " board's maker or another board's image tells which is right:"
    )
    work.output.rows([(str(number), way) for number, way in enumerate(ways, start=1)])
    numbers = [str(number) for number in range(1, len(ways) + 1)]
    number = int(work.desk.must("Which is it?", one_of(numbers)))
    return replace(place, block=with_reading(place.block, number - 1))


def _edit_text(
    work: Work,
    data: bytes,
    found: "Inspection",
    package: "MemoryPackage",
    place: "Place",
    *,
    by_straps: bool,
) -> str:
    """The edit file. What no record says is asked, one thing at a time."""
    from flashbench.cli.guide.edit_writing import Wish, evident, open_questions, write_edit
    from flashbench.image.memory_edit import WrongCrc

    booked = work.intake
    wanted = Wish(
        about=f"{package.part or package.type.value} fitted",
        package=package,
        packages_on_board=booked.old_count if booked else None,
        answers=evident(place, package, by_straps=by_straps),
    )
    while True:
        text = work.checked(partial(write_edit, data, found, place, wanted))
        questions = work.checked(partial(open_questions, data, text))
        if questions is None:
            work.output.say("The record's own CRC was wrong before any edit.")
            ways = [way.value for way in WrongCrc]
            way = work.desk.choose("Keep it as it is, or recompute it?", ways)
            wanted = replace(wanted, wrong_crc=WrongCrc(way))
            continue
        asked = [question for question in questions if question not in wanted.answers]
        if not asked:
            return text
        answers = {question: _answer_to(work, question) for question in asked}
        wanted = replace(wanted, answers={**wanted.answers, **answers})


def _answer_to(work: Work, question: "Unsaid") -> "Answer":
    from flashbench.image.memory_edit import Answer

    key = on_visit(f"unsaid {question.key}", work.notes)
    choices = (Answer.DONE.value, Answer.NOT_NEEDED.value)
    if key not in work.notes.answers:
        work.output.say(question.value)
    said = work.ask(key, f"({', '.join(choices)} or ?)", one_of(choices))
    return Answer.UNKNOWN if said is None else Answer(said)


def _save(work: Work, text: str) -> str:
    """Keep the edit file in the job's folder, beside those of earlier rounds."""
    from flashbench.job.disk import Disk
    from flashbench.job.layout import is_edit_file
    from flashbench.job.refusals import disk_refused

    disk = Disk()
    try:
        taken = [name for name in disk.names(work.folder) if is_edit_file(name)]
        number = max((int(name[5:-5]) for name in taken), default=0) + 1
        name = f"edit-{number}.toml"
        disk.write_new(work.folder / name, text.encode())
    except OSError as error:
        raise disk_refused("saving the edit file", error, unfinished=False) from error
    work.output.say(f"The edit file is {name} in the job's folder; nobody needs to type one.")
    return name
