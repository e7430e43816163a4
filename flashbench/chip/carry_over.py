"""What a board expects of its chip's registers, said in the registers of another part. Pure.

A board's firmware was built around one chip as it was set: quad reads enabled or not, 3- or 4-byte
addresses after power-up, its drive strength, its write protection. `carry_over` says which values
make a replacement the same, by non-volatile writes, and in sentences what cannot be made the same.

Never touched: one-time bits. These are LB and SRL everywhere, TB on Macronix, ISSI and Spansion
(from memory); they are sent back as they are read. Bit positions: reference of `protection.py`;
ADP, WPS and DRV as in Winbond's W25Q256JV Rev B and W25Q128JV Rev I, section 7.1.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Final

from flashbench.chip._read_frames import Register
from flashbench.chip.profile import ChipProfile
from flashbench.chip.protection import LAYOUTS, Layout, Scheme, StatusCommand, protected_ranges
from flashbench.chip.remembered import RememberedChip

Values = Mapping[Register, int]
_Bit = tuple[Register, int]

_SR1: Final = Register.STATUS_1
_SR2: Final = Register.STATUS_2
_SR3: Final = Register.STATUS_3

_QUAD_ENABLE: Final[Mapping[str, _Bit]] = {
    "Winbond": (_SR2, 1),
    "Winbond 256 Mbit": (_SR2, 1),
    "GigaDevice": (_SR2, 1),
    "Macronix": (_SR1, 6),
    "ISSI": (_SR1, 6),
    "Spansion": (Register.CONFIGURATION_1, 1),
}
_POWER_UP_4BYTE: Final[Mapping[str, _Bit]] = {"Winbond 256 Mbit": (_SR3, 1)}
_DRIVE: Final[Mapping[str, tuple[Register, int]]] = {
    "Winbond": (_SR3, 0x60),
    "Winbond 256 Mbit": (_SR3, 0x60),
    "Macronix": (Register.CONFIGURATION, 0x07),
}
_DRIVE_IS_VOLATILE: Final = {"Macronix"}  # from memory
# Registers that are never read: from memory, and so only named.
_QUAD_ELSEWHERE: Final[Mapping[str, str]] = {
    "Micron": "Micron parts have no such bit; how they come up is in the non-volatile"
    " configuration register, which is not read",
    "GigaDevice 256 Mbit": "the bit that is quad enable on some parts of this ID is another on"
    " others",
}
_POWER_UP_ELSEWHERE: Final[Mapping[str, str]] = {
    "Micron": "it is in the non-volatile configuration register, which is not read",
    "Macronix": "the configuration register tells only how the chip is set now",
}
_DRIVE_ELSEWHERE: Final[Mapping[str, str]] = {
    "Micron": "it is in the non-volatile configuration register, which is not read",
    "GigaDevice": "it is in status register 3, which is not read",
    "GigaDevice 256 Mbit": "it is in status register 3, which is not read",
    "ISSI": "it is in the extended read register, which is not read",
}
_3_BYTES_REACH: Final = 16 << 20  # bytes
_ONE_TIME_TB: Final = {"Macronix", "ISSI", "Spansion"}
_TB_IN_DOUBT: Final = "GigaDevice 256 Mbit"
_WRITE_ENABLE: Final = 0x06


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryOver:
    """`registers` are the replacement's values at the end; `commands` reach them, for good.

    `set_now` says in sentences what is made the same, `same` what was compared and is the same
    already, `left_behind` what is not, or was not compared and why. Each of quad enable, address
    mode after power-up, drive strength and protection is in one of them.
    """

    registers: dict[Register, int]
    commands: tuple[StatusCommand, ...]
    set_now: tuple[str, ...]
    same: tuple[str, ...]
    left_behind: tuple[str, ...]


def carry_over(
    old: RememberedChip, new: ChipProfile, found: Values, *, rewrite_all: bool = False
) -> CarryOver:
    """What makes a chip that was `found` with these register values stand in for `old`.

    With `rewrite_all` every register that could be concerned is written, whatever it reads: after
    an accident a value may be a volatile one. SR1, and SRP with it, comes last.
    """
    made = _Made(old=old, new=new, wanted=dict(found))
    made.carry_quad_enable()
    made.carry_power_up_address_mode()
    made.carry_drive_strength()
    made.carry_protection()
    reachable = {r for registers, _, _ in _writes(made.wanted, new) for r in registers}
    for register in [r for r in made.wanted if made.wanted[r] != found[r] and r not in reachable]:
        made.leave(register, found[register])
    commands = [
        StatusCommand(
            enable_opcode=_WRITE_ENABLE, opcode=opcode, data=data, ms_max=new.status_write_ms_max
        )
        for registers, opcode, data in _writes(made.wanted, new)
        if rewrite_all or any(made.wanted[r] != found[r] for r in registers)
    ]
    return CarryOver(
        registers=made.wanted,
        commands=tuple(commands),
        set_now=tuple(sentence for _, sentence in made.said),
        same=tuple(made.same),
        left_behind=tuple(made.lost),
    )


class _Made:
    """The new chip's values, bit by bit towards what the old one had."""

    def __init__(self, *, old: RememberedChip, new: ChipProfile, wanted: dict[Register, int]):
        self.old = old
        self.new = new
        self.wanted = wanted
        self.said: list[tuple[Register, str]] = []
        self.same: list[str] = []
        self.lost: list[str] = []
        self.old_layout = old.profile.protection
        self.new_layout = new.protection
        self.same_family = self.old_layout is not None and self.old_layout == self.new_layout

    def leave(self, register: Register, value: int) -> None:
        """Give up on a register that nobody knows how to write on this chip."""
        self.wanted[register] = value
        given_up = [sentence for where, sentence in self.said if where is register]
        self.said = [(where, sentence) for where, sentence in self.said if where is not register]
        self.lost.append(
            f"The {register.value[0]} stays {value:02X}h, since it is not known how it is written"
            f" on this part{': ' if given_up else ''}{', '.join(given_up)}."
        )

    def carry_quad_enable(self) -> None:
        old = _bit(self.old.registers, _QUAD_ENABLE.get(self.old_layout or ""))
        here = _QUAD_ENABLE.get(self.new_layout or "")
        if here is None or here[0] not in self.wanted:
            was = "" if old is None else f" It was {'set' if old else 'off'} on the original."
            self.lost.append(f"Quad enable was not compared: {self._where(_QUAD_ELSEWHERE)}.{was}")
        elif old is None:
            self.lost.append("Quad enable: it is not known how the original chip was set.")
        else:
            self._set(here, old, f"quad enable {'on' if old else 'off'}")

    def carry_power_up_address_mode(self) -> None:
        if self.new.density_bytes <= _3_BYTES_REACH:
            self.same.append("3-byte addresses reach all of it")
            return
        old = _bit(self.old.registers, _POWER_UP_4BYTE.get(self.old_layout or ""))
        here = _POWER_UP_4BYTE.get(self.new_layout or "")
        if here is not None and here[0] in self.wanted:
            self._set(here, old or 0, f"{'4' if old else '3'}-byte addresses after power-up")
            if old is None:
                self.lost.append(
                    "Address mode after power-up: it is not known how the original chip was set;"
                    " this one is left at 3-byte addresses."
                )
        elif old:
            self.lost.append(
                "The original comes up with 4-byte addresses; this part cannot be set to that."
            )
        else:
            self.lost.append(
                "The address mode after power-up was not compared:"
                f" {self._where(_POWER_UP_ELSEWHERE)}."
            )

    def carry_drive_strength(self) -> None:
        here = _DRIVE.get(self.new_layout or "")
        old = _DRIVE.get(self.old_layout or "")
        if here is None or old != here or here[0] not in self.wanted:
            why = self._where(_DRIVE_ELSEWHERE)
            if None not in (self.old_layout, self.new_layout) and not self.same_family:
                why = "the two families say it differently"
            self.lost.append(f"Drive strength was not compared: {why}. It stays as it is.")
            return
        register, mask = here
        if register not in self.old.registers:
            self.lost.append("Drive strength: it is not known how the original chip was set.")
            return
        value, now = self.old.registers[register] & mask, self.wanted[register] & mask
        text = f"drive strength bits {_in_bits(value, mask)}"
        if value == now:
            self.same.append(text)
        elif self.new_layout in _DRIVE_IS_VOLATILE:
            self.lost.append(
                f"The drive strength bits of the {register.value[0]} read {_in_bits(value, mask)}"
                f" on the original and {_in_bits(now, mask)} here. They do not outlast the supply,"
                " so they are not set: what a board needs there its firmware sets by itself."
            )
        else:
            self.said.append((register, text))
            self.wanted[register] = self.wanted[register] & ~mask | value

    def carry_protection(self) -> None:
        layout = LAYOUTS.get(self.new_layout or "")
        if layout is None or self.old_layout is None or layout.scheme is not Scheme.BLOCK_BITS:
            self.lost.append(
                "Write protection was not compared: one of the two parts' layout is not known."
            )
            return
        before = protected_ranges(self.wanted, self.new)
        goal = protected_ranges(self.old.registers, self.old.profile)
        if self.same_family:
            self._copy_protection_bits(layout)
        else:
            self._find_protection(layout)
        after = protected_ranges(self.wanted, self.new)
        if after != before:
            self.said.append((_SR1, f"protected: {_ranges_text(after)}, as on the original"))
        elif after == goal:
            self.same.append(f"protected: {_ranges_text(after)}")
        known = layout.lengths_known and layout.top_bottom_known
        if goal and self.same_family and (after != goal or not known):
            self.lost.append(
                "Write protection: the bits were carried over, and it is not known that they"
                f" protect just what they did on the original, {_ranges_text(goal)}."
            )

    def _where(self, elsewhere: Mapping[str, str]) -> str:
        """Why a property cannot be compared, by the new part's layout."""
        known = elsewhere.get(self.new_layout or "")
        return known or "where this part keeps it is not known"

    def _copy_protection_bits(self, layout: Layout) -> None:
        for bit in _protection_bits(layout, self.new_layout):
            old = _bit(self.old.registers, bit)
            if old is not None and bit[0] in self.wanted:
                self._set(bit, old, "")
        if layout.register_protect_bit is not None:
            srp = (_SR1, layout.register_protect_bit)
            self._set(srp, _bit(self.old.registers, srp) or 0, "")

    def _find_protection(self, layout: Layout) -> None:
        """Bits of this part under which the same addresses are protected, if there are such."""
        goal = protected_ranges(self.old.registers, self.old.profile)
        for values in _protection_values(self.wanted, layout, self.new_layout):
            if protected_ranges(values, self.new) == goal:
                self.wanted = dict(values)
                return
        self.lost.append(
            f"Write protection: the original protects {_ranges_text(goal)}; no bits of this part"
            " protect just that. It stays as the new chip has it."
        )

    def _set(self, bit: _Bit, value: int, what: str) -> None:
        register, place = bit
        if what and self.wanted[register] >> place & 1 != value:
            self.said.append((register, what))
        elif what:
            self.same.append(what)
        self.wanted[register] = self.wanted[register] & ~(1 << place) | value << place


def _bit(values: Values, bit: _Bit | None) -> int | None:
    return None if bit is None or bit[0] not in values else values[bit[0]] >> bit[1] & 1


def _protection_bits(layout: Layout, name: str | None) -> list[_Bit]:
    """The bits that say what is protected and are not one-time."""
    bits: list[_Bit] = [(_SR1, place) for place in layout.block_bits]
    if layout.top_bottom is not None and name not in _ONE_TIME_TB and name != _TB_IN_DOUBT:
        bits.append(layout.top_bottom)
    if layout.sector_bit is not None:
        bits.append((_SR1, layout.sector_bit))
    if layout.complement is not None:
        bits.append(layout.complement)
    if layout.individual_locks is not None and layout.individual_locks[0] is _SR3:
        bits.append(layout.individual_locks)
    return bits


def _protection_values(now: Values, layout: Layout, name: str | None) -> Iterator[Values]:
    """Every setting of those bits, those with fewest of them set first."""
    bits = [bit for bit in _protection_bits(layout, name) if bit[0] in now]
    for setting in sorted(product((0, 1), repeat=len(bits)), key=sum):
        values = dict(now)
        for (register, place), value in zip(bits, setting, strict=True):
            values[register] = values[register] & ~(1 << place) | value << place
        yield values


def _writes(wanted: Values, profile: ChipProfile) -> list[tuple[frozenset[Register], int, bytes]]:
    """The non-volatile writes that are known for this chip, SR1 last: (registers, opcode, data)."""
    layout = LAYOUTS.get(profile.protection or "")
    if layout is None or layout.scheme is not Scheme.BLOCK_BITS:
        return []
    second, sr1 = layout.second_byte, bytes([wanted[_SR1] & 0xFC])
    writes: list[tuple[frozenset[Register], int, bytes]] = []
    if _SR3 in wanted and wanted[_SR3] not in (0x00, 0xFF):  # so reads a part that has none
        writes.append((frozenset({_SR3}), 0x11, bytes([wanted[_SR3]])))
    if profile.status_write == "01h and 31h, one byte each" and second is _SR2:
        writes.append((frozenset({_SR2}), 0x31, bytes([wanted[_SR2]])))
        writes.append((frozenset({_SR1}), 0x01, sr1))
    elif profile.status_write == "01h, two bytes" and second is not None and second in wanted:
        writes.append((frozenset({_SR1, second}), 0x01, sr1 + bytes([wanted[second]])))
    elif profile.status_write == "01h, one byte":
        writes.append((frozenset({_SR1}), 0x01, sr1))
    return writes


def _in_bits(value: int, mask: int) -> str:
    """The bits under a mask: 0x20 under 0x60 is "01"."""
    lowest = (mask & -mask).bit_length() - 1
    return f"{value >> lowest:0{(mask >> lowest).bit_length()}b}"


def _ranges_text(ranges: tuple[range, ...]) -> str:
    if not ranges:
        return "nothing"
    return " and ".join(f"{one.start:06X}h to {one.stop - 1:06X}h" for one in ranges)
