"""The adapter code on the rehearsal's virtual USB, whose FIFOs fill and whose time is modelled.

Nothing here is a measurement of hardware: MB/s are those of the rehearsal's timing model.
"""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings

from flashbench.adapter import find_adapters, open_adapter, open_url, prove_by_loopback
from flashbench.adapter._frame import Frame
from flashbench.errors import AdapterError, AdapterUnavailable
from flashbench.rehearsal import create_bench, in_memory_bench
from flashbench.rehearsal.faults import StaleReply, Unplug
from flashbench.rehearsal.usb_device import AdapterChip
from tests.adapter.test_mpsse import frames_of_any_kind
from tests.adapter.test_wire import run
from tests.builders.frames import frame

READ_ID = frame(b"\x9f", reply_size=3)
WREN, STATUS = frame(b"\x06"), frame(b"\x05", reply_size=1)
CHIPS: tuple[AdapterChip, ...] = ("FT232H", "FT2232H", "FT4232H")


class Echo:
    """A target that answers with the count of bytes since chip select fell, and remembers."""

    answering = False

    def __init__(self) -> None:
        self.frames: list[bytes] = []
        self._out = bytearray()
        self._at = 0

    def select(self, at_s: float) -> None:
        self._out, self._at = bytearray(), 0

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        self._out += data

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        start = self._at % 256
        self._at += count
        return (bytes(range(256)) * (count // 256 + 2))[start : start + count]

    def deselect(self, at_s: float, stray_bits: int) -> None:
        assert stray_bits == 0
        self.frames.append(bytes(self._out))


@pytest.mark.parametrize("chip", CHIPS)
def test_a_chip_is_identified(chip: AdapterChip) -> None:
    """EF 40 18 is Winbond's W25Q128JV by its datasheet, table "Manufacturer and Device ID"."""
    with (
        in_memory_bench(part="W25Q128JV", adapter=chip) as bench,
        open_adapter(bench.device, time=bench.time) as adapter,
    ):
        assert not bench.adapter.pins.ever_driven
        adapter._wire.drive_pins()
        assert run(adapter, [READ_ID]) == bytes.fromhex("ef4018")
        adapter.close()
        assert bench.adapter.pins.direction == 0


@pytest.mark.parametrize("chip", CHIPS)
@settings(max_examples=15, deadline=None)
@given(frames=frames_of_any_kind)
def test_no_list_of_frames_can_fill_both_fifos(chip: AdapterChip, frames: list[Frame]) -> None:
    echo = Echo()
    with (
        in_memory_bench(chip=echo, adapter=chip) as bench,
        open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        adapter._wire.drive_pins()
        into = run(adapter, frames)

    assert echo.frames == [f.out for f in frames]
    expected = b"".join(
        (bytes(range(256)) * (f.reply_size // 256 + 1))[: f.reply_size] for f in frames
    )
    assert into == expected


def test_reading_keeps_the_wire_busy() -> None:
    """Design goal: at least 0.98 of SCK / 8 on an FT232H at 30 MHz with a host gap of 125 us."""
    with (
        in_memory_bench(contents=bytes(range(256)) * 65536, host_gap_us=125) as bench,
        open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        adapter._wire.drive_pins()
        begun_s = bench.time.now_s()
        into = run(adapter, [frame(bytes.fromhex("0b00000000"), reply_size=16 << 20)])
        seconds = bench.time.now_s() - begun_s

    assert into == bytes(range(256)) * 65536
    assert (16 << 20) / seconds >= 0.98 * 30e6 / 8


def test_pages_are_programmed_with_the_engine_never_waiting_for_the_host() -> None:
    """Design goal: at least 0.95 of wire + tPP."""
    program_us = 700
    page = [WREN, STATUS, frame(b"\x02\0\0\0" + bytes(256), wait_us=program_us), STATUS]
    with (
        in_memory_bench(chip=Echo(), host_gap_us=125) as bench,
        open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        adapter._wire.drive_pins()
        begun_s = bench.time.now_s()
        run(adapter, page * 1024)
        seconds = bench.time.now_s() - begun_s

    wire_s = 8 * sum(len(f.out) + f.reply_size for f in page) / 30e6
    assert 1024 * (wire_s + program_us / 1e6) / seconds >= 0.95


@pytest.mark.parametrize("clock_hz", [458, 9600, 100_000, 255_000, 1_000_000])
def test_slow_clocks_work_though_the_latency_timer_cuts_packets_short(clock_hz: int) -> None:
    with (
        in_memory_bench(chip=Echo()) as bench,
        open_adapter(bench.device, clock_hz=clock_hz, time=bench.time) as adapter,
    ):
        adapter._wire.drive_pins()
        into = run(adapter, [frame(b"\x03\0\0\0", reply_size=2000), WREN, STATUS])

    assert into == (bytes(range(256)) * 8)[:2000] + b"\x00"


def test_loopback_proves_the_rehearsal_adapter_and_drives_no_pin() -> None:
    with (
        in_memory_bench() as bench,
        open_adapter(bench.device, clock_hz=15_000_000, time=bench.time) as adapter,
    ):
        proof = prove_by_loopback(adapter)

        assert proof.passed, proof.sentences()
        assert not bench.adapter.pins.ever_driven


def test_at_every_transfer_an_unplugged_adapter_says_what_the_chip_has_seen() -> None:
    frames = [READ_ID, *([WREN, frame(b"\x02\0\0\0" + bytes(256), wait_us=700), STATUS] * 150)]
    with in_memory_bench() as bench, open_adapter(bench.device, time=bench.time):
        opening = bench.adapter.bulk_transfers
    at, done = opening + 2, False  # the first after opening turns the pins on: OUT, IN
    failures = 0
    while not done:
        at += 1
        echo = Echo()
        fault = Unplug(at_transfer=at, part=0.5)
        with (
            in_memory_bench(chip=echo, faults=[fault]) as bench,
            open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
        ):
            adapter._wire.drive_pins()
            try:
                run(adapter, frames)
                done = True
            except AdapterError as error:
                failures += 1
                assert error.frames_surely_ran <= len(echo.frames), (at, error)
                assert len(echo.frames) <= error.frames_may_have_run + 1, (at, error)
    assert failures >= 6


def test_a_stale_byte_anywhere_is_an_error_and_never_wrong_data() -> None:
    frames = [frame(b"\x03\0\0\0", reply_size=3000), STATUS]
    with in_memory_bench() as bench, open_adapter(bench.device, time=bench.time):
        opening = bench.adapter.bulk_transfers
    outcomes = []
    for at in range(opening + 1, opening + 9):
        with (
            in_memory_bench(chip=Echo(), faults=[StaleReply(at_transfer=at)]) as bench,
            open_adapter(bench.device, time=bench.time) as adapter,
        ):
            try:
                adapter._wire.drive_pins()
                assert run(adapter, frames) == (bytes(range(256)) * 12)[:3000] + b"\x00"
                outcomes.append("good")
            except AdapterError:
                outcomes.append("refused")
    assert outcomes.count("refused") >= 3, outcomes


def test_a_rehearsal_opens_by_name_and_is_called_one(tmp_path: Path) -> None:
    create_bench(tmp_path / "bench", part="W25Q128JV").close()

    with open_url(f"rehearsal:{tmp_path / 'bench'}") as adapter:
        adapter._wire.drive_pins()
        assert run(adapter, [READ_ID]) == bytes.fromhex("ef4018")
        assert adapter.facts.url == f"rehearsal:{tmp_path / 'bench'}"
        with pytest.raises(AdapterUnavailable, match="Another program is using"):
            open_url(f"rehearsal:{tmp_path / 'bench'}")
    with open_url(f"rehearsal:{tmp_path / 'bench'}") as again:
        assert again.facts.chip == "FT232H"


def test_a_rehearsal_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AdapterUnavailable, match=r"No rehearsal bench opens in the folder"):
        open_url(f"rehearsal:{tmp_path / 'nothing'}")


def test_the_rehearsal_adapter_is_listed_like_any_other() -> None:
    with in_memory_bench() as bench:
        (found,) = find_adapters(backend=bench.backend)

    assert found.opens
    assert "no hardware" in found.product


def test_importing_the_adapter_does_not_load_the_rehearsal() -> None:
    program = "import sys, flashbench.adapter; print('flashbench.rehearsal' in sys.modules)"
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )

    assert answer.stdout.strip() == "False"
