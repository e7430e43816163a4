"""One MPSSE port on the USB: the border behind which foreign exceptions do not come.

pyftdi opens the port and sets its modes; streams go straight through pyusb into reused buffers.
Everything raised here during work is a `UsbFailure`, everything raised while opening is an
`AdapterUnavailable`.
"""

import array
import errno
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from math import ceil
from typing import Any, Final

import usb.core
import usb.util
from pyftdi.ftdi import Ftdi
from pyftdi.usbtools import UsbToolsError

from flashbench.adapter.hindrance import hindrance_of, usb_errno
from flashbench.errors import AdapterUnavailable

LATENCY_MS: Final = 16
BUFFERS_KEPT: Final = 16
_OPENING_HZ: Final = 1_000_000  # pyftdi sets a clock on opening; the wire sets its own after
_GONE: Final = (errno.ENODEV, errno.ESHUTDOWN)
_PERHAPS_GONE: Final = (errno.EIO, errno.EPIPE, errno.EPROTO)


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """What differs between the adapter chips. FIFO sizes and ports: the chips' datasheets."""

    chip: str
    url_name: str
    fifo_size: int  # bytes a port and direction
    mpsse_ports: int
    ports: int
    wide: bool  # 16 pins a port instead of 8


MODELS: Final = {  # by bcdDevice
    0x0900: Model(
        chip="FT232H", url_name="232h", fifo_size=1024, mpsse_ports=1, ports=1, wide=True
    ),
    0x0700: Model(
        chip="FT2232H", url_name="2232h", fifo_size=4096, mpsse_ports=2, ports=2, wide=True
    ),
    0x0800: Model(
        chip="FT4232H", url_name="4232h", fifo_size=2048, mpsse_ports=2, ports=4, wide=False
    ),
}


class UsbFailure(Exception):
    """A USB transfer did not do what it had to. `str()` is a clause for a sentence."""

    def __init__(self, seen: str, *, gone: bool = False, perhaps_gone: bool = False) -> None:
        super().__init__(seen)
        self.gone = gone
        self.perhaps_gone = perhaps_gone


def model_of(device: usb.core.Device) -> Model:
    """Which adapter chip `device` is.

    Raises:
        AdapterUnavailable: none that flashbench can use.
    """
    model = MODELS.get(device.bcdDevice)
    if model is None:
        raise AdapterUnavailable(
            f"The USB device {device.idVendor:04x}:{device.idProduct:04x} (release"
            f" {device.bcdDevice:04x}) is none of FT232H, FT2232H and FT4232H.",
            next_step="Name one of these adapters; `flashbench adapters` lists those present.",
        )
    return model


class UsbPort:
    """An opened MPSSE port, every pin an input."""

    def __init__(self, device: usb.core.Device, *, interface: int) -> None:
        """Open it.

        Raises:
            AdapterUnavailable: says what stands in the way and what mends it.
        """
        self.model = model_of(device)
        self.interface = interface
        _check_interface(self.model, interface)
        self._device = device
        self._ftdi = Ftdi()
        self._closed = False
        self._buffers: dict[int, array.array[int]] = {}
        try:
            self._in_endpoint, self._out_endpoint = _take(device, interface)
            self._ftdi.open_mpsse_from_device(
                device,
                interface=interface,
                direction=0,
                initial=0,
                frequency=_OPENING_HZ,
                latency=LATENCY_MS,
            )
        except (OSError, ValueError, NotImplementedError, LookupError, UsbToolsError) as error:
            self.close()
            found = hindrance_of(error, platform=sys.platform)
            raise AdapterUnavailable(found.seen, next_step=found.mend) from error
        except BaseException:
            self.close()
            raise

    def write(self, stream: bytes, *, timeout_s: float) -> int:
        """Send one bulk OUT; return how many bytes the adapter took, 0 if it took none in time.

        Raises:
            UsbFailure: of the transfer; how much the adapter took is then unknown.
        """
        with self._working("sending"):
            try:
                return int(self._device.write(self._out_endpoint, stream, _ms(timeout_s)))
            except usb.core.USBTimeoutError:
                return 0

    def read(self, size: int, *, timeout_s: float) -> tuple[bytearray, bool]:
        """One bulk IN of `size` bytes, a multiple of 512.

        Returns:
            The reply bytes without the two status bytes of every packet, and whether the
            transfer ended with a short packet, which means that the reply FIFO was empty then.

        Raises:
            UsbFailure: of the transfer.
        """
        buffer = self._buffer_of(size)
        with self._working("receiving"):
            try:
                count = int(self._device.read(self._in_endpoint, buffer, _ms(timeout_s)))
            except usb.core.USBTimeoutError:
                return bytearray(), True
        payload = bytearray(memoryview(buffer)[:count])
        # Both cuts run in C: the first status byte of every packet, then the second.
        del payload[::512]
        del payload[::511]
        return payload, count < size

    def _buffer_of(self, size: int) -> "array.array[int]":
        """The buffer of this length, the same each time: pyusb takes an array, no part of one."""
        buffer = self._buffers.pop(size, None)
        if buffer is None:
            buffer = array.array("B", bytes(size))
        self._buffers[size] = buffer  # in the order of their last use
        if len(self._buffers) > BUFFERS_KEPT:
            del self._buffers[next(iter(self._buffers))]
        return buffer

    def restart_engine(self) -> None:
        """Leave MPSSE and enter it again: drops all that is queued, also a half command.

        All pins are inputs then. In between, the port's UART function has them for a moment.

        Raises:
            UsbFailure: of a control transfer.
        """
        with self._working("restarting the engine"):
            self._ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
            self._ftdi.purge_buffers()
            self._ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)

    def close(self) -> None:
        """Give the port back as it stands, in MPSSE. Never raises for a lost adapter.

        Leaving MPSSE would hand the pins to the UART function, which drives three of them.
        """
        self._closed = True
        with suppress(OSError, ValueError, NotImplementedError):
            self._ftdi.close(freeze=True)
        with suppress(OSError, ValueError, NotImplementedError):
            # pyftdi knows only of devices that it found itself, and keeps this handle open.
            usb.util.dispose_resources(self._device)

    @contextmanager
    def _working(self, doing: str) -> Iterator[None]:
        if self._closed:
            # pyusb would quietly open the device again.
            raise UsbFailure("it has been closed")
        try:
            yield
        except (OSError, ValueError, NotImplementedError) as error:
            number = usb_errno(error)
            if number in _GONE:
                raise UsbFailure("the adapter left the USB", gone=True) from error
            raise UsbFailure(
                f"the USB failed while {doing} ({error})", perhaps_gone=number in _PERHAPS_GONE
            ) from error


def _check_interface(model: Model, interface: int) -> None:
    if 1 <= interface <= model.mpsse_ports:
        return
    usable = " and ".join(str(n) for n in range(1, model.mpsse_ports + 1))
    if model.mpsse_ports < interface <= model.ports:
        seen = (
            f"Port {port_letter(interface)} (interface {interface}) of an {model.chip} has no"
            " MPSSE engine and cannot speak SPI."
        )
    else:
        seen = f"An {model.chip} has no interface {interface}."
    raise AdapterUnavailable(seen, next_step=f"Wire the socket to, and name, interface {usable}.")


def port_letter(interface: int) -> str:
    """The letter FTDI prints for an interface number counted from 1."""
    return "ABCD"[interface - 1]


def _take(device: Any, interface: int) -> tuple[int, int]:
    """Claim the interface before anything is sent to it; return its IN and OUT endpoint.

    FTDI's control requests need no claim, so without this a second process would reset an
    adapter in the middle of another one's write.
    """
    try:
        configuration = device.get_active_configuration()
    except usb.core.USBError as error:
        if usb_errno(error) is not None:
            raise
        device.set_configuration()
        configuration = device.get_active_configuration()
    with suppress(NotImplementedError, usb.core.USBError):  # claiming shows what came of it
        if device.is_kernel_driver_active(interface - 1):
            device.detach_kernel_driver(interface - 1)
    usb.util.claim_interface(device, interface - 1)
    into_host: list[int] = []
    out_of_host: list[int] = []
    for endpoint in configuration[(interface - 1, 0)]:
        address = endpoint.bEndpointAddress
        (into_host if address & 0x80 else out_of_host).append(address)
    return into_host[0], out_of_host[0]


def _ms(seconds: float) -> int:
    # pyusb and libusb take 0 as "for ever".
    return max(1, ceil(seconds * 1000))
