"""A small FTDI adapter as a pyusb backend, for faults at an exact transfer.

Independent of `flashbench.rehearsal`: it executes every command the moment it arrives and knows
time only as what the wire needs. Behind it sits an echo of a chip: a frame answers with bytes
that follow from its own command bytes. Command bytes: FTDI AN_108, AN_135 (answer to an undefined
opcode); packets: AN232B-04 (two status bytes in every 512).
"""

import errno
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, Literal

import usb.backend
import usb.core
from usb.core import USBError, USBTimeoutError

CS = 0x08
LATENCY_S = 0.016
RELEASES = {"FT232H": (0x6014, 0x0900, 1), "FT2232H": (0x6010, 0x0700, 2)}
RELEASES["FT4232H"] = (0x6011, 0x0800, 4)
FIFOS = {"FT232H": 1024, "FT2232H": 4096, "FT4232H": 2048}

Kind = Literal[
    "gone before", "gone half-way", "gone after", "EIO, then gone", "EIO once", "timeout",
    "partial", "lost byte", "stale byte", "mute", "Ctrl-C",
]  # fmt: skip


class ScriptedTime:
    """Goes on only when somebody waits or the wire works."""

    def __init__(self) -> None:
        self.at_s = 100.0
        self.waited: list[float] = []

    def now_s(self) -> float:
        return self.at_s

    def wait_s(self, seconds: float) -> None:
        assert seconds >= 0
        self.waited.append(seconds)
        self.at_s += seconds


def answer(command: bytes, size: int) -> bytes:
    """What the chip behind the adapter answers to `command`."""
    pattern = bytes((sum(command) * 7 + n * 31 + len(command)) & 0xFF for n in range(251))
    return (pattern * (size // 251 + 1))[:size]


@dataclass
class ScriptedEngine:
    """Pins, divisor and the frames seen on the bus of one port."""

    time: ScriptedTime
    direction: int = 0
    level: int = 0xFF
    directions: list[int] = field(default_factory=list)  # of every 80h received
    divisors: list[int] = field(default_factory=list)
    mpsse: bool = False
    loopback: bool = False
    queue: bytearray = field(default_factory=bytearray)
    replies: bytearray = field(default_factory=bytearray)
    selected: bool = False
    begun: int = 0  # CS# falls
    frames: list[bytes] = field(default_factory=list)  # what each whole frame sent
    idle_clocks: int = 0
    _out: bytearray = field(default_factory=bytearray)
    _read: int = 0

    def set_mode(self, mode: int, direction: int) -> None:
        self.mpsse = mode == 2
        self.loopback = False
        self.let_go()
        self._pins(self.level, direction if self.mpsse else 0)

    def let_go(self) -> None:
        """The engine is off: the pull-up raises CS#, which ends no frame as it was meant."""
        if self.selected:
            self.selected = False
        self.direction = 0
        self.queue.clear()

    def feed(self, data: bytes) -> None:
        if self.mpsse:
            self.queue += data
            while self._step():
                pass

    def _pins(self, level: int, direction: int) -> None:
        self.level, self.direction = level, direction
        low = bool(direction & CS and not level & CS)
        if low and not self.selected:
            self.begun += 1
            self._out, self._read = bytearray(), 0
        if self.selected and not low:
            self.frames.append(bytes(self._out))
        self.selected = low

    def _spend(self, clocks: int) -> None:
        self.time.at_s += clocks * (self.divisors[-1] + 1 if self.divisors else 1) / 30e6

    def _step(self) -> bool:
        q = self.queue
        if not q:
            return False
        op = q[0]
        sizes = {0x80: 3, 0x82: 3, 0x86: 3, 0x8E: 2, 0x8F: 3, 0x20: 3, 0x24: 3, 0x11: 3, 0x31: 3}
        size = sizes.get(op, 1)
        if len(q) < size:
            return False
        count = int.from_bytes(q[1:3], "little") + 1 if size == 3 else 0
        if op in (0x11, 0x31):
            size += count
            if len(q) < size:
                return False
        operands = bytes(q[1:size])
        del q[:size]
        self._execute(op, operands, count)
        return True

    def _execute(self, op: int, operands: bytes, count: int) -> None:
        if op == 0x80:
            self.directions.append(operands[1])
            self._pins(operands[0], operands[1])
        elif op == 0x81:
            self.replies.append(self.level & self.direction | ~self.direction & 0xFF)
        elif op in (0x84, 0x85):
            self.loopback = op == 0x84
        elif op == 0x86:
            assert not self.replies, "SCK was changed while a reply was under way"
            self.divisors.append(count - 1)
        elif op in (0x8E, 0x8F):
            clocks = operands[0] + 1 if op == 0x8E else 8 * count
            assert not self.selected, "idle clocks with chip select low"
            self.idle_clocks += clocks
            self._spend(clocks)
        elif op in (0x20, 0x24):
            self.replies += answer(bytes(self._out), self._read + count)[self._read :]
            self._read += count
            self._spend(8 * count)
        elif op in (0x11, 0x31):
            data = operands[2:]
            self._out += data
            self._spend(8 * count)
            if op == 0x31:
                self.replies += data if self.loopback else b"\xff" * count
        elif op not in (0x82, 0x87, 0x8A, 0x8B, 0x8D, 0x97):
            self.replies += bytes([0xFA, op])


class ScriptedUsb(usb.backend.IBackend):  # type: ignore[misc]  # pyusb carries no types
    """One adapter. `arm(kind, at)` makes the `at`-th bulk transfer from then on go wrong."""

    def __init__(
        self, chip: str = "FT232H", *, serial: str = "A1", bus: int = 1, address: int = 5
    ) -> None:
        self.chip = chip
        self.product_id, self.release, self.interfaces = RELEASES[chip]
        self.serial, self.bus, self.address = serial, bus, address
        self.time = ScriptedTime()
        self.engines = [ScriptedEngine(self.time) for _ in range(self.interfaces)]
        self.calls: list[str] = []
        self.transfers: list[tuple[str, int]] = []  # ("OUT" or "IN", bytes)
        self.open_error: BaseException | None = None
        self.claim_errors: dict[int, BaseException] = {}
        self.kernel_driver: set[int] = set()
        self.handles = 0
        self.gone = False
        self.fired = False
        self._fault: tuple[Kind, int] | None = None
        self.eio_for_ever = False
        self.short_packets = 0  # so many INs bring one byte only
        self._eio = False
        self._mute = False
        self._after_arm = 0

    @property
    def engine(self) -> ScriptedEngine:
        return self.engines[0]

    def device(self) -> Any:
        return usb.core.find(backend=self)

    def arm(self, kind: Kind, at: int) -> None:
        self._fault, self._after_arm, self.fired = (kind, at), 0, False

    def unplug(self) -> None:
        self.gone = True
        for engine in self.engines:
            engine.let_go()

    def _strike(self) -> Kind | None:
        """The fault that hits this transfer, if any."""
        self._check_plugged()
        self._after_arm += 1
        if self._fault is None or self._after_arm != self._fault[1]:
            return None
        self.fired = True
        if self._fault[0] == "Ctrl-C":
            raise KeyboardInterrupt
        return self._fault[0]

    def _check_plugged(self) -> None:
        if self.gone and (self._eio or self.eio_for_ever):
            self._eio = False
            raise USBError("Input/Output Error", -1, errno.EIO)
        if self.gone:
            raise USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)

    def bulk_write(self, handle: Any, ep: int, intf: int, data: "array[int]", timeout: int) -> int:
        self.calls.append(f"OUT {intf}")
        self.transfers.append(("OUT", len(data)))
        engine, sent = self.engines[intf], data.tobytes()
        kind = self._strike()
        half = len(sent) // 2
        if kind == "gone half-way":
            engine.feed(sent[:half])
        elif kind == "partial":
            engine.feed(sent[:half])
            self.time.at_s += timeout / 1000
            return half
        elif kind not in ("gone before", "EIO, then gone", "timeout", "EIO once"):
            engine.feed(sent)
        self._fail(kind, timeout)
        return len(sent)

    def _fail(self, kind: Kind | None, timeout: int) -> None:
        if kind in ("gone before", "gone half-way", "gone after", "EIO, then gone"):
            self._eio = kind == "EIO, then gone"
            self.unplug()
            self._check_plugged()
        if kind == "EIO once":
            raise USBError("Input/Output Error", -1, errno.EIO)
        if kind == "timeout":
            self.time.at_s += timeout / 1000
            raise USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        if kind == "mute":
            self._mute = True

    def bulk_read(self, handle: Any, ep: int, intf: int, buff: "array[int]", timeout: int) -> int:
        self.calls.append(f"IN {intf}")
        self.transfers.append(("IN", len(buff)))
        kind = self._strike()
        replies = self.engines[intf].replies
        if kind == "lost byte" and replies:
            del replies[-1]
        if kind == "stale byte":
            replies[:0] = b"\x55"
        self._fail(kind, timeout)
        room = len(buff) // 512 * 510
        if self.short_packets:
            self.short_packets, room = self.short_packets - 1, 1
        taken = b"" if self._mute else bytes(replies[:room])
        if not self._mute:
            del replies[:room]
        packets = bytearray()
        for start in range(0, max(1, len(taken)), 510):
            packets += b"\x32\x60" + taken[start : start + 510]
        if taken and len(taken) % 510 == 0 and len(packets) < len(buff):
            packets += b"\x32\x60"
        if not taken:
            self.time.at_s += LATENCY_S
        memoryview(buff)[: len(packets)] = packets
        return len(packets)

    def ctrl_transfer(
        self, handle: Any, kind: int, req: int, val: int, idx: int, data: "array[int]", timeout: int
    ) -> int:
        self._check_plugged()
        if kind == 0x80 and req == 6:
            return self._string(val & 0xFF, data)
        assert kind == 0x40
        self.calls.append(f"control {req:02X}h {val:04X}h")
        engine = self.engines[idx - 1]
        if req == 0 and val in (0, 1):
            engine.queue.clear()
        if req == 0 and val in (0, 2):
            engine.replies.clear()
        if req == 0x0B:
            self._mute = False
            engine.set_mode(val >> 8, val & 0xFF)
        return 0

    def _string(self, index: int, data: "array[int]") -> int:
        texts = {2: "Bench adapter", 3: self.serial}
        text = b"\x04\x03\x09\x04"
        if index:
            body = texts[index].encode("utf-16-le")
            text = bytes([len(body) + 2, 3]) + body
        memoryview(data)[: len(text)] = text
        return len(text)

    def enumerate_devices(self) -> Iterator["ScriptedUsb"]:
        yield self

    def get_device_descriptor(self, dev: Any) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x0200, bDeviceClass=0, bDeviceSubClass=0,
            bDeviceProtocol=0, bMaxPacketSize0=64, idVendor=0x0403, idProduct=dev.product_id,
            bcdDevice=dev.release, iManufacturer=1, iProduct=2,
            iSerialNumber=3 if dev.serial else 0, bNumConfigurations=1, address=dev.address,
            bus=dev.bus, port_number=2, port_numbers=(1, 2), speed=3,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev: Any, config: int) -> SimpleNamespace:
        if config:
            raise IndexError(config)
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=32, bNumInterfaces=dev.interfaces,
            bConfigurationValue=1, iConfiguration=0, bmAttributes=0x80, bMaxPower=45,
            extra_descriptors=b"",
        )  # fmt: skip

    def get_interface_descriptor(
        self, dev: Any, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if alt or intf >= dev.interfaces:
            raise IndexError(alt)
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=intf, bAlternateSetting=0,
            bNumEndpoints=2, bInterfaceClass=255, bInterfaceSubClass=255,
            bInterfaceProtocol=255, iInterface=0, extra_descriptors=b"",
        )  # fmt: skip

    def get_endpoint_descriptor(
        self, dev: Any, ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        address = (0x81 if ep == 0 else 0x02) + 2 * intf
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=address, bmAttributes=2,
            wMaxPacketSize=512, bInterval=0, bRefresh=0, bSynchAddress=0, extra_descriptors=b"",
        )  # fmt: skip

    def open_device(self, dev: Any) -> Any:
        self._check_plugged()
        if self.open_error is not None:
            raise self.open_error
        self.handles += 1
        return dev

    def close_device(self, handle: Any) -> None:
        self.handles -= 1

    def set_configuration(self, handle: Any, value: int) -> None:
        self.calls.append("set configuration")

    def get_configuration(self, handle: Any) -> int:
        return 1

    def claim_interface(self, handle: Any, intf: int) -> None:
        self._check_plugged()
        self.calls.append(f"claim {intf}")
        if intf in self.claim_errors:
            raise self.claim_errors[intf]
        if intf in self.kernel_driver:
            raise USBError("Resource busy", -6, errno.EBUSY)

    def release_interface(self, handle: Any, intf: int) -> None:
        self._check_plugged()
        self.calls.append(f"release {intf}")

    def is_kernel_driver_active(self, handle: Any, intf: int) -> bool:
        return intf in self.kernel_driver

    def detach_kernel_driver(self, handle: Any, intf: int) -> None:
        self.kernel_driver.remove(intf)
        self.calls.append(f"detach {intf}")

    def attach_kernel_driver(self, handle: Any, intf: int) -> None:
        self._check_plugged()
        self.calls.append(f"attach {intf}")
