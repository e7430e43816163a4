"""The parts a rehearsal can put into the socket: one TOML file each, with its sources."""

import tomllib
from dataclasses import MISSING, dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar

_FOLDER = Path(__file__).parent / "parts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One status or configuration register. `writable` and `one_time` are bit masks.

    `read` is None where only 65h reads it, at one of `addresses`.
    """

    name: str
    read: int | None = None
    addresses: tuple[int, ...] = ()
    write: int | None = None  # besides 01h, which `NorPart.write_01` describes
    writable: int = 0
    one_time: int = 0
    default: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Erase:
    """One erase instruction; `opcode_4byte` is its form with four address bytes."""

    opcode: int
    size: int
    ms_typ: float
    opcode_4byte: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A stretch of the array in which some erase instructions clear another size than usual."""

    length: int
    sizes: dict[str, int]  # opcode in hex, as TOML keys are strings

    def size_of(self, erase: Erase) -> int | None:
        """What `erase` clears here; None where the instruction does not work here."""
        size = self.sizes.get(f"{erase.opcode:02X}", erase.size)
        return size or None


@dataclass(frozen=True, slots=True, kw_only=True)
class NorPart:
    """What the model needs to know of one part. Times are the datasheet's typical ones."""

    name: str
    sources: tuple[str, ...]
    rdid: bytes
    device_id: int  # what 90h gives after the maker, and ABh
    density_bytes: int
    supply_volts: tuple[float, float]
    page_bytes: int = 256
    sfdp: bytes = b""
    program_us_typ: float
    register_write_ms_typ: float
    chip_erase_ms_typ: float
    chip_erase_opcodes: tuple[int, ...] = (0xC7, 0x60)
    read_hz_max: int = 50_000_000
    fast_read_hz_max: int = 104_000_000
    register: tuple[Register, ...]
    write_01: tuple[str, ...] = ("SR1",)
    write_01_short_clears: tuple[str, ...] = ()
    volatile_write_enable: bool = False  # 50h before 01h, 31h, 11h
    erase: tuple[Erase, ...]
    region: tuple[Region, ...] = ()
    protection: str = "none"
    refusal: Literal["wel stays", "wel clears", "error bits", "flag status"] = "wel stays"
    mode_switch: Literal["none", "plain", "wel"] = "none"  # B7h and E9h
    leaving_4byte_sets_address_register: bool = False
    address_register: Literal["none", "C5", "17"] = "none"
    four_byte_opcodes: bool = False
    starts_in_4byte_mode: bool = False
    release_us: float = 3.0
    unique_id: bytes = b""
    security_registers: int = 0
    individual_locks: Literal[
        "none", "WPS", "WPSEL", "block protection register", "sector registers"
    ] = "none"
    flag_status: bool = False
    security_register_2b: bool = False
    clear_errors_opcode: int | None = None
    qpi_opcode: int | None = None
    one_time_opcodes: tuple[int, ...] = ()
    ecc_unit_bytes: int = 0

    def __post_init__(self) -> None:
        if self.density_bytes & (self.density_bytes - 1):
            raise ValueError(f"{self.name}: density_bytes must be a power of two")
        if self.region and sum(region.length for region in self.region) != self.density_bytes:
            raise ValueError(f"{self.name}: the regions do not cover the array")


_Row = TypeVar("_Row", Register, Erase, Region)


def _rows(kind: type[_Row], tables: list[dict[str, Any]], where: str) -> tuple[_Row, ...]:
    for table in tables:
        _check_keys(kind, table, where)
    return tuple(kind(**_with_tuples(table)) for table in tables)


def _with_tuples(table: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}


def _check_keys(kind: type[Any], table: dict[str, Any], where: str) -> None:
    known = {entry.name: entry for entry in fields(kind)}
    unknown = sorted(table.keys() - known.keys())
    missing = sorted(
        name
        for name, entry in known.items()
        if name not in table and entry.default is MISSING and entry.default_factory is MISSING
    )
    if unknown or missing:
        raise ValueError(f"{where}: unknown keys {unknown}, missing keys {missing}")


def parse(text: str, *, where: str) -> NorPart:
    """Read one part from TOML text.

    Raises:
        ValueError: names `where` and the key that is unknown, missing or wrong.
    """
    table = tomllib.loads(text)
    _check_keys(NorPart, table, where)
    for key in ("rdid", "sfdp", "unique_id"):
        table[key] = bytes.fromhex(table.get(key, ""))
    table["register"] = _rows(Register, table["register"], where)
    table["erase"] = _rows(Erase, table["erase"], where)
    table["region"] = _rows(Region, table.get("region", []), where)
    return NorPart(**_with_tuples(table))


def part_names() -> tuple[str, ...]:
    """The names `load_part` knows, sorted."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


@cache
def load_part(name: str) -> NorPart:
    """The part with this name.

    Raises:
        ValueError: no such part; the message lists those there are.
    """
    path = _FOLDER / f"{name}.toml"
    if name not in part_names():
        raise ValueError(f"no rehearsal part {name!r}; there are {', '.join(part_names())}")
    return parse(path.read_text(encoding="utf-8"), where=path.name)
