"""Maps of the array, against a count byte by byte."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.report.chip_map import (
    CELLS_MAX,
    cell_bytes_for,
    differing_bytes,
    map_after,
    map_before,
)
from flashbench.report.view import Cell


def counted(one: bytes, other: bytes, cell_bytes: int) -> list[int]:
    counts = [0] * -(-len(one) // cell_bytes)
    for at, (first, second) in enumerate(zip(one, other, strict=True)):
        counts[at // cell_bytes] += first != second
    return counts


@st.composite
def images(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """Two images of one size, not always whole cells, mostly blank or equal."""
    size = draw(st.integers(1, 3000))
    first = bytearray(b"\xff" * size)
    for at in draw(st.lists(st.integers(0, size - 1), max_size=12)):
        first[at] = draw(st.integers(0, 255))
    second = bytearray(first)
    for at in draw(st.lists(st.integers(0, size - 1), max_size=12)):
        second[at] = draw(st.integers(0, 255))
    return bytes(first), bytes(second)


@given(images())
@settings(max_examples=60, deadline=None)
def test_every_cell_counts_its_own_differing_bytes(pair: tuple[bytes, bytes]) -> None:
    one, other = pair

    assert list(differing_bytes(one, other)) == counted(one, other, cell_bytes_for(len(one)))


@given(images())
@settings(max_examples=60, deadline=None)
def test_a_cell_is_changed_unchanged_or_blank_by_its_bytes(pair: tuple[bytes, bytes]) -> None:
    original, image = pair
    cell_bytes = cell_bytes_for(len(image))

    drawn = map_after(original, image, protected=())

    for index, cell in enumerate(drawn.cells):
        place = slice(index * cell_bytes, (index + 1) * cell_bytes)
        if original[place] != image[place]:
            assert cell is Cell.CHANGED
        else:
            assert (cell is Cell.BLANK) == (set(image[place]) <= {0xFF})


@pytest.mark.parametrize(
    ("size", "cell_bytes"),
    [(1, 256), (4096, 256), (1 << 18, 256), (16 << 20, 16 << 10), (24 << 20, 32 << 10)],
)
def test_cells_are_powers_of_two_and_at_most_a_thousand(size: int, cell_bytes: int) -> None:
    assert cell_bytes_for(size) == cell_bytes
    assert -(-size // cell_bytes) <= CELLS_MAX


def test_a_change_across_the_border_of_the_compared_pieces_is_counted_once_per_cell() -> None:
    size, border = 4 << 20, 1 << 20
    one = bytes(size)
    other = one[: border - 3] + b"\x01" * 6 + one[border + 3 :]

    counts = differing_bytes(one, other)

    assert sum(counts) == 6
    assert [index for index, count in enumerate(counts) if count] == [255, 256]


def test_what_the_board_wrote_is_marked_before_the_edit() -> None:
    left = bytes(4096)
    original = left[:512] + b"\x55" + left[513:]

    drawn = map_before(original, left_by_last_round=left, protected=())

    assert drawn.cells[2] is Cell.BOARD_WROTE
    assert drawn.cells.count(Cell.BOARD_WROTE) == 1


def test_a_cell_counts_as_protected_if_any_byte_of_it_is() -> None:
    drawn = map_before(bytes(4096), left_by_last_round=None, protected=[range(255, 513)])

    assert drawn.protected == (0, 1, 2)
