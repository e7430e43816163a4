"""Each fault of the bench is told by its name, and a good contact by none of them.

The names and pictures are those of `hardware_notes/contact.md`; the faults are the rehearsal
bench's. Which cause is likely for a picture is common practice, from memory.
"""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import pytest

from flashbench.adapter import Adapter, open_adapter
from flashbench.chip.contact import ContactCheck, Look, check_contact, find_clock, watch
from flashbench.chip.diagnosis import Finding
from flashbench.chip.identity import identify
from flashbench.chip.profile import Address
from flashbench.errors import ChipUntouched, ReadsUnsteady
from flashbench.rehearsal import Bench, NorPart, in_memory_bench, load_part
from flashbench.rehearsal import faults as f
from flashbench.rehearsal.other_drivers import OtherDrivers
from flashbench.rehearsal.spi_target import EmptySocket

NOTES = Path(__file__).parents[2] / "hardware_notes" / "contact.md"
SMALL = load_part("TINY64K")
SUPPLY = {"MT25QU256A": 1.8, "MX25U25645G": 1.8, "W25Q64JW": 1.8, "S25FS256T": 1.8}
WRITE_ENABLES = (0x06, 0x50)


TINIER = replace(  # the density in DWORD 2 of its SFDP is bits - 1 (JESD216)
    SMALL,
    density_bytes=1 << 14,
    sfdp=SMALL.sfdp.replace(bytes.fromhex("ffff0700"), bytes.fromhex("ffff0100")),
)


def noise(size: int, seed: int = 1) -> bytes:
    return Random(seed).randbytes(size)


@contextmanager
def opened(bench: Bench, *, clock_hz: int = 30_000_000) -> Iterator[Adapter]:
    with open_adapter(bench.device, clock_hz=clock_hz, time=bench.time) as adapter:
        yield adapter


def a_bench(*faults: f.Fault, part: str | NorPart = SMALL, contents: bytes | None = None) -> Bench:
    size = (load_part(part) if isinstance(part, str) else part).density_bytes
    return in_memory_bench(
        part=part, contents=noise(size) if contents is None else contents, faults=faults
    )


def checked(bench: Bench, *, volts: float = 3.3, marking: str | None = None) -> ContactCheck:
    with opened(bench) as adapter:
        return check_contact(
            adapter, supply_volts=volts, marking=marking, supply_confirmed_by_user=True
        )


@dataclass(frozen=True)
class Row:
    """One fault, the finding it must get, and a word that the sentences must contain."""

    fault: tuple[f.Fault, ...]
    finding: Finding
    says: str
    stable: bool = False
    part: str | NorPart = SMALL

    def __str__(self) -> str:
        return f"{', '.join(map(repr, self.fault))} is {self.finding}"


HALF_A_CHIP = replace(load_part("W25Q64JW"), density_bytes=1 << 22)
ROWS = (
    Row((), Finding.GOOD, "repeated reads agree", stable=True),
    Row((f.NoChip(),), Finding.FLOATING, "nobody drives SO"),
    Row((f.FloatingMiso(level=1),), Finding.FLOATING, "nobody drives SO"),
    Row((f.IntermittentContact(rate=1.0),), Finding.FLOATING, "CS# open"),
    Row((f.FloatingMiso(level=0),), Finding.SHORTED, "held low"),
    Row((f.MisoOnMosi(),), Finding.SHORTED, "SI and SO are bridged"),
    Row((f.ShiftedBits(direction="late"),), Finding.BIT_SHIFTED, "late: EF 40 10"),
    Row((f.ShiftedBits(direction="early"),), Finding.BIT_SHIFTED, "early"),
    Row(
        (f.ShiftedBits(direction="late"),),
        Finding.BIT_SHIFTED,
        "late: C8 40 18 arrives as E4 20 0C",
        part="GD25Q128C",
    ),
    Row((f.MirroredBits(),), Finding.BIT_REVERSED, "EF 40 10 arrives as F7 02 08"),
    Row((f.StuckAddressBit(bit=15),), Finding.MIRRORED, "every 32,768 bytes", stable=True),
    Row((f.StuckAddressBit(bit=14),), Finding.GOOD, "agree", stable=True),
    Row((), Finding.MIRRORED, "of 8,388,608 claimed", stable=True, part=HALF_A_CHIP),
    Row((f.IntermittentContact(rate=0.3, seed=1),), Finding.INTERMITTENT, "not answered at all"),
    Row((f.IntermittentContact(rate=0.01, seed=4),), Finding.INTERMITTENT, "other addresses"),
    Row((f.MisoFlips(rate=0.02, seed=2),), Finding.INTERMITTENT, "reads of the ID differ"),
    Row((f.MisoFlips(rate=1e-5, seed=3),), Finding.INTERMITTENT, "other addresses"),
    Row((f.MisoFlips(rate=1e-4, seed=3),), Finding.INTERMITTENT, "(SFDP) differ"),
    Row((f.MosiFlips(rate=0.02, seed=5),), Finding.INTERMITTENT, "reads of the ID differ"),
    Row((f.UnstableCells(start=0, length=65536, bits=3),), Finding.WEAK_CELLS, "same addresses"),
    Row((f.UnstableCells(start=0x5000, length=1, bits=1),), Finding.WEAK_CELLS, "00500"),
    Row((f.MisoFlips(rate=1e-3, above_hz=20e6),), Finding.GOOD, "At 30 MHz they do not", True),
    Row((f.MisoSettlesLate(above_hz=12e6),), Finding.GOOD, "too fast for these leads", True),
    Row((f.LeftPoweredDown(),), Finding.POWER_DOWN, "released from deep power-down", True),
    Row((f.LeftInContinuousRead(),), Finding.CONTINUOUS_READ, "takes no opcode", True),
    Row((f.LeftBusy(seconds=60.0),), Finding.BUSY, "says busy (01h)"),
    Row((f.LeftIn4ByteMode(),), Finding.FOUR_BYTE_MODE, "4-byte address mode", True, "W25Q256JV"),
    Row((f.LeftIn4ByteMode(),), Finding.FOUR_BYTE_MODE, "4-byte address mode", True, "MT25QL256A"),
    Row((f.LeftIn4ByteMode(),), Finding.FOUR_BYTE_MODE, "4-byte address mode", True, "S25FL512S"),
    Row((), Finding.GOOD, "agree", stable=True, part="S25FS256T"),
    Row((), Finding.GOOD, "agree", stable=True, part="S25FL512S"),
    Row((f.Unplug(at_transfer=12),), Finding.TURNED_ROUND, "dropped off the USB"),
    Row((f.SecondMaster(),), Finding.OTHER_MASTER, "another chip is using this bus"),
    Row((f.SecondMaster(sck_hz=2e6),), Finding.OTHER_MASTER, "SCK, CS# and MOSI changed"),
    Row((f.SecondMaster(), f.NoChip()), Finding.OTHER_MASTER, "No line was driven against it"),
    Row((f.LineHeldLow(line="SCK"),), Finding.GOOD, "SCK stands low while nothing", True),
    Row((f.LineHeldLow(line="MISO"),), Finding.GOOD, "agree", True),
    Row((f.StuckBit(address=0x10, bit=2, level=0),), Finding.GOOD, "agree", True),
)


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_each_fault_of_the_bench_gets_its_diagnosis(row: Row) -> None:
    name = row.part if isinstance(row.part, str) else row.part.name
    with a_bench(*row.fault, part=row.part) as bench:
        check = checked(bench, volts=SUPPLY.get(name, 3.3))

        assert check.diagnosis.name is row.finding, check.diagnosis
        assert row.says in " ".join(check.diagnosis.sentences)
        assert check.diagnosis.stable == row.stable
        assert (check.clock is not None) == row.stable
        assert check.diagnosis.next_action.endswith(".")


COMMANDS_ARRIVE = [
    row for row in ROWS if not any(isinstance(fault, f.MosiFlips) for fault in row.fault)
]


@pytest.mark.parametrize("row", COMMANDS_ARRIVE, ids=str)
def test_a_contact_check_changes_nothing_and_sends_no_write_enable(row: Row) -> None:
    """Without flips on MOSI, which make any command of any other."""
    name = row.part if isinstance(row.part, str) else row.part.name
    with a_bench(*row.fault, part=row.part) as bench:
        before = bench.chip.contents

        checked(bench, volts=SUPPLY.get(name, 3.3))

        assert bench.chip.change_count == 0
        assert bench.chip.contents == before
        assert not any(bench.chip.opcode_counts[opcode] for opcode in WRITE_ENABLES)


@pytest.mark.parametrize("fault", [f.SecondMaster(), f.SecondMaster(sck_hz=2e6)], ids=repr)
def test_nothing_is_driven_against_another_master(fault: f.Fault) -> None:
    with a_bench(fault) as bench:
        checked(bench)

        assert not bench.adapter.pins.ever_driven
        assert bench.adapter.pins.contentions == 0
        assert not bench.chip.opcode_counts


def test_a_sleeping_chip_is_put_back_to_sleep() -> None:
    with a_bench(f.LeftPoweredDown()) as bench:
        checked(bench)

        assert bench.chip.state()["powered_down"]


def test_a_chip_left_in_4_byte_mode_stays_in_it() -> None:
    with a_bench(f.LeftIn4ByteMode(), part="W25Q256FV") as bench:
        checked(bench)

        assert bench.chip.four_byte_mode


@pytest.mark.parametrize("fault", [f.NoChip(), f.FloatingMiso(level=0), f.MisoOnMosi()], ids=repr)
def test_the_pins_are_inputs_as_soon_as_the_contact_is_found_bad(fault: f.Fault) -> None:
    with a_bench(fault) as bench, opened(bench) as adapter:
        check_contact(adapter, supply_volts=3.3)

        assert bench.adapter.pins.direction == 0


def test_lines_that_die_when_the_chip_goes_in_are_a_chip_turned_round() -> None:
    with a_bench(f.FloatingMiso(level=0)) as bench, opened(bench) as adapter:
        check = check_contact(adapter, supply_volts=3.3, empty_socket_level=1)

    assert check.diagnosis.name is Finding.TURNED_ROUND
    assert check.diagnosis.next_action.startswith("Cut the supply at once.")


def test_a_line_that_was_low_and_is_high_now_is_shorted_to_vcc() -> None:
    with a_bench(f.FloatingMiso(level=1)) as bench, opened(bench) as adapter:
        check = check_contact(adapter, supply_volts=3.3, empty_socket_level=0)

    assert check.diagnosis.name is Finding.SHORTED
    assert "VCC" in check.diagnosis.sentences[0]


def test_weak_cells_are_found_around_a_given_address() -> None:
    """A W25Q128JV has 256 stretches of 64 KiB; the one looked at is chosen by its data."""
    faults = f.UnstableCells(start=0xABC100, length=64, bits=2)
    with a_bench(faults, part="W25Q128JV") as bench, opened(bench) as adapter:
        check = check_contact(adapter, supply_volts=3.3, around=Address(0xABC123))

    assert check.diagnosis.name is Finding.WEAK_CELLS
    assert "ABC1" in " ".join(check.diagnosis.sentences)


def test_the_notes_explain_every_finding_under_the_same_name() -> None:
    explained = re.findall(r"^\*\*(.+)\*\*$", NOTES.read_text(), re.MULTILINE)

    assert sorted(explained) == sorted(set(Finding) - {Finding.GOOD})


def test_a_good_contact_raises_no_alarm_whatever_the_chip_holds() -> None:
    """Noise, blank, constant, sparse and texts; FLASHBENCH_CONTACT_SEEDS=1000 tries more."""
    alarms = []
    for seed in range(int(os.environ.get("FLASHBENCH_CONTACT_SEEDS", "250"))):
        with a_bench(part=TINIER, contents=some_contents(seed)) as bench:
            check = checked(bench)
        if check.diagnosis.name is not Finding.GOOD or check.clock is None:
            alarms.append((seed, check.diagnosis))

    assert alarms == []


def some_contents(seed: int) -> bytes:
    rng = Random(seed)
    size = TINIER.density_bytes
    kind = seed % 5
    if kind == 0:
        return rng.randbytes(size)
    if kind == 1:
        return bytes([rng.choice((0x00, 0xFF, 0x55, 0x9F))]) * size
    filled = bytearray(b"\xff" * size)
    for _ in range(rng.randint(1, 40)):
        at, length = rng.randrange(size), rng.randint(1, 4000)
        piece = rng.randbytes(length) if kind < 4 else b"boot %d " % at * (length // 8)
        filled[at : at + length] = piece
    return bytes(filled[:size])


@pytest.mark.parametrize("hz", [25e6, 12e6, 8e6, 4.5e6])
@pytest.mark.parametrize("fault", ["flips", "settles late"])
def test_the_clock_found_is_one_step_below_the_fastest_that_works(fault: str, hz: float) -> None:
    """Steps of an FTDI engine are 30 MHz / n."""
    steps = [30e6 / n for n in (1, 2, 3, 4, 5, 6, 8, 10)]
    stable = max(step for step in steps if step <= hz)
    kind = (
        f.MisoFlips(rate=1e-3, above_hz=hz) if fault == "flips" else f.MisoSettlesLate(above_hz=hz)
    )
    with a_bench(kind) as bench:
        proof = checked(bench).clock

    assert proof is not None
    assert proof.stable_hz == int(stable)
    assert proof.clock_hz == int(max(step for step in steps if step < stable))
    assert proof.tried[0].clock_hz == 30_000_000
    assert all(step.wrong_bytes for step in proof.tried[:-1])


def test_the_clock_wanted_is_kept_if_the_next_faster_one_works_too() -> None:
    with a_bench() as bench, opened(bench, clock_hz=10_000_000) as adapter:
        chip = identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)
        proof = find_clock(chip)

    assert (proof.clock_hz, proof.stable_hz) == (10_000_000, 15_000_000)


def test_no_clock_is_above_what_the_part_can() -> None:
    """Nothing but its SFDP is known of this part, so 33 MHz is the limit, and 20 MHz at 03h."""
    part = replace(SMALL, fast_read_hz_max=34_000_000, read_hz_max=20_000_000)
    with a_bench(part=part) as bench:
        checked(bench)

        assert bench.chip.complaint_counts()["clock too fast"] == 0


def test_no_clock_is_found_where_every_clock_fails() -> None:
    with a_bench() as bench, opened(bench) as adapter:
        chip = identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)
        bench.contacts.faults = (f.MisoFlips(rate=1e-3),)

        with pytest.raises(ReadsUnsteady, match="Two reads at 1 MHz differ"):
            find_clock(chip)


def test_a_blank_chip_says_that_its_clock_is_proven_by_the_id_alone() -> None:
    with a_bench(contents=b"\xff" * SMALL.density_bytes) as bench:
        check = checked(bench)

    proof = check.clock
    assert check.diagnosis.name is Finding.GOOD
    assert proof is not None
    assert "only the ID and SFDP speak for the clock" in proof.sentences()[-1]


def test_a_marking_that_forbids_the_supply_stops_before_any_pin_is_driven() -> None:
    with a_bench() as bench, opened(bench) as adapter:
        with pytest.raises(ChipUntouched, match=r"takes 1\.[67]"):
            check_contact(adapter, supply_volts=3.3, marking="W25Q64JWSSIQ")

        assert not bench.adapter.pins.ever_driven


def test_a_supply_that_the_id_forbids_stops_and_is_no_contact_fault() -> None:
    with a_bench(part="W25Q64JW") as bench, pytest.raises(ChipUntouched, match="takes 1"):
        checked(bench, volts=3.3)


# --- while the chip is seated -----------------------------------------------------------------


def watched(bench: Bench, *seatings: tuple[f.ContactFault, ...], at_most: int = 60) -> list[Look]:
    """The looks while the contact changes from look to look; the last seating stays."""
    looks: list[Look] = []
    with opened(bench) as adapter:
        bench.contacts.faults = seatings[0]
        for look in watch(adapter, supply_volts=3.3, supply_confirmed_by_user=True):
            looks.append(look)
            bench.contacts.faults = seatings[min(len(looks), len(seatings) - 1)]
            if len(looks) == at_most:
                break
    return looks


def test_watching_ends_when_the_contact_was_good_for_a_while() -> None:
    with a_bench() as bench:
        begun_s = bench.time.now_s()
        looks = watched(bench, (f.NoChip(),), (f.IntermittentContact(rate=0.4),), ())

    names = [look.diagnosis.name for look in looks]
    assert names[:3] == [Finding.FLOATING, Finding.INTERMITTENT, Finding.GOOD]
    assert set(names[3:]) == {Finding.GOOD}
    assert looks[-1].good_for_s >= 3.0
    assert bench.time.now_s() - begun_s < 4.5


def test_watching_counts_against_the_last_try() -> None:
    bad, better = (f.MisoFlips(rate=0.05, seed=1),), (f.MisoFlips(rate=0.01, seed=1),)
    with a_bench() as bench:
        looks = watched(bench, bad, better, at_most=2)

    first, second = (look.diagnosis.wrong for look in looks)
    assert first > second > 0
    assert looks[1].compared == f"{first} wrong bytes at the last try, {second} now."


def test_watching_cannot_be_good_for_a_while_with_a_bad_look_between() -> None:
    good = ((),) * 5
    with a_bench() as bench:
        looks = watched(bench, *good, (f.NoChip(),), (), at_most=8)

    assert [look.good_for_s for look in looks[5:7]] == [0.0, 0.0]


def test_watching_takes_dead_lines_after_an_empty_socket_for_a_chip_turned_round() -> None:
    with a_bench() as bench:
        looks = watched(bench, (f.NoChip(),), (f.FloatingMiso(level=0),), at_most=2)

    assert looks[-1].diagnosis.name is Finding.TURNED_ROUND


def test_watching_meets_a_live_board_drives_nothing_and_goes_on_when_it_is_off() -> None:
    """A clip is put on a board that has its own supply; the supply is taken off; good."""
    alive, off = (OtherDrivers(f.ArmedFaults(armed)) for armed in ((f.SecondMaster(),), ()))
    looks: list[Look] = []
    with a_bench() as bench, opened(bench) as adapter:
        pins = bench.adapter.pins
        bench.contacts.faults = (f.NoChip(),)
        for look in watch(adapter, supply_volts=3.3, supply_confirmed_by_user=True):
            looks.append(look)
            bench.contacts.faults = ()
            pins.others = alive if len(looks) < 4 else off

    names = [look.diagnosis.name for look in looks]
    assert names[:5] == [Finding.FLOATING, *[Finding.OTHER_MASTER] * 3, Finding.GOOD]
    assert set(names[5:]) == {Finding.GOOD}
    assert pins.contentions == 0


def test_watching_ends_when_the_adapter_drops_off_the_usb() -> None:
    with a_bench(f.Unplug(at_transfer=60)) as bench:
        looks = watched(bench, ())

    assert looks[-1].diagnosis.name is Finding.TURNED_ROUND
    assert looks[0].diagnosis.name is Finding.GOOD


def test_watching_stops_at_a_chip_that_the_supply_would_harm() -> None:
    with a_bench() as bench:
        bench.swap_chip(EmptySocket())
        with opened(bench) as adapter:
            looks = watch(adapter, supply_volts=3.3)
            assert next(looks).diagnosis.name is Finding.FLOATING
            bench.swap_chip(a_bench(part="W25Q64JW").chip)
            with pytest.raises(ChipUntouched, match="takes 1"):
                next(looks)
