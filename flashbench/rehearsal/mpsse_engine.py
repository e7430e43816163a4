"""The MPSSE engine of one port: a queue of commands, two FIFOs, pins, and a clock of its own.

Commands and their operands follow FTDI AN_108; the answer `FA xx` to an unknown command AN_135;
"held in reset while disabled" AN2232C-01. The engine has its own time (`now_s`): it runs ahead of
or behind the host and only the USB side (`usb_device`) brings the two together.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from flashbench.rehearsal.bit_link import BitLink
from flashbench.rehearsal.faults import ArmedFaults
from flashbench.rehearsal.other_drivers import OtherDrivers
from flashbench.rehearsal.spi_target import SpiTarget
from flashbench.rehearsal.virtual_time import COMMAND_S, PAYLOAD_BYTES

SCK, MOSI, MISO, CS = 0x01, 0x02, 0x04, 0x08

_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_DATA_COMMANDS = frozenset(
    bytes.fromhex("1011121318191a1b 20222426282a2c2e 3133343639 3b3c3e".replace(" ", ""))
)
_OPERAND_BYTES = {
    0x80: 2,
    0x82: 2,
    0x86: 2,
    0x8E: 1,
    0x8F: 2,
    0x9E: 2,
    **dict.fromkeys((0x81, 0x83, 0x84, 0x85, 0x87, 0x8A, 0x8B, 0x8C, 0x8D, 0x96, 0x97), 0),
    **dict.fromkeys((0x88, 0x89, 0x94, 0x95), 0),
    **dict.fromkeys((0x9C, 0x9D), 2),
}
_WAITS_FOR_HIGH, _WAITS_FOR_LOW = frozenset((0x88, 0x94, 0x9C)), frozenset((0x89, 0x95, 0x9D))


_LOOKS_AT_ONCE = 64  # of the pins, made in one step


class Pause(Enum):
    """Why the engine stopped."""

    TIME = "the time asked for is reached"
    STARVED = "the next command or its operands are not there"
    FULL = "no room for a reply"
    FLUSHED = "87h was executed"


@dataclass(frozen=True, slots=True)
class PinChange:
    """From `at_s` on the pins in `direction` were driven, to the levels in `level`."""

    at_s: float
    direction: int
    level: int


class Pins:
    """Sixteen pins, low byte xDBUS, high byte xCBUS.

    Every change of direction is kept, and every level of the driven pins beside the SPI lines.
    `contentions` counts the commands that drove a line which another chip was driving.
    """

    def __init__(self) -> None:
        self.others = OtherDrivers(ArmedFaults(()))
        self.contentions = 0
        self.direction = 0
        self.level = 0xFFFF
        self.changes: list[PinChange] = []
        self.watchers: list[Callable[[PinChange], None]] = []

    @property
    def ever_driven(self) -> bool:
        """Whether any pin was an output at any time."""
        return any(change.direction for change in self.changes)

    def set(self, *, direction: int, level: int, at_s: float) -> None:
        """Drive the pins in `direction`; the others are inputs with pull-ups."""
        if direction & self.others.driven(at_s):
            self.contentions += 1
        turned = (level ^ self.level) & direction & ~(SCK | MOSI | MISO | CS)
        self.level = level
        if direction != self.direction or turned:
            self.direction = direction
            change = PinChange(at_s, direction, level)
            self.changes.append(change)
            for watcher in self.watchers:
                watcher(change)

    def read(self, at_s: float) -> int:
        """What all pins read: an undriven one what others make of it, or its pull-up."""
        return (self.level & self.direction) | (~self.direction & self.others.level(at_s))


@dataclass(slots=True)
class _Shift:
    """A data command on its way."""

    writes: bool
    reads: bool
    lsb_first: bool
    left: int  # bytes


class MpsseEngine:
    """Executes what `feed` queued, as far as `run` lets it."""

    def __init__(self, target: SpiTarget, *, wide: bool) -> None:
        self.pins = Pins()
        self.now_s = 0.0
        self.enabled = False
        self.replies: list[bytes] = []
        self.reply_bytes = 0
        self.flush_asked = False
        self.packet_s = 0.0  # when reply bytes last filled a packet, or a packet was sent
        self.consumed_s = 0.0  # when the queue last became shorter
        self._link = BitLink(target)
        self._wide = wide
        self._queue = bytearray()
        self._at = 0
        self._shift: _Shift | None = None
        self._hung = False
        self._power_up()

    def _power_up(self) -> None:
        self._divisor = 0
        self._divide_by_5 = True
        self._three_phase = False
        self._loopback = False
        self._mosi_level = 1
        self._recompute_clock()

    def _recompute_clock(self) -> None:
        base_hz = 12e6 if self._divide_by_5 else 60e6
        self.sck_hz = base_hz / (2 * (1 + self._divisor))
        self._byte_s = 8 * (1.5 if self._three_phase else 1.0) / self.sck_hz

    @property
    def queued_bytes(self) -> int:
        """Bytes fed and not yet consumed."""
        return len(self._queue) - self._at

    def set_mode(self, *, mpsse: bool, direction: int, at_s: float) -> None:
        """SET_BITMODE. Off holds the engine in reset and makes every pin an input."""
        self.now_s = max(self.now_s, at_s)
        self.enabled = mpsse
        self.drop_queue()
        if not mpsse:
            self._power_up()
            self._hung = False
        self._drive(self.pins.level, direction if mpsse else 0)

    def drop_queue(self) -> None:
        """Forget every queued command, also one that is half received."""
        self._queue, self._at, self._shift = bytearray(), 0, None

    def drop_replies(self) -> None:
        """Forget every reply that the host has not taken."""
        self.replies, self.reply_bytes, self.flush_asked = [], 0, False

    def feed(self, data: bytes, *, at_s: float) -> None:
        """Queue what arrives at `at_s`. Outside MPSSE mode it goes to the UART: nowhere."""
        if not self.enabled:
            return
        self.now_s = max(self.now_s, at_s)
        if self._at > 65536:
            del self._queue[: self._at]
            self._at = 0
        self._queue += data

    def withdraw(self, count: int) -> None:
        """Take back the last `count` bytes fed: the transfer that carried them was cut short."""
        del self._queue[len(self._queue) - count :]

    def wake(self, at_s: float) -> None:
        """Something the engine waited for happened at `at_s`."""
        self.now_s = max(self.now_s, at_s)

    def take_replies(self, count: int) -> bytes:
        """The first `count` reply bytes, which leave the FIFO."""
        joined = self.replies[0] if len(self.replies) == 1 else b"".join(self.replies)
        taken, left = joined[:count], joined[count:]
        self.replies = [left] if left else []
        self.reply_bytes = len(left)
        return taken

    def run(
        self,
        *,
        until_s: float,
        reply_limit: int,
        latency_s: float = float("inf"),
        queue_limit: int = -1,
        stop_on_flush: bool = False,
    ) -> Pause:
        """Execute until one of the limits is met.

        `latency_s` ends the run when no packet was filled for that long (`packet_s`);
        `queue_limit` ends it as soon as no more than that many bytes are queued.
        """
        while not self._hung:
            if self.now_s >= until_s or self.now_s - self.packet_s >= latency_s:
                return Pause.TIME
            if queue_limit >= 0 and self.queued_bytes <= queue_limit:
                return Pause.TIME
            if self._shift is not None:
                pause = self._advance_shift(
                    self._shift, until_s, latency_s, reply_limit, queue_limit
                )
            elif self._at >= len(self._queue):
                return Pause.STARVED
            else:
                pause = self._next_command(reply_limit, until_s)
            if pause is not None:
                return pause
            if self.flush_asked and stop_on_flush:
                return Pause.FLUSHED
        return Pause.STARVED

    def _next_command(self, reply_limit: int, until_s: float) -> Pause | None:
        opcode = self._queue[self._at]
        self.consumed_s = self.now_s
        if self._queue.startswith(b"\x81\x81", self._at) and self.pins.others.steady:
            return self._same_again(reply_limit, until_s)
        operands = _OPERAND_BYTES.get(opcode)
        if operands is None:
            return self._data_command(opcode, reply_limit)
        start = self._at + 1
        if len(self._queue) < start + operands:
            return Pause.STARVED
        if opcode in (0x81, 0x83) and self.reply_bytes >= reply_limit:
            return Pause.FULL
        self._at = start + operands
        self.now_s += COMMAND_S
        if opcode == 0x80:
            level, direction = self._queue[start], self._queue[start + 1]
            self._drive(
                (self.pins.level & 0xFF00) | level, (self.pins.direction & 0xFF00) | direction
            )
        else:
            self._simple_command(opcode, self._queue[start : self._at])
        return None

    def _same_again(self, reply_limit: int, until_s: float) -> Pause | None:
        """Several 81h in a row, of lines on which nothing moves meanwhile."""
        rest = self._queue[self._at : self._at + _LOOKS_AT_ONCE]
        in_time = int((min(until_s, self.now_s + 1.0) - self.now_s) / COMMAND_S) + 1
        count = min(len(rest) - len(rest.lstrip(b"\x81")), in_time, reply_limit - self.reply_bytes)
        if count <= 0:
            return Pause.FULL
        self._at += count
        self._reply(bytes((self.pins.read(self.now_s) & 0xFF,)) * count)
        self.now_s += count * COMMAND_S
        return None

    def _simple_command(self, opcode: int, operands: bytearray) -> None:
        if opcode == 0x82:
            self._drive_high_byte(operands[0], operands[1])
        elif opcode == 0x81:
            self._reply(bytes((self.pins.read(self.now_s) & 0xFF,)))
        elif opcode == 0x83:
            self._reply(bytes((self.pins.read(self.now_s) >> 8,)))
        elif opcode in (0x84, 0x85):
            self._loopback = opcode == 0x84
        elif opcode == 0x86:
            self._divisor = int.from_bytes(operands, "little")
            self._recompute_clock()
        elif opcode == 0x87:
            self.flush_asked = self.reply_bytes > 0
        elif opcode in (0x8A, 0x8B):
            self._divide_by_5 = opcode == 0x8B
            self._recompute_clock()
        elif opcode in (0x8C, 0x8D):
            self._three_phase = opcode == 0x8C
            self._recompute_clock()
        elif opcode == 0x8E:
            self._clock_only(operands[0] + 1)
        elif opcode == 0x8F:
            self._clock_only(8 * (int.from_bytes(operands, "little") + 1))
        else:
            self._wait_for_pin(opcode)

    def _wait_for_pin(self, opcode: int) -> None:
        level = bool(self.pins.read(self.now_s) & 0x20)
        self._hung = (opcode in _WAITS_FOR_HIGH and not level) or (
            opcode in _WAITS_FOR_LOW and level
        )

    def _clock_only(self, bits: int) -> None:
        """8Eh and 8Fh: SCK runs, MOSI keeps its level."""
        if self._link.selected and self._clock_reaches_chip():
            level = 0xFF if self._mosi_level else 0
            for _ in range(bits // 8):
                self._link.shift(
                    bytes((level,)), 1, reads=True, at_s=self.now_s, byte_s=self._byte_s
                )
                self.now_s += self._byte_s
            self._link.shift_bits(level, bits % 8, at_s=self.now_s, byte_s=self._byte_s)
            self.now_s += self._byte_s * (bits % 8) / 8
        else:
            self.now_s += self._byte_s * bits / 8

    def _data_command(self, opcode: int, reply_limit: int) -> Pause | None:
        if opcode not in _DATA_COMMANDS:
            if self.reply_bytes + 2 > reply_limit:
                return Pause.FULL
            self._at += 1
            self.now_s += COMMAND_S
            self._reply(bytes((0xFA, opcode)))
            return None
        if opcode & 0x02:
            return self._bit_command(opcode, reply_limit)
        if len(self._queue) < self._at + 3:
            return Pause.STARVED
        count = int.from_bytes(self._queue[self._at + 1 : self._at + 3], "little") + 1
        self._at += 3
        self.now_s += COMMAND_S
        self._shift = _Shift(bool(opcode & 0x10), bool(opcode & 0x20), bool(opcode & 0x08), count)
        return None

    def _bit_command(self, opcode: int, reply_limit: int) -> Pause | None:
        writes, reads = bool(opcode & 0x10), bool(opcode & 0x20)
        if len(self._queue) < self._at + (3 if writes else 2):
            return Pause.STARVED
        if reads and self.reply_bytes >= reply_limit:
            return Pause.FULL
        count = (self._queue[self._at + 1] & 7) + 1
        value = self._queue[self._at + 2] if writes else (0xFF if self._mosi_level else 0)
        self._at += 3 if writes else 2
        self.now_s += COMMAND_S
        if opcode & 0x08:
            value = _MIRRORED[value]
        answer = (1 << count) - 1
        if self._loopback:
            answer = value >> (8 - count)
        elif self._clock_reaches_chip():
            answer = self._link.shift_bits(value, count, at_s=self.now_s, byte_s=self._byte_s)
        self.now_s += self._byte_s * count / 8
        if writes:
            self._mosi_level = value >> (8 - count) & 1
        if reads:
            self._reply(bytes((_MIRRORED[answer] if opcode & 0x08 else answer,)))
        return None

    def _advance_shift(
        self,
        shift: _Shift,
        until_s: float,
        latency_s: float,
        reply_limit: int,
        queue_limit: int,
    ) -> Pause | None:
        count = shift.left
        if shift.writes:
            count = min(count, self.queued_bytes - max(0, queue_limit))
            if not count:
                return Pause.STARVED
        if shift.reads:
            count = min(count, reply_limit - self.reply_bytes)
            if count <= 0:
                return Pause.FULL
        budget_s = min(until_s, self._packet_deadline(latency_s)) - self.now_s
        if budget_s < count * self._byte_s:
            count = max(1, min(count, int(budget_s / self._byte_s) + 1))
        self._shift_bytes(shift, count)
        shift.left -= count
        if not shift.left:
            self._shift = None
        return None

    def _packet_deadline(self, latency_s: float) -> float:
        """When the latency timer ends the wait, if packets go on filling at the present rate."""
        to_fill = PAYLOAD_BYTES - self.reply_bytes % PAYLOAD_BYTES
        deadline_s = self.packet_s + latency_s
        keeps_up = PAYLOAD_BYTES * self._byte_s < latency_s
        fills_in_time = self.now_s + to_fill * self._byte_s <= deadline_s
        return float("inf") if keeps_up and fills_in_time else deadline_s

    def _shift_bytes(self, shift: _Shift, count: int) -> None:
        data: bytes | None = None
        if shift.writes:
            data = bytes(self._queue[self._at : self._at + count])
            self._at += count
            if shift.lsb_first:
                data = data.translate(_MIRRORED)
            self._mosi_level = data[-1] & 1
        answer = self._wire_bytes(shift, data, count)
        if shift.reads:
            self._note_packets(count)
            self._reply(answer.translate(_MIRRORED) if shift.lsb_first else answer)
        self.now_s += count * self._byte_s
        if shift.writes:
            self.consumed_s = self.now_s

    def _wire_bytes(self, shift: _Shift, data: bytes | None, count: int) -> bytes:
        if self._loopback:
            return data if data is not None else (b"\xff" if self._mosi_level else b"\0") * count
        if not self._clock_reaches_chip():
            return b"\xff" * count
        if data is not None and not self.pins.direction & MOSI:
            data = b"\xff" * count
        return self._link.shift(
            data, count, reads=shift.reads, at_s=self.now_s, byte_s=self._byte_s
        )

    def _note_packets(self, count: int) -> None:
        filled = (self.reply_bytes + count) // PAYLOAD_BYTES
        if filled > self.reply_bytes // PAYLOAD_BYTES:
            last_byte = filled * PAYLOAD_BYTES - self.reply_bytes
            self.packet_s = self.now_s + last_byte * self._byte_s

    def _clock_reaches_chip(self) -> bool:
        return bool(self.pins.direction & SCK)

    def _reply(self, data: bytes) -> None:
        self.replies.append(data)
        self.reply_bytes += len(data)

    def _drive_high_byte(self, level: int, direction: int) -> None:
        if self._wide:
            self._drive(
                (self.pins.level & 0xFF) | level << 8,
                (self.pins.direction & 0xFF) | direction << 8,
            )

    def _drive(self, level: int, direction: int) -> None:
        if level == self.pins.level and direction == self.pins.direction:
            return
        self.pins.set(direction=direction, level=level, at_s=self.now_s)
        if direction & CS and not level & CS:
            self._link.select(self.now_s)
        else:
            self._link.deselect(self.now_s)
