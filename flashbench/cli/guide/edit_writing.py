"""An edit file from what was found in the image and what was told of the board. Pure."""

import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import tomli_w

from flashbench.errors import CheckFailed
from flashbench.image.apply_edit import apply_edit
from flashbench.image.checks import Span
from flashbench.image.edit_file import parse_edit
from flashbench.image.finds import Block
from flashbench.image.inspection import Editable, Inspection
from flashbench.image.memory_edit import Answer, AnswerNeeded, Unsaid, WrongCrc
from flashbench.image.memory_package import MemoryPackage
from flashbench.image.memory_records import MemoryRecord
from flashbench.image.strap_table import RowChoice, StrapRow, StrapTable
from flashbench.image.suggest_edit import suggest_edit

_HEAD: Final = "# Written by flashbench guide from the answers given there.\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The memory record that shall be edited, and the block around it."""

    record: MemoryRecord
    block: Block


def settled(choices: Iterable[RowChoice], straps: str | None) -> StrapRow | None:
    """The one row that the board can use: chosen by the straps, or the only one there is."""
    by_straps = [m.row for c in choices for m in c.matches if m.fits_straps and m.row.record]
    all_rows = [m.row for c in choices for m in c.matches if m.row.record]
    rows = by_straps if straps else all_rows
    return rows[0] if len(rows) == 1 else None


def read_row(table: StrapTable, rows: Sequence[StrapRow]) -> Callable[[str], StrapRow]:
    """Reads which of `rows` is meant: the row's number, or all its straps, as `inspect` shows.

    What could be either, as 10 in a table of sixteen rows, is no answer.
    """
    bits = table.index_bits

    def read(text: str) -> StrapRow:
        digits = text.isascii() and text.isdigit()
        is_straps = len(text) == bits and not set(text) - {"0", "1"}
        is_either = len(text) > 1 and not set(text) - {"0", "1"}
        index = int(text, 2) if is_straps else int(text) if digits and not is_either else -1
        row = next((row for row in rows if row.index == index), None)
        if row is None:
            shown = ", ".join(table.index_text(each.index) for each in rows)
            raise ValueError(f"the row's number or all {bits} of its straps: {shown}")
        return row

    return read


def place_of(row: StrapRow, found: Inspection) -> Place:
    """The record of a row with the block to edit it in.

    Raises `CheckFailed` where it cannot be edited where it is, or no block is around it.
    """
    record = row.record
    if record is None:
        raise CheckFailed("This row holds no memory record.", next_step="Name another row.")
    verdict = next(
        (each for each in found.memory if each.inside is None and each.record == record), None
    )
    if verdict is not None and verdict.editable is not Editable.HERE:
        raise CheckFailed(
            f"The memory record at {record.offset:#x} is {verdict.editable.value}:"
            f" {verdict.reason}.",
            next_step="Without knowing what checks it nothing is changed; an image that was edited"
            " elsewhere can be taken in instead.",
        )
    place = Span(record.offset, record.end)
    around = [block for block in found.blocks if block.span.contains(place)]
    if not around:
        raise CheckFailed(
            f"No block was found around the memory record at {record.offset:#x}.",
            next_step="Take in an image that was edited elsewhere, or an edit file written by"
            " hand.",
        )
    return Place(record=record, block=min(around, key=lambda block: block.length))


def readings(block: Block) -> tuple[str, ...]:
    """How the block's check can be read, where more than one way agrees with the image."""
    checks = (*((block.check,) if block.check else ()), *block.alternatives)
    if len(checks) < 2:
        return ()
    return tuple(
        f"{check.kind.value} at byte {check.offset - block.offset}, over "
        + " and ".join(f"{s.start - block.offset} to {s.end - block.offset}" for s in check.covers)
        for check in checks
    )


def with_reading(block: Block, number: int) -> Block:
    """`block` with one reading of its check, counted from 0, and no other."""
    checks = (*((block.check,) if block.check else ()), *block.alternatives)
    return replace(block, check=checks[number], alternatives=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the edit shall do, and what was said of it."""

    about: str
    package: MemoryPackage
    packages_on_board: int | None
    answers: Mapping[Unsaid, Answer] = field(default_factory=dict)
    wrong_crc: WrongCrc | None = None


def evident(place: Place, package: MemoryPackage, *, by_straps: bool) -> dict[Unsaid, Answer]:
    """Answers that need no question. `by_straps`: the record is the one the straps choose."""
    content = place.record.content
    answers: dict[Unsaid, Answer] = {}
    if by_straps:
        answers[Unsaid.STRAPS] = Answer.DONE
    if package.ranks <= content.ranks:
        answers[Unsaid.WIRED_RANKS] = Answer.NOT_NEEDED
    if content.dies is not None and package.channels <= content.channels:
        answers[Unsaid.WIRED_CHANNELS] = Answer.NOT_NEEDED
    return answers


def write_edit(data: bytes, found: Inspection, place: Place, wanted: Wish) -> str:
    """The edit file. Raises `CheckFailed` as `suggest_edit` does."""
    text = suggest_edit(
        data, place.block, blocks=found.blocks, records=[place.record], package=wanted.package
    )
    content = tomllib.loads(text)
    content["about"] = wanted.about
    if wanted.packages_on_board is not None:
        content["packages_on_board"] = wanted.packages_on_board
    if wanted.wrong_crc is not None:
        content["block"][0]["memory"][0]["wrong_crc"] = wanted.wrong_crc.value
    for question, answer in wanted.answers.items():
        content.setdefault("answers", {})[question.key] = answer.value
    return _HEAD + tomli_w.dumps(content)


def open_questions(data: bytes, edit_file: str) -> tuple[Unsaid, ...] | None:
    """What the edit leaves open; None if a wrong CRC has to be decided on first.

    Raises `CheckFailed` if the edit cannot be made.
    """
    try:
        return apply_edit(data, parse_edit(edit_file)).questions
    except AnswerNeeded:
        return None
