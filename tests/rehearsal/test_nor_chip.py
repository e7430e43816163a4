"""The NOR model alone, on its bare wires, against what datasheets say.

[W1] is the Winbond W25Q128JV datasheet, Rev I, 2021-08-23; [W2] the W25Q256JV, Rev B, 2016-09-20.
The datasheets were not at hand when this was written: their statements and the rows of their
protection tables are typed in from notes and memory, never computed. From the notes: BP = 1 of the
W25Q128JV is the top 256 KiB, BP = 1 of the W25Q256JV the top 64 KiB, its BP = 9 half, 10 to 15 all.
"""

import pytest

from flashbench.rehearsal import NorChip
from flashbench.rehearsal.faults import LeftIn4ByteMode, LeftPoweredDown
from tests.rehearsal.hosts import WREN, WireHost, chip_on_wires, pattern

_BUSY, _WEL = 0x01, 0x02


def _read(host: WireHost, address: int, count: int) -> bytes:
    return host.frame(b"\x03" + address.to_bytes(3, "big"), count)


def _program(host: WireHost, address: int, data: bytes) -> None:
    host.frame(WREN)
    host.frame(b"\x02" + address.to_bytes(3, "big") + data)


def _erase(host: WireHost, opcode: int, address: int) -> None:
    host.frame(WREN)
    host.frame(bytes((opcode,)) + address.to_bytes(3, "big"))


def _kinds(chip: NorChip) -> set[str]:
    return set(chip.complaint_counts())


def test_reading_everything_readable_changes_nothing_and_earns_no_complaint() -> None:
    chip, host = chip_on_wires(contents=pattern(1 << 24))
    for out, count in (
        (b"\x9f", 6),
        (b"\x90\0\0\0", 2),
        (b"\xab\0\0\0", 1),
        (b"\x5a\0\0\0\0", 256),
        (b"\x4b\0\0\0\0", 8),
        (b"\x48\0\x10\0\0", 256),
        (b"\x05", 4),
        (b"\x35", 1),
        (b"\x15", 1),
        (b"\x03\0\0\0", 70000),
        (b"\x0b\0\0\0\0", 70000),
    ):
        host.frame(out, count)

    assert chip.change_count == 0
    assert chip.complaints == []
    assert chip.contents == pattern(1 << 24)


def test_the_id_commands_agree_with_the_datasheet() -> None:
    """[W1]: manufacturer EFh, device ID 17h, JEDEC ID EF4018h."""
    _, host = chip_on_wires()

    assert host.frame(b"\x9f", 3) == bytes.fromhex("EF4018")
    assert host.frame(b"\x90\0\0\0", 4) == bytes.fromhex("EF17EF17")
    assert host.frame(b"\x90\0\0\1", 2) == bytes.fromhex("17EF")
    assert host.frame(b"\xab\0\0\0", 2) == bytes.fromhex("1717")


def test_a_fast_read_without_its_dummy_byte_comes_one_byte_late() -> None:
    _, host = chip_on_wires(contents=pattern(1 << 24))

    assert host.frame(b"\x0b\0\0\0", 4) == b"\xff" + pattern(64)[:3]


def test_a_read_wraps_from_the_last_byte_to_the_first() -> None:
    """[W1]: the address increments after each byte, over the whole memory."""
    chip, host = chip_on_wires("TINY64K", contents=pattern(65536))

    got = _read(host, 0xFFFE, 5)

    assert got == pattern(65536)[-2:] + pattern(65536)[:3]
    assert _read(host, 0x010003, 1) == pattern(65536)[3:4], "upper address bits are ignored"
    assert chip.complaints == []


def test_a_page_program_past_the_end_of_the_page_wraps_to_its_start() -> None:
    """[W1]: the address wraps to the beginning of the page."""
    chip, host = chip_on_wires("TINY64K")

    _program(host, 0x01FE, b"\x11\x22\x33\x44")
    host.wait_ready()

    assert _read(host, 0x01FE, 2) == b"\x11\x22"
    assert _read(host, 0x0100, 2) == b"\x33\x44"
    assert _read(host, 0x0200, 2) == b"\xff\xff"
    assert _kinds(chip) == {"page wrap"}


def test_of_more_than_a_page_the_last_page_worth_wins() -> None:
    """[W1]: data latched before is overwritten."""
    _, host = chip_on_wires("TINY64K")
    sent = bytes(range(256)) + b"\xa0\xa1"

    _program(host, 0x0000, sent)
    host.wait_ready()

    assert _read(host, 0, 256) == b"\xa0\xa1" + bytes(range(2, 256))


def test_programming_only_clears_bits_and_a_second_time_is_counted() -> None:
    chip, host = chip_on_wires("TINY64K")
    _program(host, 0, b"\xf0")
    host.wait_ready()
    assert _kinds(chip) == set()

    _program(host, 0, b"\x3c")
    host.wait_ready()

    assert _read(host, 0, 1) == b"\x30"
    assert _kinds(chip) == {"double program", "ones over zeros"}


@pytest.mark.parametrize(("opcode", "size"), [(0x20, 0x1000), (0x52, 0x8000)])
def test_an_erase_clears_the_unit_that_holds_the_address(opcode: int, size: int) -> None:
    """[W1]: the low address bits do not matter; the model counts them as a slip."""
    chip, host = chip_on_wires("TINY64K", contents=pattern(65536))

    _erase(host, opcode, 0x9234)
    host.wait_ready()

    start = 0x9234 // size * size
    want = bytearray(pattern(65536))
    want[start : start + size] = b"\xff" * size
    assert chip.contents == bytes(want)
    assert _kinds(chip) == {"unaligned erase"}


def test_nothing_is_changed_without_write_enable() -> None:
    """[W1]: the WEL bit must be set prior to every program, erase and register write."""
    chip, host = chip_on_wires("TINY64K", contents=pattern(65536))

    for out in (b"\x02\0\0\0\0", b"\x20\0\0\0", b"\x52\0\0\0", b"\xc7", b"\x60", b"\x01\x04"):
        host.frame(out)
        assert not host.status() & _BUSY

    assert chip.contents == pattern(65536)
    assert chip.change_count == 0
    assert chip.complaint_counts() == {"no WEL": 6}


@pytest.mark.parametrize(
    "out", [b"\x02\0\0\0\0", b"\x20\0\0\0", b"\xc7", b"\x01\0", b"\x04", b"\x66\x99"]
)
def test_wel_is_clear_after_everything_that_clears_it(out: bytes) -> None:
    """[W1]: after write disable, program, erase, status write, and reset."""
    _, host = chip_on_wires("TINY64K")
    host.frame(WREN)
    assert host.status() & _WEL

    if out == b"\x66\x99":
        host.frame(b"\x66")
        host.frame(b"\x99")
        host.wait_s(1e-3)
    else:
        host.frame(out)
    host.wait_ready()

    assert not host.status() & _WEL


def test_50h_does_not_set_wel() -> None:
    """[W1]: the latch for volatile writes is another one."""
    _, host = chip_on_wires()

    host.frame(b"\x50")

    assert not host.status() & _WEL


@pytest.mark.parametrize("stray_bits", [1, 4, 7])
@pytest.mark.parametrize("out", [WREN, b"\x02\0\0\0\0", b"\x20\0\0\0", b"\xc7", b"\x01\x1c"])
def test_cs_rising_inside_a_byte_voids_a_write_type_command(out: bytes, stray_bits: int) -> None:
    """[W1]: CS# must be driven high on a byte boundary, or the instruction is ignored."""
    chip, host = chip_on_wires("TINY64K", contents=pattern(65536))
    if out != WREN:
        host.frame(WREN)

    host.frame(out, stray_bits=stray_bits)

    assert host.status() & _WEL == (0 if out == WREN else _WEL)
    assert chip.change_count == 0
    assert _kinds(chip) == {"stray bits"}


@pytest.mark.parametrize("out", [b"\x06\0", b"\x20\0\0", b"\x20\0\0\0\0", b"\x02\0\0\0", b"\x01"])
def test_a_write_type_command_of_a_wrong_length_is_void(out: bytes) -> None:
    chip, host = chip_on_wires("TINY64K", contents=pattern(65536))
    if out[0] != 0x06:
        host.frame(WREN)

    host.frame(out)
    host.wait_s(1)

    assert chip.change_count == 0
    assert _kinds(chip) == {"bad length"}


def test_the_chip_is_busy_for_the_typical_time_and_deaf_meanwhile() -> None:
    """[W1]: tPP 0.4 ms typical. While BUSY only the status registers are answered."""
    chip, host = chip_on_wires()
    _program(host, 0, b"\0")
    begun_s = host.now_s

    assert host.status() == _BUSY | _WEL
    assert host.frame(b"\x9f", 3) == b"\xff\xff\xff"
    host.frame(WREN)
    host.frame(b"\x20\0\0\0")
    assert host.frame(b"\x35", 1) == b"\0"
    samples = host.frame(b"\x05", 3750)

    busy = samples.rstrip(b"\0")
    assert set(busy) == {_BUSY | _WEL}
    ended_s = host.now_s - (len(samples) - len(busy)) * 8 / 30e6
    assert ended_s - begun_s == pytest.approx(0.4e-3, rel=0.01)
    assert chip.complaint_counts() == {"while busy": 3}
    assert chip.cell_change_count == 1


def test_erases_take_the_datasheets_typical_times() -> None:
    """[W1]: 45, 120 and 150 ms typical for 4, 32 and 64 KiB."""
    for opcode, ms in ((0x20, 45), (0x52, 120), (0xD8, 150)):
        _, host = chip_on_wires()
        _erase(host, opcode, 0)
        host.wait_s((ms - 0.1) * 1e-3)
        assert host.status() & _BUSY
        host.wait_s(0.2e-3)
        assert not host.status() & _BUSY


@pytest.mark.parametrize(
    ("sr1", "cmp", "start", "end"),
    [
        (0b0_00_000_00, 0, 0, 0),
        (0b0_00_001_00, 0, 0xFC0000, 0x1000000),
        (0b0_00_010_00, 0, 0xF80000, 0x1000000),
        (0b0_00_011_00, 0, 0xF00000, 0x1000000),
        (0b0_00_100_00, 0, 0xE00000, 0x1000000),
        (0b0_00_101_00, 0, 0xC00000, 0x1000000),
        (0b0_00_110_00, 0, 0x800000, 0x1000000),
        (0b0_01_001_00, 0, 0, 0x040000),
        (0b0_01_110_00, 0, 0, 0x800000),
        (0b0_01_111_00, 0, 0, 0x1000000),
        (0b0_10_001_00, 0, 0xFFF000, 0x1000000),
        (0b0_10_010_00, 0, 0xFFE000, 0x1000000),
        (0b0_10_011_00, 0, 0xFFC000, 0x1000000),
        (0b0_10_100_00, 0, 0xFF8000, 0x1000000),
        (0b0_10_101_00, 0, 0xFF8000, 0x1000000),
        (0b0_11_001_00, 0, 0, 0x001000),
        (0b0_11_101_00, 0, 0, 0x008000),
        (0b0_00_000_00, 1, 0, 0x1000000),
        (0b0_00_001_00, 1, 0, 0xFC0000),
        (0b0_01_001_00, 1, 0x040000, 0x1000000),
        (0b0_10_001_00, 1, 0, 0xFFF000),
        (0b0_11_100_00, 1, 0x008000, 0x1000000),
        (0b0_00_111_00, 1, 0, 0),
    ],
)
def test_the_w25q128jv_protects_what_its_table_says(
    sr1: int, cmp: int, start: int, end: int
) -> None:
    """[W1]: memory protection with CMP = 0 and CMP = 1."""
    chip, _ = chip_on_wires()
    chip.preset_register("SR1", sr1)
    chip.preset_register("SR2", cmp << 6)

    first, last = chip.protected()

    assert (first, last) == (start, end) or (start == end and first == last)


@pytest.mark.parametrize(
    ("sr1", "start", "end"),
    [
        (0b0_0_0001_00, 0x1FF0000, 0x2000000),
        (0b0_0_1000_00, 0x1800000, 0x2000000),
        (0b0_0_1001_00, 0x1000000, 0x2000000),
        (0b0_0_1010_00, 0, 0x2000000),
        (0b0_1_0001_00, 0, 0x0010000),
        (0b0_1_1001_00, 0, 0x1000000),
    ],
)
def test_the_w25q256jv_protects_what_its_table_says(sr1: int, start: int, end: int) -> None:
    """[W2]: status register memory protection."""
    chip, _ = chip_on_wires("W25Q256JV")
    chip.preset_register("SR1", sr1)

    assert chip.protected() == (start, end)


def test_protection_refuses_program_and_every_erase_and_wel_stays() -> None:
    """[W1]: protected memory cannot be programmed or erased; chip erase needs all open."""
    chip, host = chip_on_wires(contents=pattern(1 << 24))
    chip.preset_register("SR1", 0b0_00_001_00)

    for out in (b"\x02\xfc\0\0\0", b"\x20\xfc\0\0", b"\x52\xfc\0\0", b"\xd8\xff\0\0", b"\xc7"):
        host.frame(WREN)
        host.frame(out)
        assert host.status() == 0b0_00_001_00 | _WEL
    assert chip.contents == pattern(1 << 24)
    assert chip.cell_change_count == 0

    host.frame(b"\x20\xfb\xf0\x00")
    host.wait_ready()

    assert chip.contents[0xFBF000:0xFC0000] == b"\xff" * 0x1000
    assert chip.complaint_counts() == {"protected": 5}


def test_a_register_write_after_50h_lasts_until_power_off_only() -> None:
    """[W1]: volatile bits; the non-volatile ones come back at power-up."""
    chip, host = chip_on_wires()
    host.change(b"\x01\x04")
    assert chip.register_change_count == 1

    host.frame(b"\x50")
    host.frame(b"\x01\x1c")
    assert host.status() == 0x1C
    chip.lose_power(host.now_s, seed=0)
    chip.restore_power()

    assert host.status() == 0x04
    assert chip.register_change_count == 2


def test_50h_serves_one_register_write_only() -> None:
    """[W1]: 50h is sent before each volatile write."""
    chip, host = chip_on_wires()
    host.frame(b"\x50")
    host.frame(b"\x01\x1c")

    host.frame(b"\x01\x04")

    assert host.status() == 0x1C
    assert chip.complaint_counts() == {"no WEL": 1}


def test_a_one_byte_01h_leaves_sr2_alone_on_the_jv_and_clears_it_on_the_fv() -> None:
    """[W1] for the JV; for the FV the family's older rule, from memory."""
    for part, left in (("W25Q128JV", 0x40), ("W25Q256FV", 0x00)):
        chip, host = chip_on_wires(part)
        chip.preset_register("SR2", 0x40)

        host.change(b"\x01\x00")

        assert host.frame(b"\x35", 1)[0] == left, part


def test_one_time_bits_stay_and_are_reported() -> None:
    """[W1]: LB3-1 are one-time programmable."""
    chip, host = chip_on_wires()

    host.change(b"\x31\x08")
    host.change(b"\x31\x00")

    assert host.frame(b"\x35", 1)[0] == 0x08
    assert chip.complaint_counts() == {"one-time bit": 1}


def test_srp_with_wp_low_locks_the_registers() -> None:
    """[W1]: hardware protected while WP# is low."""
    chip, host = chip_on_wires()
    chip.preset_register("SR1", 0x80)
    chip.wp_pin_low = True

    host.change(b"\x01\x04")
    assert host.status() & 0xFC == 0x80
    chip.wp_pin_low = False
    host.change(b"\x01\x04")

    assert host.status() & 0xFC == 0x04


def test_with_wps_every_unit_is_locked_at_power_up_and_98h_opens_all() -> None:
    """[W1]: individual locks are set at power-up; BP is ignored."""
    chip, host = chip_on_wires(contents=pattern(1 << 24))
    chip.preset_register("SR3", 0x04)
    host.frame(WREN)
    host.frame(b"\x20\x10\0\0")
    assert host.status() == _WEL
    assert host.frame(b"\x3d\x10\0\0", 1) == b"\1"

    host.frame(WREN)
    host.frame(b"\x39\x10\0\0")
    assert host.frame(b"\x3d\x10\0\0", 1) == b"\0"
    assert host.frame(b"\x3d\x11\0\0", 1) == b"\1"
    host.frame(WREN)
    host.frame(b"\x98")
    assert host.frame(b"\x3d\x11\0\0", 1) == b"\0"
    host.change(b"\x20\x10\0\0")

    assert chip.contents[0x100000:0x101000] == b"\xff" * 0x1000


def test_in_deep_power_down_only_abh_is_heard() -> None:
    """[W1]: all other instructions are ignored; ready after tRES1 (3 us)."""
    chip, host = chip_on_wires(faults=(LeftPoweredDown(),))
    assert host.frame(b"\x9f", 3) == b"\xff\xff\xff"

    host.frame(b"\xab")
    host.wait_s(3e-6)

    assert host.frame(b"\x9f", 3) == bytes.fromhex("EF4018")
    assert chip.complaint_counts() == {"while powered down": 1}


def test_a_command_right_after_wake_up_is_lost() -> None:
    chip, host = chip_on_wires(faults=(LeftPoweredDown(),))

    host.frame(b"\xab")

    assert host.frame(b"\x9f", 3) == b"\xff\xff\xff"
    assert chip.complaint_counts() == {"too soon after wake-up": 1}


def test_99h_needs_66h_right_before_it() -> None:
    """[W1]: any command between the two disables the reset."""
    chip, host = chip_on_wires()
    host.frame(WREN)
    host.frame(b"\x66")
    host.frame(b"\x05", 1)
    host.frame(b"\x99")
    assert host.status() & _WEL
    assert _kinds(chip) == {"unknown opcode"}

    host.frame(b"\x66")
    host.frame(b"\x99")
    host.wait_s(30e-6)

    assert not host.status() & _WEL


def test_4_byte_mode_takes_a_fourth_address_byte() -> None:
    """[W2]: B7h; ADS in SR3 bit 0 shows it; reset returns to 3 bytes."""
    contents = pattern(1 << 25)
    chip, host = chip_on_wires("W25Q256JV", contents=contents)
    host.frame(b"\xb7")

    assert host.frame(b"\x15", 1)[0] & 1
    assert host.frame(b"\x03\x01\x23\x45\x67", 4) == contents[0x1234567:0x123456B]
    host.frame(b"\xe9")
    assert host.frame(b"\x03\x23\x45\x67", 4) == contents[0x234567:0x23456B]
    assert host.frame(b"\x13\x01\x23\x45\x67", 4) == contents[0x1234567:0x123456B]
    assert chip.change_count == 0
    assert chip.mode_change_count == 2


def test_a_chip_left_in_4_byte_mode_answers_a_3_byte_host_one_byte_late() -> None:
    contents = pattern(1 << 25)
    _, host = chip_on_wires("W25Q256JV", contents=contents, faults=(LeftIn4ByteMode(),))

    got = host.frame(b"\x03\x00\x12\x34", 3)

    assert got == b"\xff" + contents[0x1234FF:0x123501]


def test_leaving_4_byte_mode_sets_the_fv_to_its_upper_half() -> None:
    """Linux drivers/mtd/spi-nor/winbond.c: the extended address register becomes 1."""
    contents = pattern(1 << 25)
    _, host = chip_on_wires("W25Q256FV", contents=contents)
    host.frame(b"\xb7")
    host.frame(b"\xe9")
    assert host.frame(b"\x03\0\0\0", 4) == contents[1 << 24 : (1 << 24) + 4]

    host.frame(WREN)
    host.frame(b"\xc5\0")

    assert host.frame(b"\x03\0\0\0", 4) == contents[:4]
    assert host.frame(b"\x13\0\0\0\0", 4) == b"\xff" * 4, "the FV has no 4-byte opcodes"


def test_micron_needs_write_enable_for_4_byte_mode_and_shows_it_in_70h() -> None:
    """Linux drivers/mtd/spi-nor/micron-st.c: 06h B7h; flag status bit 7 ready, bit 0 4-byte."""
    chip, host = chip_on_wires("MT25QU256A")
    host.frame(b"\xb7")
    assert host.frame(b"\x70", 1) == b"\x80"

    host.frame(WREN)
    host.frame(b"\xb7")

    assert host.frame(b"\x70", 1) == b"\x81"
    assert _kinds(chip) == {"no WEL"}


def test_micron_reports_a_refused_erase_in_its_flag_status_until_50h() -> None:
    chip, host = chip_on_wires("MT25QU256A")
    chip.preset_register("SR1", 0x40 | 0x1C)  # BP3-0 = 1111: all

    _erase(host, 0x20, 0)
    assert host.frame(b"\x70", 1)[0] == 0x80 | 0x20 | 0x02
    host.frame(b"\x50")

    assert host.frame(b"\x70", 1)[0] == 0x80


def test_spansion_stays_busy_after_a_refusal_until_30h() -> None:
    chip, host = chip_on_wires("S25FL512S")
    chip.preset_register("SR1", 0x1C)

    _erase(host, 0xD8, 0)
    host.wait_s(10)
    assert host.status() & 0x21 == 0x21
    host.frame(b"\x30")

    assert host.status() & 0x61 == 0
    assert chip.cell_change_count == 0


def test_the_512s_erases_256_kib_and_programs_512_bytes() -> None:
    chip, host = chip_on_wires("S25FL512S", contents=pattern(1 << 26))
    host.change(b"\xd8\x04\0\0")
    host.change(b"\x02\x04\0\0" + bytes(range(256)) * 2)

    assert chip.contents[0x40000:0x40200] == bytes(range(256)) * 2
    assert chip.contents[0x40200:0x80000] == b"\xff" * (0x40000 - 0x200)
    assert chip.contents[0x80000:] == pattern(1 << 26)[0x80000:]
    assert chip.complaints == []


def test_sst26_is_locked_at_power_up_and_d8h_clears_what_its_map_says() -> None:
    """Sector map of its own SFDP (FF81): 8 KiB units at both ends, then 32, then 64 KiB."""
    chip, host = chip_on_wires("SST26VF064B", contents=pattern(1 << 23))
    _erase(host, 0xD8, 0)
    assert chip.complaint_counts() == {"protected": 1}
    host.frame(WREN)
    host.frame(b"\x98")

    for address, size in (
        (0x0000, 0x2000),
        (0x8000, 0x8000),
        (0x10000, 0x10000),
        (0x7F0000, 0x8000),
        (0x7FE000, 0x2000),
    ):
        before = bytearray(chip.contents)
        host.change(b"\xd8" + address.to_bytes(3, "big"))
        before[address : address + size] = b"\xff" * size
        assert chip.contents == bytes(before), hex(address)


def test_a_second_program_of_an_ecc_unit_is_an_error() -> None:
    """Infineon's community article on SEMPER parts: SECDED allows one program per unit."""
    chip, host = chip_on_wires("S25FS256T")
    host.frame(WREN)
    host.frame(b"\x12\0\0\0\0" + b"\xff\x0f")
    host.wait_ready()

    host.frame(WREN)
    host.frame(b"\x12\0\0\0\x08" + b"\x0f")

    assert host.status() & 0x41 == 0x41
    assert chip.complaint_counts() == {"ECC unit programmed twice": 1}
    assert chip.contents[8] == 0xFF


def test_35h_makes_a_macronix_deaf_until_power_off() -> None:
    chip, host = chip_on_wires("MX25L12835F")

    host.frame(b"\x35", 1)

    assert host.frame(b"\x9f", 3) == b"\xff\xff\xff"
    assert _kinds(chip) == {"QPI entered"}
    chip.lose_power(host.now_s, seed=0)
    chip.restore_power()
    assert host.frame(b"\x9f", 3) == bytes.fromhex("C22018")


@pytest.mark.parametrize(
    ("part", "opcode"),
    [("MX25L12835F", 0x68), ("MT25QU256A", 0xB1), ("IS25LP128", 0x42), ("W25Q128JV", 0x9B)],
)
def test_one_time_opcodes_do_nothing_here_and_are_reported(part: str, opcode: int) -> None:
    chip, host = chip_on_wires(part)
    host.frame(WREN)

    host.frame(bytes((opcode, 0xFF)))

    assert _kinds(chip) == {"one-time opcode"}
    assert chip.change_count == 0


def test_an_unknown_opcode_is_counted() -> None:
    chip, host = chip_on_wires()

    host.frame(b"\xd7\0\0\0")

    assert chip.complaint_counts() == {"unknown opcode": 1}


def test_reading_above_the_clock_limit_of_03h_is_counted() -> None:
    """[W1]: fR 50 MHz for read data (03h)."""
    chip, _ = chip_on_wires()
    chip.select(1.0)
    chip.shift_out(b"\x03\0\0\0", 1.0, 8 / 60e6)
    chip.deselect(1.1, 0)

    assert _kinds(chip) == {"clock too fast"}


def test_security_registers_are_read_at_their_own_addresses() -> None:
    """[W1]: 001000h, 002000h, 003000h; 256 bytes each, wrapping."""
    chip, host = chip_on_wires()
    host.change(b"\x42\0\x20\x10" + b"flash")

    assert host.frame(b"\x48\0\x20\x10\0", 5) == b"flash"
    assert host.frame(b"\x48\0\x10\x10\0", 5) == b"\xff" * 5
    assert chip.contents == b"\xff" * (1 << 24)
