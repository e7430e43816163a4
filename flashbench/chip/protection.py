"""Write protection by the status registers: which addresses, and how to lift and restore it.

Everything here is pure: register values in, ranges and commands as data out. `safe_write/` sends
them. Rules that hold throughout:

* What a layout does not know counts as protected when asked "what is protected", and as not
  changeable when asked "how do I lift it".
* Only block-protect and complement bits are ever changed. With all BP = 0 and CMP = 0 nothing is
  protected whatever TB and SEC say, so those stay as read, and so do SRP, QE, the one-time bits
  (LB, and TB where it is one-time), SRL, and everything else in the register.

Sources: the block-protect length is the Linux kernel's (drivers/mtd/spi-nor/swp.c); the Winbond
tables are those of the W25Q128JV (Rev I) and W25Q256JV (Rev B) datasheets; bit positions of other
makers as in the Linux drivers, or from memory where marked.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise
from typing import Final

from flashbench.chip._read_frames import Register
from flashbench.chip.profile import ChipProfile
from flashbench.errors import ChipUntouched

Values = Mapping[Register, int]
Ranges = tuple[range, ...]
Bit = tuple[Register, int]

_SR1: Final = Register.STATUS_1
_SR2: Final = Register.STATUS_2
_SR3: Final = Register.STATUS_3
_BLOCK: Final = 64 << 10
_SECTOR: Final = 4 << 10


class Scheme(Enum):
    """What kind of mechanism protects the array."""

    BLOCK_BITS = "block-protect bits in the status register"
    LOCKS_AT_POWER_UP = "a lock for each block, all set at power-up"
    SECTOR_BITS = "sector protection reported in two status bits"
    OLD_MACRONIX = "block-protect bits, the upper half of their values counting from address 0"


class BlockLocks(Enum):
    """How the volatile locks of single blocks are opened and set again."""

    EACH = "each block by itself: 39h, 36h"
    ALL = "all blocks at once: 98h, 7Eh"
    UNTIL_POWER_OFF = "all blocks at once: 98h; set again by the next power-up only"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where one family of chips keeps its protection. `block_bits` lists BP0 first, all in SR1.

    `top_bottom` is None where the family has no such bit and counts from the top, and
    `top_bottom_known` false where it has one that cannot be read safely or is in doubt: then
    both ends count as protected.
    """

    scheme: Scheme = Scheme.BLOCK_BITS
    registers: tuple[Register, ...] = (_SR1,)
    block_bits: tuple[int, ...] = ()
    top_bottom: Bit | None = None
    top_bottom_known: bool = True
    lengths_known: bool = True  # false: any block bit counts as protecting all of it
    sector_bit: int | None = None
    complement: Bit | None = None
    individual_locks: Bit | None = None  # set: each block has a lock, and BP means nothing
    lock_read_opcode: int | None = None  # tells whether the block at an address is locked
    lock_until_power_off: Bit | None = None  # SRL
    register_protect_bit: int | None = 7  # SRP or SRWD in SR1
    second_byte: Register | None = None  # what byte 2 of a two-byte 01h goes to


LAYOUTS: Final[Mapping[str, Layout]] = {
    "Winbond": Layout(
        registers=(_SR1, _SR2, _SR3),
        block_bits=(2, 3, 4),
        top_bottom=(_SR1, 5),
        sector_bit=6,
        complement=(_SR2, 6),
        individual_locks=(_SR3, 2),
        lock_read_opcode=0x3D,
        lock_until_power_off=(_SR2, 0),
        second_byte=_SR2,
    ),
    "Winbond 256 Mbit": Layout(
        registers=(_SR1, _SR2, _SR3),
        block_bits=(2, 3, 4, 5),
        top_bottom=(_SR1, 6),
        complement=(_SR2, 6),
        individual_locks=(_SR3, 2),
        lock_read_opcode=0x3D,
        lock_until_power_off=(_SR2, 0),
        second_byte=_SR2,
    ),
    "GigaDevice": Layout(  # BP4 as SEC and BP3 as TB: from memory
        registers=(_SR1, _SR2),
        block_bits=(2, 3, 4),
        top_bottom=(_SR1, 5),
        sector_bit=6,
        complement=(_SR2, 6),
        lock_until_power_off=(_SR2, 0),
        second_byte=_SR2,
    ),
    "GigaDevice 256 Mbit": Layout(  # SR1 bit 6 is TB on some and QE on others of one ID
        registers=(_SR1, _SR2),
        block_bits=(2, 3, 4, 5),
        top_bottom_known=False,
        complement=(_SR2, 6),
        lock_until_power_off=(_SR2, 0),
        second_byte=_SR2,
    ),
    "Macronix": Layout(
        registers=(_SR1, Register.CONFIGURATION, Register.SECURITY),
        block_bits=(2, 3, 4, 5),
        top_bottom=(Register.CONFIGURATION, 3),
        individual_locks=(Register.SECURITY, 7),
        lock_read_opcode=0x3C,  # MX25L12835F, from memory
        second_byte=Register.CONFIGURATION,
    ),
    "Macronix D": Layout(scheme=Scheme.OLD_MACRONIX, block_bits=(2, 3, 4, 5)),  # from memory
    "ISSI": Layout(
        registers=(_SR1, Register.FUNCTION),
        block_bits=(2, 3, 4, 5),
        top_bottom=(Register.FUNCTION, 1),
    ),
    "Micron": Layout(block_bits=(2, 3, 4, 6), top_bottom=(_SR1, 5)),
    "Spansion": Layout(
        registers=(_SR1, Register.CONFIGURATION_1),
        block_bits=(2, 3, 4),
        top_bottom=(Register.CONFIGURATION_1, 5),
        second_byte=Register.CONFIGURATION_1,
    ),
    "three BP and TB": Layout(block_bits=(2, 3, 4), top_bottom=(_SR1, 5)),
    "three BP": Layout(block_bits=(2, 3, 4)),
    "SST26": Layout(
        scheme=Scheme.LOCKS_AT_POWER_UP,
        registers=(_SR1, Register.CONFIGURATION_1),
        register_protect_bit=None,
    ),
    "SST25": Layout(block_bits=(2, 3, 4, 5), lengths_known=False),
    "AT25DF": Layout(scheme=Scheme.SECTOR_BITS),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusCommand:
    """One register write to send: `enable_opcode` (06h or 50h), then `opcode` and `data`.

    After 06h the chip is polled for at most `ms_max`; after 50h it is not busy.
    """

    enable_opcode: int
    opcode: int
    data: bytes
    ms_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unprotection:
    """How to lift the protection, and what the registers read afterwards.

    `locks` says that no register protects but the locks of the blocks, and how those are opened;
    then there are no commands. Registers are restored with `commands_to_reach`.
    """

    target: Mapping[Register, int]
    volatile: bool
    commands: tuple[StatusCommand, ...]
    locks: BlockLocks | None = None
    sentences: tuple[str, ...] = field(default=())


def registers_to_read(profile: ChipProfile) -> tuple[Register, ...]:
    """The registers that this chip's layout makes safe to read and needs; SR1 where unknown."""
    layout = _layout(profile)
    return layout.registers if layout is not None else (_SR1,)


def protected_ranges(registers: Values, profile: ChipProfile) -> Ranges:
    """The protected addresses, ascending and apart; empty only if nothing is protected.

    A register that the layout needs and `registers` lacks counts as protecting whatever it could.
    """
    size = profile.density_bytes
    layout = _layout(profile)
    sr1 = registers[_SR1]
    if layout is None:
        return (range(size),) if sr1 & 0x7C else ()
    if layout.scheme is Scheme.LOCKS_AT_POWER_UP or _individually_locked(registers, layout):
        return (range(size),)
    if layout.scheme is Scheme.SECTOR_BITS:
        return (range(size),) if sr1 & 0x0C else ()
    bp = _block_protect(sr1, layout)
    if layout.scheme is Scheme.OLD_MACRONIX:
        return _old_macronix(bp, size)
    if layout.complement is not None and layout.complement[0] not in registers:
        return (range(size),)
    return _by_block_bits(bp, registers, layout, size)


def unprotected_registers(registers: Values, profile: ChipProfile) -> dict[Register, int]:
    """The register values under which no block-protect bit protects anything.

    Only BP and CMP bits differ from `registers`; BUSY and WEL are given as 0.

    Raises:
        ChipUntouched: the layout is not known, a register is missing, or SRL locks them all.
    """
    layout = _known_layout(profile, registers)
    missing = [r for r in layout.registers if r not in registers]
    if missing:
        raise ChipUntouched(
            f"The {missing[0].value[0]} was not read, so the protection cannot be lifted safely.",
            next_step="Identify the chip again.",
        )
    target = dict(registers)
    target[_SR1] = registers[_SR1] & ~0x03 & ~_block_mask(layout)
    if layout.scheme is Scheme.SECTOR_BITS:
        target[_SR1] = registers[_SR1] & 0x80
    if layout.complement is not None:
        register, bit = layout.complement
        target[register] = target[register] & ~(1 << bit)
    locked = layout.lock_until_power_off
    changes = any(target[r] != registers[r] & (0xFC if r is _SR1 else 0xFF) for r in target)
    if changes and locked is not None and _is_set(registers, locked):
        raise ChipUntouched(
            "The status registers are locked until power is removed (SRL = 1).",
            next_step="Switch the supply off and on, then identify the chip again. If SRL is set"
            " again, it is locked for good.",
        )
    return target


def unprotection(registers: Values, profile: ChipProfile) -> Unprotection:
    """The least invasive way to lift every protection: volatile where the chip allows it.

    Raises:
        ChipUntouched: as `unprotected_registers`, or a lock of the chip is permanent.
    """
    layout = _known_layout(profile, registers)
    if layout.scheme is Scheme.SECTOR_BITS:
        return _unprotect_sector_bits(registers, profile)
    sentences = tuple(_register_protect_sentences(registers, layout))
    locks = block_locks(registers, profile)
    if locks is not None:  # BP and CMP are not heeded then, so they stay
        _demand_no_permanent_lock(registers, layout)
        target = {**registers, _SR1: registers[_SR1] & 0xFC}
        return Unprotection(
            target=target, volatile=True, commands=(), locks=locks, sentences=sentences
        )
    target = unprotected_registers(registers, profile)
    commands = commands_to_reach(registers, target, profile)
    return Unprotection(
        target=target,
        volatile=all(command.enable_opcode == 0x50 for command in commands),
        commands=commands,
        sentences=sentences,
    )


def block_locks(registers: Values, profile: ChipProfile) -> BlockLocks | None:
    """Whether locks of single blocks are what protects this chip, and how they are opened.

    Beyond 16 MiB the instructions for one block do not reach, so there it is all of them.
    """
    layout = _layout(profile)
    if layout is None:
        return None
    if layout.scheme is Scheme.LOCKS_AT_POWER_UP:
        return BlockLocks.UNTIL_POWER_OFF
    if not _individually_locked(registers, layout):
        return None
    return BlockLocks.EACH if profile.density_bytes <= 1 << 24 else BlockLocks.ALL


def lock_read_opcode(profile: ChipProfile) -> int | None:
    """The instruction that tells whether one block is locked, where the layout has one."""
    layout = _layout(profile)
    return layout.lock_read_opcode if layout is not None else None


def lock_units(profile: ChipProfile) -> Ranges:
    """The blocks that have a lock each: sectors in the first and last 64 KiB, else 64 KiB.

    Winbond W25Q128JV Rev I, W25Q256JV Rev B; Macronix MX25L12835F from memory.
    """
    size = profile.density_bytes
    cuts = [
        *range(0, _BLOCK, _SECTOR),
        *range(_BLOCK, size - _BLOCK, _BLOCK),
        *range(size - _BLOCK, size + 1, _SECTOR),
    ]
    return tuple(range(start, stop) for start, stop in pairwise(cuts))


def commands_to_reach(
    now: Values, target: Values, profile: ChipProfile
) -> tuple[StatusCommand, ...]:
    """The writes that take the registers from `now` to `target`, SR1 (with SRP) last.

    Uses 50h where the profile says that status writes can be volatile. A two-byte 01h resends the
    second register, so that it is neither cleared nor changed. Both values need every register
    that is written.

    Raises:
        ChipUntouched: nobody knows how this chip's registers are written.
    """
    layout = _known_layout(profile, now)
    if layout.scheme is Scheme.SECTOR_BITS:
        return _sector_bit_commands(now[_SR1], target[_SR1], profile)
    sr1 = target[_SR1] & 0xFC
    first_differs = sr1 != now[_SR1] & 0xFC
    second = layout.second_byte
    if second is not None and (second not in now or second not in target):
        raise ChipUntouched(
            f"The {second.value[0]} was not read, and writing SR1 could change it.",
            next_step="Identify the chip again.",
        )
    second_differs = second is not None and target[second] != now[second]
    if not first_differs and not second_differs:
        return ()
    if profile.status_write == "01h and 31h, one byte each" and second is _SR2:
        writes = [(0x31, bytes([target[_SR2]]))] if second_differs else []
        if first_differs:
            writes.append((0x01, bytes([sr1])))
    elif profile.status_write == "01h, two bytes" and second is not None:
        writes = [(0x01, bytes([sr1, target[second]]))]
    elif profile.status_write == "01h, one byte" and not second_differs:
        writes = [(0x01, bytes([sr1]))]
    else:
        raise ChipUntouched(
            "It is not known how the status registers of this chip are written.",
            next_step="Give the marking printed on the chip, so that one part is left.",
        )
    enable = 0x50 if profile.status_volatile or profile.protection == "SST25" else 0x06
    return tuple(
        StatusCommand(
            enable_opcode=enable, opcode=opcode, data=data, ms_max=profile.status_write_ms_max
        )
        for opcode, data in writes
    )


def explain(registers: Values, profile: ChipProfile) -> tuple[str, ...]:
    """What is protected and why, as sentences with addresses."""
    layout = _layout(profile)
    ranges = protected_ranges(registers, profile)
    said = [f"Protected: {r.start:06X}h to {r.stop - 1:06X}h." for r in ranges]
    if not ranges:
        said = ["Nothing is protected."]
    if layout is None:
        said.append("The protection layout of this part is not known: SR1 alone was judged.")
        return tuple(said)
    if layout.scheme is Scheme.LOCKS_AT_POWER_UP:
        said.append(
            "Every block is locked at power-up: the locks are opened for a write, and set again"
            " when the supply goes off and on."
        )
    elif _individually_locked(registers, layout):
        said.append("Each block has a lock of its own, set at power-up; BP bits mean nothing.")
    if not layout.top_bottom_known and ranges:
        said.append("Which end the bits count from is not known: both are shown.")
    said.extend(_register_protect_sentences(registers, layout))
    return tuple(said)


def _layout(profile: ChipProfile) -> Layout | None:
    return LAYOUTS.get(profile.protection) if profile.protection is not None else None


def _known_layout(profile: ChipProfile, registers: Values) -> Layout:
    layout = _layout(profile)
    if layout is None:
        raise ChipUntouched(
            "The protection layout of this part is not known, so the bits of its status register 1"
            f" ({registers.get(_SR1, 0):02X}h) are not changed.",
            next_step="Give the marking printed on the chip (--marking). If that does not help,"
            " write the job to another chip (write --to-new-chip).",
        )
    return layout


def _is_set(registers: Values, bit: Bit) -> bool:
    return bool(registers[bit[0]] >> bit[1] & 1)


def _individually_locked(registers: Values, layout: Layout) -> bool:
    bit = layout.individual_locks
    return bit is not None and bit[0] in registers and _is_set(registers, bit)


def _block_protect(sr1: int, layout: Layout) -> int:
    return sum((sr1 >> bit & 1) << place for place, bit in enumerate(layout.block_bits))


def _block_mask(layout: Layout) -> int:
    return sum(1 << bit for bit in layout.block_bits)


def _block_length(bp: int, bits: int, size: int) -> int:
    if bp == 0:
        return 0
    needed = (size // _BLOCK).bit_length() - 1
    smallest = _BLOCK << max(0, needed - ((1 << bits) - 2))
    return smallest << bp - 1


def _sector_lengths(bp: int, size: int) -> tuple[int, ...]:
    """SEC = 1: 4 to 32 KiB, 7 is all. BP = 6 stands in no table: it may be either."""
    if bp == 0:
        return (0,)
    largest = 8 * _SECTOR
    if bp >= 6:
        return (size,) if bp == 7 else (largest, size)
    return (min(largest, _SECTOR << bp - 1),)


def _by_block_bits(bp: int, registers: Values, layout: Layout, size: int) -> Ranges:
    by_sectors = layout.sector_bit is not None and registers[_SR1] >> layout.sector_bit & 1
    if by_sectors:
        lengths = _sector_lengths(bp, size)
    elif bp and not layout.lengths_known:
        lengths = (size,)
    else:
        lengths = (min(size, _block_length(bp, len(layout.block_bits), size)),)
    bottom = [range(length) for length in lengths]
    top = [range(size - length, size) for length in lengths]
    bit = layout.top_bottom
    if not layout.top_bottom_known or (bit is not None and bit[0] not in registers):
        possible = bottom + top
    else:
        possible = bottom if bit is not None and _is_set(registers, bit) else top
    if layout.complement is not None and _is_set(registers, layout.complement):
        possible = [_complement(one, size) for one in possible]
    return _union(possible)


def _complement(protected: range, size: int) -> range:
    if not protected:
        return range(size)
    return range(protected.stop, size) if protected.start == 0 else range(protected.start)


def _union(possible: list[range]) -> Ranges:
    """All addresses in any of them, ascending and apart."""
    joined: list[range] = []
    for one in sorted((r for r in possible if r), key=lambda r: (r.start, r.stop)):
        if joined and one.start <= joined[-1].stop:
            joined[-1] = range(joined[-1].start, max(joined[-1].stop, one.stop))
        else:
            joined.append(one)
    return tuple(joined)


def _old_macronix(bp: int, size: int) -> Ranges:
    """MX25L1605D and kin, from memory: 1-6 from the top, 7, 8 and 15 all, 9-14 from address 0."""
    if bp == 0:
        return ()
    if bp in (7, 8, 15) or (bp > 8 and size < 4 << 20):  # the smaller parts count otherwise
        return (range(size),)
    if bp < 7:
        return (range(max(0, size - _block_length(bp, 3, size)), size),)
    return (range(size - (size >> bp - 8)),)


def _register_protect_sentences(registers: Values, layout: Layout) -> list[str]:
    bit = layout.register_protect_bit
    if bit is None or not registers[_SR1] >> bit & 1:
        return []
    return ["The status register is locked while WP# is low (SRP = 1): hold WP# high."]


def _demand_no_permanent_lock(registers: Values, layout: Layout) -> None:
    if layout.scheme is not Scheme.LOCKS_AT_POWER_UP:
        return
    if not registers.get(Register.CONFIGURATION_1, 0) & 0x08:
        raise ChipUntouched(
            "Some blocks of this chip are locked for good (BPNV = 0 in configuration register 1).",
            next_step="Use another chip of the same part.",
        )


def _unprotect_sector_bits(registers: Values, profile: ChipProfile) -> Unprotection:
    """AT25DF: all sectors or none; what is between the two could not be put back."""
    sr1 = registers[_SR1]
    if sr1 & 0x0C not in (0x00, 0x0C):
        raise ChipUntouched(
            "Some sectors of this chip are protected and others are not, and the status register"
            " cannot tell which: they could not be put back.",
            next_step="Switch the supply off and on: all sectors come up protected, and can be"
            " put back.",
        )
    target = {**registers, _SR1: sr1 & 0xF0 if not sr1 & 0x0C else 0x00}
    return Unprotection(
        target=target,
        volatile=True,
        commands=commands_to_reach(registers, target, profile),
        sentences=tuple(_register_protect_sentences(registers, LAYOUTS["AT25DF"])),
    )


def _sector_bit_commands(now: int, target: int, profile: ChipProfile) -> tuple[StatusCommand, ...]:
    """AT25DF: 00h is the global unprotect and 3Ch the global protect, unless SPRL is set.

    A write that finds SPRL set clears it and does no more, so it takes a second one. That SPRL
    may be set by the very write that protects is from memory.
    """
    if (now ^ target) & 0x8C == 0:
        return ()
    protects = target & 0x0C == 0x0C
    values = [0x00] if now & 0x80 else []
    values.append((0x3C if protects else 0x00) | target & 0x80)
    return tuple(
        StatusCommand(
            enable_opcode=0x06,
            opcode=0x01,
            data=bytes([value]),
            ms_max=profile.status_write_ms_max,
        )
        for value in values
    )
