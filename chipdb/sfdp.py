"""Serial Flash Discoverable Parameters (JESD216 to JESD216F): bytes in, dataclasses out.

`parse` decides by the length of each table, never by its revision, because chips exist whose
revision bytes do not fit their tables. What a table states is repeated here; what is known to be
wrong in it is a matter for the chip table and for `flashbench.chip.profile.reconcile`. An erase
opcode is kept only if it belongs to a pair of opcode and size that the trade knows, so that a
misread byte cannot become a strange command.

The JEDEC standards were not at hand. Field positions follow three public readers of them: the
Linux kernel (drivers/mtd/spi-nor/sfdp.c, sfdp.h), Zephyr (drivers/flash/jesd216.h) and the
ChromiumOS EC (include/sfdp.h). Fields marked "from memory" follow none of them and decide nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Final

BASIC_TABLE: Final = 0xFF00
SECTOR_MAP_TABLE: Final = 0xFF81
FOUR_BYTE_TABLE: Final = 0xFF84

TABLE_NAMES: Final = {
    BASIC_TABLE: "basic flash parameters",
    SECTOR_MAP_TABLE: "sector map",
    FOUR_BYTE_TABLE: "4-byte address instructions",
    0xFF03: "replay protected monotonic counters",
    0xFF05: "xSPI profile 1",
    0xFF06: "xSPI profile 2",
    0xFF87: "status, control and configuration register map",
    0xFF0A: "command sequences to change to octal DDR mode",
}

MAX_BYTES: Final = 4096
"""No known chip places a table above this; pointers beyond it are not followed."""

_KIB: Final = 1024
_BLOCK_SIZES: Final = frozenset(n * _KIB for n in (8, 16, 32, 64, 128, 256))
ERASE_SIZES: Final = {
    0x20: frozenset({4 * _KIB}),
    0x52: frozenset({32 * _KIB}),
    0xD8: _BLOCK_SIZES,
    0x81: frozenset({256}),
    0x21: frozenset({4 * _KIB}),
    0x5C: frozenset({32 * _KIB}),
    0xDC: _BLOCK_SIZES,
}
"""Every pair of erase opcode and unit in bytes that may be sent; each corpus part fits."""

FOUR_BYTE_FORM: Final = {0x20: 0x21, 0x52: 0x5C, 0xD8: 0xDC}
"""3-byte-address erase opcode to the opcode that carries 4 address bytes."""


class SfdpError(Exception):
    """The bytes are no SFDP that can be used; the message is a sentence."""


class AddressBytes(Enum):
    """BFPT DWORD 1 bits 18:17."""

    THREE = "3-byte addresses only"
    THREE_OR_FOUR = "3-byte addresses, 4-byte on command"
    FOUR = "4-byte addresses only"


class QuadEnable(Enum):
    """BFPT DWORD 15 bits 22:20: which bit turns IO2 and IO3 on, and what a 01h write does."""

    NONE = 0
    SR2_BIT1_ONE_BYTE_CLEARS = 1
    SR1_BIT6 = 2
    SR2_BIT7 = 3
    SR2_BIT1_ONE_BYTE_KEEPS = 4
    SR2_BIT1_TWO_BYTES = 5
    SR2_BIT1_WRITE_31H = 6
    RESERVED = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterHeader:
    """One entry of the table directory. `id` is MSB then LSB, e.g. 0xFF00."""

    id: int
    major: int
    minor: int
    dwords: int
    address: int

    @property
    def name(self) -> str:
        known = TABLE_NAMES.get(self.id)
        if known:
            return known
        return "vendor" if _is_vendor_id(self.id) else "unknown"

    @property
    def end(self) -> int:
        return self.address + 4 * self.dwords


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseType:
    """One erase type of the basic table. Times are None in tables of 9 DWORDs.

    `number` is 1 to 4, the position that the sector map and the 4-byte table refer to.
    """

    number: int
    opcode: int
    size: int
    ms_typ: float | None = None
    ms_max: float | None = None
    opcode_4byte: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadMode:
    """A fast read: lines used for opcode, address and data, e.g. "1-1-4"."""

    lines: str
    opcode: int
    mode_clocks: int
    wait_states: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressModeClaims:
    """How the chip says it reaches above 16 MiB: DWORD 1 bits 18:17 and DWORD 16 bits 31:14.

    The DWORD 16 part counts only above 16 MiB: smaller chips may leave all its bits set.
    """

    address_bytes: AddressBytes | None
    enter_b7: bool = False
    enter_06_b7: bool = False
    extended_register_c5: bool = False
    bank_register_17: bool = False
    dedicated_opcodes: bool = False
    always_4byte: bool = False
    leave_e9: bool = False
    leave_06_e9: bool = False
    in_table: bool = False  # whether DWORD 16 exists


@dataclass(frozen=True, slots=True, kw_only=True)
class FourByteTable:
    """FF84: the opcodes that carry 4 address bytes in every mode.

    `erase_opcodes` maps the number of an erase type to its opcode, known pairs only.
    """

    read_13h: bool
    fast_read_0ch: bool
    program_12h: bool
    erase_opcodes: tuple[tuple[int, int], ...]
    other_reads: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether a whole job can be done with them: read, program and one erase."""
        return (
            (self.read_13h or self.fast_read_0ch) and self.program_12h and bool(self.erase_opcodes)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MapSelection:
    """A read that yields one bit of the index of the map in force. Nothing here sends it.

    `address_bytes` and `wait_states` are None where the chip's current setting applies.
    """

    opcode: int
    address_bytes: int | None
    wait_states: int | None
    bit_mask: int
    address: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorRegion:
    """A stretch of the array: `erase_numbers` are the erase types that work in it."""

    start: int
    length: int
    erase_numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorLayout:
    """One configuration of the array."""

    id: int
    regions: tuple[SectorRegion, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorMap:
    """FF81. With no selections and one layout, that layout is in force."""

    selections: tuple[MapSelection, ...]
    layouts: tuple[SectorLayout, ...]

    @property
    def fixed(self) -> SectorLayout | None:
        """The layout in force if no register decides it, else None."""
        if not self.selections and len(self.layouts) == 1:
            return self.layouts[0]
        return None

    def chosen(self, answers: Sequence[int]) -> SectorLayout | None:
        """The layout in force, given what each selection read; None if the map has none for it.

        The bits, the first selection's highest, are the layout's ID [Linux, sfdp.c].
        """
        index = 0
        for selection, answer in zip(self.selections, answers, strict=True):
            index = index << 1 | bool(answer & selection.bit_mask)
        fitting = [layout for layout in self.layouts if layout.id == index]
        return fitting[0] if len(fitting) == 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusWriteRule:
    """BFPT DWORD 1 bits 4:3 and DWORD 16 bits 6:0 (`stated`: whether DWORD 16 exists)."""

    locked_at_power_up: bool  # DW1 bit 3: the bits come up set and are volatile
    volatile_enable_opcode: int | None  # DW1 bit 4, where bit 3 says that it means something
    stated: bool = False
    non_volatile_06: bool = False
    volatile_06: bool = False
    volatile_50: bool = False
    both: bool = False  # 06h writes non-volatile, 50h volatile
    mixed_06: bool = False

    @property
    def volatile_by_50h(self) -> bool:
        """Whether 50h and a write change the bits until power-off only."""
        return self.volatile_50 or self.both


@dataclass(frozen=True, slots=True, kw_only=True)
class DeepPowerDown:
    """BFPT DWORD 14. `exit_opcode` is None where the chip gives none (00h or FFh)."""

    supported: bool
    enter_opcode: int | None = None
    exit_opcode: int | None = None
    exit_delay_us: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspend:
    """BFPT DWORDs 12 and 13."""

    supported: bool
    erase_suspend_opcode: int | None = None
    erase_resume_opcode: int | None = None
    program_suspend_opcode: int | None = None
    program_resume_opcode: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """BFPT DWORD 16 bits 13:8."""

    clocks_of_f_on_4_wires: tuple[int, ...] = ()
    opcode_f0: bool = False
    opcodes_66_99: bool = False
    leave_0_4_4_first: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Octal:
    """BFPT DWORDs 17 to 20, for the record: this project drives one wire only.

    `command_extension`: 0 repeated, 1 inverted, 3 a 16-bit opcode. `speed_codes` are the eight
    4-bit codes of DWORD 20, LSB first; 15 means not supported.
    """

    command_extension: int | None
    speed_codes: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sfdp:
    """Everything the tables state, in plain units. `doubts` are sentences for the user."""

    raw: bytes
    major: int
    minor: int
    headers: tuple[ParameterHeader, ...]
    bfpt: tuple[int, ...]  # the basic table's DWORDs
    density_bytes: int
    page_size: int | None  # None in tables of 9 DWORDs
    buffer_at_least_64: bool
    erase_types: tuple[EraseType, ...]  # in the table's order, which is not by size
    program_us_typ: float | None
    program_us_max: float | None
    first_byte_us_typ: float | None
    next_byte_us_typ: float | None
    chip_erase_ms_typ: float | None
    chip_erase_ms_max: float | None
    address: AddressModeClaims
    four_byte: FourByteTable | None
    sector_map: SectorMap | None
    read_modes: tuple[ReadMode, ...]
    dtr: bool
    status_write: StatusWriteRule
    quad_enable: QuadEnable | None
    hold_disable: bool
    poll_05_bit0: bool | None
    poll_70_bit7: bool | None
    deep_power_down: DeepPowerDown | None
    suspend: Suspend | None
    reset: Reset | None
    octal: Octal | None
    supply_volts: tuple[float, float] | None
    tables: tuple[str, ...]  # one line for each header, known or not
    doubts: tuple[str, ...] = field(default=())

    @property
    def announces_sector_map(self) -> bool:
        """Whether there is an FF81 table, readable or not: the erase units may differ by place."""
        return any(header.id == SECTOR_MAP_TABLE for header in self.headers)

    @property
    def ambiguous_opcodes(self) -> frozenset[int]:
        """Erase opcodes with more than one size: address or configuration decides the unit."""
        sizes: dict[int, set[int]] = {}
        for kind in self.erase_types:
            sizes.setdefault(kind.opcode, set()).add(kind.size)
        return frozenset(opcode for opcode, found in sizes.items() if len(found) > 1)


def bytes_needed(start: bytes) -> int:
    """How many bytes from address 0 hold every table, judged by the headers in `start`.

    `start` is at least the first 16 bytes; give 256 to see every header of real chips. The
    answer is at most `MAX_BYTES`.

    Raises:
        SfdpError: `start` does not begin with an SFDP header.
    """
    count = _header_count(start)
    ends = [h.end for h in _parameter_headers(start, count) if h.end <= MAX_BYTES]
    return max([8 + 8 * count, *ends])


def parse(data: bytes) -> Sfdp:
    """Decode the SFDP area read from address 0. `data` may be longer than the tables.

    Raises:
        SfdpError: for anything from which no density and no basic table can be had.
    """
    doubts: list[str] = []
    count = _header_count(data)
    headers = _parameter_headers(data, count)
    if data[7] not in (0xFF, 0xFD):
        doubts.append(f"The SFDP header states access protocol {data[7]:02X}h, which is not known.")
    if len(headers) < count:
        doubts.append(f"Only {len(headers)} of {count} SFDP parameter headers were read.")
    bfpt = _basic_table(data, headers)
    sfdp = _decode_basic(data, headers, bfpt, doubts)
    sfdp = _with_four_byte_table(sfdp, doubts)
    sector_map = _sector_map(sfdp, doubts)
    supply = _supply(data, headers, doubts)
    return replace(sfdp, sector_map=sector_map, supply_volts=supply, doubts=tuple(doubts))


def parse_basic_table(bfpt: bytes) -> Sfdp:
    """Decode a basic table that came without its header, as device trees and some notes give it.

    Raises:
        SfdpError: as `parse`.
    """
    dwords = len(bfpt) // 4
    if not 9 <= dwords <= 255:
        raise SfdpError(f"A basic table of {len(bfpt)} bytes is not one of 9 to 255 DWORDs.")
    header = b"SFDP" + bytes([0, 1, 0, 0xFF]) + bytes([0, 0, 1, dwords, 16, 0, 0, 0xFF])
    return parse(header + bfpt)


def _header_count(data: bytes) -> int:
    if len(data) < 16:
        raise SfdpError(f"{len(data)} bytes are too few for an SFDP header and one table header.")
    if data[:4] != b"SFDP":
        seen = data[:4].hex(" ").upper()
        if len(set(data)) == 1:
            raise SfdpError(f"The chip answers {data[0]:02X}h throughout: it has no SFDP.")
        raise SfdpError(f"The chip answers {seen} where an SFDP begins with 53 46 44 50.")
    if data[5] != 1:
        raise SfdpError(f"SFDP major revision {data[5]} is not known; only 1 is.")
    return data[6] + 1


def _parameter_headers(data: bytes, count: int) -> tuple[ParameterHeader, ...]:
    found = []
    for at in range(8, min(8 + 8 * count, len(data) - 7), 8):
        low, minor, major, dwords, a0, a1, a2, high = data[at : at + 8]
        found.append(
            ParameterHeader(
                id=high << 8 | low,
                major=major,
                minor=minor,
                dwords=dwords,
                address=a0 | a1 << 8 | a2 << 16,
            )
        )
    return tuple(found)


def _basic_table(data: bytes, headers: Sequence[ParameterHeader]) -> tuple[int, ...]:
    if not headers or headers[0].id != BASIC_TABLE:
        found = f"{headers[0].id:04X}h" if headers else "none"
        raise SfdpError(f"The first SFDP table is {found}, not the basic table FF00h.")
    basics = [h for h in headers if h.id == BASIC_TABLE and h.major == 1]
    whole = [h for h in basics if h.dwords >= 9 and h.end <= min(len(data), MAX_BYTES)]
    if not whole:
        raise SfdpError(
            "No basic table of 9 DWORDs or more lies whole within"
            f" the {len(data)} bytes read from the SFDP area."
        )
    best = max(whole, key=lambda h: (h.minor, h.dwords))
    raw = data[best.address : best.end]
    if len(set(raw)) == 1:
        raise SfdpError(f"The basic table holds {raw[0]:02X}h throughout.")
    return _dwords(raw)


def _dwords(raw: bytes) -> tuple[int, ...]:
    return tuple(int.from_bytes(raw[i : i + 4], "little") for i in range(0, len(raw), 4))


def _decode_basic(
    data: bytes,
    headers: tuple[ParameterHeader, ...],
    bfpt: tuple[int, ...],
    doubts: list[str],
) -> Sfdp:
    dw = _Fields(bfpt)
    density = _density_bytes(bfpt[1], doubts)
    program_typ, program_max = _program_us(dw)
    chip_typ, chip_max = _chip_erase_ms(dw)
    return Sfdp(
        raw=bytes(data),
        major=data[5],
        minor=data[4],
        headers=headers,
        bfpt=bfpt,
        density_bytes=density,
        page_size=1 << dw.get(11, 7, 4) if dw.has(11) else None,
        buffer_at_least_64=bool(dw.get(1, 2, 2)),
        erase_types=_erase_types(dw, density, doubts),
        program_us_typ=program_typ,
        program_us_max=program_max,
        first_byte_us_typ=(dw.get(11, 17, 14) + 1) * (1, 8)[dw.get(11, 18, 18)]
        if dw.has(11)
        else None,
        next_byte_us_typ=(dw.get(11, 22, 19) + 1) * (1, 8)[dw.get(11, 23, 23)]
        if dw.has(11)
        else None,
        chip_erase_ms_typ=chip_typ,
        chip_erase_ms_max=chip_max,
        address=_address_claims(dw, density, doubts),
        four_byte=None,
        sector_map=None,
        read_modes=_read_modes(dw),
        dtr=bool(dw.get(1, 19, 19)),
        status_write=_status_write(dw),
        quad_enable=QuadEnable(dw.get(15, 22, 20)) if dw.has(15) else None,
        hold_disable=bool(dw.get(15, 23, 23)) if dw.has(15) else False,
        poll_05_bit0=bool(dw.get(14, 2, 2)) if dw.has(14) else None,
        poll_70_bit7=bool(dw.get(14, 3, 3)) if dw.has(14) else None,
        deep_power_down=_deep_power_down(dw),
        suspend=_suspend(dw),
        reset=_reset(dw),
        octal=_octal(dw),
        supply_volts=None,
        tables=tuple(_table_line(h, len(data)) for h in headers),
    )


class _Fields:
    """The basic table, asked in the standard's own terms: DWORD numbers from 1, bits high:low."""

    def __init__(self, dwords: Sequence[int]) -> None:
        self._dwords = dwords

    def has(self, dword: int) -> bool:
        return dword <= len(self._dwords)

    def get(self, dword: int, high: int, low: int) -> int:
        return self._dwords[dword - 1] >> low & (1 << high - low + 1) - 1


def _density_bytes(dword2: int, doubts: list[str]) -> int:
    if dword2 >> 31:
        exponent = dword2 & 0x7FFFFFFF
        if not 32 <= exponent <= 40:
            raise SfdpError(f"The SFDP states a density of 2^{exponent} bits, which no chip has.")
        return 1 << exponent - 3
    bits = dword2 + 1
    if bits % 8:
        raise SfdpError(f"The SFDP states a density of {bits} bits, which is no number of bytes.")
    if bits & bits - 1:
        doubts.append(f"The SFDP states {bits // 8} bytes, which is no power of two.")
    return bits // 8


def _erase_types(dw: _Fields, density: int, doubts: list[str]) -> tuple[EraseType, ...]:
    found: list[EraseType] = []
    for number in range(1, 5):
        dword, shift = 8 + (number - 1) // 2, 16 * ((number - 1) % 2)
        exponent = dw.get(dword, shift + 7, shift)
        opcode = dw.get(dword, shift + 15, shift + 8)
        if exponent == 0:
            continue
        size = 1 << exponent
        if size not in ERASE_SIZES.get(opcode, ()) or size > density:
            doubts.append(
                f"SFDP erase type {number} ({opcode:02X}h, 2^{exponent} bytes) is not a known"
                " pair of opcode and size for this chip and is not used."
            )
            continue
        typ, longest = _erase_ms(dw, number)
        found.append(EraseType(number=number, opcode=opcode, size=size, ms_typ=typ, ms_max=longest))
    four_kib = dw.get(1, 15, 8)
    if dw.get(1, 1, 0) == 1 and not any(t.opcode == four_kib for t in found):
        doubts.append(f"The SFDP names {four_kib:02X}h for 4 KiB in one place only: not used.")
    for opcode in sorted({t.opcode for t in found}):
        sizes = sorted({t.size for t in found if t.opcode == opcode})
        if len(sizes) > 1:
            listed = ", ".join(f"{size // _KIB} KiB" for size in sizes)
            doubts.append(
                f"Erase opcode {opcode:02X}h stands for {listed}: the address or a setting of the"
                " chip decides which."
            )
    return tuple(found)


def _erase_ms(dw: _Fields, number: int) -> tuple[float | None, float | None]:
    if not dw.has(10):
        return None, None
    low = 4 + 7 * (number - 1)
    unit = (1, 16, 128, 1000)[dw.get(10, low + 6, low + 5)]
    typ = (dw.get(10, low + 4, low) + 1) * unit
    return float(typ), float(2 * (dw.get(10, 3, 0) + 1) * typ)


def _program_us(dw: _Fields) -> tuple[float | None, float | None]:
    if not dw.has(11):
        return None, None
    typ = (dw.get(11, 12, 8) + 1) * (8, 64)[dw.get(11, 13, 13)]
    return float(typ), float(2 * (dw.get(11, 3, 0) + 1) * typ)


def _chip_erase_ms(dw: _Fields) -> tuple[float | None, float | None]:
    """The standard gives no multiplier for it; of the two there are, the larger is taken."""
    if not dw.has(11):
        return None, None
    typ = (dw.get(11, 28, 24) + 1) * (16, 256, 4000, 64000)[dw.get(11, 30, 29)]
    multiplier = max(dw.get(10, 3, 0), dw.get(11, 3, 0))
    return float(typ), float(2 * (multiplier + 1) * typ)


def _address_claims(dw: _Fields, density: int, doubts: list[str]) -> AddressModeClaims:
    code = dw.get(1, 18, 17)
    stated = (AddressBytes.THREE, AddressBytes.THREE_OR_FOUR, AddressBytes.FOUR, None)[code]
    if stated is None:
        doubts.append("The SFDP's address-byte field holds the reserved value 3.")
    large = density > 16 * _KIB * _KIB
    if large and stated is AddressBytes.THREE:
        doubts.append("The SFDP says 3-byte addresses only, which cannot reach all of the chip.")
    if not dw.has(16) or not large:
        return AddressModeClaims(address_bytes=stated, in_table=dw.has(16))

    def bit(number: int) -> bool:
        return bool(dw.get(16, number, number))

    return AddressModeClaims(
        address_bytes=stated,
        enter_b7=bit(24),
        enter_06_b7=bit(25),
        extended_register_c5=bit(26),
        bank_register_17=bit(27),
        dedicated_opcodes=bit(29),
        # Chips leave bit 30 set without meaning it; sent to a 3-byte chip, a fourth address
        # byte moves every erase and program elsewhere.
        always_4byte=bit(30) and stated is AddressBytes.FOUR,
        leave_e9=bit(14),
        leave_06_e9=bit(15),
        in_table=True,
    )


# lines, DWORD and bit that say it is supported (None: the opcode decides), DWORD, low bit
_READS: Final = (
    ("1-4-4", (1, 21), 3, 0),
    ("1-1-4", (1, 22), 3, 16),
    ("1-1-2", (1, 16), 4, 0),
    ("1-2-2", (1, 20), 4, 16),
    ("2-2-2", (5, 0), 6, 16),
    ("4-4-4", (5, 4), 7, 16),
    ("1-8-8", None, 17, 0),
    ("1-1-8", None, 17, 16),
)


def _read_modes(dw: _Fields) -> tuple[ReadMode, ...]:
    found = []
    for lines, support, dword, low in _READS:
        if not dw.has(dword):
            continue
        opcode = dw.get(dword, low + 15, low + 8)
        if support is None and opcode in (0x00, 0xFF):
            continue
        if support is not None and not dw.get(support[0], support[1], support[1]):
            continue
        found.append(
            ReadMode(
                lines=lines,
                opcode=opcode,
                mode_clocks=dw.get(dword, low + 7, low + 5),
                wait_states=dw.get(dword, low + 4, low),
            )
        )
    return tuple(found)


def _status_write(dw: _Fields) -> StatusWriteRule:
    locked = bool(dw.get(1, 3, 3))
    enable = (0x50, 0x06)[dw.get(1, 4, 4)] if locked else None
    if not dw.has(16):
        return StatusWriteRule(locked_at_power_up=locked, volatile_enable_opcode=enable)
    bits = [bool(dw.get(16, n, n)) for n in range(5)]
    return StatusWriteRule(
        locked_at_power_up=locked,
        volatile_enable_opcode=enable,
        stated=True,
        non_volatile_06=bits[0],
        volatile_06=bits[1],
        volatile_50=bits[2],
        both=bits[3],
        mixed_06=bits[4],
    )


def _opcode_or_none(value: int) -> int | None:
    return None if value in (0x00, 0xFF) else value


def _deep_power_down(dw: _Fields) -> DeepPowerDown | None:
    if not dw.has(14):
        return None
    if dw.get(14, 31, 31):
        return DeepPowerDown(supported=False)
    unit_ns = (128, 1000, 8000, 64000)[dw.get(14, 14, 13)]
    return DeepPowerDown(
        supported=True,
        enter_opcode=_opcode_or_none(dw.get(14, 30, 23)),
        exit_opcode=_opcode_or_none(dw.get(14, 22, 15)),
        exit_delay_us=(dw.get(14, 12, 8) + 1) * unit_ns / 1000,
    )


def _suspend(dw: _Fields) -> Suspend | None:
    if not dw.has(13):
        return None
    if dw.get(12, 31, 31):
        return Suspend(supported=False)
    return Suspend(
        supported=True,
        erase_suspend_opcode=_opcode_or_none(dw.get(13, 31, 24)),
        erase_resume_opcode=_opcode_or_none(dw.get(13, 23, 16)),
        program_suspend_opcode=_opcode_or_none(dw.get(13, 15, 8)),
        program_resume_opcode=_opcode_or_none(dw.get(13, 7, 0)),
    )


def _reset(dw: _Fields) -> Reset | None:
    if not dw.has(16):
        return None
    return Reset(
        clocks_of_f_on_4_wires=tuple(
            clocks for bit, clocks in ((8, 8), (9, 10), (10, 16)) if dw.get(16, bit, bit)
        ),
        opcode_f0=bool(dw.get(16, 11, 11)),
        opcodes_66_99=bool(dw.get(16, 12, 12)),
        leave_0_4_4_first=bool(dw.get(16, 13, 13)),
    )


def _octal(dw: _Fields) -> Octal | None:
    if not dw.has(18):
        return None
    speeds = tuple(dw.get(20, low + 3, low) for low in range(0, 32, 4)) if dw.has(20) else ()
    return Octal(command_extension=dw.get(18, 30, 29), speed_codes=speeds)


def _table_line(header: ParameterHeader, available: int) -> str:
    line = (
        f"{header.id:04X}h {header.name}, {header.major}.{header.minor},"
        f" {header.dwords} DWORDs at {header.address:06X}h"
    )
    return line if header.end <= min(available, MAX_BYTES) else f"{line} (not read)"


def _tables(sfdp: Sfdp, table_id: int) -> Iterator[bytes]:
    """The bytes of every table of this ID that lies within the data and is not blank."""
    for header in sfdp.headers:
        if header.id == table_id and header.dwords and header.end <= min(len(sfdp.raw), MAX_BYTES):
            raw = sfdp.raw[header.address : header.end]
            if set(raw) != {0xFF}:
                yield raw


_OTHER_READS: Final = ((2, "3Ch"), (3, "BCh"), (4, "6Ch"), (5, "ECh"))


def _with_four_byte_table(sfdp: Sfdp, doubts: list[str]) -> Sfdp:
    raw = next((r for r in _tables(sfdp, FOUR_BYTE_TABLE) if len(r) >= 8), None)
    if raw is None:
        return sfdp
    support, opcodes = _dwords(raw)[:2]
    pairs: list[tuple[int, int]] = []
    types: list[EraseType] = []
    for kind in sfdp.erase_types:
        stated = opcodes >> 8 * (kind.number - 1) & 0xFF
        if not support >> 8 + kind.number & 1:
            types.append(kind)
        elif stated == FOUR_BYTE_FORM.get(kind.opcode):
            types.append(replace(kind, opcode_4byte=stated))
            pairs.append((kind.number, stated))
        else:
            types.append(kind)
            doubts.append(
                f"The 4-byte table gives {stated:02X}h for erase type {kind.number}"
                f" ({kind.opcode:02X}h), which is not its 4-byte form; it is not used."
            )
    table = FourByteTable(
        read_13h=bool(support & 1),
        fast_read_0ch=bool(support & 2),
        program_12h=bool(support >> 6 & 1),
        erase_opcodes=tuple(pairs),
        other_reads=tuple(name for bit, name in _OTHER_READS if support >> bit & 1),
    )
    return replace(sfdp, four_byte=table, erase_types=tuple(types))


def _sector_map(sfdp: Sfdp, doubts: list[str]) -> SectorMap | None:
    raw = next(_tables(sfdp, SECTOR_MAP_TABLE), None)
    if raw is None:
        return None
    selections: list[MapSelection] = []
    layouts: list[SectorLayout] = []
    dwords = _dwords(raw)
    at, last = 0, False
    while not last and at < len(dwords):
        first = dwords[at]
        # On the last selection the bit ends the selections, and maps follow [Linux, sfdp.c].
        last = bool(first & 1) and bool(first & 2)
        count = (first >> 16 & 0xFF) + 1 if first & 2 else 1
        body = dwords[at + 1 : at + 1 + count]
        if len(body) < count:
            break
        if first & 2:
            layouts.append(SectorLayout(id=first >> 8 & 0xFF, regions=_regions(body)))
        else:
            selections.append(_selection(first, body[0]))
        at += 1 + count
    whole = [
        layout
        for layout in layouts
        if sum(r.length for r in layout.regions) == sfdp.density_bytes
        and all(r.erase_numbers for r in layout.regions)
    ]
    if len(whole) != len(layouts) or not whole:
        doubts.append("The SFDP's sector map does not cover the array as the density says.")
        return None
    return SectorMap(selections=tuple(selections), layouts=tuple(whole))


def _regions(dwords: Sequence[int]) -> tuple[SectorRegion, ...]:
    found = []
    start = 0
    for dword in dwords:
        length = ((dword >> 8) + 1) * 256
        numbers = tuple(n for n in range(1, 5) if dword >> n - 1 & 1)
        found.append(SectorRegion(start=start, length=length, erase_numbers=numbers))
        start += length
    return tuple(found)


def _selection(first: int, address: int) -> MapSelection:
    wait = first >> 16 & 0xF
    return MapSelection(
        opcode=first >> 8 & 0xFF,
        address_bytes=(0, 3, 4, None)[first >> 22 & 3],
        wait_states=None if wait == 0xF else wait,
        bit_mask=first >> 24 & 0xFF,
        address=address,
    )


def _is_vendor_id(table_id: int) -> bool:
    """Maker codes have odd parity (JEP106); JEDEC's own table IDs have an even low byte."""
    return (table_id & 0xFF).bit_count() % 2 == 1


def _supply(
    data: bytes, headers: Sequence[ParameterHeader], doubts: list[str]
) -> tuple[float, float] | None:
    """No JEDEC table states the supply; many vendor tables do, in their first DWORD."""
    found = set()
    for header in headers:
        if _is_vendor_id(header.id) and header.dwords and header.end <= min(len(data), MAX_BYTES):
            halves = sorted(
                _bcd_millivolts(data[header.address + at + 1], data[header.address + at])
                for at in (0, 2)
            )
            if 1000 <= halves[0] < halves[1] <= 4000:
                found.add((halves[0] / 1000, halves[1] / 1000))
    if len(found) > 1:
        doubts.append("Two vendor tables of the SFDP state different supplies; neither is used.")
        return None
    return next(iter(found), None)


def _bcd_millivolts(high: int, low: int) -> int:
    """Four BCD digits, or 0 where a digit is above 9."""
    digits = (high >> 4, high & 15, low >> 4, low & 15)
    if max(digits) > 9:
        return 0
    return digits[0] * 1000 + digits[1] * 100 + digits[2] * 10 + digits[3]
