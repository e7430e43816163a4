"""Numbers, sizes and times as the pages write them."""

from datetime import UTC, datetime
from typing import Final

_NARROW_SPACE: Final = "\u202f"


def number(value: int) -> str:
    """ "16 777 216", with narrow spaces that do not break."""
    return f"{value:,}".replace(",", _NARROW_SPACE)


def flash_size(byte_count: int) -> str:
    """ "128 Mbit (16 MiB)"."""
    bits = 8 * byte_count
    amount = f"{bits >> 20} Mbit" if bits >= 1 << 20 else f"{bits >> 10} Kbit"
    return f"{amount} ({short_size(byte_count)})"


def short_size(byte_count: int) -> str:
    """ "16 KiB" where it is whole, "1 026 bytes" where it is not."""
    for shift, unit in ((20, "MiB"), (10, "KiB")):
        if byte_count and byte_count % (1 << shift) == 0:
            return f"{byte_count >> shift} {unit}"
    return f"{number(byte_count)} bytes"


def gigabytes(gbit: int) -> str:
    """ "4" for 32 Gbit, "1.5" for 12."""
    return f"{gbit / 8:g}"


def address(offset: int) -> str:
    """ "A41660h", as datasheets write addresses."""
    return f"{offset:06X}h"


def volts(value: float) -> str:
    """ "3.3", "1.65"."""
    return f"{value:.2f}".rstrip("0").ljust(3, "0")


def day(at: str) -> str:
    """ "2026-01-02" of an ISO time, in UTC; the text as it is if it is none."""
    moment = _parsed(at)
    return at if moment is None else f"{moment:%Y-%m-%d}"


def second(at: str) -> str:
    """ "2026-01-02 03:04:05" of an ISO time, in UTC."""
    moment = _parsed(at)
    return at if moment is None else f"{moment:%Y-%m-%d %H:%M:%S}"


def _parsed(at: str) -> datetime | None:
    try:
        return datetime.fromisoformat(at).astimezone(UTC)
    except (ValueError, OverflowError):
        return None
