"""`rehearsal:DIR`: what a chip keeps when the process that used it ends in any way."""

import errno
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import usb.util
from usb.core import USBError

from flashbench.rehearsal import (
    Bench,
    add_chip,
    arm,
    create_bench,
    open_bench,
    power_cycle,
    swap_chip,
)
from flashbench.rehearsal.faults import Fault, KillProcess, LosePower, SilentOperation, Unplug
from tests.rehearsal.hosts import StreamHost, WireHost, pattern

SIZE = 0x10000
OLD = pattern(SIZE)

# Erases 4 KiB at 1000h, programs a page there, sets BP in SR1: operations 1, 2, 3.
_WORK = """
import sys
from pathlib import Path
from flashbench.rehearsal import open_bench
from tests.rehearsal.hosts import StreamHost
with open_bench(Path(sys.argv[1])) as bench:
    host = StreamHost(bench)
    host.wait_ready()
    host.change(bytes.fromhex("20001000"))
    host.change(bytes.fromhex("02001000") + bytes(range(256)))
    host.change(bytes.fromhex("0104"))
"""
ERASED = OLD[:0x1000] + b"\xff" * 0x1000 + OLD[0x2000:]
DONE = OLD[:0x1000] + bytes(range(256)) + b"\xff" * 0xF00 + OLD[0x2000:]


def _make(folder: Path, *faults: Fault) -> None:
    create_bench(folder, part="TINY64K", contents=OLD, faults=faults).close()


def _work(folder: Path) -> int:
    return subprocess.run([sys.executable, "-c", _WORK, str(folder)], check=False).returncode


def _host(bench: Bench) -> WireHost:
    host = WireHost(bench.chip)
    host.now_s = bench.time.now_s()
    return host


def test_cells_registers_and_numbers_outlive_the_process(tmp_path: Path) -> None:
    _make(tmp_path / "bench")

    assert _work(tmp_path / "bench") == 0

    with open_bench(tmp_path / "bench") as bench:
        assert bench.chip.contents == DONE
        assert bench.chip.stored["SR1"] == 0x04
        assert bench.chip.operation_number == 3
        assert bench.chip.in_flight is None
    lines = (tmp_path / "bench/chips/first/operations").read_text().splitlines()
    assert [line.split()[:2] for line in lines] == [
        [word, str(number)] for number in (1, 2, 3) for word in ("begun", "done")
    ]


@pytest.mark.parametrize("stage", ["begun", "part", "done"])
@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_killed_process_leaves_a_powered_chip_that_finishes(
    tmp_path: Path, number: int, stage: str
) -> None:
    fault = KillProcess(at_operation=number, stage=stage, seed=7)  # type: ignore[arg-type]
    _make(tmp_path / "bench", fault)

    assert _work(tmp_path / "bench") == -signal.SIGKILL

    with open_bench(tmp_path / "bench") as bench:
        chip, host = bench.chip, _host(bench)
        assert (chip.in_flight is None) == (stage == "done")
        if stage == "begun":
            assert chip.contents == (OLD, ERASED, DONE)[number - 1]
        host.wait_ready()
        assert chip.contents == (ERASED, DONE, DONE)[number - 1]
        assert chip.stored["SR1"] == (0x04 if number == 3 else 0)
        assert chip.operation_number == number


@pytest.mark.parametrize("seed", range(5))
def test_with_the_power_gone_too_the_operation_is_torn_and_stays_so(
    tmp_path: Path, seed: int
) -> None:
    _make(tmp_path / "bench", KillProcess(at_operation=1, power="lost", seed=seed))

    assert _work(tmp_path / "bench") == -signal.SIGKILL

    found = []
    for _ in range(2):
        with open_bench(tmp_path / "bench") as bench:
            assert bench.chip.in_flight is None
            assert not bench.chip.write_enabled
            found.append(bench.chip.contents)
    assert found[0] == found[1]
    assert found[0] not in (OLD, ERASED)
    assert found[0][:0x1000] + found[0][0x2000:] == OLD[:0x1000] + OLD[0x2000:]


def test_a_fault_fires_once_over_all_openings(tmp_path: Path) -> None:
    _make(tmp_path / "bench", KillProcess(at_operation=1), SilentOperation(at_operation=2))

    assert _work(tmp_path / "bench") == -signal.SIGKILL
    assert _work(tmp_path / "bench") == 0

    with open_bench(tmp_path / "bench") as bench:
        assert bench.chip.operation_number == 4
        assert bench.chip.contents == DONE, "the silent one was the second erase of FFh cells"


def test_a_lasting_fault_fires_in_every_opening_until_disarmed(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    _make(folder, SilentOperation(at_operation=1, lasting=True))
    assert _work(folder) == 0
    with open_bench(folder) as bench:
        assert bench.chip.contents == OLD

    arm(folder, ())
    assert _work(folder) == 0

    with open_bench(folder) as bench:
        assert bench.chip.contents == DONE


def test_power_lost_in_an_operation_takes_usb_along_and_tears(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    _make(folder, LosePower(at_operation=1, seed=1))
    with open_bench(folder) as bench:
        host = StreamHost(bench)
        with pytest.raises(USBError) as caught:
            host.change(bytes.fromhex("20001000"))
        assert caught.value.errno == errno.ENODEV

    with open_bench(folder) as bench:
        assert bench.chip.contents not in (OLD, ERASED)
        assert StreamHost(bench).frame(b"\x9f", 3) == bytes.fromhex("EF4010")


def test_unplugging_ends_the_page_where_cs_rises_if_the_chip_has_its_own_power(
    tmp_path: Path,
) -> None:
    # Transfers 1: set-up, 2: 06h, 3: the page program, cut before its end.
    folder = tmp_path / "bench"
    _make(folder, Unplug(at_transfer=3, chip_powered_by="elsewhere", part=0.5))
    with open_bench(folder) as bench:
        host = StreamHost(bench)
        host.frame(b"\x06")
        with pytest.raises(USBError):
            host.frame(bytes.fromhex("02000000") + bytes(256))

    with open_bench(folder) as bench:
        _host(bench).wait_ready()
        zeros = len(bench.chip.contents) - len(bench.chip.contents.lstrip(b"\0"))
        assert 100 < zeros < 150
        assert bench.chip.contents[zeros:] == OLD[zeros:]


def test_unplugging_before_cs_rises_changes_nothing_if_the_adapter_powers_the_chip(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "bench"
    _make(folder, Unplug(at_transfer=3, chip_powered_by="adapter", part=0.5))
    with open_bench(folder) as bench:
        host = StreamHost(bench)
        host.frame(b"\x06")
        with pytest.raises(USBError):
            host.frame(bytes.fromhex("02000000") + bytes(256))

    with open_bench(folder) as bench:
        assert bench.chip.contents == OLD
        assert not bench.chip.write_enabled


def test_another_chip_in_the_socket_is_another_chip(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    _make(folder)
    add_chip(folder, "other", part="TINY64K", contents=bytes(SIZE))
    swap_chip(folder, "other")
    assert _work(folder) == 0
    with open_bench(folder) as bench:
        assert bench.chip.contents[0x1000:0x2000] == DONE[0x1000:0x2000]
        assert bench.chip.contents[0x2000:] == bytes(SIZE - 0x2000)

    swap_chip(folder, "first")

    with open_bench(folder) as bench:
        assert bench.chip.contents == OLD
        assert bench.chip.operation_number == 0


def test_power_cycling_a_closed_bench_forgets_volatile_state(tmp_path: Path) -> None:
    _make(tmp_path / "bench")
    with open_bench(tmp_path / "bench") as bench:
        host = StreamHost(bench)
        host.frame(b"\x50")
        host.frame(b"\x01\x1c")
        host.frame(b"\x06")
    with open_bench(tmp_path / "bench") as bench:
        assert StreamHost(bench).status() == 0x1C | 0x02

    power_cycle(tmp_path / "bench")

    with open_bench(tmp_path / "bench") as bench:
        assert StreamHost(bench).status() == 0


def test_a_state_cut_off_half_way_is_the_state_before_it(tmp_path: Path) -> None:
    _make(tmp_path / "bench")
    with open_bench(tmp_path / "bench") as bench:
        bench.chip.preset_register("SR1", 0x04)
        bench.chip.preset_register("SR1", 0x08)
    state = tmp_path / "bench/chips/first/state"
    slots = bytearray(state.read_bytes())
    newest = slots.index(b'"SR1":8')
    slots[newest : newest + 7] = b"\0" * 7
    state.write_bytes(slots)

    with open_bench(tmp_path / "bench") as bench:
        assert bench.chip.stored["SR1"] == 0x04


def test_a_bench_in_use_refuses_a_second_process_with_ebusy(tmp_path: Path) -> None:
    _make(tmp_path / "bench")
    with open_bench(tmp_path / "bench"), open_bench(tmp_path / "bench") as second:
        with pytest.raises(USBError) as caught:
            usb.util.claim_interface(second.device, 0)
        assert caught.value.errno == errno.EBUSY


def test_a_bench_is_never_made_over_another(tmp_path: Path) -> None:
    _make(tmp_path / "bench")

    with pytest.raises(FileExistsError):
        create_bench(tmp_path / "bench", part="TINY64K")


@pytest.mark.parametrize(
    ("name", "known"),
    [
        ("rehearsal.toml", "adapter, host_gap_us, serial, supply_switch"),
        ("chips/first/part.toml", "part, unique_id"),
    ],
)
def test_a_key_that_no_bench_has_is_refused_by_name(tmp_path: Path, name: str, known: str) -> None:
    _make(tmp_path / "bench")
    file = tmp_path / "bench" / name
    file.write_text(f"{file.read_text()}host_gap = 4.0\n")

    with pytest.raises(ValueError, match="no such key") as refused:
        open_bench(tmp_path / "bench")

    assert str(refused.value) == (
        f"{file.name} has 'host_gap', and there is no such key: known are {known}"
    )
