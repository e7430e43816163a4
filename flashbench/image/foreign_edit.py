"""Taking in an image that was edited elsewhere.

Every changed range is shown with the block it lies in; repairs and the carrying of an edit into
further copies are offered and never made unasked. Changes outside recognised blocks have to be
named in an edit file, and a board keeps its own numbers unless that is said, too.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from flashbench.errors import CheckFailed
from flashbench.image.board_numbers import BoardNumber, find_board_numbers
from flashbench.image.change_sheet import ChangedRange, NamedRange, changed_ranges
from flashbench.image.checks import Check, CheckState, Span, judged, with_repaired
from flashbench.image.edit_file import BytesEdit
from flashbench.image.finds import Block

OUTSIDE_MAX = 64 * 1024
LISTED_MAX = 200  # changed ranges written out
_SHOWN = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignChange:
    """One changed range, cut at the bounds of the innermost block it lies in."""

    span: Span
    block: Block | None
    is_check: bool  # of stored check bytes only
    inside: str = ""  # the name of the smallest known place it lies in, besides its block


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyGroup:
    """The copies of one block of which at least one was edited, by what became of each."""

    copies: tuple[Block, ...]
    edited: tuple[Block, ...]
    untouched: tuple[Block, ...]
    edited_alike: bool  # all edited copies were changed at the same places to the same bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignEdit:
    """What another editor did. `checks` were right before, `broken_checks` of them are wrong now.

    `own_numbers` are all of this board, `numbers` those missing or replaced in the edited image.
    """

    original: bytes = field(repr=False)
    edited: bytes = field(repr=False)
    blocks: tuple[Block, ...]
    changes: tuple[ForeignChange, ...]
    groups: tuple[CopyGroup, ...]
    checks: tuple[Check, ...]
    own_numbers: tuple[BoardNumber, ...]

    @property
    def broken_checks(self) -> tuple[Check, ...]:
        return _wrong_checks(self, self.edited)

    @property
    def numbers(self) -> tuple[BoardNumber, ...]:
        return self.numbers_lost_in(self.edited)

    def numbers_lost_in(self, image: bytes) -> tuple[BoardNumber, ...]:
        """This board's own numbers that do not stand in `image`, of the same size."""
        return tuple(
            number
            for number in self.own_numbers
            if self.original[slice(*number.span)] != image[slice(*number.span)]
        )

    @property
    def outside(self) -> tuple[Span, ...]:
        return tuple(change.span for change in self.changes if change.block is None)

    @property
    def names(self) -> tuple[NamedRange, ...]:
        """For the change sheet."""
        return tuple(
            NamedRange(
                offset=change.span.start,
                length=change.span.end - change.span.start,
                name=_place(change),
            )
            for change in self.changes
        )

    def lines(self) -> tuple[str, ...]:
        """The findings as text."""
        lines = [
            f"{_extent(change.span)}: {_place(change)}" for change in self.changes[:LISTED_MAX]
        ]
        if len(self.changes) > LISTED_MAX:
            lines.append(f"{len(self.changes) - LISTED_MAX} more changed ranges are not listed.")
        for group in self.groups:
            lines.append(_group_line(group))
        lines += [
            f"The check ({check.kind.value}) at {check.offset:#x} is wrong now and was right."
            for check in self.broken_checks
        ]
        lines += [
            f"The {number.kind.value} {number.text} of this board at {number.span.start:#x} is"
            " missing or replaced."
            for number in self.numbers
        ]
        return tuple(lines)


def explain_foreign(
    original: bytes,
    edited: bytes,
    blocks: Sequence[Block],
    *,
    places: Sequence[NamedRange] = (),
    other_checks: Sequence[Check] = (),
) -> ForeignEdit:
    """What differs between this board's dump and an image edited elsewhere.

    `blocks` are those found in `original`, `places` further stretches of it with their names,
    `other_checks` further checks known of it (of firmware volumes, of files, of SPD contents).
    Raises `CheckFailed` if the sizes differ, or if more than `OUTSIDE_MAX` bytes outside
    recognised blocks do: then it is another board's image.
    """
    if len(original) != len(edited):
        raise CheckFailed(
            f"This board's dump has {len(original)} bytes, the image edited elsewhere"
            f" {len(edited)}.",
            next_step="An edit keeps the size of the whole image; take one made from this dump.",
        )
    outside = _bytes_outside(original, edited, blocks)
    if outside > OUTSIDE_MAX:
        raise CheckFailed(
            f"The image edited elsewhere differs in {outside} bytes outside all recognised blocks,"
            f" more than {OUTSIDE_MAX}: it is another board's image, or another firmware.",
            next_step="Start from this board's own dump and make the edit there; another board's"
            " image would replace its numbers and keys.",
        )
    known = (*(check for block in blocks for check in block.checks), *other_checks)
    changes = tuple(
        replace(change, inside=_named_place(change.span, places))
        for changed in changed_ranges(original, edited)
        for change in _cut(changed, blocks)
    )
    return ForeignEdit(
        original=original,
        edited=edited,
        blocks=tuple(blocks),
        changes=changes,
        groups=_groups(original, edited, blocks),
        checks=tuple(check for check in dict.fromkeys(known) if _is_right(original, check)),
        own_numbers=find_board_numbers(original),
    )


def keep_own_numbers(foreign: ForeignEdit, image: bytes) -> bytes:
    """`image` with this board's own numbers put back, and no check recomputed."""
    kept = bytearray(image)
    for number in foreign.numbers_lost_in(image):
        kept[slice(*number.span)] = foreign.original[slice(*number.span)]
    return bytes(kept)


def carry_into_copies(foreign: ForeignEdit) -> bytes:
    """The edited image with the same field change in the copies that did not get it.

    Only the changed bytes are carried, the rest of each copy stays. No check is recomputed.
    Raises `CheckFailed` where the edited copies differ, or a copy holds other bytes there.
    """
    image = bytearray(foreign.edited)
    for group in foreign.groups:
        if not group.untouched:
            continue
        if not group.edited_alike:
            raise CheckFailed(
                f"The copies of {group.copies[0].name} were edited in different ways.",
                next_step="Say in an edit file which change is meant; it is then made in each.",
            )
        source = group.edited[0]
        for span in _field_changes(foreign.original, foreign.edited, source):
            for target in group.untouched:
                start = span.start - source.offset + target.offset
                end = start + span.end - span.start
                if foreign.original[start:end] != foreign.original[slice(*span)]:
                    raise CheckFailed(
                        f"The copy of {target.name} at {target.offset:#x} holds other bytes at"
                        f" {start:#x} than the edited copy held.",
                        next_step="Make this change with an edit file that says what each copy"
                        " holds.",
                    )
                image[start:end] = foreign.edited[slice(*span)]
    return bytes(image)


def repair_checks(foreign: ForeignEdit, image: bytes) -> bytes:
    """`image` with every check recomputed that was right in the original.

    Raises `CheckFailed` for a changed block whose check can be read in several ways.
    """
    wrong: tuple[Check, ...] = ()
    repaired = image
    # A check that is right may cover the value of one that is not.
    while newly := _wrong_checks(foreign, repaired):
        if not set(newly).isdisjoint(wrong):
            raise _cannot_repair("two checks want other values at one place")
        wrong = (*wrong, *newly)
        _refuse_ambiguous(foreign.blocks, wrong)
        try:
            repaired = with_repaired(image, wrong)
        except ValueError as error:
            raise _cannot_repair(str(error)) from error
    return repaired


def _wrong_checks(foreign: ForeignEdit, image: bytes) -> tuple[Check, ...]:
    return tuple(check for check in foreign.checks if not _is_right(image, check))


def _refuse_ambiguous(blocks: Sequence[Block], wrong: Sequence[Check]) -> None:
    for block in blocks:
        if block.ambiguous and any(check in wrong for check in block.checks):
            raise CheckFailed(
                f"The check of {block.name} at {block.offset:#x} can be read in"
                f" {len(block.alternatives) + 1} ways; it is not repaired by guess.",
                next_step="Name the right one in an edit file and make the change there.",
            )


def _cannot_repair(why: str) -> CheckFailed:
    return CheckFailed(
        f"The checks cannot be repaired: {why}.",
        next_step="Make the change with an edit file that names its checks.",
    )


def take_in(
    foreign: ForeignEdit,
    *,
    named: Sequence[BytesEdit] = (),
    carry: bool = False,
    own_numbers: bool = False,
    repair: bool = True,
) -> bytes:
    """The image to write: the edited one, with what was offered and accepted.

    `named` are the places of an edit file; each change outside recognised blocks, and each
    number of this board that changes, has to be one of them. Raises `CheckFailed` otherwise, and
    as `carry_into_copies` and `repair_checks` do.
    """
    image = carry_into_copies(foreign) if carry else foreign.edited
    if own_numbers:
        image = keep_own_numbers(foreign, image)
    if repair:
        image = repair_checks(foreign, image)
    _refuse_unnamed(foreign, image, named)
    return image


def _refuse_unnamed(foreign: ForeignEdit, image: bytes, named: Sequence[BytesEdit]) -> None:
    for place in named:
        if foreign.original[slice(*place.span)] != place.expect:
            raise CheckFailed(
                f"At {place.at:#x} the edit file expects other bytes than this board's dump holds.",
                next_step="Correct the place in the edit file.",
            )
        if image[slice(*place.span)] != place.new:
            raise CheckFailed(
                f"At {place.at:#x} the edit file writes other bytes than the image edited"
                " elsewhere holds.",
                next_step="Correct the place in the edit file.",
            )
    spans = [place.span for place in named]
    unnamed = [span for span in foreign.outside if not _is_named(foreign, image, span, spans)]
    if unnamed:
        listed = ", ".join(_extent(span) for span in unnamed[:_SHOWN])
        more = f" and {len(unnamed) - _SHOWN} more" if len(unnamed) > _SHOWN else ""
        raise CheckFailed(
            "These changes lie outside every recognised block, and no edit file names them:"
            f" {listed}{more}.",
            next_step="Name each that is meant as a [[place]] in an edit file, and give it along;"
            f" --suggest-edit FILE{_with_numbers(foreign, unnamed)} writes one.",
        )
    lost = [
        n for n in foreign.numbers_lost_in(image) if not _is_named(foreign, image, n.span, spans)
    ]
    if lost:
        listed = ", ".join(f"{n.kind.value} {n.text}" for n in lost[:_SHOWN])
        raise CheckFailed(
            f"This board's own numbers would be lost: {listed}.",
            next_step="Keep this board's own numbers (--own-numbers), or name each new one as a"
            " [[place]]; --suggest-edit FILE --new-numbers writes them.",
        )


def _with_numbers(foreign: ForeignEdit, unnamed: Sequence[Span]) -> str:
    """The option without which this board's own numbers are not among the suggested places."""
    lost = [number.span for number in foreign.numbers]
    in_numbers = any(number.contains(span) for span in unnamed for number in lost)
    return " --new-numbers" if in_numbers else ""


def unnamed_changes(
    foreign: ForeignEdit, named: Sequence[BytesEdit] = (), *, numbers_too: bool = False
) -> tuple[Span, ...]:
    """The changes outside every recognised block that no place of an edit file names.

    With `numbers_too` those of this board's own numbers as well that lie in a block.
    """
    outside = foreign.outside
    wanted = [
        number.span
        for number in foreign.numbers
        if numbers_too and not any(number.span.contains(span) for span in outside)
    ]
    spans = [place.span for place in named]
    return tuple(
        span
        for span in sorted((*outside, *wanted))
        if not _is_named(foreign, foreign.edited, span, spans)
    )


def _is_named(foreign: ForeignEdit, image: bytes, span: Span, named: list[Span]) -> bool:
    """Whether every byte of `span` is as it was, or lies in a named place."""
    left = [
        offset
        for offset in range(*span)
        if foreign.original[offset] != image[offset]
        and not any(place.start <= offset < place.end for place in named)
    ]
    return not left


def _bytes_outside(original: bytes, edited: bytes, blocks: Sequence[Block]) -> int:
    """Changed bytes that no block covers."""
    differs = np.frombuffer(original, np.uint8) != np.frombuffer(edited, np.uint8)
    for block in blocks:
        differs[slice(*block.span)] = False
    return int(np.count_nonzero(differs))


def _cut(changed: ChangedRange, blocks: Sequence[Block]) -> list[ForeignChange]:
    """A changed range, cut where the innermost block or the stored check changes."""
    near = [b for b in blocks if b.span.overlaps(Span(changed.offset, changed.end))]
    edges = {changed.offset, changed.end}
    for span in [b.span for b in near] + [c.field for b in near for c in b.checks]:
        edges |= {edge for edge in span if changed.offset < edge < changed.end}
    cuts = sorted(edges)
    pieces = []
    for start, end in itertools.pairwise(cuts):
        span = Span(start, end)
        holding = [b for b in near if b.span.contains(span)]
        block = min(holding, key=lambda b: b.length, default=None)
        is_check = any(c.field.contains(span) for b in holding for c in b.checks)
        pieces.append(ForeignChange(span=span, block=block, is_check=is_check))
    return pieces


def _groups(original: bytes, edited: bytes, blocks: Sequence[Block]) -> tuple[CopyGroup, ...]:
    groups = []
    for first in (block for block in blocks if block.copy_of is None):
        copies = [first, *(b for b in blocks if b.copy_of == first.offset)]
        edits = {
            copy.offset: tuple(
                (span.start - copy.offset, edited[slice(*span)])
                for span in _field_changes(original, edited, copy)
            )
            for copy in copies
        }
        touched = [copy for copy in copies if edits[copy.offset]]
        if touched and len(copies) > 1:
            groups.append(
                CopyGroup(
                    copies=tuple(copies),
                    edited=tuple(touched),
                    untouched=tuple(copy for copy in copies if not edits[copy.offset]),
                    edited_alike=len({edits[copy.offset] for copy in touched}) == 1,
                )
            )
    return tuple(groups)


def _field_changes(original: bytes, edited: bytes, block: Block) -> list[Span]:
    """Changed ranges of a block without its stored checks."""
    fields = sorted(check.field for check in block.checks)
    spans = []
    for changed in changed_ranges(original[slice(*block.span)], edited[slice(*block.span)]):
        start, end = block.offset + changed.offset, block.offset + changed.end
        for stored in fields:
            if stored.overlaps(Span(start, end)):
                if start < stored.start:
                    spans.append(Span(start, stored.start))
                start = min(end, stored.end)
        if start < end:
            spans.append(Span(start, end))
    return spans


def _is_right(image: bytes, check: Check) -> bool:
    return judged(image, check).state is CheckState.RIGHT


def _named_place(span: Span, places: Sequence[NamedRange]) -> str:
    """The name of the smallest place around `span`, with the position in it."""
    around = [
        place
        for place in places
        if place.offset <= span.start and span.end <= place.offset + place.length
    ]
    if not around:
        return ""
    smallest = min(around, key=lambda place: place.length)
    return f"{smallest.name}, its byte {span.start - smallest.offset}"


def _place(change: ForeignChange) -> str:
    inside = f" ({change.inside})" if change.inside else ""
    if change.block is None:
        return f"outside every recognised block{inside}"
    what = "stored check of " if change.is_check else ""
    at = change.span.start - change.block.offset
    return f"{what}{change.block.name} at {change.block.offset:#x}, byte {at}{inside}"


def _extent(span: Span) -> str:
    count = span.end - span.start
    return f"{span.start:#x} ({count} byte{'' if count == 1 else 's'})"


def _group_line(group: CopyGroup) -> str:
    def listed(blocks: tuple[Block, ...]) -> str:
        return ", ".join(f"{block.offset:#x}" for block in blocks)

    name = group.copies[0].name
    if not group.edited_alike:
        return f"The copies of {name} at {listed(group.edited)} were edited in different ways."
    if group.untouched:
        return (
            f"The copy of {name} at {listed(group.edited)} got the edit, that at"
            f" {listed(group.untouched)} did not."
        )
    return f"All copies of {name} got the edit."
