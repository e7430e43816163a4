"""What is found out about each page, against a count byte by byte."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.safe_write.page_facts import compare_pages

Row = tuple[int, int, bool, bool]


def facts_of(current: bytes, target: bytes, page_size: int, untrusted: list[range]) -> list[Row]:
    facts = compare_pages(current, target, page_size=page_size, untrusted=untrusted)
    return list(
        zip(
            facts.changed_bytes.tolist(),
            facts.kept_bytes.tolist(),
            facts.bits_rise.tolist(),
            facts.blank.tolist(),
            strict=True,
        )
    )


def counted(current: bytes, target: bytes, page_size: int) -> list[Row]:
    rows = []
    for start in range(0, len(current), page_size):
        then = target[start : start + page_size]
        pairs = list(zip(current[start : start + page_size], then, strict=True))
        changed = sum(a != b for a, b in pairs)
        kept = sum(a == b and b != 0xFF for a, b in pairs)
        rows.append((changed, kept, any(b & ~a for a, b in pairs), set(then) == {0xFF}))
    return rows


@settings(deadline=None)
@given(st.data(), st.sampled_from([1, 4, 8, 32, 256]), st.integers(1, 4))
def test_pages_are_told_apart_byte_by_byte(data: st.DataObject, page: int, count: int) -> None:
    image = st.binary(min_size=page * count, max_size=page * count)
    current = data.draw(image)
    target = data.draw(st.just(current) | st.just(b"\xff" * len(current)) | image)

    assert facts_of(current, target, page, []) == counted(current, target, page)


@pytest.mark.parametrize("page_size", [6, 12, 2032, 2040, 2048, 4096])
@pytest.mark.parametrize("changed", [0, 1, 5, "all"])
def test_a_page_of_any_size_is_counted_to_its_last_byte(page_size: int, changed: object) -> None:
    count = page_size if changed == "all" else int(str(changed))
    current = random.Random(5).randbytes(3 * page_size)
    target = bytes(byte ^ 0x11 for byte in current[:count]) + current[count:]

    assert facts_of(current, target, page_size, []) == counted(current, target, page_size)


@pytest.mark.parametrize("page_size", [1, 16, 256])
def test_no_page_is_lost_where_one_stretch_of_work_ends(page_size: int) -> None:
    current = random.Random(3).randbytes((256 << 10) + 512)
    target = bytearray(current)
    for at in (0, (256 << 10) - 1, 256 << 10, len(current) - 1):
        target[at] ^= 0x10

    facts = facts_of(current, bytes(target), page_size, [])

    assert facts == counted(current, bytes(target), page_size)


def test_a_page_touched_by_an_untrusted_range_holds_nobody_knows_what() -> None:
    image = b"\x5a" * 64

    facts = facts_of(image, image, 16, [range(17, 33), range(5, 5)])

    known, unknown = (0, 16, False, False), (16, 0, True, False)
    assert facts == [known, unknown, unknown, known]
