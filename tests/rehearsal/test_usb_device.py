"""The virtual adapter against pyftdi (which knows nothing of it) and against raw streams.

Opcodes are those of FTDI AN_108. The rates in `test_long_reads_...` are the table of a
packet-level simulation made apart from this code, from the same assumptions: model against model.
"""

import errno
from array import array
from typing import Any, Literal

import pytest
import usb.core
import usb.util
from hypothesis import given, settings
from hypothesis import strategies as st
from pyftdi.ftdi import FtdiMpsseError
from pyftdi.spi import SpiController
from usb.core import USBError, USBTimeoutError

from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.rehearsal.usb_device import VirtualAdapter, VirtualUsb
from tests.rehearsal.hosts import StreamHost, pattern

MIB = 1 << 20
ID = bytes.fromhex("EF4018")


def _host(bench: Bench) -> StreamHost:
    return StreamHost(bench)


@pytest.mark.parametrize("adapter", ["FT232H", "FT2232H", "FT4232H"])
def test_plain_pyftdi_reads_programs_and_erases(
    adapter: Literal["FT232H", "FT2232H", "FT4232H"],
) -> None:
    bench = in_memory_bench(contents=pattern(1 << 24), adapter=adapter)
    controller = SpiController()
    controller.configure(bench.device, interface=1, frequency=30e6)
    port = controller.get_port(0, freq=30e6, mode=0)

    assert bytes(port.exchange(b"\x9f", 3)) == ID
    assert bytes(port.exchange(b"\x9f\0\0\0", duplex=True))[1:] == ID
    got = b"".join(
        bytes(port.exchange(b"\x03" + start.to_bytes(3, "big"), 65280))
        for start in range(0, 3 * 65280, 65280)
    )
    assert got == pattern(1 << 24)[: 3 * 65280]
    for out in (b"\x06", b"\x20\0\x10\0"):
        port.exchange(out)
    bench.time.wait_s(0.1)
    for out in (b"\x06", b"\x02\0\x10\0hello"):
        port.exchange(out)
    bench.time.wait_s(0.001)
    assert bytes(port.exchange(b"\x03\0\x10\0", 6)) == b"hello\xff"
    assert bench.chip.complaints == []
    controller.close()


def test_pyftdi_is_refused_mpsse_on_the_ports_that_have_none() -> None:
    bench = in_memory_bench(adapter="FT4232H")

    with pytest.raises(FtdiMpsseError):
        SpiController().configure(bench.device, interface=3, frequency=1e6)


def test_two_ports_of_one_adapter_live_side_by_side() -> None:
    bench = in_memory_bench(adapter="FT2232H")
    first, second = SpiController(), SpiController()
    first.configure(bench.device, interface=1, frequency=1e6)
    second.configure(bench.device, interface=2, frequency=1e6)

    assert bytes(second.get_port(0, freq=1e6).exchange(b"\x9f", 3)) == b"\xff\xff\xff"
    second.close()
    assert bytes(first.get_port(0, freq=1e6).exchange(b"\x9f", 3)) == ID
    first.close()


def test_the_device_says_that_it_is_a_rehearsal() -> None:
    device: Any = in_memory_bench().device

    assert device.product == "Rehearsal adapter, no hardware"
    assert (device.idVendor, device.idProduct, device.bcdDevice) == (0x0403, 0x6014, 0x0900)


def test_many_adapters_on_one_bus_are_told_apart() -> None:
    bench = in_memory_bench()
    adapters = [
        VirtualAdapter(bench.chip, time=bench.time, serial=f"R{number}", address=number)
        for number in (1, 2, 3)
    ]

    found = set(usb.core.find(find_all=True, backend=VirtualUsb(adapters)))

    assert sorted(device.serial_number for device in found) == ["R1", "R2", "R3"]


def test_an_interface_has_one_owner() -> None:
    bench = in_memory_bench()
    usb.util.claim_interface(bench.device, 0)
    other: Any = usb.core.find(backend=bench.backend)

    with pytest.raises(USBError) as caught:
        usb.util.claim_interface(other, 0)

    assert (caught.value.errno, caught.value.backend_error_code) == (errno.EBUSY, -6)


@pytest.mark.parametrize(
    ("adapter", "request_bytes", "gap_us", "mb_per_s"),
    [
        ("FT232H", 512, 60, 3.75),
        ("FT232H", 512, 125, 3.65),
        ("FT232H", 512, 250, 1.93),
        ("FT232H", 512, 1000, 0.50),
        ("FT232H", 4096, 125, 3.75),
        ("FT232H", 4096, 500, 3.07),
        ("FT232H", 4096, 1000, 2.23),
        ("FT232H", 16384, 500, 3.55),
        ("FT232H", 16384, 1000, 3.20),
        ("FT232H", 65536, 1000, 3.60),
        ("FT2232H", 512, 500, 0.99),
        ("FT2232H", 4096, 1000, 3.65),
    ],
)
def test_long_reads_reach_the_rates_of_the_packet_simulation(
    adapter: Literal["FT232H", "FT2232H"], request_bytes: int, gap_us: float, mb_per_s: float
) -> None:
    bench = in_memory_bench(contents=pattern(1 << 24), adapter=adapter, host_gap_us=gap_us)
    host = _host(bench)
    host.write(b"\x80\x00\x0b\x11\x03\x00\x03\0\0\0" + b"\x24\xff\xff" * 32 + b"\x80\x08\x0b\x87")
    start_s = bench.time.now_s()

    got = host.read(2 * MIB, request_bytes=request_bytes)

    assert got == pattern(1 << 24)[: 2 * MIB]
    rate = 2 * MIB / 1e6 / (bench.time.now_s() - start_s)
    assert rate == pytest.approx(mb_per_s, rel=0.01)


@settings(max_examples=30, deadline=None)
@given(cuts=st.lists(st.integers(1, 60), min_size=0, max_size=12))
def test_a_stream_cut_anywhere_does_the_same(cuts: list[int]) -> None:
    stream = bytes.fromhex(
        "80080B 80000B 1100009F 200200 80080B AA 81 80000B 110300 03000010 240F00 80080B 8F0100 87"
    )
    bench = in_memory_bench(contents=pattern(1 << 24))
    host = _host(bench)
    at = 0
    for cut in [*cuts, len(stream)]:
        if stream[at : at + cut]:
            host.write(stream[at : at + cut])
        at += cut

    # Pin bits 4 to 7 are inputs with pull-ups, bit 2 (MISO) too; CS# is high.
    want = ID + b"\xfa\xaa\xfc" + pattern(1 << 24)[0x10:0x20]
    assert host.read(len(want)) == want
    assert bench.chip.complaints == []


def test_an_unknown_opcode_is_answered_by_fa() -> None:
    """AN_135: the bad command and FAh in front of it."""
    host = _host(in_memory_bench())

    host.write(b"\xaa\x87")

    assert host.read(2) == b"\xfa\xaa"


def test_without_87h_the_tail_waits_for_the_latency_timer() -> None:
    bench = in_memory_bench()
    host = _host(bench)
    for tail, least_s, most_s in ((b"", 0.0155, 0.0165), (b"\x87", 0.0, 0.001)):
        host.write(b"\xaa" + tail)
        start_s = bench.time.now_s()
        assert host.read_once(512) == b"\xfa\xaa"
        assert least_s <= bench.time.now_s() - start_s <= most_s


def test_with_nothing_to_say_two_status_bytes_come_after_one_latency_time() -> None:
    bench = in_memory_bench()
    host = _host(bench)
    host.device.ctrl_transfer(0x40, 0x09, 3, 1)
    start_s = bench.time.now_s()
    buffer = array("B", bytes(512))

    assert host.device.read(0x81, buffer) == 2
    assert bench.time.now_s() - start_s == pytest.approx(3e-3, rel=0.1)


def test_a_reply_of_whole_packets_ends_with_a_status_only_packet() -> None:
    bench = in_memory_bench(contents=pattern(1 << 24))
    host = _host(bench)
    host.write(
        bytes.fromhex("80000B 110300 03000000 20")
        + (509).to_bytes(2, "little")
        + b"\x80\x08\x0b\x87"
    )
    start_s = bench.time.now_s()

    assert host.read_once(1024) == pattern(1 << 24)[:510]
    assert bench.time.now_s() - start_s > 0.016


def test_at_a_slow_clock_the_latency_timer_cuts_packets_short() -> None:
    bench = in_memory_bench(contents=pattern(1 << 24))
    host = _host(bench)
    host.write(bytes.fromhex("86 2B01"))  # 100 kHz: 510 bytes take 41 ms
    host.write(bytes.fromhex("80000B 110300 03000000 24FF03 80080B 87"))

    first = host.read_once(512)

    assert 150 < len(first) < 250
    assert first + host.read(1024 - len(first)) == pattern(1 << 24)[:1024]


def test_a_full_reply_fifo_stalls_the_engine_and_the_write_times_out() -> None:
    """The deadlock of one thread that writes more than the FIFOs hold before it reads."""
    bench = in_memory_bench(contents=pattern(1 << 24))
    host = _host(bench)
    frame = bytes.fromhex("80000B 110300 03000000 240F00 80080B")
    stream = frame * 300
    start_s = bench.time.now_s()

    accepted = host.write(stream, 200)

    assert bench.time.now_s() - start_s == pytest.approx(0.2, abs=0.01)
    replies_that_fit = 1024 // 16
    assert accepted == pytest.approx(replies_that_fit * len(frame) + 1024, abs=len(frame))
    with pytest.raises(USBTimeoutError) as caught:
        host.write(b"\x87" * 64, 200)
    assert (caught.value.errno, caught.value.backend_error_code) == (errno.ETIMEDOUT, -7)


def test_flash_time_goes_on_while_the_engine_is_stalled() -> None:
    bench = in_memory_bench()
    host = _host(bench)
    host.frame(b"\x06")
    host.frame(b"\x20\0\0\0")
    host.write(bytes.fromhex("80000B 11000005 24FF07 80080B 87"))
    bench.time.wait_s(0.1)

    samples = host.read(2048)

    assert samples[:1024] == b"\x03" * 1024
    assert samples[-1:] == b"\x00"


def test_a_write_returns_when_its_last_byte_is_in_the_fifo() -> None:
    bench = in_memory_bench(host_gap_us=0)
    host = _host(bench)
    data = b"\x02\0\0\0" + bytes(65000)
    start_s = bench.time.now_s()

    host.write(b"\x80\x00\x0b\x11" + (len(data) - 1).to_bytes(2, "little") + data)

    on_the_wire_s = (len(data) - 1024) * 8 / 30e6
    assert bench.time.now_s() - start_s == pytest.approx(on_the_wire_s, rel=0.01)


def test_purges_drop_replies_and_half_commands() -> None:
    host = _host(in_memory_bench())
    host.write(b"\xab\xac\x11\xff")
    host.device.ctrl_transfer(0x40, 0, 1, 1)
    host.write(b"\xad\x87")
    assert host.read_once(512) == b"\xfa\xab\xfa\xac\xfa\xad"

    host.write(b"\xae")
    host.device.ctrl_transfer(0x40, 0, 2, 1)
    host.write(b"\xaf\x87")
    assert host.read_once(512) == b"\xfa\xaf"


def test_leaving_mpsse_lets_go_of_the_pins_and_ends_the_frame() -> None:
    bench = in_memory_bench(contents=pattern(1 << 24))
    host = _host(bench)
    host.frame(b"\x06")
    host.write(bytes.fromhex("80000B 110700 02000000 00"))  # cut inside its data
    host.set_mode(0x000B)

    assert bench.adapter.pins.direction == 0, "the mask of mode 0 drives nothing"
    host.set_mode(0x0200)
    host.write(bytes.fromhex("8A 860000 80080B"))
    bench.time.wait_s(0.01)
    assert host.frame(b"\x03\0\0\0", 4) == b"\0" + pattern(1 << 24)[1:4]


def test_a_chip_nobody_selects_is_not_clocked_and_undriven_pins_are_recorded() -> None:
    bench = in_memory_bench()
    host = StreamHost.__new__(StreamHost)
    host.bench, host.device = bench, bench.device
    bench.device.set_configuration()
    host.set_mode(0x0200)
    host.write(bytes.fromhex("8A 860000 800000 1100009F 200200 87"))

    assert host.read(3) == b"\xff\xff\xff"
    assert not bench.adapter.pins.ever_driven
    assert bench.chip.opcode_counts == {}

    host.write(bytes.fromhex("80000A 1100009F 200200 80000B 87"))  # CS# and MOSI, but no SCK
    assert host.read(3) == b"\xff\xff\xff"
    assert bench.chip.opcode_counts == {}
    assert [change.direction for change in bench.adapter.pins.changes] == [0x0A, 0x0B]


def test_loopback_returns_what_was_sent() -> None:
    host = _host(in_memory_bench())

    host.write(b"\x84\x31\x04\x00hello\x85\x87")

    assert host.read(5) == b"hello"


def test_leaving_mpsse_resets_the_engine() -> None:
    """AN2232C-01: the engine is held in reset while it is off."""
    host = _host(in_memory_bench())
    host.write(b"\x84")
    host.set_mode(0x0000)
    host.set_mode(0x0200)

    host.write(bytes.fromhex("8A 860000 80080B 80000B 1100009F 200200 80080B 87"))

    assert host.read(3) == ID


def test_bit_commands_and_byte_commands_can_be_mixed() -> None:
    """9Fh sent as three bits and five, the ID read as four bits, two bytes, four bits."""
    bench = in_memory_bench()
    host = _host(bench)
    host.write(bytes.fromhex("80000B 13029F 1304F8 2203 240100 2203 80080B 87"))

    got = host.read(4)

    assert got[0] & 0x0F == 0xE
    assert got[1:3] == bytes.fromhex("F401")
    assert got[3] & 0x0F == 0x8
    assert bench.chip.complaints == []


def test_lsb_first_commands_mirror_every_byte() -> None:
    host = _host(in_memory_bench())

    host.write(b"\x80\x00\x0b\x19\x00\x00\xf9\x28\x02\x00\x80\x08\x0b\x87")

    assert host.read(3) == bytes.fromhex("F70218")


@pytest.mark.parametrize(
    ("stream", "seconds"),
    [
        ("8A 860000 8FFFFF", 65536 * 8 / 30e6),
        ("8A 860200 8FFFFF", 65536 * 8 / 10e6),
        ("8B 860000 8FFF0F", 4096 * 8 / 6e6),
        ("8A 860000 8C 8FFFFF", 65536 * 8 * 1.5 / 30e6),
    ],
)
def test_clocks_take_their_time(stream: str, seconds: float) -> None:
    """AN_108: 60 or 12 MHz over 2(1 + divisor); three-phase clocking takes half as long again."""
    bench = in_memory_bench(host_gap_us=0)
    host = _host(bench)
    start_s = bench.time.now_s()

    host.write(bytes.fromhex(stream) + b"\xaa\x87")
    host.device.ctrl_transfer(0x40, 0x09, 255, 1)
    host.read(2)

    assert bench.time.now_s() - start_s == pytest.approx(seconds, rel=0.01)


def test_an_unplugged_adapter_fails_every_call_with_enodev() -> None:
    bench = in_memory_bench()
    host = _host(bench)
    bench.adapter.unplug()

    for call in (
        lambda: host.write(b"\x87"),
        lambda: host.read_once(512),
        lambda: host.set_mode(0),
    ):
        with pytest.raises(USBError) as caught:
            call()
        assert (caught.value.errno, caught.value.backend_error_code) == (errno.ENODEV, -4)
    assert usb.core.find(backend=bench.backend) is None
