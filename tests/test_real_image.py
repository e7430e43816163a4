"""The main job on a real firmware image: Debian's UEFI build for virtual machines (package ovmf).

The chips are QEMU's, which others wrote, and our own model. The dump is checked against coreutils'
`sha256sum` of the file itself. QEMU's chip is read back by its own file, past the driver.
"""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.rehearsal import Bench, in_memory_bench
from flashbench.safe_write import steps
from flashbench.safe_write.dump import dump
from tests.qemu_chip import QemuChip

OVMF = Path("/usr/share/ovmf/OVMF.fd")
MIB = 1 << 20


@dataclass(frozen=True)
class Case:
    """One chip of QEMU's: its name there, its size, and how it is identified."""

    model: str
    size: int
    volts: float
    marking: str | None
    address: str


CASES = [
    Case("mx25l25635f", 32 * MIB, 3.3, None, "4-byte mode (B7h/E9h)"),
    Case("n25q256a13", 32 * MIB, 3.3, None, "4-byte mode (06h B7h / 06h E9h)"),
    Case("w25q32", 4 * MIB, 3.3, "W25Q32FV", "3-byte addresses"),
    Case("n25q032a13", 4 * MIB, 3.3, "N25Q032A13", "3-byte addresses"),
    Case("mx25l3205d", 4 * MIB, 3.3, "MX25L3205D", "3-byte addresses"),
]


def ovmf_image(size: int) -> bytes:
    """The file, padded with FFh to the chip's size: what a programmer of such a chip puts on it."""
    if not OVMF.exists():
        pytest.skip("the Debian package ovmf is not installed: no real UEFI image to work on")
    return OVMF.read_bytes().ljust(size, b"\xff")


def sha256sum(path: Path) -> str:
    """The hash by coreutils."""
    done = subprocess.run(["sha256sum", path], check=True, capture_output=True, text=True)
    return done.stdout.split()[0]


@contextmanager
def on_qemu(case: Case, contents: bytes) -> Iterator[tuple[Bench, QemuChip]]:
    with QemuChip(case.model, contents) as chip, in_memory_bench(chip=chip) as bench:
        yield bench, chip


@contextmanager
def job_on(
    bench: Bench, folder: Path, *, volts: float, marking: str | None
) -> Iterator[tuple[fb.Identified, fb.Job]]:
    with fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter:
        # These models are not of parts whose datasheets the table cites: the user's word allows.
        read = None if marking is None else (2.7, 3.6)
        chip = fb.identify(adapter, supply_volts=volts, marking=marking, datasheet_volts=read)
        with fb.Job.create(folder, chip) as job:
            yield chip, job


def edited(image: bytes) -> bytes:
    """A few bytes changed, in the variable store and in the last volume of the file."""
    data = bytearray(image)
    data[0x5010:0x5014] = b"\x12\x34\x56\x78"
    data[0x1F0000:0x1F0002] = b"\xa5\x5a"
    return bytes(data)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.model)
def test_the_whole_job_on_a_chip_that_others_wrote(case: Case, tmp_path: Path) -> None:
    image = ovmf_image(case.size)
    source = tmp_path / "source.bin"
    source.write_bytes(image)

    with (
        on_qemu(case, image) as (bench, qemu),
        job_on(bench, tmp_path / "job", volts=case.volts, marking=case.marking) as (chip, job),
    ):
        assert chip.profile.address_mode.value == case.address
        backup = dump(chip, job).backup
        assert backup.sha256 == sha256sum(source) == sha256sum(backup.path)

        new = edited(image)
        proof = fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, new)))
        assert proof.byte_count == case.size
        assert qemu.cells() == new

        steps.carry_out(steps.plan_restore(chip, job))
        assert qemu.cells() == image
        assert job.unfinished() is None


def test_the_whole_job_on_our_stricter_chip(tmp_path: Path) -> None:
    image = ovmf_image(16 * MIB)
    source = tmp_path / "source.bin"
    source.write_bytes(image)

    with (
        in_memory_bench(part="W25Q128JV", contents=image) as bench,
        job_on(bench, tmp_path / "job", volts=3.3, marking=None) as (chip, job),
    ):
        backup = dump(chip, job).backup
        assert backup.sha256 == sha256sum(source) == sha256sum(backup.path)

        new = edited(image)
        fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, new)))
        assert bench.chip.contents == new

        steps.carry_out(steps.plan_restore(chip, job))
        assert bench.chip.contents == image
        assert bench.chip.complaints == []
