"""Frames as MPSSE streams.

Outside sources: command bytes and the byte counts of the blocks from FTDI AN_108 and AN_114
(write enable 13 bytes, page program of n bytes n+16, k status bytes 16, fast read of n bytes
14 + 3 per 64 KiB); SCK = 60 MHz / (2 (1 + divisor)) from AN_108.
"""

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.adapter import mpsse
from flashbench.adapter._frame import Frame
from flashbench.adapter.extra_pins import ExtraPins
from flashbench.adapter.mpsse import Batch, Engine, SampleEdge
from flashbench.errors import WrongCall
from tests.builders.frames import frame

FT232H = Engine(fifo_size=1024)
SELECT, DESELECT = bytes.fromhex("80f0fb"), bytes.fromhex("80f8fb")
TAIL = bytes.fromhex("8187")


def batches(*frames: Frame, engine: Engine = FT232H, divisor: int = 1) -> list[Batch]:
    return list(mpsse.batches_of(frames, engine=engine, divisor=divisor))


def only(*frames: Frame, engine: Engine = FT232H, divisor: int = 1) -> Batch:
    (batch,) = batches(*frames, engine=engine, divisor=divisor)
    return batch


def test_a_write_enable_is_select_write_deselect() -> None:
    stream = only(frame(b"\x06")).stream

    assert stream == SELECT + bytes.fromhex("11000006") + DESELECT * 2 + TAIL
    assert len(stream) - len(TAIL) == 13  # AN_114's arithmetic


def test_a_page_program_costs_sixteen_bytes_more_than_its_data() -> None:
    stream = only(frame(bytes.fromhex("02123456") + bytes(256))).stream

    assert len(stream) - len(TAIL) == 256 + 16
    assert stream[3:6] == bytes.fromhex("110301")  # 260 bytes, count minus 1, low byte first


def test_sixteen_mebibytes_are_one_batch_of_less_than_a_kibibyte() -> None:
    batch = only(frame(bytes.fromhex("0b00000000"), reply_size=16 << 20))

    assert batch.stream.count(bytes.fromhex("24ffff")) == 256
    assert len(batch.stream) - len(TAIL) == 14 + 3 * 256 + len(DESELECT), "one more deselect"
    assert batch.reply_size == 16 << 20


def test_the_last_read_command_asks_for_the_rest_only() -> None:
    stream = only(frame(b"\x9f", reply_size=65536 + 3)).stream

    assert bytes.fromhex("24ffff240200") in stream


def test_the_rising_edge_is_a_choice() -> None:
    engine = Engine(fifo_size=1024, sample_edge=SampleEdge.RISING)

    assert bytes.fromhex("200200") in only(frame(b"\x9f", reply_size=3), engine=engine).stream


def held_high(pins: int) -> Engine:
    return Engine(fifo_size=1024, extra=ExtraPins(held_high=pins))


@pytest.mark.parametrize("pins", [0x00, 0x30, 0xF0])
def test_pins_held_high_are_high_and_driven_in_every_pin_command(pins: int) -> None:
    stream = only(frame(b"\x06"), engine=held_high(pins)).stream

    for at in (0, 7, 10):
        command, level, direction = stream[at : at + 3]
        assert command == 0x80
        assert level & 0xF0 == pins
        assert direction == 0x0B | pins
        assert level & 0x01 == 0, "SCK is low at both edges of chip select: mode 0"


def test_only_the_four_general_pins_can_be_held_high() -> None:
    with pytest.raises(ValueError, match="only xDBUS4 to 7"):
        ExtraPins(held_high=0x04)


@pytest.mark.parametrize(
    ("wait_us", "divisor", "clocks"),
    [(1, 1, 30), (400, 1, 12000), (5000, 1, 150_000), (1, 7, 5), (1, 30_000, 1), (5000, 65536, 3)],
)
def test_a_short_wait_is_clocked_out_and_never_too_short(
    wait_us: int, divisor: int, clocks: int
) -> None:
    batch = only(frame(b"\x06", wait_us=wait_us), divisor=divisor)
    seconds = Fraction(clocks * divisor, 30_000_000)

    assert (
        batch.stream
        == SELECT + bytes.fromhex("11000006") + DESELECT * 2 + mpsse.idle_clocks(clocks) + TAIL
    )
    assert seconds >= Fraction(wait_us, 1_000_000)
    assert batch.host_wait_s == 0


def test_idle_clocks_are_octets_and_a_rest() -> None:
    assert mpsse.idle_clocks(8 * 65536 + 8 * 2 + 3) == bytes.fromhex("8fffff 8f0100 8e02")
    assert mpsse.idle_clocks(7) == bytes.fromhex("8e06")
    assert mpsse.idle_clocks(0) == b""


def test_a_long_wait_is_the_hosts_and_ends_its_batch() -> None:
    first, second = batches(frame(b"\xc7", wait_us=5001), frame(b"\x05", reply_size=1))

    assert first.host_wait_s == pytest.approx(0.005001)
    assert b"\x8f" not in first.stream
    assert second.first_frame == 1


@given(st.integers(458, 40_000_000))
def test_sck_is_the_fastest_divided_clock_not_above_the_limit(limit_hz: int) -> None:
    divisor = mpsse.divisor_for(limit_hz)
    true_hz = mpsse.clock_hz(divisor)

    assert true_hz <= limit_hz
    assert divisor == 1 or 30_000_000 // (divisor - 1) > limit_hz
    assert mpsse.divisor_for(true_hz) == divisor, "asking for what it makes changes nothing"
    assert mpsse.set_divisor(divisor) == b"\x86" + (divisor - 1).to_bytes(2, "little")


@pytest.mark.parametrize("limit_hz", [456, 1, 0, -5])
def test_a_clock_that_cannot_be_made_is_refused(limit_hz: int) -> None:
    with pytest.raises(WrongCall, match=r"slowest is 457 Hz(.|\n)*between 458 Hz and 30 MHz"):
        mpsse.divisor_for(limit_hz)


def test_a_read_too_long_for_the_fifo_is_refused_before_anything_is_sent() -> None:
    with pytest.raises(WrongCall, match=r"1024-byte FIFO(.|\n)*at most 16 MiB"):
        batches(frame(b"\x06"), frame(b"\x03\0\0\0", reply_size=24 << 20))


def test_a_surplus_byte_cannot_hide_behind_a_reply_that_fills_its_packets() -> None:
    assert only(frame(b"\x05", reply_size=509)).due == 511
    assert only(frame(b"\x05", reply_size=508)).due == 509


def test_page_programs_travel_by_the_hundred_in_one_transfer() -> None:
    page = [
        frame(b"\x06"),
        frame(b"\x05", reply_size=1),
        frame(bytes.fromhex("02000000") + bytes(256), wait_us=400),
        frame(b"\x05", reply_size=1),
    ]
    first, *_, last = batches(*(page * 1024))

    assert len(first.frame_starts) >= 64 * len(page)
    assert first.wire_s <= mpsse.BATCH_S_MAX
    assert last.end_frame == 1024 * len(page)
    assert mpsse.may_follow([first], first, fifo_size=1024), "the engine never runs dry"


frames_of_any_kind = st.lists(
    st.builds(
        frame,
        st.one_of(st.binary(min_size=1, max_size=12), st.integers(1, 4096).map(bytes)),
        reply_size=st.one_of(st.integers(0, 4), st.integers(0, 2000), st.integers(0, 200_000)),
        wait_us=st.one_of(st.just(0), st.integers(0, 6000)),
    ),
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(frames_of_any_kind, st.sampled_from([1024, 2048, 4096]), st.sampled_from([1, 3, 30]))
def test_any_frames_become_batches_that_cannot_deadlock(
    frames: list[Frame], fifo_size: int, divisor: int
) -> None:
    """FTDI's FIFO rule: the reply fits, or all that follows its first reply-maker fits."""
    made = list(mpsse.batches_of(frames, engine=Engine(fifo_size=fifo_size), divisor=divisor))

    covered = [n for batch in made for n in range(batch.first_frame, batch.end_frame)]
    assert covered == list(range(len(frames)))
    assert sum(batch.reply_size for batch in made) == sum(f.reply_size for f in frames)
    for batch in made:
        own = frames[batch.first_frame : batch.end_frame]
        assert batch.reply_ends[-1] == batch.reply_size == sum(f.reply_size for f in own)
        assert batch.due <= fifo_size - 64 or exposed_by_parsing(batch.stream) <= fifo_size
        assert len(own) == 1 or batch.wire_s <= mpsse.BATCH_S_MAX
        assert all(f.wait_us <= mpsse.IN_BAND_WAIT_US_MAX for f in own[:-1])


@settings(max_examples=60, deadline=None)
@given(frames_of_any_kind)
def test_batches_queued_together_cannot_deadlock_either(frames: list[Frame]) -> None:
    made = batches(*frames)
    for first, second in pairwise(made):
        if mpsse.may_follow([first], second, fifo_size=1024):
            together = first.due + second.due
            assert together <= 960 or len(first.stream) + len(second.stream) <= 1024
            assert first.host_wait_s == 0


@given(st.integers(1, 1 << 24), st.integers(457, 30_000_000))
def test_a_request_brings_whole_packets_no_more_than_due_and_in_good_time(
    remaining: int, sck_hz: int
) -> None:
    size = mpsse.request_size(remaining, sck_hz=sck_hz)

    assert size % 512 == 0
    assert 512 <= size <= -(-remaining // 510) * 512
    assert size == 512 or size // 512 * 510 * 8 / sck_hz <= 0.25


def exposed_by_parsing(stream: bytes) -> int:
    """Stream bytes from the first command on that makes a reply, found by reading the stream."""
    at = 0
    while at < len(stream):
        op = stream[at]
        if op in (0x20, 0x24, 0x81):
            return len(stream) - at
        if op == 0x11:
            at += 3 + int.from_bytes(stream[at + 1 : at + 3], "little") + 1
        else:
            at += {0x80: 3, 0x8F: 3, 0x8E: 2, 0x87: 1}[op]
    return 0
