"""Finding SPD contents wherever they sit in an image.

A place is claimed if its key bytes (length, revision, type, module) fit and the content holds
together: a right CRC, or timings, densities and reserved bytes that no random data would show.
What has only key bytes that fit is claimed as a neighbour of such contents at the same distance.
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flashbench.errors import CheckFailed
from flashbench.image.checks import Check, CheckState
from flashbench.image.memory_package import MemoryType
from flashbench.image.overlaps import Bounds
from flashbench.image.spd import SPD_BYTES_MIN, TYPE_OF_CODE, SpdContent, decode_spd, time_ps

STRIDES = (256, 512, 1024)
RECORDS_MAX = 4096  # more than any table holds; a bound for images made to be slow
CANDIDATES_MAX = 4 * RECORDS_MAX


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryRecord:
    """One SPD content at its place in an image. `length` is the stored length in bytes."""

    offset: int
    length: int
    content: SpdContent

    @property
    def end(self) -> int:
        return self.offset + self.length

    @property
    def crc(self) -> Check:
        """The record's own CRC, at its place in the image."""
        crc = self.content.crc
        return replace(crc.moved(self.offset), state=crc.state, why=crc.why)

    def as_json(self) -> dict[str, Any]:
        """The record for `inspect`: offsets in the image, densities in Gbit, speed in MT/s."""
        content = self.content
        return {
            "offset": self.offset,
            "length": self.length,
            "type": content.type.value,
            "convention": content.convention.value,
            "density_gbit": content.density_gbit,
            "ranks": content.ranks,
            "channels": content.channels,
            "channels_per_die": content.channels_per_die,
            "dies": content.dies,
            "width_bits": content.width_bits,
            "speed_mtps": content.speed_mtps,
            "capacity_gbit": content.capacity_gbit,
            "capacity_of": content.capacity_of,
            "part_number": content.part_number,
            "check": {
                "kind": self.crc.kind.value,
                "offset": self.crc.offset,
                "holds": self.crc.holds,
                "state": self.crc.state.value,
            },
            "doubts": list(content.doubts),
        }


def find_records(data: bytes, bounds: Bounds | None = None) -> tuple[MemoryRecord, ...]:
    """Every SPD content in `data`, ascending; they do not overlap. At most `RECORDS_MAX`.

    `bounds` says which places were left out.
    """
    bounds = bounds or Bounds()
    places = _key_places(data)
    candidates = bounds.some("places like an SPD content", places, most=CANDIDATES_MAX)
    sure = [place for place in candidates if _holds_together(data, place)]
    known = set(sure)
    for place in _beside(sure, candidates):
        known.add(place)
    return tuple(_records(data, sorted(known), bounds))


def _records(data: bytes, places: list[int], bounds: Bounds) -> Iterator[MemoryRecord]:
    end = 0
    for i, place in enumerate(places):
        if place < end or not bounds.take("SPD contents", place, most=RECORDS_MAX):
            continue
        limit = places[i + 1] if i + 1 < len(places) else len(data)
        length = _stored_length(data, place, limit)
        try:
            content = decode_spd(data[place : place + length])
        except CheckFailed:
            continue
        yield MemoryRecord(offset=place, length=length, content=content)
        end = place + length


def _table(values: Iterable[int]) -> npt.NDArray[np.bool_]:
    table = np.zeros(256, dtype=np.bool_)
    table[list(values)] = True
    return table


# Byte 0: 23 (384 of 512 bytes) nearly everywhere; 27 on one family; 30 on DDR5 (1024 bytes).
_IS_LENGTH = _table([0x11, 0x12, 0x13, 0x22, 0x23, 0x24, 0x27, 0x92, 0xA3, 0x30])
_IS_REVISION = _table([*range(0x05, 0x0A), *range(0x10, 0x15)])
_IS_TYPE = _table(TYPE_OF_CODE)
# Byte 3: 0E is soldered LPDDR; 01 to 0D are the module kinds that DDR4 and DDR5 name.
_IS_MODULE = _table(range(0x01, 0x0F))
_SEARCHED_AT_ONCE = 1 << 20


def _key_places(data: bytes) -> list[int]:
    """Where the first four bytes fit, in pieces so that memory stays small."""
    places: list[int] = []
    last = len(data) - SPD_BYTES_MIN
    for base in range(0, last + 1, _SEARCHED_AT_ONCE):
        piece = np.frombuffer(
            data, np.uint8, count=min(_SEARCHED_AT_ONCE, last + 1 - base) + 3, offset=base
        )
        typed = np.flatnonzero(_IS_TYPE[piece[2:-1]])
        typed = typed[_IS_MODULE[piece[typed + 3]]]
        typed = typed[_IS_REVISION[piece[typed + 1]]]
        typed = typed[_IS_LENGTH[piece[typed]]]
        places += (typed + base).tolist()
    return places


def _holds_together(data: bytes, place: int) -> bool:
    head = data[place : place + 1024]
    try:
        content = decode_spd(head)
    except CheckFailed:
        return False
    if content.crc.state is CheckState.RIGHT:
        # Constant data passes many sums, but not with these key bytes.
        return True
    if content.type is MemoryType.DDR5:
        return _ddr5_times_fit(head)
    return _ddr4_times_fit(head) if content.type is MemoryType.DDR4 else _lpddr_fits(head)


def _lpddr_fits(head: bytes) -> bool:
    """Limits a little outside all LPDDR contents of the public data."""
    reserved = head[8:9] + head[10:12] + head[14:16] + head[33:117]
    return (
        head[3] == 0x0E
        and sum(byte != 0 for byte in reserved) <= 4
        and 200 <= time_ps(head, 18, 125) <= 2600
        and 14_000 <= time_ps(head, 26, 122) <= 22_000
        and 17_000 <= time_ps(head, 27, 121) <= 26_000
        and 14_000 <= time_ps(head, 28, 120) <= 22_000
        and 100_000 <= 125 * int.from_bytes(head[29:31], "little") <= 600_000
    )


def _ddr4_times_fit(head: bytes) -> bool:
    """Limits a little outside the speed bins of JEDEC JESD79-4 (from memory)."""
    return (
        600 <= time_ps(head, 18, 125) <= 1300
        and 11_000 <= time_ps(head, 24, 123) <= 19_000
        and 11_000 <= time_ps(head, 25, 122) <= 19_000
        and 11_000 <= time_ps(head, 26, 121) <= 19_000
        and 120_000 <= 125 * int.from_bytes(head[30:32], "little") <= 600_000
        and sum(byte != 0 for byte in head[46:60] + head[78:117]) <= 2
    )


def _ddr5_times_fit(head: bytes) -> bool:
    def word(at: int) -> int:
        return int.from_bytes(head[at : at + 2], "little")

    return (
        200 <= word(20) <= 700
        and all(11_000 <= word(at) <= 25_000 for at in (30, 32, 34))
        and 28_000 <= word(36) <= 36_000
    )


def _beside(sure: list[int], candidates: list[int]) -> Iterator[int]:
    """Candidates that continue a run of at least two sure contents at their distance."""
    held = set(sure)
    possible = set(candidates)
    for first, second in itertools.pairwise(sure):
        stride = second - first
        if stride not in STRIDES:
            continue
        for start, step in ((first, -stride), (second, stride)):
            place = start + step
            while place in possible and place not in held:
                held.add(place)
                yield place
                place += step


def _stored_length(data: bytes, place: int, limit: int) -> int:
    """Up to the next content; else in full if what follows looks like its rest, else half."""
    full = 1024 if data[place + 2] == 0x12 else 512
    room = min(limit - place, full)
    if room < full and limit < len(data):
        strides = (SPD_BYTES_MIN, *STRIDES)
        return max((stride for stride in strides if stride <= room), default=room)
    if room < 512:
        return min(room, 256)
    if full == 1024:
        return room if room == 1024 and _is_name(data[place + 521 : place + 551]) else 512
    second_half = data[place + 256 : place + 512]
    rest = second_half[:64]
    named = _is_name(second_half[73:93])
    return room if named and rest.count(0) + rest.count(0xFF) >= 48 else 256


def _is_name(field: bytes) -> bool:
    return all(byte in (0x00, 0xFF) or 0x20 <= byte < 0x7F for byte in field)
