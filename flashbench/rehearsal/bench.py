"""A bench: one virtual adapter, one clock, one chip in the socket.

A bench folder holds

* `rehearsal.toml`: the adapter and the host gap;
* `socket`: the name of the chip in the socket;
* `chips/NAME/`: `part.toml` (which part; `unique_id` in hex, where it is not the part's invented
  one), and what `chip_store` keeps of that chip. A chip of which nothing is kept is a new one;
* `fault.toml`, if somebody armed faults (see `faults`).

The chip stays powered between two openings unless a fault took its power: an erase under way when
the process was killed is under way when the folder is opened again.
"""

import contextlib
import os
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import usb.core
import usb.util

from flashbench.rehearsal import faults as fault_values
from flashbench.rehearsal.chip_store import FolderStore
from flashbench.rehearsal.contacts import Contacts
from flashbench.rehearsal.faults import ArmedFaults, Fault
from flashbench.rehearsal.mpsse_engine import PinChange
from flashbench.rehearsal.nor_chip import NorChip
from flashbench.rehearsal.nor_part import NorPart, load_part
from flashbench.rehearsal.one_owner import lock
from flashbench.rehearsal.spi_target import SpiTarget
from flashbench.rehearsal.usb_device import (
    SERIAL_DEFAULT,
    AdapterChip,
    VirtualAdapter,
    VirtualUsb,
)
from flashbench.rehearsal.virtual_time import (
    HOST_GAP_US_DEFAULT,
    FixedHostGap,
    HostGap,
    VirtualTime,
)

DEFAULT_PART = "W25Q128JV"
_FIRST_CHIP = "first"


class Bench:
    """What a test or the `rehearsal:` adapter works with. Close it, or use it in a `with`."""

    def __init__(
        self,
        target: SpiTarget,
        *,
        time: VirtualTime,
        adapter_chip: AdapterChip,
        host_gap: HostGap,
        armed: ArmedFaults,
        in_use_elsewhere: bool = False,
        supply_switch: int = 0,
        serial: str = SERIAL_DEFAULT,
    ) -> None:
        """`supply_switch` is the mask of the pin that, driven high, gives the chip its supply."""
        self.time = time
        self.faults = armed
        self.interface = 1
        self.contacts = Contacts(target, armed)
        self._target = target
        self._adapter_chip: AdapterChip = adapter_chip
        self._host_gap = host_gap
        self._in_use_elsewhere = in_use_elsewhere
        self._supply_switch = supply_switch
        self._serial = serial
        self._plugs = 0
        self._closers = contextlib.ExitStack()
        armed.on_chip_power_lost = self.power_fails
        armed.on_supply_dip = self.supply_dips
        self.plug_in()

    @property
    def chip(self) -> NorChip:
        """The NOR model in the socket. A `TypeError` if another chip stands there."""
        if not isinstance(self._target, NorChip):
            raise TypeError(f"the socket holds a {type(self._target).__name__}")
        return self._target

    def plug_in(self) -> None:
        """Plug the adapter in (again), as a new USB device; the chip gets its power back."""
        self._plugs += 1
        self.adapter = VirtualAdapter(
            self.contacts,
            chip=self._adapter_chip,
            time=self.time,
            host_gap=self._host_gap,
            faults=self.faults,
            serial=self._serial,
            address=self._plugs,
            in_use_elsewhere=self._in_use_elsewhere,
        )
        self.backend = VirtualUsb([self.adapter])
        self.device: Any = usb.core.find(backend=self.backend)
        if self._supply_switch:
            self.adapter.pins.watchers.append(self._switch_supply)
            self._switch_supply(PinChange(self.time.now_s(), direction=0, level=0))
        elif isinstance(self._target, NorChip) and not self._target.powered:
            self._target.restore_power()

    def _switch_supply(self, change: PinChange) -> None:
        """The switch's gate rests at off: a pin that is an input gives no supply."""
        on = bool(change.direction & change.level & self._supply_switch)
        if isinstance(self._target, NorChip) and on != self._target.powered:
            if on:
                self._target.restore_power()
            else:
                self._target.lose_power(change.at_s, seed=0)

    def power_fails(self, at_s: float, seed: int) -> None:
        """The bench loses power: the chip's operation is torn, the adapter leaves the USB."""
        if isinstance(self._target, NorChip):
            self._target.lose_power(at_s, seed)
        self.adapter.unplug()

    def supply_dips(self, at_s: float, seed: int) -> None:
        """The chip alone loses its power for a moment: what it was busy with is torn."""
        if isinstance(self._target, NorChip):
            self._target.lose_power(at_s, seed)
            self._target.restore_power()

    def swap_chip(self, other: SpiTarget) -> None:
        """Put another chip into the socket; the old one keeps its cells and loses its power."""
        if isinstance(self._target, NorChip):
            self._target.lose_power(self.time.now_s(), seed=0)
        self._target = self.contacts.target = other
        if isinstance(other, NorChip) and not other.powered:
            other.restore_power()

    def on_close(self, closers: contextlib.ExitStack) -> None:
        """What else to close with this bench."""
        self._closers = closers

    def close(self) -> None:
        """Give the device back and let go of the chip's files.

        What the adapter has queued is executed: it does not know that its host is gone.
        """
        if self.adapter.plugged:
            self.adapter.run_dry()
        usb.util.dispose_resources(self.device)
        self._closers.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def in_memory_bench(
    *,
    part: str | NorPart = DEFAULT_PART,
    contents: bytes | None = None,
    adapter: AdapterChip = "FT232H",
    host_gap_us: float = HOST_GAP_US_DEFAULT,
    host_gap: HostGap | None = None,
    faults: Iterable[Fault] = (),
    chip: SpiTarget | None = None,
    supply_switch: int = 0,
) -> Bench:
    """A bench that is gone with the process.

    `contents` fills the array (blank if None); `chip` stands in for the NOR model; `host_gap`
    stands in for a fixed gap of `host_gap_us`.
    """
    armed = ArmedFaults(faults)
    if chip is None:
        model = load_part(part) if isinstance(part, str) else part
        chip = NorChip(model, contents=contents, faults=armed)
    return Bench(
        chip,
        time=VirtualTime(),
        adapter_chip=adapter,
        host_gap=host_gap if host_gap is not None else FixedHostGap(host_gap_us),
        armed=armed,
        supply_switch=supply_switch,
    )


def create_bench(
    folder: Path,
    *,
    part: str = DEFAULT_PART,
    contents: bytes | None = None,
    adapter: AdapterChip = "FT232H",
    host_gap_us: float = HOST_GAP_US_DEFAULT,
    faults: Iterable[Fault] = (),
    serial: str = SERIAL_DEFAULT,
    supply_switch: int = 0,
) -> Bench:
    """Make a bench folder with one chip in the socket, and open it.

    Raises:
        FileExistsError: there is a bench in `folder` already.
        ValueError: no such part, or `contents` has another size.
    """
    load_part(part)
    folder.mkdir(parents=True, exist_ok=True)
    settings = folder / "rehearsal.toml"
    with settings.open("x", encoding="utf-8") as file:
        file.write(f'adapter = "{adapter}"\nhost_gap_us = {float(host_gap_us)}\n')
        file.write(f'serial = "{serial}"\nsupply_switch = {supply_switch}\n')
    (folder / "socket").write_text(_FIRST_CHIP, encoding="utf-8")
    add_chip(folder, _FIRST_CHIP, part=part, contents=contents)
    arm(folder, faults)
    return open_bench(folder)


def arm(folder: Path, faults: Iterable[Fault]) -> None:
    """Arm `faults` for the next openings of this bench; none of them disarms it."""
    text = fault_values.dump(faults)
    path = folder / "fault.toml"
    if text:
        path.write_text(text, encoding="utf-8")
    else:
        path.unlink(missing_ok=True)


def add_chip(
    folder: Path,
    name: str,
    *,
    part: str,
    contents: bytes | None = None,
    unique_id: bytes | None = None,
) -> None:
    """Lay another chip beside the socket of this bench, with a factory number of its own."""
    place = folder / "chips" / name
    place.mkdir(parents=True)
    model = load_part(part)
    text = f'part = "{model.name}"\n'
    if unique_id is not None:
        text += f'unique_id = "{unique_id.hex()}"\n'
    (place / "part.toml").write_text(text, encoding="utf-8")
    if contents is not None and len(contents) != model.density_bytes:
        raise ValueError(f"{part} has {model.density_bytes} bytes, contents has {len(contents)}")
    store = FolderStore(place)
    NorChip(model, store=store, contents=contents).lose_power(0.0, seed=0)
    store.close()


def swap_chip(folder: Path, other: str) -> None:
    """Take the chip out of the socket of a closed bench and put `other` in."""
    if not (folder / "chips" / other).is_dir():
        raise ValueError(f"there is no chip {other!r} beside this bench")
    socket = folder / "socket"
    with _chip_in_folder(folder, _in_socket(folder), ArmedFaults(())) as chip:
        chip.lose_power(chip.last_s, seed=0)
    socket.write_text(other, encoding="utf-8")


def power_cycle(folder: Path, *, seed: int = 0) -> None:
    """Take the power from a closed bench: what its chip was busy with is torn by `seed`."""
    name = _in_socket(folder)
    with _chip_in_folder(folder, name, ArmedFaults(())) as chip:
        chip.lose_power(chip.last_s, seed=seed)


def _settings(path: Path, known: Iterable[str]) -> dict[str, Any]:
    """What a file of a bench says; a key that is not known would be passed over in silence."""
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    unknown = sorted(told.keys() - set(known))
    if unknown:
        raise ValueError(
            f"{path.name} has {', '.join(map(repr, unknown))}, and there is no such key:"
            f" known are {', '.join(known)}"
        )
    return told


def _in_socket(folder: Path) -> str:
    return (folder / "socket").read_text(encoding="utf-8").strip()


@contextlib.contextmanager
def _chip_in_folder(folder: Path, name: str, armed: ArmedFaults) -> Iterator[NorChip]:
    place = folder / "chips" / name
    if not name or not place.is_dir():
        raise ValueError(f"its socket names the chip {name!r}, and there is no folder {place}")
    told = _settings(place / "part.toml", ("part", "unique_id"))
    part = load_part(told["part"])
    if "unique_id" in told:
        part = replace(part, unique_id=bytes.fromhex(told["unique_id"]))
    store = FolderStore(place)
    try:
        yield NorChip(part, store=store, faults=armed)
    finally:
        store.close()


def open_bench(folder: Path) -> Bench:
    """Open the bench in `folder` as it was left.

    If another process has it open, claiming the adapter's interface fails with EBUSY.

    Raises:
        FileNotFoundError: no bench there.
        ValueError: `rehearsal.toml`, `fault.toml` or the chip's files make no sense, or no such
            chip is there.
    """
    if not (folder / "rehearsal.toml").is_file():
        raise FileNotFoundError("there is no rehearsal.toml in it")
    settings = _settings(
        folder / "rehearsal.toml", ("adapter", "host_gap_us", "serial", "supply_switch")
    )
    closers = contextlib.ExitStack()
    in_use_elsewhere = not _lock(folder, closers)
    armed_file = folder / "fault.toml"
    armed = ArmedFaults(fault_values.load(armed_file) if armed_file.exists() else ())
    name = _in_socket(folder)
    chip = closers.enter_context(_chip_in_folder(folder, name, armed))
    bench = Bench(
        chip,
        time=VirtualTime(chip.last_s),
        adapter_chip=settings["adapter"],
        host_gap=FixedHostGap(settings["host_gap_us"]),
        armed=armed,
        in_use_elsewhere=in_use_elsewhere,
        supply_switch=settings.get("supply_switch", 0),
        serial=settings.get("serial", SERIAL_DEFAULT),
    )
    bench.on_close(closers)
    return bench


def _lock(folder: Path, closers: contextlib.ExitStack) -> bool:
    descriptor, is_ours = lock(folder / "in-use")
    closers.callback(os.close, descriptor)
    return is_ours
