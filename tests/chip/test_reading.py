"""The array read in whole: which frames, from where, in which address mode, and what is left."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flashbench as fb
from flashbench.chip import _read_frames as read_frames
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.profile import Address, AddressMode, ChipProfile
from flashbench.errors import ChipUntouched, Interrupted
from flashbench.rehearsal import load_part
from tests.builders.bench import SLOW_CLOCKED, SMALL, Board
from tests.builders.job import a_profile
from tests.builders.profile import plain_profile

MIB = 1 << 20


def large(density_bytes: int, die_bytes: int, mode: AddressMode) -> ChipProfile:
    return replace(a_profile(density_bytes=density_bytes), die_bytes=die_bytes, address_mode=mode)


@given(
    start=st.integers(0, 63 * MIB),
    size=st.integers(1, 64 * MIB),
    die=st.sampled_from([8 * MIB, 16 * MIB, 32 * MIB, 64 * MIB]),
    kind=st.sampled_from(list(ReadKind)),
    mode=st.sampled_from([AddressMode.ENTER_4BYTE, AddressMode.DEDICATED_4BYTE]),
)
def test_frames_cover_the_stretch_and_cross_neither_16_mib_nor_a_die(
    start: int, size: int, die: int, kind: ReadKind, mode: AddressMode
) -> None:
    size = min(size, 64 * MIB - start)
    frames = reading.array_frames(large(64 * MIB, die, mode), Address(start), size, kind=kind)

    spans = []
    for frame in frames:
        at = int.from_bytes(frame.out[1:5], "big")
        spans.append((at, at + frame.reply_size))
        for boundary in (16 * MIB, die):
            assert at // boundary == (at + frame.reply_size - 1) // boundary
    assert spans[0][0] == start
    assert spans[-1][1] == start + size
    assert all(one[1] == two[0] for one, two in pairwise(spans))


# The Winbond W25Q256JV datasheet's instruction table: 03h and 0Bh, and 13h and 0Ch with 4 bytes.
@pytest.mark.parametrize(
    ("kind", "mode", "out"),
    [
        (ReadKind.PLAIN, AddressMode.THREE_BYTE, "03 012345"),
        (ReadKind.FAST, AddressMode.THREE_BYTE, "0b 012345 00"),
        (ReadKind.PLAIN, AddressMode.ENTER_4BYTE, "03 00012345"),
        (ReadKind.FAST, AddressMode.ENTER_4BYTE, "0b 00012345 00"),
        (ReadKind.PLAIN, AddressMode.DEDICATED_4BYTE, "13 00012345"),
        (ReadKind.FAST, AddressMode.DEDICATED_4BYTE, "0c 00012345 00"),
        (ReadKind.PLAIN, AddressMode.ENTER_4BYTE_WITH_WEL, "13 00012345"),
        (ReadKind.FAST, AddressMode.ENTER_4BYTE_WITH_WEL, "0c 00012345 00"),
    ],
)
def test_a_read_is_sent_as_the_datasheet_writes_it(
    kind: ReadKind, mode: AddressMode, out: str
) -> None:
    size = 16 * MIB if mode is AddressMode.THREE_BYTE else 32 * MIB
    (frame,) = reading.array_frames(large(size, size, mode), Address(0x012345), 16, kind=kind)

    assert frame.out == bytes.fromhex(out)
    assert frame.reply_size == 16


def test_a_frame_across_16_mib_is_a_value_error() -> None:
    with pytest.raises(ValueError, match="may not cross 16 MiB"):
        read_frames.read_array(
            Address(16 * MIB - 1), 2, kind=ReadKind.PLAIN, address_bytes=4, dedicated=True
        )


def test_the_two_reads_go_two_ways() -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        chip = visit.identify()
        begun: list[tuple[int, int]] = []
        for opcode in (0x03, 0x0B):
            command = board.chip._commands[opcode]

            def note(
                address: int, data: bytes, at_s: float, opcode: int = opcode, run: Any = command.run
            ) -> None:
                begun.append((opcode, address))
                run(address, data, at_s)

            command.run = note
        read = fb.read_twice(chip)

    assert read.image == board.original
    assert begun[:3] == [(0x0B, 0), (0x03, 0x81000), (0x03, 0)]
    assert read.ways == (
        "fast read at 30 MHz from 000000h",
        "plain read at 15 MHz from 081000h",
    )


@pytest.mark.parametrize("clock_hz", [30_000_000, 10_000_000, 1_000_000])
def test_the_second_read_is_at_half_the_clock_or_less(clock_hz: int) -> None:
    board = Board(SMALL)
    with board.visit(clock_hz=clock_hz) as visit:
        first, second = fb.read_twice(visit.identify()).ways

    def mhz(way: str) -> float:
        return float(way.split(" at ")[1].split(" MHz")[0])

    assert mhz(first) == clock_hz / 1e6
    assert mhz(second) <= mhz(first) / 2


def test_where_the_chip_sets_the_limit_the_clock_told_is_one_the_adapter_makes() -> None:
    """25 MHz is none: 30 MHz / n gives 15 MHz next below it."""
    with Board(SLOW_CLOCKED).visit() as visit:
        chip = visit.identify()

        assert chip.profile.fast_read_hz_max == 25_000_000
        assert chip.clock_hz == 15_000_000
        assert chip.change_clock_hz == 15_000_000
        assert {reading.read_hz(chip, kind) for kind in ReadKind} == {15_000_000}


def test_progress_runs_to_the_end_and_a_stop_leaves_the_mode_as_found() -> None:
    board = Board(load_part("W25Q256FV"))
    seen: list[tuple[str, int, int]] = []

    def stop(step: str, done: int, total: int, left_s: float | None) -> None:
        seen.append((step, done, total))
        if step == "second read" and done > 20 * MIB:
            raise Interrupted("Stopped on request.", next_step="Run it again.")

    with board.visit() as visit:
        chip = visit.identify()
        with pytest.raises(Interrupted):
            fb.read_twice(chip, progress=stop)
        assert not board.chip.four_byte_mode
        assert chip.jedec_id == visit.identify().jedec_id, "the bus is in step again"

    first = [done for step, done, _ in seen if step == "first read"]
    assert first == sorted(first)
    assert first[-1] == 32 * MIB
    assert all(total == 32 * MIB for _, _, total in seen)
    assert board.chip.change_count == 0


@pytest.mark.parametrize(
    ("mode", "way"),
    [
        (AddressMode.EXTENDED_REGISTER, "an extended address register (C5h)"),
        (AddressMode.ENTER_4BYTE_WITH_WEL, "a 4-byte mode (B7h)"),
    ],
)
def test_a_chip_whose_upper_part_takes_a_write_enable_to_see_is_refused(
    mode: AddressMode, way: str
) -> None:
    profile = plain_profile(32 << 20, address_mode=mode)

    with pytest.raises(ChipUntouched) as refused:
        reading.refuse_unreadable(profile)

    assert f"shows what lies above 16 MiB only by {way}" in refused.value.seen
    assert "none is sent before a backup exists" in refused.value.seen
    assert "13h, 0Ch" in refused.value.next_step
    assert "fit another part of the same size" in refused.value.next_step


def test_a_write_enable_is_no_hindrance_where_13h_and_0ch_read_all_of_it() -> None:
    reading.refuse_unreadable(
        plain_profile(
            32 << 20, address_mode=AddressMode.ENTER_4BYTE_WITH_WEL, read_4byte_opcodes=True
        )
    )
