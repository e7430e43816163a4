"""Proves an adapter with an empty socket, by the engine's own loopback.

In loopback (84h, AN_108) what the engine shifts out comes back in inside the chip: no pin is
needed, and all of them stay inputs. It proves the USB path, the engine and the clock; it says
nothing of the wiring or the socket.
"""

from dataclasses import dataclass
from random import Random
from typing import Final

from flashbench.adapter.adapter import Adapter, AdapterFacts
from flashbench.adapter.ftdi import FtdiWire
from flashbench.adapter.mpsse import READ_REQUEST_S
from flashbench.errors import WrongCall
from flashbench.progress import Progress, silent

SEED: Final = 0x5EED
CLOCK_TOLERANCE: Final = 0.05  # of the claimed clock; a USB reply is about 1 ms uncertain
SHORT_S: Final = 0.05
LONG_S: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopbackProof:
    """What came back. `differences` are (offset, sent, received), the first few of them."""

    adapter: AdapterFacts
    bytes_compared: int
    bytes_wrong: int
    differences: tuple[tuple[int, int, int], ...]
    claimed_hz: int
    measured_hz: int

    @property
    def data_true(self) -> bool:
        """Every byte came back as it was sent."""
        return self.bytes_wrong == 0

    @property
    def clock_true(self) -> bool:
        """SCK is what it is said to be, as far as time over USB can tell."""
        return abs(self.measured_hz - self.claimed_hz) <= CLOCK_TOLERANCE * self.claimed_hz

    @property
    def passed(self) -> bool:
        return self.data_true and self.clock_true

    def sentences(self) -> tuple[str, ...]:
        """What was seen, and what it does not prove."""
        if self.data_true:
            data = f"{self.bytes_compared} bytes came back through the adapter as they were sent."
        else:
            offset, sent, received = self.differences[0]
            data = (
                f"{self.bytes_wrong} of {self.bytes_compared} bytes came back wrong, the first"
                f" at {offset}: {received:02X}h for {sent:02X}h. Do not use this adapter."
            )
        clock = (
            f"SCK measured {self.measured_hz / 1e6:.3f} MHz, claimed"
            f" {self.claimed_hz / 1e6:.3f} MHz"
        )
        clock += "." if self.clock_true else ": the clock is not what it is said to be."
        return (data, clock, "Wiring and socket were not part of this: check the contacts next.")


def prove_by_loopback(
    adapter: Adapter, *, byte_count: int = 64 * 1024, progress: Progress = silent
) -> LoopbackProof:
    """Send `byte_count` pseudo-random bytes round inside the adapter and time its clock.

    Raises:
        AdapterError: the adapter does not answer as it must, or is gone.
        WrongCall: `byte_count` is not positive.
    """
    wire = adapter._wire
    if byte_count < 1 or not isinstance(wire, FtdiWire):
        raise WrongCall(
            "A loopback needs an FTDI adapter and at least one byte.",
            next_step="Open one with open_adapter() and send 64 KiB.",
        )
    sent = Random(SEED).randbytes(byte_count)
    received = bytearray()
    size = max(1, min(wire.loopback_size_max, int(READ_REQUEST_S * adapter.clock_hz / 8)))
    while len(received) < byte_count:
        chunk = sent[len(received) : len(received) + size]
        received += wire.loop_back(chunk, sck_hz=adapter.clock_hz)
        progress("loopback", len(received), byte_count, None)
    wrong = [(n, a, b) for n, (a, b) in enumerate(zip(sent, received, strict=True)) if a != b]
    return LoopbackProof(
        adapter=adapter.facts,
        bytes_compared=byte_count,
        bytes_wrong=len(wrong),
        differences=tuple(wrong[:8]),
        claimed_hz=adapter.clock_hz,
        measured_hz=_measured_hz(wire, adapter.clock_hz),
    )


def _measured_hz(wire: FtdiWire, clock_hz: int) -> int:
    """SCK from the difference of two runs, in which the time of the USB itself cancels out."""
    short, long = (max(1, int(clock_hz * seconds)) for seconds in (SHORT_S, LONG_S))
    short_s = wire.clock_idle(short, sck_hz=clock_hz)
    long_s = wire.clock_idle(long, sck_hz=clock_hz)
    # A clock that gains nothing on the USB's own time is beyond measuring: report it as absurd.
    return round((long - short) / max(long_s - short_s, 1e-6))
