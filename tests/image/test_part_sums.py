"""Sums of parts from sums made once, against the sum of each part made by itself."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image.checks import CheckKind, Order, digest
from flashbench.image.cut_block import FieldRule
from flashbench.image.part_sums import RunningSums, WordSums

RUNNING = (
    CheckKind.ADLER_32,
    CheckKind.FLETCHER_16,
    CheckKind.FLETCHER_32_LE,
    CheckKind.FLETCHER_32_BE,
)
BLOCKS = st.binary(min_size=8, max_size=40)


@settings(max_examples=50)
@given(block=BLOCKS, first=st.integers(0, 8), cut=st.integers(0, 5))
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("kind", [CheckKind.SUM_8, CheckKind.SUM_16, CheckKind.SUM_32])
def test_the_sum_of_the_words_of_a_part_is_that_of_the_part_alone(
    kind: CheckKind, order: Order, block: bytes, first: int, cut: int
) -> None:
    end = max(first, len(block) - cut)

    total = WordSums(block, kind.width, order).of(first, end)

    assert total % (1 << 8 * kind.width) == digest(kind, block[first:end], order=order)


@settings(max_examples=50)
@given(block=BLOCKS, cut=st.integers(0, 3))
@pytest.mark.parametrize("kind", RUNNING)
def test_a_running_sum_of_a_part_is_that_of_the_part_alone(
    kind: CheckKind, block: bytes, cut: int
) -> None:
    firsts, end = range(5), len(block) - cut

    found = RunningSums.of(block, kind).parts(firsts, end)

    assert found == [digest(kind, block[first:end]) for first in firsts]


@settings(max_examples=50)
@given(block=BLOCKS)
@pytest.mark.parametrize("kind", RUNNING)
def test_a_running_sum_without_a_field_is_that_of_the_bytes_left(
    kind: CheckKind, block: bytes
) -> None:
    sums = RunningSums.of(block, kind)
    places = range(len(block) - kind.width + 1)

    zeroed = sums.without(places, FieldRule.ZEROED)
    excluded = sums.without(places, FieldRule.EXCLUDED)

    assert zeroed[0] is not None and excluded[0] is not None
    for place, one, other in zip(places, zeroed, excluded, strict=True):
        before, behind = block[:place], block[place + kind.width :]
        assert one in (None, digest(kind, before + bytes(kind.width) + behind))
        assert other in (None, digest(kind, before + behind))
