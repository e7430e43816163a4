"""What an image says of itself in print: versions, makers, dates, serial numbers.

Which words tell is common practice, not a standard.
"""

import heapq
import itertools
import re
import string
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flashbench.image.checks import Span

STRINGS_MAX = 64
LONGEST = 120  # characters
TEXT_MIN = 8
RUNS_MAX = 200_000
CHUNK = 1 << 20

_TELLING = re.compile(
    rb"version|bios|firmware|copyright|\(c\) ?(?:19|20)\d\d|serial|s/n[ :=]|model|product"
    rb"|board|manufact|vendor|build|release|revision"
    rb"|(?:19|20)\d\d[-/](?:0\d|1[0-2])[-/][0-3]\d|(?:0\d|1[0-2])/[0-3]\d/(?:19|20)\d\d",
    re.IGNORECASE,
)
_TEXT = re.compile(rb"[\x20-\x7e]{%d,%d}" % (TEXT_MIN, LONGEST))
_WIDE_TEXT = re.compile(rb"(?:[\x20-\x7e]\0){%d,%d}" % (TEXT_MIN, LONGEST))


@dataclass(frozen=True, slots=True)
class IdentityString:
    """A printable string at its place, as text."""

    span: Span
    text: str


def identity_strings(data: bytes) -> tuple[IdentityString, ...]:
    """The first strings that seem to say what the image is, ascending, each text once."""
    found: dict[str, IdentityString] = {}
    for span, text in heapq.merge(*(_telling_texts(data, *form) for form in _FORMS)):
        found.setdefault(text, IdentityString(span, text))
        if len(found) == STRINGS_MAX:
            break
    return tuple(found.values())


_FORMS = ((_TEXT, 1), (_WIDE_TEXT, 2))


def _telling_texts(
    data: bytes, pattern: re.Pattern[bytes], width: int
) -> Iterator[tuple[Span, str]]:
    for start in text_starts(data, width):
        match = pattern.match(data, start)
        if match is None:
            continue
        plain = match.group()[::width]
        if _TELLING.search(plain) and _reads_like_text(plain):
            yield Span(*match.span()), plain.decode("ascii").strip()


def text_starts(data: bytes, width: int = 1) -> Iterator[int]:
    """Where `TEXT_MIN` printable characters of 1 or 2 bytes begin, not within a longer run.

    Ascending, and at most `RUNS_MAX`.
    """
    return itertools.islice(_every_text_start(np.frombuffer(data, np.uint8), width), RUNS_MAX)


def _every_text_start(here: npt.NDArray[np.uint8], width: int) -> Iterator[int]:
    for chunk in range(0, len(here), CHUNK):
        low = max(0, chunk - width)
        piece = here[low : chunk + CHUNK + TEXT_MIN * width]
        if len(piece) < TEXT_MIN * width:
            break
        # Below 20h wraps round to large numbers.
        character = piece - np.uint8(0x20) <= np.uint8(0x7E - 0x20)
        if width == 2:
            character[:-1] &= piece[1:] == 0
            character[-1] = False
        run = _runs(character, width)
        run[width:] &= ~character[: len(run) - width]
        found = low + np.flatnonzero(run)
        yield from found[(found >= chunk) & (found < chunk + CHUNK)].tolist()


def _runs(character: npt.NDArray[np.bool_], width: int) -> npt.NDArray[np.bool_]:
    """Where as many characters as a text needs stand in a row."""
    run, length = character, 1
    while length < TEXT_MIN:
        further = min(length, TEXT_MIN - length)
        run = run[: len(run) - further * width] & run[further * width :]
        length += further
    return run


_USUAL = string.ascii_letters.encode() + string.digits.encode() + b" .-_:/"


def _reads_like_text(plain: bytes) -> bool:
    """Code and tables contain printable bytes too; text is mostly letters, digits, spaces."""
    unusual = plain.translate(None, _USUAL)
    return len(plain) - len(unusual) >= 0.85 * len(plain)
