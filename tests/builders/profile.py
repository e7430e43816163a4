"""A chip profile for tests: one erase kind, a datasheet's supply, nothing unusual."""

from dataclasses import replace
from typing import Any

from flashbench.chip.profile import Address, AddressMode, ChipProfile, EraseKind, EraseRegion

SECTOR = EraseKind(opcode=0x20, size=4 << 10, ms_typ=45, ms_max=400)


def plain_profile(density_bytes: int, *kinds: EraseKind, **others: Any) -> ChipProfile:
    """A part of one region with `kinds` (a 4 KiB erase if none); `others` are further fields."""
    region = EraseRegion(start=Address(0), length=density_bytes, kinds=kinds or (SECTOR,))
    usual = ChipProfile(
        parts=("invented",),
        jedec_id=bytes.fromhex("aa4017"),
        density_bytes=density_bytes,
        density_sources=("table", "SFDP"),
        supply_volts=(2.7, 3.6),
        supply_known_from="datasheet",
        page_size=256,
        program_us_typ=400,
        program_us_max=3000,
        regions=(region,),
        chip_erase=None,
        address_mode=AddressMode.THREE_BYTE,
        read_hz_max=50_000_000,
        fast_read_hz_max=104_000_000,
        die_bytes=density_bytes,
        ecc_free=True,
        protection=None,
        status_write=None,
    )
    return replace(usual, **others)
