"""Reading SPD contents, against the attributes that the public part lists declare.

Source of contents and attributes: tests/data/spd/README.md.
"""

import binascii

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.errors import CheckFailed
from flashbench.image.checks import CheckState
from flashbench.image.memory_package import MemoryType
from flashbench.image.spd import Convention, SpdError, decode_spd, spd_crc
from tests.image.spd_data import BOARD, CONVENTION_OF_SET, DECLARED, ENTRIES, Entry, entry


def named(e: Entry) -> str:
    return f"{e.spd_set} {e.part}"


@pytest.mark.parametrize("declared", DECLARED, ids=named)
def test_an_spd_content_decodes_to_the_declared_attributes(declared: Entry) -> None:
    package, content = declared.package(), decode_spd(declared.spd)

    assert content.convention is CONVENTION_OF_SET[declared.spd_set]
    assert content.type.value == declared.type
    assert content.density_gbit == package.density_gbit
    assert content.channels_per_die == package.channels_per_die
    assert content.ranks == package.ranks
    assert content.width_bits == package.width_bits
    assert content.speed_mtps == package.speed_mtps


@pytest.mark.parametrize("declared", [e for e in DECLARED if e.spd_set != "lp4x/set-0"], ids=named)
def test_dies_and_package_capacity_are_the_declared_ones(declared: Entry) -> None:
    package, content = declared.package(), decode_spd(declared.spd)

    assert content.dies == package.dies
    assert content.capacity_of == "package"
    assert content.capacity_gbit == package.capacity_gbit


@pytest.mark.parametrize("declared", [e for e in DECLARED if e.spd_set == "lp4x/set-0"], ids=named)
def test_the_32_bit_convention_gives_the_capacity_of_a_unit_and_no_dies(declared: Entry) -> None:
    package, content = declared.package(), decode_spd(declared.spd)
    width = package.channels * package.width_bits
    unit = 16 if content.capacity_of == "16-bit channel" else 32

    assert content.dies is None
    assert content.capacity_gbit * (width // unit) == package.capacity_gbit


@pytest.mark.parametrize("board", BOARD, ids=named)
def test_the_contents_of_real_boards_decode_to_their_type(board: Entry) -> None:
    assert decode_spd(board.spd).type.value == board.type


def test_contents_with_known_errors_of_their_sources_are_doubted() -> None:
    """The two LPDDR4X board contents that tests/data/spd/README.md names as wrong."""
    shifted = decode_spd(entry("MT53D512M64D4RQ-046", "board").spd)
    mixed = decode_spd(entry("H9HKNNNEBMAV-4267", "board").spd)

    assert shifted.convention is Convention.UNKNOWN
    assert shifted.crc.state is CheckState.WRONG
    assert mixed.doubts == ("a clock period of 411 ps belongs to no standard speed grade",)


def test_the_crc_is_right_where_a_general_library_computes_the_stored_value() -> None:
    """Oracle: binascii.crc_hqx, CRC-16/XMODEM; byte ranges of the JEDEC SPD annexes."""
    right = 0
    for e in ENTRIES:
        field, covered = (510, 510) if e.type == "DDR5" and e.spd[1] != 8 else (126, 126)
        stored = int.from_bytes(e.spd[field : field + 2], "little")
        computed = binascii.crc_hqx(e.spd[:covered], 0)
        state = spd_crc(e.spd).state

        if stored == 0:
            assert state is CheckState.ABSENT, e.part
        else:
            assert (state is CheckState.RIGHT) == (stored == computed), e.part
        right += state is CheckState.RIGHT
    assert right == 55


def test_the_crc_of_a_ddr5_content_cut_off_before_it_cannot_be_checked() -> None:
    ddr5 = next(e.spd for e in BOARD if e.type == "DDR5" and len(e.spd) == 1024)

    assert decode_spd(ddr5[:256]).crc.state is CheckState.UNCHECKABLE


def test_the_1024_byte_lpddr5_layout_is_named_and_not_read() -> None:
    with pytest.raises(SpdError, match="JESD406-5"):
        decode_spd(b"\x30\x10\x13\x0e" + bytes(1020))


def test_write_clock_contents_above_6400_are_lpddr5x() -> None:
    content = decode_spd(entry("K3KL8L80EM-MGCU", "lp5/set-1").spd)

    assert content.type is MemoryType.LPDDR5X


@settings(max_examples=200)
@given(st.binary(max_size=600), st.sampled_from([0x0C, 0x10, 0x11, 0x12, 0x13, 0x15, 0x00]))
def test_random_bytes_never_crash_the_decoder(data: bytes, type_code: int) -> None:
    data = data[:2] + bytes([type_code]) + data[3:]
    try:
        content = decode_spd(data)
    except CheckFailed:
        return
    assert content.capacity_gbit > 0


@settings(max_examples=200)
@given(st.sampled_from(ENTRIES), st.data())
def test_a_damaged_content_never_crashes_the_decoder(e: Entry, data: st.DataObject) -> None:
    damaged = bytearray(e.spd)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, 140))] = data.draw(st.integers(0, 255))
    try:
        decode_spd(bytes(damaged))
    except CheckFailed as refusal:
        assert "SPD content" in refusal.seen
