"""The working facts of one chip: what the table row and the chip's own SFDP agree on."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import NewType

Address = NewType("Address", int)
"""A byte address in the flash array."""


class AddressMode(Enum):
    """How a chip above 16 MiB is addressed; every smaller chip is THREE_BYTE."""

    THREE_BYTE = "3-byte addresses"
    DEDICATED_4BYTE = "4-byte opcodes"
    ENTER_4BYTE = "4-byte mode (B7h/E9h)"
    ENTER_4BYTE_WITH_WEL = "4-byte mode (06h B7h / 06h E9h)"
    EXTENDED_REGISTER = "extended address register (C8h/C5h)"
    ALWAYS_4BYTE = "always 4-byte"


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseKind:
    """One erase instruction. `opcode` is the one to send in the profile's address mode."""

    opcode: int
    size: int  # bytes; a power of two
    ms_typ: float
    ms_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseRegion:
    """A stretch of the array in which the same erase kinds work. Kinds ascend in size."""

    start: Address
    length: int
    kinds: tuple[EraseKind, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipEraseTime:
    """Whole-chip erase; absent from a profile where it may not be used (stacked dies)."""

    opcode: int
    ms_typ: float
    ms_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipProfile:
    """Everything the rooms above need to know to read, plan and change one chip.

    Regions ascend, touch, and cover `density_bytes`. `doubts` are sentences for the user.
    """

    parts: tuple[str, ...]
    jedec_id: bytes  # 3 to 6 bytes, as the row compares them
    density_bytes: int
    density_sources: tuple[str, ...]  # "table", "SFDP": those that agree and are not known to lie
    supply_volts: tuple[float, float]
    supply_known_from: str  # "datasheet", "vendor table", "family rule", "memory", "user"
    page_size: int  # bytes per program instruction: min(256, what the sources say)
    program_us_typ: float
    program_us_max: float
    regions: tuple[EraseRegion, ...]
    chip_erase: ChipEraseTime | None
    address_mode: AddressMode
    read_hz_max: int  # 03h / 13h
    fast_read_hz_max: int  # 0Bh / 0Ch, and everything else
    die_bytes: int  # a read frame never crosses a multiple of this
    ecc_free: bool  # known to have no on-die ECC, so programming without erase is allowed
    protection: str | None  # name of the status-register layout, see chip/protection.py
    status_write: str | None  # how SR1.. may be written, see chip/protection.py
    quirks: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()
