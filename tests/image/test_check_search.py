"""The brute force over check rules finds each rule that a block keeps."""

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashbench.image.check_search import CheckRule, rules_of_block
from flashbench.image.checks import (
    CheckKind,
    Order,
    Span,
    crc_function,
    digest,
    judged,
    with_repaired,
)
from flashbench.image.cut_block import CUT_MIN, HEADER_MAX, CutBlock, FieldRule
from flashbench.image.finds import LengthField
from flashbench.image.rule_choice import RuleSearch

LENGTH = LengthField(offset=4, width=2, order="little")


def keeping(rule: CheckRule, block: bytes) -> bytes:
    check = rule.check_at(Span(0, len(block)))
    assert check is not None
    return with_repaired(block, (check,))


def rules_in_a_header() -> list[CheckRule]:
    """One rule of each sense that kind, order and field can make together."""
    rules = []
    for kind in CheckKind:
        orders: tuple[Order, ...] = ("little",) if kind.width == 1 else ("little", "big")
        inside: tuple[FieldRule, ...] = (FieldRule.ZEROED, FieldRule.EXCLUDED)
        if kind.is_zero_sum:
            inside = (FieldRule.INCLUDED,)
        elif kind.value.startswith("negated-sum"):
            inside = ()  # over whole words this is a zero-sum
        for order in orders:
            rules += [CheckRule(kind, 8, order, 0, field) for field in inside]
            rules.append(CheckRule(kind, 8, order, 20, FieldRule.OUTSIDE))
    return rules


@pytest.mark.parametrize(
    "rule",
    rules_in_a_header(),
    ids=lambda rule: f"{rule.kind.value} {rule.order} {rule.field.value}",
)
def test_every_kind_is_found_in_the_header(rule: CheckRule) -> None:
    block = keeping(rule, random.Random(rule.kind.value).randbytes(120))

    found = [one for one in rules_of_block(block) if _same(one, rule, len(block))]

    assert found


def _same(one: CheckRule, other: CheckRule, size: int) -> bool:
    """Equal, or equal in effect: a zeroed byte adds nothing to a sum, just as one left out."""
    kinds = {one.kind.value.replace("zero", "negated"), other.kind.value.replace("zero", "negated")}
    sums = {FieldRule.ZEROED, FieldRule.EXCLUDED, FieldRule.INCLUDED}
    fields = one.field is other.field or {one.field, other.field} <= sums
    return len(kinds) == 1 and (one.place % size, one.order, one.first, fields) == (
        other.place,
        other.order if other.kind.width > 1 else one.order,
        other.first,
        True,
    )


@given(
    kind=st.sampled_from(list(CheckKind)),
    order=st.sampled_from(("little", "big")),
    field=st.sampled_from((FieldRule.ZEROED, FieldRule.EXCLUDED, FieldRule.OUTSIDE)),
    place=st.sampled_from((4, 7, 12, -4)),
    block=st.binary(min_size=32, max_size=90),
)
def test_the_quick_answer_is_the_one_that_judging_gives(
    kind: CheckKind, order: Order, field: FieldRule, place: int, block: bytes
) -> None:
    if kind.is_zero_sum:
        field = FieldRule.INCLUDED
        block = block[: len(block) // 4 * 4]
        place = place // 4 * 4
    rule = CheckRule(kind, place, order, 16 if field is FieldRule.OUTSIDE else 0, field)
    check = rule.check_at(Span(0, len(block)))
    assert check is not None

    for sample in (block, with_repaired(block, (check,))):
        assert rule.holds(sample) == judged(sample, check).holds


def test_three_blocks_leave_one_reading_of_a_crc() -> None:
    rng = random.Random(5)
    rule = CheckRule(CheckKind.CRC_16_XMODEM, 8, "big", 0, FieldRule.ZEROED)
    blocks = [keeping(rule, b"HEAD" + rng.randbytes(size)) for size in (60, 90, 124)]
    image = b"".join(blocks)
    spans = [Span(0, 64), Span(64, 158), Span(158, 286)]
    search = RuleSearch(image)
    search.allow(10)

    choice = search.choose(spans, LENGTH)

    assert choice is not None
    assert choice.rule == rule
    assert choice.others == ()


def test_an_8_bit_sum_does_not_tell_which_byte_was_stored() -> None:
    rng = random.Random(6)
    rule = CheckRule(CheckKind.ZERO_SUM_8, 9, "little", 0, FieldRule.INCLUDED)
    blocks = [keeping(rule, b"HEAD" + rng.randbytes(60)) for _ in range(3)]
    search = RuleSearch(b"".join(blocks))
    search.allow(10)

    choice = search.choose([Span(64 * i, 64 * i + 64) for i in range(3)], LENGTH)

    assert choice is not None
    assert choice.rule.kind is CheckKind.ZERO_SUM_8
    assert 9 in {one.place for one in (choice.rule, *choice.others)}
    assert len(choice.others) > 3


def test_a_sum_that_holds_once_is_worth_nothing() -> None:
    rng = random.Random(7)
    search = RuleSearch(rng.randbytes(4000))
    search.allow(50)

    choices = [search.choose([Span(at, at + 80)], LENGTH) for at in range(0, 4000, 80)]

    held = [choice for choice in choices if choice is not None]
    assert len(held) > 25, "some rule or other holds in nearly any block"
    assert all(choice.bits < 12 for choice in held)


def test_nearly_equal_code_does_not_add_up_to_evidence_for_a_sum() -> None:
    """Stubs in which one byte goes up as another goes down keep every plain sum."""
    rng = random.Random(8)
    stub = bytearray(rng.randbytes(64))
    rule = CheckRule(CheckKind.ZERO_SUM_8, 20, "little", 0, FieldRule.INCLUDED)
    stub[:] = keeping(rule, bytes(stub))
    image = bytearray()
    for step in range(8):
        copy = bytearray(stub)
        copy[30] = (copy[30] + step) % 256
        copy[40] = (copy[40] - step) % 256
        image += copy
    search = RuleSearch(bytes(image))
    search.allow(10)

    choice = search.choose([Span(64 * i, 64 * i + 64) for i in range(8)], LENGTH)

    assert choice is None or choice.bits < 20


@pytest.mark.parametrize(
    "kind", [CheckKind.CRC_8_SMBUS, CheckKind.CRC_16_ARC, CheckKind.CRC_32_BZIP2]
)
@pytest.mark.parametrize("place", [8, -6])
@pytest.mark.parametrize("field", [FieldRule.ZEROED, FieldRule.EXCLUDED])
def test_a_crc_inside_a_long_block_is_found(kind: CheckKind, place: int, field: FieldRule) -> None:
    rule = CheckRule(kind, place, "little", 0, field)
    block = keeping(rule, random.Random(place).randbytes(CUT_MIN + 1))

    assert rule in {replace(one, order="little") for one in rules_of_block(block)}


@given(
    kind=st.sampled_from([kind for kind in CheckKind if kind.is_crc]),
    size=st.integers(CUT_MIN, CUT_MIN + 70),
    place=st.sampled_from((0, 7, HEADER_MAX - 1)),
    first=st.integers(0, HEADER_MAX),
)
def test_the_crcs_of_a_cut_block_are_those_of_the_block_whole(
    kind: CheckKind, size: int, place: int, first: int
) -> None:
    block = random.Random(size).randbytes(size)
    cut, width = CutBlock.of(block), kind.width
    first_before = min(first, place)
    versions = {
        cut.whole(first): block[first:],
        cut.shortened(first, width): block[first:-width],
        cut.without(place, width, FieldRule.EXCLUDED, first_before): (
            block[first_before:place] + block[place + width :]
        ),
        cut.without(size - width, width, FieldRule.ZEROED, first): (
            block[first:-width] + bytes(width)
        ),
    }

    found = cut.crcs(crc_function(kind), width, list(versions))

    assert found == [digest(kind, whole) for whole in versions.values()]
