"""The command that looks into an image file: `inspect`."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flashbench.cli.given_files import read_image, read_package, write_new
from flashbench.cli.options import JsonOption
from flashbench.cli.output import Output, command
from flashbench.errors import CheckFailed, WrongCall

if TYPE_CHECKING:
    from flashbench.image.comparison import Comparison
    from flashbench.image.finds import Block
    from flashbench.image.inspection import Inspection
    from flashbench.image.memory_package import MemoryPackage
    from flashbench.image.memory_records import MemoryRecord
    from flashbench.image.strap_table import RowChoice

_BLOCKS_NAMED = 24


def offset(text: str) -> int:
    """A place in an image as people write it: "0xa41240" or "10752576"."""
    try:
        place = int(text, 0)
    except ValueError:
        place = -1
    if place < 0:
        raise typer.BadParameter(f"{text!r} is no place in an image. Write 0xa41240 or 10752576.")
    return place


def inspect(
    image: Annotated[
        Path,
        typer.Argument(
            metavar="IMAGE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="An image file, such as a job's original.bin.",
        ),
    ],
    was: Annotated[
        Path | None,
        typer.Option(
            "--was",
            metavar="PACKAGE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="The old memory package (TOML): which records fit it?",
        ),
    ] = None,
    straps: Annotated[
        str | None,
        typer.Option(
            "--straps",
            metavar="BITS",
            show_default=False,
            help="The strap resistors as measured, most significant first, such as 010.",
        ),
    ] = None,
    fitted: Annotated[
        Path | None,
        typer.Option(
            "--fitted",
            metavar="PACKAGE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="The new memory package (TOML): does a record describe it already?",
        ),
    ] = None,
    compare: Annotated[
        Path | None,
        typer.Option(
            "--compare",
            metavar="OTHER",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="The image of another board of this model: what is different inside blocks?",
        ),
    ] = None,
    suggest_edit: Annotated[
        Path | None,
        typer.Option(
            "--suggest-edit",
            metavar="FILE",
            dir_okay=False,
            show_default=False,
            help="Write an edit file to start from into FILE, which is new.",
        ),
    ] = None,
    block: Annotated[
        int | None,
        typer.Option(
            "--block",
            metavar="OFFSET",
            parser=offset,
            show_default=False,
            help="For which block. Default: the one with the memory record that fits.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Say what an image holds: blocks, checks, memory records.

    \b
      flashbench inspect board-17/round-1/original.bin
      flashbench inspect original.bin --straps 010 --was old.toml
      flashbench inspect original.bin --compare other-board.bin
      flashbench inspect original.bin --straps 010 --suggest-edit edit.toml

    Needs no adapter and changes nothing. Blocks that nobody documented are found by lengths and
    checks that hold together; what chance could have made is called possible. A memory package
    is described as in an edit file: type, known_from, attributes.

    With --json: size, sha256, blocks (offset, length, signature, signature_hex, check with kind,
    offset, holds and state, alternatives, copy_of, unequal, confidence), volumes, memory (each
    record with its verdict, editable), tables (rows, fitting, verdict), packed, stored_digests,
    repeated, blank, strings, board_numbers, doubts; first, compared, edit_file if asked for.
    """
    wanted = Wanted(
        was=was,
        straps=straps,
        fitted=fitted,
        compare=compare,
        edit_file=suggest_edit,
        block=block,
    )
    with command(json=json, only_tells=suggest_edit is None) as output:
        inspect_at(output, image, wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is known of the board, and what is asked for besides the inspection."""

    was: Path | None = None
    straps: str | None = None
    fitted: Path | None = None
    compare: Path | None = None
    edit_file: Path | None = None
    block: int | None = None


def inspect_at(output: Output, path: Path, wanted: Wanted) -> None:
    """What `inspect` does."""
    from flashbench.image.inspection import inspect as inspect_image
    from flashbench.image.inspection_text import render
    from flashbench.image.strap_table import already_described, choose_rows

    if wanted.block is not None and wanted.edit_file is None:
        raise WrongCall(
            "--block says for which block an edit file is written.",
            next_step="Add --suggest-edit FILE.",
        )
    if wanted.compare is not None and (wanted.block, wanted.was, wanted.straps) != (None,) * 3:
        raise WrongCall(
            "A comparison takes every block that differs: --block, --was and --straps say nothing"
            " to it.",
            next_step="Leave them out, or --compare.",
        )
    was = None if wanted.was is None else read_package(wanted.was)
    fitted = None if wanted.fitted is None else read_package(wanted.fitted)
    data = read_image(path)
    found = inspect_image(data)
    choices = choose_rows(data, found.tables, was=was, straps=wanted.straps)
    output.facts = found.to_json() | {"tables": [choice.to_json() for choice in choices]}
    if fitted is not None:
        told = [already_described(data, table, fitted) for table in found.tables]
        output.facts["first"] = [sentence for sentence in told if sentence]
        for sentence in output.facts["first"]:
            output.say(f"First: {sentence}")
    comparison = None
    if wanted.compare is None:
        output.rows([("image", str(path))])
        output.block(render(found, choices))
    else:
        comparison = _compared(output, path, data, found, wanted.compare)
    if wanted.edit_file is not None:
        text = (
            _edit_file(data, found, choices, fitted, at=wanted.block)
            if comparison is None
            else _edit_file_of(data, comparison, found)
        )
        write_new(wanted.edit_file, text)
        output.facts["edit_file"] = str(wanted.edit_file)
        output.say()
        output.say(f"An edit file to start from is in {wanted.edit_file}: read it, complete it.")


def _compared(
    output: Output, path: Path, data: bytes, found: "Inspection", other: Path
) -> "Comparison":
    from flashbench.image.comparison import compare
    from flashbench.image.comparison_text import render_comparison

    second = read_image(other)
    comparison = compare(data, second, first_inspection=found)
    output.facts["compared"] = {"with": str(other)} | comparison.to_json()
    output.rows([("first", str(path)), ("second", str(other))])
    output.block(render_comparison(comparison, sizes=(len(data), len(second))))
    return comparison


def _edit_file_of(data: bytes, comparison: "Comparison", found: "Inspection") -> str:
    from flashbench.image.board_difference import suggest_from_comparison

    return suggest_from_comparison(data, comparison, blocks=found.blocks)


def _edit_file(
    data: bytes,
    found: "Inspection",
    choices: "tuple[RowChoice, ...]",
    fitted: "MemoryPackage | None",
    *,
    at: int | None,
) -> str:
    from flashbench.image.suggest_edit import suggest_edit

    records = _chosen_records(choices)
    if at is not None:
        block = next((block for block in found.blocks if block.offset == at), None)
        if block is None:
            raise _no_block(f"No block begins at {at:#x}.", found)
        inside = [r for r in records if block.offset <= r.offset and r.end <= block.span.end]
        records = inside or [
            finding.record
            for finding in found.memory
            if finding.inside is None
            and block.offset <= finding.record.offset < finding.record.end <= block.span.end
        ]
    else:
        block = _block_around(records, found)
    return suggest_edit(data, block, blocks=found.blocks, records=records, package=fitted)


def _chosen_records(choices: "tuple[RowChoice, ...]") -> "list[MemoryRecord]":
    """The record of each table of which exactly one row fits."""
    rows = [choice.the_row for choice in choices]
    return [row.record for row in rows if row is not None and row.record is not None]


def _block_around(records: "list[MemoryRecord]", found: "Inspection") -> "Block":
    from flashbench.image.checks import Span

    if len(records) != 1:
        raise _no_block(
            f"{len(records) or 'No'} memory records fit what was said, so for which block the edit"
            " file is meant is open.",
            found,
        )
    (record,) = records
    around = [b for b in found.blocks if b.span.contains(Span(record.offset, record.end))]
    if not around:
        raise _no_block(f"The record at {record.offset:#x} lies in no recognised block.", found)
    return min(around, key=lambda block: block.length)


def _no_block(seen: str, found: "Inspection") -> CheckFailed:
    shown = found.blocks[:_BLOCKS_NAMED]
    places = ", ".join(f"{block.offset:#x}" for block in shown)
    if len(shown) < len(found.blocks):
        places += f" and {len(found.blocks) - len(shown)} more, which inspect lists"
    return CheckFailed(
        seen,
        next_step="Say which package was fitted and what the straps read (--was, --straps), or"
        f" name a block with --block{f': {places}' if places else ''}.",
    )
