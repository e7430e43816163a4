"""WP#, HOLD# and a switched supply on the port's free pins, as the virtual device sees them."""

import pytest

from flashbench.adapter import ExtraPins, open_adapter, pin_mask
from flashbench.chip.identity import identify
from flashbench.errors import AdapterUnavailable, ChipUntouched
from flashbench.rehearsal import in_memory_bench
from flashbench.rehearsal.usb_device import AdapterChip
from tests.builders.frames import frame

SPI = 0x0B
"""SCK, MOSI and CS#, which are outputs; MISO never is."""
WP, HOLD, POWER = 0x10, 0x20, 0x80
SWITCHED = ExtraPins(held_high=WP | HOLD, power=POWER, settle_s=0.25)


def test_pins_stay_inputs_until_the_supply_is_declared() -> None:
    with (
        in_memory_bench(supply_switch=POWER) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=SWITCHED),
    ):
        assert not bench.adapter.pins.ever_driven
        assert not bench.chip.powered


def test_the_supply_is_on_and_settled_before_any_signal_and_off_after_the_last() -> None:
    with in_memory_bench(supply_switch=POWER) as bench:
        with open_adapter(bench.device, time=bench.time, extra_pins=SWITCHED) as adapter:
            chip = identify(adapter, supply_volts=3.3)
            assert bench.chip.powered
            assert bench.adapter.pins.level & (WP | HOLD) == WP | HOLD
        assert chip.jedec_id[:3] == bytes.fromhex("ef4018")
        assert not bench.chip.powered
        changes = bench.adapter.pins.changes

    # direction, and the level of the pin that switches the supply
    assert [(change.direction, change.level & POWER) for change in changes] == [
        (POWER, POWER),
        (SPI | WP | HOLD | POWER, POWER),
        (POWER, POWER),
        (POWER, 0),
        (0, 0),
    ]
    on, signals, signals_off, off, last = (change.at_s for change in changes)
    assert signals - on >= 0.25
    assert last - off >= 0.25
    assert signals < signals_off <= off


def test_an_erase_left_under_way_is_over_before_the_supply_goes_off() -> None:
    with in_memory_bench(contents=bytes(16 << 20), supply_switch=POWER) as bench:
        with open_adapter(bench.device, time=bench.time, extra_pins=SWITCHED) as adapter:
            identify(adapter, supply_volts=3.3)
            begun = [frame(b"\x06"), frame(bytes.fromhex("20000000"))]
            adapter._wire.run(begun, sck_hz=1_000_000, into=memoryview(bytearray()))
        assert not bench.chip.powered

        assert bench.chip.contents[:4096] == b"\xff" * 4096, "not torn"
        assert bench.chip.contents[4096:8192] == bytes(4096)


def test_a_refused_supply_leaves_it_switched_off() -> None:
    with (
        in_memory_bench(supply_switch=POWER) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=SWITCHED) as adapter,
    ):
        with pytest.raises(ChipUntouched):
            identify(adapter, supply_volts=1.8)
        assert bench.adapter.pins.direction == 0
        assert not bench.chip.powered


def test_a_switch_on_an_xcbus_pin_works_too() -> None:
    power = pin_mask("C3")
    assert power == 0x0800
    extra = ExtraPins(held_high=WP, power=power, settle_s=0.01)
    with in_memory_bench(adapter="FT2232H", supply_switch=power) as bench:
        with open_adapter(bench.device, time=bench.time, extra_pins=extra) as adapter:
            assert identify(adapter, supply_volts=3.3).jedec_id[:3] == bytes.fromhex("ef4018")
        directions = [change.direction for change in bench.adapter.pins.changes]

    assert directions[0] == power
    assert directions[-1] == 0
    assert all(direction & ~(SPI | WP | power) == 0 for direction in directions)


def test_an_adapter_without_xcbus_pins_refuses_them() -> None:
    chip: AdapterChip = "FT4232H"
    with (
        in_memory_bench(adapter=chip) as bench,
        pytest.raises(AdapterUnavailable, match="has no xCBUS pins, and the bench file names one"),
    ):
        open_adapter(bench.device, time=bench.time, extra_pins=ExtraPins(power=0x0100))


def test_after_a_resync_the_supply_is_settled_again_before_any_signal() -> None:
    with (
        in_memory_bench(supply_switch=POWER) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=SWITCHED) as adapter,
    ):
        identify(adapter, supply_volts=3.3)
        seen = len(bench.adapter.pins.changes)
        adapter._wire.resynchronise()
        changes = bench.adapter.pins.changes[seen:]
        assert bench.chip.powered
        assert identify(adapter, supply_volts=3.3).jedec_id[:3] == bytes.fromhex("ef4018")

    directions = [change.direction for change in changes]
    assert directions == [0, POWER, SPI | WP | HOLD | POWER]
    assert changes[2].at_s - changes[1].at_s >= 0.25


def test_pins_that_are_not_free_have_no_name() -> None:
    assert [pin_mask(name) for name in ("D4", "D7", "C0", "C7")] == [0x10, 0x80, 0x100, 0x8000]
    assert [pin_mask(name) for name in ("D0", "D3", "D8", "E1", "d4", "")] == [None] * 6


@pytest.mark.parametrize(
    "pins",
    [
        {"held_high": 0x08},
        {"power": 0x30},
        {"power": 0x10, "held_high": 0x10},
        {"settle_s": 6.0},
        {"settle_s": float("nan")},
    ],
)
def test_pins_that_contradict_each_other_are_refused(pins: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"free|one pin|settles"):
        ExtraPins(**pins)  # type: ignore[arg-type]
