"""`identify --as-row`: what a chip says of itself, as a row for the chip table."""

import tomllib
from pathlib import Path

from chipdb.row import read_rows
from flashbench.rehearsal import create_bench
from tests.cli.workplace import SIZE, Workplace, run, three_lines, told


def test_the_row_is_one_that_the_table_accepts(fresh: Workplace) -> None:
    before = fresh.chip()

    result = run("identify", *fresh.at_bench, "--as-row", "--marking", "W25Q128JVSIQ")

    assert result.exit_code == 0, result.stderr
    (row,) = read_rows(tomllib.loads(result.stdout), "sent-in.toml")
    assert row.parts == ("W25Q128JVSIQ",)
    assert row.jedec_id == bytes.fromhex("EF4018")
    assert row.density_bytes == SIZE
    assert row.sfdp is not None
    assert row.sfdp.hex() == told(run("identify", *fresh.at_bench, "--json"))["sfdp"]
    assert "from a model in a rehearsal" in row.sources[0].what
    assert result.stderr.splitlines()[-1] == "You may take the chip out."
    assert fresh.chip() == before


def test_scripts_get_the_row_beside_the_facts(fresh: Workplace) -> None:
    facts = told(run("identify", *fresh.at_bench, "--as-row", "--json"))

    assert facts["row"].startswith('maker = "?"')
    assert facts["jedec_id"].startswith("ef4018")


def test_a_chip_without_sfdp_makes_no_row(tmp_path: Path) -> None:
    create_bench(tmp_path / "bench", part="GD25Q128C").close()

    at_bench = ("--adapter", f"rehearsal:{tmp_path / 'bench'}", "--supply", "3.3")
    known = ("--marking", "GD25Q128C", "--datasheet-supply", "2.7-3.6")
    result = run("identify", *at_bench, *known, "--as-row")

    assert result.exit_code == 3
    assert three_lines(result)[1].startswith("This chip has no SFDP that can be read")
    assert result.stdout == "You may take the chip out.\n"
