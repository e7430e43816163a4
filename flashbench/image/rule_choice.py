"""Of all check rules that hold in blocks of one shape: which one is it, and which else could be?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flashbench.image.check_search import CheckRule, rules_of_block
from flashbench.image.checks import CheckKind, Span, stored_value
from flashbench.image.cut_block import FieldRule
from flashbench.image.finds import LengthField

CLOSE_BITS = 10.0  # readings of a check this near to the best one are named beside it
HEADER_GUESS = 32  # header bytes in which a zero-sum's value is looked for
OTHERS_MAX = 24
HEADER_BITS = 6.0
NEARLY_EQUAL_MAX = 12  # bytes that differ
SIGNATURE_MIN = 4
WRONG_BITS = 40.0  # taken off for a block in which the rule does not hold


@dataclass(frozen=True, slots=True)
class RuleChoice:
    """The likeliest rule, the bits that speak for it, and rules that agree about as well."""

    rule: CheckRule
    bits: float
    others: tuple[CheckRule, ...]


class RuleSearch:
    """Tries rules on rows of blocks; each block is searched once, as many as are allowed."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._left = 0
        self._known: dict[bytes, tuple[CheckRule, ...]] = {}

    def allow(self, blocks: int) -> None:
        """Search so many blocks from here on."""
        self._left = blocks

    @property
    def exhausted(self) -> bool:
        return self._left <= 0

    def choose(self, blocks: Sequence[Span], length: LengthField) -> RuleChoice | None:
        """The best rule for `blocks`, of which those with equal bytes count once."""
        contents = {self._data[start:end]: Span(start, end) for start, end in reversed(blocks)}
        distinct = sorted(contents, key=_worth_searching)
        spans = [contents[content] for content in distinct]
        weighed = []
        # Wherever its value stands, a zero-sum over one range comes out the same.
        sums: dict[tuple[CheckKind, str, int], float | None] = {}
        for rule in self._candidates(distinct):
            if not self._place_is_free(rule, length, spans[0]):
                continue
            if rule.field is FieldRule.INCLUDED:
                key = (rule.kind, rule.order, rule.first)
                if key not in sums:
                    sums[key] = self._bits(rule, distinct)
                bits = sums[key] if _varies(rule, distinct) else None
            else:
                bits = self._bits(rule, distinct)
            if bits is not None:
                weighed.append((bits + _header_agrees(rule, length), rule))
        if not weighed:
            return None
        weighed.sort(key=lambda pair: (-pair[0], *self._oddity(pair[1], spans)))
        bits, best = weighed[0]
        others = [rule for other, rule in weighed[1:] if other > bits - CLOSE_BITS]
        return RuleChoice(best, bits, self._truly_other(best, others, spans))

    def _candidates(self, blocks: Sequence[bytes]) -> list[CheckRule]:
        """Rules of one block; of two where one of many may be damaged."""
        found: dict[CheckRule, None] = {}
        for content in blocks[: 2 if len(blocks) >= 4 else 1]:
            if content not in self._known:
                if self.exhausted:
                    continue
                self._left -= 1
                self._known[content] = rules_of_block(content)
            found.update(dict.fromkeys(self._known[content]))
        return list(found)

    def _place_is_free(self, rule: CheckRule, length: LengthField, block: Span) -> bool:
        """Whether the value lies where neither signature nor length are."""
        size = block.end - block.start
        at = rule.place if rule.place >= 0 else size + rule.place
        value = Span(at, at + rule.kind.width)
        if rule.field is FieldRule.INCLUDED and rule.place >= 0:
            header = length.extra if length.extra and length.unit == 1 else HEADER_GUESS
            if value.end > max(header, length.offset + length.width):
                return False
        taken = Span(length.offset, length.offset + length.width)
        return value.start >= SIGNATURE_MIN and not value.overlaps(taken)

    def _bits(self, rule: CheckRule, blocks: Sequence[bytes]) -> float | None:
        """What speaks for `rule`, less its cost; None if too many blocks contradict it."""
        allowed = 0 if len(blocks) < 4 else 1 if len(blocks) < 8 else 2
        wrong = 0
        agreeing: dict[bytes, float] = {}
        near: list[float] = []
        for block in blocks:
            if rule.holds(block):
                covered = rule.covered(block) or b""
                bits = rule.holding_bits(block)
                if rule.is_plain_sum and any(_nearly_equal(covered, other) for other in agreeing):
                    near.append(bits)
                agreeing[covered] = bits
            else:
                wrong += 1
                if wrong > allowed:
                    return None
        # Code repeats itself with addresses that go up by a step while others go down by it, and
        # then every plain sum stays right: all nearly equal blocks together count as one.
        total = sum(agreeing.values()) - sum(near) + max(near, default=0.0)
        return total - rule.cost_bits - WRONG_BITS * wrong

    def _oddity(self, rule: CheckRule, blocks: Sequence[Span]) -> tuple[int, int, int, int]:
        """Sorts rules of equal worth: values that vary, at even places, in the header, first."""
        values = []
        for block in blocks:
            check = rule.check_at(block)
            if check is not None:
                values.append(stored_value(self._data, check))
        blank = sum(value in (0, (1 << 8 * rule.kind.width) - 1) for value in values)
        return blank - len(set(values)), rule.place % rule.kind.width, rule.place < 0, rule.place

    def _truly_other(
        self, best: CheckRule, others: Sequence[CheckRule], blocks: Sequence[Span]
    ) -> tuple[CheckRule, ...]:
        """`others` without those that amount to the same, or follow from `best`."""
        kept: dict[tuple[object, ...], CheckRule] = {}
        first = best.check_at(blocks[0])
        for rule in others:
            check = rule.check_at(blocks[0])
            if check is None or first is None:
                continue
            follows = first.field.contains(check.field) and check.width < first.width
            same = (check.kind, check.field, check.order) == (first.kind, first.field, first.order)
            sum_like = "sum" in rule.kind.value and "sum" in best.kind.value
            if follows or same or (sum_like and check.field == first.field):
                continue
            kept.setdefault((check.kind, check.field, check.order), rule)
        return tuple(kept.values())[:OTHERS_MAX]


def _worth_searching(block: bytes) -> tuple[bool, int]:
    """Sorts blocks by how soon to search them: short ones of many different bytes first."""
    needed = min(16, len(block) // 3)
    varied = len(set(block[:256])) >= needed or len(set(block)) >= needed
    return not varied, len(block)


def _varies(rule: CheckRule, blocks: Sequence[bytes]) -> bool:
    """Whether the value differs among blocks, as check values of different blocks do."""
    if len(blocks) < 3:
        return True
    width = rule.kind.width
    places = [rule.place % len(block) for block in blocks]
    return len({block[at : at + width] for block, at in zip(blocks, places, strict=True)}) > 1


def _nearly_equal(one: bytes, other: bytes) -> bool:
    if len(one) != len(other):
        return False
    differs = np.frombuffer(one, np.uint8) != np.frombuffer(other, np.uint8)
    return int(np.count_nonzero(differs)) < NEARLY_EQUAL_MAX


def _header_agrees(rule: CheckRule, length: LengthField) -> float:
    """What it is worth that check and length leave out the same bytes: there is a header."""
    if rule.field is not FieldRule.OUTSIDE or length.unit > 1 or not length.extra:
        return 0.0
    return HEADER_BITS if length.extra == rule.first else 0.0
