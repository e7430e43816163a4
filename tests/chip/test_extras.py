"""What a dump saves beside the array, and that it says what it leaves out."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

import pytest

from flashbench.adapter import open_adapter
from flashbench.adapter._frame import Frame
from flashbench.chip.identity import Identified, identify
from flashbench.chip.outside_array import OutsideArray, read_outside_array
from flashbench.chip.profile import ChipProfile
from flashbench.job.folder import Job
from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.rehearsal import faults as f
from flashbench.safe_write.backup import back_up
from flashbench.safe_write.stable_read import read_twice

VOLTS = {"MT25QU256A": 1.8, "MX25U25645G": 1.8, "W25Q64JW": 1.8, "S25FS256T": 1.8}
MARKINGS = {"SST26VF064B": "SST26VF064B", "IS25LP128": "IS25LP128F-JBLE"}
WITH_SECURITY_REGISTERS = ("W25Q128JV", "W25Q64JW", "W25Q256JV", "GD25Q128C")
WITHOUT = ("MX25L12835F", "IS25LP128", "MT25QL256A", "SST26VF064B", "S25FL512S", "TINY64K")


def a_bench(part: str, *faults: f.Fault) -> Bench:
    bench = in_memory_bench(part=part, faults=faults)
    held = bench.chip.areas["security"]
    for number in (1, 2):
        held[number << 12 : (number << 12) + 256] = security_register(number)
    return bench


def security_register(number: int) -> bytes:
    return Random(number).randbytes(256)


def identified(bench: Bench, part: str) -> Identified:
    adapter = open_adapter(bench.device, clock_hz=30_000_000, time=bench.time)
    return identify(
        adapter,
        supply_volts=VOLTS.get(part, 3.3),
        supply_confirmed_by_user=True,
        marking=MARKINGS.get(part),
    )


@pytest.mark.parametrize("part", WITH_SECURITY_REGISTERS)
def test_security_registers_are_read_where_the_layout_makes_48h_safe(part: str) -> None:
    """Addresses 001000h, 002000h, 003000h: W25Q128JV Rev I, section 8.2.33."""
    with a_bench(part) as bench:
        chip = identified(bench, part)

        assert chip.outside_array.security_registers == {
            1: security_register(1),
            2: security_register(2),
            3: b"\xff" * 256,
        }
        assert bench.chip.complaints == []


@pytest.mark.parametrize("part", ["W25Q256JV", "W25Q256FV"])
def test_security_registers_take_four_address_bytes_in_4_byte_mode(part: str) -> None:
    with a_bench(part, f.LeftIn4ByteMode()) as bench:
        chip = identified(bench, part)

        assert chip.outside_array.security_registers[2] == security_register(2)


@pytest.mark.parametrize("part", WITHOUT)
def test_48h_is_never_sent_where_it_is_or_may_be_another_instruction(part: str) -> None:
    """ISSI: its function register is read by 48h, once, as the layout wants it [from memory]."""
    with a_bench(part) as bench:
        chip = identified(bench, part)

        assert chip.outside_array.security_registers == {}
        assert bench.chip.opcode_counts[0x48] == (2 if part == "IS25LP128" else 0)
        assert bench.chip.opcode_counts[0x42] == 0
        assert any("security areas" in sentence for sentence in chip.facts()["not_saved"])


def gigadevice_profile() -> ChipProfile:
    with a_bench("GD25Q128C") as bench:
        return identified(bench, "GD25Q128C").profile


def outside(run: Callable[[Sequence[Frame]], bytes]) -> OutsideArray:
    return read_outside_array(
        run, gigadevice_profile(), four_byte=False, has_sfdp=True, has_unique_id=True
    )


@pytest.mark.parametrize("size", [512, 1024, 2048])
def test_a_longer_security_register_is_saved_in_full(size: int) -> None:
    """GigaDevice has longer ones than Winbond [from memory]; reading on turns round."""
    held = Random(size).randbytes(size)

    found = outside(lambda run: b"".join((held * 8)[: frame.reply_size] for frame in run))

    assert set(found.security_registers.values()) == {held}


def test_a_security_register_that_reads_differently_is_listed_and_not_saved() -> None:
    noise = Random(1)

    def run(to_run: Sequence[Frame]) -> bytes:
        number = to_run[0].out[2] >> 4
        return b"".join(
            noise.randbytes(frame.reply_size) if number == 2 else bytes(frame.reply_size)
            for frame in to_run
        )

    found = outside(run)

    assert list(found.security_registers) == [1, 3]
    assert found.not_saved[0].sentence() == "security register 2: two reads of it differ."


def test_what_cannot_be_read_of_any_chip_is_said_of_every_chip() -> None:
    """JESD260 keeps the keys of replay-protected counters inside the chip [from memory]."""
    for part in (*WITH_SECURITY_REGISTERS, *WITHOUT):
        with a_bench(part) as bench:
            assert any("RPMC" in text for text in identified(bench, part).facts()["not_saved"])


def test_a_dump_lays_everything_it_saved_into_the_round(tmp_path: Path) -> None:
    with a_bench("W25Q128JV") as bench:
        chip = identified(bench, "W25Q128JV")
        with Job.create(tmp_path / "job", chip) as job:
            back_up(read_twice(chip), job)

    round_1 = tmp_path / "job" / "round-1"
    saved = {path.name: path.read_bytes() for path in (round_1 / "registers").iterdir()}
    facts = json.loads((round_1 / "chip.json").read_text())
    assert saved["SECURITY_REGISTER_1.bin"] == security_register(1)
    assert saved["STATUS_1.bin"] == b"\x00"
    assert len(saved["SECURITY_REGISTER_3.bin"]) == 256
    assert bytes.fromhex(facts["sfdp"]).startswith(b"SFDP")
    assert facts["unique_id"]
    assert facts["not_saved"]
