"""One SPD content: bytes in, package terms out.

Memory-down boards store SPD contents in flash. Inside the 512-byte layout that LPDDR4 to
LPDDR5X share, the training code of the platform decides what several bytes mean; `Convention`
names what we tell apart. Sources: the byte positions and codes are those of JEDEC SPD4.1.2.M-2
(LPDDR) and SPD4.1.2.L-4 (DDR4) as EDK2's public headers SdramSpdLpDdr.h and SdramSpdDdr4.h give
them, and of coreboot's spd.h, ddr4.c and ddr5.h; the conventions were read off the public SPD
data of `tests/data/spd/` and hold on all entries that declare their attributes.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from flashbench.errors import CheckFailed
from flashbench.image.checks import Check, CheckKind, CheckState, Span, judged
from flashbench.image.memory_package import MemoryType

SPD_BYTES_MIN = 128  # the timing bytes end at 125, the CRC at 127


class SpdError(CheckFailed):
    """These bytes are not an SPD content that can be read here."""


class Convention(Enum):
    """What the platform's training code takes the bytes to mean. The value is for sentences."""

    INTEL_32 = "LPDDR4X, one 32-bit unit (density of a 16-bit channel)"
    PER_DIE = "LPDDR4X, per die (density of a whole die)"
    INTEL_CK = "LPDDR5, clock period stored"
    AMD_WCK = "LPDDR5, write clock period stored"
    DDR4 = "DDR4"
    DDR5 = "DDR5"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class SpdContent:
    """What one SPD content says, in the terms of `MemoryPackage`.

    `dies` is None where the convention does not count them: a unit of 32 bits is described, and
    a package may hold two. `capacity_gbit` is the capacity of `capacity_of`.
    """

    type: MemoryType
    convention: Convention
    density_gbit: int
    channels_per_die: int
    channels: int
    dies: int | None
    ranks: int
    width_bits: int
    die_width_bits: int
    tck_ps: int
    speed_mtps: int
    capacity_gbit: int
    capacity_of: str
    part_number: str
    crc: Check
    doubts: tuple[str, ...] = ()


TYPE_OF_CODE = {
    0x0C: MemoryType.DDR4,
    0x10: MemoryType.LPDDR4,
    0x11: MemoryType.LPDDR4X,
    0x12: MemoryType.DDR5,
    0x13: MemoryType.LPDDR5,
    0x15: MemoryType.LPDDR5X,
}
# Byte 4 bits 3:0, in Gbit (coreboot spd.h); 0 and 1 are 256 and 512 Mbit, which no part has.
DENSITY_GBIT = {2: 1, 3: 2, 4: 4, 5: 8, 6: 16, 7: 32, 8: 12, 9: 24, 10: 3, 11: 6, 12: 18}
_DDR5_DENSITY_GBIT = {1: 4, 2: 8, 3: 12, 4: 16, 5: 24, 6: 32, 7: 48, 8: 64}
_DDR5_DIES = {0: 1, 1: 2, 2: 3, 3: 4, 4: 8, 5: 16}

# tCK in ps for each grade: what the generated SPDs of the public data hold.
LPDDR4_TCK_PS = {3733: 535, 4267: 468}
LPDDR5_CK_PS = {5500: 1455, 6400: 1250, 7500: 1066, 8533: 937, 9600: 833}
LPDDR5_WCK_PS = {5500: 363, 6400: 312, 7500: 266, 8533: 234, 9600: 208}
_GRADES = {
    Convention.INTEL_32: (1600, 2133, 2400, 2667, 3200, 3733, 4267),
    Convention.INTEL_CK: (3200, 3733, 4267, 4800, 5500, 6000, 6400, 7500, 8533, 9600),
    Convention.DDR4: (1600, 1866, 2133, 2400, 2666, 2933, 3200),
    Convention.DDR5: (3200, 3600, 4000, 4400, 4800, 5200, 5600, 6000, 6400, 7200, 8000),
}
_GRADES[Convention.PER_DIE] = _GRADES[Convention.INTEL_32]
_GRADES[Convention.AMD_WCK] = _GRADES[Convention.INTEL_CK]
# Data rate = factor / tCK: two transfers a clock; LPDDR5 stores CK at WCK:CK = 4:1.
_TRANSFERS_PER_TCK = {Convention.INTEL_CK: 8}
# No LPDDR5 clock is this short, no write clock this long: 9600 has 833 and 208 ps, 3200 has
# 2500 and 625 ps.
_SHORTEST_CK_PS = 700
_FASTEST_LPDDR5 = 6400


def decode_spd(data: bytes) -> SpdContent:
    """What the SPD content at the start of `data` says; what follows it does no harm.

    Raises `SpdError` if the type is unknown, the data too short or a code has no meaning.
    """
    if len(data) < SPD_BYTES_MIN:
        raise _unreadable(f"it is {len(data)} bytes long and needs {SPD_BYTES_MIN}")
    memory_type = TYPE_OF_CODE.get(data[2])
    if memory_type is None:
        raise _unreadable(f"its type byte is {data[2]:02x}h")
    if memory_type is MemoryType.DDR5:
        return _decode_ddr5(data)
    if memory_type is MemoryType.DDR4:
        return _decode_ddr4(data)
    if data[0] & 0x7F == 0x30:
        raise _unreadable("it has the 1024-byte LPDDR5 layout (JESD406-5), which is not read here")
    return _decode_lpddr(data, memory_type)


def infer_convention(data: bytes) -> Convention:
    """The convention that bytes 2, 13 and 18 of an SPD content point to."""
    memory_type = TYPE_OF_CODE.get(data[2])
    if memory_type in (MemoryType.DDR4, MemoryType.DDR5):
        return Convention[memory_type.name]
    if memory_type is None:
        return Convention.UNKNOWN
    if memory_type.is_lpddr4:
        by_bus = {0x01: Convention.INTEL_32, 0x21: Convention.INTEL_32, 0x22: Convention.PER_DIE}
    elif time_ps(data, 18, 125) >= _SHORTEST_CK_PS:
        by_bus = {0x01: Convention.INTEL_CK, 0x21: Convention.INTEL_CK}
    else:
        by_bus = {0x02: Convention.AMD_WCK}
    return by_bus.get(data[13], Convention.UNKNOWN)


def time_ps(data: bytes, coarse: int, fine: int) -> int:
    """A time of 125 ps units in byte `coarse` and signed 1 ps units in byte `fine`."""
    return data[coarse] * 125 + int.from_bytes(data[fine : fine + 1], signed=True)


def spd_crc(data: bytes, *, stored_length: int | None = None) -> Check:
    """The CRC of the first part of an SPD content, with its state; offsets count from byte 0.

    ABSENT where the field holds 0000: that is how generated contents are stored, and boards
    boot with them. CRC-16/XMODEM, low byte first (JEDEC SPD annexes; the public data agree).
    """
    data = data[:stored_length]
    whole_ddr5 = data[2:3] == b"\x12" and data[1] != 0x08
    if whole_ddr5:
        field, covered = 510, 510
    else:
        field, covered = 126, 117 if data[0] & 0x80 else 126
    check = Check(
        kind=CheckKind.CRC_16_XMODEM, offset=field, order="little", covers=(Span(0, covered),)
    )
    if data[field : field + 2] == b"\0\0":
        return replace(check, state=CheckState.ABSENT, why="the CRC bytes are 00 00")
    return judged(data, check)


def channel_product_gbit(data: bytes) -> float:
    """Rows x columns x banks x width of the LPDDR and DDR4 layouts, in Gbit."""
    rows, columns = 12 + (data[5] >> 3 & 7), 9 + (data[5] & 7)
    bank_bits = 2 + (data[4] >> 4 & 3) + (data[4] >> 6)
    return float(2 ** (rows + columns + bank_bits) * (4 << (data[12] & 7)) / 2**30)


def _decode_lpddr(data: bytes, memory_type: MemoryType) -> SpdContent:
    convention = infer_convention(data)
    stored_density = _density(data)
    stored_dies = (data[6] >> 4 & 7) + 1
    stored_channels = _power_of_two(data[6] >> 2 & 3, "channels")
    ranks = (data[12] >> 3 & 7) + 1
    width = _width(data)
    tck_ps, speed = _speed(data, convention)
    doubts: list[str] = []
    dies: int | None = stored_dies
    channels_per_die = 1
    capacity_of = "package"
    if memory_type.is_lpddr5:
        density, channels = stored_density, stored_channels
        if channels * ranks != stored_dies:
            doubts.append(f"{stored_dies} dies do not make {channels} channels of {ranks} rank(s)")
    elif convention is Convention.PER_DIE:
        channels_per_die = stored_channels
        density = _divided(stored_density, channels_per_die)
        channels = max(1, channels_per_die * stored_dies // ranks)
    else:
        channels_per_die, dies = stored_channels, None
        density = _divided(stored_density, 16 // width if width < 16 else 1)
        channels = stored_channels
        capacity_of = "16-bit channel" if channels == 1 else f"{channels * width}-bit unit"
    if convention is Convention.AMD_WCK and speed > _FASTEST_LPDDR5:
        memory_type = MemoryType.LPDDR5X
    capacity = density * stored_dies if memory_type.is_lpddr5 else density * channels * ranks
    content = SpdContent(
        type=memory_type,
        convention=convention,
        density_gbit=density,
        channels_per_die=channels_per_die,
        channels=channels,
        dies=dies,
        ranks=ranks,
        width_bits=width,
        die_width_bits=width,
        tck_ps=tck_ps,
        speed_mtps=speed,
        capacity_gbit=capacity,
        capacity_of=capacity_of,
        part_number=_text(data[329:349]),
        crc=spd_crc(data),
    )
    return replace(content, doubts=(*doubts, *_lpddr_doubts(data, content)))


def _lpddr_doubts(data: bytes, content: SpdContent) -> list[str]:
    doubts = []
    if content.convention is Convention.UNKNOWN:
        doubts.append(
            f"bytes 13 and 18 ({data[13]:02x}h, {data[18]:02x}h) fit no convention known here"
        )
    product = channel_product_gbit(data)
    whole = 2 ** math.ceil(math.log2(content.density_gbit))
    if product != whole:
        doubts.append(
            f"rows, columns, banks and width multiply to {product:g} Gbit,"
            f" not to the {content.density_gbit} Gbit of byte 4"
        )
    return [*doubts, *_speed_doubts(content)]


def _decode_ddr4(data: bytes) -> SpdContent:
    density, dies = _density(data), (data[6] >> 4 & 7) + 1
    ranks, width = (data[12] >> 3 & 7) + 1, _width(data)
    tck_ps, speed = _speed(data, Convention.DDR4)
    doubts = []
    if width == 8 and dies == 1:
        doubts.append(
            "an x8 die by itself and a 16-bit package of two such dies are often stored alike"
        )
    content = SpdContent(
        type=MemoryType.DDR4,
        convention=Convention.DDR4,
        density_gbit=density,
        channels_per_die=1,
        channels=1,
        dies=dies,
        ranks=ranks,
        width_bits=max(width, width * dies // ranks),
        die_width_bits=width,
        tck_ps=tck_ps,
        speed_mtps=speed,
        capacity_gbit=density * dies,
        capacity_of="package",
        part_number=_text(data[329:349]),
        crc=spd_crc(data),
    )
    if channel_product_gbit(data) != 2 ** math.ceil(math.log2(density)):
        doubts.append("rows, columns, banks and width do not multiply to the density of byte 4")
    return replace(content, doubts=(*doubts, *_speed_doubts(content)))


def _decode_ddr5(data: bytes) -> SpdContent:
    density = _DDR5_DENSITY_GBIT.get(data[4] & 0x1F)
    dies = _DDR5_DIES.get(data[4] >> 5)
    if density is None or dies is None:
        raise _unreadable(f"its density byte is {data[4]:02x}h")
    width = 4 << (data[6] >> 5)
    tck_ps = int.from_bytes(data[20:22], "little")
    # Byte 234 lies beyond what some boards store; one rank is then all that can be said.
    ranks = (data[234] >> 3 & 7) + 1 if len(data) > 234 else 1
    content = SpdContent(
        type=MemoryType.DDR5,
        convention=Convention.DDR5,
        density_gbit=density,
        channels_per_die=1,
        channels=1,
        dies=dies,
        ranks=ranks,
        width_bits=width,
        die_width_bits=width,
        tck_ps=tck_ps,
        speed_mtps=_grade(tck_ps, Convention.DDR5),
        capacity_gbit=density * dies,
        capacity_of="package",
        part_number=_text(data[521:551]),
        crc=spd_crc(data),
    )
    return replace(content, doubts=tuple(_speed_doubts(content)))


def _speed(data: bytes, convention: Convention) -> tuple[int, int]:
    tck_ps = time_ps(data, 18, 125)
    return tck_ps, _grade(tck_ps, convention)


def _grade(tck_ps: int, convention: Convention) -> int:
    """The standard grade within one part in a hundred of the stored clock, else what it gives."""
    if tck_ps <= 0:
        raise _unreadable("its clock period is zero or negative")
    rate = _TRANSFERS_PER_TCK.get(convention, 2) * 1_000_000 / tck_ps
    near = [grade for grade in _GRADES.get(convention, ()) if abs(grade - rate) < rate / 100]
    return near[0] if near else round(rate)


def _speed_doubts(content: SpdContent) -> list[str]:
    if content.speed_mtps in _GRADES.get(content.convention, (content.speed_mtps,)):
        return []
    return [f"a clock period of {content.tck_ps} ps belongs to no standard speed grade"]


def _density(data: bytes) -> int:
    density = DENSITY_GBIT.get(data[4] & 0x0F)
    if density is None:
        raise _unreadable(f"its density byte is {data[4]:02x}h")
    return density


def _width(data: bytes) -> int:
    code = data[12] & 7
    if code > 3:
        raise _unreadable(f"its width byte is {data[12]:02x}h")
    return 4 << code


def _power_of_two(code: int, what: str) -> int:
    if code > 2:
        raise _unreadable(f"its number of {what} is coded as {code}")
    return 1 << code


def _divided(density: int, parts: int) -> int:
    if density % parts:
        raise _unreadable(f"{density} Gbit cannot be shared by {parts} channels")
    return density // parts


def _text(field: bytes) -> str:
    """Printable ASCII up to the padding, or nothing."""
    text = field.split(b"\0")[0].split(b"\xff")[0].strip()
    return text.decode("ascii") if text and all(0x20 <= byte < 0x7F for byte in text) else ""


def _unreadable(why: str) -> SpdError:
    return SpdError(
        f"These bytes cannot be read as an SPD content: {why}.",
        next_step="Check the place in the image, or leave these bytes alone.",
    )
