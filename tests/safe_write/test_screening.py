"""What makes a dump doubtful, as values and as sentences. Pure functions on bytes."""

from random import Random

import pytest

from flashbench.safe_write.screening import (
    CLUSTER_BYTES_MIN,
    LANE_EVIDENCE_BYTES,
    Disagreement,
    differs_outside,
    disagreement,
    has_equal_halves,
    is_constant,
    largest_swings,
    notes,
    stuck_lanes,
    telling_blocks,
)

ZEROS = bytes(4096)


def with_bytes(data: bytes, values: dict[int, int]) -> bytes:
    """`data` with the bytes at some offsets replaced."""
    changed = bytearray(data)
    for offset, value in values.items():
        changed[offset] = value
    return bytes(changed)


def between(first: bytes, second: bytes) -> Disagreement:
    """What differs, where something does."""
    found = disagreement(first, second)
    assert found is not None
    return found


def test_equal_reads_do_not_disagree() -> None:
    assert disagreement(ZEROS, bytes(4096)) is None
    assert differs_outside(ZEROS, bytes(4096), []) is None


def test_a_disagreement_counts_bytes_and_bits_each_way_and_by_lane() -> None:
    first = with_bytes(ZEROS, {16: 0b0000_0110, 300: 0b1000_0001})
    second = with_bytes(ZEROS, {16: 0b0000_1010, 301: 0b0000_0010})

    assert between(first, second) == Disagreement(
        byte_count=3,
        first=16,
        first_values=(0b0000_0110, 0b0000_1010),
        rising_bits=2,
        falling_bits=3,
        lanes=(1, 1, 1, 1, 0, 0, 0, 1),
        cluster=None,
    )


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        (
            {0x20: 0x08},
            "Two reads differ at 1 byte, first at 0x000020 (00h, then 08h); 1 bits rose, 0 fell,"
            " most in bit 3.",
        ),
        (
            dict.fromkeys(range(7), 12) | {9: 0x04},
            "Two reads differ at 8 bytes, first at 0x000000 (00h, then 0Ch); 15 bits rose, 0 fell,"
            " most in bit 2. Nine in ten of them lie between 0x000000 and 0x000009.",
        ),
        (
            dict.fromkeys(range(0, 4096, 512), 255),
            "Two reads differ at 8 bytes, first at 0x000000 (00h, then FFh); 64 bits rose, 0 fell,"
            " most in bit 0. They lie all over the chip.",
        ),
        (
            dict.fromkeys(range(7), 128),
            "Two reads differ at 7 bytes, first at 0x000000 (00h, then 80h); 7 bits rose, 0 fell,"
            " most in bit 7.",
        ),
    ],
)
def test_a_disagreement_is_one_line(values: dict[int, int], sentence: str) -> None:
    assert between(ZEROS, with_bytes(ZEROS, values)).sentence() == sentence


@pytest.mark.parametrize(
    ("places", "cluster"),
    [
        (range(100, 100 + CLUSTER_BYTES_MIN), range(100, 100 + CLUSTER_BYTES_MIN)),
        (range(100, 100 + CLUSTER_BYTES_MIN - 1), None),
        ([*range(100, 109), 4000], range(100, 109)),  # one in ten elsewhere
        ([*range(100, 108), 3999, 4000], None),  # two in ten elsewhere
        ([*range(0, 504, 56), 511], range(449)),  # the shortest nine of ten
        ([*range(7), 511], range(512)),  # all eight of eight, in just an eighth of the chip
        ([*range(7), 512], None),  # in a byte more
    ],
)
def test_differences_cluster_if_nine_in_ten_lie_in_an_eighth_of_the_chip(
    places: list[int], cluster: range | None
) -> None:
    assert between(ZEROS, with_bytes(ZEROS, dict.fromkeys(places, 1))).cluster == cluster


def test_what_differs_in_allowed_ranges_only_does_not_count() -> None:
    second = with_bytes(ZEROS, {16: 1, 31: 1, 32: 1})

    found = differs_outside(ZEROS, second, [range(16, 32)])

    assert found is not None
    assert (found.byte_count, found.first) == (1, 32)
    assert differs_outside(ZEROS, second, [range(17), range(31, 33)]) is None


@pytest.mark.parametrize(
    ("high", "low", "lanes"),
    [
        (0x00, 0x00, ()),
        (0x01, 0x00, ((0, 1),)),
        (0x00, 0x80, ((7, 0),)),
        (0x20, 0x06, ((1, 0), (2, 0), (5, 1))),
    ],
)
def test_a_lane_is_stuck_if_it_never_changes_over_what_is_not_blank(
    high: int, low: int, lanes: tuple[tuple[int, int], ...]
) -> None:
    noise = Random(1).randbytes(16384)
    image = bytes((byte | high) & ~low & 0xFF for byte in noise) + b"\xff" * 4096 + bytes(4096)

    assert stuck_lanes(image) == lanes


def test_a_lane_is_called_stuck_over_enough_bytes_only() -> None:
    assert stuck_lanes(b"\x7f" * LANE_EVIDENCE_BYTES)[-1] == (7, 0)
    assert stuck_lanes(b"\x7f" * (LANE_EVIDENCE_BYTES - 1) + b"\x00\xff" * 99) == ()


@pytest.mark.parametrize(
    ("image", "sentences"),
    [
        (
            b"\xff" * 64,
            ("The chip answers its ID and holds blank: there is no firmware on it.",),
        ),
        (
            b"\x5a" * 64,
            ("The chip answers its ID and holds nothing but 5Ah: there is no firmware on it.",),
        ),
        (
            bytes(range(64)) * 2,
            (
                "The two halves of the dump are equal: a doubled image, or a chip half as large as"
                " its ID says.",
            ),
        ),
        (bytes(range(128)), ()),
    ],
)
def test_a_dump_that_is_not_refused_is_noted_on(image: bytes, sentences: tuple[str, ...]) -> None:
    assert notes(image) == sentences


def test_equal_halves_are_noted_up_to_16_mib() -> None:
    half = Random(2).randbytes(1 << 23)

    assert len(notes(half + half)) == 1
    assert notes((half + half) * 2) == ()


def test_halves_and_constants_are_told_by_every_byte() -> None:
    assert has_equal_halves(b"abab")
    assert not has_equal_halves(b"abaB")
    assert is_constant(b"aaaa")
    assert not is_constant(b"aaab")


@pytest.mark.parametrize(
    ("varied", "most", "offsets"),
    [
        ([], 4, ()),
        ([3], 4, (3,)),
        ([1, 3], 4, (1, 3)),
        (range(10), 4, (0, 3, 6, 9)),
        (range(10), 1, (0,)),
        ([2, 5, 7, 9], 2, (2, 9)),
    ],
)
def test_telling_blocks_lie_spread_over_those_that_are_not_constant(
    varied: list[int], most: int, offsets: tuple[int, ...]
) -> None:
    """Offsets in blocks of 16 bytes; what is left of the image after whole blocks is not one."""
    image = with_bytes(bytes(160), {16 * block + 15: 1 for block in varied}) + b"\x00\x01"

    expected = tuple(16 * block for block in offsets)
    assert telling_blocks(image, block=16, most=most) == expected


def test_the_first_byte_after_each_kind_of_swing_is_given_the_steepest_before_the_others() -> None:
    image = bytes([0x00, 0xFF, 0x00, 0xFF, 0x00, 0x01])

    assert largest_swings(image, at_most=9) == [1, 2, 5]
    assert largest_swings(image, at_most=1) == [1]
    assert largest_swings(bytes(1 << 20) + b"\xff", at_most=9) == [1 << 20, 1]
