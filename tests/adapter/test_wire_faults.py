"""Running frames while the USB fails at every transfer in turn.

What the error says of the frames is held against what the device really executed.
"""

from itertools import count
from typing import get_args

import pytest

from flashbench.adapter import Adapter, open_adapter
from flashbench.errors import AdapterError, AdapterGone, AdapterReplyWrong, WrongCall
from tests.adapter.scripted_usb import Kind, ScriptedUsb, answer
from tests.adapter.test_wire import MIXED, opened, run
from tests.builders.frames import frame

JOB = [
    frame(b"\x9f", reply_size=3),
    *(
        frame(command, wait_us=wait_us, reply_size=reply_size)
        for page in range(300)
        for command, wait_us, reply_size in (
            (b"\x06", 0, 0),
            (b"\x05", 0, 1),
            (bytes([2, page >> 8, page & 0xFF, 0]) + bytes(256), 700, 0),
            (b"\x05", 0, 1),
        )
    ),
    frame(bytes.fromhex("20001000"), wait_us=45_000),
    frame(b"\x05", reply_size=1),
    frame(bytes.fromhex("0b00000000"), reply_size=600_000),
    frame(b"\x04"),
]
LOSSES: tuple[Kind, ...] = ("gone before", "gone half-way", "gone after", "EIO, then gone")
KINDS: tuple[Kind, ...] = tuple(kind for kind in get_args(Kind) if kind != "Ctrl-C")


def failing_at(kind: Kind, at: int) -> tuple[ScriptedUsb, Adapter, AdapterError | None]:
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])  # the clock is set, the counting starts at a run's first OUT
    usb.engine.frames.clear()
    usb.engine.begun = 0
    usb.arm(kind, at)
    try:
        run(adapter, JOB)
    except AdapterError as error:
        return usb, adapter, error
    return usb, adapter, None


@pytest.mark.parametrize("kind", KINDS)
def test_whichever_transfer_fails_the_error_never_claims_too_much_nor_too_little(
    kind: Kind,
) -> None:
    """surely <= whole frames seen on the bus, and frames begun on the bus <= may have run."""
    failures = 0
    for at in count(1):
        usb, adapter, error = failing_at(kind, at)
        if not usb.fired:
            break
        if error is None:
            # An OUT has no reply to spoil, an IN cannot be taken in part.
            assert kind in ("lost byte", "stale byte", "partial")
            assert usb.engine.frames == [f.out for f in JOB]
            continue
        failures += 1
        ran, begun = len(usb.engine.frames), usb.engine.begun
        assert error.frames_surely_ran <= ran, (at, error)
        assert begun <= error.frames_may_have_run <= len(JOB), (at, error)
        assert isinstance(error, AdapterGone) == (kind in LOSSES), (at, error)
        if not usb.gone:
            assert not usb.engine.selected, "chip select is high again"
            assert run(adapter, MIXED) == b"".join(answer(f.out, f.reply_size) for f in MIXED)
        adapter.close()
        assert usb.handles == 0
    assert usb.engine.frames == [f.out for f in JOB]
    assert at == 17, "10 OUT (7 of pages, then status, read, write disable), 6 IN, then clean"
    assert failures == {"partial": 10, "lost byte": 6, "stale byte": 6}.get(kind, 16)


def test_at_whichever_transfer_ctrl_c_comes_the_stream_is_ended_first() -> None:
    for at in count(1):
        usb = ScriptedUsb()
        adapter = opened(usb)
        run(adapter, [frame(b"\xab")])
        usb.arm("Ctrl-C", at)
        try:
            run(adapter, JOB)
            break
        except KeyboardInterrupt:
            assert not usb.engine.selected
            assert not usb.engine.queue and not usb.engine.replies
            assert run(adapter, MIXED) == b"".join(answer(f.out, f.reply_size) for f in MIXED)
    assert at == 17


def test_a_failure_in_the_middle_proves_the_frames_before_it() -> None:
    """The counts are of use: late failures leave few frames in doubt."""
    sure = [error.frames_surely_ran for _, _, error in (failing_at("gone after", n) for n in (1, 9))
            if error is not None]  # fmt: skip

    assert sure[0] == 0
    assert sure[1] > 400


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_short_reply_names_the_frame_and_the_counts(lost: int) -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])
    usb.arm("lost byte", 2)

    with pytest.raises(AdapterReplyWrong) as caught:
        run(adapter, [frame(b"\x06"), frame(b"\x9f", reply_size=lost, name="read JEDEC ID (9Fh)")])

    assert f"answered {lost} of {lost + 1} bytes within 2." in str(caught.value)
    assert "in frame 2 of 2: read JEDEC ID (9Fh)." in str(caught.value)
    assert "Check the USB cable" in str(caught.value)
    # Its reply is here, but nothing proves that chip select has risen after it.
    assert (caught.value.frames_surely_ran, caught.value.frames_may_have_run) == (1, 2)


def test_a_byte_left_from_before_is_noticed_and_proves_nothing() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])
    usb.engine.replies += b"\x77"

    with pytest.raises(AdapterReplyWrong, match=r"answered 1 bytes more than were due") as caught:
        run(adapter, [frame(b"\x9f", reply_size=3)])

    assert (caught.value.frames_surely_ran, caught.value.frames_may_have_run) == (0, 1)


@pytest.mark.parametrize("size", range(505, 515))
def test_a_byte_left_from_before_is_noticed_whatever_the_length_of_the_reply(size: int) -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])
    usb.engine.replies += b"\x77"

    with pytest.raises(AdapterReplyWrong, match="more than were due"):
        run(adapter, [frame(b"\x05", reply_size=size)])


def test_a_byte_left_from_before_is_noticed_although_a_packet_came_early() -> None:
    """A cut packet shifts the packets behind it, so that the surplus lies beyond the last one."""
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])
    usb.engine.replies += b"\x77"
    usb.short_packets = 1

    with pytest.raises(AdapterReplyWrong, match="more than were due"):
        run(adapter, [frame(b"\x05", reply_size=510)])


def test_a_mute_adapter_is_given_the_time_of_its_own_work_and_no_more() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb, clock_hz=1_000_000)
    run(adapter, [frame(b"\xab")])
    usb.arm("mute", 1)
    begun_s = usb.time.now_s()

    with pytest.raises(AdapterReplyWrong, match="answered 0 of"):
        run(adapter, [frame(b"\x03\0\0\0", reply_size=250_000)])

    wire_s = 8 * 250_000 / 1e6
    assert wire_s < usb.time.now_s() - begun_s < 2 * (wire_s * 1.25 + 2) + 1


def test_an_unplugged_adapter_is_named_so_and_closing_it_raises_nothing() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    usb.unplug()

    with pytest.raises(AdapterGone, match=r"left the USB in frame 1 of 1: read (.|\n)*Plug it in"):
        run(adapter, [frame(b"\x9f", reply_size=3, name="read JEDEC ID (9Fh)")])
    adapter._wire.release_pins()
    adapter.close()
    assert usb.handles == 0


def test_an_adapter_that_only_ever_answers_with_io_errors_is_gone() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    usb.eio_for_ever = True
    usb.unplug()

    with pytest.raises(AdapterGone, match="left the USB"):
        run(adapter, [frame(b"\x9f", reply_size=3)])
    adapter.close()


@pytest.mark.parametrize("kind", ["lost byte", "stale byte", "EIO once", "mute"])
def test_pins_that_could_not_be_turned_on_are_inputs(kind: Kind) -> None:
    usb = ScriptedUsb()
    adapter = open_adapter(usb.device(), time=usb.time)
    usb.arm(kind, 2)

    with pytest.raises(AdapterReplyWrong, match="while its pins were turned on"):
        adapter._wire.drive_pins()
    assert usb.engine.direction == 0
    with pytest.raises(WrongCall, match="still inputs"):
        run(adapter, [frame(b"\x9f", reply_size=3)])


def test_an_engine_that_stays_mute_is_told_apart_from_one_that_recovered() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)
    usb.engine.set_mode = lambda mode, direction: None  # type: ignore[method-assign]
    usb.engine.mpsse = False

    with pytest.raises(AdapterReplyWrong, match="could not be brought back into step either"):
        run(adapter, [frame(b"\x9f", reply_size=3)])
    with pytest.raises(AdapterReplyWrong, match="out of step: nothing came where fa aa was due"):
        adapter._wire.resynchronise()
    with pytest.raises(AdapterReplyWrong, match="while its pins were turned off"):
        adapter.close()
    assert usb.handles == 0, "given back all the same"


def test_recovery_leaves_mpsse_before_it_sends_anything() -> None:
    """A half-received write would take the sync bytes as data for the flash."""
    usb = ScriptedUsb()
    adapter = opened(usb)
    run(adapter, [frame(b"\xab")])
    usb.arm("partial", 1)
    begin = len(usb.calls)

    with pytest.raises(AdapterReplyWrong, match=r"it took \d+ of \d+ bytes"):
        run(adapter, [frame(b"\x02\0\0\0" + bytes(256))])

    after = usb.calls[begin + 1 :]
    assert after[0] == "control 0Bh 0000h"
    assert after.index("control 0Bh 0200h") < after.index("OUT 0")
    assert not usb.engine.frames[1:], "the program never reached the chip whole"


def test_pins_that_were_inputs_are_inputs_after_a_recovery() -> None:
    usb = ScriptedUsb()
    adapter = open_adapter(usb.device(), time=usb.time)

    adapter._wire.resynchronise()

    assert set(usb.engine.directions) == {0}
    assert usb.engine.direction == 0


def test_pins_that_were_driven_are_driven_after_a_recovery_chip_select_high() -> None:
    usb = ScriptedUsb()
    adapter = opened(usb)

    adapter._wire.resynchronise()

    assert usb.engine.direction == 0xFB
    assert usb.engine.level == 0xF8


@pytest.mark.parametrize("kind", KINDS)
def test_turning_pins_off_leaves_them_off_whichever_transfer_fails(kind: Kind) -> None:
    for at in count(1):
        usb = ScriptedUsb()
        adapter = opened(usb)
        usb.arm(kind, at)
        adapter.close()
        assert usb.engine.direction == 0, (kind, at)
        if not usb.fired:
            break
    assert at == 3, "one OUT, one IN"
