"""The wire over an FTDI adapter: runs frames, and knows after a failure what may have run."""

import errno
from bisect import bisect_left
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

import usb.core

from flashbench.adapter import listening, mpsse
from flashbench.adapter._frame import Frame
from flashbench.adapter._wire import Arrived
from flashbench.adapter.extra_pins import AS_WIRED_WITHOUT_A_WORD, ExtraPins
from flashbench.adapter.hindrance import usb_errno
from flashbench.adapter.listening import LISTENING_HZ, Heard
from flashbench.adapter.mpsse import Batch, Engine, SampleEdge
from flashbench.adapter.time_source import TimeSource
from flashbench.adapter.usb_port import UsbFailure, UsbPort
from flashbench.errors import (
    AdapterError,
    AdapterGone,
    AdapterReplyWrong,
    AdapterUnavailable,
    WrongCall,
)

SLACK_S: Final = 2.0  # how late a reply may be, on top of a quarter of its own time
SLACK_SHARE: Final = 1.25
SYNC_S: Final = 0.5
WAIT_SLICE_S: Final = 0.2
LISTENINGS: Final = 2  # transfers, of about 14 ms each
BUSY_LOOKS: Final = 3
BUSY_WAIT_S: Final = 0.05


class FtdiWire:
    """A `Wire` on one MPSSE port of any `usb.core.Device` that is an FTDI H-series chip."""

    def __init__(
        self,
        device: usb.core.Device,
        *,
        interface: int,
        time: TimeSource,
        sample_edge: SampleEdge = SampleEdge.FALLING,
        extra: ExtraPins = AS_WIRED_WITHOUT_A_WORD,
    ) -> None:
        """Open the port, every pin an input, and prove that its engine is in step.

        Raises:
            AdapterUnavailable: says what stands in the way and what mends it.
        """
        self._time = time
        self._port = _opened_port(device, interface=interface, time=time)
        self.model = self._port.model
        if extra.needs_wide_port and not self.model.wide:
            self._port.close()
            raise AdapterUnavailable(
                f"An {self.model.chip} has no xCBUS pins, and the bench file names one.",
                next_step="Correct the pins of this adapter in the bench file: D4 to D7.",
            )
        self._engine = Engine(fifo_size=self.model.fifo_size, sample_edge=sample_edge, extra=extra)
        self._driven = False
        self._supply_on = False
        self._divisor = 0  # of the clock the engine has; 0 is unknown
        self._in_step = False
        try:
            self._get_in_step(restart=False)
        except UsbFailure as failure:
            self._port.close()
            raise AdapterUnavailable(
                f"The adapter was opened but {failure}.",
                next_step="Unplug it, plug it in again, and repeat the command.",
            ) from failure
        except BaseException:
            self._port.close()
            raise

    @property
    def switches_supply(self) -> bool:
        """Whether the chip loses its supply when the pins are turned off."""
        return bool(self._engine.extra.power)

    def true_hz(self, limit_hz: int) -> int:
        """The fastest SCK in whole Hz that is not above `limit_hz`: 30 MHz / n."""
        return mpsse.clock_hz(mpsse.divisor_for(limit_hz))

    def listen(self, *, supply_on: bool) -> Heard | None:
        """Look at the lines while nothing of ours drives them; see `Wire.listen`."""
        if self._driven:
            return None
        stream, looks, seconds = listening.look_stream()
        levels = bytearray()
        try:
            self._prepare(mpsse.divisor_for(LISTENING_HZ))
            if supply_on and not self._supply_on:
                self._turn_supply_on()
            for _ in range(LISTENINGS):
                levels += self._command(stream, reply_size=looks, wire_s=seconds)
        except UsbFailure as failure:
            raise self._explained(failure, "while its lines were looked at") from failure
        return listening.heard(bytes(levels))

    def drive_pins(self) -> None:
        """Turn SCK, MOSI, CS# (high) and the held-high GPIOs into outputs. Idempotent.

        A supply that the adapter switches is on, and settled, before any of them is driven: a
        driven line feeds a chip without supply through its protection diodes.

        Raises:
            AdapterError: the adapter does not obey; the pins are inputs as far as it answers.
        """
        if self._driven and self._in_step:
            return
        self._driven = True
        try:
            if not self._in_step:
                self._get_in_step(restart=True)
            self._command(self._engine.idle if self._supply_on else self._turned_on())
        except UsbFailure as failure:
            self._driven = False
            raise self._explained(failure, "while its pins were turned on") from failure

    def release_pins(self) -> None:
        """Turn every pin into an input again. Idempotent; never raises for a lost adapter.

        Raises:
            AdapterReplyWrong: the adapter is there but does not obey.
        """
        if not (self._driven or self._supply_on) and self._in_step:
            return
        self._driven = False
        try:
            if self._supply_on and self._in_step:
                self._turn_supply_off()
            self._command(self._resting_pins())
        except UsbFailure as failure:
            error = self._explained(failure, "while its pins were turned off")
            # A recovery that got through has left the pins as inputs.
            if not self._in_step and not isinstance(error, AdapterGone):
                raise error from failure

    def resynchronise(self) -> None:
        """Drop everything queued, prove the engine is in step, raise CS#.

        Raises:
            AdapterError: it does not answer as it must, or is gone.
        """
        try:
            self._get_in_step(restart=True)
        except UsbFailure as failure:
            raise _sentence(failure, "while it was brought back into step") from failure

    def close(self) -> None:
        """Give the device back. Release the pins first."""
        self._port.close()

    def run(
        self,
        frames: Sequence[Frame],
        *,
        sck_hz: int,
        into: memoryview,
        arrived: Arrived | None = None,
    ) -> None:
        """Run `frames` in order; see `Wire.run`."""
        due = sum(frame.reply_size for frame in frames)
        if due != into.nbytes:
            raise ValueError(f"the frames reply {due} bytes, the buffer holds {into.nbytes}")
        if into.readonly:
            raise ValueError("the buffer for the replies is read-only")
        if not frames:
            return
        if not self._driven:
            raise WrongCall(
                "The adapter's pins are still inputs, so nothing can be sent.",
                next_step="Declare the chip's supply first; identifying it turns the pins on.",
            )
        divisor = mpsse.divisor_for(sck_hz)
        batches = mpsse.batches_of(frames, engine=self._engine, divisor=divisor)
        run = _Run(frames=frames, into=into.cast("B"), arrived=arrived)
        try:
            self._prepare(divisor)
            self._pump(batches, run)
        except UsbFailure as failure:
            raise self._explained(failure, run.whereabouts(), run) from failure
        except BaseException:
            if not self._in_step:
                # Nothing may go on running behind the caller's back.
                with suppress(UsbFailure):
                    self._get_in_step(restart=True)
            raise

    @property
    def loopback_size_max(self) -> int:
        """Bytes that `loop_back` takes: its stream must fit the FIFO, for it answers as it goes."""
        return self._engine.fifo_size - mpsse.FIFO_RESERVE

    def loop_back(self, data: bytes, *, sck_hz: int) -> bytearray:
        """`data` through the engine's own loopback (84h): MOSI to MISO inside the chip.

        Pins that are inputs stay inputs. `data` has 1 to `loopback_size_max` bytes.

        Raises:
            AdapterError: the adapter does not answer as it must.
        """
        stream = mpsse.LOOPBACK_ON + mpsse.exchange(data) + mpsse.LOOPBACK_OFF
        try:
            self._prepare(mpsse.divisor_for(sck_hz))
            return self._command(stream, reply_size=len(data), wire_s=8 * len(data) / sck_hz)
        except UsbFailure as failure:
            raise self._explained(failure, "in loopback") from failure

    def clock_idle(self, clocks: int, *, sck_hz: int) -> float:
        """Toggle SCK `clocks` times with no chip selected; return the seconds it took.

        Raises:
            AdapterError: the adapter does not answer as it must.
        """
        try:
            self._prepare(mpsse.divisor_for(sck_hz))
            begun_s = self._time.now_s()
            self._command(mpsse.idle_clocks(clocks), wire_s=clocks / sck_hz)
            return self._time.now_s() - begun_s
        except UsbFailure as failure:
            raise self._explained(failure, "while its clock was measured") from failure

    def _turned_on(self) -> bytes:
        """The supply, if it is switched, on and settled; the stream that drives the rest."""
        self._turn_supply_on()
        return self._engine.idle

    def _turn_supply_on(self) -> None:
        if self._engine.extra.power:
            self._command(self._engine.only_power(on=True))
            self._supply_on = True
            self._time.wait_s(self._engine.extra.settle_s)

    def _turn_supply_off(self) -> None:
        """The other pins are inputs first; the chip has no supply when this returns."""
        self._command(self._engine.only_power(on=True))
        self._supply_on = False
        self._command(self._engine.only_power(on=False))
        self._time.wait_s(self._engine.extra.settle_s)

    def _resting_pins(self) -> bytes:
        if self._driven:
            return self._engine.idle
        return mpsse.ALL_INPUTS + (mpsse.HIGH_PINS_INPUTS if self.model.wide else b"")

    def _prepare(self, divisor: int) -> None:
        """Be in step and have the clock asked for. The queue is proven empty before and after."""
        if not self._in_step:
            self._get_in_step(restart=True)
        if divisor != self._divisor:
            self._divisor = 0
            self._command(mpsse.set_divisor(divisor))
            self._divisor = divisor

    def _get_in_step(self, *, restart: bool) -> None:
        self._in_step = False
        self._divisor = 0
        if restart:
            # What is sent now would be swallowed as data by a half-received write command.
            self._port.restart_engine()
            self._supply_on = False  # its switch was let go with all other pins
        self._synchronise()
        self._in_step = True
        plain = mpsse.PLAIN_CLOCK + mpsse.LOOPBACK_OFF
        resting = self._turned_on() if self._driven else self._resting_pins()
        self._command(plain + resting)

    def _synchronise(self) -> None:
        """Send undefined opcodes; the engine's complaints must be what comes back.

        The first may come behind bytes left over from before, the second must come alone.
        """
        stream, expected = _provocation(0xAA)
        deadline_s = self._time.now_s() + SYNC_S
        if self._port.write(stream, timeout_s=SYNC_S) != len(stream):
            raise UsbFailure("its engine takes no commands")
        reply = bytearray()
        while not reply.endswith(expected):
            payload, _ = self._port.read(mpsse.PACKET, timeout_s=SYNC_S)
            reply += payload
            if self._time.now_s() > deadline_s:
                raise _out_of_step(expected, reply)
        stream, expected = _provocation(0xAB)
        reply = self._ask(stream, reply_size=len(expected), seconds=SYNC_S)
        if reply != expected:
            raise _out_of_step(expected, reply)

    def _command(self, stream: bytes, *, reply_size: int = 0, wire_s: float = 0.0) -> bytearray:
        """Run a short stream from an idle start and return its reply, the queue proven empty."""
        if not self._in_step:
            self._get_in_step(restart=True)
        self._in_step = False
        reply = self._ask(
            stream + mpsse.RUN_END + mpsse.SEND_NOW,
            reply_size=reply_size + 1,
            seconds=_patience(wire_s),
        )
        self._in_step = True
        return reply[:-1]

    def _ask(self, stream: bytes, *, reply_size: int, seconds: float) -> bytearray:
        deadline_s = self._time.now_s() + seconds
        if self._port.write(stream, timeout_s=seconds) != len(stream):
            raise UsbFailure(f"it did not take {len(stream)} bytes within {seconds:.1f} s")
        reply = bytearray()
        emptied = False
        while len(reply) < reply_size or (len(reply) == reply_size and not emptied):
            due = max(1, reply_size - len(reply))
            size = mpsse.PACKET * -(-due // mpsse.PACKET_PAYLOAD)
            payload, emptied = self._port.read(size, timeout_s=seconds)
            reply += payload
            if len(reply) < reply_size and not payload and self._time.now_s() > deadline_s:
                raise UsbFailure(
                    f"it answered {len(reply)} of {reply_size} bytes within {seconds:.1f} s"
                )
        if len(reply) > reply_size:
            raise UsbFailure(f"it answered {len(reply)} bytes where {reply_size} were due")
        return reply

    def _pump(self, batches: Iterator[Batch], run: "_Run") -> None:
        fifo_size = self._engine.fifo_size
        following = next(batches, None)
        while following is not None or run.queued:
            while following is not None and mpsse.may_follow(
                run.queued, following, fifo_size=fifo_size
            ):
                self._send(following, run)
                following = next(batches, None)
            self._collect(run)
            if not run.queued and run.owed_wait_s:
                self._wait(run)

    def _send(self, batch: Batch, run: "_Run") -> None:
        seconds = _patience(batch.wire_s + sum(queued.wire_s for queued in run.queued))
        deadline_s = self._time.now_s() + seconds
        self._in_step = False
        run.queued.append(batch)
        size = len(batch.stream)
        sent = 0
        while sent < size:
            # Until the transfer is back, all of it may have reached the engine.
            run.begun = batch.end_frame
            taken = self._port.write(batch.stream[sent:], timeout_s=seconds)
            sent += taken
            if taken:
                run.begun = batch.first_frame + bisect_left(batch.frame_starts, sent)
            if sent < size and (not taken or self._time.now_s() >= deadline_s):
                raise UsbFailure(f"it took {sent} of {size} bytes within {seconds:.1f} s")

    def _collect(self, run: "_Run") -> None:
        """Read until the oldest queued batch is answered whole."""
        batch = run.queued[0]
        seconds = _patience(batch.wire_s)
        deadline_s = self._time.now_s() + seconds
        sck_hz = mpsse.clock_hz(self._divisor)
        emptied = False
        # Before the queue counts as empty a short packet must show that no surplus is behind.
        while run.done < batch.end_frame or not (run.queued or emptied):
            size = mpsse.request_size(max(1, run.head_due), sck_hz=sck_hz)
            payload, emptied = self._port.read(size, timeout_s=mpsse.READ_REQUEST_S + SLACK_S)
            run.take(payload)
            if run.done < batch.end_frame and not payload and self._time.now_s() > deadline_s:
                raise UsbFailure(
                    f"it answered {run.head_got} of {batch.due} bytes within {seconds:.1f} s"
                )
            self._in_step = emptied and not run.queued
            if run.arrived is not None:
                run.arrived(run.filled)

    def _wait(self, run: "_Run") -> None:
        end_s = self._time.now_s() + run.owed_wait_s
        run.owed_wait_s = 0.0
        while (left_s := end_s - self._time.now_s()) > 0:
            self._time.wait_s(min(left_s, WAIT_SLICE_S))
            if run.arrived is not None:
                run.arrived(run.filled)

    def _explained(
        self, failure: UsbFailure, where: str, run: "_Run | None" = None
    ) -> AdapterError:
        """The error for `failure`, with the engine back in step as far as it still answers."""
        counts = (run.surely, run.begun) if run else (0, 0)
        if not failure.gone:
            try:
                self._get_in_step(restart=True)
            except UsbFailure as second:
                if second.gone or (failure.perhaps_gone and second.perhaps_gone):
                    failure = UsbFailure("the adapter left the USB", gone=True)
                else:
                    where += f"; it could not be brought back into step either: {second}"
        return _sentence(failure, where, *counts)


@dataclass(slots=True, kw_only=True)
class _Run:
    """How far one run has come."""

    frames: Sequence[Frame]
    into: memoryview
    arrived: Arrived | None
    queued: deque[Batch] = field(default_factory=deque)  # written, not yet answered whole
    filled: int = 0  # reply bytes in `into`
    head_got: int = 0  # bytes of the oldest queued batch's reply, end marks included
    done: int = 0  # frames of the batches answered whole
    begun: int = 0  # frames of which at least a byte may have reached the engine
    owed_wait_s: float = 0.0
    surplus: bool = False

    @property
    def surely(self) -> int:
        """Frames proven to have run: something queued behind each of them has answered.

        A surplus byte means that the count has been off since who knows when: it proves none.
        """
        if self.surplus:
            return 0
        if not self.queued:
            return self.done
        return self.done + bisect_left(self.queued[0].reply_ends, self.head_got)

    @property
    def head_due(self) -> int:
        """Bytes still due of the oldest queued batch."""
        return self.queued[0].due - self.head_got if self.queued else 0

    def take(self, payload: bytearray) -> None:
        """Put reply bytes where they belong; they may reach into the batches queued behind."""
        rest = memoryview(payload)
        while rest:
            if not self.queued:
                self.surplus = True
                raise UsbFailure(f"it answered {len(rest)} bytes more than were due")
            batch = self.queued[0]
            part, rest = rest[: self.head_due], rest[self.head_due :]
            data = part[: max(0, batch.reply_size - self.head_got)]
            self.into[self.filled : self.filled + len(data)] = data
            self.filled += len(data)
            self.head_got += len(part)
            if self.head_got == batch.due:
                self.queued.popleft()
                self.head_got = 0
                self.done = batch.end_frame
                self.owed_wait_s = batch.host_wait_s

    def whereabouts(self) -> str:
        """The clause that names the first frame not known to have run."""
        number = min(self.surely, len(self.frames) - 1)
        return f"in frame {number + 1} of {len(self.frames)}: {self.frames[number].name}"


def _opened_port(device: usb.core.Device, *, interface: int, time: TimeSource) -> UsbPort:
    """The port, opened. Raises `AdapterUnavailable`.

    A process that lists the adapters claims each port for an instant, so one that is in use is
    looked at again before that is believed.
    """
    for _ in range(BUSY_LOOKS - 1):
        try:
            return UsbPort(device, interface=interface)
        except AdapterUnavailable as error:
            if usb_errno(error) != errno.EBUSY:
                raise
        time.wait_s(BUSY_WAIT_S)
    return UsbPort(device, interface=interface)


def _provocation(opcode: int) -> tuple[bytes, bytes]:
    """An undefined opcode, and the engine's answer to it (AN_135's way to find the step)."""
    return bytes([opcode]) + mpsse.SEND_NOW, bytes([0xFA, opcode])


def _out_of_step(expected: bytes, reply: bytes | bytearray) -> UsbFailure:
    seen = reply[-8:].hex(" ") or "nothing"
    return UsbFailure(f"its engine is out of step: {seen} came where {expected.hex(' ')} was due")


def _patience(wire_s: float) -> float:
    return wire_s * SLACK_SHARE + SLACK_S


def _sentence(failure: UsbFailure, where: str, surely: int = 0, may: int = 0) -> AdapterError:
    if failure.gone:
        return AdapterGone(
            f"The adapter left the USB {where}.",
            next_step="Plug it in again, check the cable, and repeat the command.",
            frames_surely_ran=surely,
            frames_may_have_run=may,
        )
    return AdapterReplyWrong(
        f"The adapter failed: {failure}, {where}.",
        next_step="Check the USB cable and hub, then repeat the command.",
        frames_surely_ran=surely,
        frames_may_have_run=may,
    )
