"""Faults do what their docstrings say, and nothing when they are not due."""

from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from usb.core import USBError

from flashbench.rehearsal import NorChip, in_memory_bench, load_part
from flashbench.rehearsal import faults as f
from tests.rehearsal.hosts import StreamHost, WireHost, chip_on_wires, pattern

SIZE = 0x10000
OLD = pattern(SIZE)
ALL = (
    f.KillProcess(at_operation=3, stage="part", power="lost", seed=4),
    f.LosePower(at_operation=2, between=True),
    f.SilentOperation(at_operation=1, lasting=True),
    f.SupplyDip(at_operation=9),
    f.Unplug(at_transfer=5, part=0.25),
    f.HostSuspends(at_transfer=4, adapter="leaves"),
    f.FrameGlitch(at_frame=7, what="clock lost", at_bit=9, lasting=True),
    f.WeakAfterTear(reads_right=2),
    f.MuteReply(at_transfer=1),
    f.ShortReply(at_transfer=1, lost_bytes=2),
    f.StaleReply(at_transfer=1, extra_bytes=3),
    f.DuplicatedReply(at_transfer=1),
    f.MisoFlips(rate=1e-6, above_hz=15e6),
    f.MisoSettlesLate(above_hz=20e6),
    f.MosiFlips(rate=1e-6),
    f.FloatingMiso(level=0),
    f.MisoOnMosi(),
    f.ShiftedBits(direction="late"),
    f.MirroredBits(),
    f.IntermittentContact(rate=0.1),
    f.NoChip(),
    f.SecondMaster(begins_s=0.5),
    f.LineHeldLow(line="CS#"),
    f.WrongEraseUnit(opcode=0xD8, size=0x8000),
    f.StuckBit(address=0x1234, bit=5, level=0),
    f.WornSector(start=0x1000),
    f.UnstableCells(start=0, length=16),
    f.StuckAddressBit(bit=15),
    f.SlowChip(factor=20.0),
    f.SlowOperation(at_operation=3, factor=4.0),
    f.UnevenTimes(of="erases", spread=0.2, slow_share=0.002, seed=7),
    f.LeftIn4ByteMode(),
    f.LeftPoweredDown(),
    f.LeftInContinuousRead(),
    f.LeftBusy(seconds=0.3),
)


def _read(host: WireHost, address: int, count: int) -> bytes:
    return host.frame(b"\x03" + address.to_bytes(3, "big"), count)


def _wired(*faults: f.Fault) -> StreamHost:
    return StreamHost(in_memory_bench(part="TINY64K", contents=OLD, faults=faults))


def _direct(*faults: f.Fault) -> tuple[NorChip, WireHost]:
    return chip_on_wires("TINY64K", contents=OLD, faults=faults)


def test_every_fault_comes_back_from_its_table_and_from_its_repr(tmp_path: Path) -> None:
    path = tmp_path / "fault.toml"
    path.write_text(f.dump(ALL))

    assert f.load(path) == ALL
    assert tuple(eval(repr(fault), vars(f).copy()) for fault in ALL) == ALL


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('[[fault]]\nkind = "Gremlin"', "fault 1: kind must be one of"),
        ('[[fault]]\nkind = "SlowChip"', "missing keys ['factor']"),
        ('[[fault]]\nkind = "NoChip"\nat = 1', "unknown keys ['at']"),
    ],
)
def test_a_wrong_fault_table_is_refused(tmp_path: Path, text: str, complaint: str) -> None:
    path = tmp_path / "fault.toml"
    path.write_text(text)

    with pytest.raises(ValueError) as caught:
        f.load(path)

    assert complaint in str(caught.value)


def test_all_faults_are_frozen() -> None:
    for fault in ALL:
        for field in fields(fault):
            with pytest.raises(AttributeError):
                setattr(fault, field.name, 0)


# Transfers of a `_wired` host: 1 is its set-up; each frame is a write, then one or more reads.
_FIRST_READ = 3


def test_a_mute_reply_is_two_status_bytes() -> None:
    host = _wired(f.MuteReply(at_transfer=_FIRST_READ))

    assert host.frame(b"\x9f", 3) == b""
    assert host.frame(b"\x9f", 3) == bytes.fromhex("EF4010")


def test_a_lasting_fault_goes_on() -> None:
    host = _wired(f.MuteReply(at_transfer=_FIRST_READ, lasting=True))

    assert [host.frame(b"\x9f", 3) for _ in range(3)] == [b"", b"", b""]


def test_a_short_reply_lacks_its_last_bytes() -> None:
    host = _wired(f.ShortReply(at_transfer=_FIRST_READ, lost_bytes=2))
    host.write(bytes.fromhex("80000B 1100009F 200200 80080B 87"))

    assert host.read_once(512) == b"\xef"


def test_a_stale_reply_comes_in_front() -> None:
    host = _wired(f.StaleReply(at_transfer=5, extra_bytes=2))
    assert host.frame(b"\x9f", 3) == bytes.fromhex("EF4010")
    host.write(bytes.fromhex("80000B 110300 03000000 200300 80080B 87"))

    assert host.read_once(512) == bytes.fromhex("4010") + OLD[:4]


def test_a_duplicated_reply_comes_twice() -> None:
    host = _wired(f.DuplicatedReply(at_transfer=_FIRST_READ))
    host.write(bytes.fromhex("80000B 1100009F 200200 80080B 87"))

    assert host.read_once(512) == bytes.fromhex("EF4010EF4010")


def test_miso_flips_at_the_rate_and_only_above_the_clock_named() -> None:
    host = _wired(f.MisoFlips(rate=1e-3, seed=5, above_hz=15e6))

    def wrong_bits() -> int:
        got = int.from_bytes(_read(host, 0, SIZE), "big")
        return (got ^ int.from_bytes(OLD, "big")).bit_count()

    first, second = wrong_bits(), wrong_bits()
    host.write(bytes.fromhex("860100"))  # 15 MHz

    assert 400 < first < 650  # 524 on average
    assert 400 < second < 650
    assert wrong_bits() == 0


def test_late_settling_agrees_between_reads_but_not_with_the_cells() -> None:
    host = _wired(f.MisoSettlesLate(above_hz=20e6))

    first, second = _read(host, 0, SIZE), _read(host, 0, SIZE)
    host.write(bytes.fromhex("860100"))

    assert first == second != OLD
    assert _read(host, 0, SIZE) == OLD


@pytest.mark.parametrize(
    ("fault", "jedec_id"),
    [
        (f.NoChip(), "ffffff"),
        (f.FloatingMiso(level=1), "ffffff"),
        (f.FloatingMiso(level=0), "000000"),
        (f.MisoOnMosi(), "9f9f9f"),
        (f.MirroredBits(), "f70208"),
        (f.ShiftedBits(direction="late"), "f7a008"),
        (f.ShiftedBits(direction="early"), "de8020"),
        (f.LeftPoweredDown(), "ffffff"),
        (f.IntermittentContact(rate=1.0), "ffffff"),
    ],
)
def test_bad_contacts_show_the_pictures_of_the_bench(fault: f.Fault, jedec_id: str) -> None:
    assert _wired(fault).frame(b"\x9f", 3).hex() == jedec_id


def _looking(*faults: f.Fault) -> StreamHost:
    """A host whose pins are inputs."""
    host = _wired(*faults)
    host.write(bytes.fromhex("800000"))
    host.bench.adapter.run_dry()
    return host


def _levels(host: StreamHost, count: int) -> bytes:
    """The four SPI lines, SCK in bit 0, MOSI, MISO, CS#, read `count` times in a row."""
    host.write(b"\x81" * count + b"\x87")
    return bytes(level & 0x0F for level in host.read(count))


def test_lines_that_nobody_drives_read_their_pull_ups_and_held_ones_low() -> None:
    assert _levels(_looking(), 300) == b"\x0f" * 300
    assert _levels(_looking(f.LineHeldLow(line="SCK")), 3) == b"\x0e" * 3
    assert set(_levels(_looking(f.LineHeldLow(line="CS#", until_s=0.001)), 900)) == {0x07, 0x0F}


def test_a_second_master_moves_sck_and_mosi_inside_its_frames_only() -> None:
    """Mode 0: SCK rests low, and moves while CS# is low."""
    levels = _levels(_looking(f.SecondMaster(sck_hz=1e6, every_us=400.0, frame_bytes=32)), 900)

    outside = {level for level in levels if level & 0x08}
    assert outside == {0x0C}, "CS# and MISO high, SCK and MOSI low"
    assert {level & 0x03 for level in levels if not level & 0x08} == {0, 1, 2, 3}
    assert 0.6 < sum(not level & 0x08 for level in levels) / len(levels) < 0.7, "256 of 400 us"


def test_driving_against_a_second_master_is_counted_and_its_frames_break_ours() -> None:
    alone = _wired(f.SecondMaster(frame_bytes=256, begins_s=1.0))
    assert alone.frame(b"\x9f", 3).hex() == "ef4010"
    assert alone.bench.adapter.pins.contentions == 0
    alone.wait_s(1.0)

    answers = {alone.frame(b"\x9f", 3).hex() for _ in range(50)}

    assert answers == {"ef4010", "ffffff"}
    assert alone.bench.adapter.pins.contentions >= 50


def test_a_continuous_read_swallows_one_frame_and_is_over() -> None:
    host = _wired(f.LeftInContinuousRead())

    assert host.frame(b"\x9f", 3).hex() == "ffffff"
    assert host.frame(b"\x9f", 3).hex() == "ef4010"


def test_a_stuck_address_bit_shows_one_half_twice() -> None:
    _, host = _direct(f.StuckAddressBit(bit=15))

    assert _read(host, 0, SIZE // 2) == OLD[: SIZE // 2]
    assert _read(host, SIZE // 2, SIZE // 2) == OLD[: SIZE // 2]


def test_mosi_flips_reach_the_chip() -> None:
    host = _wired(f.MosiFlips(rate=0.01, seed=2))
    host.change(bytes.fromhex("20000000"))

    host.change(bytes.fromhex("02000000") + bytes(256))

    assert host.bench.chip.contents[:256] != bytes(256)


def test_a_silent_operation_looks_done_and_did_nothing() -> None:
    chip, host = _direct(f.SilentOperation(at_operation=2))
    host.change(bytes.fromhex("20000000"))
    host.change(bytes.fromhex("02000000") + b"\0" * 16)
    assert chip.contents[:16] == b"\xff" * 16
    assert host.status() == 0

    host.change(bytes.fromhex("02000000") + b"\0" * 16)

    assert chip.contents[:16] == b"\0" * 16


def test_a_wrong_erase_unit_clears_what_it_likes() -> None:
    chip, host = _direct(f.WrongEraseUnit(opcode=0x20, size=0x2000))

    host.change(bytes.fromhex("20003000"))

    assert chip.contents == OLD[:0x2000] + b"\xff" * 0x2000 + OLD[0x4000:]


@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_bit_stays(level: Any) -> None:
    chip, host = _direct(f.StuckBit(address=0x1234, bit=5, level=level))
    host.change(bytes.fromhex("20001000"))
    assert chip.contents[0x1234] >> 5 & 1 == level

    host.change(bytes.fromhex("02001200") + bytes(256))

    assert chip.contents[0x1234] >> 5 & 1 == level


def test_a_worn_sector_keeps_zeros_through_an_erase() -> None:
    chip, host = _direct(f.WornSector(start=0x1000, bits=3, seed=1))

    host.change(bytes.fromhex("20001000"))
    host.change(bytes.fromhex("20002000"))

    zeros = SIZE * 8 - int.from_bytes(chip.contents[0x1000:0x2000], "big").bit_count()
    assert SIZE * 8 - zeros == 0x1000 * 8 - 3
    assert chip.contents[0x2000:0x3000] == b"\xff" * 0x1000


def test_unstable_cells_read_differently() -> None:
    chip, host = _direct(f.UnstableCells(start=0x100, length=16, bits=4))

    reads = {_read(host, 0, SIZE) for _ in range(8)}

    assert len(reads) > 1
    assert {read[:0x100] + read[0x110:] for read in reads} == {OLD[:0x100] + OLD[0x110:]}
    assert chip.contents == OLD


def test_a_slow_chip_is_busy_for_longer() -> None:
    _, host = _direct(f.SlowChip(factor=10))
    host.frame(b"\x06")
    host.frame(bytes.fromhex("20000000"))
    host.wait_s(0.4)
    assert host.status() & 1
    host.wait_s(0.1)
    assert not host.status() & 1


def _page_times_ms(*faults: f.Fault, pages: int) -> list[float]:
    """How long each page is busy, to a tenth of a millisecond."""
    _, host = _direct(*faults)
    times = []
    for page in range(pages):
        host.frame(b"\x06")
        host.frame(b"\x02" + (page << 8).to_bytes(3, "big") + b"\x00")
        waits = 0
        while host.status() & 1:
            host.wait_s(1e-4)
            waits += 1
        times.append(waits / 10)
    return times


def test_one_page_takes_longer_than_the_others() -> None:
    times = _page_times_ms(f.SlowOperation(at_operation=3, factor=4), pages=5)

    assert times[2] == pytest.approx(4 * times[0], rel=0.1)
    assert {times[0]} == {*times[:2], *times[3:]}


def test_page_times_are_spread_and_some_are_outliers_and_the_seed_repeats_them() -> None:
    uneven = f.UnevenTimes(spread=0.5, slow_share=0.1, slow_factor=5, seed=3)
    fixed = _page_times_ms(pages=1)[0]

    times = _page_times_ms(uneven, pages=60)

    assert 1 <= sum(time > 4 * fixed for time in times) <= 15
    assert len({time for time in times if time < 2 * fixed}) > 2
    assert min(times) >= fixed
    assert times == _page_times_ms(uneven, pages=60)


def test_uneven_erases_leave_the_pages_even() -> None:
    assert len(set(_page_times_ms(f.UnevenTimes(of="erases", spread=0.9), pages=9))) == 1


def test_a_supply_dip_loses_wel_modes_volatile_bits_and_the_operation() -> None:
    chip, host = _direct(f.SupplyDip(at_operation=1))
    host.frame(b"\x50")
    host.frame(b"\x01\x40")
    host.change(bytes.fromhex("20000000"))

    assert chip.contents == OLD
    assert host.status() == 0
    assert chip.change_count == 1, "the volatile register write only"
    host.change(bytes.fromhex("20000000"))
    assert chip.contents[:0x1000] == b"\xff" * 0x1000


def test_a_chip_left_busy_gets_ready_in_its_own_time() -> None:
    chip, host = _direct(f.LeftBusy(seconds=5.0))
    assert host.status() & 1
    assert host.frame(b"\x9f", 3) == b"\xff\xff\xff"
    host.wait_ready()

    assert host.frame(b"\x9f", 3) == bytes.fromhex("EF4010")
    assert chip.contents == OLD


@pytest.mark.parametrize("seed", range(20))
def test_a_torn_program_is_a_prefix_and_part_of_a_byte(seed: int) -> None:
    bench = in_memory_bench(part="TINY64K", faults=(f.LosePower(at_operation=1, seed=seed),))
    data = bytes(range(1, 256)) + b"\0"
    with pytest.raises(USBError):
        StreamHost(bench).change(b"\x02\0\0\0" + data)

    bench.plug_in()

    found = bench.chip.contents[:256]
    done = next((i for i in range(256) if found[i] != data[i]), 256)
    assert all(byte == 0xFF for byte in found[done + 1 :])
    if done < 256:
        assert found[done] | data[done] == found[done], "only bits that were to be cleared"


def test_torn_erases_cover_the_way_from_old_over_zeros_to_ones() -> None:
    outcomes = set()
    for seed in range(20):
        faults = (f.LosePower(at_operation=1, seed=seed),)
        bench = in_memory_bench(part="TINY64K", contents=OLD, faults=faults)
        with pytest.raises(USBError):
            StreamHost(bench).change(bytes.fromhex("20001000"))
        bench.plug_in()
        found = bench.chip.contents
        assert found[:0x1000] + found[0x2000:] == OLD[:0x1000] + OLD[0x2000:]
        outcomes.add(found[0x1000:0x2000])
        only_lost_bits = all(
            new & ~old & 0xFF == 0
            for new, old in zip(found[0x1000:0x2000], OLD[0x1000:0x2000], strict=True)
        )
        outcomes.add(b"programmed first" if only_lost_bits else b"being erased")
    assert len(outcomes) == 22


def test_power_lost_between_two_operations_tears_neither() -> None:
    faults = (f.LosePower(at_operation=1, between=True),)
    bench = in_memory_bench(part="TINY64K", contents=OLD, faults=faults)
    with pytest.raises(USBError):
        StreamHost(bench).change(bytes.fromhex("20001000"))
    bench.plug_in()

    assert bench.chip.contents == OLD[:0x1000] + b"\xff" * 0x1000 + OLD[0x2000:]


def test_another_chip_in_the_socket_keeps_its_own_cells() -> None:
    bench = in_memory_bench(part="TINY64K", contents=OLD)
    host = StreamHost(bench)
    first, second = bench.chip, NorChip(load_part("TINY64K"), contents=pattern(SIZE, 2))

    bench.swap_chip(second)

    assert _read(host, 0, 16) == pattern(SIZE, 2)[:16]
    bench.swap_chip(first)
    assert _read(host, 0, 16) == OLD[:16]


def test_a_host_that_sleeps_finds_the_work_done() -> None:
    host = _wired(f.HostSuspends(at_transfer=6))
    host.change(bytes.fromhex("20001000"))

    assert host.bench.time.now_s() > 3600
    assert host.bench.chip.contents[0x1000:0x2000] == b"\xff" * 0x1000


def test_an_adapter_enumerated_anew_is_gone_and_the_chip_keeps_its_power() -> None:
    host = _wired(f.HostSuspends(at_transfer=6, adapter="leaves"))

    with pytest.raises(USBError):
        host.change(bytes.fromhex("20001000"))
        host.wait_ready()

    host.bench.plug_in()
    assert host.bench.chip.powered
    assert StreamHost(host.bench).frame(b"\x9f", 3) == bytes.fromhex("EF4010")


_GLITCHES_IN_AN_ID = [
    ("MOSI flips", 0, "ffffff"),  # 1Fh is no opcode
    ("MISO flips", 8, "6f4010"),
    ("MISO flips", 31, "ef4011"),
    ("clock lost", 8, "f7a008"),  # the answer comes one clock late
    ("clock twice", 8, "de8020"),  # and here one clock early
    ("CS# rises", 16, "efffff"),
    ("CS# stays high", 16, "efffff"),
    ("supply dips", 16, "efffff"),
]


@pytest.mark.parametrize(("what", "at_bit", "jedec_id"), _GLITCHES_IN_AN_ID)
def test_a_glitch_spoils_one_frame(what: Any, at_bit: int, jedec_id: str) -> None:
    host = _wired(f.FrameGlitch(at_frame=2, what=what, at_bit=at_bit))

    read = [host.frame(b"\x9f", 3).hex() for _ in range(3)]

    assert read == ["ef4010", jedec_id, "ef4010"]
    assert len(host.bench.faults.fired) == 1


def test_a_lasting_glitch_spoils_every_frame_that_is_long_enough() -> None:
    host = _wired(f.FrameGlitch(at_frame=2, what="MISO flips", at_bit=24, lasting=True))

    read = [host.frame(b"\x9f", 3).hex() for _ in range(3)]

    assert read == ["ef4010", "ef4090", "ef4090"]
    assert host.frame(b"\x05", 1) == b"\0"


def test_two_frames_are_one_where_cs_stays_low() -> None:
    host = _wired(f.FrameGlitch(at_frame=1, what="CS# stays low"))

    assert host.frame(b"\x9f", 3).hex() == "ef4010"
    assert host.frame(b"\x9f", 3) != bytes.fromhex("EF4010")
    assert host.frame(b"\x9f", 3).hex() == "ef4010"


def test_a_page_cut_in_mid_data_is_programmed_as_far_as_it_came() -> None:
    cut = f.FrameGlitch(at_frame=2, what="CS# stays high", at_bit=8 * (4 + 16))
    host = StreamHost(in_memory_bench(part="TINY64K", faults=(cut,)))

    host.change(bytes.fromhex("02000000") + bytes(256))

    assert host.bench.chip.contents[:256] == bytes(16) + b"\xff" * 240


def test_a_supply_dip_in_a_frame_tears_what_the_chip_was_busy_with() -> None:
    host = _wired(f.FrameGlitch(at_frame=4, what="supply dips", at_bit=0))
    host.frame(b"\x06")
    host.frame(bytes.fromhex("20001000"))

    host.frame(b"\x05", 1)
    host.frame(b"\x05", 1)

    assert host.status() & 3 == 0
    assert host.bench.chip.contents[0x1000:0x2000] != b"\xff" * 0x1000


@pytest.mark.parametrize("operation", ["20001000", "02001000" + "00" * 256])
def test_torn_cells_look_right_and_drift_unless_they_are_erased_again(operation: str) -> None:
    weak = f.WeakAfterTear(reads_right=2)
    bench = in_memory_bench(
        part="TINY64K", contents=b"\xff" * SIZE, faults=(f.LosePower(at_operation=1), weak)
    )
    with pytest.raises(USBError):
        StreamHost(bench).change(bytes.fromhex(operation))
    bench.plug_in()
    host = StreamHost(bench)
    finished = bench.chip.contents

    reads = [_read(host, 0, SIZE) for _ in range(4)]

    assert [read == finished for read in reads] == [True, True, False, False]
    host.change(bytes.fromhex("20001000"))
    bench.chip.grow_old()
    assert bench.chip.contents == b"\xff" * SIZE


def test_torn_cells_may_read_differently_each_time() -> None:
    weak = f.WeakAfterTear(steady=False)
    bench = in_memory_bench(
        part="TINY64K", contents=OLD, faults=(f.LosePower(at_operation=1), weak)
    )
    with pytest.raises(USBError):
        StreamHost(bench).change(bytes.fromhex("20001000"))
    bench.plug_in()
    host = StreamHost(bench)

    assert len({_read(host, 0, SIZE) for _ in range(8)}) > 2
