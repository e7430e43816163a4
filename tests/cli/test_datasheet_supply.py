"""`--datasheet-supply`: a chip that no table knows, at the supply its own datasheet gives."""

import json
import random
from pathlib import Path

import pytest

from flashbench.rehearsal import create_bench
from tests.cli.workplace import run, three_lines, told

PART, SIZE = "TINY64K", 64 << 10
READ = ("--datasheet-supply", "2.7-3.6")


@pytest.fixture
def at_bench(tmp_path: Path) -> tuple[str, ...]:
    """A bench whose chip the table does not know and whose SFDP states no supply."""
    contents = random.Random(1).randbytes(SIZE)
    create_bench(tmp_path / "bench", part=PART, contents=contents).close()
    return ("--adapter", f"rehearsal:{tmp_path / 'bench'}", "--supply", "3.3")


def test_without_it_a_chip_that_no_table_knows_is_refused_and_the_way_on_is_named(
    at_bench: tuple[str, ...],
) -> None:
    result = run("identify", *at_bench)

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "The chip is untouched."
    assert "nothing shows that it takes 3.30 V" in seen
    assert "--datasheet-supply 2.7-3.6" in next_step


def test_the_range_is_told_as_your_word(at_bench: tuple[str, ...]) -> None:
    said = " ".join(run("identify", *at_bench, *READ).stdout.split())
    assert "2.70 to 3.60 V (your word (datasheet)); you declared 3.3 V" in said

    facts = told(run("identify", *at_bench, *READ, "--json"))
    assert facts["supply"] == {
        "volts": [2.7, 3.6],
        "known_from": "user",
        "declared_volts": 3.3,
        "datasheet_volts": [2.7, 3.6],
    }
    assert run("check-contact", *at_bench, *READ).exit_code == 0
    assert run("identify", *at_bench, *READ, "--as-row").stdout.startswith("maker = ")


def test_the_job_remembers_the_range_but_never_the_supply(
    at_bench: tuple[str, ...], tmp_path: Path
) -> None:
    job, image = tmp_path / "job", tmp_path / "new.bin"
    assert run("dump", str(job), *at_bench, *READ, "--label", "bag 117").exit_code == 0
    saved = json.loads((job / "round-1" / "chip.json").read_text())
    assert saved["supply"]["datasheet_volts"] == [2.7, 3.6]
    image.write_bytes(b"\x00" + (job / "round-1" / "original.bin").read_bytes()[1:])
    places = tmp_path / "places.toml"
    old = (job / "round-1" / "original.bin").read_bytes()[0]
    places.write_text(f'flashbench_edit = 1\n[[place]]\nat = 0\nexpect = "{old:02x}"\nnew = "00"\n')
    edit = run("edit", str(job), str(places), "--from-image", str(image))
    assert edit.exit_code == 0, edit.stderr

    for words in (
        ("write", str(job), *at_bench, "--yes", "--label", "117"),
        ("verify", str(job), *at_bench),
        ("restore", str(job), *at_bench, "--yes", "--label", "117"),
    ):
        result = run(*words)
        assert result.exit_code == 0, result.stderr

    without_supply = run("verify", str(job), *at_bench[:2])
    assert without_supply.exit_code == 2
    assert "The supply is not declared" in without_supply.stderr


def test_a_best_effort_takes_the_range_too(at_bench: tuple[str, ...], tmp_path: Path) -> None:
    result = run("dump", str(tmp_path / "job"), "--best-effort", "--reads", "3", *at_bench, *READ)

    assert result.exit_code == 0, result.stderr
    saved = json.loads((tmp_path / "job" / "round-1" / "chip.json").read_text())
    assert saved["supply"]["datasheet_volts"] == [2.7, 3.6]


def test_a_supply_outside_the_range_stops_before_any_pin_is_driven(
    at_bench: tuple[str, ...],
) -> None:
    result = run("identify", *at_bench, "--datasheet-supply", "1.65-1.95")

    assert result.exit_code == 3
    assert "You read 1.65 to 1.95 V in the part's datasheet" in result.stderr
    assert "it may have been damaged" in result.stderr


@pytest.mark.parametrize("text", ["3.3", "3.6-2.7", "0.5-3.6", "2.7-36", "2.7-", "about 3-4"])
def test_what_is_no_range_is_a_wrong_call(text: str) -> None:
    result = run("identify", "--supply", "3.3", "--datasheet-supply", text)
    assert result.exit_code == 2
    assert "is no range of supplies" in " ".join(result.stderr.split())
