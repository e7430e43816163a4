"""One kind of memory package as its data sheet describes it, and where each fact is known from.

The attribute names in TOML are those of the public part lists that our SPD data come from
(`tests/data/spd/`). The capacity rules hold for every entry of those lists:

    LPDDR4/4X   package = density per channel x channels per die x dies
    others      package = density per die x dies

A package in TOML, here inside an edit file or in a file of its own:

    part = "MT53E1G32D2NP-046 WT:A"
    type = "LPDDR4X"
    known_from = "datasheet"            # for every attribute that does not say otherwise
    [attributes]
    densityPerChannelGb = 16
    channelsPerDie = 2
    diesPerPackage = 1
    bitWidthPerChannel = 16
    ranksPerChannel = { value = 1, known_from = "seller only" }
    speedMbps = 4267
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from types import MappingProxyType
from typing import Any

from flashbench.errors import CheckFailed
from flashbench.toml_text import parse


class MemoryType(Enum):
    """The DRAM kinds that byte 2 of an SPD can name and that are read here."""

    LPDDR4 = "LPDDR4"
    LPDDR4X = "LPDDR4X"
    LPDDR5 = "LPDDR5"
    LPDDR5X = "LPDDR5X"
    DDR4 = "DDR4"
    DDR5 = "DDR5"

    @property
    def is_lpddr4(self) -> bool:
        return self in (MemoryType.LPDDR4, MemoryType.LPDDR4X)

    @property
    def is_lpddr5(self) -> bool:
        return self in (MemoryType.LPDDR5, MemoryType.LPDDR5X)


class KnownFrom(Enum):
    """Where the technician knows an attribute from. The value is what the TOML says."""

    DATASHEET = "datasheet"
    MARKING = "marking"
    SELLER_ONLY = "seller only"


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryPackage:
    """What is inside one package. `ranks` counts the chip selects of a channel."""

    type: MemoryType
    density_gbit: int  # LPDDR4/4X: of one channel of one die; others: of one die
    dies: int
    ranks: int
    width_bits: int  # LPDDR: of one channel; DDR4/5: of the package
    speed_mtps: int  # transfers per second and pin, in millions
    channels_per_die: int = 1  # LPDDR4/4X only
    part: str = ""
    cas_latency: int | None = None  # DDR4: CL = nRCD = nRP, in clocks
    cas_latencies: tuple[int, ...] | None = None  # LPDDR4/4X: where the part lists its own
    tck_max_ps: int | None = None
    trfc_ps: tuple[int, ...] | None = None  # LPDDR: all-bank, per-bank; DDR4: 1x, 2x, 4x
    known_from: Mapping[str, KnownFrom] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        for name in ("density_gbit", "dies", "ranks", "width_bits", "channels_per_die"):
            if getattr(self, name) < 1:
                raise _refused(f"A memory package has {name} of at least 1.")
        if self.dies * self.channels_per_die % self.ranks:
            raise _refused(
                f"{self.dies} dies with {self.channels_per_die} channels each cannot be shared"
                f" out evenly over {self.ranks} ranks."
            )
        object.__setattr__(self, "known_from", MappingProxyType(dict(self.known_from)))

    @property
    def capacity_gbit(self) -> int:
        return self.density_gbit * self.channels_per_die * self.dies

    @property
    def channels(self) -> int:
        """How many separate channels lead out of an LPDDR package."""
        return self.channels_per_die * self.dies // self.ranks


def capacity_text(gbit: int) -> str:
    """ "32 Gbit = 4 GB", the only way memory sizes are written."""
    gigabytes = f"{gbit / 8:g}"
    return f"{gbit} Gbit = {gigabytes} GB"


_LPDDR4 = {
    "densityPerChannelGb": "density_gbit",
    "channelsPerDie": "channels_per_die",
    "diesPerPackage": "dies",
    "bitWidthPerChannel": "width_bits",
    "ranksPerChannel": "ranks",
    "speedMbps": "speed_mtps",
}
_LPDDR5 = {
    "densityPerDieGb": "density_gbit",
    "diesPerPackage": "dies",
    "bitWidthPerChannel": "width_bits",
    "ranksPerChannel": "ranks",
    "speedMbps": "speed_mtps",
}
_DDR = {
    "capacityPerDieGb": "density_gbit",
    "diesPerPackage": "dies",
    "packageBusWidth": "width_bits",
    "ranksPerPackage": "ranks",
    "speedMTps": "speed_mtps",
}
_OPTIONAL_NUMBERS = {"CL_nRCD_nRP": "cas_latency", "tckMaxPs": "tck_max_ps"}
_TRFC_NAMES = (
    ("tRFCabMinPs", "tRFCpbMinPs"),
    ("TRFC1MinPs", "TRFC2MinPs", "TRFC4MinPs"),
)
# Given by the lists, and the same for all parts of the type.
_CONSTANTS = {"banks": 8, "lp5x": True}


def attribute_names(memory_type: MemoryType) -> Mapping[str, str]:
    """The TOML names of the attributes a package of this type must have, and our field names."""
    if memory_type.is_lpddr4:
        return _LPDDR4
    return _LPDDR5 if memory_type.is_lpddr5 else _DDR


def parse_package(table: Mapping[str, Any]) -> MemoryPackage:
    """The package that a TOML table describes (see the module's text).

    Raises `CheckFailed` for a missing, unknown or impossible attribute, and for one that does
    not say where it is known from.
    """
    unknown = set(table) - {"part", "type", "known_from", "attributes"}
    if unknown:
        raise _refused(f"A memory package has no key {_listed(unknown)}.")
    memory_type = _type_named(table.get("type"))
    attributes = table.get("attributes")
    if not isinstance(attributes, Mapping):
        raise _refused("A memory package needs a table [attributes].")
    default = table.get("known_from")
    values: dict[str, Any] = {}
    known_from: dict[str, KnownFrom] = {}
    for name, given in attributes.items():
        values[name], origin = _value_and_origin(name, given, default)
        if name not in _CONSTANTS:
            known_from[name] = origin
    fields = _package_fields(memory_type, values)
    part = table.get("part", "")
    if not isinstance(part, str):
        raise _refused("The part of a memory package is text.")
    return MemoryPackage(type=memory_type, part=part, known_from=known_from, **fields)


def parse_package_file(text: str) -> MemoryPackage:
    """The package of a TOML file of its own. Raises `CheckFailed` as `parse_package` does."""
    try:
        table = parse(text)
    except (ValueError, RecursionError) as error:
        raise _refused(f"The description of the package is not TOML: {error}.") from error
    return parse_package(table)


def _value_and_origin(name: str, given: Any, default: Any) -> tuple[Any, KnownFrom]:
    origin = default
    if isinstance(given, Mapping):
        if set(given) - {"value", "known_from"} or "value" not in given:
            raise _refused(f"{name} is a value, or a table of value and known_from.")
        origin = given.get("known_from", default)
        given = given["value"]
    try:
        return given, KnownFrom(origin)
    except ValueError as error:
        choices = ", ".join(f'"{choice.value}"' for choice in KnownFrom)
        raise _refused(
            f"{name} = {given} does not say where it is known from: known_from is one of {choices}."
        ) from error


def _package_fields(memory_type: MemoryType, values: dict[str, Any]) -> dict[str, Any]:
    names = attribute_names(memory_type)
    missing = set(names) - set(values)
    if missing:
        raise _refused(f"The {memory_type.value} package does not say {_listed(missing)}.")
    fields: dict[str, Any] = {}
    trfc: dict[str, int] = {}
    for name, value in values.items():
        if name == "casLatencies":
            fields["cas_latencies"] = _latencies(value)
        elif name in _CONSTANTS:
            if value != _CONSTANTS[name]:
                raise _refused(f"{name} = {value}: only {_CONSTANTS[name]} is known here.")
        else:
            number = _positive(name, value)
            if any(name in group for group in _TRFC_NAMES):
                trfc[name] = number
            elif name in names or name in _OPTIONAL_NUMBERS:
                fields[names.get(name) or _OPTIONAL_NUMBERS[name]] = number
            else:
                raise _refused(f"{memory_type.value} packages have no attribute {name}.")
    if trfc:
        fields["trfc_ps"] = _trfc(memory_type, trfc)
    return fields


def _trfc(memory_type: MemoryType, given: dict[str, int]) -> tuple[int, ...]:
    wanted = _TRFC_NAMES[0 if memory_type.value.startswith("LPDDR") else 1]
    if set(given) != set(wanted):
        raise _refused(f"Refresh times of {memory_type.value} are given as {', '.join(wanted)}.")
    return tuple(given[name] for name in wanted)


def _positive(name: str, value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value < 1_000_000:
        raise _refused(f"{name} = {value!r} is not a positive whole number.")
    return value


def _latencies(value: Any) -> tuple[int, ...]:
    words = value.split() if isinstance(value, str) else ()
    if not words or not all(word.isascii() and word.isdigit() for word in words):
        raise _refused('casLatencies is a list of clocks such as "6 10 14 20".')
    return tuple(int(word) for word in words)


def _type_named(name: Any) -> MemoryType:
    try:
        return MemoryType(name)
    except ValueError as error:
        choices = ", ".join(choice.value for choice in MemoryType)
        raise _refused(f"Memory type {name!r} is not known here; known are {choices}.") from error


def _listed(names: set[str]) -> str:
    return ", ".join(sorted(names))


def _refused(seen: str) -> CheckFailed:
    return CheckFailed(
        seen, next_step="Correct the description of the package from its data sheet."
    )
