"""A comparison of two boards as text for a terminal of 80 columns."""

import textwrap
from collections.abc import Iterable, Iterator

from flashbench.image.comparison import BlockDifference, Comparison, FieldChange
from flashbench.image.inspection import signature_text

COLUMNS = 80
LISTED_MAX = 24  # entries of one section
BYTES_SHOWN = 12  # of one change


def render_comparison(comparison: Comparison, *, sizes: tuple[int, int]) -> str:
    """What differs inside blocks, what only one board has, what was set aside, what is outside."""
    lines = [""]
    if sizes[0] != sizes[1]:
        lines += _wrapped(f"The images differ in size: {sizes[0]} and {sizes[1]} bytes.")
    alike = comparison.pairs - len(comparison.differences)
    lines += _wrapped(f"{comparison.pairs} blocks are on both boards, {alike} of them alike.")
    sections = (
        ("Differences inside blocks", list(_differences(comparison.differences))),
        ("Blocks that only the first has", [f"{b.offset:#010x}" for b in comparison.only_first]),
        ("Blocks that only the second has", [f"{b.offset:#010x}" for b in comparison.only_second]),
        ("Not compared, since each board has its own", list(_set_aside(comparison))),
        (
            "Different outside blocks",
            [f"{start:#010x}  {end - start} bytes" for start, end in comparison.outside],
        ),
    )
    for title, entries in sections:
        if entries:
            lines += ["", title]
            for entry in entries[:LISTED_MAX]:
                lines += _wrapped(entry, indent="  ")
            if len(entries) > LISTED_MAX:
                lines.append(f"  and {len(entries) - LISTED_MAX} more (all of them with --json)")
    for doubt in comparison.doubts:
        lines += ["", *_wrapped(f"{doubt[:1].upper()}{doubt[1:]}.")]
    if comparison.outside_bytes:
        lines += ["", *_wrapped(f"{comparison.outside_bytes} bytes differ outside in all.")]
    return "\n".join(lines) + "\n"


def _differences(differences: Iterable[BlockDifference]) -> Iterator[str]:
    for difference in differences:
        first, second = difference.first, difference.second
        where = f"{first.offset:#x} (second: {second.offset:#x})"
        yield f'"{signature_text(first.signature)}", {first.length} bytes, at {where}:'
        if not difference.changes:
            yield "  in the board's own numbers only"
        for change in difference.changes:
            yield f"  byte {change.at}: {_bytes(change)}"


def _bytes(change: FieldChange) -> str:
    def shown(data: bytes) -> str:
        return data[:BYTES_SHOWN].hex(" ") + (" ..." if len(data) > BYTES_SHOWN else "")

    count = f" ({len(change.old)} bytes)" if len(change.old) > BYTES_SHOWN else ""
    return f"{shown(change.old)} > {shown(change.new)}{count}"


def _set_aside(comparison: Comparison) -> Iterator[str]:
    counts: dict[tuple[str, int], int] = {}
    for one in comparison.set_aside:
        counts[one.why, one.of] = counts.get((one.why, one.of), 0) + 1
    for why in dict.fromkeys(why for why, _ in counts):
        first, second = counts.get((why, 1), 0), counts.get((why, 2), 0)
        yield f"{why}: {first} places in the first, {second} in the second{_alike(comparison, why)}"


def _alike(comparison: Comparison, why: str) -> str:
    """That what each board should have of its own is the same in both images."""
    return "; the same in both" if why in comparison.alike else ""


def _wrapped(text: str, *, indent: str = "") -> list[str]:
    printable = "".join(letter if letter.isprintable() else "?" for letter in text)
    inner = indent + " " * (len(printable) - len(printable.lstrip()))
    return textwrap.wrap(
        printable.strip(), COLUMNS, initial_indent=inner, subsequent_indent=inner + "  "
    )
