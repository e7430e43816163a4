"""An old chip's settings said in a new part's registers, and what cannot be said.

Expected bits: Winbond W25Q128JV Rev I and W25Q256JV Rev B, section 7.1; quad enable of Macronix
in SR1 bit 6 as in the Linux kernel (drivers/mtd/spi-nor/macronix.c).
"""

from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from flashbench.chip._read_frames import Register
from flashbench.chip.carry_over import CarryOver, carry_over
from flashbench.chip.identity import Identified
from flashbench.chip.profile import ChipProfile
from flashbench.chip.protection import LAYOUTS, protected_ranges
from flashbench.chip.remembered import RememberedChip, remember
from flashbench.errors import ChipUntouched
from flashbench.rehearsal import load_part
from tests.builders.bench import Board

SR1, SR2, SR3 = Register.STATUS_1, Register.STATUS_2, Register.STATUS_3


def identified(part: str, **registers: int) -> tuple[dict[str, Any], ChipProfile, Any]:
    """Facts, profile and registers of a blank chip of this part with these register values."""
    model = load_part(part)
    board = Board(model, b"\xff" * model.density_bytes)
    for name, value in registers.items():
        board.chip.preset_register(name, value)
    with board.visit() as visit:
        chip: Identified = visit.identify()
        return chip.facts(), chip.profile, dict(chip.registers)


def carried(
    old: str, new: str, *, old_registers: dict[str, int], new_registers: dict[str, int]
) -> tuple[CarryOver, RememberedChip, ChipProfile]:
    facts, _, _ = identified(old, **old_registers)
    _, profile, found = identified(new, **new_registers)
    known = remember(facts)
    return carry_over(known, profile, found), known, profile


def test_what_a_dump_kept_of_a_chip_gives_its_profile_again() -> None:
    facts, profile, registers = identified("W25Q128JV", SR1=0x24)

    known = remember(facts)

    assert known.profile == profile
    assert known.registers == registers
    assert known.unique_id == bytes.fromhex("C0FFEE0123456789")


@pytest.mark.parametrize(
    "spoiled",
    [
        {},
        {"jedec_id": "ef401"},
        {"supply": {"volts": [1, 2, 3], "declared_volts": 3.3}},
        {"supply": {"volts": [2.7, 3.6], "declared_volts": float("nan")}},
        {"registers": [1]},
        {"sfdp": "zz"},
    ],
)
def test_facts_that_are_none_are_refused_in_a_sentence(spoiled: dict[str, Any]) -> None:
    facts, _, _ = identified("W25Q128JV")

    with pytest.raises(ChipUntouched, match="is not understood"):
        remember({**facts, **spoiled} if spoiled else {})


def test_the_same_part_gets_every_setting_and_keeps_its_one_time_bits() -> None:
    made, _, _ = carried(
        "W25Q128JV",
        "W25Q128JV",
        old_registers={"SR1": 0x24, "SR2": 0x42, "SR3": 0x20},
        new_registers={"SR2": 0x18, "SR3": 0x60},
    )

    assert made.registers == {SR1: 0x24, SR2: 0x5A, SR3: 0x20}
    assert [(c.enable_opcode, c.opcode, c.data) for c in made.commands] == [
        (0x06, 0x11, b"\x20"),
        (0x06, 0x31, b"\x5a"),
        (0x06, 0x01, b"\x24"),
    ]
    assert made.left_behind == ()


def test_nothing_is_written_where_nothing_differs() -> None:
    made, _, _ = carried("W25Q128JV", "W25Q128JV", old_registers={}, new_registers={"SR2": 0x08})

    assert made.commands == ()
    assert made.set_now == ()


def test_power_up_in_4_byte_mode_is_carried_over_within_the_family() -> None:
    made, _, _ = carried(
        "W25Q256JV", "W25Q256JV", old_registers={"SR3": 0x62}, new_registers={"SR3": 0x60}
    )

    assert made.registers[SR3] == 0x62
    assert "4-byte addresses after power-up" in made.set_now


def test_another_family_gets_quad_enable_and_the_same_protected_addresses() -> None:
    """BP = 1 of a W25Q128JV, its topmost 256 KiB, said in the bits of a Macronix."""
    made, known, profile = carried(
        "W25Q128JV",
        "MX25L12835F",
        old_registers={"SR1": 0x04, "SR2": 0x02},
        new_registers={},
    )

    assert made.registers[SR1] & 0x40, "quad enable of Macronix"
    goal = protected_ranges(known.registers, known.profile)
    assert goal == (range(0xFC0000, 0x1000000),)
    assert protected_ranges(made.registers, profile) == goal
    assert any("Drive strength" in sentence for sentence in made.left_behind)


def test_a_protection_that_no_bits_of_the_part_say_is_left_and_named() -> None:
    made, _, profile = carried(
        "W25Q128JV",
        "MX25L12835F",
        old_registers={"SR1": 0x44},  # SEC: the topmost 4 KiB
        new_registers={},
    )

    assert protected_ranges(made.registers, profile) == ()
    assert any("FFF000h to FFFFFFh" in sentence for sentence in made.left_behind)


def spoken_of(made: CarryOver) -> list[str]:
    """What each of the four properties is said in: exactly one text for each."""
    texts = [*made.set_now, *made.same, *made.left_behind]
    about = (
        ("Quad enable", "quad enable"),
        ("ddress mode after power-up", "byte addresses", "comes up with 4-byte"),
        ("rive strength",),
        ("protected: ", "Write protection"),
    )
    return [
        " | ".join(text for text in texts if any(word in text for word in words)) for words in about
    ]


PARTS = (
    "W25Q128JV",
    "W25Q256JV",
    "GD25Q128C",
    "MX25L12835F",
    "MX25U25645G",
    "IS25LP128",
    "MT25QU256A",
    "S25FL512S",
    "SST26VF064B",
)


@pytest.mark.parametrize("part", PARTS)
def test_each_property_is_compared_or_said_not_to_be(part: str) -> None:
    made, _, _ = carried(part, part, old_registers={}, new_registers={})

    assert all(spoken_of(made)), spoken_of(made)
    assert made.set_now == ()
    if part.startswith("W25Q"):
        assert made.left_behind == (), "all four were compared"


@pytest.mark.parametrize("old", [*LAYOUTS, None])
@pytest.mark.parametrize("new", [*LAYOUTS, None])
@pytest.mark.parametrize("density_bytes", [1 << 24, 1 << 25])
def test_each_property_is_spoken_of_from_every_layout_to_every_other(
    old: str | None, new: str | None, density_bytes: int
) -> None:
    _, profile, _found = blank_chip()
    own = RememberedChip(
        profile=replace(profile, protection=old, density_bytes=density_bytes),
        registers=dict.fromkeys(registers_of(old), 0),
        unique_id=None,
        supply_volts=(2.7, 3.6),
        declared_volts=3.3,
    )

    made = carry_over(
        own,
        replace(profile, protection=new, density_bytes=density_bytes),
        dict.fromkeys(registers_of(new), 0),
    )

    assert all(spoken_of(made)), spoken_of(made)


@cache
def blank_chip() -> tuple[dict[str, Any], ChipProfile, Any]:
    return identified("W25Q128JV")


def registers_of(layout: str | None) -> tuple[Register, ...]:
    return (SR1,) if layout is None else LAYOUTS[layout].registers


NOT_READ = {
    "MT25QU256A": (
        "Quad enable was not compared: Micron parts have no such bit; how they come up is in the"
        " non-volatile configuration register, which is not read.",
        "The address mode after power-up was not compared: it is in the non-volatile"
        " configuration register, which is not read.",
        "Drive strength was not compared: it is in the non-volatile configuration register,"
        " which is not read. It stays as it is.",
    ),
    "GD25Q128C": (
        "Drive strength was not compared: it is in status register 3, which is not read. It stays"
        " as it is.",
    ),
    "S25FL512S": (
        "Drive strength was not compared: where this part keeps it is not known. It stays as it"
        " is.",
    ),
}


@pytest.mark.parametrize("part", NOT_READ)
def test_what_is_kept_in_a_register_that_is_not_read_is_not_called_the_same(part: str) -> None:
    made, _, _ = carried(part, part, old_registers={}, new_registers={})

    assert set(NOT_READ[part]) <= set(made.left_behind)


def test_a_volatile_drive_strength_that_differs_is_named_and_not_set() -> None:
    made, _, _ = carried(
        "MX25L12835F",
        "MX25L12835F",
        old_registers={"CR": 0x07, "SR1": 0x40},
        new_registers={"CR": 0x00},
    )

    assert made.set_now == ("quad enable on",)
    assert any("read 111 on the original and 000 here" in text for text in made.left_behind)
    assert made.registers[Register.CONFIGURATION] & 0x07 == 0
