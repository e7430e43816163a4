"""Check algorithms against published values and libraries outside the project."""

import crccheck.checksum
import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashbench.image.checks import (
    Check,
    CheckKind,
    CheckState,
    Order,
    Span,
    compute_check,
    digest,
    judged,
    with_repaired,
)

NINE_DIGITS = b"123456789"

# The "check" column of the public CRC catalogue (as implemented by crccheck); Adler-32 of RFC
# 1950; the Fletcher values by the definition over bytes and little-endian words.
PUBLISHED = {
    CheckKind.CRC_8_SMBUS: 0xF4,
    CheckKind.CRC_16_XMODEM: 0x31C3,
    CheckKind.CRC_16_IBM_3740: 0x29B1,
    CheckKind.CRC_16_KERMIT: 0x2189,
    CheckKind.CRC_16_IBM_SDLC: 0x906E,
    CheckKind.CRC_16_SPI_FUJITSU: 0xE5CC,
    CheckKind.CRC_16_ARC: 0xBB3D,
    CheckKind.CRC_16_MODBUS: 0x4B37,
    CheckKind.CRC_16_USB: 0xB4C8,
    CheckKind.CRC_16_UMTS: 0xFEE8,
    CheckKind.CRC_32_ISO_HDLC: 0xCBF43926,
    CheckKind.CRC_32_JAMCRC: 0x340BC6D9,
    CheckKind.CRC_32_BZIP2: 0xFC891918,
    CheckKind.CRC_32_MPEG_2: 0x0376E6E7,
    CheckKind.CRC_32_CKSUM: 0x765E7680,
    CheckKind.CRC_32_ISCSI: 0xE3069283,
    CheckKind.CRC_32_AUTOSAR: 0x1697D06A,
    CheckKind.CRC_32_XFER: 0xBD0BE338,
    CheckKind.CRC_32_AIXM: 0x3010BF7F,
    CheckKind.ADLER_32: 0x091E01DE,
    CheckKind.FLETCHER_16: 0x1EDE,
    CheckKind.FLETCHER_32_LE: 0xDF09D509,
}
# crccheck's own class for each CRC kind: an implementation that shares nothing with anycrc.
INDEPENDENT = {
    kind: getattr(
        crccheck.crc,
        "".join(part.capitalize() for part in kind.value.replace("/", "-").split("-")),
    )
    for kind in CheckKind
    if kind.is_crc
}
SAMPLES = (b"", b"\x5a", b"abc", bytes(256), b"\xff" * 256, NINE_DIGITS * 100)


@pytest.mark.parametrize("kind", PUBLISHED, ids=lambda kind: kind.value)
def test_every_algorithm_gives_its_published_check_value(kind: CheckKind) -> None:
    assert digest(kind, NINE_DIGITS) == PUBLISHED[kind]


@pytest.mark.parametrize("kind", INDEPENDENT, ids=lambda kind: kind.value)
@given(data=st.binary(max_size=300))
def test_every_crc_agrees_with_an_independent_library(kind: CheckKind, data: bytes) -> None:
    for sample in (*SAMPLES[1:], data or b"\0"):
        assert digest(kind, sample) == INDEPENDENT[kind].calc(sample)


def test_every_kind_of_crc_has_a_published_value() -> None:
    assert set(INDEPENDENT) <= set(PUBLISHED)
    assert len(INDEPENDENT) == 19


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        # Widely published Fletcher examples.
        (CheckKind.FLETCHER_16, b"abcde", 0xC8F0),
        (CheckKind.FLETCHER_16, b"abcdefgh", 0x0627),
        (CheckKind.FLETCHER_32_LE, b"abcde", 0xF04FC729),
        (CheckKind.FLETCHER_32_LE, b"abcdef", 0x56502D2A),
        (CheckKind.FLETCHER_32_LE, b"abcdefgh", 0xEBE19591),
        (CheckKind.FLETCHER_32_BE, b"abcde", 0x4FF029C7),
        (CheckKind.ADLER_32, b"Wikipedia", 0x11E60398),
        # A JEDEC SPD's first 126 bytes: 23 11 0C 02, then zeros.
        (CheckKind.CRC_16_XMODEM, bytes.fromhex("23110c02") + bytes(122), 0xA78F),
        # 128 empty GUID partition entries.
        (CheckKind.CRC_32_ISO_HDLC, bytes(128 * 128), 0xAB54D286),
    ],
)
def test_worked_examples_come_out(kind: CheckKind, text: bytes, value: int) -> None:
    assert digest(kind, text) == value


def test_a_long_fletcher_sum_equals_the_sum_made_word_by_word() -> None:
    data = bytes(range(251)) * 1200  # more than one step of the vectorised sum
    first = second = 0
    for at in range(0, len(data), 2):
        first = (first + int.from_bytes(data[at : at + 2], "little")) % 65535
        second = (second + first) % 65535

    assert digest(CheckKind.FLETCHER_32_LE, data) == second << 16 | first


@given(data=st.binary(min_size=1, max_size=200))
def test_sums_agree_with_an_independent_library(data: bytes) -> None:
    even = data + bytes(-len(data) % 4)
    assert digest(CheckKind.SUM_8, data) == crccheck.checksum.Checksum8.calc(data)
    assert digest(CheckKind.SUM_16, even, order="big") == crccheck.checksum.Checksum16.calc(even)
    assert digest(CheckKind.SUM_32, even, order="big") == crccheck.checksum.Checksum32.calc(even)
    assert digest(CheckKind.BYTE_SUM_16, data) == sum(data) % 65536
    assert digest(CheckKind.NEGATED_BYTE_SUM_16, data) == -sum(data) % 65536


@pytest.mark.parametrize(
    ("kind", "order", "stored"),
    [
        (CheckKind.ZERO_SUM_8, "little", "23"),  # the digits sum to DD
        (CheckKind.ZERO_SUM_16, "little", "302b"),  # the first eight digits sum to D4D0
    ],
)
def test_a_zero_sum_is_repaired_to_its_published_value(
    kind: CheckKind, order: Order, stored: str
) -> None:
    digits = NINE_DIGITS if kind.width == 1 else NINE_DIGITS[:8]
    image = bytes(kind.width) + digits
    check = Check(kind=kind, offset=0, order=order, covers=(Span(0, len(image)),))

    repaired = with_repaired(image, (check,))

    assert repaired == bytes.fromhex(stored) + digits
    assert judged(repaired, check).state is CheckState.RIGHT


@given(
    data=st.binary(min_size=40, max_size=200),
    kind=st.sampled_from(list(CheckKind)),
    order=st.sampled_from(("little", "big")),
    index=st.integers(min_value=0, max_value=10_000),
    bit=st.integers(min_value=0, max_value=7),
)
def test_a_repaired_check_holds_and_a_flipped_bit_breaks_it(
    data: bytes, kind: CheckKind, order: Order, index: int, bit: int
) -> None:
    field = Span(8, 8 + kind.width)
    whole = Span(0, len(data) // 4 * 4)
    zeroed = () if kind.is_zero_sum else (field,)
    check = Check(kind=kind, offset=8, order=order, covers=(whole,), zeroed=zeroed)
    repaired = bytearray(with_repaired(data, (check,)))
    assert judged(bytes(repaired), check).holds is True
    assert bytes(repaired[: field.start]) + bytes(repaired[field.end :]) == (
        data[: field.start] + data[field.end :]
    )

    at = index % whole.end
    repaired[at] ^= 1 << bit

    # 00 and FF are the same to a Fletcher sum, and Adler-32 knows only sums of bytes: a single
    # flipped bit changes every one of them all the same.
    assert judged(bytes(repaired), check).holds is False


def test_a_check_that_reaches_past_the_image_cannot_be_checked() -> None:
    check = Check(kind=CheckKind.CRC_32_ISO_HDLC, offset=0, order="little", covers=(Span(4, 100),))

    found = judged(bytes(50), check)

    assert found.state is CheckState.UNCHECKABLE
    assert found.holds is None
    assert found.why == "it reaches beyond the end of the data"
    with pytest.raises(ValueError, match="outside the image"):
        compute_check(bytes(50), check)


def test_inner_checks_are_repaired_before_those_that_cover_them() -> None:
    inner = Check(kind=CheckKind.ZERO_SUM_8, offset=8, order="little", covers=(Span(8, 20),))
    outer = Check(kind=CheckKind.CRC_32_ISO_HDLC, offset=0, order="big", covers=(Span(4, 30),))

    repaired = with_repaired(bytes(range(30)), (outer, inner))

    assert judged(repaired, inner).holds
    assert judged(repaired, outer).holds


def test_two_checks_that_cover_each_other_are_not_repaired() -> None:
    one = Check(kind=CheckKind.SUM_8, offset=0, order="little", covers=(Span(1, 8),))
    other = Check(kind=CheckKind.SUM_8, offset=1, order="little", covers=(Span(0, 1),))

    with pytest.raises(ValueError, match="cover each other's value"):
        with_repaired(bytes(8), (one, other))
