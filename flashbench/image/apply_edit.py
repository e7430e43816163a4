"""Making an edit: everything an edit file asks for, or nothing.

The result is proven before it is returned: every block is still recognised, every check that was
right is right, and no byte outside the declared ranges has changed.
"""

import hashlib
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from flashbench.errors import CheckFailed
from flashbench.image.change_sheet import NamedRange, changed_ranges
from flashbench.image.checks import Check, CheckState, Span, judged, with_repaired
from flashbench.image.edit_file import BlockEdit, BytesEdit, EditFile, MemoryRecordEdit, refused
from flashbench.image.memory_edit import Answer, MemoryEdit, Unsaid, compute_edit, double_capacity
from flashbench.image.overlaps import Covered
from flashbench.image.stored_digests import StoredDigest, stale_digests

_SHOWN = 8  # places listed in one sentence
CHANGES_MAX = 1 << 16  # in all copies
MEMORY_EDITS_MAX = 1024
CHECKS_MAX = 4096
WORK_TIMES, WORK_MIN = 64, 64 << 20  # bytes compared and summed, times the image; of a small one
_WORK_OF_ONE = 16  # bytes that looking at one place takes as long as
_WORK_OF_CHECK = 512  # bytes that a check takes as long as, whatever it covers


class CopiesDiffer(CheckFailed):
    """The copies of a block are not equal, and the edit file does not say that they may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedChange:
    """Bytes that were changed, at their place in the image, with what they are and why."""

    offset: int
    old: bytes
    new: bytes
    name: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EditResult:
    """The edited image and what was done to it.

    `checks` are those of the edited blocks, recomputed, each RIGHT. `questions` are what no SPD
    content says and the edit file leaves unanswered or unknown, where memory was edited.
    """

    image: bytes
    changes: tuple[AppliedChange, ...]
    checks: tuple[Check, ...]
    memory: tuple[MemoryEdit, ...]
    doubts: tuple[str, ...]
    questions: tuple[Unsaid, ...]

    @property
    def names(self) -> tuple[NamedRange, ...]:
        """For the change sheet: every declared range with its name."""
        ranges = [
            NamedRange(offset=change.offset, length=len(change.old), name=change.name)
            for change in self.changes
        ]
        ranges += [
            NamedRange(offset=check.offset, length=check.width, name=f"check ({check.kind.value})")
            for check in self.checks
        ]
        return tuple(ranges)


@dataclass(frozen=True, slots=True)
class _Copy:
    """One copy of a block, found in the image."""

    edit: BlockEdit
    offset: int

    @property
    def checks(self) -> tuple[Check, ...]:
        return tuple(check.moved(self.offset) for check in self.edit.checks)

    @property
    def name(self) -> str:
        return f"{self.edit.name} at {self.offset:#x}"


def apply_edit(
    image: bytes,
    edit: EditFile,
    *,
    other_checks: Sequence[Check] = (),
    digests: Sequence[StoredDigest] = (),
) -> EditResult:
    """`image` with the edit made in every copy of every block, and their checks recomputed.

    `other_checks` are further checks known of this image (of firmware volumes, of enclosing
    structures): those that are right must stay right. `digests` are those stored in this image:
    what they cover may change only with them. Raises `CheckFailed` and makes nothing if
    a copy is missing, bytes are not as expected, changes overlap or a check would break;
    `CopiesDiffer` if copies are unequal; `AnswerNeeded` as `compute_edit` does.
    """
    work = _Work(image)
    copies = [copy for block in edit.blocks for copy in _find_copies(image, block, work)]
    _refuse_too_much(copies)
    changes, memory = _changes_in_blocks(image, copies)
    changes += [_expected(image, 0, place, "place") for place in edit.places]
    checks = tuple(dict.fromkeys(check for copy in copies for check in copy.checks))
    _refuse_overlaps(changes, checks)
    if not changes:
        raise refused("Everything that it asks for is in the image already.")
    edited = bytearray(image)
    for change in changes:
        edited[change.offset : change.offset + len(change.new)] = change.new
    try:
        repaired = with_repaired(bytes(edited), checks)
    except ValueError as error:
        raise refused(f"Its checks cannot be recomputed: {error}.") from error
    _prove_blocks(repaired, copies)
    _prove_checks(image, repaired, other_checks)
    _prove_digests(repaired, digests)
    _prove_ranges(image, repaired, changes, checks)
    return EditResult(
        image=repaired,
        changes=tuple(sorted(changes, key=lambda change: change.offset)),
        checks=tuple(judged(repaired, check) for check in checks),
        memory=tuple(memory),
        doubts=tuple(dict.fromkeys(doubt for made in memory for doubt in made.doubts)),
        questions=_open_questions(edit.answers) if memory else (),
    )


class _Work:
    """How much may still be compared and summed to find the copies of an edit's blocks."""

    def __init__(self, image: bytes) -> None:
        self._left = max(WORK_MIN, WORK_TIMES * len(image))

    def spend(self, count: int, block: BlockEdit) -> None:
        """Refuses an edit file that asks for more than any that is meant well."""
        self._left -= count
        if self._left < 0:
            raise refused(
                f"Its blocks could lie at too many places of this image to try all, those of"
                f" {block.name} among them: name a longer signature or more bytes in `also`."
            )


def _refuse_too_much(copies: Sequence[_Copy]) -> None:
    for what, count, most in (
        ("changes", sum(len(copy.edit.changes) for copy in copies), CHANGES_MAX),
        ("memory edits", sum(len(copy.edit.memories) for copy in copies), MEMORY_EDITS_MAX),
        ("checks", sum(len(copy.edit.checks) for copy in copies), CHECKS_MAX),
    ):
        if count > most:
            raise refused(f"It asks for {count} {what} in all copies; at most {most} are made.")


def _find_copies(image: bytes, block: BlockEdit, work: _Work) -> list[_Copy]:
    """The copies of `block` whose checks are right; refused unless they are as many as told."""
    cost = _cost_of_checks(block)
    right: list[_Copy] = []
    wrong: list[_Copy] = []
    for offset in _places_alike(image, block, work):
        work.spend(cost, block)
        copy = _Copy(block, offset)
        (wrong if _wrong_checks(image, copy) else right).append(copy)
    if len(right) != block.copies:
        raise _wrong_number(block, right, wrong)
    if not block.copies_may_differ:
        work.spend(block.length * len(right), block)
        _refuse_unequal(image, right)
    return right


def _cost_of_checks(block: BlockEdit) -> int:
    return sum(
        sum(span.end - span.start for span in check.covers)
        + _WORK_OF_CHECK * len(check.covers) * (1 + len(check.zeroed))
        for check in block.checks
    )


def _places_alike(image: bytes, block: BlockEdit, work: _Work) -> Iterable[int]:
    """Where the signature and the further known bytes are."""
    offset = image.find(block.signature)
    while offset != -1 and offset + block.length <= len(image):
        work.spend(_WORK_OF_ONE * (1 + len(block.also)), block)
        if all(image.startswith(known.data, offset + known.at) for known in block.also):
            yield offset
        offset = image.find(block.signature, offset + 1)


def _wrong_checks(image: bytes, copy: _Copy) -> int:
    return sum(judged(image, check).state is not CheckState.RIGHT for check in copy.checks)


def _wrong_number(block: BlockEdit, right: list[_Copy], wrong: list[_Copy]) -> CheckFailed:
    places = ", ".join(f"{copy.offset:#x}" for copy in right[:_SHOWN]) or "nowhere"
    seen = (
        f"The edit file expects {block.copies} copies of {block.name}; with right checks there"
        f" are {len(right)} ({places})."
    )
    if wrong:
        listed = ", ".join(f"{copy.offset:#x}" for copy in wrong[:_SHOWN])
        more = f" and {len(wrong) - _SHOWN} more places" if len(wrong) > _SHOWN else ""
        seen += f" Its signature is also at {listed}{more}, where the check is wrong."
    return CheckFailed(
        seen,
        next_step="Look at these places with `inspect`: a wrong check means a damaged copy, a"
        " bad read or another block. The image was not changed.",
    )


def _refuse_unequal(image: bytes, copies: list[_Copy]) -> None:
    first, *others = copies
    length = first.edit.length
    original = image[first.offset : first.offset + length]
    for other in others:
        differing = changed_ranges(original, image[other.offset : other.offset + length])
        if not differing:
            continue
        where = ", ".join(f"{r.offset} to {r.end}" for r in differing[:_SHOWN])
        if len(differing) > _SHOWN:
            where += f" and {len(differing) - _SHOWN} more stretches"
        rights = "; the checks of both are right" if first.edit.checks else ""
        raise CopiesDiffer(
            f"The copies of {first.edit.name} at {first.offset:#x} and {other.offset:#x} differ in"
            f" their bytes {where}{rights}.",
            next_step="Find out which of the two the board uses. To make the same change in each"
            " copy and leave the rest of each as it is, write copies_may_differ = true.",
        )


def _changes_in_blocks(
    image: bytes, copies: list[_Copy]
) -> tuple[list[AppliedChange], list[MemoryEdit]]:
    changes: list[AppliedChange] = []
    memory: list[MemoryEdit] = []
    for copy in copies:
        changes += [_expected(image, copy.offset, c, copy.name) for c in copy.edit.changes]
        for record in copy.edit.memories:
            made = _memory_edit(image, copy, record)
            memory.append(made)
            changes += _record_changes(copy, record, made)
    return changes, memory


def _expected(image: bytes, base: int, change: BytesEdit, name: str) -> AppliedChange:
    start = base + change.at
    found = image[start : start + len(change.expect)]
    if found != change.expect:
        raise CheckFailed(
            f"At {start:#x} ({name}) the edit file expects {_shown(change.expect)} and the image"
            f" holds {_shown(found) or 'nothing'}.",
            next_step="This is another image, or one that is edited already: check which dump"
            " the edit file was made for. The image was not changed.",
        )
    return AppliedChange(offset=start, old=change.expect, new=change.new, name=name, why=change.why)


def _shown(data: bytes) -> str:
    return data.hex(" ") if len(data) <= 16 else f"{data[:16].hex(' ')} ... ({len(data)} bytes)"


def _memory_edit(image: bytes, copy: _Copy, record: MemoryRecordEdit) -> MemoryEdit:
    start = copy.offset + record.at
    stored = image[start : start + record.length]
    digest = hashlib.sha256(stored).hexdigest()
    if record.expect_sha256 is not None and record.expect_sha256.lower() != digest:
        raise CheckFailed(
            f"The SPD content at {start:#x} ({copy.name}) has the SHA-256 {digest}, and the"
            f" edit file expects {record.expect_sha256.lower()}.",
            next_step="This is another image, or one that is edited already: check which dump"
            " the edit file was made for. The image was not changed.",
        )
    if record.package is None:
        return double_capacity(stored, record.twice_by, wrong_crc=record.wrong_crc)
    return compute_edit(stored, record.package, wrong_crc=record.wrong_crc)


def _record_changes(copy: _Copy, record: MemoryRecordEdit, made: MemoryEdit) -> list[AppliedChange]:
    return [
        AppliedChange(
            offset=copy.offset + record.at + change.at,
            old=bytes([change.old]),
            new=bytes([change.new]),
            name=f"{copy.name}: SPD byte {change.at}, {change.field}",
            why=str(change),
        )
        for change in made.changes
    ]


def _refuse_overlaps(changes: list[AppliedChange], checks: tuple[Check, ...]) -> None:
    spans = sorted(
        (Span(change.offset, change.offset + len(change.old)), change.name) for change in changes
    )
    for (first, one), (second, other) in itertools.pairwise(spans):
        if first.overlaps(second):
            raise refused(
                f"Two changes overlap at {second.start:#x}: one of {one}, one of {other}."
            )
    fields = Covered(check.field for check in checks)
    for span, name in spans:
        if fields.overlaps(span):
            check = next(check for check in checks if span.overlaps(check.field))
            raise refused(
                f"The change at {span.start:#x} ({name}) overlaps the stored check at"
                f" {check.offset:#x}, which is recomputed anyway."
            )


def _prove_blocks(repaired: bytes, copies: list[_Copy]) -> None:
    for copy in copies:
        still = repaired.startswith(copy.edit.signature, copy.offset) and all(
            repaired.startswith(known.data, copy.offset + known.at) for known in copy.edit.also
        )
        if not still or _wrong_checks(repaired, copy):
            raise refused(f"After it, {copy.name} would no longer be recognised.")


def _prove_checks(image: bytes, repaired: bytes, others: Sequence[Check]) -> None:
    for check in others:
        was_right = judged(image, check).state is CheckState.RIGHT
        if was_right and judged(repaired, check).state is not CheckState.RIGHT:
            covers = ", ".join(f"{span.start:#x} to {span.end:#x}" for span in check.covers)
            raise refused(
                f"It would break the check ({check.kind.value}) at {check.offset:#x}, which covers"
                f" {covers} and is right now: name that check in the block's checks, or as a"
                " block of its own."
            )


def _prove_digests(repaired: bytes, digests: Sequence[StoredDigest]) -> None:
    for stored, value in stale_digests(repaired, digests):
        raise refused(
            f"Then {stored}, would no longer fit. If nothing signs it, name its new value as a"
            f" [[place]]: {value.hex(' ')}."
        )


def _prove_ranges(
    image: bytes, repaired: bytes, changes: list[AppliedChange], checks: tuple[Check, ...]
) -> None:
    declared = [Span(change.offset, change.offset + len(change.old)) for change in changes]
    declared += [check.field for check in checks]
    put_back = bytearray(repaired)
    for start, end in declared:
        put_back[start:end] = image[start:end]
    strays = changed_ranges(image, bytes(put_back))
    if strays:
        raise refused(f"It would change {strays[0].offset:#x}, which it does not declare.")


def _open_questions(answers: Mapping[Unsaid, Answer]) -> tuple[Unsaid, ...]:
    closed = (Answer.DONE, Answer.NOT_NEEDED)
    return tuple(question for question in Unsaid if answers.get(question) not in closed)
