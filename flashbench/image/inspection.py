"""Everything that can be said of one image, as one frozen result."""

import hashlib
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from flashbench.image.board_numbers import BoardNumber, find_board_numbers
from flashbench.image.change_sheet import NamedRange
from flashbench.image.checks import Check, CheckState, Span
from flashbench.image.copies import with_copies
from flashbench.image.finds import Block, Confidence, FirmwareFile, Volume
from flashbench.image.firmware_volumes import (
    FILE_HEADER,
    SIGNED_GUID,
    find_volumes,
    wrapping_sections,
)
from flashbench.image.flat_device_tree import find_device_trees
from flashbench.image.identity import IdentityString, identity_strings
from flashbench.image.known_blocks import find_known_blocks
from flashbench.image.memory_records import MemoryRecord, find_records
from flashbench.image.overlaps import Bounds, Covered, SpanIndex
from flashbench.image.private_blocks import find_private_blocks
from flashbench.image.regions import (
    BlankRegion,
    RepeatedRegion,
    blank_regions,
    repeated_regions,
)
from flashbench.image.stored_digests import StoredDigest, find_stored_digests, not_hashed
from flashbench.image.strap_table import StrapTable, find_strap_tables
from flashbench.image.unpacking import PackedPart, unpack_all
from flashbench.image.windows import Repeats

MEMORY_INSIDE_MAX = 256  # records told of one compressed part
INSIDE_TOLD_MAX = 16_384  # volumes, files, blocks and records told of all compressed parts


class Editable(Enum):
    """Whether a memory description can be changed where it is."""

    HERE = "editable here"
    COMPRESSED = "inside compressed data"
    DIGEST = "covered by a stored digest"
    SIGNED = "under a signature"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryFinding:
    """One SPD content and whether it can be edited. `inside` is the offset of the compressed
    part it was unpacked from; the record's offset then counts in the unpacked bytes."""

    record: MemoryRecord
    editable: Editable
    reason: str
    inside: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartContent:
    """What lies in a compressed part; offsets count in the unpacked bytes. Of the records at most
    `MEMORY_INSIDE_MAX`."""

    volumes: tuple[Volume, ...] = ()
    blocks: tuple[Block, ...] = ()
    records: tuple[MemoryRecord, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedFinding:
    """A compressed part and what lies in it; offsets of `volumes` and `blocks` count inside."""

    part: PackedPart[PartContent]
    volumes: tuple[Volume, ...]
    blocks: tuple[Block, ...]
    records: tuple[MemoryRecord, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What was found in an image of `size` bytes. All tuples ascend by offset."""

    size: int
    sha256: str
    blocks: tuple[Block, ...]
    volumes: tuple[Volume, ...]
    memory: tuple[MemoryFinding, ...]
    tables: tuple[StrapTable, ...]  # of the records that do not lie in compressed data
    packed: tuple[PackedFinding, ...]
    digests: tuple[StoredDigest, ...]
    repeated: tuple[RepeatedRegion, ...]
    blank: tuple[BlankRegion, ...]
    strings: tuple[IdentityString, ...]
    numbers: tuple[BoardNumber, ...]
    doubts: tuple[str, ...]

    @property
    def sure_blocks(self) -> tuple[Block, ...]:
        """The blocks without those that are only possible."""
        return tuple(b for b in self.blocks if b.confidence is not Confidence.POSSIBLE)

    @property
    def checks(self) -> tuple[Check, ...]:
        """Every check that an edit must not break; ambiguous readings are not among them."""
        blocks = [block for block in self.sure_blocks if not block.ambiguous]
        files = [file for volume in self.volumes for file in volume.files]
        return (
            *(check for block in blocks for check in block.checks),
            *(volume.check for volume in self.volumes),
            *(file.header_check for file in files),
            *(file.data_check for file in files),
            *(finding.record.crc for finding in self.memory if finding.inside is None),
        )

    @property
    def places(self) -> tuple[NamedRange, ...]:
        """Names for stretches that are no blocks: volumes, their files, packed parts, records."""
        named = [(v.span, f"firmware volume at {v.offset:#x}") for v in self.volumes]
        for volume in self.volumes:
            named += [
                (Span(file.offset, file.offset + file.length), f"firmware file {file.guid}")
                for file in volume.files
            ]
        named += [
            (one.part.span, f"{one.part.form} data at {one.part.span.start:#x}")
            for one in self.packed
        ]
        named += [
            (Span(one.record.offset, one.record.end), f"SPD content at {one.record.offset:#x}")
            for one in self.memory
            if one.inside is None
        ]
        return tuple(
            NamedRange(offset=span.start, length=span.end - span.start, name=name)
            for span, name in named
        )

    def to_json(self) -> dict[str, Any]:
        """Plain dicts and lists; offsets and lengths in bytes, offsets from the image's start."""
        return {
            "size": self.size,
            "sha256": self.sha256,
            "blocks": [block_json(block) for block in self.blocks],
            "volumes": [volume_json(volume) for volume in self.volumes],
            "memory": [_memory_json(finding) for finding in self.memory],
            "tables": [table.to_json() for table in self.tables],
            "packed": [_packed_json(finding) for finding in self.packed],
            "stored_digests": [
                {"algorithm": one.algorithm, "offset": one.offset, "covers": list(one.covers)}
                for one in self.digests
            ],
            "repeated": [
                {
                    "offset": region.span.start,
                    "length": region.span.end - region.span.start,
                    "copy_offset": region.copy_offset,
                    "unequal": [list(span) for span in region.unequal],
                }
                for region in self.repeated
            ],
            "blank": [
                {
                    "offset": region.span.start,
                    "length": region.span.end - region.span.start,
                    "value": region.value,
                }
                for region in self.blank
            ],
            "strings": [{"offset": one.span.start, "text": one.text} for one in self.strings],
            "board_numbers": [
                {"kind": one.kind.value, "offset": one.span.start, "text": one.text}
                for one in self.numbers
            ],
            "doubts": list(self.doubts),
        }


def inspect(data: bytes) -> Inspection:
    """Look for everything this package knows, and for blocks that nobody documented."""
    bounds, bounds_of_packed = Bounds(), Bounds()
    volumes = find_volumes(data, bounds)
    with ThreadPoolExecutor(2) as beside:
        repeats_later = beside.submit(Repeats, data)
        packed_later = beside.submit(_packed_parts, data, volumes, bounds_of_packed)
        sha256 = hashlib.sha256(data).hexdigest()
        known = (*find_known_blocks(data, bounds), *find_device_trees(data, bounds))
        records = find_records(data, bounds)
        strings = identity_strings(data)
        numbers = find_board_numbers(data)
        packed = packed_later.result()
        repeats = repeats_later.result()
    private = find_private_blocks(
        data, known=_known_spans(volumes, known, packed), repeats=repeats, bounds=bounds
    )
    blocks = _with_copies(data, (*known, *private), bounds)
    spans = (*(block.span for block in blocks), *(volume.span for volume in volumes))
    digests = find_stored_digests(data, spans, bounds)
    signed = _signed(data, volumes, bounds)
    memory = _memory(records, packed, _Around(blocks, volumes, digests, signed))
    here = [finding.record for finding in memory if finding.inside is None]
    return Inspection(
        size=len(data),
        sha256=sha256,
        blocks=blocks,
        volumes=volumes,
        memory=memory,
        tables=find_strap_tables(data, here),
        packed=packed,
        digests=digests,
        repeated=repeated_regions(data, repeats),
        blank=blank_regions(data),
        strings=strings,
        numbers=numbers,
        doubts=(
            *_doubts(data, blocks, packed),
            *_digest_doubts(not_hashed(data, spans)),
            *dict.fromkeys((*bounds.sentences, *bounds_of_packed.sentences)),
        ),
    )


def _packed_parts(
    data: bytes, volumes: Sequence[Volume], bounds: Bounds
) -> tuple[PackedFinding, ...]:
    inside = Bounds("in compressed data, ")

    def look_into(content: bytes) -> PartContent:
        return PartContent(
            volumes=find_volumes(content, inside),
            blocks=find_known_blocks(content, inside),
            records=find_records(content, inside)[:MEMORY_INSIDE_MAX],
        )

    told = []
    left = INSIDE_TOLD_MAX
    for part in unpack_all(data, volumes, look_into, bounds):
        content = part.content or PartContent()
        left -= len(content.volumes) + len(content.blocks) + len(content.records)
        left -= sum(len(volume.files) for volume in content.volumes)
        if left < 0 and content != PartContent():
            bounds.leave_out("compressed parts whose content is told", part.span.start)
            content = PartContent()
        told.append(_packed_finding(part, content))
    bounds.include(inside)
    return tuple(told)


def _packed_finding(part: PackedPart[PartContent], content: PartContent) -> PackedFinding:
    return PackedFinding(
        part=part,
        volumes=tuple(replace(volume, inside=part.span.start) for volume in content.volumes),
        blocks=content.blocks,
        records=content.records,
    )


def _known_spans(
    volumes: Iterable[Volume], blocks: Iterable[Block], packed: Iterable[PackedFinding]
) -> list[Span]:
    """Where no private block is to be sought: headers, known blocks, compressed data.

    The body of a volume is not among them: private blocks may well lie in a file.
    """
    spans = [block.span for block in blocks]
    for volume in volumes:
        spans.append(volume.check.covers[0])
        spans += [Span(file.offset, file.offset + FILE_HEADER) for file in volume.files]
    return spans + [finding.part.span for finding in packed]


def _with_copies(data: bytes, blocks: Sequence[Block], bounds: Bounds) -> tuple[Block, ...]:
    """Private blocks come with their copies; those of known blocks are found here."""
    private = [block for block in blocks if block.confidence is not Confidence.DOCUMENTED]
    known = [block for block in blocks if block.confidence is Confidence.DOCUMENTED]
    known.sort(key=lambda block: (block.offset, -block.length))
    told = (*private, *with_copies(data, known, bounds))
    return tuple(sorted(told, key=lambda block: (block.offset, -block.length)))


# ---- verdicts on memory descriptions


class _Around:
    """What lies around and over a place: found for thousands of records in one image."""

    def __init__(
        self,
        blocks: Sequence[Block],
        volumes: Sequence[Volume],
        digests: Sequence[StoredDigest],
        signed: Sequence[Span],
    ) -> None:
        self._blocks = blocks
        self._files = [file for volume in volumes for file in volume.files]
        self._digests = digests
        self._block_index = SpanIndex(block.span for block in blocks)
        self._file_index = SpanIndex(
            Span(file.offset, file.offset + file.length) for file in self._files
        )
        self._digest_index = SpanIndex(digest.covers for digest in digests)
        self._signed_index = SpanIndex(signed)

    def digest_over(self, place: Span) -> StoredDigest | None:
        """The first stored digest of bytes of `place`."""
        return next((self._digests[one] for one in self._digest_index.over(place)), None)

    def is_signed(self, place: Span) -> bool:
        """Whether any byte of `place` lies in a signed section."""
        return any(True for _ in self._signed_index.over(place))

    def block_around(self, place: Span) -> Block | None:
        """The innermost block that holds `place`."""
        around = [self._blocks[one] for one in self._block_index.around(place)]
        return min(around, key=lambda block: block.length, default=None)

    def file_around(self, place: Span) -> FirmwareFile | None:
        """The innermost file that holds `place`."""
        around = [self._files[one] for one in self._file_index.around(place)]
        return min(around, key=lambda file: file.length, default=None)


def _signed(data: bytes, volumes: Sequence[Volume], bounds: Bounds) -> list[Span]:
    return [
        section.span
        for volume in volumes
        for file in volume.files
        for section in wrapping_sections(data, file, bounds)
        if section.guid == SIGNED_GUID
    ]


def _memory(
    records: Iterable[MemoryRecord], packed: Sequence[PackedFinding], around: _Around
) -> tuple[MemoryFinding, ...]:
    compressed = Covered(one.part.span for one in packed)
    found = []
    for record in records:
        place = Span(record.offset, record.end)
        if compressed.overlaps(place):
            continue  # compressed bytes that look like a record
        editable, reason = _verdict(place, around)
        found.append(MemoryFinding(record=record, editable=editable, reason=reason))
    for finding in packed:
        reason = f"it lies in {finding.part.form} data at {finding.part.span.start:#x}"
        found += [
            MemoryFinding(
                record=record,
                editable=Editable.COMPRESSED,
                reason=reason,
                inside=finding.part.span.start,
            )
            for record in finding.records
        ]
    return tuple(found)


def _verdict(place: Span, around: _Around) -> tuple[Editable, str]:
    digest = around.digest_over(place)
    if digest is not None:
        return (
            Editable.DIGEST,
            f"the {digest.algorithm} of {digest.covers.start:#x} to {digest.covers.end:#x}"
            f" is stored at {digest.offset:#x}",
        )
    if around.is_signed(place):
        return Editable.SIGNED, "it lies in a section signed with RSA"
    block = around.block_around(place)
    if block is not None:
        return _verdict_in_block(block)
    file = around.file_around(place)
    if file is not None and file.data_check.state is not CheckState.UNCHECKABLE:
        checked = file.data_check.state is not CheckState.ABSENT
        about = "whose sum can be made right" if checked else "which has no sum of its data"
        return Editable.HERE, f"it lies in the file at {file.offset:#x}, {about}"
    return Editable.UNKNOWN, "no block was recognised around it, so what checks it is not known"


def _verdict_in_block(block: Block) -> tuple[Editable, str]:
    where = f"it lies in the {block.name} at {block.offset:#x}"
    if block.confidence is Confidence.POSSIBLE:
        return Editable.UNKNOWN, f"{where}, which may be chance"
    if block.ambiguous:
        return Editable.HERE, f"{where}, once the edit file names the block's check"
    if not block.checks:
        return Editable.UNKNOWN, f"{where}, which has no check of its own"
    if any(check.state is CheckState.UNCHECKABLE for check in block.checks):
        return Editable.UNKNOWN, f"{where}, whose check cannot be computed"
    wrong = any(check.state is CheckState.WRONG for check in block.checks)
    return Editable.HERE, f"{where}, whose check is {'wrong' if wrong else 'right'} now"


def _doubts(data: bytes, blocks: Sequence[Block], packed: Sequence[PackedFinding]) -> Iterable[str]:
    for block in blocks:
        wrong = [check for check in block.checks if check.state is CheckState.WRONG]
        if wrong:
            yield f"the {block.name} at {block.offset:#x} has a wrong {wrong[0].kind.value}"
    for block in blocks:
        if block.unequal:
            yield (
                f"the copies at {block.copy_of:#x} and {block.offset:#x} differ, first at"
                f" {block.unequal[0].start:#x}"
            )
    for finding in packed:
        if finding.part.why:
            yield f"the part at {finding.part.span.start:#x} stays closed: {finding.part.why}"
    for name in (b"__ACBP__", b"__KEYM__"):
        at = data.find(name)
        if at >= 0:
            # Names of the boot policy and key manifests: from memory.
            yield (
                f"a signed boot manifest seems to lie at {at:#x}; what it covers is not worked out"
            )


def _digest_doubts(left_out: Sequence[Span]) -> Iterable[str]:
    if left_out:
        yield (
            f"stored digests of {len(left_out)} long stretches were not looked for, the first at"
            f" {left_out[0].start:#x}"
        )


# ---- JSON


def check_json(check: Check | None, *, block_offset: int) -> dict[str, Any] | None:
    """`offset` counts from the image's start, `offset_in_block` from the block's."""
    if check is None:
        return None
    return {
        "kind": check.kind.value,
        "offset": check.offset,
        "offset_in_block": check.offset - block_offset,
        "width": check.width,
        "order": check.order,
        "covers": [list(span) for span in check.covers],
        "zeroed": [list(span) for span in check.zeroed],
        "holds": check.holds,
        "state": check.state.value,
        "why": check.why,
    }


def signature_text(signature: bytes) -> str:
    """As letters if they all print, else in hex."""
    if signature and all(0x20 <= byte < 0x7F for byte in signature):
        return signature.decode("ascii")
    return signature.hex()


def block_json(block: Block) -> dict[str, Any]:
    def told(checks: Iterable[Check]) -> list[dict[str, Any] | None]:
        return [check_json(check, block_offset=block.offset) for check in checks]

    return {
        "offset": block.offset,
        "length": block.length,
        "signature": signature_text(block.signature),
        "signature_hex": block.signature.hex(),
        "name": block.name,
        "check": check_json(block.check, block_offset=block.offset),
        "more_checks": told(block.more_checks),
        "ambiguous": block.ambiguous,
        "alternatives": told(block.alternatives),
        "copy_of": block.copy_of,
        "unequal": [list(span) for span in block.unequal],
        "confidence": block.confidence.value,
        "notes": list(block.notes),
    }


def volume_json(volume: Volume) -> dict[str, Any]:
    return {
        "offset": volume.offset,
        "length": volume.length,
        "guid": volume.guid,
        "inside": volume.inside,
        "check": check_json(volume.check, block_offset=volume.offset),
        "files": [
            {
                "offset": file.offset,
                "length": file.length,
                "guid": file.guid,
                "type": file.type,
                "state": file.state,
                "header_check": check_json(file.header_check, block_offset=file.offset),
                "data_check": check_json(file.data_check, block_offset=file.offset),
            }
            for file in volume.files
        ],
        "notes": list(volume.notes),
    }


def _memory_json(finding: MemoryFinding) -> dict[str, Any]:
    return {
        **finding.record.as_json(),
        "editable": finding.editable.value,
        "reason": finding.reason,
        "inside": finding.inside,
    }


def _packed_json(finding: PackedFinding) -> dict[str, Any]:
    part = finding.part
    return {
        "offset": part.span.start,
        "length": part.span.end - part.span.start,
        "form": part.form,
        "unpacked_size": part.unpacked_bytes,
        "why": part.why,
        "volumes": [volume_json(volume) for volume in finding.volumes],
        "blocks": [block_json(block) for block in finding.blocks],
    }
