"""An old chip's settings said in a new part's registers, and what cannot be said.

Expected bits: Winbond W25Q128JV Rev I and W25Q256JV Rev B, section 7.1; quad enable of Macronix
in SR1 bit 6 as in the Linux kernel (drivers/mtd/spi-nor/macronix.c).
"""

from typing import Any

import pytest

from flashbench.chip._read_frames import Register
from flashbench.chip.carry_over import CarryOver, carry_over
from flashbench.chip.identity import Identified
from flashbench.chip.profile import ChipProfile
from flashbench.chip.protection import protected_ranges
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
