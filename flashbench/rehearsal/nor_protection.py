"""Which cells the status registers protect, by the tables of the makers' datasheets.

A layout answers with one stretch, `(start, end)`, empty when both are equal: every scheme here
protects from one end of the array.

Sources: W25Q128JV Rev I 2021-08-23 and W25Q256JV Rev B 2016-09-20, status register memory
protection tables; GD25Q128, GD25Q256D, MX25L12835F, MX25L1605D, MX25L6405D, IS25LP128, MT25QL256,
S25FL512S, M25P20, W25X10 and SST25WF020A from memory.
"""

from collections.abc import Callable, Mapping

Span = tuple[int, int]
Registers = Mapping[str, int]
_BLOCK = 0x10000
_NOTHING: Span = (0, 0)


def _from_one_end(length: int, size: int, *, bottom: bool) -> Span:
    length = min(length, size)
    return (0, length) if bottom else (size - length, size)


def _complement(span: Span, size: int) -> Span:
    start, end = span
    if start == end:
        return (0, size)
    return (end, size) if start == 0 else (0, start)


def _blocks(bp: int, size: int, *, bits: int) -> int:
    """The protected length: doubling with BP, so that a value below all-ones is the whole."""
    if bp == 0:
        return 0
    if bp == (1 << bits) - 1:
        return size
    doublings = (size // _BLOCK).bit_length() - 1
    smallest = _BLOCK << max(0, doublings - ((1 << bits) - 2))
    return min(size, smallest << (bp - 1))


def _sectors(bp: int, size: int) -> int:
    """The protected length with SEC = 1: 4, 8, 16 and 32 KiB; BP = 7 is the whole."""
    if bp in (0, 7):
        return size if bp else 0
    return min(0x8000, 0x1000 << (bp - 1)) if bp < 6 else size


def _winbond_to_128mbit(registers: Registers, size: int) -> Span:
    sr1 = registers["SR1"]
    bp, bottom = sr1 >> 2 & 7, bool(sr1 & 0x20)
    length = _sectors(bp, size) if sr1 & 0x40 else _blocks(bp, size, bits=3)
    span = _from_one_end(length, size, bottom=bottom)
    return _complement(span, size) if registers["SR2"] & 0x40 else span


def _winbond_from_256mbit(registers: Registers, size: int) -> Span:
    sr1 = registers["SR1"]
    length = _blocks(sr1 >> 2 & 15, size, bits=4)
    span = _from_one_end(length, size, bottom=bool(sr1 & 0x40))
    return _complement(span, size) if registers["SR2"] & 0x40 else span


def _gigadevice_to_128mbit(registers: Registers, size: int) -> Span:
    sr1 = registers["SR1"]
    bp, bottom = sr1 >> 2 & 7, bool(sr1 & 0x20)
    if sr1 & 0x40:
        length = {0: 0, 1: 0x1000, 2: 0x2000, 3: 0x4000, 7: size}.get(bp, 0x8000)
    else:
        length = _blocks(bp, size, bits=3)
    span = _from_one_end(length, size, bottom=bottom)
    return _complement(span, size) if registers["SR2"] & 0x40 else span


def _gigadevice_from_256mbit(registers: Registers, size: int) -> Span:
    """As the D and E of the GD25Q256 have it, with TB in bit 6."""
    sr1 = registers["SR1"]
    length = _blocks(sr1 >> 2 & 15, size, bits=4)
    span = _from_one_end(length, size, bottom=bool(sr1 & 0x40))
    return _complement(span, size) if registers["SR2"] & 0x40 else span


def _three_bits(registers: Registers, size: int) -> Span:
    """From the top: M25P20, MX25L2005A and kin."""
    return _from_one_end(_blocks(registers["SR1"] >> 2 & 7, size, bits=3), size, bottom=False)


def _three_bits_and_tb(registers: Registers, size: int) -> Span:
    sr1 = registers["SR1"]
    return _from_one_end(_blocks(sr1 >> 2 & 7, size, bits=3), size, bottom=bool(sr1 & 0x20))


# Sixty-fourths of the array for BP3-0, of a chip of 4 MiB or more; negative from address 0.
_MACRONIX_D = (0, 1, 2, 4, 8, 16, 32, 64, 64, -32, -48, -56, -60, -62, -63, 64)
# Thirty-seconds, of the MX25L1605D.
_MACRONIX_1605D = (0, 1, 2, 4, 8, 16, 32, 32, 32, 32, -16, -24, -28, -30, -31, 32)


def _macronix_d(registers: Registers, size: int) -> Span:
    table, parts = (_MACRONIX_1605D, 32) if size < 1 << 22 else (_MACRONIX_D, 64)
    share = table[registers["SR1"] >> 2 & 15]
    return _from_one_end(abs(share) * size // parts, size, bottom=share < 0)


def _macronix(registers: Registers, size: int) -> Span:
    length = _blocks(registers["SR1"] >> 2 & 15, size, bits=4)
    return _from_one_end(length, size, bottom=bool(registers["CR"] & 0x08))


def _micron(registers: Registers, size: int) -> Span:
    sr1 = registers["SR1"]
    bp = (sr1 >> 2 & 7) | (sr1 & 0x40) >> 3
    return _from_one_end(_blocks(bp, size, bits=4), size, bottom=bool(sr1 & 0x20))


def _issi(registers: Registers, size: int) -> Span:
    length = _blocks(registers["SR1"] >> 2 & 15, size, bits=4)
    return _from_one_end(length, size, bottom=bool(registers["FR"] & 0x02))


def _spansion(registers: Registers, size: int) -> Span:
    """Fractions: BP = 1 is a sixty-fourth, each step doubles, 7 is the whole."""
    bp = registers["SR1"] >> 2 & 7
    length = size >> (7 - bp) if bp else 0
    return _from_one_end(length, size, bottom=bool(registers["CR1"] & 0x20))


def _none(registers: Registers, size: int) -> Span:
    return _NOTHING


LAYOUTS: Mapping[str, Callable[[Registers, int], Span]] = {
    "none": _none,
    "winbond to 128 Mbit": _winbond_to_128mbit,
    "winbond from 256 Mbit": _winbond_from_256mbit,
    "gigadevice to 128 Mbit": _gigadevice_to_128mbit,
    "gigadevice from 256 Mbit": _gigadevice_from_256mbit,
    "macronix": _macronix,
    "macronix D": _macronix_d,
    "micron": _micron,
    "issi": _issi,
    "spansion": _spansion,
    "three bits": _three_bits,
    "three bits and TB": _three_bits_and_tb,
}


def protected_span(layout: str, registers: Registers, size: int) -> Span:
    """The protected cells of a chip of `size` bytes: from the first to before the second."""
    return LAYOUTS[layout](registers, size)
