"""An inspection as text for a terminal of 80 columns."""

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator

from flashbench.image.checks import Check, CheckState
from flashbench.image.finds import Block, Confidence, Volume
from flashbench.image.inspection import Inspection, PackedFinding, signature_text
from flashbench.image.memory_package import capacity_text
from flashbench.image.regions import BlankRegion, RepeatedRegion

COLUMNS = 80
_PLACE = 12  # columns of an offset
LISTED_MAX = 40  # lines of one kind


def render(inspection: Inspection) -> str:
    """One section for each kind of find; what was not found is not mentioned."""
    sections = (
        ("Firmware volumes", [_volume_line(volume) for volume in inspection.volumes]),
        ("Blocks of known formats", _block_lines(inspection.blocks, documented=True)),
        ("Blocks that nobody documented", _block_lines(inspection.blocks, documented=False)),
        ("Memory descriptions", list(_memory_lines(inspection))),
        ("Compressed parts", [_packed_line(finding) for finding in inspection.packed]),
        ("Regions that occur twice", [_repeat_line(region) for region in inspection.repeated]),
        ("Blank regions", [_blank_line(region) for region in inspection.blank]),
        (
            "What it says of itself",
            [(f"{one.span.start:#010x}", one.text) for one in inspection.strings],
        ),
        ("Doubts", [("", doubt) for doubt in inspection.doubts]),
    )
    lines = [f"{inspection.size} bytes", f"SHA-256 {inspection.sha256}"]
    for title, entries in sections:
        if entries:
            lines += ["", title]
            lines += _entries(entries)
    return "\n".join(lines) + "\n"


def _entries(entries: Iterable[tuple[str, str]]) -> Iterator[str]:
    listed = list(entries)
    for place, text in listed[:LISTED_MAX]:
        head = f"  {place:<{_PLACE}}" if place else "  "
        printable = "".join(letter if letter.isprintable() else "?" for letter in text)
        yield from textwrap.wrap(
            printable,
            COLUMNS,
            initial_indent=head,
            subsequent_indent=" " * len(head),
            break_on_hyphens=False,
        ) or [head.rstrip()]
    if len(listed) > LISTED_MAX:
        yield f"  and {len(listed) - LISTED_MAX} more"


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
    parts += [f"{check.kind.value} {_state(check)}" for check in block.checks] or ["no check"]
    if block.ambiguous:
        parts.append(
            f"the check can be read in {len(block.alternatives) + 1} ways: an edit file must"
            " name it"
        )
    if block.copy_of is not None:
        parts.append(f"{'unlike' if block.unequal else 'equals'} its copy at {block.copy_of:#x}")
    return "; ".join([*parts, *block.notes])


def _memory_lines(inspection: Inspection) -> Iterator[tuple[str, str]]:
    for finding in inspection.memory:
        content = finding.record.content
        place = f"{finding.record.offset:#010x}"
        if finding.inside is not None:
            place = f"+{finding.record.offset:#x}"
        yield (
            place,
            f"{content.type.value}, {capacity_text(content.capacity_gbit)} per"
            f" {content.capacity_of}, {content.ranks} rank(s), {content.speed_mtps} MT/s,"
            f" CRC {_state(finding.record.crc)}; {finding.editable.value}: {finding.reason}",
        )


def _packed_line(finding: PackedFinding) -> tuple[str, str]:
    part = finding.part
    text = f"{part.form}, {_size(part.span.end - part.span.start)}"
    if part.why:
        return f"{part.span.start:#010x}", f"{text}; {part.why}"
    files = sum(len(volume.files) for volume in finding.volumes)
    text += f", unpacked {_size(len(part.content))}"
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


def _state(check: Check) -> str:
    if check.state in (CheckState.ABSENT, CheckState.UNCHECKABLE) and check.why:
        return f"{check.state.value} ({check.why})"
    return check.state.value


def _size(count: int) -> str:
    for unit, size in (("MiB", 1 << 20), ("KiB", 1 << 10)):
        if count >= size and count % (size // 4) == 0:
            return f"{count / size:g} {unit}"
    return f"{count} bytes"
