"""Which check rule do blocks of one shape keep? Brute force over kinds, places and ranges.

A rule is relative to a block, so that one rule can be tried on all blocks of a shape. Every rule
carries its cost: the logarithm of how many rules like it were tried. A rule that holds in m
blocks of different content is worth m times the bits of its value, less that cost.
"""

import functools
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

from flashbench.image.checks import (
    Check,
    CheckKind,
    Order,
    Span,
    crc_function,
    digest,
)
from flashbench.image.cut_block import HEADER_MAX, TRAILER_MAX, CutBlock, FieldRule
from flashbench.image.part_sums import RunningSums, WordSums
from flashbench.image.windows import worth_of

LONGEST_BLOCK = 1 << 20  # longer blocks are not searched

RULES_MAX = 600
VARIETY_MIN = 4  # different bytes that a check must cover to be worth anything

ORDERS: tuple[Order, Order] = ("little", "big")


@dataclass(frozen=True, slots=True)
class CheckRule:
    """Where the check of a block of any length lies and what it covers.

    `place` counts from the block's start, or from its end if negative. Covered are the bytes
    from `first` to the end of the block, or to the stored value where that ends the block and
    is OUTSIDE.
    """

    kind: CheckKind
    place: int
    order: Order
    first: int
    field: FieldRule

    def check_at(self, block: Span) -> Check | None:
        """The check of one block, not yet judged; None where the block is too short for it."""
        at = block.start + self.place if self.place >= 0 else block.end + self.place
        value = Span(at, at + self.kind.width)
        if not block.contains(value) or block.start + self.first > block.end:
            return None
        whole = Span(block.start + self.first, block.end)
        zeroed: tuple[Span, ...] = ()
        covers: tuple[Span, ...] = (whole,)
        if self.field is FieldRule.ZEROED:
            zeroed = (value,)
        elif self.field is FieldRule.EXCLUDED:
            covers = (Span(whole.start, value.start), Span(value.end, whole.end))
        elif self.field is FieldRule.OUTSIDE:
            if self.place < 0:
                covers = (Span(whole.start, value.start),)
            if self.kind.is_zero_sum:
                covers = (value, *covers)
        covers = tuple(span for span in covers if span.start < span.end)
        return Check(kind=self.kind, offset=at, order=self.order, covers=covers, zeroed=zeroed)

    @property
    def is_plain_sum(self) -> bool:
        """Whether opposite changes of two words leave the value as it is."""
        return "sum-" in self.kind.value

    def covered(self, block: bytes) -> bytes | None:
        """The covered bytes of one block without the value; None if the block is too short."""
        at = self.place if self.place >= 0 else len(block) + self.place
        behind = at + self.kind.width
        if at < 0 or behind > len(block) or self.first > len(block):
            return None
        if self.field is FieldRule.OUTSIDE:
            return block[self.first : at if self.place < 0 else len(block)]
        gap = b"" if self.field is FieldRule.EXCLUDED else bytes(self.kind.width)
        return block[self.first : at] + gap + block[behind:]

    def holds(self, block: bytes) -> bool:
        """Whether the rule is right in `block`: what `judged` says of its check, but quickly."""
        covered = self.covered(block)
        if covered is None:
            return False
        value = digest(self.kind, covered, order=self.order)
        if self.kind.is_zero_sum:
            value = -value % (1 << 8 * self.kind.width)
        at = self.place % len(block)
        return value == int.from_bytes(block[at : at + self.kind.width], self.order)

    def holding_bits(self, block: bytes) -> float:
        """What it is worth that the rule is right in `block`; 0 if it is not.

        Few or blank bytes have few values, and those agree by chance.
        """
        covered = self.covered(block)
        if covered is None or len(set(covered)) < VARIETY_MIN or not self.holds(block):
            return 0.0
        at = self.place % len(block)
        worth = worth_of(block[at : at + self.kind.width])
        if self.field is FieldRule.INCLUDED:
            # Where a zero-sum's value stands is not told, so its worth is not either.
            worth = 8.0 * self.kind.width
        return min(worth, worth_of(covered) / 2)

    @property
    def cost_bits(self) -> float:
        """Logarithm of the number of rules like this one that a search tries on one block."""
        if self.kind.is_zero_sum and self.field is FieldRule.INCLUDED:
            return math.log2(self.kind.width) + (0.0 if self.first == 0 else 7.0)
        usual = self.place == -self.kind.width or (
            0 <= self.place < 32 and self.place % self.kind.width == 0
        )
        follows = self.place >= 0 and self.first == self.place + self.kind.width
        start = 7.0 if self.first % 2 or self.first > 32 else 5.0 if self.first % 4 else 3.0
        start = 0.0 if self.first == 0 else 1.0 if follows else start
        return _KIND_BITS[self.kind.width] + (3.5 if usual else 7.0) + start + 1.0


_KIND_BITS = {
    width: math.log2(sum(kind.width == width for kind in CheckKind)) for width in (1, 2, 4)
}


def rules_of_block(block: bytes) -> tuple[CheckRule, ...]:
    """Rules that are right in `block`; most of the narrow ones by chance.

    A block of little but zeros keeps any number of rules: `RULES_MAX` of each family are given.
    """
    if not 6 <= len(block) <= LONGEST_BLOCK or len(set(block)) == 1:
        return ()
    searched = _Searched(block)
    crcs = (_crcs(searched, 4), _crcs(searched, 2), _crcs(searched, 1))
    sums = (_zero_sums(searched), _byte_sums(searched), _word_sums(searched))
    rules: dict[CheckRule, None] = {}
    for family in (*crcs, _running_sums(searched), *sums):
        rules.update(dict.fromkeys(itertools.islice(family, RULES_MAX)))
    return tuple(rules)


class _Searched:
    """One block, with what the searches look up in it made once."""

    def __init__(self, block: bytes) -> None:
        self.block = block
        self._values: dict[int, _Values] = {}
        self._sums: dict[tuple[int, Order], WordSums] = {}

    @functools.cached_property
    def starts(self) -> range:
        """Where a range behind a header may begin: so that it covers more than blank bytes."""
        block = self.block
        solid = len(block.rstrip(block[-1:])) if block[-1] in (0x00, 0xFF) else len(block)
        return range(1, min(HEADER_MAX, solid - 4) + 1)

    def values(self, width: int) -> "_Values":
        if width not in self._values:
            self._values[width] = _Values(self.block, width)
        return self._values[width]

    def sums(self, word: int, order: Order) -> WordSums:
        if (word, order) not in self._sums:
            self._sums[word, order] = WordSums(self.block, word, order)
        return self._sums[word, order]


class _Values:
    """Every value of one width that stands where a check could be stored."""

    def __init__(self, block: bytes, width: int) -> None:
        self.width = width
        size = len(block)
        head = range(min(HEADER_MAX, size - width + 1))
        tail = range(max(len(head), size - TRAILER_MAX), size - width + 1)
        self.places = (*head, *tail)  # relative to the start, ascending
        fields = [block[place : place + width] for place in self.places]
        self.little = tuple(int.from_bytes(field, "little") for field in fields)
        self.big = tuple(int.from_bytes(field, "big") for field in fields)
        self._where: dict[int, list[tuple[int, int, Order]]] = {}
        orders: tuple[tuple[Order, tuple[int, ...]], ...] = (
            ("little", self.little),
            ("big", self.big),
        )
        for order, values in orders[: 1 if width == 1 else 2]:
            for index, value in enumerate(values):
                self._where.setdefault(value, []).append((index, self.places[index], order))

    def changed_by(self, masks: Iterable[int]) -> frozenset[int]:
        """Every value, each with each of `masks` (XOR) upon it."""
        return frozenset(value ^ mask for mask in masks for value in self._where)

    def orders_of(self, index: int, value: int) -> Sequence[Order]:
        """In which byte orders `value` stands at the place of that index."""
        if value not in self._where:
            return ()
        return [order for at, _, order in self._where[value] if at == index]

    def places_of(self, value: int, *, before: int) -> Sequence[tuple[int, Order]]:
        """Where `value` is stored so that it ends at or before `before`."""
        if value not in self._where:
            return ()
        last = before - self.width
        return [(place, order) for _, place, order in self._where[value] if place <= last]


def _placed(block: bytes, place: int) -> Iterator[int]:
    """`place` as a rule may count it: from the start, from the end, or in a short block both."""
    if place < HEADER_MAX:
        yield place
    if place >= len(block) - TRAILER_MAX:
        yield place - len(block)


def _rules(
    block: bytes, kind: CheckKind, place: int, order: Order, first: int, field: FieldRule
) -> Iterator[CheckRule]:
    for relative in _placed(block, place):
        if relative >= 0 or field is not FieldRule.OUTSIDE:
            yield CheckRule(kind, relative, order, first, field)


def _zero_sums(searched: _Searched) -> Iterator[CheckRule]:
    block = searched.block
    for kind in (CheckKind.ZERO_SUM_8, CheckKind.ZERO_SUM_16, CheckKind.ZERO_SUM_32):
        width = kind.width
        values = searched.values(width)
        for order in ORDERS[: 1 if width == 1 else 2]:
            sums = searched.sums(width, order)
            for first in (0, *searched.starts):
                wanted = -sums.of(first, len(block)) % (1 << 8 * width)
                if wanted == 0:
                    yield from _included(block, kind, order, first, values)
                for place, found in values.places_of(wanted, before=first):
                    if found == order or width == 1:
                        yield from _rules(block, kind, place, order, first, FieldRule.OUTSIDE)


def _included(
    block: bytes, kind: CheckKind, order: Order, first: int, values: _Values
) -> Iterator[CheckRule]:
    """A sum that comes out as zero does not tell which of its words was stored to make it so."""
    for place in values.places:
        if place >= first and (place - first) % kind.width == 0:
            yield from _rules(block, kind, place, order, first, FieldRule.INCLUDED)


def _byte_sums(searched: _Searched) -> Iterator[CheckRule]:
    block = searched.block
    sums = searched.sums(1, "little")
    totals = [sums.of(first, len(block)) for first in (0, *searched.starts)]
    for kind, width, sign in _BYTE_SUMS:
        values = searched.values(width)
        mask = (1 << 8 * width) - 1
        for index, place in enumerate(values.places):
            without = totals[0] - sum(block[place : place + width])
            for order in values.orders_of(index, sign * without & mask):
                yield from _rules(block, kind, place, order, 0, FieldRule.EXCLUDED)
        for first in searched.starts:
            for place, order in values.places_of(sign * totals[first] & mask, before=first):
                yield from _rules(block, kind, place, order, first, FieldRule.OUTSIDE)
            last = len(block) - width
            if first < last:
                without = totals[first] - sum(block[last:])
                for order in values.orders_of(len(values.places) - 1, sign * without & mask):
                    yield CheckRule(kind, -width, order, first, FieldRule.OUTSIDE)


_BYTE_SUMS = (
    (CheckKind.SUM_8, 1, 1),
    (CheckKind.BYTE_SUM_16, 2, 1),
    (CheckKind.BYTE_SUM_32, 4, 1),
    (CheckKind.NEGATED_BYTE_SUM_16, 2, -1),
    (CheckKind.NEGATED_BYTE_SUM_32, 4, -1),
)


def _word_sums(searched: _Searched) -> Iterator[CheckRule]:
    for kind, negated in (
        (CheckKind.SUM_16, CheckKind.NEGATED_SUM_16),
        (CheckKind.SUM_32, CheckKind.NEGATED_SUM_32),
    ):
        for order in ORDERS:
            yield from _word_sums_with_value(searched, kind, negated, order)
            yield from _word_sums_behind_header(searched, kind, negated, order)


def _word_sums_with_value(
    searched: _Searched, kind: CheckKind, negated: CheckKind, order: Order
) -> Iterator[CheckRule]:
    """Sums over a whole block with the stored value taken as 00."""
    block, width = searched.block, kind.width
    values = searched.values(width)
    stored = values.little if order == "little" else values.big
    total = searched.sums(width, order).of(0, len(block))
    for place, value in zip(values.places, stored, strict=True):
        field = block[place : place + width]
        rest = total - _share_of_sum(field, place, order)
        if (rest - value) % (1 << 8 * width) == 0:
            yield from _rules(block, kind, place, order, 0, FieldRule.ZEROED)
        if place % width and (rest + value) % (1 << 8 * width) == 0:
            yield from _rules(block, negated, place, order, 0, FieldRule.ZEROED)


def _word_sums_behind_header(
    searched: _Searched, kind: CheckKind, negated: CheckKind, order: Order
) -> Iterator[CheckRule]:
    block, width = searched.block, kind.width
    values, sums = searched.values(width), searched.sums(width, order)
    last = (values.little if order == "little" else values.big)[-1]
    modulus = 1 << 8 * width
    for first in searched.starts:
        wanted = sums.of(first, len(block)) % modulus
        for place, found in values.places_of(wanted, before=first):
            if found == order:
                yield from _rules(block, kind, place, order, first, FieldRule.OUTSIDE)
        body = sums.of(first, max(first, len(block) - width)) % modulus
        if body == last:
            yield CheckRule(kind, -width, order, first, FieldRule.OUTSIDE)
        if -body % modulus == last:
            yield CheckRule(negated, -width, order, first, FieldRule.OUTSIDE)


def _share_of_sum(field: bytes, place: int, order: Order) -> int:
    """What a field adds to a sum of words of its own width, even where it lies across two.

    Leaving the field out moves what follows by one whole word, so that zeroed and excluded are
    the same.
    """
    size = len(field)
    turn = place % size
    lanes = field[size - turn :] + field[: size - turn]
    return int.from_bytes(lanes, order)


def _crc_families() -> dict[int, tuple[tuple[CheckKind, tuple[tuple[CheckKind, int], ...]], ...]]:
    """CRC kinds by width; those that differ only in the final XOR are computed once."""
    families: dict[int, dict[CheckKind, list[tuple[CheckKind, int]]]] = {1: {}, 2: {}, 4: {}}
    for kind in CheckKind:
        if not kind.is_crc:
            continue
        for base, members in families[kind.width].items():
            differences = {digest(base, text) ^ digest(kind, text) for text in (b"a", b"123456789")}
            if len(differences) == 1:
                members.append((kind, differences.pop()))
                break
        else:
            families[kind.width][kind] = [(kind, 0)]
    return {
        width: tuple((base, tuple(members)) for base, members in group.items())
        for width, group in families.items()
    }


_CRC_FAMILIES = _crc_families()


def _crcs(searched: _Searched, width: int) -> Iterator[CheckRule]:
    block = searched.block
    values = searched.values(width)
    cut = CutBlock.of(block)
    inner = _fields_inside(values)
    inner_views = [cut.without(field.place, width, field.rule, field.first) for field in inner]
    views = [cut.whole(first) for first in searched.starts]
    ending = [first for first in searched.starts if first < len(block) - width]
    body_views = [cut.shortened(first, width) for first in ending]
    last = len(values.places) - 1
    for base, kinds in _CRC_FAMILIES[width]:
        calculate = crc_function(base)
        stored = values.changed_by(xor for _, xor in kinds)
        for field, value in _hits(inner, cut.crcs(calculate, width, inner_views), stored):
            for kind, xor in kinds:
                for order in values.orders_of(field.nth, value ^ xor):
                    yield from _rules(block, kind, field.place, order, field.first, field.rule)
        for first, value in _hits(searched.starts, cut.crcs(calculate, width, views), stored):
            for kind, xor in kinds:
                for place, order in values.places_of(value ^ xor, before=first):
                    yield from _rules(block, kind, place, order, first, FieldRule.OUTSIDE)
        for first, value in _hits(ending, cut.crcs(calculate, width, body_views), stored):
            for kind, xor in kinds:
                for order in values.orders_of(last, value ^ xor):
                    yield CheckRule(kind, -width, order, first, FieldRule.OUTSIDE)


Named = TypeVar("Named")


def _hits(
    names: Iterable[Named], values: Iterable[int], stored: frozenset[int]
) -> Iterator[tuple[Named, int]]:
    """Those of `values` that are among the `stored`, each with its name."""
    for name, value in zip(names, values, strict=True):
        if value in stored:
            yield name, value


class _Inside(NamedTuple):
    """A field inside a range that begins at `first`; its place is the `nth`."""

    nth: int
    place: int
    first: int
    rule: FieldRule


def _fields_inside(values: _Values) -> list[_Inside]:
    return [
        _Inside(nth, place, first, rule)
        for nth, place in enumerate(values.places)
        for first in _FIRST_BEFORE_FIELD
        if first <= place
        for rule in (FieldRule.ZEROED, FieldRule.EXCLUDED)
    ]


# Where a range that includes the field may begin: at the block, or behind its signature.
_FIRST_BEFORE_FIELD = (0, 4)


def _running_sums(searched: _Searched) -> Iterator[CheckRule]:
    block = searched.block
    for kind in (
        CheckKind.ADLER_32,
        CheckKind.FLETCHER_16,
        CheckKind.FLETCHER_32_LE,
        CheckKind.FLETCHER_32_BE,
    ):
        sums = RunningSums.of(block, kind)
        values = searched.values(kind.width)
        zeroed, excluded = (
            sums.without(values.places, rule) for rule in (FieldRule.ZEROED, FieldRule.EXCLUDED)
        )
        for index, place in enumerate(values.places):
            for rule, told in ((FieldRule.ZEROED, zeroed), (FieldRule.EXCLUDED, excluded)):
                value = told[index]
                if value is None and place + kind.width == len(block):
                    value = digest(kind, block[:place])
                if value is not None:
                    for order in values.orders_of(index, value):
                        yield from _rules(block, kind, place, order, 0, rule)
        yield from _running_sums_behind_header(searched, kind, sums)


def _running_sums_behind_header(
    searched: _Searched, kind: CheckKind, sums: RunningSums
) -> Iterator[CheckRule]:
    block = searched.block
    values = searched.values(kind.width)
    firsts = searched.starts
    last = len(block) - kind.width
    tails = sums.parts(firsts, len(block))
    bodies = sums.parts(range(firsts.start, min(firsts.stop, last)), last)
    for first, tail, body in itertools.zip_longest(firsts, tails, bodies):
        for place, order in values.places_of(tail, before=first):
            yield from _rules(block, kind, place, order, first, FieldRule.OUTSIDE)
        if body is not None:
            for order in values.orders_of(len(values.places) - 1, body):
                yield CheckRule(kind, -kind.width, order, first, FieldRule.OUTSIDE)
