"""UEFI firmware volumes and their files: headers, sums, states, and what lies in sections.

Source: UEFI Platform Initialization specification, volume 3 (firmware volume header, FFS file
header, integrity check, sections); the GUIDs of file systems and of section formats are those of
the EDK II headers. The large-file header (attribute 01h) and the file checksum (attribute 40h)
were not met in any real image these functions were tried on.
"""

import struct
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, replace

from flashbench.image.checks import Check, CheckKind, CheckState, Span, judged
from flashbench.image.finds import FirmwareFile, Volume
from flashbench.image.overlaps import Bounds, Covered

SIGNATURE = b"_FVH"
SIGNATURE_AT = 0x28
HEADER_MIN, HEADER_MAX = 0x48, 0x1000
ERASE_POLARITY = 0x800  # volume attribute: erased bits read 1
SIGNATURES_MAX = 1 << 13
VOLUMES_OVER_ONE = 8  # that lie over one byte; real ones are nested twice or so
FILES_MAX = 20_000  # of all volumes of one image

FFS1 = "7a9354d9-0468-444a-81ce-0bf617d890df"
FFS2 = "8c8ce578-8a3d-4f1c-9935-896185c32dd3"
FFS3 = "5473c07a-3dcb-4dca-bd6f-1e9689e7349a"

FILE_HEADER, LARGE_FILE_HEADER = 24, 32
LARGE_FILE, HAS_FILE_CHECKSUM = 0x01, 0x40  # file attributes
DATA_VALID, DELETED = 0x04, 0x10  # file states
FIXED_CHECKSUM = {FFS1: 0x5A, FFS2: 0xAA, FFS3: 0xAA}  # [FFS1: from memory]

SECTION_COMPRESSED, SECTION_GUIDED = 0x01, 0x02
SECTIONLESS_TYPES = (0x01, 0xF0)  # raw files and padding
SECTIONS_MAX = 1000  # of one file
ALL_SECTIONS_MAX = 100_000  # of all files of one image
LZMA_GUIDS = (
    "ee4e5898-3914-4259-9d6e-dc7bd79403cf",
    "d42ae6bd-1352-4bfb-909a-ca72a6eae889",  # an x86 branch filter lies over the result
)
SIGNED_GUID = "a7717414-c616-4977-9420-844712a735bf"  # RSA 2048 with SHA-256 before the data


@dataclass(frozen=True, slots=True)
class WrappingSection:
    """A section that wraps others: `payload` is what it holds behind its own header."""

    span: Span
    payload: Span
    guid: str  # of a GUIDed section; "" for the plain compression section


def find_volumes(data: bytes, bounds: Bounds | None = None) -> tuple[Volume, ...]:
    """Every firmware volume in `data`, also one inside another, ascending.

    `bounds` says which volumes and files were left out.
    """
    bounds = bounds or Bounds()
    admission = bounds.admission("firmware volumes", depth=VOLUMES_OVER_ONE)
    found = []
    for place in _places(data, bounds):
        volume = _volume_at(data, place)
        if volume is not None and admission.admits(place, place + volume.length):
            found.append(_with_files(data, volume, bounds))
    inner = [
        Span(file.offset + 1, file.offset + file.length)
        for volume in found
        for file in volume.files
    ]
    in_files = Covered(inner)
    return tuple(volume for volume in found if not _is_template(data, volume, in_files))


def _is_template(data: bytes, volume: Volume, in_files: Covered) -> bool:
    """Drivers of variable stores hold an unfinished header that they complete when they run."""
    if volume.check.state is CheckState.RIGHT or any(data[slice(*volume.check.field)]):
        return False
    return in_files.overlaps(Span(volume.offset, volume.offset + 1))


def _places(data: bytes, bounds: Bounds) -> Iterator[int]:
    at = data.find(SIGNATURE, SIGNATURE_AT)
    for _ in range(SIGNATURES_MAX):
        if at < 0:
            return
        yield at - SIGNATURE_AT
        at = data.find(SIGNATURE, at + 1)
    bounds.leave_out("signatures of firmware volumes", at - SIGNATURE_AT)


def _volume_at(data: bytes, start: int) -> Volume | None:
    """The volume whose header begins at `start`; None for a signature that is there by chance."""
    header = data[start : start + HEADER_MIN]
    if len(header) < HEADER_MIN:
        return None
    length, _, _, header_length = struct.unpack_from("<QIIH", header, 0x20)
    if header_length % 2 or not HEADER_MIN <= header_length <= min(HEADER_MAX, length):
        return None
    check = judged(
        data,
        Check(
            kind=CheckKind.ZERO_SUM_16,
            offset=start + 0x32,
            order="little",
            covers=(Span(start, start + header_length),),
        ),
    )
    mapped = _mapped_length(data[start : start + header_length])
    if check.state is not CheckState.RIGHT and mapped != length:
        return None
    notes = []
    if mapped != length:
        notes.append("its block map does not add up to its length")
    if start + length > len(data):
        notes.append("it reaches beyond the end of the data")
    return Volume(
        offset=start, length=length, guid=_guid(header[0x10:0x20]), check=check, notes=tuple(notes)
    )


def _with_files(data: bytes, volume: Volume, bounds: Bounds) -> Volume:
    if volume.guid not in FIXED_CHECKSUM:
        return volume
    attributes = int.from_bytes(data[volume.offset + 0x2C : volume.offset + 0x30], "little")
    files = _files(
        data,
        volume,
        bounds,
        first=volume.check.covers[0].end,
        erased_is_one=bool(attributes & ERASE_POLARITY),
    )
    return replace(volume, files=tuple(files))


def _mapped_length(header: bytes) -> int | None:
    """What the block map of a volume header adds up to; None if it does not end."""
    total = 0
    for at in range(0x38, len(header) - 7, 8):
        count, size = struct.unpack_from("<II", header, at)
        if count == 0 and size == 0:
            return total
        total += count * size
    return None


def _files(
    data: bytes, volume: Volume, bounds: Bounds, *, first: int, erased_is_one: bool
) -> Iterator[FirmwareFile]:
    end = min(volume.offset + volume.length, len(data))
    erased = b"\xff" if erased_is_one else b"\x00"
    at = first
    while True:
        header = data[at : min(at + LARGE_FILE_HEADER, end)]
        if len(header) < FILE_HEADER or header[:FILE_HEADER] == erased * FILE_HEADER:
            return
        size = int.from_bytes(header[0x14:0x17], "little")
        header_size = FILE_HEADER
        if header[0x13] & LARGE_FILE and len(header) == LARGE_FILE_HEADER:
            size = int.from_bytes(header[0x18:0x20], "little")
            header_size = LARGE_FILE_HEADER
        if size < header_size or at + size > end:
            return
        if not bounds.take("files of firmware volumes", at, most=FILES_MAX):
            return
        state = header[0x17] ^ (0xFF if erased_is_one else 0x00)
        yield FirmwareFile(
            offset=at,
            length=size,
            guid=_guid(header[:0x10]),
            type=header[0x12],
            state=header[0x17],
            header_check=_header_check(data, at, header_size),
            data_check=_data_check(data, volume, Span(at + header_size, at + size), at, state),
        )
        # Files begin on multiples of eight from the volume's start.
        at += size + (volume.offset - at - size) % 8


def _header_check(data: bytes, at: int, header_size: int) -> Check:
    """File checksum and state count as zero, so that neither needs the other."""
    return judged(
        data,
        Check(
            kind=CheckKind.ZERO_SUM_8,
            offset=at + 0x10,
            order="little",
            covers=(Span(at, at + header_size),),
            zeroed=(Span(at + 0x11, at + 0x12), Span(at + 0x17, at + 0x18)),
        ),
    )


def _data_check(data: bytes, volume: Volume, body: Span, at: int, state: int) -> Check:
    field = Span(at + 0x11, at + 0x12)
    summed = bool(data[at + 0x13] & HAS_FILE_CHECKSUM)
    check = Check(
        kind=CheckKind.ZERO_SUM_8,
        offset=field.start,
        order="little",
        covers=(field, body) if summed else (field,),
        target=0 if summed else FIXED_CHECKSUM[volume.guid],
    )
    if not state & DATA_VALID or state & DELETED:
        return replace(check, state=CheckState.ABSENT, why="the file is deleted or unfinished")
    check = judged(data, check)
    if not summed and check.state is CheckState.RIGHT:
        return replace(
            check,
            state=CheckState.ABSENT,
            why=f"the file has no sum of its data, only the fixed {check.target:02X}h",
        )
    return check


def wrapping_sections(data: bytes, file: FirmwareFile, bounds: Bounds) -> Iterator[WrappingSection]:
    """The sections of `file` that wrap others: compressed, signed or otherwise encoded."""
    if file.type in SECTIONLESS_TYPES:
        return
    start = file.header_check.covers[0].end
    end = file.offset + file.length
    at = start
    for _ in range(SECTIONS_MAX):
        if at + 4 > end:
            return
        size, kind, header_size = int.from_bytes(data[at : at + 3], "little"), data[at + 3], 4
        if size == 0xFFFFFF and at + 8 <= end:
            size, header_size = int.from_bytes(data[at + 4 : at + 8], "little"), 8
        if size < header_size or at + size > end:
            return
        if not bounds.take("sections of firmware files", at, most=ALL_SECTIONS_MAX):
            return
        span = Span(at, at + size)
        if kind == SECTION_COMPRESSED and size >= header_size + 5:
            yield WrappingSection(span, Span(at + header_size + 5, span.end), "")
        elif kind == SECTION_GUIDED and size >= header_size + 20:
            body = int.from_bytes(data[at + header_size + 16 : at + header_size + 18], "little")
            if body <= size:
                guid = _guid(data[at + header_size : at + header_size + 16])
                yield WrappingSection(span, Span(at + body, span.end), guid)
        at += size + (start - at - size) % 4


def _guid(raw: bytes) -> str:
    return str(uuid.UUID(bytes_le=raw))
