"""Running frames over USB when nothing goes wrong, and when the caller changes its mind."""

from array import array
from typing import Any

import pytest

from flashbench.adapter import Adapter, open_adapter
from flashbench.adapter._frame import Frame
from flashbench.adapter.usb_port import BUFFERS_KEPT
from flashbench.errors import AdapterReplyWrong, Interrupted, WrongCall
from flashbench.progress import StopRequest
from tests.adapter.scripted_usb import ScriptedUsb, answer
from tests.builders.frames import frame

MIXED = [
    frame(b"\x9f", reply_size=3),
    frame(b"\x06"),
    frame(bytes.fromhex("02000100") + bytes(range(256)), wait_us=700),
    frame(b"\x05", reply_size=1),
    frame(bytes.fromhex("0b00000000"), reply_size=70_000),
    frame(bytes.fromhex("20001000"), wait_us=45_000),
    frame(b"\x05", reply_size=1),
    frame(bytes.fromhex("0b00100000"), reply_size=509),
    frame(b"\x04"),
]


def opened(usb: ScriptedUsb, clock_hz: int = 30_000_000) -> Adapter:
    adapter = open_adapter(usb.device(), clock_hz=clock_hz, time=usb.time)
    adapter._wire.drive_pins()
    return adapter


def run(adapter: Adapter, frames: list[Frame], **more: Any) -> bytearray:
    into = bytearray(sum(f.reply_size for f in frames))
    sck_hz = more.pop("sck_hz", adapter.clock_hz)
    adapter._wire.run(frames, sck_hz=sck_hz, into=memoryview(into), **more)
    return into


@pytest.mark.parametrize("chip", ["FT232H", "FT2232H", "FT4232H"])
def test_every_frame_is_sent_once_in_order_and_its_reply_lands_in_its_place(chip: str) -> None:
    usb = ScriptedUsb(chip)
    adapter = opened(usb)

    into = run(adapter, MIXED)

    assert usb.engine.frames == [f.out for f in MIXED]
    assert into == b"".join(answer(f.out, f.reply_size) for f in MIXED)
    assert not usb.engine.selected


def test_a_read_goes_into_a_buffer_that_was_there_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short and long replies alternate, as status and pictures do in a write."""
    usb = ScriptedUsb()
    adapter = opened(usb)
    filled: list[array[int]] = []
    whole_read = ScriptedUsb.bulk_read

    def noted(
        self: ScriptedUsb, handle: Any, ep: int, intf: int, buff: "array[int]", timeout: int
    ) -> int:
        filled.append(buff)
        return whole_read(self, handle, ep, intf, buff, timeout)

    monkeypatch.setattr(ScriptedUsb, "bulk_read", noted)
    run(adapter, MIXED)
    first, filled[:] = filled[:], []
    into = run(adapter, MIXED)

    assert len({len(buffer) for buffer in first}) > 1
    assert all(any(buffer is kept for kept in first) for buffer in filled)
    assert len({id(buffer) for buffer in first}) == len({len(buffer) for buffer in first})
    assert into == b"".join(answer(f.out, f.reply_size) for f in MIXED)


def test_no_more_buffers_are_kept_than_are_of_use() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    for packets in range(1, 3 * BUFFERS_KEPT):
        run(adapter, [frame(b"\x0b\0\0\0\0", reply_size=510 * packets)])

    assert len(adapter._wire._port._buffers) == BUFFERS_KEPT  # type: ignore[attr-defined]


def test_nothing_is_sent_for_no_frames() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    before = len(usb.calls)

    assert run(adapter, []) == b""
    assert len(usb.calls) == before


def test_a_buffer_of_another_size_is_refused() -> None:
    adapter = opened(ScriptedUsb())

    with pytest.raises(ValueError, match="reply 3 bytes, the buffer holds 4"):
        adapter._wire.run(
            [frame(b"\x9f", reply_size=3)], sck_hz=1_000_000, into=memoryview(bytearray(4))
        )


def test_frames_are_refused_while_the_pins_are_inputs() -> None:
    usb = ScriptedUsb()
    adapter = open_adapter(usb.device(), time=usb.time)

    with pytest.raises(WrongCall, match=r"still inputs(.|\n)*Declare the chip's supply first"):
        run(adapter, [frame(b"\x9f", reply_size=3)])
    assert usb.engine.begun == 0


def test_the_clock_is_rounded_down_and_changed_only_between_runs() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb, clock_hz=25_000_000)
    usb.engine.divisors.clear()

    run(adapter, MIXED)
    run(adapter, MIXED)
    run(adapter, MIXED, sck_hz=1_000_000)

    assert adapter.clock_hz == 15_000_000
    assert usb.engine.divisors == [1, 29]


def test_the_wait_of_the_last_frame_has_passed_on_return() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    for wait_us in (300, 5000, 5001, 2_000_000):
        before_s = usb.time.now_s()
        run(adapter, [frame(b"\xc7", wait_us=wait_us)])
        assert usb.time.now_s() - before_s >= wait_us / 1e6


def test_a_long_wait_is_cut_into_slices_so_that_a_stop_is_heard() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    usb.time.waited.clear()

    run(adapter, [frame(b"\xc7", wait_us=1_000_000)])

    assert max(usb.time.waited) <= 0.25
    assert sum(usb.time.waited) == pytest.approx(1.0)


def test_arrived_hears_of_every_transfer_and_never_less_than_before() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb, clock_hz=1_000_000)
    heard: list[tuple[int, float]] = []
    begun_s = usb.time.now_s()

    run(
        adapter,
        [frame(bytes.fromhex("0b00000000"), reply_size=100_000)],
        arrived=lambda count: heard.append((count, usb.time.now_s())),
    )

    counts = [count for count, _ in heard]
    assert counts == sorted(counts)
    assert counts[-1] == 100_000
    requests = [size for way, size in usb.transfers if way == "IN"]
    assert max(requests) // 512 * 510 * 8 / 1_000_000 <= 0.25
    assert usb.time.now_s() > begun_s


@pytest.mark.parametrize("stop", [Interrupted("Stopped.", next_step="-"), KeyboardInterrupt()])
def test_a_stop_from_arrived_ends_the_stream_and_goes_on_to_the_caller(
    stop: BaseException,
) -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    calls: list[int] = []

    def arrived(count: int) -> None:
        calls.append(count)
        if len(calls) == 2:
            raise stop

    with pytest.raises(type(stop)):
        run(adapter, [frame(b"\x03\0\0\0", reply_size=2 << 20)], arrived=arrived)

    assert not usb.engine.selected
    assert not usb.engine.queue and not usb.engine.replies
    assert run(adapter, MIXED) == b"".join(answer(f.out, f.reply_size) for f in MIXED)


def test_a_stop_while_the_host_waits_leaves_the_engine_alone() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    stop = StopRequest()
    stop.requested = True
    mode_changes = usb.calls.count("control 0Bh 0000h")

    def arrived(count: int) -> None:
        if usb.time.waited:
            stop.check()

    usb.time.waited.clear()
    with pytest.raises(Interrupted):
        run(adapter, [frame(b"\xc7", wait_us=3_000_000)], arrived=arrived)
    assert usb.calls.count("control 0Bh 0000h") == mode_changes, "the UART would drive the pins"


def test_the_next_batch_is_queued_before_the_last_one_is_read() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    page = [frame(b"\x06"), frame(bytes.fromhex("02000000") + bytes(256), wait_us=700)]
    run(adapter, page)
    begin = len(usb.transfers)

    run(adapter, page * 600)

    ways = [way for way, _ in usb.transfers[begin:]]
    assert ways[:2] == ["OUT", "OUT"], ways


def test_four_mebibytes_take_one_out_and_seventeen_ins() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\x06")])
    begin = len(usb.transfers)

    run(adapter, [frame(bytes.fromhex("0b00000000"), reply_size=4 << 20)])

    assert [way for way, _ in usb.transfers[begin:]] == ["OUT"] + ["IN"] * 17


def test_a_wire_kept_past_close_does_nothing() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    adapter.close()
    before = list(usb.calls)

    with pytest.raises(AdapterReplyWrong, match="it has been closed"):
        adapter._wire.drive_pins()
    assert usb.calls == before
    assert usb.handles == 0
