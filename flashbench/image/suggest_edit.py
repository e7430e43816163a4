"""Writing an edit file for a block that was found."""

import hashlib
from collections.abc import Sequence
from typing import Any

import tomli_w

from flashbench.errors import CheckFailed
from flashbench.image.checks import Check, Span
from flashbench.image.edit_file import FORMAT
from flashbench.image.finds import Block
from flashbench.image.memory_edit import Unsaid
from flashbench.image.memory_package import MemoryPackage, attribute_names, capacity_text
from flashbench.image.memory_records import MemoryRecord

_HEADER_MAX = 64  # bytes at a block's start in which blocks of one signature are told apart


def suggest_edit(
    image: bytes,
    block: Block,
    *,
    blocks: Sequence[Block],
    records: Sequence[MemoryRecord] = (),
    package: MemoryPackage | None = None,
) -> str:
    """An edit file that recognises `block` and its copies among `blocks`, as TOML text.

    With one record in `records` and the fitted `package` it is ready to be applied; else it
    says in comments what is to be filled in. Where the block's check can be read in several
    ways all are shown and none is chosen: the file is refused until one is.
    """
    copies = _copies(block, blocks)
    if package is not None and len(records) != 1:
        raise CheckFailed(
            f"{len(records)} memory records were named for one package.",
            next_step="Name the one record that the board uses; its straps or `was` tell which.",
        )
    table: dict[str, Any] = {
        "name": block.name,
        "signature": block.signature.hex(" "),
        "length": block.length,
        "copies": len(copies),
    }
    also = _telling_bytes(image, copies, blocks)
    if also:
        table["also"] = also
    if any(copy.unequal for copy in copies):
        table["copies_may_differ"] = False
    comments = [f"Block at {', '.join(f'{copy.offset:#x}' for copy in copies)}."]
    if block.ambiguous:
        comments += _ambiguity(block)
    elif block.checks:
        table["check"] = [_check_table(check, block.offset) for check in block.checks]
    else:
        table["no_check"] = True
    if package is not None:
        table["memory"] = [_memory_table(image, block, records[0], package)]
        answers = {question.key: "don't know" for question in Unsaid}
    else:
        answers = {}
        comments += _how_to_go_on(block, records)
    document: dict[str, Any] = {"flashbench_edit": FORMAT, "about": "", "block": [table]}
    if answers:
        document["answers"] = answers
        comments += [f"{question.key}: {question.value}" for question in Unsaid]
    text = "".join(f"# {line}\n" for line in comments)
    return text + "\n" + tomli_w.dumps(document)


def _copies(block: Block, blocks: Sequence[Block]) -> list[Block]:
    first = block.offset if block.copy_of is None else block.copy_of
    copies = [other for other in blocks if first in (other.offset, other.copy_of)]
    return copies or [block]


def _telling_bytes(
    image: bytes, copies: list[Block], blocks: Sequence[Block]
) -> list[dict[str, Any]]:
    """Header bytes, equal in all copies, that no other block of this signature and length has."""
    first = copies[0]
    rivals = [
        other
        for other in blocks
        if other not in copies
        and other.signature == first.signature
        and other.length == first.length
    ]
    chosen: list[dict[str, Any]] = []
    for at in range(len(first.signature), min(_HEADER_MAX, first.length)):
        value = image[first.offset + at]
        in_check = any(check.field.contains(_one(first.offset + at)) for check in first.checks)
        if in_check or any(image[copy.offset + at] != value for copy in copies):
            continue
        told_apart = [other for other in rivals if image[other.offset + at] != value]
        if told_apart:
            chosen.append({"at": at, "bytes": f"{value:02x}"})
            rivals = [other for other in rivals if other not in told_apart]
    return chosen


def _one(offset: int) -> Span:
    return Span(offset, offset + 1)


def _check_table(check: Check, base: int) -> dict[str, Any]:
    here = check.moved(-base)
    table: dict[str, Any] = {
        "kind": here.kind.value,
        "at": here.offset,
        "order": here.order,
        "covers": [list(span) for span in here.covers],
    }
    if here.zeroed:
        table["zeroed"] = [list(span) for span in here.zeroed]
    if here.target:
        table["target"] = here.target
    return table


def _ambiguity(block: Block) -> list[str]:
    readings = (*((block.check,) if block.check else ()), *block.alternatives)
    lines = [
        f"Its check can be read in {len(readings)} ways that agree with this image. Write the"
        " right one as a table",
        "[[block.check]]; nothing is repaired by guess:",
    ]
    for check in readings:
        lines += [
            f"  {line}" for line in tomli_w.dumps(_check_table(check, block.offset)).split("\n")
        ]
    return lines


def _memory_table(
    image: bytes, block: Block, record: MemoryRecord, package: MemoryPackage
) -> dict[str, Any]:
    if not block.span.contains(Span(record.offset, record.end)):
        raise CheckFailed(
            f"The memory record at {record.offset:#x} does not lie in the block at"
            f" {block.offset:#x}.",
            next_step="Name the block that holds the record.",
        )
    stored = image[record.offset : record.end]
    return {
        "at": record.offset - block.offset,
        "length": record.length,
        "expect_sha256": hashlib.sha256(stored).hexdigest(),
        "package": package_table(package),
    }


def package_table(package: MemoryPackage) -> dict[str, Any]:
    """`package` as the TOML table that `parse_package` reads."""
    attributes: dict[str, Any] = {
        name: getattr(package, field) for name, field in attribute_names(package.type).items()
    }
    if package.tck_max_ps is not None:
        attributes["tckMaxPs"] = package.tck_max_ps
    if package.cas_latency is not None:
        attributes["CL_nRCD_nRP"] = package.cas_latency
    if package.cas_latencies is not None:
        attributes["casLatencies"] = " ".join(str(cl) for cl in package.cas_latencies)
    if package.trfc_ps is not None:
        names = (
            ("tRFCabMinPs", "tRFCpbMinPs")
            if len(package.trfc_ps) == 2
            else ("TRFC1MinPs", "TRFC2MinPs", "TRFC4MinPs")
        )
        attributes |= dict(zip(names, package.trfc_ps, strict=True))
    told = {
        name: {"value": value, "known_from": package.known_from[name].value}
        if name in package.known_from
        else value
        for name, value in attributes.items()
    }
    return {"part": package.part, "type": package.type.value, "attributes": told}


def _how_to_go_on(block: Block, records: Sequence[MemoryRecord]) -> list[str]:
    lines = []
    for record in records:
        content = record.content
        lines.append(
            f"Memory record at byte {record.offset - block.offset} of the block:"
            f" {content.type.value}, {capacity_text(content.capacity_gbit)} per"
            f" {content.capacity_of}, {content.ranks} rank(s), {content.speed_mtps} Mbps."
        )
    lines.append(
        "Add the changes: [[block.change]] with at, expect, new, why; or [[block.memory]] with at,"
    )
    lines.append("length and the fitted package.")
    return lines
