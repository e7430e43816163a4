"""Cells that an interrupted erase or program left half-way: they look right, and are not.

Common practice, from memory: a cell whose erase or program was cut short sits near the read
threshold; it may read alike many times and then otherwise, or otherwise each time. Only an erase
that runs to its end makes it sound again.
"""

from dataclasses import dataclass
from random import Random
from typing import Any

from flashbench.rehearsal.faults import WeakAfterTear
from flashbench.rehearsal.nor_operations import EraseCells, Memory, Operation, Program

_CELLS = 6  # weak ones that one interrupted operation leaves


@dataclass(slots=True)
class _Stretch:
    """What one interrupted operation left: places are (address, bit mask)."""

    start: int
    size: int
    places: list[tuple[int, int]]
    drift_to: int  # the level that its cells go to: 0 after an erase, 1 after a program
    reads_left: int
    steady: bool


class WeakCells:
    """The weak stretches of one chip."""

    def __init__(self) -> None:
        self._stretches: list[_Stretch] = []
        self._moment = Random(7)

    def leave(
        self, fault: WeakAfterTear, operation: Program | EraseCells, memory: Memory, random: Random
    ) -> None:
        """An interrupted `operation` looks finished, and some of what it did is weak."""
        operation.finish(memory)
        if operation.area != "cells":
            return
        erases = isinstance(operation, EraseCells)
        if isinstance(operation, EraseCells):
            start, size = operation.start, operation.size
        else:
            start, data = operation.runs[0]
            size = len(data)
        cells = memory.areas["cells"]
        places = [(start + random.randrange(size), 1 << random.randrange(8)) for _ in range(_CELLS)]
        if not erases:  # only a cell that was to be programmed can go back to 1
            places = [(at, mask) for at, mask in places if not cells[at : at + 1][0] & mask]
        self._stretches.append(
            _Stretch(start, size, places, 0 if erases else 1, fault.reads_right, fault.steady)
        )

    def mend(self, operation: Operation) -> None:
        """An erase that ran to its end leaves no weak cell in its stretch."""
        if isinstance(operation, EraseCells) and operation.area == "cells":
            end = operation.start + operation.size
            for stretch in self._stretches:
                stretch.places = [
                    (at, mask) for at, mask in stretch.places if not operation.start <= at < end
                ]
            self._stretches = [stretch for stretch in self._stretches if stretch.places]

    def drift(self, memory: Memory, start: int, size: int, *, at_once: bool = False) -> None:
        """Count a read of this stretch, and let cells go whose reads are used up."""
        cells = memory.areas["cells"]
        for stretch in self._stretches:
            passes = start <= stretch.start < start + size  # one read comes in many pieces
            if not passes or not (stretch.steady or at_once):
                continue
            stretch.reads_left -= 1
            if stretch.reads_left >= 0 and not at_once:
                continue
            for at, mask in stretch.places:
                was = cells[at : at + 1][0]
                now = was | mask if stretch.drift_to else was & ~mask
                cells[at : at + 1] = bytes((now,))

    def as_read(self, start: int, answer: bytes) -> bytes:
        """`answer`, with the unsteady cells as they read this time."""
        unsteady = [stretch for stretch in self._stretches if not stretch.steady]
        if not unsteady:
            return answer
        spoiled = bytearray(answer)
        for stretch in unsteady:
            for at, mask in stretch.places:
                if 0 <= at - start < len(spoiled) and self._moment.random() < 0.5:
                    spoiled[at - start] ^= mask
        return bytes(spoiled)

    def to_json(self) -> list[Any]:
        """What `from_json` makes this from again."""
        return [
            [s.start, s.size, s.places, s.drift_to, s.reads_left, s.steady] for s in self._stretches
        ]

    @classmethod
    def from_json(cls, data: list[Any]) -> "WeakCells":
        """The weak cells that `to_json` described."""
        weak = cls()
        for start, size, places, drift_to, reads_left, steady in data:
            pairs = [(at, mask) for at, mask in places]
            weak._stretches.append(_Stretch(start, size, pairs, drift_to, reads_left, steady))
        return weak
