"""The command that looks into an image file: `inspect`."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.options import JsonOption
from flashbench.cli.output import Output, bytes_text, command, listed, many, size_text
from flashbench.errors import CheckFailed, WrongCall
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.image.checks import Check
    from flashbench.image.finds import Block
    from flashbench.image.strap_table import StrapTable

_NOT_LOOKED_FOR = ("UEFI firmware volumes and files", "ACPI", "SMBIOS", "GPT", "U-Boot")


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
    json: JsonOption = False,
) -> None:
    """Say what an image holds: private blocks, their checks, memory records.

    \b
      flashbench inspect board-17/round-1/original.bin

    Needs no adapter and changes nothing. Blocks that nobody documented are found by lengths and
    checks that hold together; what chance could have made is called possible.

    With --json: size, sha256, blocks (offset, length, signature, name, check with kind, offset
    and holds, copy_of, unequal, confidence, readings, notes), volumes, memory, tables,
    not_looked_for.
    """
    with command(json=json) as output:
        inspect_at(output, image)


def inspect_at(output: Output, path: Path) -> None:
    """What `inspect` does."""
    from flashbench.image.memory_records import find_records
    from flashbench.image.private_blocks import find_private_blocks
    from flashbench.image.strap_table import find_strap_tables

    data = _read(path)
    blocks = find_private_blocks(data)
    records = find_records(data)
    tables = find_strap_tables(data, records)
    sha256 = hashlib.sha256(data).hexdigest()
    output.facts = {
        "size": len(data),
        "sha256": sha256,
        "blocks": [_block_facts(data, block) for block in blocks],
        "volumes": [],
        "memory": [record.as_json() for record in records],
        "tables": [_table_facts(table) for table in tables],
        "not_looked_for": list(_NOT_LOOKED_FOR),
    }
    output.rows([("image", str(path)), ("size", size_text(len(data))), ("sha256", sha256)])
    output.say()
    _say_blocks(output, data, blocks)
    output.say()
    _say_memory(output, data, tables, record_count=len(records))
    output.say()
    output.say(f"Not looked for by this version: {', '.join(_NOT_LOOKED_FOR)}.")


def _say_blocks(output: Output, data: bytes, blocks: tuple["Block", ...]) -> None:
    if not blocks:
        output.say("No private blocks were found: no header's length and check hold together.")
        return
    output.say(f"{many(len(blocks), 'private block')}:")
    output.rows([(f"{block.offset:#010x}", _block_text(data, block)) for block in blocks])


def _block_text(data: bytes, block: "Block") -> str:
    signature = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in block.signature)
    parts = [f'{bytes_text(block.length)}, {block.signature.hex(" ")} "{signature}"']
    parts.append(_check_text(data, block))
    if block.copy_of is not None:
        changed = sum(span.end - span.start for span in block.unequal)
        told = f"in which {many(changed, 'byte')} differ" if changed else "equal"
        parts.append(f"copy of {block.copy_of:#x}, {told}")
    return "; ".join([*parts, block.confidence.value, *block.notes])


def _check_text(data: bytes, block: "Block") -> str:
    from flashbench.image.checks import judged

    if block.check is None:
        return "no check known"
    if block.ambiguous:
        return (
            f"its check can be read in {len(block.alternatives) + 1} ways, so an edit file must"
            " name it"
        )
    return (
        f"{block.check.kind.value} at {block.check.offset:#x}:"
        f" {judged(data, block.check).state.value}"
    )


def _say_memory(
    output: Output, data: bytes, tables: tuple["StrapTable", ...], *, record_count: int
) -> None:
    from flashbench.image.strap_table import choose_row, table_lines

    if not tables:
        output.say("No memory records (SPD contents) were found.")
        return
    output.say(f"{many(record_count, 'memory record')} (SPD contents):")
    for number, table in enumerate(tables, start=1):
        output.rows(listed(f"table {number}", table_lines(data, choose_row(data, table))))
        doubts = [
            f"row {table.index_text(row.index)}: {doubt}"
            for row in table.rows
            if row.record is not None
            for doubt in row.record.content.doubts
        ]
        if doubts:
            output.rows(listed("doubts", doubts))


def _block_facts(data: bytes, block: "Block") -> dict[str, Any]:
    return {
        "offset": block.offset,
        "length": block.length,
        "signature": block.signature.hex(),
        "name": block.name,
        "check": _check_facts(data, block.check),
        "copy_of": block.copy_of,
        "unequal": [list(span) for span in block.unequal],
        "confidence": block.confidence.value,
        "readings": len(block.alternatives) + (block.check is not None),
        "notes": list(block.notes),
    }


def _check_facts(data: bytes, check: "Check | None") -> dict[str, Any] | None:
    from flashbench.image.checks import judged

    if check is None:
        return None
    state = judged(data, check)
    return {
        "kind": check.kind.value,
        "offset": check.offset,
        "order": check.order,
        "holds": state.holds,
        "state": state.state.value,
    }


def _table_facts(table: "StrapTable") -> dict[str, Any]:
    return {
        "offset": table.offset,
        "stride": table.stride,
        "rows": [
            {"index": row.index, "offset": row.offset, "holds_a_record": row.record is not None}
            for row in table.rows
        ],
        "copies": [copy.offset for copy in table.copies],
        "notes": list(table.notes),
    }


def _read(path: Path) -> bytes:
    from flashbench.job.layout import IMAGE_BYTES_MAX

    try:
        with path.open("rb") as file:
            data = file.read(IMAGE_BYTES_MAX + 1)
    except OSError as error:
        raise WrongCall(
            f"{quoted(path)} cannot be read: {error.strerror}.",
            next_step="Name a file that you may read.",
        ) from error
    if not 0 < len(data) <= IMAGE_BYTES_MAX:
        raise CheckFailed(
            f"{quoted(path)} is {'larger than any flash image' if data else 'empty'}.",
            next_step="Name the image of a flash chip.",
        )
    return data
