"""What a chip does while it is busy, as values: each can be finished, or torn by a power loss."""

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Protocol

import numpy as np


class Buffer(Protocol):
    """A bytearray, or a mapped file."""

    def __len__(self) -> int: ...
    def __getitem__(self, span: slice) -> bytes | bytearray: ...
    def __setitem__(self, span: slice, data: bytes | bytearray) -> None: ...


class Memory(Protocol):
    """What operations change."""

    @property
    def areas(self) -> Mapping[str, Buffer]:
        """ "cells" and "security"."""
        ...

    @property
    def stored(self) -> dict[str, int]:
        """The non-volatile register values."""
        ...

    @property
    def current(self) -> dict[str, int]:
        """What register reads return."""
        ...


def clear_bits(cells: Buffer, address: int, data: bytes) -> None:
    """Programming: bits only go from 1 to 0."""
    end = address + len(data)
    old = int.from_bytes(cells[address:end], "little")
    new = old & int.from_bytes(data, "little")
    cells[address:end] = new.to_bytes(len(data), "little")


@dataclass(frozen=True, slots=True)
class Program:
    """Page program: `runs` are (address, data), two where the page wrapped."""

    runs: tuple[tuple[int, bytes], ...]
    area: str = "cells"

    def finish(self, memory: Memory) -> None:
        for address, data in self.runs:
            clear_bits(memory.areas[self.area], address, data)

    def tear(self, memory: Memory, random: Random) -> None:
        """Any prefix of the data, then any subset of the next byte's bits."""
        left = random.randrange(sum(len(data) for _, data in self.runs) + 1)
        for address, data in self.runs:
            done = data[:left]
            if len(done) < len(data):
                done += bytes((data[len(done)] | random.randrange(256),))
                clear_bits(memory.areas[self.area], address, done)
                return
            clear_bits(memory.areas[self.area], address, done)
            left -= len(done)


@dataclass(frozen=True, slots=True)
class EraseCells:
    """Sector, block or chip erase of an aligned stretch."""

    start: int
    size: int
    area: str = "cells"

    def finish(self, memory: Memory) -> None:
        memory.areas[self.area][self.start : self.start + self.size] = b"\xff" * self.size

    def tear(self, memory: Memory, random: Random) -> None:
        """Any point on the way from the old cells over all programmed (00h) to all erased."""
        cells = memory.areas[self.area]
        span = slice(self.start, self.start + self.size)
        old = np.frombuffer(bytes(cells[span]), dtype=np.uint8)
        generator = np.random.default_rng(random.randrange(2**32))
        mask = generator.integers(0, 256, self.size, dtype=np.uint8)
        if random.random() < 0.5:
            mask |= generator.integers(0, 256, self.size, dtype=np.uint8)
        torn = old & mask if random.random() < 0.3 else mask
        cells[span] = torn.tobytes()


@dataclass(frozen=True, slots=True)
class WriteRegisters:
    """Non-volatile register write: (name, new value)."""

    values: tuple[tuple[str, int], ...]

    def finish(self, memory: Memory) -> None:
        for name, value in self.values:
            memory.stored[name] = memory.current[name] = value

    def tear(self, memory: Memory, random: Random) -> None:
        """Any subset of the changing bits."""
        for name, value in self.values:
            changing = memory.stored[name] ^ value
            memory.stored[name] ^= changing & random.randrange(256)
            memory.current[name] = memory.stored[name]


@dataclass(frozen=True, slots=True)
class NothingAtAll:
    """Busy, and no cell changes: a silent failure, or what somebody else left running."""

    def finish(self, memory: Memory) -> None:
        pass

    def tear(self, memory: Memory, random: Random) -> None:
        pass


Operation = Program | EraseCells | WriteRegisters | NothingAtAll


def describe(operation: Operation) -> str:
    """One line for the operations file."""
    match operation:
        case Program():
            runs = " ".join(f"{start:#x}+{len(data)}" for start, data in operation.runs)
            return f"program {operation.area} {runs}"
        case EraseCells():
            return f"erase {operation.area} {operation.start:#x}+{operation.size}"
        case WriteRegisters():
            return "registers " + " ".join(
                f"{name}={value:#04x}" for name, value in operation.values
            )
        case NothingAtAll():
            return "nothing"


def to_json(operation: Operation) -> dict[str, object]:
    """What `from_json` makes the operation from again."""
    match operation:
        case Program():
            runs = [[start, data.hex()] for start, data in operation.runs]
            return {"kind": "program", "area": operation.area, "runs": runs}
        case EraseCells():
            return {
                "kind": "erase",
                "area": operation.area,
                "start": operation.start,
                "size": operation.size,
            }
        case WriteRegisters():
            return {"kind": "registers", "values": [list(pair) for pair in operation.values]}
        case NothingAtAll():
            return {"kind": "nothing"}


def from_json(data: Mapping[str, object]) -> Operation:
    """The operation that `to_json` described."""
    match data:
        case {"kind": "program", "area": str(area), "runs": list(runs)}:
            return Program(tuple((start, bytes.fromhex(text)) for start, text in runs), area)
        case {"kind": "erase", "area": str(area), "start": int(start), "size": int(size)}:
            return EraseCells(start, size, area)
        case {"kind": "registers", "values": list(values)}:
            return WriteRegisters(tuple((name, value) for name, value in values))
        case {"kind": "nothing"}:
            return NothingAtAll()
        case _:
            raise ValueError(f"not an operation of this model: {data}")
