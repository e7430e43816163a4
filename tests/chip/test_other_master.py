"""A chip on a board whose own controller is awake: refused before any SPI line is driven."""

from dataclasses import dataclass, field

import pytest

import flashbench as fb
from flashbench.adapter import ExtraPins, open_adapter
from flashbench.adapter.listening import Heard
from flashbench.chip.identity import identify
from flashbench.chip.other_master import (
    BusInUse,
    held_low_sentence,
    listen_before_driving,
    other_master_sentence,
    refuse_other_master,
)
from flashbench.errors import ChipUntouched
from flashbench.rehearsal import in_memory_bench
from flashbench.rehearsal.faults import LineHeldLow, SecondMaster
from tests.builders.bench import SMALL, Board

SPI = 0x0B
POWER = 0x80


def test_another_master_is_refused_in_three_lines_and_nothing_is_driven() -> None:
    board = Board(SMALL)
    with board.visit(SecondMaster()) as visit:
        with pytest.raises(BusInUse) as refused:
            visit.identify()
        pins = visit.bench.adapter.pins
        assert not pins.ever_driven
        assert pins.contentions == 0

    state, seen, next_step = str(refused.value).splitlines()
    assert state == "The chip is untouched."
    assert seen.startswith("SCK, CS# and MOSI changed ")
    assert seen.endswith(" times while flashbench drove nothing: another chip is using this bus.")
    assert next_step == (
        "Take the board's own supply off, hold its controller in reset as its service manual says,"
        " or lift the chip."
    )
    assert not board.chip.opcode_counts
    assert board.contents == board.original


@pytest.mark.parametrize("every_us", [300.0, 1000.0, 7000.0])
@pytest.mark.parametrize("sck_hz", [50e3, 1e6, 12e6, 33.3e6])
def test_fast_or_slow_busy_or_not_it_is_heard(sck_hz: float, every_us: float) -> None:
    """Each sends for 250 us at least, unless it never rests."""
    master = SecondMaster(sck_hz=sck_hz, every_us=every_us, frame_bytes=int(250e-6 * sck_hz / 8))
    with Board(SMALL).visit(master) as visit, pytest.raises(BusInUse):
        visit.identify()


@pytest.mark.parametrize("line", ["SCK", "MOSI", "CS#"])
def test_a_line_held_low_is_a_doubt_and_no_refusal(line: str) -> None:
    with Board(SMALL).visit(LineHeldLow(line=line)) as visit:  # type: ignore[arg-type]
        chip = visit.identify()

    (doubt,) = [doubt for doubt in chip.doubts if "low" in doubt]
    assert doubt.startswith(f"{line} stands low while nothing here drives it: a pull-down")
    assert doubt in chip.facts()["doubts"]


def test_a_good_bench_raises_no_doubt_about_its_lines() -> None:
    with Board(SMALL).visit() as visit:
        assert visit.identify().held_low is None


def test_a_line_that_comes_to_rest_while_it_is_listened_to_is_listened_to_again() -> None:
    """As when a pull-up charges a long lead."""
    with in_memory_bench() as bench:
        with open_adapter(bench.device, time=bench.time) as adapter:
            rises_s = bench.time.now_s() + 0.01
        rising = LineHeldLow(line="CS#", until_s=rises_s)
    with (
        in_memory_bench(faults=[rising]) as bench,
        open_adapter(bench.device, time=bench.time) as adapter,
    ):
        chip = identify(adapter, supply_volts=3.3)
        drives_s = bench.adapter.pins.changes[0].at_s

    assert chip.held_low is None
    assert drives_s - rises_s > 0.03, "a whole second listening lies between"


def test_a_master_that_wakes_on_the_switched_supply_is_heard_before_any_line_is_driven() -> None:
    extra = ExtraPins(power=POWER, settle_s=0.25)
    with (
        in_memory_bench(supply_switch=POWER, faults=[SecondMaster(begins_s=0.1)]) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=extra) as adapter,
    ):
        with pytest.raises(BusInUse):
            identify(adapter, supply_volts=3.3)

        pins = bench.adapter.pins
        assert [change.direction for change in pins.changes] == [POWER, POWER, 0]
        assert pins.contentions == 0
        assert not bench.chip.powered


def test_a_live_board_does_not_get_the_switched_supply() -> None:
    extra = ExtraPins(power=POWER, settle_s=0.25)
    with (
        in_memory_bench(supply_switch=POWER, faults=[SecondMaster()]) as bench,
        open_adapter(bench.device, time=bench.time, extra_pins=extra) as adapter,
    ):
        with pytest.raises(BusInUse):
            identify(adapter, supply_volts=3.3)
        assert not bench.adapter.pins.ever_driven


def test_after_the_refusal_the_same_adapter_identifies_the_chip_of_a_board_laid_still() -> None:
    board = Board(SMALL)
    with board.visit(SecondMaster()) as visit, pytest.raises(BusInUse):
        visit.identify()
    with board.visit() as visit:
        assert visit.identify().jedec_id[:3] == SMALL.rdid


def test_a_master_that_wakes_after_the_listening_makes_no_backup() -> None:
    with Board(SMALL).visit(SecondMaster(begins_s=0.2, frame_bytes=256)) as visit:
        chip = visit.identify()
        visit.bench.time.wait_s(0.2)
        with pytest.raises(ChipUntouched):
            fb.read_twice(chip)


# --- the judgement alone ------------------------------------------------------------------------


def a_heard(*held_low: str, **changes: int) -> Heard:
    named = {{"CS": "CS#"}.get(line, line): count for line, count in changes.items()}
    return Heard(looks=1728, changes=named, held_low=held_low)


@dataclass
class ScriptedWire:
    """Hears what it is told to, and notes for which supply it was asked."""

    script: list[Heard | None]
    switches_supply: bool = False
    asked: list[bool] = field(default_factory=list)

    def listen(self, *, supply_on: bool) -> Heard | None:
        self.asked.append(supply_on)
        return self.script.pop(0)


def asked_of(*script: Heard | None, switches_supply: bool = False) -> tuple[list[bool], str | None]:
    wire = ScriptedWire(list(script), switches_supply)
    seen = listen_before_driving(wire)  # type: ignore[arg-type]
    assert wire.script == []
    return wire.asked, other_master_sentence(seen)


def test_one_change_of_a_line_is_looked_at_once_more_and_no_more() -> None:
    asked, sentence = asked_of(a_heard(CS=1, SCK=1), a_heard())
    assert (asked, sentence) == ([False, False], None)

    asked, sentence = asked_of(a_heard(CS=1), a_heard(CS=1))
    assert asked == [False, False]
    assert sentence is not None
    assert sentence.startswith("CS# changed 1 time while flashbench drove nothing: ")


def test_two_changes_of_a_line_are_enough() -> None:
    asked, sentence = asked_of(a_heard(MOSI=2))

    assert asked == [False]
    assert sentence is not None
    assert "another chip is using this bus, or leads without pull-ups pick" in sentence


def test_few_changes_leave_open_who_made_them_and_name_the_pull_up() -> None:
    with pytest.raises(BusInUse) as refused:
        refuse_other_master(a_heard(SCK=4, CS=4))

    assert "SCK and CS# changed 8 times" in refused.value.seen
    assert "10 kOhm from CS# to VCC" in refused.value.next_step


def test_miso_alone_is_nobodys_clock() -> None:
    assert asked_of(a_heard(MISO=400)) == ([False], None)


def test_driven_lines_are_not_judged() -> None:
    assert asked_of(None) == ([False], None)
    assert held_low_sentence(None) is None
    refuse_other_master(None)


def test_a_switched_supply_is_listened_to_off_and_on() -> None:
    assert asked_of(a_heard("SCK"), a_heard(), switches_supply=True) == ([False, True], None)
    asked, sentence = asked_of(a_heard(SCK=20), switches_supply=True)
    assert asked == [False]
    assert sentence is not None


def test_several_lines_held_low_are_named_together() -> None:
    sentence = held_low_sentence(a_heard("SCK", "MOSI", "MISO"))

    assert sentence is not None
    assert sentence.startswith("SCK and MOSI stand low while nothing here drives it: ")
