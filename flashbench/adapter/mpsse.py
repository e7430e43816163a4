"""Frames as MPSSE streams. Pure arithmetic: bytes in, bytes out, no device.

A stream is what one bulk OUT carries: commands that the engine of an FTDI H-series chip works
off strictly in order. Command bytes are those of FTDI application note AN_108, "Command Processor
for MPSSE and MCU Host Bus Emulation Modes"; SPI mode 0, most significant bit first.

Nothing may wait for ever. When the engine's reply FIFO is full it stops, then its command FIFO
fills, and the rest of the bulk OUT is not taken while the host is still writing and not yet
reading. So a batch, started with both FIFOs empty, keeps one of two promises: its whole reply
fits the reply FIFO, or all that follows its first reply-making command fits the command FIFO.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

from flashbench.adapter._frame import Frame
from flashbench.adapter.extra_pins import AS_WIRED_WITHOUT_A_WORD, ExtraPins
from flashbench.errors import WrongCall

TOP_HZ: Final = 30_000_000  # 60 MHz / 2, divide-by-5 off; SCK is this divided by 1 to 65536
DIVISOR_MAX: Final = 65536

SCK: Final = 0x01
MOSI: Final = 0x02
MISO: Final = 0x04
CS: Final = 0x08
ALL_GPIO: Final = 0xF0

SET_LOW_PINS: Final = 0x80
GET_LOW_PINS: Final = 0x81
SET_HIGH_PINS: Final = 0x82
LOOPBACK_ON: Final = b"\x84"
LOOPBACK_OFF: Final = b"\x85"
SEND_NOW: Final = b"\x87"
PLAIN_CLOCK: Final = b"\x8a\x97\x8d"  # divide-by-5 off, adaptive clocking off, 3-phase off
RUN_END: Final = bytes([GET_LOW_PINS])
"""Its one reply byte proves that everything queued before it has been executed."""

FIFO_RESERVE: Final = 64  # bytes of the reply FIFO never counted on
IN_BAND_WAIT_US_MAX: Final = 5_000
BATCH_S_MAX: Final = 0.035  # work in one OUT: the next is made while the last of it runs
QUEUED_S_MAX: Final = 0.2
SHORT_COMMAND: Final = 8  # bytes of a frame that is worth remembering as a stream
COMMAND_S: Final = 0.5e-6  # engine time per command, pyftdi's figure for an FT2232H
READ_REQUEST_S: Final = 0.25
READ_REQUEST_MAX: Final = 256 * 1024
PACKET: Final = 512  # bytes of a high-speed bulk packet: two of status, 510 of reply
PACKET_PAYLOAD: Final = 510


class SampleEdge(IntEnum):
    """On which SCK edge MISO is taken; the value is the read command.

    FALLING leaves the flash a whole SCK period to answer and relies on it holding each bit
    until the edge; RISING is plain mode 0 and leaves half a period.
    """

    FALLING = 0x24
    RISING = 0x20


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """What the streams must know of one MPSSE port and its wiring."""

    fifo_size: int  # bytes, in each direction
    sample_edge: SampleEdge = SampleEdge.FALLING
    extra: ExtraPins = AS_WIRED_WITHOUT_A_WORD

    @property
    def outputs(self) -> int:
        """The direction byte of a driven port: 1 is an output."""
        return SCK | MOSI | CS | self.extra.outputs & ALL_GPIO

    @property
    def select(self) -> bytes:
        """Chip select low, SCK low, everything held stays as it is."""
        return bytes([SET_LOW_PINS, self.extra.high & ALL_GPIO, self.outputs])

    @property
    def deselect(self) -> bytes:
        """Chip select high; also the idle state of a driven port."""
        return bytes([SET_LOW_PINS, CS | self.extra.high & ALL_GPIO, self.outputs])

    @property
    def idle(self) -> bytes:
        """The whole port driven and idle: `deselect`, and the xCBUS pins that are held."""
        return self.deselect + self._high_byte(self.extra.high, self.extra.outputs)

    def only_power(self, *, on: bool) -> bytes:
        """The supply's switch alone is driven, everything else is an input."""
        power = self.extra.power
        level = power if on == self.extra.power_on_high else 0
        low = bytes([SET_LOW_PINS, level & 0xFF, power & 0xFF])
        return low + self._high_byte(level, power)

    def _high_byte(self, level: int, direction: int) -> bytes:
        if not self.extra.needs_wide_port:
            return b""
        return bytes([SET_HIGH_PINS, level >> 8, direction >> 8])


ALL_INPUTS: Final = bytes([SET_LOW_PINS, 0x00, 0x00])
HIGH_PINS_INPUTS: Final = bytes([SET_HIGH_PINS, 0x00, 0x00])


def divisor_for(limit_hz: int) -> int:
    """The smallest divisor of 30 MHz whose SCK, in whole Hz, is not above `limit_hz`.

    Raises:
        WrongCall: the adapter cannot clock that slowly.
    """
    divisor = TOP_HZ // (limit_hz + 1) + 1 if limit_hz >= 0 else DIVISOR_MAX + 1
    if divisor > DIVISOR_MAX:
        raise WrongCall(
            f"SCK of {limit_hz} Hz was asked for; this adapter's slowest is"
            f" {TOP_HZ // DIVISOR_MAX} Hz.",
            next_step="Ask for a clock between 458 Hz and 30 MHz.",
        )
    return divisor


def clock_hz(divisor: int) -> int:
    """SCK of a divisor in whole Hz, rounded down."""
    return TOP_HZ // divisor


def set_divisor(divisor: int) -> bytes:
    """The command that makes SCK 30 MHz / `divisor`."""
    return b"\x86" + (divisor - 1).to_bytes(2, "little")


def idle_clocks(count: int) -> bytes:
    """Commands that toggle SCK `count` times and move no data."""
    commands = bytearray()
    octets, rest = divmod(count, 8)
    while octets:
        n = min(octets, 65536)
        commands += b"\x8f" + (n - 1).to_bytes(2, "little")
        octets -= n
    if rest:
        commands += bytes([0x8E, rest - 1])
    return bytes(commands)


def exchange(data: bytes) -> bytes:
    """Full duplex: `data` out on the falling edge, as many bytes in on the rising one."""
    return b"\x31" + (len(data) - 1).to_bytes(2, "little") + data


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One bulk OUT, the reply it must bring, and the frames it carries.

    `frame_starts` and `reply_ends` have one entry a frame: where its bytes begin in `stream`,
    and how many reply bytes lie in the batch's reply up to its end. The `end_marks` bytes
    behind the last reply prove that the last frame has run, its in-band wait included.
    """

    stream: bytes
    reply_size: int
    end_marks: int
    first_frame: int
    frame_starts: tuple[int, ...]
    reply_ends: tuple[int, ...]
    exposed: int  # stream bytes from the first reply-making command on
    wire_s: float  # what the engine needs for it
    host_wait_s: float  # to be waited by the host after the end marks have come

    @property
    def due(self) -> int:
        """Bytes that must come back: replies and end marks."""
        return self.reply_size + self.end_marks

    @property
    def end_frame(self) -> int:
        """The number of the first frame after this batch."""
        return self.first_frame + len(self.frame_starts)


@dataclass(slots=True)
class _Draft:
    """A batch being put together."""

    first_frame: int
    stream: bytearray = field(default_factory=bytearray)
    frame_starts: list[int] = field(default_factory=list)
    reply_ends: list[int] = field(default_factory=list)
    reply_size: int = 0
    first_reply_at: int | None = None
    wire_s: float = 0.0
    host_wait_s: float = 0.0

    def add(self, piece: "_Piece") -> None:
        start = len(self.stream)
        self.frame_starts.append(start)
        if self.first_reply_at is None and piece.reply_size:
            self.first_reply_at = start + piece.reply_at
        self.stream += piece.stream
        self.reply_size += piece.reply_size
        self.reply_ends.append(self.reply_size)
        self.wire_s += piece.wire_s
        self.host_wait_s = piece.host_wait_s

    def takes(self, piece: "_Piece", fifo_size: int) -> bool:
        """Whether `piece` may join: half a FIFO is left so that the next batch can be queued."""
        if self.host_wait_s or self.wire_s + piece.wire_s > BATCH_S_MAX:
            return False
        first = self.first_reply_at
        if first is None:
            first = len(self.stream) + piece.reply_at
        reply = self.reply_size + piece.reply_size + _MARKS_MAX
        exposed = len(self.stream) + len(piece.stream) + _TAIL_MAX - first
        return reply <= (fifo_size - FIFO_RESERVE) // 2 or exposed <= fifo_size // 2

    def finished(self) -> Batch:
        # A reply that fills its packets exactly would hide a surplus byte behind them.
        marks = 2 if (self.reply_size + 1) % PACKET_PAYLOAD == 0 else 1
        first = len(self.stream) if self.first_reply_at is None else self.first_reply_at
        stream = bytes(self.stream) + RUN_END * marks + SEND_NOW
        return Batch(
            stream=stream,
            reply_size=self.reply_size,
            end_marks=marks,
            first_frame=self.first_frame,
            frame_starts=tuple(self.frame_starts),
            reply_ends=tuple(self.reply_ends),
            exposed=len(stream) - first,
            wire_s=self.wire_s,
            host_wait_s=self.host_wait_s,
        )


_MARKS_MAX: Final = 2
_TAIL_MAX: Final = _MARKS_MAX + len(SEND_NOW)


@dataclass(frozen=True, slots=True)
class _Piece:
    """One frame as a stream."""

    stream: bytes
    reply_at: int  # where in `stream` the first reply-making command stands
    reply_size: int
    wire_s: float
    host_wait_s: float


def batches_of(frames: Sequence[Frame], *, engine: Engine, divisor: int) -> Iterator[Batch]:
    """`frames` in order as batches that keep the FIFO rule from an idle start.

    Each is made when it is asked for, so that it can be made while another is on the wire.

    Raises:
        WrongCall: before the first batch, if one frame reads more than a chip-select-low period
            can bring through the FIFO (about 20 MiB on an FT232H).
    """
    encoder = _Encoder(engine, divisor)
    for frame in frames:
        if frame.reply_size + _MARKS_MAX > engine.fifo_size - FIFO_RESERVE:
            _refuse_unless_it_fits_alone(frame, encoder.piece(frame), engine.fifo_size)
    draft = _Draft(first_frame=0)
    for number, frame in enumerate(frames):
        piece = encoder.piece(frame)
        if draft.frame_starts and not draft.takes(piece, engine.fifo_size):
            yield draft.finished()
            draft = _Draft(first_frame=number)
        draft.add(piece)
    if draft.frame_starts:
        yield draft.finished()


def may_follow(queued: Sequence[Batch], following: Batch, *, fifo_size: int) -> bool:
    """Whether `following` may be written while the replies of `queued` are not yet read."""
    if not queued:
        return True
    if queued[-1].host_wait_s:
        return False
    if sum(batch.wire_s for batch in queued) + following.wire_s > QUEUED_S_MAX:
        return False
    reply = sum(batch.due for batch in (*queued, following))
    stream = sum(len(batch.stream) for batch in (*queued, following))
    return reply <= fifo_size - FIFO_RESERVE or stream <= fifo_size


def request_size(remaining: int, *, sck_hz: int) -> int:
    """Bytes to ask for in one bulk IN when `remaining` reply bytes are due.

    A multiple of the packet size, never more than the packets that carry `remaining`, and no
    longer under way than 250 ms, so that nothing else waits for it.
    """
    packets_due = -(-remaining // PACKET_PAYLOAD)
    packets_in_time = int(READ_REQUEST_S * sck_hz / 8) // PACKET_PAYLOAD
    return PACKET * max(1, min(packets_due, packets_in_time, READ_REQUEST_MAX // PACKET))


class _Encoder:
    """Makes pieces for one engine at one clock. Write enable and status come by the thousand."""

    def __init__(self, engine: Engine, divisor: int) -> None:
        self._select_and_write = engine.select + b"\x11"
        self._deselect = engine.deselect * 2  # high for two command times, above every tSHSL
        self._edge = engine.sample_edge
        self._divisor = divisor
        self._short: dict[tuple[bytes, int, int], _Piece] = {}
        self._waits: dict[int, tuple[int, bytes]] = {}

    def piece(self, frame: Frame) -> _Piece:
        if len(frame.out) > SHORT_COMMAND:
            return self._encode(frame)
        key = (frame.out, frame.reply_size, frame.wait_us)
        piece = self._short.get(key)
        if piece is None:
            piece = self._short[key] = self._encode(frame)
        return piece

    def _encode(self, frame: Frame) -> _Piece:
        length = len(frame.out)
        head = self._select_and_write + (length - 1).to_bytes(2, "little") + frame.out
        reads = _reads(frame.reply_size, self._edge)
        clocks, wait = self._wait(frame.wait_us)
        bits = 8 * (length + frame.reply_size) + clocks
        commands = 5 + len(reads) // 3
        return _Piece(
            stream=head + reads + self._deselect + wait,
            reply_at=len(head),
            reply_size=frame.reply_size,
            wire_s=bits * self._divisor / TOP_HZ + commands * COMMAND_S,
            host_wait_s=0.0 if clocks else frame.wait_us / 1e6,
        )

    def _wait(self, wait_us: int) -> tuple[int, bytes]:
        """The clocks that take `wait_us`, and the commands for them; none for a long wait."""
        if not 0 < wait_us <= IN_BAND_WAIT_US_MAX:
            return 0, b""
        if wait_us not in self._waits:
            clocks = -(-wait_us * (TOP_HZ // 1_000_000) // self._divisor)
            self._waits[wait_us] = clocks, idle_clocks(clocks)
        return self._waits[wait_us]


def _reads(size: int, edge: SampleEdge) -> bytes:
    if not size:
        return b""
    whole, rest = divmod(size, 65536)
    commands = bytes([edge, 0xFF, 0xFF]) * whole
    if rest:
        commands += bytes([edge]) + (rest - 1).to_bytes(2, "little")
    return commands


def _refuse_unless_it_fits_alone(frame: Frame, piece: _Piece, fifo_size: int) -> None:
    exposed = len(piece.stream) + _TAIL_MAX - piece.reply_at
    if piece.reply_size + _MARKS_MAX <= fifo_size - FIFO_RESERVE or exposed <= fifo_size:
        return
    raise WrongCall(
        f"{frame.name} asks for {frame.reply_size} bytes in one chip-select period;"
        f" the adapter's {fifo_size}-byte FIFO cannot queue that many reads.",
        next_step="Read in pieces of at most 16 MiB.",
    )
