"""Compressed parts of an image, unpacked as far as Python's standard library can.

They are looked into, never edited: nothing packs them again bit for bit.
"""

import bz2
import lzma
import re
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from flashbench.image.checks import Span
from flashbench.image.finds import Volume
from flashbench.image.firmware_volumes import LZMA_GUIDS, wrapping_sections

UNPACKED_MAX = 96 << 20  # bytes, of all parts of one image
TRIES_MAX = 400
SMALLEST_RESULT = 64  # bytes; less is chance
PROBE = 4096


@dataclass(frozen=True, slots=True)
class PackedPart:
    """A compressed part: where it lies, how it is packed, what is in it ("" bytes if unknown).

    `why` is a sentence for a part that could not be unpacked.
    """

    span: Span
    form: str
    content: bytes = field(repr=False)
    why: str = ""


class _Unpacker(Protocol):
    @property
    def eof(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, max_length: int = ...) -> bytes: ...


@dataclass(frozen=True, slots=True)
class _Form:
    name: str
    pattern: re.Pattern[bytes]
    start: Callable[[], _Unpacker]


_FORMS = (
    _Form("xz", re.compile(rb"\xfd7zXZ\x00"), lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ)),
    _Form("bzip2", re.compile(rb"BZh[1-9]1AY&SY"), bz2.BZ2Decompressor),
    # RFC 1952: deflate, no reserved flag.
    _Form("gzip", re.compile(rb"\x1f\x8b\x08[\x00-\x1f]"), lambda: zlib.decompressobj(31)),
    # The LZMA tool's header: usual properties, a power-of-two dictionary, a size below 4 GiB.
    _Form(
        "LZMA",
        re.compile(rb"\x5d\x00\x00[\x00-\xff]{2}(?:[\x00-\xff]{4}\x00{4}|\xff{8})\x00"),
        lambda: lzma.LZMADecompressor(lzma.FORMAT_ALONE),
    ),
    # RFC 1950: deflate with a 32 KiB window, the four compression levels.
    _Form("zlib", re.compile(rb"\x78[\x01\x5e\x9c\xda]"), zlib.decompressobj),
)


def unpack_all(data: bytes, volumes: Iterable[Volume]) -> tuple[PackedPart, ...]:
    """Every compressed part found in `data`, ascending; parts inside parts are not sought.

    At most `UNPACKED_MAX` bytes are unpacked; what comes after is named and left as it is.
    """
    budget = _Budget()
    parts = list(_from_sections(data, volumes, budget))
    for form in _FORMS:
        for match in form.pattern.finditer(data):
            if budget.tries <= 0:
                break
            if any(part.span.start <= match.start() < part.span.end for part in parts):
                continue
            part = _unpacked(data, match.start(), len(data), form, budget)
            if part is not None:
                parts.append(part)
    return tuple(sorted(parts, key=lambda part: part.span))


@dataclass(slots=True)
class _Budget:
    bytes: int = UNPACKED_MAX
    tries: int = TRIES_MAX


def _from_sections(data: bytes, volumes: Iterable[Volume], budget: _Budget) -> Iterator[PackedPart]:
    for volume in volumes:
        for file in volume.files:
            for section in wrapping_sections(data, file):
                start, end = section.payload
                if section.guid in LZMA_GUIDS:
                    lzma_form = next(form for form in _FORMS if form.name == "LZMA")
                    part = _unpacked(data, start, end, lzma_form, budget)
                    why = "its LZMA stream does not unpack"
                    yield part or PackedPart(section.span, "LZMA", b"", why)
                elif section.guid == "":
                    why = "Python's standard library has no unpacker for this form"
                    yield PackedPart(section.span, "UEFI compression", b"", why)


def _unpacked(data: bytes, start: int, end: int, form: _Form, budget: _Budget) -> PackedPart | None:
    """The part that begins at `start`, or None if its stream is broken or tiny."""
    budget.tries -= 1
    unpacker = form.start()
    try:
        # Most hits of a short pattern are chance, and fail within a few bytes.
        content = unpacker.decompress(data[start : start + PROBE], UNPACKED_MAX)
        fed = start + PROBE
        pieces = [content]
        left = budget.bytes - len(content)
        while not unpacker.eof and fed < end and left > 0:
            pieces.append(unpacker.decompress(data[fed : min(fed + (1 << 20), end)], left))
            fed = min(fed + (1 << 20), end)
            left -= len(pieces[-1])
    except (lzma.LZMAError, zlib.error, OSError, ValueError, EOFError):
        return None
    content = b"".join(pieces)
    if not unpacker.eof or len(content) < SMALLEST_RESULT:
        return None
    budget.bytes -= len(content)
    used = min(fed, end) - len(unpacker.unused_data)
    return PackedPart(Span(start, used), form.name, content)
