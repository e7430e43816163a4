"""First contact: what is asked of a chip, what is refused, and when pins become outputs."""

from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.chip._read_frames import Register
from flashbench.errors import AdapterError, ChipUntouched
from flashbench.rehearsal import load_part
from flashbench.rehearsal.faults import (
    FloatingMiso,
    IntermittentContact,
    LeftBusy,
    LeftIn4ByteMode,
    LeftPoweredDown,
    MirroredBits,
    MisoFlips,
    MisoOnMosi,
    MisoSettlesLate,
    NoChip,
    ShiftedBits,
)
from tests.builders.bench import SMALL, TINY, Board, firmware

SAFE_AT_FIRST = {0x05, 0x9F, 0x5A, 0xAB}
"""Commands that are safe on every chip, whatever it is."""


def test_identify_changes_nothing_and_sends_only_reads() -> None:
    board = Board(load_part("W25Q128JV"))
    with board.visit() as visit:
        chip = visit.identify()

    assert board.chip.change_count == board.chip.mode_change_count == 0
    assert board.chip.complaints == []
    assert set(board.chip.opcode_counts) <= {0x05, 0x9F, 0x5A, 0x35, 0x15, 0x4B, 0x48}
    assert chip.jedec_id.hex(" ") == "ef 40 18 00 00 00"
    assert "W25Q128JV-IQ" in chip.profile.parts
    assert chip.profile.density_bytes == 1 << 24
    assert chip.unique_id == bytes.fromhex("C0FFEE0123456789")
    assert not chip.woken


def test_an_unknown_chip_is_asked_only_what_is_safe_on_every_chip() -> None:
    board = Board(TINY)
    with board.visit() as visit:
        visit.identify()

    assert set(board.chip.opcode_counts) <= SAFE_AT_FIRST


def test_pins_are_outputs_only_between_identify_and_close() -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        assert not visit.bench.adapter.pins.ever_driven
        visit.identify()
        assert visit.bench.adapter.pins.direction & 0x0B == 0x0B, "SCK, MOSI, CS#"
        visit.adapter.close()
        assert visit.bench.adapter.pins.direction == 0


def test_a_supply_that_the_marking_forbids_is_refused_before_a_pin_is_driven() -> None:
    board = Board(SMALL)
    with board.visit() as visit, pytest.raises(ChipUntouched) as refused:
        visit.identify(supply_volts=3.3, marking="W25Q64JWSIQ")

    assert "A chip marked" in refused.value.seen
    assert "but the bench is declared to supply 3.30 V" in refused.value.seen
    assert not visit.bench.adapter.pins.ever_driven
    assert not board.chip.opcode_counts


def test_a_supply_above_what_any_part_takes_is_refused_before_a_pin_is_driven() -> None:
    board = Board(load_part("W25Q128JV"))
    with board.visit() as visit, pytest.raises(ChipUntouched) as refused:
        visit.identify(supply_volts=5.0)

    assert refused.value.state == (
        "No cell of the chip was changed, but its bench supplies 5.00 V."
    )
    assert refused.value.seen == (
        "The bench is declared to supply 5.00 V, and no part that is known takes more than 3.60 V."
        " No pin was driven."
    )
    assert "Switch the supply off at once" in refused.value.next_step
    assert not visit.bench.adapter.pins.ever_driven
    assert not board.chip.opcode_counts


def test_a_wrong_supply_is_refused_and_the_pins_go_off_at_once() -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        with pytest.raises(ChipUntouched) as refused:
            visit.identify(supply_volts=3.3)
        assert visit.bench.adapter.pins.direction == 0

    assert "takes 1.65 to 1.95 V" in refused.value.seen
    assert "declared to supply 3.30 V" in refused.value.seen
    assert "Switch the supply off at once" in refused.value.next_step
    assert refused.value.state == (
        "No cell of the chip was changed, but its bench supplies 3.30 V."
    )
    assert refused.value.exit_status == 3
    assert board.chip.change_count == 0


def test_a_marking_of_another_part_is_refused() -> None:
    board = Board(load_part("W25Q128JV"))
    with board.visit() as visit, pytest.raises(ChipUntouched) as refused:
        visit.identify(marking="MX25L12835F")

    assert "The marking reads as Macronix MX25L12835F" in refused.value.seen
    assert "but this chip answers EF 40 18" in refused.value.seen
    assert "re-marked" in refused.value.next_step


def test_the_supply_has_no_default() -> None:
    with Board(SMALL).visit() as visit, pytest.raises(TypeError, match="supply_volts"):
        fb.identify(visit.adapter)  # type: ignore[call-arg]


@pytest.mark.parametrize("level", [0, 1])
def test_a_line_that_reaches_nobody_is_no_chip(level: int) -> None:
    with (
        Board(SMALL).visit(FloatingMiso(level=1 if level else 0)) as visit,
        pytest.raises(
            ChipUntouched, match=f"No chip answers: the ID reads {'ff' if level else '00'} "
        ) as refused,
    ):
        visit.identify()

    assert "Check pin 1" in refused.value.next_step


def test_an_empty_socket_is_no_chip() -> None:
    with Board(SMALL).visit(NoChip()) as visit, pytest.raises(ChipUntouched, match="No chip"):
        visit.identify()


@pytest.mark.parametrize(
    "fault",
    [IntermittentContact(rate=0.2, seed=1), MisoFlips(rate=0.01, seed=1)],
    ids=["contact comes and goes", "bits flip"],
)
def test_an_id_that_is_not_stable_is_refused(fault: IntermittentContact | MisoFlips) -> None:
    board = Board(SMALL)
    with (
        board.visit(fault) as visit,
        pytest.raises(ChipUntouched, match="The ID is not stable over 16 reads") as refused,
    ):
        visit.identify()

    assert "Press the chip into the socket again" in refused.value.next_step
    assert board.chip.change_count == 0


def test_an_id_that_is_wrong_at_the_full_clock_only_is_refused() -> None:
    fault = MisoSettlesLate(above_hz=20e6, swing=4)
    with (
        Board(SMALL).visit(fault) as visit,
        pytest.raises(ChipUntouched, match="At 30 MHz the ID reads") as refused,
    ):
        visit.identify()

    assert "Lower --clock" in refused.value.next_step


@pytest.mark.parametrize(
    "fault",
    [MirroredBits(), ShiftedBits(direction="late"), ShiftedBits(direction="early"), MisoOnMosi()],
    ids=repr,
)
def test_spoiled_lines_are_never_taken_for_a_chip(
    fault: MirroredBits | ShiftedBits | MisoOnMosi,
) -> None:
    for part in (SMALL, load_part("W25Q128JV"), load_part("MX25L12835F")):
        board = Board(part)
        with board.visit(fault) as visit, pytest.raises(ChipUntouched):
            visit.identify()
        assert board.chip.change_count == 0


def test_a_status_register_that_contradicts_the_id_is_refused() -> None:
    """A busy chip would not have answered 9Fh."""
    board = Board(SMALL)
    with board.visit() as visit:
        board.chip.status_byte = lambda: 0xFF  # type: ignore[method-assign]
        board.chip._commands[0x05].run = lambda address, data, at_s: board.chip.answer_fresh(
            lambda: 0xFF
        )
        with pytest.raises(ChipUntouched, match=r"yet reports busy \(status FFh\): one of"):
            visit.identify()


def test_a_chip_in_deep_power_down_is_woken_and_left_as_it_was_found() -> None:
    board = Board(SMALL, lasting=(LeftPoweredDown(),))
    with board.visit() as visit:
        chip = visit.identify()
        assert chip.woken
        assert chip.jedec_id[:3].hex() == "ef5014"

    assert board.chip.state()["powered_down"]


def test_a_chip_that_was_woken_and_is_refused_sleeps_again() -> None:
    board = Board(SMALL, lasting=(LeftPoweredDown(),))
    with board.visit() as visit, pytest.raises(ChipUntouched, match=r"takes 1\.65 to 1\.95 V"):
        visit.identify(supply_volts=3.3)

    assert board.chip.state()["powered_down"]


def test_a_busy_chip_is_asked_nothing_but_its_status_until_it_is_idle() -> None:
    board = Board(SMALL, lasting=(LeftBusy(seconds=2.5),))
    with board.visit() as visit:
        visit.identify()

    assert board.chip.complaint_counts()["while busy"] == 0


def test_a_chip_that_stays_busy_is_refused() -> None:
    board = Board(SMALL, lasting=(LeftBusy(seconds=60),))
    with (
        board.visit() as visit,
        pytest.raises(ChipUntouched, match=r"reports busy \(status 01h\) for longer than 10 s"),
    ):
        visit.identify()


@pytest.mark.parametrize("part", ["W25Q256FV", "W25Q256JV", "MX25U25645G", "MT25QU256A"])
@pytest.mark.parametrize("left", [(), (LeftIn4ByteMode(),)], ids=["3-byte", "4-byte"])
def test_the_address_mode_is_seen_and_left_as_found(
    part: str, left: tuple[LeftIn4ByteMode, ...]
) -> None:
    board = Board(load_part(part), lasting=left)
    with board.visit() as visit:
        chip = visit.identify()
        assert chip.is_in_4byte_mode() is bool(left)
        assert fb.read_twice(chip).image == board.original

    assert board.chip.four_byte_mode is bool(left)
    assert board.chip.change_count == 0


def test_a_chip_with_no_source_for_its_size_is_refused() -> None:
    """EFh 40h 10h stands in no table; without SFDP nobody says how large it is."""

    board = Board(replace(TINY, sfdp=b""))
    with board.visit() as visit, pytest.raises(ChipUntouched, match="Neither the table nor an SF"):
        visit.identify()


def test_an_unplugged_adapter_is_an_adapter_error(tmp_path: Path) -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        visit.bench.adapter.unplug()
        with pytest.raises(AdapterError, match="left the USB") as failed:
            visit.identify()

    assert failed.value.exit_status == 5


def test_what_is_known_of_a_chip_is_plain_data() -> None:
    with Board(load_part("W25Q128JV")).visit() as visit:
        facts = visit.identify().facts()

    assert facts["jedec_id"] == "ef4018000000"
    assert facts["density_bytes"] == 1 << 24
    assert facts["unique_id"] == "c0ffee0123456789"
    assert facts["registers"].items() >= {"STATUS_1": 0, "STATUS_2": 0, "STATUS_3": 0x60}.items()
    assert facts["supply"]["declared_volts"] == 3.3


def test_write_enable_and_busy_are_no_part_of_a_registers_value() -> None:
    board = Board(SMALL)
    board.chip.preset_register("SR1", 0x1C)
    with board.visit() as visit:
        board.chip._wel = True
        chip = visit.identify()

    assert chip.registers[Register.STATUS_1] == 0x1C


def test_the_small_parts_contents_are_what_tests_think_they_are() -> None:
    """The builder's noise repeats nowhere: its halves differ, and every bit moves."""
    image = firmware(1 << 20)
    assert image[: 1 << 19] != image[1 << 19 :]
    assert image.count(b"\xff" * 0x1000) == 32
