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
from flashbench.image.identity import text_starts
from flashbench.image.stored_digests import places_beginning_like

NUMBERS_MAX = 1024
_TEXT = re.compile(rb"[\x20-\x7e]+")


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
# What some part of every number looks like: most texts hold none, and are asked once, not thrice.
_LIKELY = re.compile(rb"[-:][0-9A-Fa-f]{2,4}[-:]|S/?N|erial")


def find_board_numbers(image: bytes) -> tuple[BoardNumber, ...]:
    """Every number found, ascending; at most `NUMBERS_MAX` written ones and their raw repeats."""
    written = [number for _, number in zip(range(NUMBERS_MAX), _written(image), strict=False)]
    forms: dict[bytes, BoardNumber] = {}
    for number in written:
        for form in _raw_forms(number):
            forms.setdefault(form, number)
    raw: dict[Span, BoardNumber] = {}
    for place in places_beginning_like(image, {form[:4] for form in forms}):
        for size in _RAW_SIZES:
            found = forms.get(image[place : place + size])
            if found is not None and len(raw) < NUMBERS_MAX:
                span = Span(place, place + size)
                raw[span] = BoardNumber(kind=found.kind, span=span, text=found.text)
    return tuple(sorted([*written, *raw.values()], key=lambda number: number.span))


def _written(image: bytes) -> Iterator[BoardNumber]:
    """The numbers in print. No form is shorter than the texts that are looked at."""
    for start in text_starts(image):
        text = _TEXT.match(image, start)
        if text is None or not _LIKELY.search(image, *text.span()):
            continue
        for kind, pattern in _PATTERNS:
            for match in pattern.finditer(image, *text.span()):
                group = 1 if kind is NumberKind.SERIAL else 0
                yield BoardNumber(
                    kind=kind, span=Span(*match.span(group)), text=_text(match.group(group))
                )


def _text(data: bytes) -> str:
    return data.decode("ascii")


_RAW_SIZES = (6, 16)  # of an address, of a UUID


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
