"""A SPI NOR chip: what the datasheets say, and a record of everything they would frown on.

It never refuses to go on: what a real chip ignores is ignored, and a `Complaint` is kept, so that
a test can demand that there was none. Rules with no source beside them are those of the Winbond
W25Q128JV datasheet, Rev I, 2021-08-23; where makers differ the part file decides.
"""

import math
import os
import signal
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from flashbench.rehearsal.chip_store import ChipStore, MemoryStore, State
from flashbench.rehearsal.faults import (
    ArmedFaults,
    KillProcess,
    LeftBusy,
    LeftIn4ByteMode,
    LeftInContinuousRead,
    LeftPoweredDown,
    LosePower,
    SilentOperation,
    SlowChip,
    SlowOperation,
    StuckAddressBit,
    StuckBit,
    SupplyDip,
    UnevenTimes,
    UnstableCells,
    WeakAfterTear,
    WornSector,
    WrongEraseUnit,
    random_for,
)
from flashbench.rehearsal.nor_operations import (
    Buffer,
    EraseCells,
    NothingAtAll,
    Operation,
    Program,
    WriteRegisters,
    describe,
    from_json,
    to_json,
)
from flashbench.rehearsal.nor_part import Erase, NorPart
from flashbench.rehearsal.nor_protection import protected_span
from flashbench.rehearsal.weak_cells import WeakCells

Kind = Literal[
    "while busy",
    "while powered down",
    "too soon after wake-up",
    "unknown opcode",
    "one-time opcode",
    "one-time bit",
    "no WEL",
    "bad length",
    "stray bits",
    "protected",
    "registers locked",
    "page wrap",
    "double program",
    "ones over zeros",
    "unaligned erase",
    "ECC unit programmed twice",
    "clock too fast",
    "CS# high too short",
    "read across 16 MiB",
    "reset while busy",
    "QPI entered",
]
_WIP, _WEL = 0x01, 0x02
_ERASE_ERROR, _PROGRAM_ERROR = 0x20, 0x40
_MIB_16 = 1 << 24
_CS_HIGH_S_MIN = 10e-9  # tSHSL1, the shortest of the parts here
_SECURITY_BYTES = 256


@dataclass(frozen=True, slots=True)
class Complaint:
    """Something a datasheet forbids, or that a real chip would have ignored."""

    at_s: float
    kind: Kind
    text: str


@dataclass(slots=True)
class _Command:
    """One instruction. `run` gets the address and, for "data", what followed it."""

    name: str
    form: Literal["reply", "data", "bare"]
    run: Callable[[int, bytes, float], None]
    address_bytes: int = 0  # -1: by the address mode
    dummy_bytes: int = 0
    changes: bool = False  # write-type: only on a byte boundary, and only with WEL
    while_busy: bool = False


@dataclass(slots=True)
class _InFlight:
    number: int
    operation: Operation
    ends_s: float


class NorChip:
    """One chip of `part`, with power on. See `SpiTarget` for the four calls of the wires."""

    def __init__(
        self,
        part: NorPart,
        *,
        store: ChipStore | None = None,
        contents: bytes | None = None,
        faults: ArmedFaults | None = None,
    ) -> None:
        self.part = part
        self.complaints: list[Complaint] = []
        self.opcode_counts: Counter[int] = Counter()  # whether obeyed or not
        self.history: list[Operation] = []  # what was accepted since this object was made
        self.cell_change_count = 0
        self.register_change_count = 0
        self.mode_change_count = 0
        self.wp_pin_low = False
        self._faults = faults if faults is not None else ArmedFaults(())
        self._store: ChipStore = store if store is not None else MemoryStore()
        self._open_buffers(contents)
        self.stored = {register.name: register.default for register in part.register}
        self.current = dict(self.stored)
        self.operation_number = 0
        self._in_flight: _InFlight | None = None
        self._last_s = 0.0
        self._unstable_reads = 0
        self._weak = WeakCells()
        self._powered = True
        self._lock_starts, self._lock_ends = _lock_units(part)
        self._power_up()
        self._commands = _commands(self)
        self._adopt(self._store.load())
        self._frame_begins()

    # --- what tests and benches look at -------------------------------------------------------

    @property
    def change_count(self) -> int:
        """Programs, erases and register writes accepted. 0 means nothing was changed."""
        return self.cell_change_count + self.register_change_count

    @property
    def contents(self) -> bytes:
        """The whole array, as its cells are."""
        return bytes(self._cells[0 : self.part.density_bytes])

    @property
    def in_flight(self) -> Operation | None:
        """What the chip is busy with."""
        return self._in_flight.operation if self._in_flight else None

    def complaint_counts(self) -> Counter[str]:
        """How many complaints of each kind there are."""
        return Counter(complaint.kind for complaint in self.complaints)

    @property
    def write_enabled(self) -> bool:
        """The WEL bit."""
        return self._wel

    @property
    def powered(self) -> bool:
        """Whether the chip has its supply."""
        return self._powered

    @property
    def last_s(self) -> float:
        """When the chip last saw CS# rise."""
        return self._last_s

    @property
    def four_byte_mode(self) -> bool:
        """Whether address-mode opcodes take four address bytes now."""
        return self._four_byte

    def protected(self) -> tuple[int, int]:
        """The stretch the status registers protect now; empty if both ends are equal."""
        return protected_span(self.part.protection, self.current, self.part.density_bytes)

    def preset_register(self, name: str, value: int) -> None:
        """Set a register as an earlier owner of the chip left it: no operation, not counted."""
        self.stored[name] = self.current[name] = value
        self._keep()

    # --- power --------------------------------------------------------------------------------

    def lose_power(self, at_s: float, seed: int) -> None:
        """Power fails at `at_s`: what is in flight is torn, the frame under way is forgotten."""
        self._settle(at_s)
        if self._in_flight is not None:
            flight, self._in_flight = self._in_flight, None
            self._tear(flight, seed)
            self._store.note(lambda: f"torn {flight.number}")
            self._after_cells_changed()
        self._powered = False
        self._frame_begins()
        self._power_up()
        self._keep()

    def _tear(self, flight: _InFlight, seed: int) -> None:
        random = random_for(seed, flight.number)
        weak = self._faults.of(WeakAfterTear)
        if weak and isinstance(flight.operation, Program | EraseCells):
            self._weak.leave(weak[0], flight.operation, self, random)
        else:
            flight.operation.tear(self, random)

    def grow_old(self) -> None:
        """Let every cell that an interrupted operation left weak drift now, as it will one day."""
        self._weak.drift(self, 0, self.part.density_bytes, at_once=True)
        self._keep()

    def restore_power(self) -> None:
        """Power is back; volatile state starts anew."""
        self._powered = True
        self._power_up()
        self._keep()

    def _power_up(self) -> None:
        if "SR3" in self.stored:
            self.stored["SR2"] &= ~0x01  # SRL holds until power-off
        self.current = dict(self.stored)
        self._wel = False
        self._volatile_enabled = False
        self._reset_enabled = False
        self._powered_down = False
        self._four_byte = self.part.starts_in_4byte_mode or bool(self.stored.get("SR3", 0) & 0x02)
        self._address_high = 0
        self._ready_s = 0.0  # nothing is answered before
        self._error_bits = 0
        self._flags = 0
        self._deaf = False  # in QPI
        self._continuous_read = False
        self._locked = set(range(len(self._lock_starts)))
        self._deselected_s = -math.inf

    def _open_buffers(self, contents: bytes | None) -> None:
        part = self.part
        self._cells: Buffer = self._store.buffer("cells", part.density_bytes, fill=0xFF)
        security_bytes = (part.security_registers + 1) << 12
        self.areas: Mapping[str, Buffer] = {
            "cells": self._cells,
            "security": self._store.buffer("security", security_bytes, fill=0xFF),
        }
        units = part.density_bytes // part.ecc_unit_bytes if part.ecc_unit_bytes else 1
        self._ecc_used = self._store.buffer("ecc-units", units, fill=0)
        if contents is not None:
            if len(contents) != part.density_bytes:
                raise ValueError(
                    f"{part.name} has {part.density_bytes} bytes, contents has {len(contents)}"
                )
            self._cells[0 : part.density_bytes] = contents
            if part.ecc_unit_bytes:
                self._mark_units_of(contents)

    def _mark_units_of(self, contents: bytes) -> None:
        unit = self.part.ecc_unit_bytes
        blank = b"\xff" * unit
        used = bytes(
            contents[start : start + unit] != blank for start in range(0, len(contents), unit)
        )
        self._ecc_used[0 : len(used)] = used

    # --- state that outlives the process ------------------------------------------------------

    def state(self) -> State:
        """Everything but the buffers, for the store."""
        flight = self._in_flight
        return {
            "at_s": self._last_s,
            "stored": self.stored,
            "current": self.current,
            "wel": self._wel,
            "volatile_enabled": self._volatile_enabled,
            "powered": self._powered,
            "powered_down": self._powered_down,
            "four_byte": self._four_byte,
            "address_high": self._address_high,
            "error_bits": self._error_bits,
            "flags": self._flags,
            "deaf": self._deaf,
            "continuous_read": self._continuous_read,
            "locked": "all"
            if len(self._locked) == len(self._lock_starts)
            else sorted(self._locked),
            "operation_number": self.operation_number,
            "weak": self._weak.to_json(),
            "fired": self._faults.fired,
            "in_flight": None
            if flight is None
            else {
                "number": flight.number,
                "operation": to_json(flight.operation),
                "ends_s": flight.ends_s,
            },
        }

    def _adopt(self, state: State | None) -> None:
        if state is None:
            self._adopt_left_state()
            return
        self._last_s = state["at_s"]
        self.stored, self.current = dict(state["stored"]), dict(state["current"])
        self._wel, self._volatile_enabled = state["wel"], state["volatile_enabled"]
        self._powered, self._powered_down = state["powered"], state["powered_down"]
        self._four_byte, self._address_high = state["four_byte"], state["address_high"]
        self._error_bits, self._flags = state["error_bits"], state["flags"]
        self._deaf, self._continuous_read = state["deaf"], state["continuous_read"]
        if state["locked"] != "all":
            self._locked = set(state["locked"])
        self.operation_number = state["operation_number"]
        self._weak = WeakCells.from_json(state.get("weak", []))
        for fired in state["fired"]:
            if fired not in self._faults.fired:
                self._faults.fired.append(fired)
        flight = state["in_flight"]
        if flight is not None:
            operation = from_json(flight["operation"])
            self._in_flight = _InFlight(flight["number"], operation, flight["ends_s"])

    def _adopt_left_state(self) -> None:
        for fault in self._faults.faults:
            match fault:
                case LeftIn4ByteMode():
                    self._four_byte = True
                case LeftPoweredDown():
                    self._powered_down = True
                case LeftInContinuousRead():
                    self._continuous_read = True
                case LeftBusy():
                    self._in_flight = _InFlight(0, NothingAtAll(), fault.seconds)
        self._after_cells_changed()
        self._keep()

    def _keep(self) -> None:
        self._store.keep(self.state)

    # --- the wires ----------------------------------------------------------------------------

    def _frame_begins(self) -> None:
        self._command: _Command | None = None
        self._opcode = -1
        self._ignored = not self._powered
        self._header = bytearray()
        self._header_left = 0
        self._data = bytearray()
        self._answer: Callable[[int, float, float], bytes] | None = None
        self._dirty = False

    @property
    def answering(self) -> bool:
        return self._ignored or self._answer is not None

    def select(self, at_s: float) -> None:
        if at_s - self._deselected_s < _CS_HIGH_S_MIN:
            self._complain(at_s, "CS# high too short", "CS# was high for less than 10 ns")
        self._settle(at_s)
        self._frame_begins()

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        if self._ignored or not data:
            return
        if self._opcode < 0:
            self._begin(data[0], at_s, byte_s)
            data = data[1:]
            if self._ignored:
                return
        if self._header_left and data:
            taken = data[: self._header_left]
            self._header += taken
            self._header_left -= len(taken)
            data = data[len(taken) :]
            self._maybe_answer(at_s)
        if self._answer is None and data:
            self._data += data

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        if self._ignored:
            return b"\xff" * count
        silent = 0
        if self._answer is None:
            silent = min(count, self._header_left + (self._opcode < 0))
            self.shift_out(b"\xff" * silent, at_s, byte_s)
        if self._answer is None:
            if not self._ignored:
                self._data += b"\xff" * (count - silent)
            return b"\xff" * count
        rest = count - silent
        if not rest:
            return b"\xff" * silent
        answer = self._answer(rest, at_s + silent * byte_s, byte_s)
        return b"\xff" * silent + answer if silent else answer

    def deselect(self, at_s: float, stray_bits: int) -> None:
        self._deselected_s = self._last_s = at_s
        command = self._command
        if self._ignored or command is None:
            return
        if self._opcode == 0xAB:
            self.release_power_down(at_s)
        if command.form != "reply":
            self._execute(command, at_s, stray_bits)
        if self._dirty:
            self._keep()
        self._command = None

    def _begin(self, opcode: int, at_s: float, byte_s: float) -> None:
        self._opcode = opcode
        self.opcode_counts[opcode] += 1
        command = self._commands.get(opcode)
        if self._turned_away(opcode, command, at_s):
            self._ignored = True
            return
        assert command is not None
        self._forget_one_shot_enables(opcode)
        limit_hz = self.part.read_hz_max if opcode in (0x03, 0x13) else self.part.fast_read_hz_max
        if 8 / byte_s > limit_hz * 1.001:
            self._complain(
                at_s, "clock too fast", f"{opcode:02X}h at {8 / byte_s:.0f} Hz, limit {limit_hz}"
            )
        self._command = command
        address_bytes = command.address_bytes
        if address_bytes < 0:
            address_bytes = 4 if self._four_byte else 3
        self._address_length = address_bytes
        self._header_left = address_bytes + command.dummy_bytes
        self._maybe_answer(at_s)

    def _maybe_answer(self, at_s: float) -> None:
        command = self._command
        if command is not None and command.form == "reply" and not self._header_left:
            command.run(self._address(), b"", at_s)

    def _address(self) -> int:
        length = self._address_length
        address = int.from_bytes(self._header[:length], "big")
        if length == 3 and self._opcode != 0x5A:
            address |= self._address_high << 24
        return address

    def _turned_away(self, opcode: int, command: _Command | None, at_s: float) -> bool:
        shown = f"{opcode:02X}h"
        if self._deaf:
            return True
        if self._continuous_read:  # the frame is an address without a mode byte of Axh
            self._continuous_read = False
            self._keep()
            return True
        if self._powered_down and opcode != 0xAB:
            self._complain(at_s, "while powered down", f"{shown} in deep power-down")
        elif at_s < self._ready_s:
            self._complain(at_s, "too soon after wake-up", f"{shown} before tRES1 or tRST passed")
        elif opcode in self.part.one_time_opcodes:
            self._complain(at_s, "one-time opcode", f"{shown} can change one-time bits")
        elif opcode == self.part.qpi_opcode:
            self._complain(at_s, "QPI entered", f"{shown}: deaf to one wire until power-off")
            self._deaf = self._dirty = True
            self._keep()
        elif command is None:
            self._complain(at_s, "unknown opcode", f"{shown} is not an instruction of this part")
        elif self._busy(at_s) and not command.while_busy:
            self._complain(at_s, "while busy", f"{shown} ({command.name}) while busy")
        else:
            return False
        self._forget_one_shot_enables(opcode)
        return True

    def _forget_one_shot_enables(self, opcode: int) -> None:
        if opcode not in (0x01, 0x11, 0x31, 0x05, 0x15, 0x35):
            self._volatile_enabled = False
        if opcode != 0x99:
            self._reset_enabled = False

    def _execute(self, command: _Command, at_s: float, stray_bits: int) -> None:
        shown = f"{self._opcode:02X}h ({command.name})"
        if stray_bits:
            self._complain(at_s, "stray bits", f"{shown}: CS# rose {stray_bits} bits into a byte")
        elif self._header_left:
            self._complain(at_s, "bad length", f"{shown}: CS# rose inside the address")
        elif command.form == "bare" and self._data:
            self._complain(at_s, "bad length", f"{shown}: {len(self._data)} bytes too many")
        elif command.form == "data" and not self._data:
            self._complain(at_s, "bad length", f"{shown}: no data")
        elif command.changes and not self._wel:
            self._complain(at_s, "no WEL", f"{shown} without 06h before it")
        else:
            self._dirty = True
            command.run(self._address(), bytes(self._data), at_s)

    def _complain(self, at_s: float, kind: Kind, text: str) -> None:
        self.complaints.append(Complaint(at_s, kind, text))

    # --- time ---------------------------------------------------------------------------------

    def _busy(self, at_s: float) -> bool:
        return self._in_flight is not None or bool(self._error_bits)

    def _settle(self, at_s: float) -> None:
        flight = self._in_flight
        if flight is None or at_s < flight.ends_s:
            return
        self._in_flight = None
        flight.operation.finish(self)
        self._weak.mend(flight.operation)
        self._wel = False
        self._after_cells_changed()
        self._store.note(lambda: f"done {flight.number}")
        self._keep()
        for fault in self._faults.of((KillProcess, LosePower)):
            if fault.at_operation == flight.number:
                self._strike_after(fault, flight.ends_s)

    def _strike_after(self, fault: KillProcess | LosePower, at_s: float) -> None:
        if isinstance(fault, LosePower) and fault.between:
            self._faults.on_chip_power_lost(at_s, fault.seed)
        elif isinstance(fault, KillProcess) and fault.stage == "done":
            self._kill(fault, at_s)

    def _after_cells_changed(self) -> None:
        for fault in self._faults.of(StuckBit):
            cell, mask = self._cells[fault.address : fault.address + 1][0], 1 << fault.bit
            cell = cell | mask if fault.level else cell & ~mask
            self._cells[fault.address : fault.address + 1] = bytes((cell,))

    def _start(self, operation: Operation, busy_s: float, at_s: float) -> None:
        """Accept `operation`: announce it, be busy, change cells when the time is over."""
        number = self.operation_number + 1
        orders = self._faults.at_operation(number)
        if any(isinstance(order, SupplyDip) for order in orders):
            self._power_up()
            return
        self.operation_number = number
        self.history.append(operation)
        if isinstance(operation, WriteRegisters):
            self.register_change_count += 1
        else:
            self.cell_change_count += 1
        if any(isinstance(order, SilentOperation) for order in orders):
            operation = NothingAtAll()
        busy_s *= self._slowness(operation, number)
        for order in orders:
            busy_s *= order.factor if isinstance(order, SlowOperation) else 1
        self._last_s = at_s
        self._in_flight = _InFlight(number, operation, at_s + busy_s)
        self._store.note(lambda: f"begun {number} {at_s:.6f} {describe(operation)}")
        self._keep()
        for order in orders:
            self._strike_within(order, operation, at_s)

    def _slowness(self, operation: Operation, number: int) -> float:
        factor = 1.0
        for fault in self._faults.of((SlowChip, UnevenTimes)):
            if isinstance(fault, SlowChip):
                factor *= fault.factor
            elif isinstance(operation, Program if fault.of == "programs" else EraseCells):
                factor *= fault.factor(number)
        return factor

    def _strike_within(self, order: object, operation: Operation, at_s: float) -> None:
        if isinstance(order, KillProcess) and order.stage != "done":
            if order.stage == "part":
                operation.tear(self, random_for(order.seed, self.operation_number))
            self._kill(order, at_s)
        elif isinstance(order, LosePower) and not order.between:
            self._faults.on_chip_power_lost(at_s, order.seed)

    def _kill(self, fault: KillProcess, at_s: float) -> None:
        if fault.power == "lost":
            self.lose_power(at_s, fault.seed)
            self.restore_power()
        # Windows ends the process at once whatever it is sent, and knows no SIGKILL.
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))

    # --- reading ------------------------------------------------------------------------------

    def start_read(self, address: int, data: bytes, at_s: float) -> None:
        for fault in self._faults.of(StuckAddressBit):
            address &= ~(1 << fault.bit)
        self._read_at = address % self.part.density_bytes
        self._answer = self._answer_cells

    def _answer_cells(self, count: int, at_s: float, byte_s: float) -> bytes:
        size, start = self.part.density_bytes, self._read_at
        if self._address_length == 3 and start // _MIB_16 != (start + count - 1) // _MIB_16:
            self._complain(at_s, "read across 16 MiB", f"from {start:#x}, {count} bytes")
        self._weak.drift(self, start, count)
        chunks = []
        left = count
        while left:
            taken = min(left, size - start)
            chunks.append(bytes(self._cells[start : start + taken]))
            start = (start + taken) % size
            left -= taken
        answer = chunks[0] if len(chunks) == 1 else b"".join(chunks)
        for fault in self._faults.of(UnstableCells):
            answer = self._with_unstable_cells(fault, self._read_at, answer)
        answer = self._weak.as_read(self._read_at, answer)
        self._read_at = start
        return answer

    def _with_unstable_cells(self, fault: UnstableCells, start: int, answer: bytes) -> bytes:
        spoiled = bytearray(answer)
        places = random_for(fault.seed, 0)
        self._unstable_reads += 1
        moment = random_for(fault.seed, self._unstable_reads)
        for _ in range(fault.bits):
            offset = fault.start + places.randrange(fault.length) - start
            mask = 1 << places.randrange(8)
            if 0 <= offset < len(spoiled) and moment.random() < 0.5:
                spoiled[offset] ^= mask
        return bytes(spoiled)

    def answer_with(self, answer: bytes, *, repeats: bool, then: bytes = b"\xff") -> None:
        """Answer with `answer`, then with it again or with `then` for as long as CS# is low."""
        position = 0

        def go_on(count: int, at_s: float, byte_s: float) -> bytes:
            nonlocal position
            tail = answer if repeats else then
            repeated = answer + tail * ((position + count) // len(tail) + 1)
            taken = repeated[position : position + count]
            position += count
            return taken

        self._answer = go_on

    def answer_fresh(self, sample: Callable[[], int]) -> None:
        """Answer with a register that is looked at anew for every byte."""

        def go_on(count: int, at_s: float, byte_s: float) -> bytes:
            flight = self._in_flight
            if flight is None or at_s + count * byte_s <= flight.ends_s:
                return bytes((sample(),)) * count
            busy = min(count, max(0, math.ceil((flight.ends_s - at_s) / byte_s)))
            before = bytes((sample(),)) * busy
            self._settle(max(at_s + busy * byte_s, flight.ends_s))
            return before + bytes((sample(),)) * (count - busy)

        self._answer = go_on

    def status_byte(self) -> int:
        """Status register 1 with WIP and WEL."""
        busy = self._in_flight is not None or bool(self._error_bits)
        return (
            (self.current["SR1"] & ~(_WIP | _WEL))
            | (_WIP if busy else 0)
            | (_WEL if self._wel else 0)
            | self._error_bits
            | self._sector_bits()
        )

    def _sector_bits(self) -> int:
        """AT25DF, bits 3:2 of the status: 11 all sectors protected, 01 some, 00 none."""
        if self.part.individual_locks != "sector registers" or not self._locked:
            return 0
        return 0x0C if len(self._locked) == len(self._lock_starts) else 0x04

    def flag_byte(self) -> int:
        """Micron's flag status register: bit 7 is READY."""
        ready = 0 if self._in_flight is not None else 0x80
        return ready | self._flags | (1 if self._four_byte else 0)

    def register_byte(self, name: str) -> int:
        """Any other register, with the bits that show modes."""
        value = self.current[name]
        if name == "SR3" and self.part.mode_switch != "none":
            return (value & ~1) | (1 if self._four_byte else 0)
        if name == "CR" and self.part.mode_switch != "none":
            return (value & ~0x20) | (0x20 if self._four_byte else 0)
        return value

    def read_any_register(self, address: int, data: bytes, at_s: float) -> None:
        names = [entry.name for entry in self.part.register if address in entry.addresses]
        self.answer_fresh(_sampler(self, names[0]) if names else lambda: 0xFF)

    # --- write enable, modes ------------------------------------------------------------------

    def set_wel(self, address: int, data: bytes, at_s: float) -> None:
        self._wel = True

    def clear_wel(self, address: int, data: bytes, at_s: float) -> None:
        self._wel = False

    def enable_volatile_write(self, address: int, data: bytes, at_s: float) -> None:
        self._volatile_enabled = True

    def enter_4byte(self, address: int, data: bytes, at_s: float) -> None:
        self._switch_mode(four_byte=True)

    def leave_4byte(self, address: int, data: bytes, at_s: float) -> None:
        self._switch_mode(four_byte=False)
        if self.part.leaving_4byte_sets_address_register:
            self._address_high = 1

    def _switch_mode(self, *, four_byte: bool) -> None:
        self._four_byte = four_byte
        self.mode_change_count += 1
        if self.part.mode_switch == "wel":
            self._wel = False

    def write_address_register(self, address: int, data: bytes, at_s: float) -> None:
        self.mode_change_count += 1
        if self.part.address_register == "17":
            self._four_byte = bool(data[0] & 0x80)
            self._address_high = data[0] & 0x7F
        else:
            self._address_high = data[0]
            self._wel = False
        self._address_high &= max(0, (self.part.density_bytes >> 24) - 1)

    def address_register_byte(self) -> int:
        if self.part.address_register == "17" and self._four_byte:
            return self._address_high | 0x80
        return self._address_high

    def power_down(self, address: int, data: bytes, at_s: float) -> None:
        self._powered_down = True
        self.mode_change_count += 1

    def release_power_down(self, at_s: float) -> None:
        """ABh releases when CS# rises, with or without the dummy bytes and the ID."""
        if self._powered_down:
            self.mode_change_count += 1
            self._powered_down = False
            self._dirty = True
            self._ready_s = at_s + self.part.release_us * 1e-6

    def enable_reset(self, address: int, data: bytes, at_s: float) -> None:
        self._reset_enabled = True

    def reset(self, address: int, data: bytes, at_s: float) -> None:
        if not self._reset_enabled:
            self._complain(at_s, "unknown opcode", "99h without 66h right before it")
            return
        if self._in_flight is not None:
            self._complain(at_s, "reset while busy", "the operation under way is torn")
            flight, self._in_flight = self._in_flight, None
            self._tear(flight, 0)
        deselected_s = self._deselected_s
        self._power_up()
        self._deselected_s = deselected_s
        self._ready_s = at_s + 30e-6  # tRST
        self.mode_change_count += 1

    def clear_errors(self, address: int, data: bytes, at_s: float) -> None:
        self._error_bits = 0
        self._flags = 0
        if self.part.refusal == "error bits":
            self._wel = False

    # --- registers ----------------------------------------------------------------------------

    def write_status(self, address: int, data: bytes, at_s: float) -> None:
        """01h with one byte for each register of `write_01`, or fewer."""
        names = self.part.write_01
        if len(data) > len(names):
            self._complain(at_s, "bad length", f"01h with {len(data)} data bytes")
            return
        values = dict(zip(names, data, strict=False))
        if len(data) == 1:
            values |= dict.fromkeys(self.part.write_01_short_clears, 0)
        self._write_registers(values, at_s)

    def write_one_register(self, name: str, data: bytes, at_s: float) -> None:
        if len(data) != 1:
            self._complain(at_s, "bad length", f"{name} written with {len(data)} bytes")
            return
        self._write_registers({name: data[0]}, at_s)

    def _write_registers(self, values: dict[str, int], at_s: float) -> None:
        volatile, self._volatile_enabled = self._volatile_enabled, False
        if not self._wel and not volatile:
            self._complain(at_s, "no WEL", f"write of {', '.join(values)} without 06h or 50h")
            return
        if self._registers_locked():
            self._complain(at_s, "registers locked", f"write of {', '.join(values)} refused")
            return
        if self.part.individual_locks == "sector registers":
            self._write_at25df_status(values["SR1"])
            return
        volatile = volatile and not self._wel
        before = self.current if volatile else self.stored
        masked = {}
        for name, value in values.items():
            masked[name] = self._masked(name, before[name], value, at_s)
        if volatile:
            self.current |= masked
            self.register_change_count += 1
        else:
            operation = WriteRegisters(tuple(masked.items()))
            self._start(operation, self.part.register_write_ms_typ * 1e-3, at_s)

    def _write_at25df_status(self, value: int) -> None:
        """AT25DF041A from memory: bits 5:2 all alike act on every sector, unless SPRL is set.

        A write that finds SPRL (bit 7) set can only clear it.
        """
        was_locked = bool(self.current["SR1"] & 0x80)
        self.stored["SR1"] = self.current["SR1"] = value & 0x80
        if not was_locked and value & 0x3C in (0x00, 0x3C):
            self._locked = set(range(len(self._lock_starts))) if value & 0x3C else set()
        self._wel = False
        self.register_change_count += 1

    def _masked(self, name: str, before: int, value: int, at_s: float) -> int:
        register = next(entry for entry in self.part.register if entry.name == name)
        burnt = value & register.one_time & ~before
        if burnt:
            self._complain(at_s, "one-time bit", f"{name}: bits {burnt:#04x} set for ever")
        kept = before & ~register.writable
        return kept | (value & register.writable) | (before & register.one_time) | burnt

    def _registers_locked(self) -> bool:
        """SRP or SRWD with WP# low (and not in use as IO2), or SRL until power-off."""
        quad = bool(self.current.get("SR2", 0) & 0x02)
        by_pin = self.wp_pin_low and bool(self.current["SR1"] & 0x80) and not quad
        return by_pin or bool("SR3" in self.current and self.current["SR2"] & 0x01)

    # --- locks --------------------------------------------------------------------------------

    def _unit_at(self, address: int) -> int:
        return bisect_right(self._lock_starts, address % self.part.density_bytes) - 1

    def _locks_rule(self) -> bool:
        if self.part.individual_locks == "WPS":
            return bool(self.current["SR3"] & 0x04)
        return self.part.individual_locks != "none"

    def lock_one(self, address: int, data: bytes, at_s: float) -> None:
        self._change_locks(self._locked | {self._unit_at(address)})

    def unlock_one(self, address: int, data: bytes, at_s: float) -> None:
        self._change_locks(self._locked - {self._unit_at(address)})

    def lock_all(self, address: int, data: bytes, at_s: float) -> None:
        self._change_locks(set(range(len(self._lock_starts))))

    def unlock_all(self, address: int, data: bytes, at_s: float) -> None:
        self._change_locks(set())

    def _change_locks(self, locked: set[int]) -> None:
        self._locked = locked
        self._wel = False
        self.register_change_count += 1

    def read_lock(self, address: int, data: bytes, at_s: float) -> None:
        locked = self._unit_at(address) in self._locked
        shown = 0x01 if self.part.individual_locks == "WPS" else 0xFF
        self.answer_with(bytes((shown if locked else 0x00,)), repeats=True)

    def _protected(self, start: int, end: int) -> bool:
        if self._locks_rule():
            return any(
                self._lock_starts[unit] < end and start < self._lock_ends[unit]
                for unit in range(self._unit_at(start), self._unit_at(end - 1) + 1)
                if unit in self._locked
            )
        first, last = self.protected()
        return first < end and start < last

    def _refuse(self, kind: Kind, text: str, error_bit: int, at_s: float) -> None:
        self._complain(at_s, kind, text)
        match self.part.refusal:
            case "wel clears":
                self._wel = False
            case "error bits":
                self._error_bits |= error_bit
            case "flag status":
                protection = 0x02 if kind == "protected" else 0
                self._flags |= protection | (0x10 if error_bit == _PROGRAM_ERROR else 0x20)
        if self.part.security_register_2b:
            self._flags |= error_bit

    def fail_byte(self) -> int:
        """Macronix' security register: bit 6 erase failed, bit 5 program failed."""
        swapped = {_PROGRAM_ERROR: 0x20, _ERASE_ERROR: 0x40}
        selected = 0x80 if self.part.individual_locks == "WPSEL" else 0  # blown long ago
        return selected | sum(shown for flag, shown in swapped.items() if self._flags & flag)

    # --- program and erase --------------------------------------------------------------------

    def program(self, address: int, data: bytes, at_s: float) -> None:
        page = self.part.page_bytes
        address %= self.part.density_bytes
        base, offset = address - address % page, address % page
        if offset + len(data) > page:
            self._complain(at_s, "page wrap", f"{len(data)} bytes from {address:#x}")
            data, offset = _last_page_worth(data, offset, page)
        head, tail = data[: page - offset], data[page - offset :]
        runs = ((base + offset, head), (base, tail)) if tail else ((base + offset, head),)
        if self._protected(base, base + page):
            self._refuse("protected", f"program at {address:#x}", _PROGRAM_ERROR, at_s)
        elif self._ecc_units_used(runs):
            self._refuse(
                "ECC unit programmed twice", f"program at {address:#x}", _PROGRAM_ERROR, at_s
            )
        else:
            self._look_for_double_program(runs, at_s)
            self._mark_ecc_units(runs)
            self._start(Program(runs), self.part.program_us_typ * 1e-6, at_s)

    def _look_for_double_program(self, runs: tuple[tuple[int, bytes], ...], at_s: float) -> None:
        for start, data in runs:
            old = self._cells[start : start + len(data)]
            if old.count(0xFF) == len(data):
                continue
            if any(was != 0xFF and new != 0xFF for was, new in zip(old, data, strict=True)):
                self._complain(at_s, "double program", f"cells from {start:#x} were not blank")
            if any(new & ~was & 0xFF and new != 0xFF for was, new in zip(old, data, strict=True)):
                self._complain(at_s, "ones over zeros", f"from {start:#x}: bits cannot go to 1")

    def _ecc_span(self, run: tuple[int, bytes]) -> slice:
        unit = self.part.ecc_unit_bytes
        return slice(run[0] // unit, (run[0] + len(run[1]) - 1) // unit + 1)

    def _ecc_units_used(self, runs: tuple[tuple[int, bytes], ...]) -> bool:
        if not self.part.ecc_unit_bytes:
            return False
        return any(any(self._ecc_used[self._ecc_span(run)]) for run in runs)

    def _mark_ecc_units(self, runs: tuple[tuple[int, bytes], ...]) -> None:
        if self.part.ecc_unit_bytes:
            for run in runs:
                span = self._ecc_span(run)
                self._ecc_used[span] = b"\1" * (span.stop - span.start)

    def erase(self, kind: Erase, address: int, at_s: float) -> None:
        address %= self.part.density_bytes
        size = self._erase_size(kind, address)
        if size is None:
            self._complain(at_s, "unknown opcode", f"no such erase unit at {address:#x}")
            return
        if address % size:
            self._complain(at_s, "unaligned erase", f"{size} bytes at {address:#x}")
        for fault in self._faults.of(WrongEraseUnit):
            if fault.opcode in (kind.opcode, kind.opcode_4byte):
                size = fault.size
        self._erase_span(address - address % size, size, kind.ms_typ, at_s)

    def _erase_size(self, kind: Erase, address: int) -> int | None:
        end = 0
        for region in self.part.region:
            end += region.length
            if address < end:
                return region.size_of(kind)
        return kind.size

    def erase_chip(self, address: int, data: bytes, at_s: float) -> None:
        self._erase_span(0, self.part.density_bytes, self.part.chip_erase_ms_typ, at_s)

    def _erase_span(self, start: int, size: int, ms_typ: float, at_s: float) -> None:
        if self._protected(start, start + size):
            self._refuse("protected", f"erase of {size} bytes at {start:#x}", _ERASE_ERROR, at_s)
            return
        if self.part.ecc_unit_bytes:
            unit = self.part.ecc_unit_bytes
            self._ecc_used[start // unit : (start + size) // unit] = bytes(size // unit)
        self._start(EraseCells(start, size), ms_typ * 1e-3, at_s)
        for fault in self._faults.of(WornSector):
            if start < fault.start + fault.length and fault.start < start + size:
                self._wear(fault)

    def _wear(self, fault: WornSector) -> None:
        """Some cells of a worn sector stay programmed: give the erase in flight holes."""
        flight = self._in_flight
        if flight is not None and isinstance(flight.operation, EraseCells):
            flight.operation = _WornErase(
                flight.operation.start, flight.operation.size, worn=(fault,)
            )

    # --- security registers -------------------------------------------------------------------

    def _security_offset(self, address: int) -> int | None:
        index = address >> 12
        if not 1 <= index <= self.part.security_registers:
            return None
        return (index << 12) | (address & (_SECURITY_BYTES - 1))

    def read_security(self, address: int, data: bytes, at_s: float) -> None:
        offset = self._security_offset(address)
        if offset is None:
            self.answer_with(b"\xff", repeats=True)
            return
        base = offset & ~(_SECURITY_BYTES - 1)
        held = bytes(self.areas["security"][base : base + _SECURITY_BYTES])
        turn = offset - base
        self.answer_with(held[turn:] + held[:turn], repeats=True)

    def program_security(self, address: int, data: bytes, at_s: float) -> None:
        offset = self._security_offset(address)
        if offset is None or self._security_locked(address >> 12):
            self._refuse("protected", f"42h at {address:#x}", _PROGRAM_ERROR, at_s)
            return
        run = (offset, data[: _SECURITY_BYTES - offset % _SECURITY_BYTES])
        self._start(Program((run,), "security"), self.part.program_us_typ * 1e-6, at_s)

    def erase_security(self, address: int, data: bytes, at_s: float) -> None:
        offset = self._security_offset(address)
        if offset is None or self._security_locked(address >> 12):
            self._refuse("protected", f"44h at {address:#x}", _ERASE_ERROR, at_s)
            return
        start = offset & ~(_SECURITY_BYTES - 1)
        busy_s = self.part.erase[0].ms_typ * 1e-3
        self._start(EraseCells(start, _SECURITY_BYTES, "security"), busy_s, at_s)

    def _security_locked(self, index: int) -> bool:
        """LB1 to LB3 are bits 3 to 5 of SR2, and one-time."""
        return bool(self.current.get("SR2", 0) & (0x04 << index))


@dataclass(frozen=True, slots=True)
class _WornErase(EraseCells):
    """An erase that leaves some cells of worn sectors at 0."""

    worn: tuple[WornSector, ...] = ()

    def finish(self, memory: "NorChip") -> None:  # type: ignore[override]
        EraseCells.finish(self, memory)
        cells = memory.areas["cells"]
        for fault in self.worn:
            random = random_for(fault.seed, 0)
            for _ in range(fault.bits):
                address = fault.start + random.randrange(fault.length)
                if self.start <= address < self.start + self.size:
                    left = cells[address : address + 1][0] & ~(1 << random.randrange(8))
                    cells[address : address + 1] = bytes((left,))


def _last_page_worth(data: bytes, offset: int, page: int) -> tuple[bytes, int]:
    """With more than a page sent, the last page-worth wins; where it begins in the page."""
    dropped = max(0, len(data) - page)
    return data[dropped:], (offset + dropped) % page


def _lock_units(part: NorPart) -> tuple[list[int], list[int]]:
    """Where the individually lockable units begin and end."""
    starts: list[int] = []
    if part.individual_locks in ("WPS", "WPSEL"):
        starts = [
            *range(0, 0x10000, 0x1000),
            *range(0x10000, part.density_bytes - 0x10000, 0x10000),
            *range(part.density_bytes - 0x10000, part.density_bytes, 0x1000),
        ]
    elif part.individual_locks == "sector registers":
        starts = [*range(0, part.density_bytes, 0x10000)]
    elif part.individual_locks == "block protection register":
        at = 0
        for region in part.region:
            step = next(size for size in region.sizes.values() if size)
            starts += range(at, at + region.length, step)
            at += region.length
    return starts, [*starts[1:], part.density_bytes] if starts else []


def _commands(chip: NorChip) -> dict[int, _Command]:
    """The instructions of the chip's part."""
    return {
        **_reading_commands(chip),
        **_register_commands(chip),
        **_cell_commands(chip),
        **_mode_commands(chip),
        **_lock_commands(chip),
    }


def _reply(chip: NorChip, name: str, sample: Callable[[], int], *, while_busy: bool) -> _Command:
    def run(address: int, data: bytes, at_s: float) -> None:
        chip.answer_fresh(sample)

    return _Command(name, "reply", run, while_busy=while_busy)


def _reading_commands(chip: NorChip) -> dict[int, _Command]:
    part = chip.part

    def read_id(address: int, data: bytes, at_s: float) -> None:
        chip.answer_with(part.rdid, repeats=False, then=b"\0")

    def read_maker(address: int, data: bytes, at_s: float) -> None:
        pair = bytes((part.rdid[0], part.device_id))
        chip.answer_with(pair[::-1] if address & 1 else pair, repeats=True)

    def read_sfdp(address: int, data: bytes, at_s: float) -> None:
        answer = part.sfdp[address:] if part.sfdp else b"\0"
        chip.answer_with(answer or b"\xff", repeats=False, then=b"\xff" if part.sfdp else b"\0")

    def read_unique(address: int, data: bytes, at_s: float) -> None:
        chip.answer_with(part.unique_id, repeats=True)

    commands = {
        0x9F: _Command("read JEDEC ID", "reply", read_id),
        0x90: _Command("read maker and device", "reply", read_maker, 3),
        0x5A: _Command("read SFDP", "reply", read_sfdp, 3, 1),
        0x03: _Command("read", "reply", chip.start_read, -1),
        0x0B: _Command("fast read", "reply", chip.start_read, -1, 1),
    }
    if part.four_byte_opcodes:
        commands[0x13] = _Command("read, 4-byte", "reply", chip.start_read, 4)
        commands[0x0C] = _Command("fast read, 4-byte", "reply", chip.start_read, 4, 1)
    if part.unique_id:
        # Five dummy bytes in 4-byte mode: from memory of the W25Q256 family's datasheets.
        commands[0x4B] = _Command("read unique ID", "reply", read_unique, -1, 1)
    if part.security_registers:
        commands[0x48] = _Command("read security register", "reply", chip.read_security, -1, 1)
    return commands


def _register_commands(chip: NorChip) -> dict[int, _Command]:
    part = chip.part
    commands = {
        0x05: _reply(chip, "read status register", chip.status_byte, while_busy=True),
        0x06: _Command("write enable", "bare", chip.set_wel),
        0x04: _Command("write disable", "bare", chip.clear_wel),
        0x01: _Command("write status register", "data", chip.write_status),
    }
    if any(register.addresses for register in part.register):
        # One wait byte: the latency code 8 of S25FS-S, from memory.
        commands[0x65] = _Command("read any register", "reply", chip.read_any_register, -1, 1)
    for register in part.register:
        if register.name != "SR1" and register.read is not None:
            commands[register.read] = _reply(
                chip, f"read {register.name}", _sampler(chip, register.name), while_busy=True
            )
        if register.write is not None:
            commands[register.write] = _Command(
                f"write {register.name}", "data", _register_writer(chip, register.name)
            )
    if part.volatile_write_enable:
        commands[0x50] = _Command(
            "write enable for volatile status register", "bare", chip.enable_volatile_write
        )
    if part.flag_status:
        commands[0x70] = _reply(chip, "read flag status", chip.flag_byte, while_busy=True)
    if part.security_register_2b:
        commands[0x2B] = _reply(chip, "read security register", chip.fail_byte, while_busy=False)
    if part.clear_errors_opcode is not None:
        commands[part.clear_errors_opcode] = _Command(
            "clear error flags", "bare", chip.clear_errors, while_busy=True
        )
    return commands


def _sampler(chip: NorChip, name: str) -> Callable[[], int]:
    return lambda: chip.register_byte(name)


def _register_writer(chip: NorChip, name: str) -> Callable[[int, bytes, float], None]:
    def run(address: int, data: bytes, at_s: float) -> None:
        chip.write_one_register(name, data, at_s)

    return run


def _cell_commands(chip: NorChip) -> dict[int, _Command]:
    part = chip.part
    commands = {0x02: _Command("page program", "data", chip.program, -1, changes=True)}
    if part.four_byte_opcodes:
        commands[0x12] = _Command("page program, 4-byte", "data", chip.program, 4, changes=True)
    for opcode in part.chip_erase_opcodes:
        commands[opcode] = _Command("chip erase", "bare", chip.erase_chip, changes=True)
    for kind in part.erase:
        run = _eraser(chip, kind)
        commands[kind.opcode] = _Command("erase", "bare", run, -1, changes=True)
        if kind.opcode_4byte is not None:
            commands[kind.opcode_4byte] = _Command("erase, 4-byte", "bare", run, 4, changes=True)
    if part.security_registers:
        commands[0x42] = _Command(
            "program security register", "data", chip.program_security, -1, changes=True
        )
        commands[0x44] = _Command(
            "erase security register", "bare", chip.erase_security, -1, changes=True
        )
    return commands


def _eraser(chip: NorChip, kind: Erase) -> Callable[[int, bytes, float], None]:
    def run(address: int, data: bytes, at_s: float) -> None:
        chip.erase(kind, address, at_s)

    return run


def _mode_commands(chip: NorChip) -> dict[int, _Command]:
    part = chip.part

    def read_old_id(address: int, data: bytes, at_s: float) -> None:
        chip.answer_with(bytes((part.device_id,)), repeats=True)

    commands = {
        0xAB: _Command("release power-down and read ID", "reply", read_old_id, 0, 3),
        0xB9: _Command("deep power-down", "bare", chip.power_down),
        0x66: _Command("enable reset", "bare", chip.enable_reset, while_busy=True),
        0x99: _Command("reset", "bare", chip.reset, while_busy=True),
    }
    if part.mode_switch != "none":
        wel = part.mode_switch == "wel"
        commands[0xB7] = _Command("enter 4-byte mode", "bare", chip.enter_4byte, changes=wel)
        commands[0xE9] = _Command("leave 4-byte mode", "bare", chip.leave_4byte, changes=wel)
    if part.address_register == "C5":
        commands[0xC8] = _reply(
            chip, "read address register", chip.address_register_byte, while_busy=False
        )
        commands[0xC5] = _Command(
            "write address register", "data", chip.write_address_register, changes=True
        )
    elif part.address_register == "17":
        commands[0x16] = _reply(
            chip, "read bank register", chip.address_register_byte, while_busy=False
        )
        commands[0x17] = _Command("write bank register", "data", chip.write_address_register)
    return commands


def _lock_commands(chip: NorChip) -> dict[int, _Command]:
    if chip.part.individual_locks == "none":
        return {}
    if chip.part.individual_locks == "sector registers":
        return {
            0x36: _Command("protect sector", "bare", chip.lock_one, -1, changes=True),
            0x39: _Command("unprotect sector", "bare", chip.unlock_one, -1, changes=True),
            0x3C: _Command("read sector protection", "reply", chip.read_lock, -1),
        }
    commands = {0x98: _Command("unlock all", "bare", chip.unlock_all, changes=True)}
    if chip.part.individual_locks in ("WPS", "WPSEL"):
        commands[0x7E] = _Command("lock all", "bare", chip.lock_all, changes=True)
        commands[0x36] = _Command("lock one", "bare", chip.lock_one, -1, changes=True)
        commands[0x39] = _Command("unlock one", "bare", chip.unlock_one, -1, changes=True)
        read = 0x3D if chip.part.individual_locks == "WPS" else 0x3C  # 3Ch: from memory
        commands[read] = _Command("read lock", "reply", chip.read_lock, -1)
    return commands
