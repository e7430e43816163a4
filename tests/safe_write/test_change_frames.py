"""Every frame that can change a chip, byte for byte, and what none is made of.

Instructions and their order on the wire: Winbond W25Q128JV Rev I and W25Q256JV, section 8.2.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from flashbench.chip.profile import Address, AddressMode, ChipEraseTime, ChipProfile, EraseKind
from flashbench.safe_write._change_frames import ChangeFrames
from tests.builders.profile import plain_profile

SECTOR = EraseKind(opcode=0x20, size=4096, ms_typ=45, ms_max=400)
PLAIN = replace(
    plain_profile(1 << 20, SECTOR),
    chip_erase=ChipEraseTime(opcode=0xC7, ms_typ=2000, ms_max=10_000),
)
LARGE = replace(plain_profile(1 << 25, SECTOR), address_mode=AddressMode.DEDICATED_4BYTE)


def frames_for(profile: ChipProfile) -> ChangeFrames:
    """The frames of a plan that is being carried out; nothing here can send them."""
    plan: Any = SimpleNamespace(demand_running=lambda: None, chip=SimpleNamespace(profile=profile))
    return ChangeFrames(plan)


@pytest.mark.parametrize(
    ("make", "name", "out", "wait_us"),
    [
        (lambda f: f.write_enable(), "write enable (06h)", "06", 0),
        (lambda f: f.write_disable(), "write disable (04h)", "04", 0),
        (lambda f: f.volatile_write_enable(), "volatile write enable (50h)", "50", 0),
        (lambda f: f.erase(SECTOR, 0xFF000), "erase (20h) at 0x0ff000", "200ff000", 0),
        (lambda f: f.erase(SECTOR, 0), "erase (20h) at 0x000000", "20000000", 0),
        (lambda f: f.chip_erase(), "chip erase (C7h)", "c7", 0),
        (
            lambda f: f.program(0x1FE, b"\x12\x34", wait_us=700),
            "page program (02h) at 0x0001fe",
            "020001fe1234",
            700,
        ),
        (lambda f: f.write_register(0x01, b"\x1c\x02"), "register write (01h)", "011c02", 1),
        (lambda f: f.write_register(0x01, b"\x1c"), "register write (01h)", "011c", 1),
        (lambda f: f.write_register(0x31, b"\x02"), "register write (31h)", "3102", 1),
        (lambda f: f.write_register(0x11, b"\x04"), "register write (11h)", "1104", 1),
        (lambda f: f.write_register(0x98, b""), "register write (98h)", "98", 1),
        (lambda f: f.write_register(0x7E, b""), "register write (7Eh)", "7e", 1),
        (lambda f: f.block_lock(0x36, 0x5000), "lock block (36h) at 0x005000", "36005000", 1),
        (
            lambda f: f.block_lock(0x39, 0xFFF000),
            "unlock block (39h) at 0xfff000",
            "39fff000",
            1,
        ),
    ],
)
def test_a_frame_is_named_and_is_on_the_wire_as_the_datasheet_has_it(
    make: Callable[[ChangeFrames], Any], name: str, out: str, wait_us: int
) -> None:
    frame = make(frames_for(PLAIN))

    assert (frame.name, frame.out.hex(), frame.wait_us) == (name, out, wait_us)
    assert frame.reply_size == 0


def test_with_dedicated_instructions_addresses_have_four_bytes() -> None:
    frames = frames_for(LARGE)
    kind = replace(SECTOR, opcode=0x21)

    assert frames.erase(kind, Address(0x1FFF000)).out.hex() == "2101fff000"
    program = frames.program(Address(0x1000000), b"\xaa", wait_us=0)
    assert (program.name, program.out.hex()) == ("page program (12h) at 0x1000000", "1201000000aa")


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (
            lambda f: f.erase(SECTOR, 0x800),
            "0x800 is not the start of a 4096-byte erase unit",
        ),
        (
            lambda f: f.erase(SECTOR, 1 << 20),
            "0x100000 is not the start of a 4096-byte erase unit",
        ),
        (
            lambda f: f.erase(SECTOR, -4096),
            "-0x1000 is not the start of a 4096-byte erase unit",
        ),
        (lambda f: f.program(0, b"", wait_us=0), "0 bytes at 0x0 do not lie in one page"),
        (lambda f: f.program(0, bytes(257), wait_us=0), "257 bytes at 0x0 do not lie in one page"),
        (lambda f: f.program(0xFF, b"ab", wait_us=0), "2 bytes at 0xff do not lie in one page"),
        (lambda f: f.write_register(0x01, b""), "01h with 0 bytes writes no register here"),
        (lambda f: f.write_register(0x01, b"abc"), "01h with 3 bytes writes no register here"),
        (lambda f: f.write_register(0x31, b"ab"), "31h with 2 bytes writes no register here"),
        (lambda f: f.write_register(0x98, b"a"), "98h with 1 bytes writes no register here"),
        (lambda f: f.write_register(0x42, b""), "42h with 0 bytes writes no register here"),
        (lambda f: f.block_lock(0x42, 0), "42h at 0x0 locks or unlocks no block here"),
        (lambda f: f.block_lock(0x36, 1 << 24), "36h at 0x1000000 locks or unlocks no block here"),
        (lambda f: f.block_lock(0x39, -1), "39h at -0x1 locks or unlocks no block here"),
    ],
)
def test_nothing_else_becomes_a_frame(make: Callable[[ChangeFrames], Any], sentence: str) -> None:
    with pytest.raises(ValueError, match=re.escape(sentence)) as refused:
        make(frames_for(PLAIN))

    assert str(refused.value) == sentence


def test_a_chip_that_is_never_erased_as_a_whole_has_no_frame_for_it() -> None:
    with pytest.raises(ValueError, match=r"^this chip is never erased as a whole$"):
        frames_for(replace(PLAIN, chip_erase=None)).chip_erase()
