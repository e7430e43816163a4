"""A real UEFI image on chips that nobody here wrote: QEMU's m25p80 models, and on our own.

The image is Debian's `ovmf` package: OVMF.fd, 2 MiB, padded with FFh to the chip's size. What the
chip holds in the end is read from the file that QEMU keeps, not through the driver.
"""

import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.rehearsal import load_part
from flashbench.rehearsal.spi_target import SpiTarget
from tests.builders.bench import Board, edited, plugged_in
from tests.qemu_chip import QemuChip, skip_without_qemu

_PLACES = (Path("/usr/share/ovmf/OVMF.fd"), Path("/usr/share/OVMF/OVMF.fd"))
MIB = 1 << 20


@dataclass(frozen=True)
class Foreign:
    """A QEMU chip, how it is reached, and what the bench must be told about it."""

    model: str
    size: int
    addressing: str
    supply_volts: float = 3.3
    confirmed: bool = True  # the table knows these supplies by family rules only
    restored: bool = True  # 32 MiB through QEMU's socket take their time

    def __str__(self) -> str:
        return f"{self.model}, {self.addressing}"


CHIPS = (
    Foreign("gd25q32", 4 * MIB, "3-byte"),
    Foreign("s25fl016k", 2 * MIB, "3-byte"),
    Foreign("is25lp032", 4 * MIB, "3-byte"),
    Foreign("w25q32dw", 4 * MIB, "3-byte", supply_volts=1.8),
    Foreign("mx25l25635f", 32 * MIB, "B7h"),
    Foreign("n25q256a", 32 * MIB, "06h B7h", restored=False),
    Foreign("s25fl256s1", 32 * MIB, "4-byte opcodes", restored=False),
)


@pytest.fixture(scope="module")
def ovmf() -> bytes:
    for place in _PLACES:
        if place.exists():
            return place.read_bytes()
    pytest.skip("ovmf is not installed: no real UEFI image to write")


def padded(image: bytes, size: int) -> bytes:
    """With FFh to the size of a chip."""
    return image + b"\xff" * (size - len(image))


def sha256sum(path: Path) -> str:
    """What the general tool says of a file."""
    said = subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True)
    return said.stdout.split()[0]


def an_edit_of(image: bytes) -> bytes:
    """A few bytes in the first firmware volume's header and in the last 64 KiB of the image."""
    volume = image.index(b"_FVH")
    return edited(image, (volume + 0x200, b"an edit"), (2 * MIB - 0x9000, b"another edit"))


def whole_job(target: SpiTarget, original: bytes, folder: Path, **identified_with: Any) -> None:
    """Dump, hash, write, verify; then restore in a second session."""
    file = folder / "firmware.bin"
    file.write_bytes(original)
    with plugged_in(target) as visit:
        chip = fb.identify(visit.adapter, **identified_with)
        with fb.Job.create(folder / "board 17", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            assert backup.sha256 == sha256sum(file)
            written = fb.rewrite(fb.plan_rewrite(chip, backup, an_edit_of(original)))
            assert fb.verify(written).byte_count == len(original)


def restored(target: SpiTarget, folder: Path, at_s: float = 0.0, **identified_with: Any) -> None:
    with plugged_in(target, at_s=at_s) as visit:
        chip = fb.identify(visit.adapter, **identified_with)
        with fb.Job.open(folder / "board 17") as job:
            backup = fb.reload_backup(job)
            found = fb.read_for_recovery(chip, job)
            fb.verify(fb.rewrite(fb.plan_recovery(found, backup, target=backup.image)))


def hash_files_hold(folder: Path) -> bool:
    """`sha256sum -c` over every hash file of the round."""
    round_folder = folder / "board 17" / "round-1"
    names = sorted(path.name for path in round_folder.glob("*.sha256"))
    assert {"original.bin.sha256", "image-1.bin.sha256"} <= set(names)
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", *names], cwd=round_folder, check=False
    )
    return checked.returncode == 0


@pytest.mark.parametrize("foreign", CHIPS, ids=str)
def test_a_real_image_goes_through_the_whole_job_on_qemus_chip(
    foreign: Foreign, ovmf: bytes, tmp_path: Path
) -> None:
    skip_without_qemu()
    original = padded(ovmf, foreign.size)
    told = {
        "supply_volts": foreign.supply_volts,
        "supply_confirmed_by_user": foreign.confirmed,
    }
    with QemuChip(foreign.model, original) as chip:
        whole_job(chip, original, tmp_path, **told)
        assert chip.stored_cells() == an_edit_of(original)

        if foreign.restored:
            restored(chip, tmp_path, **told)
            assert chip.stored_cells() == original

    assert hash_files_hold(tmp_path)


def test_a_real_image_goes_through_the_whole_job_on_our_model(ovmf: bytes, tmp_path: Path) -> None:
    original = padded(ovmf, 16 * MIB)
    board = Board(load_part("W25Q128JV"), original)

    whole_job(board.chip, original, tmp_path, supply_volts=3.3)
    assert board.contents == an_edit_of(original)

    restored(board.chip, tmp_path, at_s=board.chip.last_s, supply_volts=3.3)
    assert board.contents == original
    assert hash_files_hold(tmp_path)


def test_the_chips_cover_every_way_of_addressing() -> None:
    assert sum(foreign.restored for foreign in CHIPS) >= 5
    assert {foreign.addressing for foreign in CHIPS} == {
        "3-byte",
        "B7h",
        "06h B7h",
        "4-byte opcodes",
    }
