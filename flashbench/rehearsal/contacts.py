"""The four wires between adapter and chip, with what a bad socket does to them."""

import numpy as np

from flashbench.rehearsal.bit_link import BitLink
from flashbench.rehearsal.faults import (
    ArmedFaults,
    ContactFault,
    FloatingMiso,
    FrameGlitch,
    IntermittentContact,
    MirroredBits,
    MisoFlips,
    MisoOnMosi,
    MisoSettlesLate,
    MosiFlips,
    NoChip,
    SecondMaster,
    ShiftedBits,
)
from flashbench.rehearsal.other_drivers import frame_under_way
from flashbench.rehearsal.spi_target import SpiTarget

_GLITCH_S = 100e-9  # longer than any tSHSL here: the chip sees the edge

_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


class Contacts:
    """An `SpiTarget` that passes everything on to another one through faulty contacts.

    `faults` may be changed while the bench runs: that is seating the chip anew.
    """

    def __init__(self, target: SpiTarget, armed: ArmedFaults) -> None:
        self.target = target
        self.faults: tuple[ContactFault, ...] = armed.of(ContactFault)
        self._random = np.random.default_rng(
            sum(getattr(fault, "seed", 0) for fault in self.faults)
        )
        self._reaches_chip = True
        self._last_sent = b"\xff"
        self._carried_bit = 1
        self._byte_before: int | None = None
        self._read_ahead = b""
        self._armed = armed
        self._glitched: _GlitchedFrame | None = None
        self._held_low = False  # the last rise of CS# did not reach the chip
        self.frames = 0

    @property
    def answering(self) -> bool:
        if self._glitched is not None:
            return False
        return self.target.answering if self._reaches_chip else True

    def select(self, at_s: float) -> None:
        self.frames += 1
        glitch = self._armed.glitch_in_frame(self.frames)
        if glitch is not None or self._held_low:
            link = _linked(self.target, at_s, already_selected=self._held_low)
            self._glitched = _GlitchedFrame(link, glitch, self._armed)
            self._held_low = False
            self._reaches_chip = True
            return
        self._reaches_chip = not any(self._breaks_frame(fault, at_s) for fault in self.faults)
        self._carried_bit = 1
        self._byte_before = None
        self._read_ahead = b""
        if self._reaches_chip:
            self.target.select(at_s)

    def _breaks_frame(self, fault: ContactFault, at_s: float) -> bool:
        if isinstance(fault, SecondMaster):
            return frame_under_way(fault, at_s)
        if isinstance(fault, IntermittentContact):
            return bool(self._random.random() < fault.rate)
        return isinstance(fault, NoChip)

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        self._last_sent = data
        if self._glitched is not None:
            self._glitched.clock(data, at_s, byte_s)
            return
        if not self._reaches_chip:
            return
        for fault in self.faults:
            if isinstance(fault, MosiFlips) and 8 / byte_s > fault.above_hz:
                data = self._flipped(data, fault.rate)
        self.target.shift_out(data, at_s, byte_s)

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        answer = b"\xff" * count
        if self._glitched is not None:
            answer = self._glitched.clock(answer, at_s, byte_s)
        elif self._reaches_chip:
            answer = self._from_chip(count, at_s, byte_s)
        for fault in self.faults:
            answer = self._spoiled(fault, answer, 8 / byte_s)
        return answer

    def _from_chip(self, count: int, at_s: float, byte_s: float) -> bytes:
        """What the chip answers; where bits come early, with one byte read ahead for its bit."""
        if ShiftedBits(direction="early") not in self.faults:
            return self.target.shift_in(count, at_s, byte_s)
        fresh = self.target.shift_in(count + 1 - len(self._read_ahead), at_s, byte_s)
        answer = self._read_ahead + fresh
        self._read_ahead = answer[-1:]
        return answer[:-1]

    def deselect(self, at_s: float, stray_bits: int) -> None:
        if self._glitched is not None:
            self._held_low = self._glitched.ends(at_s)
            self._glitched = None
        elif self._reaches_chip:
            self.target.deselect(at_s, stray_bits)

    def _spoiled(self, fault: ContactFault, answer: bytes, sck_hz: float) -> bytes:
        match fault:
            case MisoFlips() if sck_hz > fault.above_hz:
                return self._flipped(answer, fault.rate)
            case MisoSettlesLate() if sck_hz > fault.above_hz:
                return self._settled_late(answer, fault)
            case FloatingMiso():
                return (b"\xff" if fault.level else b"\0") * len(answer)
            case MisoOnMosi():
                repeats = -(-len(answer) // len(self._last_sent))
                return (self._last_sent * repeats)[: len(answer)]
            case MirroredBits():
                return answer.translate(_MIRRORED)
            case ShiftedBits():
                return self._shifted(answer, late=fault.direction == "late")
            case _:
                return answer

    def _flipped(self, data: bytes, rate: float) -> bytes:
        flips = int(self._random.binomial(len(data) * 8, rate))
        if not flips:
            return data
        spoiled = bytearray(data)
        for position in self._random.integers(0, len(data) * 8, size=flips):
            spoiled[position >> 3] ^= 1 << (position & 7)
        return bytes(spoiled)

    def _settled_late(self, answer: bytes, fault: MisoSettlesLate) -> bytes:
        """A frame comes in many pieces: the byte before a piece is the last one of the frame."""
        if not answer:
            return answer
        first = 0xFF if fault.pulled_up else answer[0]
        last = first if self._byte_before is None else self._byte_before
        now = np.frombuffer(answer, dtype=np.uint8)
        before = np.concatenate((np.array([last], dtype=np.uint8), now[:-1]))
        self._byte_before = answer[-1]
        late = np.bitwise_count(now ^ before) >= fault.swing
        kept = np.where(late, (now & 0x7F) | (before & 0x80), now)
        return kept.astype(np.uint8).tobytes()

    def _shifted(self, answer: bytes, *, late: bool) -> bytes:
        bits = len(answer) * 8
        value = int.from_bytes(answer, "big")
        if late:
            shifted = (self._carried_bit << bits | value) >> 1
            self._carried_bit = value & 1
        else:
            next_bit = self._read_ahead[0] >> 7 if self._read_ahead else 1
            shifted = (value << 1 | next_bit) & ((1 << bits) - 1)
        return shifted.to_bytes(len(answer), "big")


class _GlitchedFrame:
    """One frame in which the wires err at one clock, or which follows a lost rise of CS#."""

    def __init__(self, link: BitLink, glitch: FrameGlitch | None, armed: ArmedFaults) -> None:
        self._link = link
        self._glitch = glitch
        self._armed = armed
        self._clocks = 0  # of the host, so far

    def clock(self, data: bytes, at_s: float, byte_s: float) -> bytes:
        """The host clocks `data` out; what it sees on MISO meanwhile."""
        count, value = 8 * len(data), int.from_bytes(data, "big")
        here = -1 if self._glitch is None else self._glitch.at_bit - self._clocks
        self._clocks += count
        if self._glitch is None or not 0 <= here < count:
            answer = self._link.shift_many(value, count, at_s=at_s, byte_s=byte_s)
            return answer.to_bytes(len(data), "big")
        left = count - here - 1
        before = self._link.shift_many(value >> left + 1, here, at_s=at_s, byte_s=byte_s)
        at_s += byte_s * here / 8
        bit = self._err(self._glitch, value >> left & 1, at_s, byte_s)
        after = self._link.shift_many(value, left, at_s=at_s + _GLITCH_S, byte_s=byte_s)
        return ((before << 1 | bit) << left | after).to_bytes(len(data), "big")

    def _err(self, glitch: FrameGlitch, mosi: int, at_s: float, byte_s: float) -> int:
        def one(level: int) -> int:
            return self._link.shift_many(level, 1, at_s=at_s + _GLITCH_S, byte_s=byte_s)

        self._armed.note_fired(glitch)
        match glitch.what:
            case "MOSI flips":
                return one(1 - mosi)
            case "MISO flips":
                return 1 - one(mosi)
            case "clock lost":
                return 1
            case "clock twice":
                one(mosi)
            case "CS# rises":
                self._link.deselect(at_s)
                self._link.select(at_s + _GLITCH_S)
            case "CS# stays high":
                self._link.deselect(at_s)
            case "supply dips":
                self._armed.on_supply_dip(at_s, glitch.seed)
        return one(mosi)

    def ends(self, at_s: float) -> bool:
        """The host raises CS#; whether that is lost on the way."""
        if self._glitch is not None and self._glitch.what == "CS# stays low":
            return True
        self._link.deselect(at_s)
        return False


def _linked(target: SpiTarget, at_s: float, *, already_selected: bool) -> BitLink:
    link = BitLink(target)
    if already_selected:
        link.selected = True
    else:
        link.select(at_s)
    return link
