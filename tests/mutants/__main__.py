"""Which changed lines of `flashbench/safe_write` and `flashbench/job` do the tests notice?

    python -m venv ENV && ENV/bin/pip install -e ".[dev]" mutmut==3.8.1
    ENV/bin/python -m tests.mutants --seed 5 --count 200 --minutes 15

On a clone of HEAD, each mutant of a random sample is tried on the tests that execute the changed
statement, until one fails: all tests are collected once, and every mutant has a forked process.
Prints a row for the table in DEVELOPERS.md, and what lived. A folder named by `--keep` is used
again, with its clone, mutants and measured lines; without, these are made first. Not on Windows.
"""

import argparse
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import coverage
import pytest

from tests.mutants.loop import Loop

ROOMS = ("flashbench/safe_write", "flashbench/job")
COMMANDS = (
    "rounds new_chip damaged_jobs best_effort outcome taking_files seen_before"
    " half_written_replacement"
)
PYTEST = (
    *("-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--rootdir=.", "--capture=no"),
    *("tests/job", "tests/safe_write", *(f"tests/cli/test_{one}.py" for one in COMMANDS.split())),
    *(f"--ignore=tests/safe_write/test_{one}.py" for one in ("killed_processes", "no_second_door")),
)
SETTINGS = f"""
[tool.mutmut]
source_paths = {json.dumps(ROOMS)}
also_copy = ["chipdb", "flashbench", "tests", "README.md", "LICENSE", "DEVELOPERS.md",
    "hardware_notes", "udev", "CHANGELOG.md"]
"""


def measure(out: Path) -> None:
    """Which tests execute which lines, and how long each takes: in the clone, without mutants."""
    seen, taken = coverage.Coverage(data_file=None, source=list(ROOMS)), dict[str, float]()

    class Contexts:
        def pytest_runtest_logstart(self, nodeid: str) -> None:
            seen.switch_context(nodeid)
            taken[nodeid] = time.perf_counter()

        def pytest_runtest_logfinish(self, nodeid: str) -> None:
            taken[nodeid] = time.perf_counter() - taken[nodeid]

    seen.start()
    code = pytest.main([*PYTEST], plugins=[Contexts()])
    seen.stop()
    if code:
        raise SystemExit("These tests fail without a mutant: nothing can be learnt.")
    data, here = seen.get_data(), f"{Path.cwd()}/"
    lines = {
        file.removeprefix(here): {n: [one for one in ran if one] for n, ran in by_line.items()}
        for file in data.measured_files()
        for by_line in (data.contexts_by_lineno(file),)
    }
    out.write_text(json.dumps({"lines": lines, "took_s": taken}))


def generate() -> None:
    """mutmut's mutants, in the folder `mutants` of the clone, whose settings it reads on import."""
    import mutmut.__main__ as mutmut

    mutmut.set_mutant_under_test("mutant_generation")
    Path("mutants").mkdir()
    mutmut.copy_src_dir()
    mutmut.copy_also_copy_files()
    mutmut.setup_source_paths()
    mutmut.store_lines_covered_by_tests()
    mutmut.create_mutants(2)


def sample(seed: int, count: int) -> Sequence[str]:
    metas = (json.loads(path.read_text()) for path in Path().rglob("*.meta"))
    names = sorted(name for meta in metas for name in meta["exit_code_by_key"])
    sys.stdout.write(f"{len(names)} mutants\n")
    return random.Random(seed).sample(names, count)


def prepare(keep: Path) -> Path:
    """A clone of HEAD in `keep`, with mutants and measured lines; what is there already is kept."""
    clone = keep / "clone"
    if not clone.exists():
        subprocess.run(["git", "clone", "--quiet", ".", clone], check=True)
        with (clone / "pyproject.toml").open("a") as file:
            file.write(SETTINGS)
    for stage, made in (("measure", keep / "lines.json"), ("generate", clone / "mutants")):
        if not made.exists():
            again(stage, keep, cwd=clone)
    return clone


def again(stage: str, keep: Path, *more: str, cwd: Path) -> None:
    """This file once more, with what `cwd` has as the code to be tested."""
    command = [sys.executable, "-m", "tests.mutants", "--stage", stage, "--keep", str(keep), *more]
    subprocess.run(command, cwd=cwd, check=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--children", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--stage", choices=("measure", "generate", "try"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    keep = (asked.keep or Path(tempfile.mkdtemp(prefix="mutants-"))).resolve()
    if asked.stage == "measure":
        measure(keep / "lines.json")
    elif asked.stage == "generate":
        generate()
    elif asked.stage == "try":
        names = sample(asked.seed, asked.count)
        lines = keep / "lines.json"
        loop = Loop(names, lines, children=asked.children, minutes=asked.minutes)
        pytest.main([*PYTEST], plugins=[loop])
        sys.stdout.write(loop.report(asked.seed))
    else:
        numbers = (asked.seed, asked.count, asked.minutes, asked.children)
        options = zip(
            ("--seed", "--count", "--minutes", "--children"), map(str, numbers), strict=True
        )
        again(
            "try", keep, *(part for one in options for part in one), cwd=prepare(keep) / "mutants"
        )


if __name__ == "__main__":
    main()
