"""SFDP decoding: against corpus parts, datasheets, published examples, and hostile bytes."""

import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chipdb import sfdp
from chipdb.sfdp import ERASE_SIZES, AddressBytes, QuadEnable, Sfdp, SfdpError
from tests.chipdb.corpus import Entry, entries, entry

KIB = 1024
MIB = KIB * KIB


def basic_table(*, dwords: int = 16, **changed: int) -> bytes:
    """A plausible 16 MiB basic table (the W25Q128JV's), with DWORDs replaced: dw2=..."""
    base = entry("W25Q128JV-IQ").parse().bfpt
    values = [changed.get(f"dw{n}", base[n - 1]) for n in range(1, 17)]
    raw = b"".join(v.to_bytes(4, "little") for v in values)
    return raw[: 4 * dwords]


def area(*tables: tuple[int, bytes], basic: bytes | None = None) -> bytes:
    """An SFDP area with a basic table and further tables given as (ID, bytes)."""
    parts = [(sfdp.BASIC_TABLE, basic or basic_table()), *tables]
    at = 8 + 8 * len(parts)
    headers, bodies = b"", b""
    for table_id, body in parts:
        headers += bytes([table_id & 0xFF, 6, 1, len(body) // 4])
        headers += (at + len(bodies)).to_bytes(3, "little") + bytes([table_id >> 8])
        bodies += body
    return b"SFDP" + bytes([6, 1, len(parts) - 1, 0xFF]) + headers + bodies


def dwords(*values: int) -> bytes:
    return b"".join(v.to_bytes(4, "little") for v in values)


# Density declared by something other than the SFDP: see density_source of each entry.
@pytest.mark.parametrize("part", [e.part for e in entries()])
def test_every_corpus_part_decodes_to_its_independently_declared_density(part: str) -> None:
    assert entry(part).parse().density_bytes == entry(part).density_bytes


# DW10 = 00A60236h, DW11 = C914EA82h worked through by hand from the field definitions in
# ChromiumOS EC include/sfdp.h.
def test_the_times_of_a_w25q128jv_are_those_worked_out_by_hand() -> None:
    found = entry("W25Q128JV-IQ").parse()
    by_opcode = {t.opcode: t for t in found.erase_types}
    assert (by_opcode[0x20].ms_typ, by_opcode[0x20].ms_max) == (64, 896)
    assert (by_opcode[0xD8].ms_typ, by_opcode[0xD8].ms_max) == (160, 2240)
    assert (found.program_us_typ, found.program_us_max) == (704, 4224)
    assert found.page_size == 256
    assert found.chip_erase_ms_typ == 40_000
    assert found.chip_erase_ms_max == 560_000  # the larger of the two multipliers there are


# Values decoded by a separate script for the field reference; erase maxima in ms, program in us.
@pytest.mark.parametrize(
    ("part", "program_us", "erase_ms"),
    [
        ("SST26VF064B", (1024, 2048), {4 * KIB: (19, 38), 64 * KIB: (19, 38)}),
        ("MT25QU256A", (120, 2880), {4 * KIB: (48, 480), 64 * KIB: (160, 1600)}),
        ("IS25WP256", (200, 1200), {4 * KIB: (48, 384), 32 * KIB: (160, 1280)}),
        ("MX25U25645G", (152, 912), {4 * KIB: (25, 400), 64 * KIB: (224, 3584)}),
    ],
)
def test_times_agree_with_a_second_decoder(
    part: str, program_us: tuple[float, float], erase_ms: dict[int, tuple[float, float]]
) -> None:
    found = entry(part).parse()
    assert (found.program_us_typ, found.program_us_max) == program_us
    for size, times in erase_ms.items():
        kind = next(t for t in found.erase_types if t.size == size)
        assert (kind.ms_typ, kind.ms_max) == times


# DWORD 1 of the vendor tables as printed in the QEMU sources and kernel mails.
@pytest.mark.parametrize(
    ("part", "volts"),
    [
        ("MX25L25635E", (2.7, 3.6)),
        ("MX66L1G45G", (2.7, 3.6)),
        ("MX25L3233F", (2.65, 3.6)),
        ("MX25U25645G", (1.65, 2.0)),
        ("MX66U1G45G", (1.7, 2.0)),
        ("IS25WP256", (1.65, 1.95)),
        ("BH25Q128AS", (2.7, 3.6)),
        ("AT25QL128A", (1.65, 1.95)),  # minimum and maximum swapped in the chip
        ("SST26VF064B", None),  # its vendor table is another thing
        ("W25Q128JV-IQ", None),
    ],
)
def test_the_supply_is_read_from_vendor_tables_only(
    part: str, volts: tuple[float, float] | None
) -> None:
    assert entry(part).parse().supply_volts == volts


def test_two_vendor_tables_that_differ_give_no_supply() -> None:
    found = sfdp.parse(area((0xFFC2, dwords(0x27003600)), (0x01C8, dwords(0x16502000))))
    assert found.supply_volts is None
    assert "Two vendor tables of the SFDP state different supplies" in found.doubts[-1]


@pytest.mark.parametrize("dword", [0x2A003600, 0x27002700, 0x00003600, 0x27009600])
def test_a_vendor_table_that_is_no_voltage_pair_is_not_read_as_one(dword: int) -> None:
    assert sfdp.parse(area((0xFFC2, dwords(dword)))).supply_volts is None


def test_a_table_of_nine_dwords_states_no_page_and_no_times() -> None:
    found = entry("W25Q256FV").parse()
    assert len(found.bfpt) == 9
    assert found.page_size is None
    assert found.program_us_max is None
    assert found.erase_types[0].ms_max is None
    assert found.address.address_bytes is AddressBytes.THREE_OR_FOUR
    assert not found.address.enter_b7
    assert found.quad_enable is None


def test_the_length_decides_even_where_the_revision_says_otherwise() -> None:
    found = entry("S25FS256T").parse()
    assert found.headers[0].minor == 0
    assert len(found.bfpt) == 20
    assert found.page_size == 128


def test_of_several_basic_tables_the_highest_minor_then_the_longest_counts() -> None:
    small, large = basic_table(dwords=9, dw2=0x00FFFFFF), basic_table(dw2=0x03FFFFFF)
    raw = bytearray(area((sfdp.BASIC_TABLE, large), basic=small))
    assert sfdp.parse(bytes(raw)).density_bytes == 8 * MIB
    raw[8 + 1] = 7  # the first header's minor
    assert sfdp.parse(bytes(raw)).density_bytes == 2 * MIB


# Example of Linux drivers/mtd/spi-nor and a kernel mail: MX25U25635F, FFFF8F7Fh / FFDC5C21h.
def test_the_four_byte_table_of_an_mx25u25635f_names_every_opcode() -> None:
    found = sfdp.parse(area((sfdp.FOUR_BYTE_TABLE, dwords(0xFFFF8F7F, 0xFFDC5C21))))
    assert found.four_byte is not None
    assert found.four_byte.usable
    assert [t.opcode_4byte for t in found.erase_types] == [0x21, 0x5C, 0xDC]


# W25Q01NW, FFF00AFFh / FFDCFF21h: no 4-byte form of the 32 KiB erase (kernel mail, M. Raynal).
def test_an_erase_opcode_whose_support_bit_is_0_is_ignored() -> None:
    found = entry("W25Q01NW-IQ").parse()
    assert [(t.opcode, t.opcode_4byte) for t in found.erase_types] == [
        (0x20, 0x21),
        (0x52, None),
        (0xD8, 0xDC),
    ]


def test_a_four_byte_table_that_supports_nothing_is_not_usable() -> None:
    table = entry("MX25L128 (id c22018)").parse().four_byte
    assert table is not None
    assert not table.usable


def test_three_byte_opcodes_in_the_four_byte_table_are_not_used() -> None:
    found = sfdp.parse(area((sfdp.FOUR_BYTE_TABLE, dwords(0xFFFF8FFF, 0xFFD85220))))
    assert [t.opcode_4byte for t in found.erase_types] == [None, None, None]
    assert "is not its 4-byte form" in found.doubts[0]


# Region list of the SST26VF064B: Linux kernel documentation and mail, spi-nor.rst.
def test_the_sector_map_of_an_sst26vf064b_has_five_regions() -> None:
    found = entry("SST26VF064B").parse()
    assert found.sector_map is not None
    assert found.sector_map.fixed is not None
    sizes = {t.number: t.size // KIB for t in found.erase_types}
    regions = [
        (r.length // KIB, {sizes[n] for n in r.erase_numbers})
        for r in found.sector_map.fixed.regions
    ]
    assert regions == [
        (32, {4, 8}),
        (32, {4, 32}),
        (8064, {4, 64}),
        (32, {4, 32}),
        (32, {4, 8}),
    ]


def test_a_sector_map_that_depends_on_a_register_gives_its_reads_as_data() -> None:
    command = dwords(0x08FF65FC, 0x00000004)
    layouts = dwords(0x000000FE | 2, 0x00FFFF01 | 0, 0x000001FF | 3, 0x00FFFF07)
    found = sfdp.parse(area((sfdp.SECTOR_MAP_TABLE, command + layouts)))
    assert found.sector_map is not None
    assert found.sector_map.fixed is None
    (selection,) = found.sector_map.selections
    assert (selection.opcode, selection.bit_mask, selection.address) == (0x65, 0x08, 4)
    assert selection.address_bytes is None
    assert selection.wait_states is None
    assert [layout.id for layout in found.sector_map.layouts] == [0, 1]


def test_a_sector_map_that_does_not_cover_the_array_is_dropped_with_a_doubt() -> None:
    found = sfdp.parse(area((sfdp.SECTOR_MAP_TABLE, dwords(0x000000FF, 0x000FFF01))))
    assert found.sector_map is None
    assert "does not cover the array" in found.doubts[0]


def test_one_opcode_with_two_sizes_is_reported_as_ambiguous() -> None:
    assert entry("S25FS256T").parse().ambiguous_opcodes == {0xD8}
    assert entry("SST26VF064B").parse().ambiguous_opcodes == {0xD8}
    assert entry("W25Q128JV-IQ").parse().ambiguous_opcodes == frozenset()


@pytest.mark.parametrize("dword8", [0x520FD80C, 0x520FC70C, 0x520F200D, 0x520F2018])
def test_an_erase_type_that_is_no_known_pair_is_dropped_with_a_doubt(dword8: int) -> None:
    found = sfdp.parse_basic_table(basic_table(dw8=dword8))
    assert [t.opcode for t in found.erase_types] == [0x52, 0xD8]
    assert "is not a known pair of opcode and size" in found.doubts[0]


@pytest.mark.parametrize("exponent", [0, 31, 41, 0x7FFFFFFF])
def test_a_density_of_an_impossible_power_of_two_is_refused(exponent: int) -> None:
    with pytest.raises(SfdpError, match="which no chip has"):
        sfdp.parse_basic_table(basic_table(dw2=1 << 31 | exponent))


def test_a_density_above_two_gigabit_is_a_power_of_two() -> None:
    assert sfdp.parse_basic_table(basic_table(dw2=1 << 31 | 33)).density_bytes == 1024 * MIB


def test_address_mode_bits_count_above_16_mib_only() -> None:
    every_bit = 0xFFFFFFFF
    small = sfdp.parse_basic_table(basic_table(dw16=every_bit)).address
    assert not (small.enter_b7 or small.always_4byte or small.dedicated_opcodes)
    large = sfdp.parse_basic_table(basic_table(dw16=every_bit, dw2=0x0FFFFFFF)).address
    assert large.enter_b7
    assert not large.always_4byte  # DWORD 1 does not say 4-byte only


def test_always_four_byte_needs_dword_1_to_say_so_too() -> None:
    only_four = basic_table(dw16=0x40000000, dw2=0x0FFFFFFF, dw1=0xFFFD20E5)
    assert sfdp.parse_basic_table(only_four).address.always_4byte


# QER of these parts: Linux drivers/mtd/spi-nor and the corpus notes.
@pytest.mark.parametrize(
    ("part", "rule"),
    [
        ("W25Q128JV-IQ", QuadEnable.SR2_BIT1_ONE_BYTE_KEEPS),
        ("MX25L25645G", QuadEnable.SR1_BIT6),
        ("MT25QU256A", QuadEnable.NONE),
        ("GD25WB256E", QuadEnable.RESERVED),
    ],
)
def test_the_quad_enable_rule_is_read(part: str, rule: QuadEnable) -> None:
    assert entry(part).parse().quad_enable is rule


# ABh delay of these parts as noted for the corpus: 40 us, 40 us, 448 us.
@pytest.mark.parametrize(
    ("part", "us"), [("GD25WB256E", 40.0), ("MX25R6435F", 40.0), ("S25FS256T", 448.0)]
)
def test_the_delay_after_deep_power_down_is_read(part: str, us: float) -> None:
    found = entry(part).parse().deep_power_down
    assert found is not None
    assert found.exit_delay_us == us


def test_blocks_locked_at_power_up_are_announced_by_dword_1() -> None:
    assert entry("SST26VF064B").parse().status_write.locked_at_power_up
    assert not entry("W25Q128JV-IQ").parse().status_write.locked_at_power_up


def test_text_written_between_the_tables_changes_nothing() -> None:
    dirty, clean = entry("W25Q512NW-IM"), entry("W25Q512NW-IQ")
    assert dirty.sfdp != clean.sfdp
    assert dirty.parse().bfpt == clean.parse().bfpt
    assert dirty.parse().erase_types == clean.parse().erase_types


def test_unknown_tables_are_listed_and_never_fatal() -> None:
    found = sfdp.parse(area((0xFF99, dwords(1, 2)), (0xFF0A, dwords(3))))
    assert "FF99h unknown, 1.6, 2 DWORDs" in found.tables[1]
    assert "FF0Ah command sequences" in found.tables[2]


def test_a_pointer_beyond_the_data_is_listed_as_not_read() -> None:
    raw = bytearray(area((sfdp.FOUR_BYTE_TABLE, dwords(0xFFFF8F7F, 0xFFDC5C21))))
    raw[8 + 8 + 5] = 0x0F  # the second table's address goes to 000Fxxh
    found = sfdp.parse(bytes(raw))
    assert found.four_byte is None
    assert found.tables[1].endswith("(not read)")


def test_the_bytes_needed_reach_the_end_of_the_last_table() -> None:
    whole = entry("MX25L25645G").sfdp
    assert whole is not None
    assert sfdp.bytes_needed(whole[:256]) == len(whole)
    assert sfdp.parse(whole[: sfdp.bytes_needed(whole[:256])]) == sfdp.parse(whole)


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "0 bytes are too few"),
        (b"\xff" * 256, "The chip answers FFh throughout: it has no SFDP"),
        (b"\x00" * 256, "The chip answers 00h throughout: it has no SFDP"),
        (b"PFDS" + bytes(range(60)), "50 46 44 53 where an SFDP begins with 53 46 44 50"),
        (b"SFDP\x06\x02\x00\xff" + bytes(56), "SFDP major revision 2 is not known"),
        (b"SFDP\x06\x01\x00\xff" + bytes(56), "The first SFDP table is 0000h, not the basic"),
        (
            b"SFDP\x06\x01\x00\xff\x00\x06\x01\x10\x30\x00\x00\xff",
            "No basic table of 9 DWORDs or more lies whole within the 16 bytes",
        ),
        (area(basic=b"\xff" * 64), "The basic table holds FFh throughout"),
    ],
)
def test_what_is_no_sfdp_is_refused_with_a_sentence(data: bytes, sentence: str) -> None:
    with pytest.raises(SfdpError, match=sentence):
        sfdp.parse(data)


def assert_sane(found: Sfdp) -> None:
    """What every caller relies on, whatever the bytes were."""
    assert found.density_bytes > 0
    assert found.page_size is None or found.page_size & (found.page_size - 1) == 0
    for kind in found.erase_types:
        assert kind.size in ERASE_SIZES[kind.opcode]
        assert kind.size <= found.density_bytes
        assert kind.ms_typ is None or kind.ms_max is None or 0 < kind.ms_typ < kind.ms_max
        assert kind.opcode_4byte in (None, 0x21, 0x5C, 0xDC)
    if found.supply_volts is not None:
        assert 1.0 <= found.supply_volts[0] < found.supply_volts[1] <= 4.0
    if found.sector_map is not None:
        for layout in found.sector_map.layouts:
            assert sum(r.length for r in layout.regions) == found.density_bytes


def assert_survives(data: bytes) -> bool:
    """Whether `data` decodes; anything but a sane result or `SfdpError` fails the test."""
    try:
        found = sfdp.parse(data)
    except SfdpError as error:
        assert str(error).endswith(".")
        return False
    assert_sane(found)
    return True


@given(st.binary(max_size=300))
def test_any_bytes_give_a_result_or_one_clear_error(data: bytes) -> None:
    assert_survives(data)


@given(st.binary(min_size=11, max_size=300), st.integers(0, 3))
def test_any_bytes_behind_a_valid_header_give_a_result_or_one_clear_error(
    data: bytes, more_headers: int
) -> None:
    header = b"SFDP" + bytes([6, 1, more_headers, 0xFF]) + bytes([0, 6, 1, 9, 16, 0, 0, 0xFF])
    assert_survives(header + data)


@given(
    st.lists(st.tuples(st.sampled_from([0xFF81, 0xFF84, 0xFFC2, 0x01BF]), st.binary(max_size=64)))
)
@settings(max_examples=60)
def test_any_further_tables_behind_a_valid_basic_table_decode(
    tables: list[tuple[int, bytes]],
) -> None:
    whole = [(table_id, body[: len(body) // 4 * 4]) for table_id, body in tables]
    assert assert_survives(area(*whole))


def image(which: Entry) -> bytes:
    """The entry's SFDP area without padding behind its last table."""
    if which.sfdp is not None:
        return which.sfdp[: sfdp.bytes_needed(which.sfdp[:256])]
    assert which.bfpt is not None
    return sfdp.parse_basic_table(which.bfpt).raw


ALL_VALUES = "FLASHBENCH_EVERY_SFDP_CHANGE" in os.environ


@pytest.mark.parametrize("part", [e.part for e in entries()])
def test_every_single_byte_change_of_a_real_table_is_survived(part: str) -> None:
    """Each byte takes its eight one-bit neighbours, 00 and FF; all 255 others if asked for."""
    whole = image(entry(part))
    decoded = 0
    for at, value in enumerate(whole):
        near = {value ^ 1 << bit for bit in range(8)} | {0x00, 0xFF}
        for other in range(256) if ALL_VALUES else near:
            decoded += assert_survives(whole[:at] + bytes([other]) + whole[at + 1 :])
    assert decoded > 5 * len(whole)  # most changes still leave something to read


@pytest.mark.parametrize("length", range(0, 320, 7))
def test_a_table_cut_off_anywhere_is_survived(length: int) -> None:
    whole = entry("SST26VF064B").sfdp
    assert whole is not None
    assert_survives(whole[:length])
