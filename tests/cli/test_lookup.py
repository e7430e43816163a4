"""`lookup`: by marking or ID, and the supply before anything else.

Part names and IDs are those of tests/data/chips/jedec_ids.json (its README names the sources).
"""

import json
from typing import Any

import pytest

from flashbench.cli.lookup import find
from tests.chipdb.corpus import id_entries
from tests.cli.workplace import run


def found_rows(text: str) -> list[dict[str, Any]]:
    rows = json.loads(run("lookup", text, "--json").stdout)
    assert isinstance(rows, list)
    return rows


def test_every_part_name_of_the_open_data_is_found() -> None:
    missed = [
        entry["part"]
        for entry in id_entries()
        if entry["part"].upper()
        not in {part.upper() for row in find(entry["part"]).rows for part in row.parts}
    ]

    assert len(id_entries()) > 400
    assert missed == []


def test_every_id_of_the_open_data_is_found() -> None:
    missed = [entry["jedec_id"] for entry in id_entries() if not find(entry["jedec_id"]).rows]

    assert missed == []


def test_the_supply_is_the_first_line() -> None:
    result = run("lookup", "25Q128JVSQ")

    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[0] == "Supply: 2.70 to 3.60 V, known from a datasheet."
    assert "W25Q128JV-IQ" in result.stdout
    assert "EMPTY socket" in result.stdout


@pytest.mark.parametrize(
    "text", ["EF4018", "EF 40 18", "ef:40:18", "EFh 40h 18h", "0xEF 0x40 0x18", "0xef4018"]
)
def test_an_id_is_read_as_people_write_it(text: str) -> None:
    rows = found_rows(text)

    assert {row["jedec_id"] for row in rows} == {"ef4018"}
    assert "W25Q128JV-IQ" in {row["part"] for row in rows}


def test_candidates_of_one_id_that_differ_in_supply_say_so_first_and_none_is_chosen() -> None:
    """01 20 18 with 4D 01: an S25FL128S for 3 V and an S25FS128S for 1.8 V share it."""
    result = run("lookup", "01 20 18")

    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("The candidates differ in supply: ")
    assert "None is chosen" in " ".join(result.stdout.split())
    assert "EMPTY socket" not in result.stdout
    assert {tuple(row["supply"]["volts"] or ()) for row in found_rows("01 20 18")} >= {
        (2.7, 3.6),
        (1.7, 2.0),
    }
    assert {row["shared_volts"] is None for row in found_rows("01 20 18")} == {True}


@pytest.mark.parametrize("text", ["EF4018", "W25Q128FV"])
def test_an_id_or_a_family_rule_lets_nobody_put_the_chip_in(text: str) -> None:
    said = " ".join(run("lookup", text).stdout.split())

    assert said.startswith("Supply: 2.70 to 3.60 V")
    assert "datasheet" in said.partition("V,")[2]
    assert "EMPTY socket" not in said


def test_scripts_get_a_list_of_rows_with_part_id_and_supply() -> None:
    (row,) = found_rows("W25Q128JVSIQ")

    assert row["part"] == "W25Q128JV-IQ"
    assert row["jedec_id"] == "ef4018"
    assert row["density_bytes"] == 16 << 20
    assert row["supply"] == {"volts": [2.7, 3.6], "known_from": "datasheet"}
    assert row["shared_volts"] == [2.7, 3.6]


@pytest.mark.parametrize("text", ["no such part", "FE ED 25", "", "EF"])
def test_what_is_in_no_table_ends_with_status_1_and_a_sentence(text: str) -> None:
    result = run("lookup", text)

    assert result.exit_code == 1
    assert result.stdout == ""
    assert f"The table has nothing for {text!r}." in result.stderr
    assert "The supply is not known" in result.stderr
    assert found_rows(text) == []


def test_a_part_that_cannot_be_handled_is_found_and_refused_by_a_sentence() -> None:
    rows = [row for entry in id_entries() for row in find(entry["part"]).rows if row.refusal]

    assert rows
    result = run("lookup", rows[0].part)
    assert str(rows[0].refusal) in " ".join(result.stdout.split())
    assert "EMPTY socket" not in result.stdout


def test_whatever_is_looked_up_fits_80_columns() -> None:
    parts = [entry["part"] for entry in id_entries()[::8]] + ["EF4018", "012018", "c22018"]

    said = "".join(run("lookup", part).stdout for part in parts)
    assert [line for line in said.splitlines() if len(line) > 80] == []


def test_a_long_list_is_in_the_order_of_the_names() -> None:
    rows = json.loads(run("lookup", "W25Q", "--json").stdout)

    sizes = [
        int(row["part"][4:].split("-")[0].rstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")) for row in rows
    ]
    assert len(rows) > 40
    assert sizes == sorted(sizes)
