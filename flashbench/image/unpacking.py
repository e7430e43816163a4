"""Compressed parts of an image, unpacked as far as Python's standard library can.

They are looked into, never edited: nothing packs them again bit for bit.
"""

import bz2
import lzma
import re
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Generic, Protocol, TypeVar

from flashbench.image.checks import Span
from flashbench.image.finds import Volume
from flashbench.image.firmware_volumes import LZMA_GUIDS, wrapping_sections
from flashbench.image.overlaps import Bounds, Covered

UNPACKED_MAX = 96 << 20  # bytes, of all unequal parts of one image
UNPACKED_TIMES = 16  # times the image, of a small one at least UNPACKED_MIN
UNPACKED_MIN = 16 << 20
READ_TIMES, READ_MIN = 8, 4 << 20  # times the image, and more: broken streams are read in vain
DICTIONARY_MAX = 512 << 20  # bytes of memory for one stream
TRIES_MAX = 1 << 13
SMALLEST_RESULT = 64  # bytes; less is chance
PROBE = 4096


Told = TypeVar("Told")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedPart(Generic[Told]):
    """A compressed part: where it lies, how it is packed, and what was told of what is in it.

    `unpacked_bytes` is its size unpacked. A part that could not be unpacked has 0 there, None as
    `content`, and a sentence `why`.
    """

    span: Span
    form: str
    unpacked_bytes: int = 0
    content: Told | None = None
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
    _Form(
        "xz",
        re.compile(rb"\xfd7zXZ\x00"),
        lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, DICTIONARY_MAX),
    ),
    _Form("bzip2", re.compile(rb"BZh[1-9]1AY&SY"), bz2.BZ2Decompressor),
    # RFC 1952: deflate, no reserved flag.
    _Form("gzip", re.compile(rb"\x1f\x8b\x08[\x00-\x1f]"), lambda: zlib.decompressobj(31)),
    # The LZMA tool's header: usual properties, a power-of-two dictionary, a size below 4 GiB.
    _Form(
        "LZMA",
        re.compile(rb"\x5d\x00\x00[\x00-\xff]{2}(?:[\x00-\xff]{4}\x00{4}|\xff{8})\x00"),
        lambda: lzma.LZMADecompressor(lzma.FORMAT_ALONE, DICTIONARY_MAX),
    ),
    # RFC 1950: deflate with a 32 KiB window, the four compression levels.
    _Form("zlib", re.compile(rb"\x78[\x01\x5e\x9c\xda]"), zlib.decompressobj),
)


def unpack_all(
    data: bytes,
    volumes: Iterable[Volume],
    tell: Callable[[bytes], Told],
    bounds: Bounds | None = None,
) -> tuple[PackedPart[Told], ...]:
    """Every compressed part found in `data`, ascending; parts inside parts are not sought.

    `tell` is given the unpacked bytes, which are not kept; of parts that are equal only those of
    the first. At most `UNPACKED_MAX` bytes are unpacked, less of a small image; what comes after
    is left as it is, and `bounds` says so.
    """
    bounds = bounds or Bounds()
    opening = _Opening(data, tell, bounds)
    parts = list(_from_sections(data, volumes, opening, bounds))
    inside = Covered(part.span for part in parts)
    for form in _FORMS:
        for match in form.pattern.finditer(data):
            if inside.overlaps(Span(match.start(), match.start() + 1)):
                continue
            part = opening.part_at(match.start(), len(data), form)
            if part is not None:
                parts.append(part)
                inside.add(part.span)
    return tuple(sorted(parts, key=lambda part: part.span))


def _from_sections(
    data: bytes, volumes: Iterable[Volume], opening: "_Opening[Told]", bounds: Bounds
) -> Iterator[PackedPart[Told]]:
    for volume in volumes:
        for file in volume.files:
            for section in wrapping_sections(data, file, bounds):
                start, end = section.payload
                if section.guid in LZMA_GUIDS:
                    lzma_form = next(form for form in _FORMS if form.name == "LZMA")
                    part = opening.part_at(start, end, lzma_form)
                    why = "its LZMA stream does not unpack"
                    yield part or PackedPart(span=section.span, form="LZMA", why=why)
                elif section.guid == "":
                    why = "Python's standard library has no unpacker for this form"
                    yield PackedPart(span=section.span, form="UEFI compression", why=why)


class _Opening(Generic[Told]):
    """Unpacks parts of one image, within bounds of bytes and tries."""

    def __init__(self, data: bytes, tell: Callable[[bytes], Told], bounds: Bounds) -> None:
        self._data = data
        self._tell = tell
        self._bounds = bounds
        self._opened: dict[bytes, list[PackedPart[Told]]] = {}  # by form and first bytes
        self._bytes_left = min(UNPACKED_MAX, max(UNPACKED_MIN, UNPACKED_TIMES * len(data)))
        self._read_left = READ_TIMES * len(data) + READ_MIN
        self._tries_left = TRIES_MAX

    def part_at(self, start: int, end: int, form: _Form) -> PackedPart[Told] | None:
        """The part that begins at `start`, or None if its stream is broken or tiny."""
        if min(self._tries_left, self._bytes_left, self._read_left) <= 0:
            self._bounds.leave_out("places like compressed data", start)
            return None
        self._tries_left -= 1
        alike = self._opened.setdefault(
            form.name.encode() + self._data[start : start + SMALLEST_RESULT], []
        )
        for part in alike:
            length = part.span.end - part.span.start
            # What follows a stream has no say in what it unpacks to.
            if start + length <= end and self._data.startswith(
                self._data[slice(*part.span)], start
            ):
                return replace(part, span=Span(start, start + length))
        unpacked = self._unpacked(start, end, form)
        if unpacked is None:
            return None
        content, stop = unpacked
        part = PackedPart(
            span=Span(start, stop),
            form=form.name,
            unpacked_bytes=len(content),
            content=self._tell(content),
        )
        alike.append(part)
        return part

    def _unpacked(self, start: int, end: int, form: _Form) -> tuple[bytes, int] | None:
        """What the stream at `start` unpacks to, and where it ends."""
        unpacker = form.start()
        pieces: list[bytes] = []
        # Most hits of a short pattern are chance, and fail within a few bytes.
        fed, step = start, PROBE
        try:
            while not unpacker.eof and fed < end and min(self._bytes_left, self._read_left) > 0:
                piece = self._data[fed : min(fed + step, end)]
                fed, step = fed + len(piece), 1 << 20
                self._read_left -= len(piece)
                pieces.append(unpacker.decompress(piece, self._bytes_left))
                self._bytes_left -= len(pieces[-1])
        except (lzma.LZMAError, zlib.error, OSError, ValueError, EOFError):
            return None
        content = b"".join(pieces)
        if not unpacker.eof and min(self._bytes_left, self._read_left) <= 0:
            self._bounds.leave_out("compressed data too long to unpack", start)
        if not unpacker.eof or len(content) < SMALLEST_RESULT:
            return None
        return content, fed - len(unpacker.unused_data)
