"""What went over the bus, written down for whoever has to explain a bad run.

One JSON object a line: opcode, address, lengths and hashes of each frame, in the order sent.
Never what the array holds. So that nobody can guess short contents from their hash, hashes are
keyed with a number that is drawn for each recording and not kept: equal hashes within one
recording mean equal bytes, and nothing else follows from them. Written out are only the replies
that say what chip it is and how it stands: ID, SFDP, status and configuration registers.
"""

import json
import secrets
from collections.abc import Sequence
from hashlib import blake2b
from typing import Final, TextIO

from flashbench.adapter._frame import Frame
from flashbench.adapter._wire import Arrived, Wire
from flashbench.adapter.adapter import Adapter
from flashbench.adapter.listening import Heard
from flashbench.adapter.time_source import TimeSource
from flashbench.errors import AdapterError

SHOWN_REPLIES: Final = frozenset({0x9F, 0x5A, 0x05, 0x35, 0x15, 0x2B, 0x70, 0xC8})
_ADDRESS_BYTES: Final = {
    **dict.fromkeys((0x02, 0x03, 0x0B, 0x20, 0x52, 0x5A, 0xD8), 3),
    **dict.fromkeys((0x0C, 0x12, 0x13, 0x21, 0x5C, 0xDC), 4),
}
"""Opcodes with an address, and how long it is unless the chip is in 4-byte mode."""


def record(adapter: Adapter, into: TextIO) -> None:
    """Write everything that `adapter` does from now on `into` a file, a line at a time."""
    recorded = RecordedWire(adapter._wire, into=into, time=adapter.time)
    facts = adapter.facts
    recorded.note(
        event="opened",
        adapter=facts.chip,
        interface=facts.interface,
        product=facts.product,
        clock_hz=adapter.clock_hz,
    )
    adapter._wire = recorded


class RecordedWire:
    """A `Wire` that writes down what goes through it."""

    def __init__(self, wire: Wire, *, into: TextIO, time: TimeSource) -> None:
        self._wire = wire
        self._into = into
        self._time = time
        self._key = secrets.token_bytes(32)
        self._four_byte_mode = False

    def note(self, **facts: object) -> None:
        """One line. Flushed, so that a killed process leaves it behind."""
        line = {"t_s": round(self._time.now_s(), 6), **facts}
        self._into.write(json.dumps(line) + "\n")
        self._into.flush()

    @property
    def switches_supply(self) -> bool:
        return self._wire.switches_supply

    def true_hz(self, limit_hz: int) -> int:
        return self._wire.true_hz(limit_hz)

    def listen(self, *, supply_on: bool) -> Heard | None:
        """As `Wire.listen`; written down is which lines moved and how often, not their levels."""
        heard = self._wire.listen(supply_on=supply_on)
        if heard is not None:
            self.note(event="sample pins", looks=heard.looks, changes=heard.changes)
        return heard

    def drive_pins(self) -> None:
        self.note(event="drive pins")
        self._wire.drive_pins()

    def release_pins(self) -> None:
        self.note(event="release pins")
        self._wire.release_pins()

    def resynchronise(self) -> None:
        self.note(event="resynchronise")
        self._wire.resynchronise()

    def run(
        self,
        frames: Sequence[Frame],
        *,
        sck_hz: int,
        into: memoryview,
        arrived: Arrived | None = None,
    ) -> None:
        """As `Wire.run`; a run that fails is written down too, as far as it surely went."""
        self.note(event="run", frames=len(frames), sck_hz=self._wire.true_hz(sck_hz))
        done = len(frames)
        try:
            self._wire.run(frames, sck_hz=sck_hz, into=into, arrived=arrived)
        except BaseException as error:
            done = error.frames_surely_ran if isinstance(error, AdapterError) else 0
            may = error.frames_may_have_run if isinstance(error, AdapterError) else len(frames)
            self.note(event="run failed", error=type(error).__name__, surely=done, may_have=may)
            raise
        finally:
            at = 0
            for number, frame in enumerate(frames):
                self._note_frame(frame, into[at : at + frame.reply_size], ran=number < done)
                at += frame.reply_size

    def _note_frame(self, frame: Frame, reply: memoryview, *, ran: bool) -> None:
        opcode = frame.out[0]
        facts: dict[str, object] = {"op": f"{opcode:02X}h", "frame": frame.name, "ran": ran}
        size = _ADDRESS_BYTES.get(opcode, 0)
        if size == 3 and self._four_byte_mode and opcode != 0x5A:
            size = 4
        if size:
            facts["address"] = int.from_bytes(frame.out[1 : 1 + size], "big")
        data = frame.out[1 + size :]
        if data:
            facts |= {"sent_bytes": len(data), "sent_hash": self._hash(data)}
        if frame.reply_size and ran:
            shown = opcode in SHOWN_REPLIES
            facts["reply_bytes"] = frame.reply_size
            facts["reply" if shown else "reply_hash"] = reply.hex() if shown else self._hash(reply)
        if opcode in (0xB7, 0xE9):
            self._four_byte_mode = opcode == 0xB7
        self.note(**facts)

    def _hash(self, data: bytes | memoryview) -> str:
        return blake2b(data, key=self._key, digest_size=12).hexdigest()
