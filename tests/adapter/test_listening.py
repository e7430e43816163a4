"""Looking at the lines before any is driven: what is sent, what is seen, and what stays off.

Command bytes and their operands are those of FTDI AN_108: 81h reads the low byte of the pins, 8Fh
clocks without moving data.
"""

import pytest

from flashbench.adapter import ExtraPins, open_adapter
from flashbench.adapter.listening import LISTENING_HZ, heard, look_stream
from flashbench.adapter.mpsse import FIFO_RESERVE
from flashbench.errors import AdapterGone
from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.rehearsal.faults import LineHeldLow, SecondMaster, Unplug
from flashbench.rehearsal.usb_device import AdapterChip

SMALLEST_FIFO = 1024  # of the FT232H, by FTDI's data sheet
POWER = 0x80


def commands(stream: bytes) -> list[bytes]:
    """The stream cut into its commands."""
    cut = []
    at = 0
    while at < len(stream):
        length = {0x81: 1, 0x8F: 3}[stream[at]]
        cut.append(stream[at : at + length])
        at += length
    return cut


def test_a_listening_only_looks_and_lets_time_pass_and_never_fills_the_reply_fifo() -> None:
    stream, looks, seconds = look_stream()

    sent = commands(stream)
    assert sum(command == b"\x81" for command in sent) == looks
    assert looks + 1 <= SMALLEST_FIFO - FIFO_RESERVE
    clocks = sum(8 * (int.from_bytes(c[1:], "little") + 1) for c in sent if c[0] == 0x8F)
    assert seconds == pytest.approx(clocks / LISTENING_HZ, rel=0.05)
    assert 0.010 < seconds < 0.025


def test_changes_are_counted_line_by_line_and_other_pins_do_not_count() -> None:
    # SCK bit 0, MOSI bit 1, MISO bit 2, CS# bit 3 (pyftdi's pin-out page)
    levels = bytes([0b1111, 0b1110, 0b1111, 0b0111, 0b1111_0111])

    seen = heard(levels)

    assert seen.looks == 5
    assert seen.changes == {"SCK": 2, "CS#": 1}
    assert seen.held_low == ()


def test_a_line_is_held_low_only_if_it_is_low_in_every_look() -> None:
    assert heard(b"\x0e" * 9).held_low == ("SCK",)
    assert heard(b"\x0e" * 9 + b"\x0f").held_low == ()
    assert heard(b"").held_low == ()


@pytest.mark.parametrize("chip", ["FT232H", "FT2232H", "FT4232H"])
def test_lines_that_nobody_drives_are_still_and_listening_drives_none(chip: AdapterChip) -> None:
    with (
        in_memory_bench(adapter=chip) as bench,
        open_adapter(bench.device, time=bench.time) as adapter,
    ):
        begun_s, transfers = bench.time.now_s(), bench.adapter.bulk_transfers
        seen = adapter._wire.listen(supply_on=True)

        assert seen is not None
        assert (seen.changes, seen.held_low) == ({}, ())
        assert seen.looks > 1000
        assert 0.020 < bench.time.now_s() - begun_s < 0.050
        assert bench.adapter.bulk_transfers - transfers <= 6
        assert not bench.adapter.pins.ever_driven


def listened_to(bench: Bench) -> dict[str, int]:
    with open_adapter(bench.device, time=bench.time) as adapter:
        seen = adapter._wire.listen(supply_on=False)
    assert seen is not None
    return seen.changes


@pytest.mark.parametrize("phase", range(40))
def test_a_frame_that_lasts_longer_than_a_gap_is_never_missed(phase: int) -> None:
    """200 us of CS# low every 13 ms, wherever they fall."""
    master = SecondMaster(sck_hz=10e6, frame_bytes=250, every_us=13e3, begins_s=-phase * 325e-6)
    with in_memory_bench(faults=[master]) as bench:
        changes = listened_to(bench)

    assert changes["CS#"] >= 2
    assert changes["SCK"] >= 1


def test_while_the_pins_are_driven_there_is_nothing_to_listen_to() -> None:
    with (
        in_memory_bench(faults=[LineHeldLow(line="SCK")]) as bench,
        open_adapter(bench.device, time=bench.time) as adapter,
    ):
        adapter._wire.drive_pins()
        assert adapter._wire.listen(supply_on=False) is None
        adapter._wire.release_pins()
        again = adapter._wire.listen(supply_on=False)
        assert again is not None
        assert again.held_low == ("SCK",)


def test_a_supply_turned_on_to_listen_is_off_again_when_the_pins_are_let_go() -> None:
    extra = ExtraPins(power=POWER, settle_s=0.25)
    with (
        in_memory_bench(supply_switch=POWER) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=extra) as adapter,
    ):
        adapter._wire.listen(supply_on=False)
        assert not bench.adapter.pins.ever_driven
        adapter._wire.listen(supply_on=True)
        assert bench.adapter.pins.direction == POWER, "the switch alone"
        assert bench.chip.powered
        adapter._wire.release_pins()
        assert bench.adapter.pins.direction == 0
        assert not bench.chip.powered


def test_an_adapter_lost_while_listening_is_told() -> None:
    with (
        in_memory_bench() as bench,
        open_adapter(bench.device, time=bench.time) as adapter,
    ):
        bench.adapter.faults._unplugs = (Unplug(at_transfer=bench.adapter.bulk_transfers + 3),)
        with pytest.raises(AdapterGone, match="left the USB while its lines were looked at"):
            adapter._wire.listen(supply_on=False)
