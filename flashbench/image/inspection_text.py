"""An inspection as text for a terminal of 80 columns."""

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from flashbench.image.board_numbers import BoardNumber
from flashbench.image.checks import Check, CheckState
from flashbench.image.finds import Block, Confidence, Volume
from flashbench.image.inspection import (
    Inspection,
    MemoryFinding,
    PackedFinding,
    signature_text,
)
from flashbench.image.memory_package import capacity_text
from flashbench.image.regions import BlankRegion, RepeatedRegion
from flashbench.image.strap_table import RowChoice, choose_rows, row_text, table_text

COLUMNS = 80
_PLACE = 12  # columns of an offset
LISTED_MAX = 64  # lines of one kind
BRIEFLY_LISTED_MAX = 12  # of what says little about an edit
PLACES_MAX = 3  # named of many records with one verdict


def render(inspection: Inspection, choices: Sequence[RowChoice] | None = None) -> str:
    """One section for each kind of find; what was not found is not mentioned.

    `choices` are the tables of the inspection as judged by what is known of the board.
    """
    if choices is None:
        choices = choose_rows(b"", inspection.tables)
    sections = (
        ("Firmware volumes", [_volume_line(volume) for volume in inspection.volumes]),
        ("Blocks of known formats", _block_lines(inspection.blocks, documented=True)),
        ("Blocks that nobody documented", _block_lines(inspection.blocks, documented=False)),
        ("Memory records (SPD contents)", list(_memory_lines(inspection, choices))),
        ("Compressed parts", [_packed_line(finding) for finding in inspection.packed]),
        ("Regions that occur twice", [_repeat_line(region) for region in inspection.repeated]),
        ("Blank regions", [_blank_line(region) for region in inspection.blank]),
        (
            "What it says of itself",
            [(f"{one.span.start:#010x}", one.text) for one in inspection.strings],
        ),
        ("Numbers of this board", list(_number_lines(inspection.numbers))),
        ("Doubts", [("", doubt) for doubt in inspection.doubts]),
    )
    lines = [f"  size   {_size(inspection.size)}", f"  sha256 {inspection.sha256}"]
    if not any(entries for _, entries in sections):
        lines += ["", "Nothing was recognised: no block, no check, no memory record."]
    for title, entries in sections:
        if entries:
            lines += ["", title]
            most = BRIEFLY_LISTED_MAX if title in _BRIEF else LISTED_MAX
            lines += _entries(entries, most)
    return "\n".join(lines) + "\n"


_BRIEF = ("Regions that occur twice", "Blank regions", "What it says of itself")


def _entries(entries: Sequence[tuple[str, str]], most: int) -> Iterator[str]:
    for place, text in entries[:most]:
        head = f"  {place:<{_PLACE}}" if place else "  "
        printable = "".join(letter if letter.isprintable() else "?" for letter in text)
        yield from textwrap.wrap(
            printable,
            COLUMNS,
            initial_indent=head,
            subsequent_indent=" " * len(head),
            break_on_hyphens=False,
        ) or [head.rstrip()]
    if len(entries) > most:
        yield f"  and {len(entries) - most} more (all of them with --json)"


def _volume_line(volume: Volume) -> tuple[str, str]:
    parts = [f"{_size(volume.length)}, header {_state(volume.check)}"]
    if volume.files:
        headers = Counter(file.header_check.state for file in volume.files)
        data = Counter(file.data_check.state for file in volume.files)
        parts.append(f"{len(volume.files)} files: headers {_counted(headers)}")
        parts.append(f"data sums {_counted(data)}")
    return f"{volume.offset:#010x}", "; ".join([*parts, *volume.notes])


def _counted(states: Counter[CheckState]) -> str:
    if len(states) == 1:
        return f"all {next(iter(states)).value}"
    return ", ".join(f"{states[state]} {state.value}" for state in CheckState if states[state])


def _block_lines(blocks: Iterable[Block], *, documented: bool) -> list[tuple[str, str]]:
    return [
        (f"{block.offset:#010x}", _block_text(block))
        for block in blocks
        if (block.confidence is Confidence.DOCUMENTED) == documented
    ]


def _block_text(block: Block) -> str:
    parts = [_size(block.length)]
    if block.confidence is Confidence.DOCUMENTED:
        parts.insert(0, block.name)
    else:
        parts.insert(0, f'"{signature_text(block.signature)}"')
        if block.confidence is Confidence.POSSIBLE:
            parts.append("possible, not proven")
    parts += [
        f"{check.kind.value} at its byte {check.offset - block.offset} {_state(check)}"
        for check in block.checks
    ] or ["no check"]
    if block.ambiguous:
        parts.append(
            f"the check can be read in {len(block.alternatives) + 1} ways: an edit file must"
            " name it"
        )
    if block.copy_of is not None:
        parts.append(f"{'unlike' if block.unequal else 'equals'} its copy at {block.copy_of:#x}")
    return "; ".join([*parts, *block.notes])


def _memory_lines(
    inspection: Inspection, choices: Iterable[RowChoice]
) -> Iterator[tuple[str, str]]:
    """Every table row by row, its verdict; then what may be edited; then compressed records."""
    for choice in choices:
        yield "", f"{table_text(choice.table)}:"
        for match in choice.matches:
            row = match.row
            index = f"row {choice.table.index_text(row.index)}: " if len(choice.matches) > 1 else ""
            yield f"{row.offset:#010x}", index + row_text(match)
        for note in (*choice.table.notes, *_row_doubts(choice), choice.verdict):
            yield "", note
    grouped: dict[tuple[str, str], list[str]] = {}
    for finding in inspection.memory:
        told = (finding.editable.value, finding.reason)
        grouped.setdefault(told, []).append(f"{finding.record.offset:#x}")
    for (editable, reason), places in grouped.items():
        shown = ", ".join(places[:PLACES_MAX])
        more = f" and {len(places) - PLACES_MAX} more" if len(places) > PLACES_MAX else ""
        yield "", f"{editable}: {shown}{more}; {reason}"
    for finding in inspection.memory:
        if finding.inside is not None:
            yield f"+{finding.record.offset:#x}", _record_text(finding)


def _row_doubts(choice: RowChoice) -> Iterator[str]:
    for match in choice.matches:
        record = match.row.record
        if record is None:
            continue
        doubts = [*record.content.doubts]
        if record.crc.state is not CheckState.ABSENT:
            doubts.insert(0, f"its CRC is {_state(record.crc)}")
        if doubts:
            yield f"row {choice.table.index_text(match.row.index)}: {'; '.join(doubts)}"


def _record_text(finding: MemoryFinding) -> str:
    content = finding.record.content
    return (
        f"{content.type.value}, {capacity_text(content.capacity_gbit)} per {content.capacity_of},"
        f" {content.ranks} rank(s), {content.speed_mtps} MT/s, CRC {_state(finding.record.crc)}"
    )


def _packed_line(finding: PackedFinding) -> tuple[str, str]:
    part = finding.part
    text = f"{part.form}, {_size(part.span.end - part.span.start)}"
    if part.why:
        return f"{part.span.start:#010x}", f"{text}; {part.why}"
    files = sum(len(volume.files) for volume in finding.volumes)
    text += f", unpacked {_size(part.unpacked_bytes)}"
    if finding.volumes:
        text += f"; {len(finding.volumes)} volumes with {files} files"
    if finding.blocks:
        text += f"; {', '.join(sorted({block.name for block in finding.blocks}))}"
    return f"{part.span.start:#010x}", text


def _repeat_line(region: RepeatedRegion) -> tuple[str, str]:
    text = f"{_size(region.span.end - region.span.start)}, again at {region.copy_offset:#x}"
    if not region.unequal:
        return f"{region.span.start:#010x}", f"{text}, equal"
    changed = sum(end - start for start, end in region.unequal)
    return f"{region.span.start:#010x}", f"{text}, {changed} bytes differ"


def _blank_line(region: BlankRegion) -> tuple[str, str]:
    size = _size(region.span.end - region.span.start)
    return f"{region.span.start:#010x}", f"{size} of {region.value:02X}"


def _number_lines(numbers: Iterable[BoardNumber]) -> Iterator[tuple[str, str]]:
    """Each number once, where it stands first, and how often it does."""
    places: dict[tuple[str, str], list[int]] = {}
    for number in numbers:
        places.setdefault((number.kind.value, number.text), []).append(number.span.start)
    for (kind, text), starts in places.items():
        times = f", in {len(starts)} places" if len(starts) > 1 else ""
        yield f"{starts[0]:#010x}", f"{kind} {text}{times}"


def _state(check: Check) -> str:
    if check.state in (CheckState.ABSENT, CheckState.UNCHECKABLE) and check.why:
        return f"{check.state.value} ({check.why})"
    return check.state.value


def _size(count: int) -> str:
    for unit, size in (("MiB", 1 << 20), ("KiB", 1 << 10)):
        if count >= size and count % (size // 4) == 0:
            return f"{count / size:g} {unit}"
    return "1 byte" if count == 1 else f"{count} bytes"
