"""bench.toml: each adapter of a bench by its USB serial, and the second shelf. Pure.

Its keys are described, with an example, in `bench-files.md` beside this file.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec

from flashbench.adapter import ExtraPins, pin_mask
from flashbench.errors import WrongCall
from flashbench.toml_text import parse
from flashbench.wording import in_plain_words

BENCH_FILE_BYTES_MAX: Final = 1 << 16
DESCRIPTION: Final = Path(__file__).with_name("bench-files.md")
"""What a user reads to write one."""

_SHIFTERLESS_VOLTS: Final = (3.0, 3.6)
"""What an FTDI adapter's own 3.3 V signals may meet: cautions.md, rule 1 of wiring.md."""
_SAME_VOLTS: Final = 0.05

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Pin = Annotated[str, msgspec.Meta(max_length=2)]


class BenchFileWrong(WrongCall):
    """bench.toml cannot be taken at its word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAdapter:
    """One socket of the bench."""

    serial: Text
    name: Text
    supply_volts: Annotated[float, msgspec.Meta(gt=0, le=5)]
    interface: Annotated[int, msgspec.Meta(ge=1, le=4)] = 1
    level_shifter: Text | None = None
    socket: Text | None = None
    leads_cm: Annotated[float, msgspec.Meta(gt=0, le=500)] | None = None
    wp_pin: Pin | None = None
    hold_pin: Pin | None = None
    power_pin: Pin | None = None
    power_on: Literal["high", "low"] = "high"
    settle_ms: Annotated[int, msgspec.Meta(ge=1, le=5000)] = 50

    @property
    def extra_pins(self) -> ExtraPins | None:
        """What is wired beside SPI; None if the file says nothing of it."""
        if self.wp_pin is None and self.hold_pin is None and self.power_pin is None:
            return None
        return ExtraPins(
            held_high=_mask(self.wp_pin) | _mask(self.hold_pin),
            power=_mask(self.power_pin),
            power_on_high=self.power_on == "high",
            settle_s=self.settle_ms / 1000,
        )

    def supplies(self, volts: tuple[float, float]) -> bool:
        """Whether a part that takes `volts` (from, to) may be put into this socket."""
        return volts[0] <= self.supply_volts <= volts[1]

    def is_declared(self, volts: float) -> bool:
        """Whether what was declared for a command is what this bench supplies."""
        return abs(volts - self.supply_volts) <= _SAME_VOLTS

    def sentence(self) -> str:
        """What stands here, in one line."""
        parts = [f"'{self.name}' (serial {self.serial}) supplies {self.supply_volts:g} V"]
        parts += [text for text in (self.socket, self.level_shifter) if text]
        if self.leads_cm is not None:
            parts.append(f"leads of {self.leads_cm:g} cm")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFile:
    """The content of bench.toml."""

    adapters: tuple[BenchAdapter, ...] = ()
    second_shelf: Path | None = None

    def adapter(self, serial: str, *, interface: int) -> BenchAdapter | None:
        """The socket on this port of the adapter with this serial, or None."""
        return next(
            (a for a in self.adapters if (a.serial, a.interface) == (serial, interface)), None
        )

    def named(self, name: str) -> BenchAdapter | None:
        """The socket of this name, or None."""
        return next((a for a in self.adapters if a.name == name), None)

    def for_part(self, volts: tuple[float, float]) -> BenchAdapter | None:
        """The first socket that a part which takes `volts` may be put into, or None."""
        return next((a for a in self.adapters if a.supplies(volts)), None)


class _Form(msgspec.Struct, forbid_unknown_fields=True):
    adapter: list[dict[str, object]] = []
    second_shelf: str | None = None


def parse_bench(text: str) -> BenchFile:
    """Read bench.toml.

    Raises:
        BenchFileWrong: not TOML, an unknown key, a value of the wrong kind, or pins and
            supplies that cannot be.
    """
    try:
        content = parse(text)
        _refuse_unknown("the file", content, known=_Form.__struct_fields__)
        form = msgspec.convert(content, _Form)
    except msgspec.ValidationError as error:
        raise wrong(in_plain_words(str(error))) from error
    except (ValueError, RecursionError) as error:
        raise wrong(f"it is not TOML: {error}") from error
    adapters = tuple(_adapter(table) for table in form.adapter)
    _refuse_doubles(adapters)
    shelf = Path(form.second_shelf) if form.second_shelf else None
    if shelf is not None and not shelf.is_absolute():
        raise wrong(f"second_shelf {str(shelf)!r} is not a whole path")
    return BenchFile(adapters=adapters, second_shelf=shelf)


def wrong(why: str) -> BenchFileWrong:
    """The refusal of a bench file."""
    return BenchFileWrong(
        f"The bench file cannot be used: {why}.",
        next_step="Correct it, or propose a new one: flashbench adapters --write-bench. Every key"
        f" is described in {DESCRIPTION}",
    )


def _adapter(table: Mapping[str, object]) -> BenchAdapter:
    _refuse_unknown("an adapter", table, known=tuple(BenchAdapter.__dataclass_fields__))
    if "supply_volts" not in table:
        name = str(table.get("name", "an adapter"))[:200]
        raise wrong(f"{name!r} does not say its supply_volts; measure it at the socket")
    try:
        adapter = msgspec.convert(table, BenchAdapter)
    except msgspec.ValidationError as error:
        raise wrong(f"of an adapter, {in_plain_words(str(error))}") from error
    where = f"of {adapter.name!r}"
    for text in (adapter.serial, adapter.name, adapter.level_shifter, adapter.socket):
        if text is not None and not text.isprintable():
            raise wrong(f"{where}, a text holds characters that cannot be shown")
    _check_pins(adapter, where)
    low, high = _SHIFTERLESS_VOLTS
    if not low <= adapter.supply_volts <= high and adapter.level_shifter is None:
        raise wrong(
            f"{where}, {adapter.supply_volts:g} V without a level shifter: the adapter's signals"
            " are 3.3 V; name the level_shifter"
        )
    return adapter


def _refuse_unknown(what: str, table: Mapping[str, object], *, known: Sequence[str]) -> None:
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise wrong(f"{what} has no key {unknown[0][:40]!r}; its keys are {', '.join(known)}")


def _check_pins(adapter: BenchAdapter, where: str) -> None:
    pins = [pin for pin in (adapter.wp_pin, adapter.hold_pin, adapter.power_pin) if pin is not None]
    for pin in pins:
        if pin_mask(pin) is None:
            raise wrong(f"{where}, {pin!r} is no free pin; D4 to D7 and C0 to C7 are")
    if len(set(pins)) < len(pins):
        raise wrong(f"{where}, one pin has two tasks")


def _refuse_doubles(adapters: Sequence[BenchAdapter]) -> None:
    ports = [(adapter.serial, adapter.interface) for adapter in adapters]
    names = [adapter.name for adapter in adapters]
    for adapter in adapters:
        if ports.count((adapter.serial, adapter.interface)) > 1:
            raise wrong(f"serial {adapter.serial!r}, interface {adapter.interface}, stands twice")
        if names.count(adapter.name) > 1:
            raise wrong(f"the name {adapter.name!r} stands twice")


def _mask(pin: str | None) -> int:
    return (pin_mask(pin) or 0) if pin is not None else 0
