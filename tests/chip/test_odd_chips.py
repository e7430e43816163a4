"""Chips that are no SPI NOR flash of the usual kind: refused in one sentence, or handled.

IDs of the refused ones: SPI NAND as in Linux drivers/mtd/nand/spi, the others as in the chip
table, whose rows name their sources; shapes of IDs that the table lacks are from memory.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from random import Random

import pytest

from chipdb.table import load, rows_for_id
from flashbench.adapter import open_adapter
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.contact import check_contact
from flashbench.chip.diagnosis import Finding, Observations, diagnose, other_kind
from flashbench.chip.identity import Identified, identify
from flashbench.chip.profile import Address, AddressMode
from flashbench.errors import ChipUntouched
from flashbench.rehearsal import Bench, in_memory_bench, load_part
from flashbench.rehearsal import faults as f
from flashbench.safe_write.stable_read import read_twice

TINY = load_part("TINY64K")
OTHER_KINDS = {
    "00efaa21ffff": "W25N01GV is a SPI NAND",
    "ffefaa210000": "W25N01GV is a SPI NAND",
    "00c8f10000ff": "comes after a dummy byte (00 C8 F1 00), as that of a SPI NAND",
    "efaa2100efaa": "SPI NAND",
    "c8d1c8d1c8d1": "SPI NAND",
    "1f2500000100": "AT45DB081D is an AT45 DataFlash",
    "1f2a00000100": "1F 2A 00 is an AT45 DataFlash",
    "7f7f7f7f7f7f": "as that of a ferroelectric RAM begins",
    "042cc27f7f7f": "is a ferroelectric RAM",
    "bf254abf254a": "SST25VF032B programs single bytes or words",
    "ef7119000000": "several dies behind one chip select, chosen by C2h",
    "ef6119000000": "several dies behind one chip select, chosen by C2h",
}


@contextmanager
def bench_answering(id_hex: str) -> Iterator[Bench]:
    with in_memory_bench(part=replace(TINY, rdid=bytes.fromhex(id_hex), sfdp=b"")) as bench:
        yield bench


@pytest.mark.parametrize(("id_hex", "says"), OTHER_KINDS.items())
def test_a_chip_of_another_kind_is_refused_in_one_clear_sentence(id_hex: str, says: str) -> None:
    with bench_answering(id_hex) as bench:
        adapter = open_adapter(bench.device, time=bench.time)
        with pytest.raises(ChipUntouched) as refusal:
            identify(adapter, supply_volts=1.8, supply_confirmed_by_user=True)

        assert says in refusal.value.seen
        assert refusal.value.seen.count(". ") == 0
        assert bench.chip.change_count == 0
        assert bench.adapter.pins.direction == 0


@pytest.mark.parametrize(("id_hex", "says"), OTHER_KINDS.items())
def test_the_contact_check_tells_another_kind_from_a_bad_contact(id_hex: str, says: str) -> None:
    with bench_answering(id_hex) as bench:
        adapter = open_adapter(bench.device, time=bench.time)
        found = check_contact(adapter, supply_volts=1.8).diagnosis

    assert found.name is Finding.OTHER_KIND
    assert says in found.sentences[0]
    assert not found.stable


def test_an_empty_socket_is_refused_as_no_chip() -> None:
    with in_memory_bench(part=TINY, faults=[f.NoChip()]) as bench:
        adapter = open_adapter(bench.device, time=bench.time)
        with pytest.raises(ChipUntouched, match="No chip answers: the ID reads ff ff"):
            identify(adapter, supply_volts=1.8)


# --- no row of the table is taken for a bad contact ---------------------------------------------


def six(jedec_id: bytes) -> bytes:
    return (jedec_id * 6)[:6]


def seen(jedec_id: bytes) -> Observations:
    return Observations(id_reads=(jedec_id,) * 16, status_reads=(0,) * 4)


NOR_IDS = sorted(
    {
        six(row.jedec_id + row.ext_id)
        for row in load()
        if row.jedec_id is not None and row.refusal is None
    }
)


def test_every_id_of_the_table_passes_for_a_good_contact() -> None:
    wrong = [each.hex() for each in NOR_IDS if diagnose(seen(each)).name is not Finding.GOOD]

    assert len(NOR_IDS) > 200
    assert wrong == []


def test_every_id_of_the_table_is_told_one_bit_late_one_early_and_mirrored() -> None:
    """The bits are moved here by arithmetic of their own: 48 bits as one number, and as text."""
    wrong = []
    for each in NOR_IDS:
        bits = f"{int.from_bytes(each, 'big'):048b}"
        for moved, finding in (
            ("1" + bits[:-1], Finding.BIT_SHIFTED),
            ("0" + bits[:-1], Finding.BIT_SHIFTED),
            (bits[1:] + "1", Finding.BIT_SHIFTED),
            (bits[1:] + "0", Finding.BIT_SHIFTED),
            ("".join(bits[at : at + 8][::-1] for at in range(0, 48, 8)), Finding.BIT_REVERSED),
        ):
            arrived = int(moved, 2).to_bytes(6, "big")
            found = diagnose(seen(arrived)).name
            if found is not finding:
                wrong.append((each.hex(), arrived.hex(), str(found)))

    assert wrong == []


def test_an_unknown_id_with_an_sfdp_is_never_called_shifted() -> None:
    """DE 80 30 is a W25Q128 one bit early, unless the chip's SFDP comes straight."""
    odd = bytes.fromhex("de8030de8030")

    assert diagnose(seen(odd)).name is Finding.BIT_SHIFTED
    straight = replace(seen(odd), sfdp_reads=(b"SFDP" + bytes(12),) * 3)
    assert diagnose(straight).name is Finding.GOOD


def test_a_shifted_sfdp_tells_what_an_unknown_id_cannot() -> None:
    """'SFDP' is 53 46 44 50 (JESD216); one bit late with a one before it is A9 A3 22 28."""
    unknown = bytes.fromhex("d5a040d5a040")
    assert rows_for_id(unknown) == ()

    late = replace(seen(unknown), sfdp_reads=(bytes.fromhex("a9a32228") + bytes(12),) * 3)

    assert diagnose(late).name is Finding.BIT_SHIFTED


def test_makers_codes_have_an_odd_number_of_ones() -> None:
    """JEP106. Also every maker in the table but for one slip of a source, marked as such."""
    codes = {
        row.jedec_id.lstrip(b"\x7f")[0]
        for row in load()
        if row.jedec_id and "even parity" not in (row.contradiction or "")
    }

    assert {code for code in codes if code.bit_count() % 2 == 0} == set()
    found = diagnose(seen(bytes.fromhex("aa4018aa4018")))
    assert found.name is Finding.BIT_SHIFTED
    assert "AAh is no maker's code" in found.sentences[0]


def test_no_nor_row_has_the_shape_of_another_kind() -> None:
    assert [each.hex() for each in NOR_IDS if other_kind(each)] == []


# --- large and odd NOR chips --------------------------------------------------------------------


@dataclass(frozen=True)
class Odd:
    """A part of the bench, and the way it is addressed."""

    part: str
    mode: AddressMode
    volts: float = 3.3
    marking: str | None = None
    left_in_4byte_mode: bool = False

    def __str__(self) -> str:
        left = ", left in 4-byte mode" if self.left_in_4byte_mode else ""
        return f"{self.part} by {self.mode.value}{left}"


ODD = (
    Odd("W25Q256JV", AddressMode.DEDICATED_4BYTE),
    Odd("W25Q256JV", AddressMode.DEDICATED_4BYTE, left_in_4byte_mode=True),
    Odd("W25Q256FV", AddressMode.ENTER_4BYTE),
    Odd("W25Q256FV", AddressMode.ENTER_4BYTE, left_in_4byte_mode=True),
    Odd("MX25U25645G", AddressMode.DEDICATED_4BYTE, 1.8),
    Odd("MT25QL256A", AddressMode.DEDICATED_4BYTE),
    Odd("MT25QU256A", AddressMode.DEDICATED_4BYTE, 1.8, left_in_4byte_mode=True),
    Odd("S25FL512S", AddressMode.DEDICATED_4BYTE),
    Odd("S25FL512S", AddressMode.DEDICATED_4BYTE, left_in_4byte_mode=True),
    Odd("S25FS256T", AddressMode.DEDICATED_4BYTE, 1.8),
    Odd("SST26VF064B", AddressMode.THREE_BYTE, marking="SST26VF064B"),
)


@contextmanager
def chip_of(odd: Odd, contents: bytes | None = None) -> Iterator[tuple[Bench, Identified]]:
    left = [f.LeftIn4ByteMode()] if odd.left_in_4byte_mode else []
    with in_memory_bench(part=odd.part, contents=contents, faults=left) as bench:
        adapter = open_adapter(bench.device, clock_hz=30_000_000, time=bench.time)
        yield (
            bench,
            identify(
                adapter,
                supply_volts=odd.volts,
                marking=odd.marking,
                supply_confirmed_by_user=True,
            ),
        )


@pytest.mark.parametrize("odd", ODD, ids=str)
def test_odd_parts_are_read_right_and_left_as_they_were_found(odd: Odd) -> None:
    """At the start, around 16 MiB and at the end, where a wrong address mode would show."""
    size = load_part(odd.part).density_bytes
    contents = Random(7).randbytes(1 << 16) * (size >> 16)
    contents = b"".join(
        number.to_bytes(4, "big") + contents[at + 4 : at + 4096]
        for number, at in enumerate(range(0, size, 4096))
    )
    with chip_of(odd, contents) as (bench, chip):
        assert chip.profile.address_mode is odd.mode
        before = bench.chip.four_byte_mode
        with reading.address_mode(chip):
            for at in (0, size // 2 - 3000, min(size, 1 << 24) - 3000, size - 5000):
                read = reading.read_bytes(chip, Address(at), 5000)
                past_end = contents[at : at + 5000] + contents[: max(0, at + 5000 - size)]
                assert read == past_end[:5000]

        assert bench.chip.four_byte_mode == before
        assert not bench.chip.opcode_counts[0x06] + bench.chip.opcode_counts[0xC5]
        assert bench.chip.change_count == 0
        assert bench.chip.complaints == []


def test_a_chip_that_does_not_enter_4_byte_mode_is_not_read() -> None:
    odd = Odd("W25Q256FV", AddressMode.ENTER_4BYTE)
    with chip_of(odd) as (bench, chip):
        bench.chip._commands.pop(0xB7)  # a chip that is deaf to it

        with pytest.raises(ChipUntouched, match="says that it is not in 4-byte address mode"):
            read_twice(chip)


def test_a_chip_that_stays_in_4_byte_mode_is_told() -> None:
    odd = Odd("W25Q256FV", AddressMode.ENTER_4BYTE)
    with chip_of(odd) as (bench, chip):
        bench.chip._commands.pop(0xE9)

        with (
            pytest.raises(ChipUntouched, match="still in 4-byte address mode"),
            reading.address_mode(chip),
        ):
            reading.read_bytes(chip, Address(1 << 24), 16, kind=ReadKind.PLAIN)


def test_pages_of_512_bytes_are_programmed_in_halves() -> None:
    """S25FL512S: 512-byte pages, 256 KiB erase only, no 4 KiB (part file: its datasheet)."""
    with chip_of(Odd("S25FL512S", AddressMode.DEDICATED_4BYTE)) as (_, chip):
        assert chip.profile.page_size == 256
        assert [k.size for region in chip.profile.regions for k in region.kinds] == [256 << 10]
        assert chip.profile.chip_erase is None


def test_a_part_whose_erase_units_are_in_doubt_can_be_read_and_not_written() -> None:
    """S25FS256T: its SFDP gives D8h two sizes."""
    with chip_of(Odd("S25FS256T", AddressMode.DEDICATED_4BYTE, 1.8)) as (_, chip):
        assert not any(region.kinds for region in chip.profile.regions)
        assert any("can be read only" in doubt for doubt in chip.profile.doubts)
