"""Changed ranges, the change sheet and the side-by-side listing."""

import hashlib
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashbench.errors import CheckFailed
from flashbench.image.change_sheet import (
    RANGES_MAX,
    ChangedRange,
    NamedRange,
    change_sheet,
    changed_ranges,
)
from flashbench.image.hex_listing import hex_listing

MIB = 1 << 20


def with_bytes(image: bytes, changes: dict[int, int]) -> bytes:
    edited = bytearray(image)
    for offset, value in changes.items():
        edited[offset] = value
    return bytes(edited)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), max_size=60))
def test_ranges_are_the_runs_of_differing_bytes(pairs: list[tuple[int, int]]) -> None:
    old, new = bytes(a for a, _ in pairs), bytes(b for _, b in pairs)

    covered: set[int] = set()
    for changed in changed_ranges(old, new):
        assert changed.length > 0
        covered |= set(range(changed.offset, changed.end))
        assert changed.end not in covered
        assert changed.offset - 1 not in covered
    assert covered == {i for i, (a, b) in enumerate(pairs) if a != b}


def test_a_run_over_the_seam_of_two_compared_pieces_is_one_range() -> None:
    old = bytes(3 * MIB)
    new = bytes(MIB - 2) + b"\x01" * (MIB + 4) + bytes(MIB - 2)

    assert changed_ranges(old, new) == (ChangedRange(MIB - 2, MIB + 4),)


@pytest.mark.parametrize("end", [MIB, 2 * MIB])
def test_a_run_that_ends_on_the_seam_ends_there(end: int) -> None:
    new = bytes(end - 3) + b"\x01" * 3 + bytes(2 * MIB - end)

    assert changed_ranges(bytes(2 * MIB), new) == (ChangedRange(end - 3, 3),)


def test_runs_are_joined_over_a_gap_only_up_to_the_gap_asked_for() -> None:
    old = bytes(32)
    new = with_bytes(old, {4: 1, 8: 1, 20: 1})

    assert changed_ranges(old, new, join_gap=3) == (ChangedRange(4, 5), ChangedRange(20, 1))


def test_images_of_different_size_are_refused() -> None:
    with pytest.raises(CheckFailed, match="differ in size: 4 and 5 bytes"):
        changed_ranges(b"abcd", b"abcde")


def test_the_sheet_holds_old_and_new_bytes_hashes_and_names() -> None:
    old = bytes(range(64))
    new = with_bytes(old, {10: 0xAA, 11: 0xBB, 40: 0xCC})
    names = (NamedRange(offset=8, length=8, name="density"),)

    sheet = change_sheet(old, new, names=names)

    assert json.loads(json.dumps(sheet)) == sheet
    assert sheet["old_sha256"] == hashlib.sha256(old).hexdigest()
    assert sheet["new_sha256"] == hashlib.sha256(new).hexdigest()
    assert sheet["changed_bytes"] == 3
    assert sheet["ranges"] == [
        {"offset": 10, "length": 2, "old": "0a0b", "new": "aabb", "names": ["density"]},
        {"offset": 40, "length": 1, "old": "28", "new": "cc", "names": []},
    ]


def test_the_sheet_stays_small_for_images_that_have_nothing_in_common() -> None:
    old = bytes(MIB)
    new = bytes([0, 1]) * (MIB // 2)

    sheet = change_sheet(old, new)

    assert sheet["changed_bytes"] == MIB // 2
    assert len(sheet["ranges"]) <= RANGES_MAX
    assert sheet["joined_over_gaps_up_to"] > 0
    assert len(json.dumps(sheet)) < 64 * 1024


def test_the_listing_shows_changed_lines_only_and_keeps_80_columns() -> None:
    old = b"flash memory of a small board, eight lines shown"[:48] + b"s"
    new = with_bytes(old, {9: ord("E"), 48: ord("!")})
    listing = hex_listing(old, new, names=(NamedRange(offset=8, length=4, name="word"),))

    assert listing == (
        "offset    old                                 new (changed bytes only)\n"
        "\n"
        "word\n"
        "00000008  6d 6f 72 79 20 6f 66 20  mory of     . 45  .  .  .  .  .  .  mEry of\n"
        "\n"
        "outside everything recognised\n"
        "00000030  73                       s          21                       !\n"
    )


def test_every_line_of_the_listing_fits_80_columns() -> None:
    listing = hex_listing(bytes(256), bytes(range(256)))

    assert max(len(line) for line in listing.splitlines()) == 79


def test_the_listing_of_a_large_change_is_cut_and_says_so() -> None:
    listing = hex_listing(bytes(MIB), b"\x01" * MIB, lines_max=10)

    assert "131062 more lines of this stretch" in listing
    assert len(listing.splitlines()) < 20


def test_comparing_64_mib_keeps_every_difference() -> None:
    old = np.random.default_rng(1).integers(0, 256, 64 * MIB, dtype=np.uint8).tobytes()
    places = {5: 1, 33 * MIB: 1, 64 * MIB - 1: 1}
    new = with_bytes(old, {place: old[place] ^ 0x80 for place in places})

    assert [changed.offset for changed in changed_ranges(old, new)] == list(places)
