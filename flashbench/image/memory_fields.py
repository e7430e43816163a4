"""The fields of an SPD content that depend on the memory package, for each convention.

Sources: positions and codes as in `spd`. The timing values and which attribute decides which
byte were read off the public SPD data of `tests/data/spd/`; CAS latency bits are those of EDK2's
SdramSpdLpDdr.h. A value that no source gives is refused, never extrapolated silently.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NoReturn

from flashbench.errors import CheckFailed
from flashbench.image.memory_package import MemoryPackage, MemoryType
from flashbench.image.spd import (
    DENSITY_GBIT,
    LPDDR4_TCK_PS,
    LPDDR5_CK_PS,
    LPDDR5_WCK_PS,
    Convention,
    SpdContent,
)


@dataclass(frozen=True, slots=True)
class Bits:
    """New bits of one byte of the content."""

    at: int
    mask: int
    value: int


@dataclass(frozen=True, slots=True)
class PackageField:
    """Bits of one meaning, and the `MemoryPackage` fields that decide them."""

    name: str
    needs: frozenset[str]
    bits: tuple[Bits, ...]
    reason: str


def fields_to_write(
    content: bytes, before: SpdContent, package: MemoryPackage, differing: set[str]
) -> list[PackageField]:
    """The fields that any attribute of `differing` decides, with their new values.

    Raises `CheckFailed` for a value that cannot be coded or that no source gives.
    """
    builders = _DDR4_FIELDS if before.convention is Convention.DDR4 else _LPDDR_FIELDS
    return [
        PackageField(name, needs & differing, tuple(build(content, before, package)), reason)
        for name, needs, build, reason in builders
        if needs & differing
    ]


def stored_trfc_ps(before: SpdContent, content: bytes) -> tuple[int, ...]:
    """Refresh times as stored: all-bank and per-bank (LPDDR), or 1x, 2x, 4x (DDR4)."""
    places = (30, 32, 34) if before.convention is Convention.DDR4 else (29, 31)
    return tuple(int.from_bytes(content[at : at + 2], "little") * 125 for at in places)


def cas_mask(latencies: Iterable[int]) -> bytes:
    """Bytes 20 to 23 of an LPDDR4/4X content that lists these latencies."""
    mask = 0
    for latency in latencies:
        if latency not in _LPDDR4_CAS_BIT:
            refuse(f"CAS latency {latency} has no bit in bytes 20 to 23.")
        mask |= 1 << _LPDDR4_CAS_BIT[latency]
    return mask.to_bytes(4, "little")


def refuse(seen: str) -> NoReturn:
    raise CheckFailed(
        seen,
        next_step="Check the package against its data sheet; if that is right, these bytes have"
        " to be worked out by hand and named in an edit file.",
    )


# Bit 13 (CL 26) is reserved in the header and set in every x8 content of the public data.
_LPDDR4_CAS_BIT = {
    latency: bit
    for bit, latency in enumerate(
        (3, 6, 8, 9, 10, 11, 12, 14, 16, None, 20, 22, 24, 26, 28, None, 32, None, 36, None, 40)
    )
    if latency is not None
}
_LPDDR4_LATENCIES = {16: (6, 10, 14, 20, 24, 28, 32, 36), 8: (6, 10, 16, 22, 26, 32, 36, 40)}
# CL at (speed, width); tAA = CL x tCK exactly in all generated contents.
_LPDDR4_CL = {(3733, 16): 32, (4267, 16): 36, (4267, 8): 40}
_LPDDR5_CL = {5500: 15, 6400: 17, 7500: 20, 8533: 23, 9600: 26}
# All-bank and per-bank refresh in ns, by density of a channel (LPDDR4/4X) or die (LPDDR5/5X).
_LPDDR4_TRFC_NS = {4: (180, 90), 6: (280, 140), 8: (280, 140), 12: (380, 190), 16: (380, 190)}
_LPDDR5_TRFC_NS = {
    4: (180, 90), 6: (210, 120), 8: (210, 120), 12: (280, 140), 16: (280, 140),
    24: (380, 190), 32: (380, 190),
}  # fmt: skip
# The 16 Gbit default is longer than the 350/260/160 that makers' own contents say; a longer
# refresh is safe, and a shorter one has to come from the data sheet (TRFC1MinPs ...).
_DDR4_TRFC_PS = {
    4: (260_000, 160_000, 110_000),
    8: (350_000, 260_000, 160_000),
    16: (550_000, 350_000, 260_000),
}
_DENSITY_CODE = {gbit: code for code, gbit in DENSITY_GBIT.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ddr4Grade:
    tck_ps: int
    tck_max_ps: int
    cas_mask: bytes
    tras_ps: int
    tccd_l_ps: int
    cas_latency: int


_DDR4_GRADES = {
    2133: _Ddr4Grade(
        tck_ps=937, tck_max_ps=1071, cas_mask=bytes.fromhex("f4030000"), tras_ps=33_000,
        tccd_l_ps=5355, cas_latency=15,
    ),
    2400: _Ddr4Grade(
        tck_ps=833, tck_max_ps=937, cas_mask=bytes.fromhex("f80f0000"), tras_ps=32_000,
        tccd_l_ps=5000, cas_latency=17,
    ),
    2666: _Ddr4Grade(
        tck_ps=750, tck_max_ps=833, cas_mask=bytes.fromhex("f83f0000"), tras_ps=32_000,
        tccd_l_ps=5000, cas_latency=19,
    ),
    3200: _Ddr4Grade(
        tck_ps=625, tck_max_ps=682, cas_mask=bytes.fromhex("f8ff0200"), tras_ps=32_000,
        tccd_l_ps=5000, cas_latency=22,
    ),
}  # fmt: skip


def _type(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    if before.convention is not Convention.INTEL_CK:
        return []  # the write-clock convention says LPDDR5 for both
    return [Bits(2, 0xFF, 0x15 if package.type is MemoryType.LPDDR5X else 0x13)]


def _density(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    stored = package.density_gbit
    if before.convention is Convention.PER_DIE:
        stored *= package.channels_per_die
    if before.convention is Convention.INTEL_32 and package.width_bits < 16:
        stored *= 16 // package.width_bits
    if stored not in _DENSITY_CODE:
        refuse(f"Byte 4 has no code for {stored} Gbit.")
    return [Bits(4, 0x0F, _DENSITY_CODE[stored])]


def _rows(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    """Rows grow with the density of a channel and shrink with its width.

    Counted from what is stored, so that a content whose rows, columns and banks do not multiply
    to its density keeps its own way of counting.
    """
    old = _whole_bits(before.density_gbit) - _width_bits(before.die_width_bits)
    new = _whole_bits(package.density_gbit) - _width_bits(_die_width(before, package))
    if before.convention is Convention.DDR4:
        old -= content[4] >> 6
        new -= _ddr4_group_code(_die_width(before, package))
    code = (content[5] >> 3 & 7) + new - old
    if not 0 <= code <= 6:
        refuse(f"Byte 5 has no code for {12 + code} row bits.")
    return [Bits(5, 0x38, code << 3)]


def _dies_and_channels(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    dies, channels = package.dies, package.channels
    if before.convention is Convention.PER_DIE:
        channels = package.channels_per_die
    elif before.convention is Convention.INTEL_32:
        # 16-bit channels times ranks of one 32-bit unit; one-channel dies count as one channel.
        dies = package.ranks * (1 if package.channels_per_die == 1 else 2)
        channels = package.channels_per_die
    if not 1 <= dies <= 8 or channels not in (1, 2, 4):
        refuse(f"Byte 6 has no code for {dies} dies and {channels} channels.")
    code = (0x80 if dies > 1 else 0) | (dies - 1) << 4 | (channels.bit_length() - 1) << 2
    return [Bits(6, 0xFC, code)]


def _ranks(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    if package.ranks > 8:
        refuse(f"Byte 12 has no code for {package.ranks} ranks.")
    return [Bits(12, 0x38, (package.ranks - 1) << 3)]


def _width(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    return [Bits(12, 0x07, _width_bits(_die_width(before, package)) - 2)]


def _clock(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    table = {
        Convention.INTEL_CK: LPDDR5_CK_PS,
        Convention.AMD_WCK: LPDDR5_WCK_PS,
    }.get(before.convention, LPDDR4_TCK_PS)
    tck_ps = table.get(package.speed_mtps)
    if tck_ps is None:
        refuse(f"No clock period for {package.speed_mtps} Mbps is known here.")
    return _time(18, 125, tck_ps)


def _read_latency(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    """tAA: the largest CL times the stored clock period."""
    tck = _clock(content, before, package)
    tck_ps = tck[0].value * 125 + (tck[1].value ^ 0x80) - 0x80
    if package.type.is_lpddr4:
        latency = _LPDDR4_CL.get((package.speed_mtps, package.width_bits))
    else:
        latency = _LPDDR5_CL.get(package.speed_mtps)
    if latency is None:
        refuse(
            f"No read latency for {package.speed_mtps} Mbps on x{package.width_bits} channels"
            " is known here."
        )
    return _time(24, 123, latency * tck_ps)


def _lpddr_latencies(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    if not package.type.is_lpddr4:
        return []  # LPDDR5 contents hold 0 or a constant here, whatever the speed
    latencies = package.cas_latencies
    if latencies is None:
        largest = _LPDDR4_CL.get((package.speed_mtps, package.width_bits), 0)
        latencies = tuple(
            cl for cl in _LPDDR4_LATENCIES.get(package.width_bits, ()) if cl <= largest
        )
    if not latencies:
        refuse(f"No CAS latencies for {package.speed_mtps} Mbps are known here.")
    return [Bits(20 + i, 0xFF, byte) for i, byte in enumerate(cas_mask(latencies))]


def _longest_clock(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    if package.tck_max_ps is None:
        return []
    return _time(19, 124, package.tck_max_ps)


def _lpddr_refresh(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    times_ps = package.trfc_ps
    if times_ps is None:
        table = _LPDDR4_TRFC_NS if package.type.is_lpddr4 else _LPDDR5_TRFC_NS
        times_ns = table.get(package.density_gbit)
        if times_ns is None:
            refuse(
                f"No refresh time for {package.density_gbit} Gbit {package.type.value} is known"
                " here; the data sheet's tRFCab and tRFCpb are needed (tRFCabMinPs, tRFCpbMinPs)."
            )
        times_ps = tuple(1000 * ns for ns in times_ns)
    return [*_coarse(29, times_ps[0]), *_coarse(31, times_ps[1])]


def _ddr4_groups(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    return [Bits(4, 0xC0, _ddr4_group_code(_die_width(before, package)) << 6)]


def _ddr4_dies(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    if not 1 <= package.dies <= 8:
        refuse(f"Byte 6 has no code for {package.dies} dies.")
    # 01 in the low bits: a stack with several loads, as all two-die contents have it.
    return [Bits(6, 0xFF, 0 if package.dies == 1 else 0x81 | (package.dies - 1) << 4)]


def _ddr4_refresh(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    times_ps = package.trfc_ps or _DDR4_TRFC_PS.get(package.density_gbit)
    if times_ps is None:
        refuse(f"No refresh times for {package.density_gbit} Gbit DDR4 dies are known here.")
    return [bits for at, ps in zip((30, 32, 34), times_ps, strict=True) for bits in _coarse(at, ps)]


def _ddr4_speed(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    grade = _DDR4_GRADES.get(package.speed_mtps)
    if grade is None:
        refuse(f"No timings for DDR4-{package.speed_mtps} are known here.")
    latency = package.cas_latency or grade.cas_latency
    # tAA = tRCD = tRP = CL clocks, counted with the unrounded clock period.
    latency_ps = latency * 2_000_000 // package.speed_mtps
    trc_ps = grade.tras_ps + latency_ps
    tras, trc = grade.tras_ps // 125, math.ceil(trc_ps / 125)
    return [
        *_time(18, 125, grade.tck_ps),
        *_time(19, 124, grade.tck_max_ps),
        *(Bits(20 + i, 0xFF, byte) for i, byte in enumerate(grade.cas_mask)),
        *_time(24, 123, latency_ps),
        *_time(25, 122, latency_ps),
        *_time(26, 121, latency_ps),
        Bits(27, 0xFF, (trc >> 8) << 4 | tras >> 8),
        Bits(28, 0xFF, tras & 0xFF),
        Bits(29, 0xFF, trc & 0xFF),
        Bits(120, 0xFF, (trc_ps - trc * 125) & 0xFF),
        *_time(40, 117, grade.tccd_l_ps),
    ]


def _ddr4_activation(content: bytes, before: SpdContent, package: MemoryPackage) -> list[Bits]:
    """tFAW and tRRD depend on the page size, which the width of the package decides."""
    if package.width_bits == 16:
        return [*_coarse_tfaw(30_000), *_time(38, 119, 5300), *_time(39, 118, 6400)]
    if package.width_bits == 8 and package.speed_mtps == 2666:
        return [*_coarse_tfaw(21_000), *_time(38, 119, 3000), *_time(39, 118, 5300)]
    refuse(
        f"tFAW and tRRD of an x{package.width_bits} DDR4-{package.speed_mtps} package are not"
        " known here."
    )


def _die_width(before: SpdContent, package: MemoryPackage) -> int:
    if before.convention is not Convention.DDR4:
        return package.width_bits
    return max(4, package.width_bits * package.ranks // package.dies)


def _ddr4_group_code(die_width: int) -> int:
    return 1 if die_width == 16 else 2


def _whole_bits(gbit: int) -> int:
    """12 and 24 Gbit use the rows of 16 and 32 Gbit."""
    return math.ceil(math.log2(gbit))


def _width_bits(width: int) -> int:
    if width not in (4, 8, 16, 32):
        refuse(f"A width of {width} bits cannot be coded.")
    return width.bit_length() - 1


def _time(coarse: int, fine: int, ps: int) -> list[Bits]:
    """Units of 125 ps rounded up, and the signed rest in ps."""
    units = math.ceil(ps / 125)
    if not 0 < units <= 0xFF:
        refuse(f"{ps} ps cannot be coded in byte {coarse}.")
    return [Bits(coarse, 0xFF, units), Bits(fine, 0xFF, (ps - units * 125) & 0xFF)]


def _coarse(at: int, ps: int) -> list[Bits]:
    units = math.ceil(ps / 125)
    if units > 0xFFFF:
        refuse(f"{ps} ps cannot be coded in bytes {at} and {at + 1}.")
    return [Bits(at, 0xFF, units & 0xFF), Bits(at + 1, 0xFF, units >> 8)]


def _coarse_tfaw(ps: int) -> list[Bits]:
    units = ps // 125
    return [Bits(36, 0x0F, units >> 8), Bits(37, 0xFF, units & 0xFF)]


_Builder = Callable[[bytes, SpdContent, MemoryPackage], list[Bits]]
_Row = tuple[str, frozenset[str], _Builder, str]


def _row(name: str, needs: str, build: _Builder, reason: str) -> _Row:
    return name, frozenset(needs.split()), build, reason


_LPDDR_FIELDS = (
    _row("type", "type", _type, "names the memory type"),
    _row(
        "density", "density_gbit channels_per_die width_bits", _density,
        "the density of what this convention counts",
    ),
    _row("rows", "density_gbit width_bits", _rows, "row address bits for density and width"),
    _row(
        "dies and channels", "dies ranks channels_per_die", _dies_and_channels,
        "how many dies and channels lie behind these ranks",
    ),
    _row("ranks", "ranks", _ranks, "ranks (chip selects) per channel"),
    _row("width", "width_bits", _width, "width of one channel"),
    _row("tCKmin", "speed_mtps", _clock, "shortest clock period"),
    _row("tCKmax", "tck_max_ps", _longest_clock, "longest clock period, as the part states it"),
    _row(
        "CAS latencies", "speed_mtps width_bits cas_latencies", _lpddr_latencies,
        "latencies at this speed and width",
    ),
    _row("tAAmin", "speed_mtps width_bits", _read_latency, "largest latency x clock period"),
    _row(
        "tRFC", "density_gbit trfc_ps", _lpddr_refresh,
        "refresh times; too short ones boot and corrupt data",
    ),
)  # fmt: skip
_DDR4_FIELDS = (
    _row("density", "density_gbit", _density, "density of one die"),
    _row("bank groups", "width_bits dies ranks", _ddr4_groups, "4 groups if x4 or x8, 2 if x16"),
    _row("rows", "density_gbit width_bits dies ranks", _rows, "row address bits of one die"),
    _row("dies", "dies", _ddr4_dies, "dies in the package"),
    _row("ranks", "ranks", _ranks, "package ranks"),
    _row("width", "width_bits dies ranks", _width, "width of one die"),
    _row("speed", "speed_mtps cas_latency", _ddr4_speed, "clock, latencies and row timings"),
    _row("tRFC", "density_gbit trfc_ps", _ddr4_refresh, "refresh times of one die"),
    _row("tFAW and tRRD", "width_bits", _ddr4_activation, "row activations, by page size"),
)
