"""Decoding and lifting write protection, as pure functions of register values."""

from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from chipdb import table
from flashbench.chip._read_frames import Register
from flashbench.chip.profile import (
    ChipProfile,
)
from flashbench.chip.protection import (
    LAYOUTS,
    BlockLocks,
    StatusCommand,
    commands_to_reach,
    explain,
    lock_units,
    protected_ranges,
    registers_to_read,
    unprotected_registers,
    unprotection,
)
from flashbench.errors import ChipUntouched
from tests.builders.profile import plain_profile

KIB = 1024
MIB = KIB * KIB
SR1, SR2, SR3 = Register.STATUS_1, Register.STATUS_2, Register.STATUS_3
CONFIG, CR1 = Register.CONFIGURATION, Register.CONFIGURATION_1
SECURITY, FUNCTION = Register.SECURITY, Register.FUNCTION

WAYS = {
    "Winbond": "01h and 31h, one byte each",
    "Winbond 256 Mbit": "01h, two bytes",
    "GigaDevice": "01h, two bytes",
    "GigaDevice 256 Mbit": "01h, two bytes",
    "Macronix": "01h, two bytes",
    "Spansion": "01h, two bytes",
}


def chip(
    layout: str | None, size: int, *, volatile: bool = False, way: str | None = None
) -> ChipProfile:
    """A profile of which only size and protection matter here."""
    return plain_profile(
        size,
        protection=layout,
        status_write=way or WAYS.get(layout or "", "01h, one byte"),
        status_volatile=volatile,
        status_write_ms_max=15,
    )


def all_registers(layout: str, sr1: int, **others: int) -> dict[Register, int]:
    """Every register of the layout, 00h unless given by its name in `Register`."""
    values = dict.fromkeys(LAYOUTS[layout].registers, 0)
    values[SR1] = sr1
    values.update({Register[name]: value for name, value in others.items()})
    return values


def protected(layout: str, size: int, sr1: int, **others: int) -> list[tuple[int, int]]:
    found = protected_ranges(all_registers(layout, sr1, **others), chip(layout, size))
    return [(r.start, r.stop) for r in found]


# W25Q128JV Rev I: BP = 1 is the top 256 KiB. The other rows of that datasheet's table (SEC, TB,
# BP2-0, CMP = 0) are transcribed from memory.
@pytest.mark.parametrize(
    ("sec", "tb", "bp", "span"),
    [
        (0, 0, 0, None),
        (0, 0, 1, (0xFC0000, 0x1000000)),
        (0, 0, 2, (0xF80000, 0x1000000)),
        (0, 0, 3, (0xF00000, 0x1000000)),
        (0, 0, 4, (0xE00000, 0x1000000)),
        (0, 0, 5, (0xC00000, 0x1000000)),
        (0, 0, 6, (0x800000, 0x1000000)),
        (0, 0, 7, (0x000000, 0x1000000)),
        (0, 1, 1, (0x000000, 0x040000)),
        (0, 1, 6, (0x000000, 0x800000)),
        (1, 0, 1, (0xFFF000, 0x1000000)),
        (1, 0, 3, (0xFFC000, 0x1000000)),
        (1, 0, 4, (0xFF8000, 0x1000000)),
        (1, 0, 5, (0xFF8000, 0x1000000)),
        (1, 1, 1, (0x000000, 0x001000)),
        (1, 1, 5, (0x000000, 0x008000)),
        (1, 1, 6, (0x000000, 0x1000000)),  # in no table: counts as all
        (1, 1, 7, (0x000000, 0x1000000)),
    ],
)
def test_a_w25q128jv_protects_what_its_datasheet_says(
    sec: int, tb: int, bp: int, span: tuple[int, int] | None
) -> None:
    sr1 = sec << 6 | tb << 5 | bp << 2
    assert protected("Winbond", 16 * MIB, sr1) == ([span] if span else [])


# W25Q256JV Rev B: BP = 1 is the top 64 KiB, 9 the upper half, 10 to 15 all.
@pytest.mark.parametrize(
    ("bp", "start"),
    [(1, 0x1FF0000), (2, 0x1FE0000), (9, 0x1000000), *((n, 0) for n in range(10, 16))],
)
def test_a_w25q256jv_protects_what_its_datasheet_says(bp: int, start: int) -> None:
    assert protected("Winbond 256 Mbit", 32 * MIB, bp << 2) == [(start, 32 * MIB)]
    from_bottom = protected("Winbond 256 Mbit", 32 * MIB, bp << 2 | 0x40)
    assert from_bottom == [(0, 32 * MIB - start)]


def test_cmp_turns_no_block_into_every_block_and_every_block_into_none() -> None:
    assert protected("Winbond", 16 * MIB, 0x00, STATUS_2=0x40) == [(0, 16 * MIB)]
    assert protected("Winbond", 16 * MIB, 0x1C, STATUS_2=0x40) == []
    assert protected("Winbond", 16 * MIB, 0x04, STATUS_2=0x40) == [(0, 0xFC0000)]
    assert protected("Winbond", 16 * MIB, 0x24, STATUS_2=0x40) == [(0x040000, 16 * MIB)]


# Bit positions: Linux drivers/mtd/spi-nor (swp.c and the maker files).
def test_micron_keeps_bp3_in_bit_6_and_tb_in_bit_5() -> None:
    assert protected("Micron", 16 * MIB, 0x04) == [(16 * MIB - 64 * KIB, 16 * MIB)]
    assert protected("Micron", 16 * MIB, 0x24) == [(0, 64 * KIB)]
    assert protected("Micron", 16 * MIB, 0x40) == [(8 * MIB, 16 * MIB)]  # BP = 8


def test_macronix_counts_from_the_end_its_configuration_register_says() -> None:
    assert protected("Macronix", 16 * MIB, 0x04) == [(16 * MIB - 64 * KIB, 16 * MIB)]
    assert protected("Macronix", 16 * MIB, 0x04, CONFIGURATION=0x08) == [(0, 64 * KIB)]
    assert protected("Macronix", 16 * MIB, 0x40) == []  # bit 6 is quad enable


def test_issi_counts_from_the_end_its_function_register_says() -> None:
    assert protected("ISSI", 16 * MIB, 0x08) == [(16 * MIB - 128 * KIB, 16 * MIB)]
    assert protected("ISSI", 16 * MIB, 0x08, FUNCTION=0x02) == [(0, 128 * KIB)]


def test_spansion_counts_from_the_end_its_configuration_register_1_says() -> None:
    assert protected("Spansion", 16 * MIB, 0x04) == [(16 * MIB - 256 * KIB, 16 * MIB)]
    assert protected("Spansion", 16 * MIB, 0x04, CONFIGURATION_1=0x20) == [(0, 256 * KIB)]
    assert protected("Spansion", 16 * MIB, 0x60) == []  # E_ERR and P_ERR, no block bits


def test_gigadevice_to_128_mbit_reads_like_winbond() -> None:
    for sr1 in range(0, 128, 4):
        assert protected("GigaDevice", 8 * MIB, sr1) == protected("Winbond", 8 * MIB, sr1)


# MX25L6405D and kin, from memory: 7, 8 and 15 all, 9 the lower half, 14 all but the last 1/64.
def test_old_macronix_parts_count_the_upper_values_from_address_0() -> None:
    size = 8 * MIB
    assert protected("Macronix D", size, 1 << 2) == [(size - 128 * KIB, size)]
    assert protected("Macronix D", size, 6 << 2) == [(size // 2, size)]
    for everything in (7, 8, 15):
        assert protected("Macronix D", size, everything << 2) == [(0, size)]
    assert protected("Macronix D", size, 9 << 2) == [(0, size // 2)]
    assert protected("Macronix D", size, 14 << 2) == [(0, size - 128 * KIB)]


def test_both_ends_count_where_nobody_knows_which_is_meant() -> None:
    size = 32 * MIB
    assert protected("GigaDevice 256 Mbit", size, 0x04) == [
        (0, 64 * KIB),
        (size - 64 * KIB, size),
    ]
    assert protected("GigaDevice 256 Mbit", size, 9 << 2) == [(0, size)]
    # The complement of either half leaves the other protected: still all of it in doubt.
    assert protected("GigaDevice 256 Mbit", size, 9 << 2, STATUS_2=0x40) == [(0, size)]


def test_a_register_that_was_not_read_counts_as_protecting() -> None:
    assert protected_ranges({SR1: 0x00}, chip("Winbond", 16 * MIB)) == (range(16 * MIB),)
    assert protected_ranges({SR1: 0x04}, chip("Macronix", 16 * MIB)) == (
        range(64 * KIB),
        range(16 * MIB - 64 * KIB, 16 * MIB),
    )


def test_an_unknown_layout_protects_nothing_only_if_every_bit_that_could_is_0() -> None:
    assert protected_ranges({SR1: 0x83}, chip(None, MIB)) == ()
    for bit in range(2, 7):
        assert protected_ranges({SR1: 1 << bit}, chip(None, MIB)) == (range(MIB),)


def test_individual_locks_protect_everything_whatever_the_block_bits_say() -> None:
    assert protected("Winbond", 16 * MIB, 0, STATUS_3=0x04) == [(0, 16 * MIB)]
    assert protected("Macronix", 16 * MIB, 0, SECURITY=0x80) == [(0, 16 * MIB)]
    assert protected("SST26", 8 * MIB, 0) == [(0, 8 * MIB)]


def test_at25df_sector_bits_protect_all_unless_none_is_protected() -> None:
    assert protected("AT25DF", 4 * MIB, 0x00) == []
    assert protected("AT25DF", 4 * MIB, 0x04) == [(0, 4 * MIB)]
    assert protected("AT25DF", 4 * MIB, 0x1C) == [(0, 4 * MIB)]


def test_every_layout_that_the_table_names_is_one_of_these() -> None:
    """A name misspelled in the table would else be a chip of unknown protection."""
    named = {row.protection for row in table.load() if row.protection is not None}
    assert named == set(LAYOUTS)


BLOCK_LAYOUTS = [
    "Winbond",
    "Winbond 256 Mbit",
    "GigaDevice",
    "Macronix",
    "ISSI",
    "Micron",
    "Spansion",
    "three BP and TB",
    "three BP",
]
SIZES = st.sampled_from([512 * KIB, MIB, 2 * MIB, 8 * MIB, 16 * MIB, 32 * MIB, 64 * MIB])
BYTES = st.integers(0, 255)


@given(SIZES, BYTES, st.sampled_from(["Winbond", "Winbond 256 Mbit", "GigaDevice"]))
def test_cmp_protects_exactly_what_was_free(size: int, sr1: int, layout: str) -> None:
    assume(layout == "Winbond 256 Mbit" or sr1 & 0x5C != 0x58)  # SEC = 1, BP = 6: see below
    plain = protected(layout, size, sr1, STATUS_2=0x00)
    complement = protected(layout, size, sr1, STATUS_2=0x40)
    spans = sorted(plain + complement)
    assert spans[0][0] == 0
    assert spans[-1][1] == size
    assert all(a[1] == b[0] for a, b in pairwise(spans))


@pytest.mark.parametrize("layout", ["Winbond", "GigaDevice"])
def test_a_value_that_stands_in_no_table_protects_whatever_it_could(layout: str) -> None:
    """SEC = 1 and BP = 6: 32 KiB on some parts. With CMP = 1 those would be all that is free."""
    assert protected(layout, 16 * MIB, 0x58) == [(0, 16 * MIB)]
    assert protected(layout, 16 * MIB, 0x58, STATUS_2=0x40) == [(0, 0xFF8000)]


def test_sst25_protects_all_of_it_whatever_the_block_bits_are() -> None:
    assert protected("SST25", 8 * MIB, 0x00) == []
    for bit in (2, 3, 4, 5):
        assert protected("SST25", 8 * MIB, 1 << bit) == [(0, 8 * MIB)]


@given(SIZES, st.sampled_from(BLOCK_LAYOUTS), st.booleans(), st.data())
def test_a_higher_bp_never_protects_less(
    size: int, layout: str, bottom: bool, data: st.DataObject
) -> None:
    bits = LAYOUTS[layout].block_bits
    low = data.draw(st.integers(0, 2 ** len(bits) - 2))

    def length(bp: int) -> int:
        values = all_registers(
            layout, sum((bp >> place & 1) << bit for place, bit in enumerate(bits))
        )
        end = LAYOUTS[layout].top_bottom
        if bottom and end is not None:
            values[end[0]] |= 1 << end[1]
        return sum(len(r) for r in protected_ranges(values, chip(layout, size)))

    assert length(low) <= length(low + 1)
    assert length(0) == 0
    assert length(2 ** len(bits) - 1) == size


@given(SIZES, BYTES, BYTES, BYTES, st.sampled_from(sorted(LAYOUTS)))
def test_ranges_ascend_apart_within_the_array(
    size: int, sr1: int, sr2: int, sr3: int, layout: str
) -> None:
    values = dict(zip(LAYOUTS[layout].registers, (sr1, sr2, sr3), strict=False))
    at = -1
    for found in protected_ranges(values, chip(layout, size)):
        assert at < found.start < found.stop <= size
        at = found.stop


# Bits that must come through: SRP, QE, LB, DRV, HOLD, ADP, WPS, TB where one-time, Micron's none.
UNTOUCHABLE = {
    "Winbond": {SR1: 0xE0, SR2: 0xBF, SR3: 0xFF},
    "Winbond 256 Mbit": {SR1: 0xC0, SR2: 0xBF, SR3: 0xFF},
    "GigaDevice": {SR1: 0xE0, SR2: 0xBF},
    "GigaDevice 256 Mbit": {SR1: 0xC0, SR2: 0xBF},
    "Macronix": {SR1: 0xC0, CONFIG: 0xFF, SECURITY: 0xFF},
    "ISSI": {SR1: 0xC0, FUNCTION: 0xFF},
    "Micron": {SR1: 0xA0},
    "Spansion": {SR1: 0xE0, CR1: 0xFF},
    "three BP and TB": {SR1: 0xE0},
}


@pytest.mark.parametrize("layout", sorted(UNTOUCHABLE))
@given(data=st.data())
def test_lifting_protection_changes_block_and_complement_bits_only(
    layout: str, data: st.DataObject
) -> None:
    values = {register: data.draw(BYTES) for register in LAYOUTS[layout].registers}
    if SR2 in values:
        values[SR2] &= 0xFE  # SRL: see its own test
    target = unprotected_registers(values, chip(layout, 16 * MIB))
    for register, mask in UNTOUCHABLE[layout].items():
        assert target[register] & mask == values[register] & mask
        assert target[register] & ~values[register] == 0  # nothing is ever set


@pytest.mark.parametrize("layout", BLOCK_LAYOUTS)
@given(data=st.data())
def test_the_target_protects_nothing(layout: str, data: st.DataObject) -> None:
    values = {register: data.draw(BYTES) for register in LAYOUTS[layout].registers}
    values[SR2] = values.get(SR2, 0) & 0xFE
    values[SR3] = values.get(SR3, 0) & 0xFB
    values[SECURITY] = values.get(SECURITY, 0) & 0x7F
    profile = chip(layout, 16 * MIB)
    assert protected_ranges(unprotected_registers(values, profile), profile) == ()


def test_quad_enable_of_macronix_and_issi_is_not_taken_for_a_sector_bit() -> None:
    for layout in ("Macronix", "ISSI"):
        target = unprotected_registers(all_registers(layout, 0x7C), chip(layout, 16 * MIB))
        assert target[SR1] == 0x40


def test_registers_locked_until_power_off_are_refused() -> None:
    with pytest.raises(ChipUntouched, match="locked until power is removed"):
        unprotected_registers(all_registers("Winbond", 0x04, STATUS_2=0x01), chip("Winbond", MIB))


def test_a_lock_that_stands_in_the_way_of_nothing_is_no_refusal() -> None:
    values = all_registers("Winbond", 0x00, STATUS_2=0x01)
    assert unprotected_registers(values, chip("Winbond", MIB)) == values


def test_an_unknown_layout_is_not_changed() -> None:
    for act in (unprotected_registers, unprotection):
        with pytest.raises(ChipUntouched, match="layout of this part is not known"):
            act({SR1: 0x1C}, chip(None, MIB))


def test_a_register_that_was_not_read_stops_the_change() -> None:
    with pytest.raises(ChipUntouched, match="status register 2 was not read"):
        unprotected_registers({SR1: 0x1C}, chip("Winbond", MIB))


def sent(commands: tuple[StatusCommand, ...]) -> list[tuple[int, bytes]]:
    return [(c.enable_opcode, bytes([c.opcode]) + c.data) for c in commands]


def test_the_volatile_way_is_taken_where_the_chip_allows_it() -> None:
    values = all_registers("Winbond", 0x1C)
    lasting = unprotection(values, chip("Winbond", 16 * MIB))
    passing = unprotection(values, chip("Winbond", 16 * MIB, volatile=True))
    assert sent(lasting.commands) == [(0x06, b"\x01\x00")]
    assert sent(passing.commands) == [(0x50, b"\x01\x00")]
    assert (lasting.volatile, passing.volatile) == (False, True)


# W25Q128JV Rev I: 01h with one byte leaves SR2 alone, 31h writes it.
def test_one_byte_each_writes_only_the_register_that_changes_and_sr1_last() -> None:
    profile = chip("Winbond", 16 * MIB)
    values = all_registers("Winbond", 0x9C, STATUS_2=0x42)
    assert sent(unprotection(values, profile).commands) == [
        (0x06, b"\x31\x02"),
        (0x06, b"\x01\x80"),
    ]
    only_cmp = all_registers("Winbond", 0x00, STATUS_2=0x42)
    assert sent(unprotection(only_cmp, profile).commands) == [(0x06, b"\x31\x02")]


def test_two_bytes_resend_the_second_register_as_read() -> None:
    values = all_registers("Macronix", 0x7C, CONFIGURATION=0x47)
    assert sent(unprotection(values, chip("Macronix", 16 * MIB)).commands) == [
        (0x06, b"\x01\x40\x47")
    ]
    values = all_registers("Winbond 256 Mbit", 0x1C, STATUS_2=0x02)
    assert sent(unprotection(values, chip("Winbond 256 Mbit", 32 * MIB)).commands) == [
        (0x06, b"\x01\x00\x02")
    ]


def test_nothing_is_sent_where_nothing_is_protected() -> None:
    for layout in BLOCK_LAYOUTS:
        found = unprotection(all_registers(layout, 0x83), chip(layout, 16 * MIB))
        assert found.commands == ()


def test_busy_and_write_enable_bits_are_never_written() -> None:
    values = all_registers("ISSI", 0x07)
    assert sent(unprotection(values, chip("ISSI", 16 * MIB)).commands) == [(0x06, b"\x01\x00")]


def test_putting_back_is_reaching_the_saved_values() -> None:
    profile = chip("Winbond", 16 * MIB, volatile=True)
    saved = all_registers("Winbond", 0x9C, STATUS_2=0x42)
    opened = unprotected_registers(saved, profile)
    assert sent(commands_to_reach(opened, saved, profile)) == [
        (0x50, b"\x31\x42"),
        (0x50, b"\x01\x9c"),
    ]
    assert commands_to_reach(saved, saved, profile) == ()


def test_a_write_that_could_change_an_unread_register_is_refused() -> None:
    with pytest.raises(ChipUntouched, match="configuration register was not read"):
        commands_to_reach({SR1: 0x04}, {SR1: 0x00}, chip("Macronix", 16 * MIB))


def test_a_chip_whose_way_of_writing_is_unknown_is_refused() -> None:
    profile = chip("Winbond", 16 * MIB, way="by prayer")
    with pytest.raises(ChipUntouched, match="not known how the status registers"):
        unprotection(all_registers("Winbond", 0x04), profile)


def test_where_each_block_has_a_lock_the_block_bits_are_left_alone() -> None:
    values = all_registers("Winbond", 0x1C, STATUS_3=0x04)
    found = unprotection(values, chip("Winbond", 16 * MIB))
    assert found.commands == ()
    assert found.locks is BlockLocks.EACH
    assert unprotection(values, chip("Winbond", 32 * MIB)).locks is BlockLocks.ALL
    assert found.volatile
    assert found.target[SR1] == 0x1C


# W25Q128JV Rev I: 16 sectors in the first and in the last block, 254 blocks between.
def test_a_w25q128jv_has_286_locks() -> None:
    units = lock_units(chip("Winbond", 16 * MIB))
    assert len(units) == 16 + 254 + 16
    assert units[0] == range(0x1000)
    assert units[16] == range(0x10000, 0x20000)
    assert units[-1] == range(0xFFF000, 0x1000000)


def test_sst26_is_opened_until_power_off_unless_a_lock_is_permanent() -> None:
    open_ended = all_registers("SST26", 0x00, CONFIGURATION_1=0x08)
    found = unprotection(open_ended, chip("SST26", 8 * MIB))
    assert (found.commands, found.locks) == ((), BlockLocks.UNTIL_POWER_OFF)
    with pytest.raises(ChipUntouched, match="locked for good"):
        unprotection(all_registers("SST26", 0x00), chip("SST26", 8 * MIB))


def test_sst25_is_written_after_50h() -> None:
    found = unprotection({SR1: 0x1C}, chip("SST25", 8 * MIB))
    assert sent(found.commands) == [(0x50, b"\x01\x00")]
    assert found.volatile


def test_at25df_clears_its_register_lock_in_a_write_of_its_own() -> None:
    locked = unprotection({SR1: 0x9C}, chip("AT25DF", 4 * MIB))
    assert sent(locked.commands) == [(0x06, b"\x01\x00"), (0x06, b"\x01\x00")]
    profile = chip("AT25DF", 4 * MIB)
    assert sent(commands_to_reach({SR1: 0x00}, {SR1: 0x8C}, profile)) == [(0x06, b"\x01\xbc")]
    assert sent(commands_to_reach({SR1: 0x00}, {SR1: 0x0C}, profile)) == [(0x06, b"\x01\x3c")]
    plain = unprotection({SR1: 0x1C}, chip("AT25DF", 4 * MIB))
    assert sent(plain.commands) == [(0x06, b"\x01\x00")]
    assert unprotection({SR1: 0x10}, chip("AT25DF", 4 * MIB)).commands == ()


def test_at25df_with_some_sectors_protected_could_not_be_put_back() -> None:
    with pytest.raises(ChipUntouched, match="cannot tell which"):
        unprotection({SR1: 0x14}, chip("AT25DF", 4 * MIB))


def test_only_the_registers_of_the_layout_are_read() -> None:
    # 35h puts a Macronix chip into four-wire mode, and 48h is another command elsewhere.
    assert registers_to_read(chip("Macronix", 16 * MIB)) == (SR1, CONFIG, SECURITY)
    assert registers_to_read(chip("Winbond", 16 * MIB)) == (SR1, SR2, SR3)
    assert registers_to_read(chip("ISSI", 16 * MIB)) == (SR1, FUNCTION)
    assert registers_to_read(chip(None, 16 * MIB)) == (SR1,)


def test_what_is_protected_is_told_in_addresses() -> None:
    profile = chip("Winbond", 16 * MIB)
    assert explain(all_registers("Winbond", 0x84), profile) == (
        "Protected: FC0000h to FFFFFFh.",
        "The status register is locked while WP# is low (SRP = 1): hold WP# high.",
    )
    assert explain(all_registers("Winbond", 0x00), profile) == ("Nothing is protected.",)
    assert (
        "is not known: both are shown"
        in explain({SR1: 0x04, SR2: 0}, chip("GigaDevice 256 Mbit", 32 * MIB))[2]
    )
    assert "SR1 alone was judged" in explain({SR1: 0}, chip(None, MIB))[1]
