"""Table against SFDP, field by field: always the careful answer."""

from dataclasses import replace

import pytest

from chipdb import sfdp as tables
from chipdb import table
from chipdb.row import ChipRow, KnownFrom, OnDieEcc, RowErase
from chipdb.sfdp import AddressModeClaims, FourByteTable, Sfdp
from flashbench.chip.profile import AddressMode, ChipProfile, EraseKind, reconcile
from flashbench.errors import ChipUntouched
from tests.chipdb.corpus import entries, entry

KIB = 1024
MIB = KIB * KIB
W25Q128JV = bytes.fromhex("EF4018")


def row_named(part: str) -> ChipRow:
    (row,) = [r for r in table.load() if r.part == part]
    return row


def jv_row(**changed: object) -> ChipRow:
    return replace(row_named("W25Q128JV-IQ"), **changed)  # type: ignore[arg-type]


def jv_sfdp(**changed: object) -> Sfdp:
    return replace(entry("W25Q128JV-IQ").parse(), **changed)  # type: ignore[arg-type]


def profile_of(
    id_hex: str, sfdp: Sfdp | None, *, volts: float = 3.3, marking: str | None = None
) -> ChipProfile:
    """As for somebody who read in the datasheet what the marking stands for."""
    jedec_id = bytes.fromhex(id_hex)
    return reconcile(
        jedec_id,
        table.rows_for_id(jedec_id),
        sfdp,
        declared_volts=volts,
        supply_confirmed_by_user=marking is not None,
        marking=table.find_by_marking(marking) if marking is not None else None,
    )


def from_row(row: ChipRow, sfdp: Sfdp | None) -> ChipProfile:
    return reconcile(W25Q128JV, [row], sfdp, declared_volts=3.3)


def opcodes(profile: ChipProfile) -> list[tuple[int, int]]:
    return [(kind.opcode, kind.size) for kind in profile.regions[0].kinds]


# The datasheet (Rev I) says 45/400 ms, 0.4/3 ms; the SFDP 64/896 ms, 0.704/4.224 ms.
def test_typical_times_are_the_datasheets_and_time_outs_the_larger() -> None:
    found = profile_of("EF4018", entry("W25Q128JV-IQ").parse())
    assert found.regions[0].kinds[0] == EraseKind(opcode=0x20, size=4096, ms_typ=45, ms_max=896)
    assert (found.program_us_typ, found.program_us_max) == (400, 4224)
    assert found.chip_erase is not None
    assert (found.chip_erase.ms_typ, found.chip_erase.ms_max) == (40_000, 560_000)


@pytest.mark.parametrize("source", [KnownFrom.MEMORY, KnownFrom.ASSUMED])
def test_what_the_chip_says_of_its_times_goes_before_what_is_only_remembered(
    source: KnownFrom,
) -> None:
    found = from_row(jv_row(times_known_from=source), entry("W25Q128JV-IQ").parse())
    assert [kind.ms_typ for kind in found.regions[0].kinds] == [64, 128, 160]
    assert found.program_us_typ == 704


def test_an_assumed_time_counts_only_where_no_row_knows_one() -> None:
    known = jv_row(times_known_from=KnownFrom.MEMORY)
    slow = tuple(replace(kind, ms_typ=9 * kind.ms_typ, ms_max=9999) for kind in known.erase)
    assumed = jv_row(times_known_from=KnownFrom.ASSUMED, erase=slow, program_us_typ=2900)

    both = reconcile(W25Q128JV, [assumed, known], None, declared_volts=3.3)
    alone = from_row(assumed, None)

    assert [kind.ms_typ for kind in both.regions[0].kinds] == [45, 120, 150]
    assert both.program_us_typ == 400
    assert {kind.ms_max for kind in both.regions[0].kinds} == {9999}, "the wait stays generous"
    assert alone.program_us_typ == 2900


def test_a_w25q128jv_is_known_in_full() -> None:
    found = profile_of("EF4018", entry("W25Q128JV-IQ").parse())
    assert found.density_bytes == 16 * MIB
    assert found.density_sources == ("table", "SFDP")
    assert found.address_mode is AddressMode.THREE_BYTE
    assert opcodes(found) == [(0x20, 4 * KIB), (0x52, 32 * KIB), (0xD8, 64 * KIB)]
    assert found.protection == "Winbond"
    assert found.status_write == "01h and 31h, one byte each"
    assert found.status_volatile
    assert found.ecc_free
    assert found.read_hz_max == 50_000_000
    assert found.doubts == ()


def test_a_row_without_sfdp_is_enough_and_says_so() -> None:
    found = profile_of("C84017", None, marking="GD25Q64CSIG")
    assert found.density_sources == ("table",)
    assert opcodes(found) == [(0x20, 4 * KIB), (0x52, 32 * KIB), (0xD8, 64 * KIB)]
    assert "The chip has no SFDP: only the table describes it." in found.doubts
    assert "Its erase instructions are known from memory only." in found.doubts


def test_a_chip_that_is_not_in_the_table_works_from_its_sfdp_once_the_supply_is_confirmed() -> None:
    sfdp = entry("W25Q128JV-IQ").parse()
    found = reconcile(b"\xaa\xbb\xcc", [], sfdp, declared_volts=3.3, supply_confirmed_by_user=True)
    assert found.density_sources == ("SFDP",)
    assert found.supply_volts == (3.3, 3.3)
    assert found.supply_known_from == "user"
    assert opcodes(found) == [(0x20, 4 * KIB), (0x52, 32 * KIB), (0xD8, 64 * KIB)]
    assert found.protection is None
    assert found.status_write is None
    assert not found.ecc_free
    assert found.chip_erase is None  # nobody knows how many dies it has


def test_a_chip_with_neither_row_nor_sfdp_is_refused() -> None:
    with pytest.raises(ChipUntouched, match="Neither the table nor an SFDP says how large"):
        reconcile(b"\xaa\xbb\xcc", [], None, declared_volts=3.3, supply_confirmed_by_user=True)


def test_sizes_that_differ_give_the_largest_and_no_source() -> None:
    found = from_row(jv_row(), jv_sfdp(density_bytes=2 * MIB))
    assert found.density_bytes == 16 * MIB
    assert found.density_sources == ()
    assert "The sources disagree on the size" in found.doubts[0]
    assert from_row(jv_row(), jv_sfdp(density_bytes=16 * MIB)).density_sources == ("table", "SFDP")


# ZD25Q128C answers EF4018 and states 16 Mbit in its SFDP (dump in a Linux kernel mail).
def test_an_sfdp_known_to_lie_about_the_size_does_not_count() -> None:
    lying = jv_sfdp(density_bytes=2 * MIB, raw=b"")
    found = profile_of("EF4018", lying, marking="ZD25Q128CSIGT")
    assert found.density_bytes == 16 * MIB
    assert found.density_sources == ("table",)


def test_a_row_that_contradicts_others_proves_no_size() -> None:
    found = profile_of("C22536", None, volts=1.8)
    assert found.density_bytes == 4 * MIB
    assert found.density_sources == ()
    assert any("The sources give different sizes" in doubt for doubt in found.doubts)


def test_the_smaller_program_size_is_used() -> None:
    assert from_row(jv_row(), jv_sfdp(page_size=128)).page_size == 128
    assert from_row(jv_row(page_size=64), jv_sfdp()).page_size == 64
    assert from_row(jv_row(page_size=512), jv_sfdp(page_size=512)).page_size == 256


def test_a_page_size_known_to_be_wrong_does_not_count() -> None:
    lying = jv_row(sfdp_lies=frozenset({"page size"}))
    assert from_row(lying, jv_sfdp(page_size=128)).page_size == 256


def test_without_a_stated_page_size_an_unknown_chip_is_programmed_in_64_bytes() -> None:
    sfdp = entry("BH25Q128AS").parse()
    found = reconcile(b"\xaa\xbb\xcc", [], sfdp, declared_volts=3.3)
    assert found.page_size == 64
    assert "The page size is not stated: 64 bytes a program are used." in found.doubts


@pytest.mark.parametrize(
    ("erase", "left"),
    [
        ([(0x20, 4 * KIB), (0xD8, 64 * KIB)], [(0x20, 4 * KIB), (0xD8, 64 * KIB)]),
        ([(0x20, 4 * KIB), (0xD8, 256 * KIB)], [(0x20, 4 * KIB)]),
        ([(0xD8, 256 * KIB)], []),
    ],
)
def test_only_erase_instructions_named_by_both_with_one_unit_are_used(
    erase: list[tuple[int, int]], left: list[tuple[int, int]]
) -> None:
    kinds = tuple(RowErase(opcode=op, size=size, ms_typ=1, ms_max=2) for op, size in erase)
    found = from_row(jv_row(erase=kinds, sfdp=None), jv_sfdp())
    assert opcodes(found) == left
    read_only = "No erase instruction is certain everywhere: the chip can be read only."
    assert (read_only in found.doubts) == (not left)


def test_two_units_behind_one_opcode_are_not_used_without_a_sector_map() -> None:
    found = profile_of("342B190F0890", entry("S25FS256T").parse(), volts=1.8)
    assert opcodes(found) == []


def test_an_unknown_chip_with_two_units_behind_one_opcode_can_only_be_read() -> None:
    found = reconcile(
        b"\xaa\xbb\xcc",
        [],
        entry("S25FS256T").parse(),
        declared_volts=1.8,
        supply_confirmed_by_user=True,
    )
    assert opcodes(found) == []
    assert "No erase instruction is certain everywhere: the chip can be read only." in found.doubts


# Regions of the SST26VF064B: Linux kernel documentation, spi-nor.rst.
def test_the_sector_map_gives_each_region_its_own_units() -> None:
    found = profile_of("BF2643", entry("SST26VF064B").parse(), marking="26VF064B-104I/SM")
    units = [(r.length // KIB, [(k.opcode, k.size // KIB) for k in r.kinds]) for r in found.regions]
    assert units == [
        (32, [(0x20, 4), (0xD8, 8)]),
        (32, [(0x20, 4), (0xD8, 32)]),
        (8064, [(0x20, 4), (0xD8, 64)]),
        (32, [(0x20, 4), (0xD8, 32)]),
        (32, [(0x20, 4), (0xD8, 8)]),
    ]


def test_a_sector_map_that_a_register_decides_leaves_what_works_in_every_layout() -> None:
    sfdp = entry("SST26VF064B").parse()
    assert sfdp.sector_map is not None
    selection = tables.MapSelection(
        opcode=0x65, address_bytes=3, wait_states=8, bit_mask=0x08, address=4
    )
    unsure = replace(sfdp, sector_map=replace(sfdp.sector_map, selections=(selection,)))
    damaged = replace(sfdp, sector_map=None)
    for given, left in ((unsure, {0x20}), (damaged, set())):
        found = reconcile(
            b"\xaa\xbb\xcc", [], given, declared_volts=3.3, supply_confirmed_by_user=True
        )
        assert {kind.opcode for r in found.regions for kind in r.kinds} == left


def test_a_sector_map_that_no_row_bears_out_leaves_what_the_rows_name() -> None:
    rows = [replace(row_named("SST26VF064B"), sfdp=None)]
    found = reconcile(
        bytes.fromhex("BF2643"),
        rows,
        entry("SST26VF064B").parse(),
        declared_volts=3.3,
        supply_confirmed_by_user=True,
    )
    assert {k.opcode for r in found.regions for k in r.kinds} == {0x20}


@pytest.mark.parametrize("part", [e.part for e in entries()])
def test_every_corpus_part_gets_regions_that_cover_it(part: str) -> None:
    item = entry(part)
    rows = [r for r in table.load() if item.jedec_id and r.jedec_id == item.jedec_id]
    own = [r for r in rows if r.sfdp == item.sfdp and r.bfpt == item.bfpt] or [
        r for r in table.load() if part in r.parts
    ]
    volts = own[0].supply_volts
    assert volts is not None
    found = reconcile(
        item.jedec_id or b"\xaa\xbb\xcc",
        own[:1],
        item.parse(),
        declared_volts=sum(volts) / 2,
        supply_confirmed_by_user=True,
    )
    at = 0
    for region in found.regions:
        assert region.start == at
        assert [k.size for k in region.kinds] == sorted({k.size for k in region.kinds})
        at += region.length
    assert at == found.density_bytes == item.density_bytes
    assert (not found.regions[0].kinds) == (part == "S25FS256T")
    needs_more = found.density_bytes > 16 * MIB
    assert needs_more == (found.address_mode is not AddressMode.THREE_BYTE)


LARGE = jv_sfdp(density_bytes=32 * MIB, four_byte=None)


def claims(**changed: bool) -> AddressModeClaims:
    return AddressModeClaims(
        address_bytes=tables.AddressBytes.THREE_OR_FOUR, in_table=True, **changed
    )


def unknown_large(sfdp: Sfdp, first: int = 0xAA) -> ChipProfile:
    return reconcile(
        bytes([first, 0xBB, 0xCC]), [], sfdp, declared_volts=3.3, supply_confirmed_by_user=True
    )


def test_dedicated_opcodes_come_first_and_erases_use_their_four_byte_form() -> None:
    found = profile_of("C22019", entry("MX25L25645G").parse())
    assert found.address_mode is AddressMode.DEDICATED_4BYTE
    assert opcodes(found) == [(0x21, 4 * KIB), (0x5C, 32 * KIB), (0xDC, 64 * KIB)]
    assert found.read_4byte_opcodes


def test_an_erase_without_a_four_byte_form_is_not_used_with_dedicated_opcodes() -> None:
    found = profile_of("EF6021", entry("W25Q01NW-IQ").parse(), volts=1.8)
    assert opcodes(found) == [(0x21, 4 * KIB), (0xDC, 64 * KIB)]


def test_dedicated_opcodes_need_the_table_of_the_chip_or_every_row_to_name_them() -> None:
    # One ID, two parts: W25Q256FV has no 4-byte program, W25Q256JV has (datasheet Rev B).
    by_sfdp = entry("W25Q256JV").parse()
    assert profile_of("EF4019", by_sfdp).address_mode is AddressMode.DEDICATED_4BYTE
    assert profile_of("EF4019", None).address_mode is AddressMode.ENTER_4BYTE
    marked = profile_of("EF4019", None, marking="25Q256JVEQ")
    assert marked.address_mode is AddressMode.DEDICATED_4BYTE
    assert opcodes(marked) == [(0x21, 4 * KIB), (0xDC, 64 * KIB)]


def test_a_four_byte_table_that_cannot_program_is_not_used() -> None:
    useless = FourByteTable(
        read_13h=True,
        fast_read_0ch=True,
        program_12h=False,
        erase_opcodes=((1, 0x21),),
        other_reads=(),
    )
    found = unknown_large(replace(LARGE, four_byte=useless, address=claims(enter_b7=True)))
    assert found.address_mode is AddressMode.ENTER_4BYTE


@pytest.mark.parametrize(
    ("said", "mode"),
    [
        (claims(enter_b7=True, extended_register_c5=True), AddressMode.ENTER_4BYTE),
        (claims(enter_06_b7=True, extended_register_c5=True), AddressMode.ENTER_4BYTE_WITH_WEL),
        (claims(extended_register_c5=True), AddressMode.EXTENDED_REGISTER),
    ],
)
def test_without_dedicated_opcodes_a_mode_comes_before_the_extended_register(
    said: AddressModeClaims, mode: AddressMode
) -> None:
    assert unknown_large(replace(LARGE, address=said)).address_mode is mode


def test_a_chip_with_no_known_way_above_16_mib_is_refused() -> None:
    with pytest.raises(ChipUntouched, match="nothing known says how to reach those above 16 MiB"):
        unknown_large(replace(LARGE, address=claims()))


# Linux drivers/mtd/spi-nor: B7h on Winbond and Macronix, 06h B7h on Micron.
@pytest.mark.parametrize(
    ("first", "mode"),
    [
        (0xEF, AddressMode.ENTER_4BYTE),
        (0xC2, AddressMode.ENTER_4BYTE),
        (0x20, AddressMode.ENTER_4BYTE_WITH_WEL),
    ],
)
def test_nine_dwords_leave_the_makers_way_into_four_byte_mode(
    first: int, mode: AddressMode
) -> None:
    sfdp = replace(entry("W25Q256FV").parse(), four_byte=None)
    assert unknown_large(sfdp, first).address_mode is mode
    with pytest.raises(ChipUntouched, match="above 16 MiB"):
        unknown_large(sfdp, 0xAA)


def test_an_address_field_known_to_lie_does_not_stop_a_large_part() -> None:
    found = profile_of("9D7019", entry("IS25WP256").parse(), volts=1.8)
    assert found.address_mode is AddressMode.DEDICATED_4BYTE


# The sixteen chips QEMU 7.2 offers that a bench would meet, none of which states all facts.
@pytest.mark.parametrize(
    ("id_hex", "corpus_part", "marking", "volts", "mode"),
    [
        ("EF4019", "W25Q256FV", None, 3.3, AddressMode.ENTER_4BYTE),
        ("EF4020", "W25Q512JV", "W25Q512JVEIQ", 3.3, AddressMode.DEDICATED_4BYTE),
        ("EF4021", "W25Q01JV-IQ", "W25Q01JVZEIQ", 3.3, AddressMode.DEDICATED_4BYTE),
        ("C22019", "MX25L25635E", None, 3.3, AddressMode.ENTER_4BYTE),
        ("C22019", "MX25L25635F", None, 3.3, AddressMode.ENTER_4BYTE),
        ("C2201B", "MX66L1G45G", None, 3.3, AddressMode.DEDICATED_4BYTE),
        ("20BA20104400", None, "MT25QL512ABB8ESF", 3.3, AddressMode.DEDICATED_4BYTE),
        ("20BA19", "N25Q256A", None, 3.3, AddressMode.ENTER_4BYTE_WITH_WEL),
        ("9D7019", None, None, 1.8, AddressMode.DEDICATED_4BYTE),
        ("0102194D0180", None, "FL256SAIF01", 3.3, AddressMode.DEDICATED_4BYTE),
        ("C84017", None, "GD25Q64CSIG", 3.3, AddressMode.THREE_BYTE),
        ("EF3015", None, "25X16AVSIG", 3.3, AddressMode.THREE_BYTE),
        ("C22017", None, "MX25L6405DMI-12G", 3.3, AddressMode.THREE_BYTE),
        ("1C3017", None, "EN25Q64", 3.3, AddressMode.THREE_BYTE),
        ("202017", None, "M25P64VMF6TP", 3.3, AddressMode.THREE_BYTE),
    ],
)
def test_parts_of_many_makers_can_be_erased_and_addressed(
    id_hex: str, corpus_part: str | None, marking: str | None, volts: float, mode: AddressMode
) -> None:
    sfdp = entry(corpus_part).parse() if corpus_part else None
    found = profile_of(id_hex, sfdp, volts=volts, marking=marking)
    assert found.address_mode is mode
    assert found.regions[0].kinds
    assert found.density_sources
    assert found.page_size == 256


def test_a_marking_of_another_part_than_the_id_stops() -> None:
    with pytest.raises(ChipUntouched, match="The marking reads as Winbond W25Q64FV") as refusal:
        profile_of("EF4018", None, marking="W25Q64FVSIG")
    assert "answers EF 40 17, but this chip answers EF 40 18" in refusal.value.seen
    assert "re-marked chip" in refusal.value.next_step


def test_a_marking_leaves_its_own_row_only() -> None:
    assert profile_of("C22018", None, marking="MX25L12833F").parts == ("MX25L12833F",)


def test_a_marking_unknown_to_the_table_is_said_and_does_not_stop() -> None:
    found = profile_of("EF4018", entry("W25Q128JV-IQ").parse(), marking="QQ25Z64")
    assert any("The marking names no part of the table" in doubt for doubt in found.doubts)


@pytest.mark.parametrize("id_hex", ["BF254A", "1F2600", "EF7119", "00EFAA21"])
def test_kinds_that_are_no_plain_nor_are_refused(id_hex: str) -> None:
    with pytest.raises(ChipUntouched, match=r"programs single|DataFlash|several dies|SPI NAND"):
        profile_of(id_hex, None)


def test_a_stacked_part_is_never_erased_as_a_whole() -> None:
    assert profile_of("C2201B", entry("MX66L1G45G").parse()).chip_erase is None


def test_on_die_error_correction_is_assumed_unless_every_row_says_there_is_none() -> None:
    assert from_row(jv_row(), jv_sfdp()).ecc_free
    assert not from_row(jv_row(on_die_ecc=OnDieEcc.UNKNOWN), jv_sfdp()).ecc_free
    assert not profile_of("EFA020", entry("W25H512NW").parse(), volts=1.8).ecc_free


def test_rows_that_differ_in_what_only_they_know_leave_it_unknown() -> None:
    rows = [jv_row(sfdp=None), jv_row(sfdp=None, protection="Macronix")]
    found = reconcile(W25Q128JV, rows, jv_sfdp(), declared_volts=3.3)
    assert found.protection is None


def test_where_31h_is_in_doubt_01h_with_two_bytes_is_used() -> None:
    rows = [jv_row(sfdp=None), jv_row(sfdp=None, status_write="01h, two bytes")]
    found = reconcile(W25Q128JV, rows, jv_sfdp(), declared_volts=3.3)
    assert found.status_write == "01h, two bytes"


def test_the_slower_clock_limit_counts() -> None:
    rows = [jv_row(sfdp=None), jv_row(sfdp=None, read_hz_max=20_000_000)]
    assert reconcile(W25Q128JV, rows, jv_sfdp(), declared_volts=3.3).read_hz_max == 20_000_000


def test_an_sfdp_unlike_every_recorded_one_is_said() -> None:
    found = profile_of("C2201B", entry("MX66L2G45G").parse())
    assert "The chip's SFDP differs from every one on record for this ID." in found.doubts


def test_every_flash_row_alone_gives_a_profile_or_a_sentence() -> None:
    profiles = 0
    for row in table.load():
        volts = sum(row.supply_volts) / 2 if row.supply_volts else 1.8
        try:
            found = reconcile(
                (row.jedec_id or b"\xaa\xbb\xcc") + row.ext_id,
                [row],
                None,
                declared_volts=volts,
                supply_confirmed_by_user=True,
            )
        except ChipUntouched as refusal:
            assert refusal.next_step.endswith(".")
            continue
        profiles += 1
        assert found.density_bytes == row.density_bytes
        assert found.page_size <= 256
        assert row.supply_known_from is not KnownFrom.SFDP
    assert profiles > 400
