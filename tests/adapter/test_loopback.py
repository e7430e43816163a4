"""Proving an adapter with an empty socket."""

import pytest

from flashbench.adapter import LoopbackProof, open_adapter, prove_by_loopback
from flashbench.errors import AdapterReplyWrong, Interrupted, WrongCall
from tests.adapter.scripted_usb import ScriptedUsb


def proof_of(
    usb: ScriptedUsb, *, clock_hz: int = 30_000_000, byte_count: int = 5000
) -> LoopbackProof:
    with open_adapter(usb.device(), clock_hz=clock_hz, time=usb.time) as adapter:
        return prove_by_loopback(adapter, byte_count=byte_count)


@pytest.mark.parametrize("chip", ["FT232H", "FT2232H", "FT4232H"])
@pytest.mark.parametrize("clock_hz", [30_000_000, 10_000_000, 100_000])
def test_a_good_adapter_is_proven(chip: str, clock_hz: int) -> None:
    proof = proof_of(ScriptedUsb(chip), clock_hz=clock_hz)

    assert proof.passed
    assert proof.bytes_compared == 5000
    assert proof.measured_hz == pytest.approx(clock_hz, rel=0.05)
    assert proof.sentences()[0] == "5000 bytes came back through the adapter as they were sent."


def test_no_pin_is_driven_for_it() -> None:
    usb = ScriptedUsb()
    proof_of(usb)

    assert set(usb.engine.directions) == {0}
    assert usb.engine.begun == 0


def test_one_wrong_bit_is_found_and_placed() -> None:
    usb = ScriptedUsb()
    execute = usb.engine._execute

    def flips_byte_1000(op: int, operands: bytes, count: int) -> None:
        execute(op, operands, count)
        if op == 0x31:
            total[0] += count
            if total[0] - count <= 1000 < total[0]:
                usb.engine.replies[1000 - (total[0] - count)] ^= 0x10

    total = [0]
    usb.engine._execute = flips_byte_1000  # type: ignore[method-assign]
    proof = proof_of(usb)

    assert not proof.passed
    (difference,) = proof.differences
    assert difference[0] == 1000
    assert difference[1] ^ difference[2] == 0x10
    assert "1 of 5000 bytes came back wrong, the first at 1000" in proof.sentences()[0]


def test_a_loopback_that_is_not_one_is_no_proof() -> None:
    usb = ScriptedUsb()
    execute = usb.engine._execute

    def not_looped(op: int, operands: bytes, count: int) -> None:
        execute(0x85 if op == 0x84 else op, operands, count)

    usb.engine._execute = not_looped  # type: ignore[method-assign]

    assert proof_of(usb).bytes_wrong > 4900


def test_a_clock_that_is_not_what_it_is_said_to_be_is_told() -> None:
    usb = ScriptedUsb()
    spend = usb.engine._spend
    usb.engine._spend = lambda clocks: spend(clocks * 5)  # type: ignore[method-assign]

    proof = proof_of(usb)

    assert not proof.clock_true
    assert proof.measured_hz == pytest.approx(6_000_000, rel=0.05)
    assert "SCK measured 6.0" in proof.sentences()[1]
    assert "not what it is said to be" in proof.sentences()[1]


def test_a_stop_is_heard_between_its_pieces() -> None:
    usb = ScriptedUsb()

    def stop(step: str, done_bytes: int, total_bytes: int, seconds_left: float | None) -> None:
        raise Interrupted(f"Stopped after {done_bytes} of {total_bytes}.", next_step="-")

    with (
        open_adapter(usb.device(), time=usb.time) as adapter,
        pytest.raises(Interrupted, match="after 960 of 5000"),
    ):
        prove_by_loopback(adapter, byte_count=5000, progress=stop)


def test_a_lost_byte_is_an_error_of_the_adapter() -> None:
    usb = ScriptedUsb()
    with open_adapter(usb.device(), time=usb.time) as adapter:
        usb.arm("lost byte", 4)
        with pytest.raises(AdapterReplyWrong, match=r"answered 960 of 961 bytes.*in loopback"):
            prove_by_loopback(adapter)


def test_nothing_to_send_is_a_wrong_call() -> None:
    usb = ScriptedUsb()
    with (
        open_adapter(usb.device(), time=usb.time) as adapter,
        pytest.raises(WrongCall, match="at least one byte"),
    ):
        prove_by_loopback(adapter, byte_count=0)
