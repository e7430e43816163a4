"""Writing an edit file for a block that was found."""

import hashlib
from collections.abc import Sequence
from typing import Any

import numpy as np
import tomli_w

from flashbench.errors import CheckFailed
from flashbench.image.checks import Check, Span
from flashbench.image.edit_file import FORMAT
from flashbench.image.finds import Block, Confidence
from flashbench.image.memory_edit import Answer, Doubling, Unsaid
from flashbench.image.memory_package import MemoryPackage, attribute_names, capacity_text
from flashbench.image.memory_records import MemoryRecord

TELLING_TIMES = 64  # times the image: bytes compared to tell a block from others


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
    if package is not None and len(records) != 1:
        raise CheckFailed(
            f"{len(records)} memory records were named for one package.",
            next_step="Name the one record that the board uses; its straps or `was` tell which.",
        )
    changing = [Span(record.offset, record.end) for record in records]
    inside = [Span(a - block.offset, b - block.offset) for a, b in changing]
    lines, comments = block_lines(image, block, blocks, changing=inside)
    if len(records) == 1:
        lines += ["", *_memory_lines(image, block, records[0], package), "", *_answer_lines()]
    if package is None:
        comments += _how_to_go_on(block, records)
    board = ["# packages_on_board = 2   # gives the capacity of the whole board"] if records else []
    return edit_file_text(comments, [*board, "", *lines])


def suggest_places(image: bytes, edited: bytes, spans: Sequence[Span]) -> str:
    """An edit file that names the changes of `edited` in `spans` as places of the image."""
    comments = [
        "Changes outside every recognised block. Strike out what is not meant, and say why for",
        "what is.",
    ]
    lines: list[str] = []
    for start, end in spans:
        lines += ["", "[[place]]"]
        lines += inline(
            at=start, expect=image[start:end].hex(" "), new=edited[start:end].hex(" "), why=""
        )
    return edit_file_text(comments, lines)


def edit_file_text(comments: Sequence[str], lines: Sequence[str]) -> str:
    """The text of an edit file: comments above, then its keys and `lines`."""
    head = [*(f"# {comment}".rstrip() for comment in comments), f"flashbench_edit = {FORMAT}"]
    return "\n".join([*head, 'about = ""', *lines]) + "\n"


def block_lines(
    image: bytes, block: Block, blocks: Sequence[Block], *, changing: Sequence[Span] = ()
) -> tuple[list[str], list[str]]:
    """How `block` and its copies among `blocks` are recognised, as lines and as comments.

    It is not recognised by what the edit is `changing` (positions in the block). A check that
    can be read in several ways is shown in all of them and none is chosen.
    """
    copies = copies_of(block, blocks)
    also, uncompared = _telling_bytes(image, copies, blocks, changing)
    comments = [f"Block at {', '.join(f'{copy.offset:#x}' for copy in copies)}."]
    if block.confidence is Confidence.POSSIBLE:
        comments.append("It is a possible block only: its lengths and check may hold by chance.")
    comments += uncompared
    lines = [
        "[[block]]",
        *inline(
            name=block.name,
            signature=block.signature.hex(" "),
            length=block.length,
            copies=len(copies),
        ),
        *also,
    ]
    if any(copy.unequal for copy in copies):
        lines += ["copies_may_differ = false"]
    if block.ambiguous:
        comments += _ambiguity(block)
    elif block.checks:
        for check in block.checks:
            lines += ["", "[[block.check]]", *_check_lines(check, block.offset)]
    else:
        lines += ["no_check = true"]
    return lines, comments


def inline(**values: Any) -> list[str]:
    """One line of TOML for each key; lists stay on theirs."""
    return [
        f"{key} = {value}" if isinstance(value, list) else tomli_w.dumps({key: value}).strip()
        for key, value in values.items()
    ]


def copies_of(block: Block, blocks: Sequence[Block]) -> list[Block]:
    first = block.offset if block.copy_of is None else block.copy_of
    copies = [other for other in blocks if first in (other.offset, other.copy_of)]
    return copies or [block]


def _telling_bytes(
    image: bytes, copies: list[Block], blocks: Sequence[Block], changing: Sequence[Span]
) -> tuple[list[str], list[str]]:
    """The line `also`: bytes, equal in all copies, that tell them from other blocks of this
    signature, the stored length among them: a weak check may hold over a shorter block and what
    follows it. The header's come first. Then a comment where not all of them were compared."""
    first = copies[0]
    own = frozenset(copies)
    rivals = [
        other
        for other in blocks
        if other not in own
        and other.signature == first.signature
        and other.offset + first.length <= len(image)
    ]
    barred = [*changing, *(check.moved(-first.offset).field for check in first.checks)]
    barred += [check.moved(-first.offset).field for check in first.alternatives]
    places = _places_telling(image, copies, rivals, barred)
    chosen = [f'{{ at = {at}, bytes = "{image[first.offset + at]:02x}" }}' for at in places]
    compared = _compared(image, copies, rivals)
    told = [
        f"Only its first {compared} bytes were compared with the {len(rivals)} other blocks of"
        " this signature."
    ]
    also = [f"also = [{', '.join(chosen)}]"] if chosen else []
    return also, told if compared < first.length and rivals else []


def _places_telling(
    image: bytes, copies: Sequence[Block], rivals: Sequence[Block], barred: Sequence[Span]
) -> list[int]:
    """Positions in a block at which, taken together, every rival differs that can be told apart.

    None is `barred`, and all copies hold the same there. Where the rivals are very many only the
    beginning of the block is looked at.
    """
    first = copies[0]
    length = _compared(image, copies, rivals)
    every = np.frombuffer(image, np.uint8)
    own = every[first.offset : first.offset + length]
    usable = np.ones(length, dtype=bool)
    usable[: len(first.signature)] = False
    for span in barred:
        usable[max(0, span.start) : max(0, span.end)] = False
    for copy in copies:
        usable &= every[copy.offset : copy.offset + length] == own
    # Where each rival differs first: what several share is named once.
    soonest = set()
    for other in rivals:
        differs = usable & (every[other.offset : other.offset + length] != own)
        place = int(differs.argmax())
        if differs[place]:
            soonest.add(place)
    return sorted(soonest)


def _compared(image: bytes, copies: Sequence[Block], rivals: Sequence[Block]) -> int:
    """How many bytes of a block are compared with those of its rivals."""
    bound = TELLING_TIMES * len(image) // (len(rivals) + len(copies))
    return min(copies[0].length, max(4096, bound))


def _check_lines(check: Check, base: int) -> list[str]:
    here = check.moved(-base)
    lines = inline(
        kind=here.kind.value,
        at=here.offset,
        order=here.order,
        covers=[list(span) for span in here.covers],
    )
    if here.zeroed:
        lines += inline(zeroed=[list(span) for span in here.zeroed])
    if here.target:
        lines += inline(target=here.target)
    return lines


def _ambiguity(block: Block) -> list[str]:
    readings = (*((block.check,) if block.check else ()), *block.alternatives)
    lines = [
        f"Its check can be read in {len(readings)} ways that agree with this image. Write the"
        " right one as a table",
        "[[block.check]]; nothing is repaired by guess:",
    ]
    for check in readings:
        lines += ["", *(f"  {line}" for line in _check_lines(check, block.offset))]
    return lines


def _memory_lines(
    image: bytes, block: Block, record: MemoryRecord, package: MemoryPackage | None
) -> list[str]:
    if not block.span.contains(Span(record.offset, record.end)):
        raise CheckFailed(
            f"The memory record at {record.offset:#x} does not lie in the block at"
            f" {block.offset:#x}.",
            next_step="Name the block that holds the record.",
        )
    stored = image[record.offset : record.end]
    lines = [
        "[[block.memory]]",
        *inline(
            at=record.offset - block.offset,
            length=record.length,
            expect_sha256=hashlib.sha256(stored).hexdigest(),
        ),
    ]
    if package is None:
        ways = ", ".join(f'"{way.value}"' for way in Doubling)
        return [
            *lines,
            "# If the fitted package holds twice as much: in which way? One of",
            f"# {ways}.",
            *inline(twice_by=Answer.UNKNOWN.value),
        ]
    table = tomli_w.dumps({"block": {"memory": {"package": package_table(package)}}})
    return [*lines, "", *table.strip().split("\n")]


def _answer_lines() -> list[str]:
    lines = ["[answers]"]
    for question in Unsaid:
        lines += [f"# {question.value}", f'{question.key} = "{Answer.UNKNOWN.value}"']
    return lines


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
    table: dict[str, Any] = {"part": package.part, "type": package.type.value}
    origins = {package.known_from.get(name) for name in attributes}
    common = origins.pop() if len(origins) == 1 else None
    if common is not None:
        return table | {"known_from": common.value, "attributes": attributes}
    told = {
        name: {"value": value, "known_from": package.known_from[name].value}
        if name in package.known_from
        else value
        for name, value in attributes.items()
    }
    return table | {"attributes": told}


def _how_to_go_on(block: Block, records: Sequence[MemoryRecord]) -> list[str]:
    lines = []
    for record in records:
        content = record.content
        lines.append(
            f"Memory record at byte {record.offset - block.offset} of the block:"
            f" {content.type.value}, {capacity_text(content.capacity_gbit)} per"
            f" {content.capacity_of}, {content.ranks} rank(s), {content.speed_mtps} Mbps."
        )
    if len(records) == 1:
        lines += [
            "Instead of twice_by, give the fitted package from its data sheet, as",
            "[block.memory.package].",
        ]
    else:
        lines += [
            "Add the changes: [[block.change]] with at, expect, new, why; or [[block.memory]] with",
            "at, length and the fitted package.",
        ]
    return lines
