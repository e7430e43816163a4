"""Addresses that do not arrive as they are sent: two whole reads agree, and are refused."""

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import flashbench as fb
from chipdb.table import rows_for_id
from flashbench.rehearsal import NorPart
from flashbench.rehearsal.faults import FrameGlitch
from flashbench.safe_write.address_lines import telling_places
from flashbench.safe_write.stable_read import ReadsDisagree
from tests.builders.bench import SMALL, TINY, Board, firmware

ADDRESS_BITS = (TINY.density_bytes - 1).bit_length()
MIDDLE_READ_BIT = 12  # set where the second read begins, so that the two reads differ


def flipped_after_identification(bit: int) -> FrameGlitch:
    """One address bit flipped in every frame that follows what identifying the chip takes."""
    with Board(TINY).visit() as visit:
        visit.identify()
        frames = visit.bench.contacts.frames
    return FrameGlitch(at_frame=frames + 1, what="MOSI flips", at_bit=8 + 23 - bit, lasting=True)


def said_of(bit: int) -> str:
    """Why a dump with this address bit flipped in every frame is refused."""
    with Board(TINY).visit(flipped_after_identification(bit)) as visit:
        chip = visit.identify()
        with pytest.raises(ReadsDisagree) as refused:
            fb.read_twice(chip)
    assert "untouched" in refused.value.state
    return refused.value.seen


@pytest.mark.parametrize("bit", [n for n in range(ADDRESS_BITS - 1) if n != MIDDLE_READ_BIT])
def test_an_address_bit_flipped_alike_in_both_reads_is_refused(bit: int) -> None:
    assert re.match(
        rf"Both reads agree, but 16 bytes read again from 0x[0-9a-f]{{6}} are others: (an address"
        rf" bit|address bit {bit}) does not reach the chip as it is sent",
        said_of(bit),
    )


def test_an_address_bit_that_shifts_the_two_reads_differently_makes_them_disagree() -> None:
    assert said_of(MIDDLE_READ_BIT).startswith("Two reads differ at ")


def test_the_uppermost_address_bit_flipped_is_told_by_the_chips_own_tables() -> None:
    assert said_of(ADDRESS_BITS - 1).startswith(
        "Both reads agree, but the chip's own tables (SFDP) do not read from 0x000000 as they did"
    )


@pytest.mark.parametrize("part", [TINY, SMALL], ids=lambda part: part.name)
def test_a_sound_chip_is_asked_at_most_twice_for_each_address_bit(part: NorPart) -> None:
    board = Board(part)
    places = telling_places(board.original)
    bits = (len(board.original) - 1).bit_length()

    assert 0 < len(places) <= 2 * bits
    assert {bit for told_of in places.values() for bit in told_of} == set(range(bits))
    assert all(place >> bit & 1 for place, told_of in places.items() for bit in told_of)


def test_a_blank_image_tells_of_no_address() -> None:
    assert telling_places(b"\xff" * 4096) == {}


def test_an_image_that_differs_only_far_from_its_start_still_tells_of_every_bit() -> None:
    image = bytearray(b"\xff" * (1 << 22))
    image[-1] = 0

    assert telling_places(bytes(image)) == {0x3FFFFF: tuple(range(22))}


def what_the_chip_would_send(
    cells: bytes, *, asked: int, bit: int, line: str, count: int = 1
) -> bytes:
    """What arrives from a chip whose address bit is flipped, stuck high or stuck low."""
    mask = 1 << bit
    begin = {"flipped": asked ^ mask, "high": asked | mask, "low": asked & ~mask}[line]
    return bytes(cells[(begin + n) % len(cells)] for n in range(count))


@settings(max_examples=60, deadline=None)
@given(
    cells=st.binary(min_size=256, max_size=256),
    bit=st.integers(0, 7),
    line=st.sampled_from(["flipped", "high", "low"]),
)
def test_no_line_that_errs_hides_from_the_places_unless_the_image_is_as_it_was(
    cells: bytes, bit: int, line: str
) -> None:
    """Read from 0 over a line that errs, an image fits its places only if nothing is shifted."""
    image = what_the_chip_would_send(cells, asked=0, bit=bit, line=line, count=256)

    seen = any(
        image[place] != what_the_chip_would_send(cells, asked=place, bit=bit, line=line)[0]
        for place in telling_places(image)
    )

    turned_by_half = line == "flipped" and bit == 7
    assert seen or image == cells or turned_by_half or _repeats_itself(image, 1 << bit)


def _repeats_itself(image: bytes, step: int) -> bool:
    """Whether the bytes with this address bit set equal those one, or those two steps below."""
    with_bit = [at for at in range(len(image)) if at & step]
    return any(
        all(image[at] == image[(at - n * step) % len(image)] for at in with_bit) for n in (1, 2)
    )


def test_an_image_that_no_shift_spoiled_is_still_refused_over_a_line_that_is_stuck_low() -> None:
    cells = firmware(1 << 16)
    for bit in range(16):
        held = [
            what_the_chip_would_send(cells, asked=place, bit=bit, line="low")[0]
            for place in telling_places(cells)
        ]
        assert held != [cells[place] for place in telling_places(cells)]


WITH_TABLES_ON_RECORD = rows_for_id(bytes.fromhex("c29e16"))[0]
"""MX25L3255E: the only row of its ID, with the SFDP that the part was read with."""


@pytest.mark.parametrize("shown", [False, True])
def test_a_blank_dump_is_refused_where_the_chip_shows_none_of_its_known_tables(
    shown: bool,
) -> None:
    row = WITH_TABLES_ON_RECORD
    assert row.sfdp is not None
    part = replace(
        SMALL,
        rdid=bytes.fromhex("c29e16"),
        density_bytes=row.density_bytes,
        sfdp=row.sfdp if shown else b"",
    )
    with Board(part, b"\xff" * part.density_bytes).visit() as visit:
        chip = visit.identify(supply_volts=3.3)
        if shown:
            assert "holds blank" in fb.read_twice(chip).notes[0]
        else:
            with pytest.raises(ReadsDisagree, match="its ID may have been misread"):
                fb.read_twice(chip)
