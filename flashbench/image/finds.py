"""What a search of an image can find, as frozen data. All offsets are positions in the image."""

from dataclasses import dataclass, field
from enum import Enum

from flashbench.image.checks import Check, Order, Span, with_repaired


class Confidence(Enum):
    """How sure it is that a block is one."""

    DOCUMENTED = "documented"  # its format is published, and its signature and bounds agree
    FOUND = "found"  # nobody documented it, but chance is ruled out by what agrees
    POSSIBLE = "possible"  # it could be one; too little agrees to say so


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthField:
    """Where a block's header says how long the block is.

    length = stored value * `unit` + `extra`: `extra` is 0 where the whole block is counted, the
    header's size where the header is not.
    """

    offset: int
    width: int
    order: Order
    unit: int = 1
    extra: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A stretch of the image with a signature of its own, and usually a check.

    `check` is the one check that covers the whole block, if it has one; `more_checks` are those
    besides (of its header, of a part). `alternatives` are other readings of `check` that agree
    with this image just as well: with any, `check` must not be recomputed before somebody has
    said which one is meant.
    `copy_of` is the offset of the first copy; `unequal` are the stretches of this block, as
    positions in the image, that differ from that first copy.
    """

    offset: int
    length: int
    signature: bytes
    name: str
    confidence: Confidence
    check: Check | None = None
    more_checks: tuple[Check, ...] = ()
    alternatives: tuple[Check, ...] = ()
    length_field: LengthField | None = None
    copy_of: int | None = None
    unequal: tuple[Span, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def span(self) -> Span:
        return Span(self.offset, self.offset + self.length)

    @property
    def ambiguous(self) -> bool:
        return bool(self.alternatives)

    @property
    def checks(self) -> tuple[Check, ...]:
        return (*((self.check,) if self.check else ()), *self.more_checks)


def repair_check(data: bytes, block: Block) -> bytes:
    """`data` with every check of `block` recomputed; the rest of the image is as it was.

    Raises ValueError if the position or kind of the block's check is ambiguous.
    """
    if block.ambiguous:
        raise ValueError(
            f"the check of the block at {block.offset:#x} can be read in"
            f" {len(block.alternatives) + 1} ways"
        )
    return with_repaired(data, block.checks)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareFile:
    """One file of a UEFI firmware volume (UEFI PI specification, volume 3)."""

    offset: int
    length: int
    guid: str
    type: int
    state: int  # as stored; F8h is a healthy file where erased bits are 1
    header_check: Check
    data_check: Check


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """One UEFI firmware volume. `inside` is the offset of the compressed section it was
    unpacked from, and all its offsets then count within the unpacked data."""

    offset: int
    length: int
    guid: str
    check: Check
    files: tuple[FirmwareFile, ...] = ()
    inside: int | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def span(self) -> Span:
        return Span(self.offset, self.offset + self.length)
