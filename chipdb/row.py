"""One row of the chip table, and the schema check that turns a TOML table into it."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final, TypeVar

from chipdb.sfdp import ERASE_SIZES, FOUR_BYTE_FORM

_T = TypeVar("_T")


class TableError(Exception):
    """A file of the chip table breaks its schema; the message names file, row and key."""


class ChipKind(StrEnum):
    """What a row describes. Only `NOR` can be handled; the others are there to be refused."""

    NOR = "NOR"
    WORD_PROGRAM = "word program"
    DATAFLASH = "DataFlash"
    FRAM = "FRAM"
    NAND = "SPI NAND"
    DIE_SELECT = "die select"


REFUSALS: Final = MappingProxyType(
    {
        ChipKind.WORD_PROGRAM: "programs single bytes or words (AAI), not pages",
        ChipKind.DATAFLASH: "is an AT45 DataFlash with a command set and page size of its own",
        ChipKind.FRAM: "is a ferroelectric RAM, not a flash: it has no erase",
        ChipKind.NAND: "is a SPI NAND with pages, spare bytes and bad blocks, not a NOR",
        ChipKind.DIE_SELECT: (
            "holds several dies behind one chip select, chosen by C2h:"
            " plain commands see one of them only"
        ),
    }
)


class KnownFrom(StrEnum):
    """Where a fact of a row comes from, best first."""

    DATASHEET = "datasheet"
    VENDOR_TABLE = "vendor table"  # a supply read from a table in the chip itself
    SFDP = "SFDP"
    SOURCE_TABLE = "source table"  # the open table named in `sources`
    FAMILY_RULE = "family rule"  # the letters of the part name or of the ID
    MEMORY = "memory"  # no public source seen
    ASSUMED = "assumed"  # times only: known of no such part, generous enough to wait by


class OnDieEcc(StrEnum):
    """Whether a program without erase may break an error-correction code inside the chip."""

    NONE = "none"
    PRESENT = "present"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class RowErase:
    """One erase instruction of a row; `opcode` goes with 3 address bytes in 3-byte mode."""

    opcode: int
    size: int
    ms_typ: float
    ms_max: float
    opcode_4byte: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where facts of a row were taken from, and under what licence that source stands."""

    key: str
    what: str
    licence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipRow:
    """What is known of one part (or of parts that no one tells apart).

    Sizes in bytes. `jedec_id` is what 9Fh answers first, 3 bytes, with any leading 7Fh; `ext_id`
    the bytes after it that the source compares, if any. A row with a `contradiction` never
    proves a size. `known_from` fields say how far a fact may be trusted.
    """

    maker: str
    file: str
    parts: tuple[str, ...]
    jedec_id: bytes | None
    ext_id: bytes
    kind: ChipKind
    density_bytes: int
    contradiction: str | None
    supply_volts: tuple[float, float] | None
    supply_known_from: KnownFrom | None
    page_size: int
    program_us_typ: float
    program_us_max: float
    erase: tuple[RowErase, ...]
    erase_known_from: KnownFrom
    times_known_from: KnownFrom
    chip_erase_ms_typ: float | None
    chip_erase_ms_max: float | None
    dies: int | None  # None: not known
    read_hz_max: int
    fast_read_hz_max: int
    on_die_ecc: OnDieEcc
    protection: str | None
    status_write: str | None
    status_volatile: bool
    status_write_ms_max: float
    opcodes_4byte: frozenset[int]  # those that carry 4 address bytes in every mode
    enter_4byte: str | None  # "B7" or "06 B7"
    sfdp_lies: frozenset[str]  # "density", "address bytes", "page size", "supply"
    quirks: Mapping[str, str] = field(hash=False)
    sfdp: bytes | None
    bfpt: bytes | None
    sources: tuple[Source, ...]
    note: str = field(default="")

    @property
    def part(self) -> str:
        """The first part name."""
        return self.parts[0]

    @property
    def refusal(self) -> str | None:
        """Why a chip of this row cannot be handled at all, as a sentence, or None."""
        reason = REFUSALS.get(self.kind)
        return f"{self.maker} {self.part} {reason}." if reason else None


_SUPPLY_KNOWN_FROM: Final = frozenset(
    {KnownFrom.DATASHEET, KnownFrom.VENDOR_TABLE, KnownFrom.FAMILY_RULE, KnownFrom.MEMORY}
)
_LIES: Final = frozenset({"density", "address bytes", "page size", "supply"})
_STATUS_WRITES: Final = frozenset({"01h, one byte", "01h, two bytes", "01h and 31h, one byte each"})


def _text(value: object) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError("must be text")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value <= 0:
        raise ValueError("must be a whole number above 0")
    return value


def _number(value: object) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or value <= 0:
        raise ValueError("must be a number above 0")
    if not math.isfinite(value):
        raise ValueError("must be a finite number")
    return float(value)


def _power_of_two(value: object) -> int:
    count = _count(value)
    if count & count - 1:
        raise ValueError("must be a power of two")
    return count


def _hex(value: object) -> bytes:
    try:
        return bytes.fromhex(_text(value))
    except ValueError as error:
        raise ValueError("must be hex digits") from error


def _table(value: object) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise TypeError("is no table")
    return value


def _list(value: object) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError("must be a list")
    return value


def _texts(value: object) -> tuple[str, ...]:
    return tuple(_text(item) for item in _list(value))


def _volts(value: object) -> tuple[float, float]:
    low, high = (_number(item) for item in _list(value))
    if not 1.0 <= low < high <= 4.0:
        raise ValueError("must be two rising voltages within 1.0 and 4.0")
    return low, high


def _opcodes(value: object) -> frozenset[int]:
    found = frozenset(_count(item) for item in _list(value))
    if not found <= {0x13, 0x0C, 0x12}:
        raise ValueError("may name 13h, 0Ch and 12h; erase opcodes stand in 'erase'")
    return found


def _lies(value: object) -> frozenset[str]:
    found = frozenset(_texts(value))
    if not found <= _LIES:
        raise ValueError(f"may hold {sorted(_LIES)}")
    return found


def _quirks(value: object) -> Mapping[str, str]:
    if not isinstance(value, dict):
        raise ValueError("must be a table of sentences")
    return MappingProxyType({_text(key): _text(text) for key, text in value.items()})


def _enter(value: object) -> str:
    if value not in ("B7", "06 B7"):
        raise ValueError('must be "B7" or "06 B7"')
    return str(value)


def _status_write(value: object) -> str:
    if value not in _STATUS_WRITES:
        raise ValueError(f"must be one of {sorted(_STATUS_WRITES)}")
    return str(value)


def _erase(value: object) -> tuple[RowErase, ...]:
    kinds = []
    for item in _list(value):
        if not isinstance(item, dict):
            raise ValueError("must be a list of tables")
        unknown = set(item) - {"opcode", "size", "ms_typ", "ms_max", "opcode_4byte"}
        if unknown:
            raise ValueError(f"has unknown key {min(unknown)!r}")
        kind = RowErase(**item)
        if kind.size not in ERASE_SIZES.get(kind.opcode, ()) or kind.opcode not in (
            *FOUR_BYTE_FORM,
            0x81,
        ):
            raise ValueError(f"has {kind.opcode:02X}h for {kind.size} bytes, no known pair")
        if kind.opcode_4byte not in (None, FOUR_BYTE_FORM.get(kind.opcode)):
            raise ValueError(f"has a wrong 4-byte form of {kind.opcode:02X}h")
        if not 0 < kind.ms_typ <= kind.ms_max < math.inf:
            raise ValueError("has times that do not rise from typical to maximum")
        kinds.append(kind)
    return tuple(kinds)


_REQUIRED: Final[Mapping[str, Callable[[object], object]]] = {
    "parts": _texts,
    "density_bytes": _count,
    "erase": _erase,
    "erase_known_from": lambda v: KnownFrom(_text(v)),
    "times_known_from": lambda v: KnownFrom(_text(v)),
    "program_us_typ": _number,
    "program_us_max": _number,
    "sources": _texts,
}

_OPTIONAL: Final[Mapping[str, tuple[Callable[[object], object], object]]] = {
    "jedec_id": (_hex, None),
    "ext_id": (_hex, b""),
    "kind": (lambda v: ChipKind(_text(v)), ChipKind.NOR),
    "contradiction": (_text, None),
    "supply_volts": (_volts, None),
    "supply_known_from": (lambda v: KnownFrom(_text(v)), None),
    "page_size": (_power_of_two, 256),
    "chip_erase_ms_typ": (_number, None),
    "chip_erase_ms_max": (_number, None),
    "dies": (_count, None),
    "read_hz_max": (_count, 20_000_000),
    "fast_read_hz_max": (_count, 33_000_000),
    "on_die_ecc": (lambda v: OnDieEcc(_text(v)), OnDieEcc.UNKNOWN),
    "protection": (_text, None),
    "status_write": (_status_write, None),
    "status_volatile": (_flag, False),
    "status_write_ms_max": (_number, 1000.0),
    "opcodes_4byte": (_opcodes, frozenset()),
    "enter_4byte": (_enter, None),
    "sfdp_lies": (_lies, frozenset()),
    "quirks": (_quirks, MappingProxyType({})),
    "sfdp": (_hex, None),
    "bfpt": (_hex, None),
    "note": (_text, ""),
}


def read_rows(document: Mapping[str, Any], file: str) -> tuple[ChipRow, ...]:
    """The rows of one maker's file, checked.

    Raises:
        TableError: unknown or missing keys, values out of range, a source that is not listed.
    """
    keys = {"maker", "sources", "chip"}
    if set(document) != keys:
        odd = min(set(document) ^ keys)
        raise TableError(f"{file}: {'unknown key' if odd in document else 'no key'} {odd!r}")
    maker = _checked(_text, document["maker"], f"{file}: maker")
    sources = {
        str(key): _source(str(key), item, file)
        for key, item in _checked(_table, document["sources"], f"{file}: sources").items()
    }
    rows = _checked(_list, document["chip"], f"{file}: chip")
    return tuple(
        _read_row(
            _checked(_table, item, f"{file}, row {number}"),
            f"{file}, row {number} ({_names_of(item)})",
            maker=maker,
            file=file,
            sources=sources,
        )
        for number, item in enumerate(rows, 1)
    )


def _source(key: str, item: object, file: str) -> Source:
    where = f"{file}: source {key!r}"
    texts = _checked(_table, item, where)
    if set(texts) != {"what", "licence"}:
        raise TableError(f"{where} has the keys what and licence, and no others")
    what, licence = (_checked(_text, texts[name], where) for name in ("what", "licence"))
    return Source(key=key, what=what, licence=licence)


def _names_of(item: Mapping[str, Any]) -> str:
    parts = item.get("parts", ["?"])
    return ", ".join(map(str, parts)) if isinstance(parts, list) else "?"


def _read_row(
    item: Mapping[str, Any], where: str, *, maker: str, file: str, sources: Mapping[str, Source]
) -> ChipRow:
    unknown = set(item) - set(_REQUIRED) - set(_OPTIONAL)
    if unknown:
        raise TableError(f"{where}: unknown key {min(unknown)!r}")
    missing = set(_REQUIRED) - set(item)
    if missing:
        raise TableError(f"{where}: key {min(missing)!r} is missing")
    values: dict[str, Any] = {"maker": maker, "file": file}
    for key, read in _REQUIRED.items():
        values[key] = _checked(read, item[key], f"{where}: {key}")
    for key, (read, default) in _OPTIONAL.items():
        values[key] = _checked(read, item[key], f"{where}: {key}") if key in item else default
    for key in values["sources"]:
        if key not in sources:
            raise TableError(f"{where}: source {key!r} is not listed in the file")
    values["sources"] = tuple(sources[key] for key in values["sources"])
    row = ChipRow(**values)
    _check_together(row, where)
    return row


def _checked(read: Callable[[object], _T], value: object, where: str) -> _T:
    try:
        return read(value)
    except (ValueError, TypeError, OverflowError) as error:
        raise TableError(f"{where} {error}") from error


def _check_together(row: ChipRow, where: str) -> None:
    if (row.supply_volts is None) != (row.supply_known_from is None):
        raise TableError(f"{where}: supply_volts and supply_known_from go together")
    if row.supply_known_from and row.supply_known_from not in _SUPPLY_KNOWN_FROM:
        raise TableError(f"{where}: supply_known_from cannot be {row.supply_known_from.value!r}")
    if row.jedec_id is not None and not 2 <= len(row.jedec_id) + len(row.ext_id) <= 6:
        raise TableError(f"{where}: jedec_id and ext_id have 2 to 6 bytes together")
    if any(kind.size > row.density_bytes for kind in row.erase):
        raise TableError(f"{where}: an erase unit is larger than the chip")
    if KnownFrom.ASSUMED in (row.erase_known_from, row.supply_known_from):
        raise TableError(f"{where}: nothing but times can be assumed")
    if row.program_us_typ > row.program_us_max:
        raise TableError(f"{where}: program times do not rise from typical to maximum")


KEYS: Final = tuple(f.name for f in fields(ChipRow) if f.name not in ("maker", "file"))
