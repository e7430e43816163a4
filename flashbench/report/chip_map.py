"""The array as a grid of at most `CELLS_MAX` equal cells. Pure functions on images."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.report.view import Cell, ChipMap

CELLS_MAX: Final = 1024
CELL_BYTES_MIN: Final = 256

_BLANK: Final = 0xFF
_COMPARED_AT_ONCE: Final = 1 << 20

_Counts = npt.NDArray[np.int64]


def cell_bytes_for(size: int) -> int:
    """The smallest power of two that cuts `size` bytes into at most `CELLS_MAX` cells."""
    needed = max(CELL_BYTES_MIN, -(-size // CELLS_MAX))
    return 1 << (needed - 1).bit_length()


def map_before(
    original: bytes, *, left_by_last_round: bytes | None, protected: Sequence[range]
) -> ChipMap:
    """The chip as it was dumped; with what the last round left on it, also what the board wrote."""
    wrote = differing_bytes(original, left_by_last_round) if left_by_last_round else None
    return _map(original, wrote, Cell.BOARD_WROTE, protected)


def map_after(original: bytes, image: bytes, *, protected: Sequence[range]) -> ChipMap:
    """The chip with an image of the same size on it."""
    return _map(image, differing_bytes(original, image), Cell.CHANGED, protected)


def differing_bytes(one: bytes, other: bytes) -> tuple[int, ...]:
    """How many bytes differ in each cell of two images of the same size."""
    cell_bytes = cell_bytes_for(len(one))
    counts: list[int] = []
    step = max(_COMPARED_AT_ONCE, cell_bytes)
    for start in range(0, len(one), step):
        first, second = one[start : start + step], other[start : start + step]
        if first == second:
            counts += [0] * -(-len(first) // cell_bytes)
            continue
        differs = np.frombuffer(first, np.uint8) != np.frombuffer(second, np.uint8)
        counts += _per_cell(differs, cell_bytes).tolist()
    return tuple(counts)


def _map(
    image: bytes, marked: Sequence[int] | None, mark: Cell, protected: Sequence[range]
) -> ChipMap:
    cell_bytes = cell_bytes_for(len(image))
    written = _per_cell(np.frombuffer(image, np.uint8) != _BLANK, cell_bytes)
    cells = [Cell.UNCHANGED if count else Cell.BLANK for count in written.tolist()]
    for index, count in enumerate(marked or ()):
        if count:
            cells[index] = mark
    return ChipMap(
        cell_bytes=cell_bytes,
        cells=tuple(cells),
        protected=tuple(
            index
            for index in range(len(cells))
            if any(
                stretch.start < (index + 1) * cell_bytes and index * cell_bytes < stretch.stop
                for stretch in protected
            )
        ),
    )


def _per_cell(flags: npt.NDArray[np.bool_], cell_bytes: int) -> _Counts:
    starts = np.arange(0, len(flags), cell_bytes)
    counts: _Counts = np.add.reduceat(flags, starts, dtype=np.int64)
    return counts
