"""How long `inspect` takes, and its memory: `python -m tests.benchmarks.inspection [MIB]`.

The image: the practice board's, the firmware of the ovmf package where it is installed, blank
stretches, and noise up to the size. Each run is a process of its own, as a person starts it.
"""

import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from flashbench.rehearsal.demo_board import demo_image

RUNS = 3
FIRMWARE = ("OVMF_CODE_4M.fd", "OVMF_VARS_4M.fd", "OVMF_CODE.fd", "OVMF_CODE.secboot.fd")


def realistic_image(size: int) -> bytes:
    folder = Path("/usr/share/OVMF")
    firmware = [(folder / name).read_bytes() for name in FIRMWARE if (folder / name).exists()]
    known = b"".join([demo_image(), *firmware, b"\xff" * (2 << 20)])
    return (known + random.Random(3).randbytes(max(0, size - len(known))))[:size]


def measured(path: Path) -> dict[str, float]:
    """Wall and CPU seconds of one run, and its peak memory."""
    started = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "flashbench", "inspect", str(path)], stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"inspect ended with status {process.returncode}")
    return {
        "wall_s": round(time.perf_counter() - started, 2),
        "cpu_s": round(used.ru_utime + used.ru_stime, 2),
        # Linux counts in KiB, macOS in bytes.
        "peak_mib": round(used.ru_maxrss / (1 << 10 if sys.platform == "linux" else 1 << 20), 1),
    }


def main() -> None:
    mib = int(sys.argv[1]) if len(sys.argv) > 1 else 32
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "image.bin"
        path.write_bytes(realistic_image(mib << 20))
        for _ in range(RUNS):
            sys.stdout.write(json.dumps({"mib": mib} | measured(path)) + "\n")


if __name__ == "__main__":
    main()
