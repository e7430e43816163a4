"""The part files: what each says of itself must agree with its chip's own SFDP bytes.

SFDP is decoded here by hand, by the DWORD layout of JESD216; the bytes are dumps of real chips
whose origin each part file names.
"""

import struct

import pytest

from flashbench.rehearsal import load_part, part_names
from flashbench.rehearsal.nor_part import parse
from flashbench.rehearsal.nor_protection import LAYOUTS, protected_span

MIB = 1 << 20
_WITH_SFDP = tuple(name for name in part_names() if load_part(name).sfdp)
_D8_BY_ADDRESS = ("SST26VF064B", "S25FS256T", "S25FS128S")  # one opcode for several sizes


def _basic_table(sfdp: bytes) -> tuple[int, ...]:
    length, pointer = sfdp[11], int.from_bytes(sfdp[12:15], "little")
    return struct.unpack(f"<{length}I", sfdp[pointer : pointer + 4 * length])


def test_there_are_parts_of_seven_makers_and_of_both_supplies() -> None:
    parts = [load_part(name) for name in part_names()]

    assert {part.rdid[0] for part in parts} >= {0xEF, 0xC2, 0xC8, 0x20, 0x9D, 0x01, 0xBF}
    assert any(part.supply_volts[1] < 2.5 for part in parts)
    assert any(part.supply_volts[0] > 2.5 for part in parts)


@pytest.mark.parametrize("name", part_names())
def test_every_part_names_its_sources_and_a_known_layout(name: str) -> None:
    part = load_part(name)

    assert part.sources
    assert part.protection in LAYOUTS
    assert part.name == name
    assert {register.name for register in part.register} >= set(part.write_01)
    assert bin(part.rdid[0]).count("1") % 2 == 1, "JEP106: odd parity"


@pytest.mark.parametrize("name", _WITH_SFDP)
def test_density_page_and_erases_agree_with_the_sfdp(name: str) -> None:
    part = load_part(name)
    table = _basic_table(part.sfdp)

    assert part.sfdp[:4] == b"SFDP"
    assert (table[1] + 1) // 8 == part.density_bytes
    types = [
        (table[dword] >> shift & 0xFF, table[dword] >> shift + 8 & 0xFF)
        for dword in (7, 8)
        for shift in (0, 16)
    ]
    stated = {(opcode, 1 << exponent) for exponent, opcode in types if exponent}
    if name not in _D8_BY_ADDRESS:
        assert {(kind.opcode, kind.size) for kind in part.erase} == stated
    if len(table) > 10 and name != "S25FS256T":  # that one states 128 and programs 256
        assert 1 << (table[10] >> 4 & 0xF) == part.page_bytes


@pytest.mark.parametrize(
    ("layout", "registers", "start", "end"),
    [
        # From memory of the MX25L12835F, IS25LP128, MT25QL256, GD25Q128 and S25FL512S tables.
        ("macronix", {"SR1": 1 << 2, "CR": 0}, 16 * MIB - 0x10000, 16 * MIB),
        ("macronix", {"SR1": 8 << 2, "CR": 0x08}, 0, 8 * MIB),
        ("macronix", {"SR1": 9 << 2, "CR": 0}, 0, 16 * MIB),
        ("issi", {"SR1": 4 << 2, "FR": 0x02}, 0, 0x80000),
        ("micron", {"SR1": 0x40 | 1 << 2}, 0, 16 * MIB),
        ("micron", {"SR1": 0x20 | 2 << 2}, 0, 0x20000),
        ("gigadevice to 128 Mbit", {"SR1": 0b10_001 << 2, "SR2": 0}, 16 * MIB - 0x1000, 16 * MIB),
        ("gigadevice to 128 Mbit", {"SR1": 0b01_110 << 2, "SR2": 0}, 0, 8 * MIB),
        ("spansion", {"SR1": 1 << 2, "CR1": 0}, 16 * MIB - 0x40000, 16 * MIB),
        ("spansion", {"SR1": 7 << 2, "CR1": 0x20}, 0, 16 * MIB),
    ],
)
def test_protection_layouts_of_other_makers(
    layout: str, registers: dict[str, int], start: int, end: int
) -> None:
    assert protected_span(layout, registers, 16 * MIB) == (start, end)


def test_an_unknown_part_and_an_unknown_key_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no rehearsal part 'W25Q1'"):
        load_part("W25Q1")
    with pytest.raises(ValueError, match=r"x\.toml: unknown keys \['volts'\]"):
        parse('name = "X"\nvolts = 3', where="x.toml")
