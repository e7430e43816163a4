"""A virtual USB bus with FTDI adapters on it, as a pyusb backend.

`usb.core.find(backend=VirtualUsb([adapter, ...]))` finds them. Descriptors and vendor requests
are those that pyftdi reads and sends; the packets to the host follow FTDI AN232B-04: two status
bytes, up to 510 bytes of payload, a short packet ends a transfer.

Not modelled: two transfers under way at once. The bus has one lock, so a reader thread beside
a blocked writer waits until the writer times out.
"""

import errno
import math
import threading
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Literal

import numpy as np
import usb.backend
from usb.core import USBError, USBTimeoutError

from flashbench.rehearsal.faults import ArmedFaults
from flashbench.rehearsal.mpsse_engine import MpsseEngine, Pins
from flashbench.rehearsal.other_drivers import OtherDrivers
from flashbench.rehearsal.spi_target import EmptySocket, SpiTarget
from flashbench.rehearsal.virtual_time import (
    PACKET_BYTES,
    PACKET_S,
    PAYLOAD_BYTES,
    FixedHostGap,
    HostGap,
    VirtualTime,
)

AdapterChip = Literal["FT232H", "FT2232H", "FT4232H"]
PRODUCT_STRING = "Rehearsal adapter, no hardware"
SERIAL_DEFAULT = "REHEARSAL1"
_STATUS = b"\x32\x60"


@dataclass(frozen=True, slots=True)
class _Kind:
    product_id: int
    device_release: int
    interfaces: int
    mpsse_interfaces: int
    fifo_bytes: int
    wide: bool


_KINDS: dict[AdapterChip, _Kind] = {
    "FT232H": _Kind(0x6014, 0x0900, 1, 1, 1024, True),
    "FT2232H": _Kind(0x6010, 0x0700, 2, 2, 4096, True),
    "FT4232H": _Kind(0x6011, 0x0800, 4, 2, 2048, False),
}


def _gone() -> USBError:
    return USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)


def _timed_out() -> USBTimeoutError:
    return USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)


def _stalled() -> USBError:
    return USBError("Pipe error", -9, errno.EPIPE)


def _busy() -> USBError:
    return USBError("Resource busy", -6, errno.EBUSY)


class _Port:
    """One interface: its engine, its FIFOs, its latency timer."""

    def __init__(self, target: SpiTarget, *, kind: _Kind, has_mpsse: bool) -> None:
        self.fifo_bytes = kind.fifo_bytes
        self.has_mpsse = has_mpsse
        self.latency_ms = 16
        self.engine = MpsseEngine(target, wide=kind.wide)
        self.claimed_by: object | None = None


class VirtualAdapter:
    """One FTDI adapter whose port `wired_interface` carries `target`."""

    def __init__(
        self,
        target: SpiTarget,
        *,
        chip: AdapterChip = "FT232H",
        time: VirtualTime,
        host_gap: HostGap | None = None,
        faults: ArmedFaults | None = None,
        serial: str = SERIAL_DEFAULT,
        product: str = PRODUCT_STRING,
        bus: int = 99,
        address: int = 1,
        wired_interface: int = 1,
        in_use_elsewhere: bool = False,
    ) -> None:
        self.chip = chip
        self.kind = _KINDS[chip]
        self.serial, self.product = serial, product
        self.bus, self.address = bus, address
        self.time = time
        self.host_gap: HostGap = host_gap if host_gap is not None else FixedHostGap()
        self.faults = faults if faults is not None else ArmedFaults(())
        self.in_use_elsewhere = in_use_elsewhere
        self.plugged = True
        self.bulk_transfers = 0
        self.control_transfers = 0
        self.bulk_bytes = {"in": 0, "out": 0}
        self.wired_interface = wired_interface
        self.ports = [
            _Port(
                target if number == wired_interface else EmptySocket(),
                kind=self.kind,
                has_mpsse=number <= self.kind.mpsse_interfaces,
            )
            for number in range(1, self.kind.interfaces + 1)
        ]
        self.pins.others = OtherDrivers(self.faults)

    @property
    def pins(self) -> Pins:
        """The pins of the port that is wired to the chip."""
        return self.ports[self.wired_interface - 1].engine.pins

    def unplug(self) -> None:
        """From now on every call fails; the pins are let go in the same instant."""
        self.plugged = False
        for port in self.ports:
            port.engine.set_mode(mpsse=False, direction=0, at_s=self.time.now_s())

    def begin_transfer(self) -> None:
        """Charge the host's gap, let the engines run meanwhile, fail if unplugged."""
        if not self.plugged:
            raise _gone()
        self.time.wait_s(self.host_gap.transfer_begins())
        self.catch_up()

    def _begin_bulk_transfer(self) -> None:
        suspend = self.faults.suspend_before(self.bulk_transfers + 1)
        if suspend is not None and self.plugged:
            self.run_dry()
            self.time.wait_s(suspend.seconds)
            if suspend.adapter == "leaves":
                self.unplug()
        self.begin_transfer()
        self.bulk_transfers += 1

    def begin_control_transfer(self) -> None:
        """As `begin_transfer`, and counted, so that a fault can name it."""
        self.begin_transfer()
        self.control_transfers += 1
        if self.faults.unplugs_before_control(self.control_transfers):
            self._unplugged_by_fault()

    def catch_up(self) -> None:
        """Let every engine do what it had time for, as far as its reply FIFO has room."""
        now_s = self.time.now_s()
        for port in self.ports:
            port.engine.run(until_s=now_s, reply_limit=port.fifo_bytes)
            if not self.plugged:
                raise _gone()

    def run_dry(self) -> None:
        """Let the engines finish what they hold, as they do when the host has nothing to say."""
        for port in self.ports:
            port.engine.run(until_s=math.inf, reply_limit=port.fifo_bytes)
            self.time.reach(port.engine.now_s)

    def write(self, port: _Port, data: bytes, timeout_ms: int) -> int:
        """One bulk OUT transfer; the count of bytes that reached the FIFO in time."""
        self._begin_bulk_transfer()
        start_s = self.time.now_s()
        cut = self.faults.bytes_before_unplug(self.bulk_transfers, len(data))
        if cut is not None:
            self._deliver(port, data[:cut], start_s, timeout_ms)
            self.run_dry()
            self._unplugged_by_fault()
        accepted = self._deliver(port, data, start_s, timeout_ms)
        self.bulk_bytes["out"] += accepted
        return accepted

    def _deliver(self, port: _Port, data: bytes, start_s: float, timeout_ms: int) -> int:
        engine, limit_s = port.engine, start_s + timeout_ms / 1000
        engine.feed(data, at_s=start_s)
        waits_for_room = engine.queued_bytes > port.fifo_bytes
        engine.run(until_s=limit_s, reply_limit=port.fifo_bytes, queue_limit=port.fifo_bytes)
        if not self.plugged:
            raise _gone()
        excess = engine.queued_bytes - port.fifo_bytes
        if excess > 0:
            accepted = max(0, len(data) - excess)
            engine.withdraw(len(data) - accepted)
            self.time.reach(limit_s)
            if not accepted:
                raise _timed_out()
            return accepted
        on_the_bus_s = start_s + max(1, len(data)) * PACKET_S / PACKET_BYTES
        self.time.reach(on_the_bus_s)
        if waits_for_room:
            self.time.reach(engine.consumed_s)
        return len(data)

    def read(self, port: _Port, buffer: "array[int]", timeout_ms: int) -> int:
        """One bulk IN transfer into `buffer`; the count of bytes, status bytes included."""
        self._begin_bulk_transfer()
        if self.faults.bytes_before_unplug(self.bulk_transfers, len(buffer)) is not None:
            self._unplugged_by_fault()
        packets, rest = divmod(len(buffer), PACKET_BYTES)
        payload_limit = packets * PAYLOAD_BYTES + max(0, rest - len(_STATUS))
        payload = self._collect(port, payload_limit, timeout_ms)
        payload = self.faults.spoil_reply(self.bulk_transfers, payload)
        count = _fill_with_packets(buffer, payload[:payload_limit], payload_limit)
        self.bulk_bytes["in"] += count
        return count

    def _collect(self, port: _Port, wanted: int, timeout_ms: int) -> bytes:
        """Reply bytes until `wanted` are there or a short packet ends the transfer."""
        engine, start_s = port.engine, self.time.now_s()
        limit_s, latency_s = start_s + timeout_ms / 1000, port.latency_ms / 1000
        engine.wake(start_s)
        if not engine.reply_bytes:
            engine.packet_s = max(engine.packet_s, start_s)
        while engine.reply_bytes < wanted:
            if engine.flush_asked:
                engine.flush_asked = False
                if engine.reply_bytes % PAYLOAD_BYTES:
                    return self._hand_over(engine, engine.reply_bytes, start_s, engine.now_s)
            engine.run(until_s=limit_s, reply_limit=wanted, latency_s=latency_s, stop_on_flush=True)
            if not self.plugged:
                raise _gone()
            expiry_s = engine.packet_s + latency_s
            if engine.flush_asked or engine.reply_bytes >= wanted:
                continue
            if limit_s < expiry_s:
                return self._read_timed_out(engine, limit_s)
            return self._hand_over(engine, engine.reply_bytes, start_s, expiry_s)
        return self._hand_over(engine, wanted, start_s, engine.now_s)

    def _read_timed_out(self, engine: MpsseEngine, limit_s: float) -> bytes:
        whole_packets = engine.reply_bytes // PAYLOAD_BYTES * PAYLOAD_BYTES
        self.time.reach(limit_s)
        if not whole_packets:
            raise _timed_out()
        return engine.take_replies(whole_packets)

    def _hand_over(
        self, engine: MpsseEngine, count: int, start_s: float, last_byte_s: float
    ) -> bytes:
        packets = -(-max(1, count) // PAYLOAD_BYTES)
        # All but the last packet cross the bus while the engine fills the next one.
        self.time.reach(max(last_byte_s + PACKET_S, start_s + packets * PACKET_S))
        engine.packet_s = self.time.now_s()
        taken = engine.take_replies(count)
        if not engine.reply_bytes:
            engine.flush_asked = False
        return taken

    def _unplugged_by_fault(self) -> None:
        self.faults.tell_unplugged(self.time.now_s())
        self.unplug()
        raise _gone()

    def vendor_out(self, port: _Port, request: int, value: int) -> None:
        """A vendor request without data: reset and purge, mode, latency, characters."""
        engine, now_s = port.engine, self.time.now_s()
        if request == 0x00:
            if value in (0, 1):
                engine.drop_queue()
            if value in (0, 2):
                engine.drop_replies()
        elif request == 0x09:
            port.latency_ms = max(1, value & 0xFF)
        elif request == 0x0B:
            mpsse = value >> 8 == 0x02
            if mpsse and not port.has_mpsse:
                raise _stalled()
            engine.set_mode(mpsse=mpsse, direction=value & 0xFF, at_s=now_s)
        elif request not in (1, 2, 3, 4, 6, 7):
            raise _stalled()

    def vendor_in(self, port: _Port, request: int) -> bytes:
        """A vendor request that answers: status, latency, pins, EEPROM word."""
        if request == 0x05:
            return _STATUS
        if request == 0x0A:
            return bytes((port.latency_ms,))
        if request == 0x0C:
            return bytes((port.engine.pins.read(self.time.now_s()) & 0xFF,))
        if request == 0x90:
            return b"\xff\xff"
        raise _stalled()

    def string(self, index: int) -> bytes:
        """A string descriptor; index 0 lists the language."""
        texts = {1: "flashbench", 2: self.product, 3: self.serial}
        if index == 0:
            return b"\x04\x03\x09\x04"
        if index not in texts:
            raise _stalled()
        text = texts[index].encode("utf-16-le")
        return bytes((len(text) + 2, 3)) + text


def _fill_with_packets(buffer: "array[int]", payload: bytes, payload_limit: int) -> int:
    """Lay `payload` out as packets in `buffer`; how many bytes of it were used."""
    target = np.frombuffer(memoryview(buffer), dtype=np.uint8)
    full, rest = divmod(len(payload), PAYLOAD_BYTES)
    if full:
        rows = target[: full * PACKET_BYTES].reshape(full, PACKET_BYTES)
        rows[:, 0], rows[:, 1] = _STATUS
        body = np.frombuffer(payload, dtype=np.uint8, count=full * PAYLOAD_BYTES)
        rows[:, 2:] = body.reshape(full, PAYLOAD_BYTES)
    used = full * PACKET_BYTES
    if rest or len(payload) < payload_limit or not payload:
        tail = _STATUS + payload[len(payload) - rest :]
        tail = tail[: len(target) - used]
        target[used : used + len(tail)] = np.frombuffer(tail, dtype=np.uint8)
        used += len(tail)
    return used


class VirtualUsb(usb.backend.IBackend):  # type: ignore[misc]  # pyusb carries no types
    """The pyusb backend; pass it as `backend=` to `usb.core.find`."""

    def __init__(self, adapters: Sequence[VirtualAdapter]) -> None:
        self.adapters = list(adapters)
        self._lock = threading.RLock()

    def enumerate_devices(self) -> Iterator[VirtualAdapter]:
        return iter([adapter for adapter in self.adapters if adapter.plugged])

    def get_parent(self, dev: VirtualAdapter) -> None:
        return None

    def get_device_descriptor(self, dev: VirtualAdapter) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18,
            bDescriptorType=1,
            bcdUSB=0x0200,
            bDeviceClass=0,
            bDeviceSubClass=0,
            bDeviceProtocol=0,
            bMaxPacketSize0=64,
            idVendor=0x0403,
            idProduct=dev.kind.product_id,
            bcdDevice=dev.kind.device_release,
            iManufacturer=1,
            iProduct=2,
            iSerialNumber=3,
            bNumConfigurations=1,
            address=dev.address,
            bus=dev.bus,
            port_number=dev.address,
            port_numbers=(dev.address,),
            speed=3,  # high speed
        )

    def get_configuration_descriptor(self, dev: VirtualAdapter, config: int) -> SimpleNamespace:
        if config:
            raise IndexError("the adapter has one configuration")
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=2,
            wTotalLength=9 + 23 * dev.kind.interfaces,
            bNumInterfaces=dev.kind.interfaces,
            bConfigurationValue=1,
            iConfiguration=0,
            bmAttributes=0x80,
            bMaxPower=50,
            extra_descriptors=b"",
        )

    def get_interface_descriptor(
        self, dev: VirtualAdapter, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if alt or intf >= dev.kind.interfaces:
            raise IndexError("no such interface or alternate setting")
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=4,
            bInterfaceNumber=intf,
            bAlternateSetting=0,
            bNumEndpoints=2,
            bInterfaceClass=255,
            bInterfaceSubClass=255,
            bInterfaceProtocol=255,
            iInterface=2,
            extra_descriptors=b"",
        )

    def get_endpoint_descriptor(
        self, dev: VirtualAdapter, ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if ep > 1:
            raise IndexError("an interface has two endpoints")
        return SimpleNamespace(
            bLength=7,
            bDescriptorType=5,
            bEndpointAddress=(0x81, 0x02)[ep] + 2 * intf,
            bmAttributes=2,
            wMaxPacketSize=PACKET_BYTES,
            bInterval=0,
            bRefresh=0,
            bSynchAddress=0,
            extra_descriptors=b"",
        )

    def open_device(self, dev: VirtualAdapter) -> VirtualAdapter:
        if not dev.plugged:
            raise _gone()
        return dev

    def close_device(self, dev_handle: VirtualAdapter) -> None:
        for port in dev_handle.ports:
            port.claimed_by = None

    def set_configuration(self, dev_handle: VirtualAdapter, config_value: int) -> None:
        if not dev_handle.plugged:
            raise _gone()

    def get_configuration(self, dev_handle: VirtualAdapter) -> int:
        if not dev_handle.plugged:
            raise _gone()
        return 1

    def set_interface_altsetting(
        self, dev_handle: VirtualAdapter, intf: int, altsetting: int
    ) -> None:
        if altsetting:
            raise _stalled()

    def claim_interface(self, dev_handle: VirtualAdapter, intf: int) -> None:
        if not dev_handle.plugged:
            raise _gone()
        port = dev_handle.ports[intf]
        if dev_handle.in_use_elsewhere or port.claimed_by is not None:
            raise _busy()
        port.claimed_by = self

    def release_interface(self, dev_handle: VirtualAdapter, intf: int) -> None:
        dev_handle.ports[intf].claimed_by = None

    def bulk_write(
        self, dev_handle: VirtualAdapter, ep: int, intf: int, data: "array[int]", timeout: int
    ) -> int:
        with self._lock:
            try:
                return dev_handle.write(dev_handle.ports[intf], data.tobytes(), timeout)
            finally:
                dev_handle.host_gap.transfer_ends()

    def bulk_read(
        self, dev_handle: VirtualAdapter, ep: int, intf: int, buff: "array[int]", timeout: int
    ) -> int:
        with self._lock:
            try:
                return dev_handle.read(dev_handle.ports[intf], buff, timeout)
            finally:
                dev_handle.host_gap.transfer_ends()

    def ctrl_transfer(
        self,
        dev_handle: VirtualAdapter,
        bmRequestType: int,  # noqa: N803  # pyusb's names
        bRequest: int,  # noqa: N803
        wValue: int,  # noqa: N803
        wIndex: int,  # noqa: N803
        data: "array[int]",
        timeout: int,
    ) -> int:
        with self._lock:
            try:
                dev_handle.begin_control_transfer()
                return _control(dev_handle, bmRequestType, bRequest, wValue, wIndex, data)
            finally:
                dev_handle.host_gap.transfer_ends()

    def clear_halt(self, dev_handle: VirtualAdapter, ep: int) -> None:
        if not dev_handle.plugged:
            raise _gone()

    def reset_device(self, dev_handle: VirtualAdapter) -> None:
        if not dev_handle.plugged:
            raise _gone()
        for port in dev_handle.ports:
            port.engine.set_mode(mpsse=False, direction=0, at_s=dev_handle.time.now_s())
            port.engine.drop_replies()

    def is_kernel_driver_active(self, dev_handle: VirtualAdapter, intf: int) -> bool:
        return False

    def detach_kernel_driver(self, dev_handle: VirtualAdapter, intf: int) -> None:
        pass

    def attach_kernel_driver(self, dev_handle: VirtualAdapter, intf: int) -> None:
        pass


def _control(
    adapter: VirtualAdapter,
    request_type: int,
    request: int,
    value: int,
    index: int,
    data: "array[int]",
) -> int:
    if request_type == 0x40:
        adapter.vendor_out(_port_by_index(adapter, index), request, value)
        return len(data)
    if request_type == 0xC0:
        answer = adapter.vendor_in(_port_by_index(adapter, index), request)
    elif request_type == 0x80 and request == 6 and value >> 8 == 3:
        answer = adapter.string(value & 0xFF)
    else:
        raise _stalled()
    count = min(len(answer), len(data))
    data[:count] = array("B", answer[:count])
    return count


def _port_by_index(adapter: VirtualAdapter, index: int) -> _Port:
    """The high byte carries EEPROM addresses and divisors; the low one is the port, from 1."""
    number = index & 0xFF
    if not 1 <= number <= len(adapter.ports):
        number = 1
    return adapter.ports[number - 1]
