"""Self-checks inside an image: which algorithm, where the value lies, what it covers.

A check is absolute: its offsets are positions in the image. It says nothing about whether the
covered bytes are the right ones, only whether they agree with the stored value.

CRC parameters are those of the public CRC catalogue, taken from the `anycrc` library by name.
Adler-32 is RFC 1950. Fletcher sums run modulo 255 and 65535 and start at 0.
"""

import functools
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Literal, NamedTuple, Protocol

import anycrc
import numpy as np

Order = Literal["little", "big"]


class Span(NamedTuple):
    """Bytes from `start` up to, not including, `end`."""

    start: int
    end: int

    def contains(self, other: "Span") -> bool:
        return self.start <= other.start and other.end <= self.end

    def overlaps(self, other: "Span") -> bool:
        return self.start < other.end and other.start < self.end


class CheckState(Enum):
    """The four things that can be said of a check."""

    RIGHT = "right"
    WRONG = "wrong"
    ABSENT = "absent"
    UNCHECKABLE = "cannot be checked"


class CheckKind(Enum):
    """The algorithms. The value is the name used in JSON and in edit files.

    "zero-sum-N": all covered N-bit words, the stored one among them, add up to zero.
    "sum-N": the stored value is the sum of the covered N-bit words.
    "byte-sum-N": the stored value is the sum of the covered bytes.
    "negated-...": the stored value is the negative of that sum. Where the value is one whole word
    of the range this is a zero-sum, and is called so.
    The words of a sum are read in the byte order of the stored value; a Fletcher sum names its
    own. A last word that is cut short is filled up with 00.
    """

    ZERO_SUM_8 = "zero-sum-8"
    ZERO_SUM_16 = "zero-sum-16"
    ZERO_SUM_32 = "zero-sum-32"
    SUM_8 = "sum-8"
    SUM_16 = "sum-16"
    SUM_32 = "sum-32"
    NEGATED_SUM_16 = "negated-sum-16"
    NEGATED_SUM_32 = "negated-sum-32"
    BYTE_SUM_16 = "byte-sum-16"
    BYTE_SUM_32 = "byte-sum-32"
    NEGATED_BYTE_SUM_16 = "negated-byte-sum-16"
    NEGATED_BYTE_SUM_32 = "negated-byte-sum-32"
    CRC_8_SMBUS = "CRC-8/SMBUS"
    CRC_16_XMODEM = "CRC-16/XMODEM"
    CRC_16_IBM_3740 = "CRC-16/IBM-3740"
    CRC_16_KERMIT = "CRC-16/KERMIT"
    CRC_16_IBM_SDLC = "CRC-16/IBM-SDLC"
    CRC_16_SPI_FUJITSU = "CRC-16/SPI-FUJITSU"
    CRC_16_ARC = "CRC-16/ARC"
    CRC_16_MODBUS = "CRC-16/MODBUS"
    CRC_16_USB = "CRC-16/USB"
    CRC_16_UMTS = "CRC-16/UMTS"
    CRC_32_ISO_HDLC = "CRC-32/ISO-HDLC"
    CRC_32_JAMCRC = "CRC-32/JAMCRC"
    CRC_32_BZIP2 = "CRC-32/BZIP2"
    CRC_32_MPEG_2 = "CRC-32/MPEG-2"
    CRC_32_CKSUM = "CRC-32/CKSUM"
    CRC_32_ISCSI = "CRC-32/ISCSI"
    CRC_32_AUTOSAR = "CRC-32/AUTOSAR"
    CRC_32_XFER = "CRC-32/XFER"
    CRC_32_AIXM = "CRC-32/AIXM"
    ADLER_32 = "Adler-32"
    FLETCHER_16 = "Fletcher-16"
    FLETCHER_32_LE = "Fletcher-32, little-endian words"
    FLETCHER_32_BE = "Fletcher-32, big-endian words"

    @functools.cached_property
    def width(self) -> int:
        """Bytes of the stored value."""
        if self in (CheckKind.FLETCHER_32_LE, CheckKind.FLETCHER_32_BE):
            return 4
        if self.is_crc:
            return int(self.value.removeprefix("CRC-").partition("/")[0]) // 8
        return int(self.value.rpartition("-")[2]) // 8

    @functools.cached_property
    def is_zero_sum(self) -> bool:
        return self.value.startswith("zero-sum")

    @property
    def is_crc(self) -> bool:
        return self.value.startswith("CRC")


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One stored value and what it covers, at its place in one image.

    `covers` are joined in order before the sum is made, with the bytes of `zeroed` taken as 00.
    A zero-sum's own value lies inside `covers`, and everything adds up to `target`.
    `why` is a sentence for the states ABSENT and UNCHECKABLE.
    """

    kind: CheckKind
    offset: int
    order: Order
    covers: tuple[Span, ...]
    zeroed: tuple[Span, ...] = ()
    target: int = 0
    state: CheckState = CheckState.UNCHECKABLE
    why: str = ""

    @property
    def width(self) -> int:
        return self.kind.width

    @property
    def field(self) -> Span:
        """Where the stored value lies."""
        return Span(self.offset, self.offset + self.width)

    @property
    def holds(self) -> bool | None:
        """True or False if it was computed, None if there was nothing to compute."""
        return {CheckState.RIGHT: True, CheckState.WRONG: False}.get(self.state)

    def moved(self, distance: int) -> "Check":
        """The same check, `distance` bytes further on; its state is no longer known."""

        def move(spans: tuple[Span, ...]) -> tuple[Span, ...]:
            return tuple(Span(span.start + distance, span.end + distance) for span in spans)

        return replace(
            self,
            offset=self.offset + distance,
            covers=move(self.covers),
            zeroed=move(self.zeroed),
            state=CheckState.UNCHECKABLE,
            why="",
        )


def digest(kind: CheckKind, data: bytes, *, order: Order = "little") -> int:
    """The value of `kind` over `data`. For a zero-sum: the plain sum of its words."""
    return _algorithm(kind)(data, order)


def stored_value(data: bytes | bytearray, check: Check) -> int:
    """The value that `data` holds for `check`; raises ValueError where it is cut off."""
    field = data[check.offset : check.offset + check.width]
    if check.offset < 0 or len(field) != check.width:
        raise ValueError(f"no {check.width} bytes at {check.offset:#x}")
    return int.from_bytes(field, check.order)


def covered_bytes(data: bytes | bytearray, check: Check) -> bytes:
    """What the check runs over; raises ValueError where a range leaves the image."""
    if any(not 0 <= start <= end <= len(data) for start, end in check.covers):
        raise ValueError("the check covers bytes outside the image")
    joined = bytearray()
    for span in check.covers:
        piece = bytearray(data[span.start : span.end])
        for start, end in check.zeroed:
            low, high = max(start, span.start), min(end, span.end)
            if low < high:
                piece[low - span.start : high - span.start] = bytes(high - low)
        joined += piece
    return bytes(joined)


def compute_check(data: bytes | bytearray, check: Check) -> int:
    """The value that should be stored; raises ValueError where the image is cut short."""
    if not check.kind.is_zero_sum:
        return digest(check.kind, covered_bytes(data, check), order=check.order)
    total = digest(check.kind, covered_bytes(data, check), order=check.order)
    return (stored_value(data, check) + check.target - total) % (1 << 8 * check.width)


def judged(data: bytes, check: Check) -> Check:
    """`check` with its state: RIGHT, WRONG, or UNCHECKABLE where the image is cut short."""
    try:
        holds = compute_check(data, check) == stored_value(data, check)
    except ValueError:
        return replace(
            check, state=CheckState.UNCHECKABLE, why="it reaches beyond the end of the data"
        )
    return replace(check, state=CheckState.RIGHT if holds else CheckState.WRONG, why="")


def with_repaired(data: bytes, checks: tuple[Check, ...]) -> bytes:
    """`data` with every value of `checks` recomputed, inner ones before those covering them.

    Raises ValueError if a check reaches outside the data, or two cover each other's value.
    """
    out = bytearray(data)
    for check in _inner_first(checks):
        value = compute_check(out, check)
        out[check.offset : check.offset + check.width] = value.to_bytes(check.width, check.order)
    return bytes(out)


def _inner_first(checks: Sequence[Check]) -> Iterator[Check]:
    """Each check once all those are done that would change its sum if they were repaired."""
    starts = np.array([check.field.start for check in checks], dtype=np.int64)
    ends = np.array([check.field.end for check in checks], dtype=np.int64)
    waiting_for = [0] * len(checks)
    wanted_by: list[list[int]] = [[] for _ in checks]
    for number, check in enumerate(checks):
        covered = np.zeros(len(checks), dtype=bool)
        for span in check.covers:
            covered |= (starts < span.end) & (ends > span.start)
        for span in check.zeroed:
            covered &= (starts < span.start) | (ends > span.end)
        covered[number] = False
        for other in np.flatnonzero(covered).tolist():
            waiting_for[number] += 1
            wanted_by[other].append(number)
    ready = [number for number, count in enumerate(waiting_for) if not count]
    done = 0
    while ready:
        done += len(ready)
        freed: list[int] = []
        for number in ready:
            yield checks[number]
            for other in wanted_by[number]:
                waiting_for[other] -= 1
                if not waiting_for[other]:
                    freed.append(other)
        ready = sorted(freed)
    if done < len(checks):
        raise ValueError("two checks cover each other's value")


Algorithm = Callable[[bytes, Order], int]


@functools.cache
def _algorithm(kind: CheckKind) -> Algorithm:
    if kind is CheckKind.ADLER_32:
        return lambda data, order: zlib.adler32(data)
    if kind.is_crc:
        return _crc(kind)
    if kind is CheckKind.FLETCHER_16:
        return lambda data, order: _fletcher(np.frombuffer(data, "u1"), bits=8)
    if kind is CheckKind.FLETCHER_32_LE:
        return lambda data, order: _fletcher(_words(data, 2, "little"), bits=16)
    if kind is CheckKind.FLETCHER_32_BE:
        return lambda data, order: _fletcher(_words(data, 2, "big"), bits=16)
    mask = (1 << 8 * kind.width) - 1
    word = 1 if "byte-sum" in kind.value else kind.width
    sign = -1 if kind.value.startswith("negated") else 1
    return lambda data, order: sign * int(_words(data, word, order).sum(dtype=np.uint64)) & mask


def _crc(kind: CheckKind) -> Algorithm:
    calculate = crc_function(kind)
    return lambda data, order: calculate(data)


class CrcFunction(Protocol):
    """The CRC of `data` behind bytes whose CRC is `before`; of `data` alone without that."""

    def __call__(self, data: bytes, before: int = ..., /) -> int: ...


@functools.cache
def crc_function(kind: CheckKind) -> CrcFunction:
    """The bare function of a CRC kind, for those who call it a million times."""
    if kind is CheckKind.CRC_32_ISO_HDLC:
        return zlib.crc32
    # anycrc's models write the catalogue's "CRC-16/XMODEM" as "CRC16-XMODEM".
    calculate: CrcFunction = anycrc.Model(kind.value.replace("CRC-", "CRC").replace("/", "-")).calc
    return calculate


def _words(data: bytes, size: int, order: Order) -> np.ndarray[tuple[int], np.dtype[np.generic]]:
    filled = data + bytes(-len(data) % size)
    return np.frombuffer(filled, f"{'<' if order == 'little' else '>'}u{size}")


def _fletcher(words: np.ndarray[tuple[int], np.dtype[np.generic]], *, bits: int) -> int:
    """Two sums modulo 2**bits - 1; the second, running sum is the upper half."""
    modulus = (1 << bits) - 1
    first = second = 0
    # 16-bit words weighed by at most 2**16 positions stay far below 2**64 in one step.
    step = 1 << 16
    for start in range(0, len(words), step):
        part = words[start : start + step].astype(np.uint64)
        weights = np.arange(len(part), 0, -1, dtype=np.uint64)
        second = (second + first * len(part) + int((part * weights).sum())) % modulus
        first = (first + int(part.sum())) % modulus
    return second << bits | first
