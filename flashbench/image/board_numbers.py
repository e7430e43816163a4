"""The numbers that make a board this one: serials, network addresses, UUIDs.

Found as printable text in the forms common practice writes them in (no standard names all), and
then also as raw bytes wherever the same address or UUID stands in the image a second time.
"""

import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from flashbench.image.checks import Span

NUMBERS_MAX = 1024


class NumberKind(Enum):
    """What a number is. The value is for sentences."""

    NETWORK_ADDRESS = "network address"
    UUID = "UUID"
    SERIAL = "serial number"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardNumber:
    """One number at its place. `text` is how it is written, also where it is stored raw."""

    kind: NumberKind
    span: Span
    text: str


_PATTERNS = (
    (
        NumberKind.NETWORK_ADDRESS,
        re.compile(rb"(?<![0-9A-Fa-f:-])(?:[0-9A-Fa-f]{2}([-:]))(?:[0-9A-Fa-f]{2}\1){4}[0-9A-Fa-f]{2}"
                   rb"(?![0-9A-Fa-f:-])"),
    ),
    (
        NumberKind.UUID,
        re.compile(rb"(?<![0-9A-Fa-f-])[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}"
                   rb"(?![0-9A-Fa-f-])"),
    ),
    (
        NumberKind.SERIAL,
        re.compile(rb"(?:S/N|SN|[Ss]erial(?: ?(?:[Nn]o\.?|[Nn]umber))?)[ :=#]{1,3}"
                   rb"([0-9A-Z][0-9A-Z-]{4,30}[0-9A-Z])(?![0-9A-Za-z-])"),
    ),
)  # fmt: skip


def find_board_numbers(image: bytes) -> tuple[BoardNumber, ...]:
    """Every number found, ascending; at most `NUMBERS_MAX` written ones and their raw repeats."""
    written = [
        BoardNumber(kind=kind, span=Span(*match.span(group)), text=_text(match.group(group)))
        for kind, pattern in _PATTERNS
        for match in _first(pattern.finditer(image))
        for group in (1 if kind is NumberKind.SERIAL else 0,)
    ]
    raw: dict[Span, BoardNumber] = {}
    for number in written:
        for form in _raw_forms(number):
            start = image.find(form)
            while start != -1 and len(raw) < NUMBERS_MAX:
                span = Span(start, start + len(form))
                raw[span] = BoardNumber(kind=number.kind, span=span, text=number.text)
                start = image.find(form, span.end)
    return tuple(sorted([*written, *raw.values()], key=lambda number: number.span))


def _first(matches: Iterator[re.Match[bytes]]) -> Iterator[re.Match[bytes]]:
    for _, match in zip(range(NUMBERS_MAX), matches, strict=False):
        yield match


def _text(data: bytes) -> str:
    return data.decode("ascii")


def _raw_forms(number: BoardNumber) -> tuple[bytes, ...]:
    """Raw bytes of an address or UUID; none for values that blank areas are full of."""
    if number.kind is NumberKind.NETWORK_ADDRESS:
        forms: tuple[bytes, ...] = (bytes.fromhex(re.sub("[-:]", "", number.text)),)
    elif number.kind is NumberKind.UUID:
        value = uuid.UUID(number.text)
        forms = (value.bytes, value.bytes_le)
    else:
        return ()
    return tuple(form for form in dict.fromkeys(forms) if len(set(form)) > 1)
