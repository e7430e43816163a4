"""Finding adapters and opening one: from a pyusb device, from a URL, or the only one there is.

The enumeration is our own, by bus and port numbers: one adapter that may not be opened does not
hide the others, and two without serial numbers stay apart.
"""

import errno
import re
import sys
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import libusb_package
import usb.core
import usb.util
from pyftdi.ftdi import Ftdi

from flashbench.adapter.adapter import Adapter, AdapterFacts
from flashbench.adapter.extra_pins import AS_WIRED_WITHOUT_A_WORD, ExtraPins
from flashbench.adapter.ftdi import FtdiWire
from flashbench.adapter.hindrance import (
    Hindrance,
    blank_eeprom,
    hindrance_of,
    in_use,
    kernel_serial_driver,
    no_usb_library,
    usb_errno,
)
from flashbench.adapter.mpsse import SampleEdge
from flashbench.adapter.time_source import SystemTime, TimeSource
from flashbench.adapter.usb_port import MODELS, Model, model_of, port_letter
from flashbench.adapter.windows_names import serials_plugged_in
from flashbench.errors import AdapterUnavailable, WrongCall

FTDI: Final = 0x0403
PRODUCTS: Final = {"232h": 0x6014, "2232h": 0x6010, "4232h": 0x6011}
DEFAULT_CLOCK_HZ: Final = 10_000_000

PinsOf = Callable[[str, int], ExtraPins | None]
"""From an adapter's serial and interface to what else is wired; None if nobody said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundAdapter:
    """One adapter on the USB, and what the user should know before opening it.

    `interfaces` are those that speak SPI, counted from 1; `url` names the first of them.
    """

    chip: str
    serial: str  # empty if the EEPROM is blank or could not be read
    product: str
    bus: int
    address: int
    port_numbers: tuple[int, ...]  # the sockets from the root hub on; stays over replugging
    interfaces: tuple[int, ...]
    url: str
    hindrances: tuple[Hindrance, ...]
    device: Any = field(compare=False, repr=False)  # usb.core.Device, which has no types

    @property
    def opens(self) -> bool:
        """Whether nothing known stands in the way."""
        return not any(hindrance.blocks for hindrance in self.hindrances)

    def sentence(self) -> str:
        """One line for a list."""
        serial = f"serial {self.serial}" if self.serial else "no serial number"
        place = ".".join(str(n) for n in self.port_numbers) or "?"
        return f"{self.url}  {self.chip} {self.product}, {serial}, bus {self.bus} socket {place}"


def find_adapters(*, backend: Any = None, platform: str = sys.platform) -> list[FoundAdapter]:
    """Every FT232H, FT2232H and FT4232H on the USB, in the order of bus and address.

    `backend` is a pyusb backend; without one, libusb from the libusb-package wheel.

    Raises:
        AdapterUnavailable: libusb cannot be loaded, or refuses to list the bus.
    """
    return [_look_at(device, platform) for device in _devices(backend, platform)]


def open_adapter(
    device: usb.core.Device,
    *,
    interface: int = 1,
    clock_hz: int = DEFAULT_CLOCK_HZ,
    time: TimeSource | None = None,
    sample_edge: SampleEdge = SampleEdge.FALLING,
    extra_pins: ExtraPins = AS_WIRED_WITHOUT_A_WORD,
) -> Adapter:
    """Open an FTDI adapter on any pyusb device; every pin is an input afterwards.

    `interface` counts from 1; `clock_hz` is rounded down to 30 MHz / n. `time` is the system's
    unless given. `extra_pins` is what else is wired: WP#, HOLD#, a switch for the supply.

    Raises:
        AdapterUnavailable: says what stands in the way and what mends it.
        WrongCall: `device` is no pyusb device, or the clock is one the adapter cannot make.
    """
    if not isinstance(device, usb.core.Device):
        raise WrongCall(
            f"An adapter is opened from a usb.core.Device, not from {type(device).__name__}.",
            next_step="`flashbench adapters` lists the URLs that open_url() opens one by.",
        )
    return _open(
        device,
        interface=interface,
        clock_hz=clock_hz,
        time=time or SystemTime(),
        sample_edge=sample_edge,
        extra_pins=extra_pins,
    )


def open_url(
    url: str,
    *,
    clock_hz: int = DEFAULT_CLOCK_HZ,
    time: TimeSource | None = None,
    backend: Any = None,
    pins_of: PinsOf | None = None,
) -> Adapter:
    """Open the adapter that `url` names.

    `ftdi://ftdi:232h/1`, `ftdi://ftdi:2232h:SERIAL/2`, `ftdi://ftdi:232h:BUS:ADDRESS/1` (both
    hexadecimal), `ftdi:///1` for the only adapter there is, whichever it is; and
    `rehearsal:FOLDER` for a bench without hardware, which has its own time. `backend` as for
    `find_adapters`. `pins_of` says what else is wired to the port of an adapter. Of the other
    adapters none is claimed, not even for a moment: another process may be opening one.

    Raises:
        AdapterUnavailable: none answers to the name, several do, or it does not open.
        WrongCall: the URL is not understood.
    """
    if url.startswith("rehearsal:"):
        folder = url.removeprefix("rehearsal:")
        return _open_rehearsal(folder, clock_hz=clock_hz, pins_of=pins_of)
    wanted = parse_url(url)
    chosen = only_one(_named_by(wanted, backend), named=url)
    return open_adapter(
        chosen.device,
        interface=wanted.interface,
        clock_hz=clock_hz,
        time=time,
        extra_pins=_pins(pins_of, chosen.serial, wanted.interface),
    )


def open_only_adapter(
    *,
    interface: int = 1,
    clock_hz: int = DEFAULT_CLOCK_HZ,
    time: TimeSource | None = None,
    backend: Any = None,
    pins_of: PinsOf | None = None,
) -> Adapter:
    """Open the adapter when none was named: there must be exactly one.

    Raises:
        AdapterUnavailable: there is none, there are several (they are listed), or it does not
            open.
    """
    return open_url(
        f"ftdi:///{interface}", clock_hz=clock_hz, time=time, backend=backend, pins_of=pins_of
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a URL says of the adapter it names; empty means any."""

    url_name: str = ""
    serial: str = ""
    place: tuple[int, int] | None = None  # bus, address
    interface: int = 1

    def fits(self, found: FoundAdapter) -> bool:
        """Whether `found` is one that the URL names."""
        return self.may_fit(found) and self.serial in ("", found.serial)

    def may_fit(self, found: FoundAdapter) -> bool:
        """Whether `found` is one that the URL names, if its serial is; that may be unread."""
        name_fits = self.url_name in ("", found.chip.lower().removeprefix("ft"))
        return name_fits and self.place in (None, (found.bus, found.address))


_URL: Final = re.compile(
    r"ftdi://(?P<vendor>[^:/]*)(?::(?P<product>[^:/]*))?(?::(?P<locator>[^/]*))?/(?P<port>[1-9])"
)


def parse_url(url: str) -> Wanted:
    """The parts of an `ftdi:` URL, in pyftdi's syntax.

    Raises:
        WrongCall: it is not understood, or names an adapter by its order of discovery.
    """
    parts = _URL.fullmatch(url)
    if parts is None or parts["vendor"].lower() not in ("", "ftdi", "0x403", "0x0403"):
        raise _not_understood(url)
    url_name = _product_name(parts["product"] or "")
    if url_name is None:
        raise _not_understood(url)
    interface = int(parts["port"])
    locator = parts["locator"] or ""
    if ":" not in locator:
        return Wanted(url_name=url_name, serial=locator, interface=interface)
    bus, _, address = locator.partition(":")
    try:
        place = (int(bus, 16), int(address, 16))
    except ValueError:
        raise _not_understood(url) from None
    return Wanted(url_name=url_name, place=place, interface=interface)


def only_one(found: list[FoundAdapter], *, named: str) -> FoundAdapter:
    """The one adapter of `found`.

    Raises:
        AdapterUnavailable: none, or several; they are listed.
    """
    if len(found) == 1:
        return found[0]
    anonymous = named.startswith("ftdi:///")
    if not found:
        raise AdapterUnavailable(
            "There is no FT232H, FT2232H or FT4232H on the USB."
            if anonymous
            else f"No adapter on the USB answers to {named}.",
            next_step="Plug the adapter in, or name one that is there; `flashbench adapters`"
            " lists them.",
        )
    listed = "; ".join(each.sentence() for each in found)
    example = next((each.url for each in found if each.url), "URL")
    raise AdapterUnavailable(
        f"{len(found)} adapters {'are there' if anonymous else 'answer to ' + named}: {listed}.",
        next_step=f"Name one of them by the URL at its start, as --adapter {example}",
    )


def _product_name(text: str) -> str | None:
    """ "232h", "2232h" or "4232h" for any name pyftdi knows the product by; empty for empty."""
    if not text:
        return ""
    known: dict[str, int] = Ftdi.PRODUCT_IDS[FTDI]
    number = known.get(text.lower())
    if number is None and text.lower().startswith("0x"):
        with suppress(ValueError):
            number = int(text, 16)
    return {number: name for name, number in PRODUCTS.items()}.get(number or 0)


def _not_understood(url: str) -> WrongCall:
    return WrongCall(
        f"{url!r} is not the name of an adapter.",
        next_step="Write ftdi://ftdi:232h/1, ftdi://ftdi:232h:SERIAL/1,"
        " ftdi://ftdi:232h:BUS:ADDRESS/1 or rehearsal:FOLDER.",
    )


def _pins(pins_of: PinsOf | None, serial: str, interface: int) -> ExtraPins:
    found = pins_of(serial, interface) if pins_of is not None else None
    return AS_WIRED_WITHOUT_A_WORD if found is None else found


def _open_rehearsal(folder: str, *, clock_hz: int, pins_of: PinsOf | None) -> Adapter:
    # Only here: flashing real chips must not load the model of one.
    from flashbench.rehearsal import open_bench

    try:
        bench = open_bench(Path(folder))
    except (OSError, ValueError, KeyError) as error:
        raise AdapterUnavailable(
            f"No rehearsal bench opens in the folder {folder!r}: {error}.",
            next_step="Make one: flashbench practice DIR --bench-only. It is then named"
            " rehearsal:DIR/bench.",
        ) from error
    try:
        return _open(
            bench.device,
            interface=bench.interface,
            clock_hz=clock_hz,
            time=bench.time,
            url=f"rehearsal:{folder}",
            extra_pins=_pins(pins_of, bench.adapter.serial, bench.interface),
            give_back=bench.close,
        )
    except BaseException:
        bench.close()
        raise


def _open(
    device: Any,
    *,
    interface: int,
    clock_hz: int,
    time: TimeSource,
    sample_edge: SampleEdge = SampleEdge.FALLING,
    extra_pins: ExtraPins = AS_WIRED_WITHOUT_A_WORD,
    url: str | None = None,
    give_back: Callable[[], None] | None = None,
) -> Adapter:
    wire = FtdiWire(
        device, interface=interface, time=time, sample_edge=sample_edge, extra=extra_pins
    )
    with ExitStack() as opened:
        opened.callback(wire.close)
        serial, product = _strings(device)
        facts = AdapterFacts(
            chip=wire.model.chip,
            interface=interface,
            product=product,
            serial=serial,
            url=url or _url(device, wire.model, serial, interface),
            port_numbers=tuple(device.port_numbers or ()),
        )
        closing = ExitStack()
        if give_back is not None:
            closing.callback(give_back)
        closing.callback(wire.close)
        adapter = Adapter(wire, facts=facts, clock_hz=clock_hz, time=time, give_back=closing.close)
        opened.pop_all()
    return adapter


def _devices(backend: Any, platform: str) -> list[Any]:
    """The pyusb devices of all adapters, by bus and address. Raises as `find_adapters` does."""
    if backend is None:
        backend = libusb_package.get_libusb1_backend()
    if backend is None:
        hindrance = no_usb_library(platform)
        raise AdapterUnavailable(hindrance.seen, next_step=hindrance.mend)
    try:
        devices = list(usb.core.find(find_all=True, backend=backend, custom_match=_is_ours))
    except (OSError, ValueError, NotImplementedError) as error:
        hindrance = hindrance_of(error, platform=platform)
        raise AdapterUnavailable(hindrance.seen, next_step=hindrance.mend) from error
    return _one_each(devices)


def _named_by(wanted: Wanted, backend: Any) -> list[FoundAdapter]:
    """The adapters that a URL names, what stands in the way of each not looked for.

    Only of those that may be meant are the strings read, which needs no claim.
    """
    found = []
    for device in _devices(backend, sys.platform):
        if not wanted.may_fit(_found(device)):
            continue
        try:
            serial, product = _strings(device)
        finally:
            usb.util.dispose_resources(device)
        found.append(_found(device, serial=serial, product=product))
    return [each for each in found if wanted.fits(each)]


def _is_ours(device: Any) -> bool:
    return device.idVendor == FTDI and device.idProduct in PRODUCTS.values()


def _one_each(devices: Iterable[Any]) -> list[Any]:
    """Windows lists a device once whole and once for each interface: keep the whole one."""
    best: dict[tuple[int, int], Any] = {}
    for device in devices:
        place = (device.bus or 0, device.address or 0)
        if place not in best or _interface_count(best[place]) < _interface_count(device):
            best[place] = device
    return [best[place] for place in sorted(best)]


def _interface_count(device: Any) -> int:
    try:
        return max((configuration.bNumInterfaces for configuration in device), default=0)
    except (OSError, NotImplementedError):
        return 0


def _look_at(device: Any, platform: str) -> FoundAdapter:
    model = MODELS.get(device.bcdDevice)
    serial, product = "", ""
    try:
        hindrances = _hindrances(device, model, platform)
        if not any(hindrance.blocks for hindrance in hindrances):
            serial, product = _strings(device)
            if not serial:
                place = _url(device, model, "", 1) if model else "its bus and address"
                hindrances.append(blank_eeprom(place))
    finally:
        usb.util.dispose_resources(device)
    return _found(device, serial=serial, product=product, hindrances=tuple(hindrances))


def _found(
    device: Any, *, serial: str = "", product: str = "", hindrances: tuple[Hindrance, ...] = ()
) -> FoundAdapter:
    """What its descriptors say of a device, and what is known besides."""
    model = MODELS.get(device.bcdDevice)
    return FoundAdapter(
        chip=model.chip if model else f"FTDI {device.idProduct:04x}",
        serial=serial,
        product=product,
        bus=device.bus or 0,
        address=device.address or 0,
        port_numbers=tuple(device.port_numbers or ()),
        interfaces=tuple(range(1, model.mpsse_ports + 1)) if model else (),
        url=_url(device, model, serial, 1) if model else "",
        hindrances=hindrances,
        device=device,
    )


def _hindrances(device: Any, model: Model | None, platform: str) -> list[Hindrance]:
    if model is None:
        return [_not_usable(device)]
    held: list[int] = []
    busy: list[int] = []
    interfaces = range(1, model.mpsse_ports + 1)
    for interface in interfaces:
        try:
            if _kernel_has(device, interface):
                held.append(interface)
                continue
            usb.util.claim_interface(device, interface - 1)
            usb.util.release_interface(device, interface - 1)
        except (OSError, ValueError, NotImplementedError) as error:
            if usb_errno(error) != errno.EBUSY:
                serials = serials_plugged_in(device.idProduct)
                return [hindrance_of(error, platform=platform, serials=serials)]
            busy.append(interface)
    found = []
    if busy:
        blocks = len(busy) == len(interfaces)
        found.append(in_use(_letters(busy), platform=platform, blocks=blocks))
    if held:
        found.append(kernel_serial_driver(_letters(held), platform=platform))
    return found


def _letters(interfaces: list[int]) -> str:
    return " and ".join(port_letter(interface) for interface in interfaces)


def _kernel_has(device: Any, interface: int) -> bool:
    try:
        return bool(device.is_kernel_driver_active(interface - 1))
    except NotImplementedError:
        return False


def _not_usable(device: Any) -> Hindrance:
    try:
        model_of(device)
    except AdapterUnavailable as error:
        return Hindrance(seen=error.seen, mend=error.next_step)
    raise AssertionError("model_of refuses what is not in MODELS")


def _strings(device: Any) -> tuple[str, str]:
    """Serial and product; empty where blank or unreadable (a blank EEPROM reads FFFFh)."""
    texts = []
    for index in (device.iSerialNumber, device.iProduct):
        try:
            text = usb.util.get_string(device, index) or ""
        except (OSError, ValueError, NotImplementedError):
            text = ""
        texts.append("".join(char for char in text if char.isprintable() and char != "\ufffd"))
    return texts[0], texts[1]


def _url(device: Any, model: Model, serial: str, interface: int) -> str:
    usable = serial and not set(serial) & set(":/?")
    locator = serial if usable else f"{device.bus or 0:x}:{device.address or 0:x}"
    return f"ftdi://ftdi:{model.url_name}:{locator}/{interface}"
