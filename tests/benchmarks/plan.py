"""How long planning takes on 64 MiB, one processor core: `python -m tests.benchmarks.plan`."""

import argparse
import json
import sys
import time
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from flashbench.chip.profile import (
    AddressMode,
    ChipEraseTime,
    ChipProfile,
    EraseKind,
)
from flashbench.safe_write.plan_units import plan_units
from tests.builders.profile import plain_profile

DENSITY_BYTES = 64 << 20
RUNS = 5

Picture = NDArray[np.uint8]


def large_profile(*, ecc_free: bool) -> ChipProfile:
    """64 MiB with the erase and program times of the W25Q256JV datasheet (its size is half)."""
    kinds = (
        EraseKind(opcode=0x21, size=4 << 10, ms_typ=50, ms_max=400),
        EraseKind(opcode=0x52, size=32 << 10, ms_typ=120, ms_max=1600),
        EraseKind(opcode=0xDC, size=64 << 10, ms_typ=150, ms_max=2000),
    )
    return plain_profile(
        DENSITY_BYTES,
        *kinds,
        program_us_typ=700,
        chip_erase=ChipEraseTime(opcode=0xC7, ms_typ=160_000, ms_max=800_000),
        address_mode=AddressMode.DEDICATED_4BYTE,
        fast_read_hz_max=50_000_000,
        ecc_free=ecc_free,
    )


def jobs() -> Iterator[tuple[str, Picture, Picture]]:
    """Name, what the chip holds, what it shall hold."""
    random = np.random.default_rng(1)
    current = random.integers(0, 256, DENSITY_BYTES, dtype=np.uint8)
    edit = current.copy()
    edit[12_345_678 : 12_345_678 + 512] = random.integers(0, 256, 512, dtype=np.uint8)
    yield "one edit of 512 bytes", current, edit
    yield "all different", current, random.integers(0, 256, DENSITY_BYTES, dtype=np.uint8)
    scattered = current.copy()
    scattered[random.integers(0, DENSITY_BYTES, 20_000)] ^= 0x55
    yield "20 000 scattered bytes", current, scattered
    few = current.copy()
    few[random.integers(0, DENSITY_BYTES, 500)] ^= 0x55
    yield "500 scattered bytes", current, few
    blank = np.full(DENSITY_BYTES, 0xFF, np.uint8)
    yield "blank chip, full image", blank, current
    alternate = current.copy()
    alternate.reshape(-1, 512)[:, 0] &= 0x0F
    yield "a bit falls in every other page", current, alternate
    sectors = current.copy()
    sectors.reshape(-1, 8192)[:, 0] &= 0x0F
    yield "a bit falls in every other 4 KiB", current, sectors
    yield "nothing to do", current, current.copy()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    as_json = parser.parse_args().json
    results = []
    for ecc_free in (True, False):
        profile = large_profile(ecc_free=ecc_free)
        for name, current, target in jobs():
            now, then, taken = current.tobytes(), target.tobytes(), []
            for _ in range(RUNS):
                before = time.process_time()
                plan = plan_units(now, then, profile, sck_hz=30_000_000)
                taken.append(time.process_time() - before)
            result = {
                "job": name,
                "ecc_free": ecc_free,
                "cpu_seconds_best": round(min(taken), 4),
                "cpu_seconds_worst": round(max(taken), 4),
                "units": len(plan.units),
                "pages": plan.page_count,
                "chip_erase": plan.chip_erase,
                "bystander_bytes": plan.bystander_bytes,
                "modelled_write_seconds": round(plan.seconds, 2),
            }
            results.append(result)
            if not as_json:
                sys.stdout.write(
                    f"{name:32} ecc-free {ecc_free!s:5}  CPU {min(taken):.3f} to {max(taken):.3f} s"
                    f"  units {len(plan.units):6}  pages {plan.page_count:6}"
                    f"  chip erase {plan.chip_erase!s:5}  modelled write {plan.seconds:8.2f} s\n"
                )
    if as_json:
        sys.stdout.write(json.dumps(results, indent=2) + "\n")


if __name__ == "__main__":
    main()
