"""Two plain hosts for tests: one holds the chip's wires, one speaks to the adapter over USB."""

from array import array
from functools import cache
from random import Random
from typing import Any

from flashbench.rehearsal import Bench, NorChip, load_part
from flashbench.rehearsal.faults import ArmedFaults, Fault
from flashbench.rehearsal.spi_target import SpiTarget

BYTE_S = 8 / 30e6
WREN, WRDI, READ, PROGRAM, STATUS = b"\x06", b"\x04", 0x03, 0x02, 0x05


@cache
def pattern(size: int, seed: int = 1) -> bytes:
    """Noise: no half of it repeats the other."""
    return Random(seed).randbytes(size)


class WireHost:
    """Holds the four wires of one chip, and a clock."""

    def __init__(self, target: SpiTarget) -> None:
        self.target = target
        self.now_s = 1.0

    def frame(self, out: bytes, reply_bytes: int = 0, *, stray_bits: int = 0) -> bytes:
        """One chip-select-low period."""
        self.now_s += 1e-6
        self.target.select(self.now_s)
        self.target.shift_out(out, self.now_s, BYTE_S)
        self.now_s += len(out) * BYTE_S
        reply = b""
        if reply_bytes:
            reply = self.target.shift_in(reply_bytes, self.now_s, BYTE_S)
            self.now_s += reply_bytes * BYTE_S
        self.target.deselect(self.now_s, stray_bits)
        return reply

    def wait_s(self, seconds: float) -> None:
        self.now_s += seconds

    def status(self) -> int:
        return self.frame(bytes((STATUS,)), 1)[0]

    def wait_ready(self) -> None:
        """Poll 05h until WIP is 0."""
        for _ in range(100_000):
            if not self.status() & 1:
                return
            self.wait_s(1e-3)
        raise AssertionError("the chip stays busy")

    def change(self, out: bytes) -> None:
        """06h, `out`, poll, 04h: what is done around every program and erase."""
        self.frame(WREN)
        self.frame(out)
        self.wait_ready()
        self.frame(WRDI)


class StreamHost(WireHost):
    """Sends MPSSE streams through pyusb, with nothing of flashbench's own adapter code."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench.contacts)
        self.bench = bench
        self.device: Any = bench.device
        self.device.set_configuration()
        self.set_mode(0x0000)
        self.set_mode(0x0200)
        self.write(bytes.fromhex("8A 86 0000 85 97 80080B"))

    def set_mode(self, value: int) -> None:
        self.device.ctrl_transfer(0x40, 0x0B, value, 1)

    def write(self, stream: bytes, timeout_ms: int = 5000) -> int:
        return int(self.device.write(0x02, stream, timeout_ms))

    def read_once(self, request_bytes: int) -> bytes:
        """One IN transfer, status bytes taken out."""
        buffer = array("B", bytes(request_bytes))
        count = self.device.read(0x81, buffer)
        payload = bytearray(buffer[:count].tobytes())
        del payload[::512]
        del payload[::511]
        return bytes(payload)

    def read(self, count: int, *, request_bytes: int = 262144) -> bytes:
        reply = bytearray()
        while len(reply) < count:
            left = -(-(count - len(reply)) // 510) * 512
            piece = self.read_once(min(request_bytes, left))
            if not piece:
                break
            reply += piece
        return bytes(reply)

    def frame(self, out: bytes, reply_bytes: int = 0, *, stray_bits: int = 0) -> bytes:
        stream = bytearray(bytes.fromhex("80000B"))
        stream += b"\x11" + (len(out) - 1).to_bytes(2, "little") + out
        left = reply_bytes
        while left:
            taken = min(left, 65536)
            stream += b"\x24" + (taken - 1).to_bytes(2, "little")
            left -= taken
        if stray_bits:
            stream += bytes((0x13, stray_bits - 1, 0xFF))
        stream += bytes.fromhex("80080B 80080B 87")
        self.write(bytes(stream))
        return self.read(reply_bytes) if reply_bytes else b""

    def wait_s(self, seconds: float) -> None:
        self.bench.time.wait_s(seconds)


def chip_on_wires(
    part: str = "W25Q128JV", *, contents: bytes | None = None, faults: tuple[Fault, ...] = ()
) -> tuple[NorChip, WireHost]:
    """A chip of this part and a host that holds its wires."""
    chip = NorChip(load_part(part), contents=contents, faults=ArmedFaults(faults))
    return chip, WireHost(chip)
