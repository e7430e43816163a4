"""What the host does with images: time and memory, each in a process of its own.

    python -m tests.benchmarks.host [--json] [--size MIB]

The image is Debian's UEFI build (package ovmf) among noise, blank stretches and text, or without
that package noise alone. Memory is the process's highest resident set, Python and numpy (about
40 MiB) included.
"""

import argparse
import hashlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

MIB = 1 << 20
OVMF = Path("/usr/share/ovmf/OVMF.fd")


def image_of(size: int, seed: int = 1) -> bytes:
    """A board's image in shape: firmware, noise, blank stretches."""
    random = Random(seed)
    firmware = OVMF.read_bytes() if OVMF.exists() else b""
    parts = bytearray()
    while len(parts) < size:
        parts += firmware
        parts += random.randbytes(2 * MIB)
        parts += b"\xff" * MIB
        parts += b"".join(b"setting_%d=%d\n" % (n, n * 7) for n in range(20_000))
    return bytes(parts[:size])


def edited(image: bytes) -> bytes:
    """A few hundred bytes changed at a few dozen places."""
    data = bytearray(image)
    random = Random(2)
    for _ in range(40):
        at = random.randrange(len(data) - 16)
        data[at : at + 16] = random.randbytes(16)
    return bytes(data)


def _inspect(one: bytes, _: bytes) -> None:
    from flashbench.image.inspection import inspect

    inspect(one)


def _compare(one: bytes, two: bytes) -> None:
    from flashbench.image.comparison import compare

    compare(one, two)


def _disagreement(one: bytes, two: bytes) -> None:
    from flashbench.safe_write.screening import disagreement

    disagreement(one, two)


def _change_sheet(one: bytes, two: bytes) -> None:
    from flashbench.image.change_sheet import change_sheet

    change_sheet(one, two)


def _hash(one: bytes, _: bytes) -> None:
    hashlib.sha256(one).hexdigest()


def _plan(one: bytes, two: bytes) -> None:
    from flashbench.safe_write.plan_units import plan_units
    from tests.benchmarks.plan import large_profile

    plan_units(one, two, large_profile(ecc_free=True), sck_hz=30_000_000)


JOBS: dict[str, Callable[[bytes, bytes], None]] = {
    "inspect": _inspect,
    "compare boards": _compare,
    "two reads that differ": _disagreement,
    "change sheet": _change_sheet,
    "hash": _hash,
    "plan": _plan,
}

ALONE = ("inspect", "hash")
"""Jobs that take one image."""


def work(job: str, folder: Path) -> None:
    """Do one job in this process and print its figures."""
    one = (folder / "one").read_bytes()
    two = b"" if job in ALONE else (folder / "two").read_bytes()
    before_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    begun_s, cpu_s = time.perf_counter(), time.process_time()
    JOBS[job](one, two)
    figures = {
        "seconds": round(time.perf_counter() - begun_s, 3),
        "cpu_s": round(time.process_time() - cpu_s, 3),
        "memory_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        "before_mib": round(before_mib),
    }
    sys.stdout.write(json.dumps(figures))


def measured(job: str, size_mib: int, folder: Path) -> dict[str, Any]:
    """One job on images of that size; importing the program counts, as it does for a user."""
    one = image_of(size_mib * MIB)
    (folder / "one").write_bytes(one)
    (folder / "two").write_bytes(edited(one))
    me = [sys.executable, "-m", "tests.benchmarks.host", "--work", job, str(folder)]
    figures = json.loads(subprocess.run(me, check=True, capture_output=True, text=True).stdout)
    return {"job": job, "size_mib": size_mib, **figures}


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def commands() -> list[dict[str, Any]]:
    """The command line: start, import, and a whole practice job."""
    timed = []
    with tempfile.TemporaryDirectory() as folder:
        for name, command in (
            ("nothing at all (Python)", ["-c", "pass"]),
            ("import flashbench.cli", ["-c", "import flashbench.cli"]),
            ("flashbench --version", ["-m", "flashbench", "--version"]),
            ("flashbench practice", ["-m", "flashbench", "practice", f"{folder}/practice"]),
        ):
            runs = []
            for _ in range(1 if "practice" in name else 5):
                begun_s, cpu_s = time.perf_counter(), _children_cpu_s()
                subprocess.run([sys.executable, *command], check=True, capture_output=True)
                runs.append((_children_cpu_s() - cpu_s, time.perf_counter() - begun_s))
            cpu_s, seconds = min(runs)
            row = {"job": name, "size_mib": None, "seconds": round(seconds, 3)}
            timed.append(row | {"cpu_s": round(cpu_s, 3)})
    return timed


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.host", description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--size", type=int, default=64, metavar="MIB")
    parser.add_argument("--work", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.work:
        work(asked.work[0], Path(asked.work[1]))
        return
    rows = commands()
    with tempfile.TemporaryDirectory() as folder:
        jobs = [("inspect", 32), *((job, asked.size) for job in JOBS)]
        rows += [measured(job, size, Path(folder)) for job, size in jobs]
    if asked.json:
        json.dump(rows, sys.stdout, indent=1)
        return
    for row in rows:
        size = f"{row['size_mib']} MiB" if row["size_mib"] else ""
        memory = f"{row['memory_mib']:6} MiB" if "memory_mib" in row else ""
        sys.stdout.write(
            f"{row['job']:26} {size:>7} {row['seconds']:8.3f} s"
            f"  CPU {row['cpu_s']:8.3f} s {memory}\n"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
