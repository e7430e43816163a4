"""What is different between the images of two boards of one model?

Blocks are paired by what they are, not by where they lie. Numbers that make a board that board,
and areas the firmware itself writes, are set aside. What is left inside paired blocks is the
difference that matters, and can be carried over as an edit.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from flashbench.image.checks import Span
from flashbench.image.copies import runs
from flashbench.image.finds import Block, Confidence, Volume
from flashbench.image.firmware_volumes import FIXED_CHECKSUM
from flashbench.image.inspection import Inspection, inspect, signature_text
from flashbench.image.known_blocks import VARIABLE_STORE
from flashbench.image.overlaps import Bounds, SpanIndex

OUTSIDE_LISTED_MAX = 256
COMPARED_TIMES = 64  # bytes compared to pair blocks, times the first image
COMPARISONS_MAX = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldChange:
    """Bytes `at` a place in a block: `old` in the first image, `new` in the second."""

    at: int
    old: bytes
    new: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockDifference:
    """Two blocks that are the same block of two boards. `changes` leave out the check values,
    which follow from the rest. `set_aside` are numbers of the board, and where a check can be
    read in several ways the bytes that are most likely its value."""

    first: Block
    second: Block
    changes: tuple[FieldChange, ...]
    set_aside: tuple[FieldChange, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A stretch of the first (`of` is 1) or second image that is not compared, and why."""

    of: int
    span: Span
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """`differences` ascend by the offset in the first image; only blocks that differ are there.

    `outside` are differing stretches of the first image, at equal offsets in both, that lie in
    no paired block and were not set aside. `alike` are the reasons for setting aside under which
    both images hold the same bytes at the same places: then they may be of one board.
    """

    differences: tuple[BlockDifference, ...]
    pairs: int
    only_first: tuple[Block, ...]
    only_second: tuple[Block, ...]
    set_aside: tuple[SetAside, ...]
    outside: tuple[Span, ...]
    outside_bytes: int
    alike: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Offsets from the start of the image named; `at` from the block's start; bytes in hex."""
        return {
            "differences": [
                {
                    "first": difference.first.offset,
                    "second": difference.second.offset,
                    "length": difference.first.length,
                    "signature": signature_text(difference.first.signature),
                    "changes": [_change_json(change) for change in difference.changes],
                    "set_aside": [_change_json(change) for change in difference.set_aside],
                }
                for difference in self.differences
            ],
            "pairs": self.pairs,
            "only_first": [block.offset for block in self.only_first],
            "only_second": [block.offset for block in self.only_second],
            "set_aside": [
                {"of": one.of, "span": list(one.span), "why": one.why} for one in self.set_aside
            ],
            "alike": list(self.alike),
            "outside": [list(span) for span in self.outside],
            "outside_bytes": self.outside_bytes,
            "doubts": list(self.doubts),
        }


def _change_json(change: FieldChange) -> dict[str, Any]:
    return {"at": change.at, "old": change.old.hex(), "new": change.new.hex()}


def compare(
    first: bytes,
    second: bytes,
    *,
    first_inspection: Inspection | None = None,
    second_inspection: Inspection | None = None,
) -> Comparison:
    """Compare two images; inspections of them are used if the caller has them."""
    one = first_inspection or inspect(first)
    two = second_inspection or inspect(second)
    aside = (*_set_aside(1, one), *_set_aside(2, two))
    bounds = Bounds()
    likeness = _Likeness(first, second, bounds)
    pairs, only_first, only_second = _paired(likeness, one.blocks, two.blocks)
    near = _AsideNear(aside)
    differences = [
        difference
        for pair in pairs
        if (difference := _difference(first, second, *pair, near.touching(*pair))) is not None
    ]
    outside, count = _outside(first, second, pairs, aside)
    return Comparison(
        differences=tuple(differences),
        pairs=len(pairs),
        only_first=only_first,
        only_second=only_second,
        set_aside=aside,
        outside=outside,
        outside_bytes=count,
        alike=_alike(first, second, aside),
        doubts=bounds.sentences,
    )


class _AsideNear:
    """What is set aside, found by where it lies in each image."""

    def __init__(self, aside: Sequence[SetAside]) -> None:
        self._of = {of: [one for one in aside if one.of == of] for of in (1, 2)}
        self._index = {of: SpanIndex(one.span for one in here) for of, here in self._of.items()}

    def touching(self, first: Block, second: Block) -> list[SetAside]:
        """What is set aside of a block of the first image, and of one of the second."""
        return [
            self._of[of][number]
            for of, block in ((1, first), (2, second))
            for number in self._index[of].over(block.span)
        ]


def _alike(first: bytes, second: bytes, aside: Sequence[SetAside]) -> tuple[str, ...]:
    """The reasons under which the same stretches with the same bytes were set aside in both."""

    def held(of: int, data: bytes, why: str) -> set[tuple[Span, bytes]]:
        return {(a.span, data[slice(*a.span)]) for a in aside if (a.of, a.why) == (of, why)}

    reasons = dict.fromkeys(one.why for one in aside)
    return tuple(why for why in reasons if held(1, first, why) == held(2, second, why))


def _set_aside(of: int, inspection: Inspection) -> Iterable[SetAside]:
    for number in inspection.numbers:
        yield SetAside(of=of, span=number.span, why=number.kind.value)
    for block in inspection.blocks:
        if block.name == VARIABLE_STORE:
            yield SetAside(of=of, span=block.span, why="variables that the firmware writes")
    for volume in inspection.volumes:
        if _holds_variables(volume):
            yield SetAside(of=of, span=volume.span, why="variables that the firmware writes")


def _holds_variables(volume: Volume) -> bool:
    """A volume without a file system of files is one of variables."""
    return volume.guid not in FIXED_CHECKSUM


# ---- pairing


def _paired(
    likeness: "_Likeness", ones: Sequence[Block], twos: Sequence[Block]
) -> tuple[list[tuple[Block, Block]], tuple[Block, ...], tuple[Block, ...]]:
    """Blocks of one shape are paired in order; if their numbers differ, the likest are."""
    groups: dict[tuple[object, ...], tuple[list[Block], list[Block]]] = {}
    for side, blocks in enumerate((ones, twos)):
        for block in blocks:
            if block.confidence is not Confidence.POSSIBLE and block.name != VARIABLE_STORE:
                groups.setdefault(_shape(block), ([], []))[side].append(block)
    pairs: list[tuple[Block, Block]] = []
    only_first: list[Block] = []
    only_second: list[Block] = []
    for mine, theirs in groups.values():
        left = list(theirs)
        for index, block in enumerate(mine):
            if not left:
                only_first += mine[index:]
                break
            best = likeness.likest(block, left) if len(mine) != len(theirs) else 0
            pairs.append((block, left.pop(best)))
        only_second += left
    pairs.sort(key=lambda pair: pair[0].offset)
    return pairs, _ordered(only_first), _ordered(only_second)


def _ordered(blocks: Iterable[Block]) -> tuple[Block, ...]:
    return tuple(sorted(blocks, key=lambda block: block.offset))


def _shape(block: Block) -> tuple[object, ...]:
    """What a block has in common with itself on another board. A check that can be read in
    several ways may be read differently there."""
    kind = None if block.check is None or block.ambiguous else block.check.kind
    return block.name, block.signature, block.length, kind


class _Likeness:
    """How much a block of the first image is like those of the second, within a bound of work."""

    def __init__(self, first: bytes, second: bytes, bounds: Bounds) -> None:
        self._first, self._second, self._bounds = first, second, bounds
        self._bytes_left = COMPARED_TIMES * len(first)
        self._comparisons_left = COMPARISONS_MAX

    def likest(self, block: Block, others: Sequence[Block]) -> int:
        """The number of the first of `others` that is equal, or else most alike.

        The first of all where there are too many to compare.
        """
        best, share = 0, -1.0
        here = np.frombuffer(self._first, np.uint8, block.length, block.offset)
        for number, other in enumerate(others):
            self._bytes_left -= block.length
            self._comparisons_left -= 1
            if min(self._bytes_left, self._comparisons_left) < 0:
                self._bounds.leave_out("blocks of one shape compared to pair them", block.offset)
                return best
            there = np.frombuffer(self._second, np.uint8, other.length, other.offset)
            alike = float((here == there).mean())
            if alike > share:
                best, share = number, alike
            if share == 1.0:
                break
        return best


# ---- differences


def _difference(
    first: bytes, second: bytes, one: Block, two: Block, aside: Iterable[SetAside]
) -> BlockDifference | None:
    here = np.frombuffer(first, np.uint8, one.length, one.offset)
    there = np.frombuffer(second, np.uint8, two.length, two.offset)
    different = here != there
    dropped = np.zeros(one.length, dtype=bool)
    for block in (one, two):
        for start, end in _check_places(block):
            different[start:end] = False
    likely = _likely_check_place(one, different)
    dropped[likely.start : likely.end] = True
    for entry in aside:
        block = one if entry.of == 1 else two
        if entry.span.overlaps(block.span):
            start = max(0, entry.span.start - block.offset)
            dropped[start : entry.span.end - block.offset] = True
    changes = _changes(here, there, different & ~dropped)
    set_aside = _changes(here, there, different & dropped)
    if not changes and not set_aside:
        return None
    return BlockDifference(first=one, second=two, changes=changes, set_aside=set_aside)


def _check_places(block: Block) -> list[Span]:
    """Where in a block its check values stand, as far as that is certain."""
    certain = block.more_checks if block.ambiguous else block.checks
    places = [check.moved(-block.offset).field for check in certain]
    return [span for span in places if 0 <= span.start <= span.end <= block.length]


def _likely_check_place(
    block: Block, different: "np.ndarray[tuple[int], np.dtype[np.bool_]]"
) -> Span:
    """Where the value of a check stands that can be read in several ways: it must differ too.

    The readings come with the likeliest first. A sum over one range comes out the same wherever
    its value stands; then it is the place that differs in most bytes, since an edit changes few
    and a sum of edits any, and of equal ones the block's end, a usual place. Empty where there is
    nothing to choose.
    """
    if not block.ambiguous or block.check is None:
        return Span(0, 0)
    readings = [check.moved(-block.offset) for check in (block.check, *block.alternatives)]
    differing = [check for check in readings if different[slice(*check.field)].any()]
    if not differing:
        return Span(0, 0)
    first = differing[0]
    alike = [
        check
        for check in differing
        if (check.kind, check.order, check.covers) == (first.kind, first.order, first.covers)
    ]
    return max(
        (check.field for check in alike),
        key=lambda field: (int(different[slice(*field)].sum()), field.end == block.length),
    )


def _changes(
    here: "np.ndarray[tuple[int], np.dtype[np.uint8]]",
    there: "np.ndarray[tuple[int], np.dtype[np.uint8]]",
    different: "np.ndarray[tuple[int], np.dtype[np.bool_]]",
) -> tuple[FieldChange, ...]:
    return tuple(
        FieldChange(at=start, old=here[start:end].tobytes(), new=there[start:end].tobytes())
        for start, end in runs(different)
    )


def _outside(
    first: bytes,
    second: bytes,
    pairs: Iterable[tuple[Block, Block]],
    aside: Iterable[SetAside],
) -> tuple[tuple[Span, ...], int]:
    size = min(len(first), len(second))
    different = np.frombuffer(first, np.uint8, size) != np.frombuffer(second, np.uint8, size)
    for pair in pairs:
        for block in pair:
            different[block.offset : block.offset + block.length] = False
    for entry in aside:
        different[entry.span.start : entry.span.end] = False
    spans = [Span(start, end) for start, end in runs(different)]
    return tuple(spans[:OUTSIDE_LISTED_MAX]), int(different.sum())
