"""Small chips to plan for, and cells that a plan is applied to: stricter than a chip."""

from collections.abc import Sequence

from flashbench.chip.profile import (
    Address,
    ChipEraseTime,
    ChipProfile,
    EraseKind,
    EraseRegion,
)
from flashbench.safe_write.plan_units import UnitsPlan
from tests.builders.profile import plain_profile


def a_kind(size: int, *, ms: float, opcode: int | None = None) -> EraseKind:
    known = {4 << 10: 0x20, 32 << 10: 0x52, 64 << 10: 0xD8}
    code = known.get(size, size.bit_length()) if opcode is None else opcode
    return EraseKind(opcode=code, size=size, ms_typ=ms, ms_max=10 * ms)


def a_profile(
    *regions: tuple[int, Sequence[EraseKind]],
    page_size: int = 256,
    program_us: float = 400,
    chip_erase_ms: float | None = None,
    ecc_free: bool = True,
) -> ChipProfile:
    """`regions` are lengths with erase kinds, from address 0 on."""
    built, start = [], 0
    for length, kinds in regions:
        built.append(EraseRegion(start=Address(start), length=length, kinds=tuple(kinds)))
        start += length
    erase = None
    if chip_erase_ms is not None:
        erase = ChipEraseTime(opcode=0xC7, ms_typ=chip_erase_ms, ms_max=5 * chip_erase_ms)
    return plain_profile(
        start,
        page_size=page_size,
        program_us_typ=program_us,
        program_us_max=10 * program_us,
        regions=tuple(built),
        chip_erase=erase,
        ecc_free=ecc_free,
    )


def a_w25q128jv(*, ecc_free: bool = True) -> ChipProfile:
    """Times of the W25Q128JV datasheet, AC characteristics: typical tSE, tBE1, tBE2, tCE, tPP."""
    kinds = [a_kind(4 << 10, ms=45), a_kind(32 << 10, ms=120), a_kind(64 << 10, ms=150)]
    return a_profile((16 << 20, kinds), chip_erase_ms=40_000, ecc_free=ecc_free)


def apply_plan(current: bytes, target: bytes, plan: UnitsPlan, profile: ChipProfile) -> bytes:
    """What the cells hold afterwards: an erase sets bits, a program only clears them.

    Fails on what a chip may shrug at: a unit out of order, out of its region or off its
    alignment, an instruction that the region has not, a page outside its unit or programmed
    twice, a program over something not erased on a part that may have on-die ECC.
    """
    cells = bytearray(current)
    erased = bytearray(len(cells))
    if plan.chip_erase:
        assert profile.chip_erase is not None
        cells[:] = b"\xff" * len(cells)
        erased[:] = b"\x01" * len(cells)
    behind = 0
    for unit in plan.units:
        end = unit.start + unit.size
        assert behind <= unit.start < end <= len(cells)
        behind = end
        (region,) = [
            r for r in profile.regions if r.start <= unit.start and end <= r.start + r.length
        ]
        if unit.erase is not None:
            assert not plan.chip_erase
            assert unit.erase in region.kinds
            assert unit.size == unit.erase.size
            assert unit.start % unit.size == 0
            cells[unit.start : end] = b"\xff" * unit.size
            erased[unit.start : end] = b"\x01" * unit.size
        else:
            assert unit.pages
        programmed = -1
        for page in unit.pages:
            assert page % profile.page_size == 0
            assert max(programmed + 1, unit.start) <= page <= end - profile.page_size
            programmed = page
            where = slice(page, page + profile.page_size)
            assert profile.ecc_free or all(erased[where])
            assert target[where] != b"\xff" * profile.page_size
            cells[where] = bytes(a & b for a, b in zip(cells[where], target[where], strict=True))
    return bytes(cells)
