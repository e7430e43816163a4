"""The whole job on chips that no one here wrote: QEMU's models, of many makers and sizes.

Every step runs as on the bench: identify, two reads, backup, plan, rewrite, verify, and the way
back to the original. What these models do not tell (busy times, page wrap, protection of erases)
stands in `tests/rehearsal/test_nor_chip_contract.py`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

import flashbench as fb
from flashbench.chip.contact import check_contact
from flashbench.chip.diagnosis import Finding
from flashbench.chip.profile import AddressMode
from flashbench.errors import ChipUntouched
from flashbench.rehearsal import Bench, in_memory_bench
from tests.qemu_chip import QemuChip

KIB, MIB = 1024, 1024 * 1024


@dataclass(frozen=True)
class Chip:
    """A chip of QEMU; `volts` are what parts of that name take."""

    name: str
    size: int
    volts: float = 3.3
    mode: AddressMode = AddressMode.THREE_BYTE

    def __str__(self) -> str:
        return self.name


CHIPS = (
    Chip("160s33b", 2 * MIB, 1.8),  # Intel
    Chip("at25df041a", 512 * KIB),  # Atmel
    Chip("at25fs010", 128 * KIB),  # Atmel, erases of 4 and 32 KiB
    Chip("en25q32b", 4 * MIB),  # Eon
    Chip("gd25q32", 4 * MIB),  # GigaDevice
    Chip("is25lp080d", MIB),  # ISSI
    Chip("is25wp032", 4 * MIB, 1.8),  # ISSI
    Chip("m25p05", 64 * KIB),  # ST, erases of 32 KiB only
    Chip("m45pe10", 128 * KIB),  # ST, erases of 64 KiB only
    Chip("n25q032a11", 4 * MIB, 1.8),  # Micron
    Chip("mx25l2005a", 256 * KIB),  # Macronix
    Chip("s25fl016k", 2 * MIB),  # Spansion, with the ID of a Winbond
    Chip("s25sl004a", 512 * KIB),  # Spansion
    Chip("w25x10", 128 * KIB),  # Winbond
    Chip("w25q80bl", MIB),  # Winbond
    Chip("s25fl256s1", 32 * MIB, mode=AddressMode.DEDICATED_4BYTE),  # Spansion, without SFDP
)


@contextmanager
def bench_with(chip: Chip, contents: bytes) -> Iterator[tuple[Bench, QemuChip]]:
    with QemuChip(chip.name, contents) as model, in_memory_bench(chip=model) as bench:
        yield bench, model


def firmware(size: int) -> bytes:
    """Half noise, half blank, so that units are dirty and blank."""
    noise = Random(size).randbytes(64 * KIB)
    return (noise * (size // (2 * len(noise)) + 1))[: size // 2] + b"\xff" * (size - size // 2)


def edited(image: bytes) -> bytes:
    """A few bytes near the start, some where it is blank, some at the very end."""
    changed = bytearray(image)
    changed[0x234:0x238] = b"\x00\x11\x22\x33"
    changed[len(image) * 3 // 4 : len(image) * 3 // 4 + 300] = bytes(range(150)) * 2
    changed[-2:] = b"\x5a\xa5"
    return bytes(changed)


@pytest.mark.parametrize("chip", CHIPS, ids=str)
def test_the_whole_job_on_a_chip_of_foreign_make(chip: Chip, tmp_path: Path) -> None:
    original = firmware(chip.size)
    image = edited(original)
    with (
        bench_with(chip, original) as (bench, model),
        fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        found = fb.identify(adapter, supply_volts=chip.volts, supply_confirmed_by_user=True)
        assert found.profile.density_bytes == chip.size
        assert found.profile.address_mode is chip.mode

        with fb.Job.create(tmp_path / "job", found) as job:
            backup = fb.back_up(fb.read_twice(found), job)
            assert backup.image == original

            fb.verify(fb.rewrite(fb.plan_rewrite(found, backup, image)))
            assert model.cells() == image

            seen = fb.read_for_recovery(found, job)
            fb.verify(fb.rewrite(fb.plan_recovery(seen, backup, target=backup.image)))
            assert model.cells() == original


@pytest.mark.parametrize("chip", [chip for chip in CHIPS if chip.size <= MIB], ids=str)
def test_the_contact_of_a_chip_of_foreign_make_is_good(chip: Chip) -> None:
    with (
        bench_with(chip, Random(1).randbytes(chip.size)) as (bench, _),
        fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        check = check_contact(adapter, supply_volts=chip.volts, supply_confirmed_by_user=True)

    assert check.diagnosis.name is Finding.GOOD, check.diagnosis
    assert check.clock is not None


@pytest.mark.parametrize(
    ("name", "size", "says"),
    [
        ("sst25wf512", 64 * KIB, "SST25WF512 programs single bytes or words"),
        ("sst25vf032b", 4 * MIB, "SST25VF032B programs single bytes or words"),
        ("at45db081d", MIB, "AT45DB081D is an AT45 DataFlash"),
        ("w25q256", 32 * MIB, "says that it is not in 4-byte address mode"),
    ],
)
def test_a_chip_that_cannot_be_handled_is_refused_untouched(
    name: str, size: int, says: str
) -> None:
    """QEMU's w25q256 shows its mode in a bit of another maker, so B7h cannot be proven on it."""
    chip = Chip(name, size)
    with (
        bench_with(chip, bytes(size)) as (bench, model),
        fb.open_adapter(bench.device, time=bench.time) as adapter,
    ):
        with pytest.raises(ChipUntouched, match=says):
            fb.read_twice(fb.identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True))

        assert model.cells() == bytes(size)
