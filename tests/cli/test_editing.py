"""`edit` by an edit file, on a job whose original is the practice board's image.

`demo_edited_image` makes the same edit by code that shares nothing with the editing.
"""

import json
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from flashbench.image.memory_package import parse_package
from flashbench.image.memory_records import find_records
from flashbench.image.strap_table import choose_row, find_strap_tables
from flashbench.image.suggest_edit import suggest_edit
from flashbench.rehearsal import create_bench
from flashbench.rehearsal.demo_board import DEMO, GROUP_OFFSETS, demo_edited_image, demo_image
from tests.cli.workplace import Workplace, run, three_lines, told
from tests.image.test_demo_board import memory_table_block


@dataclass(frozen=True)
class Practice:
    """A dumped job of the practice board and the edit file for its larger memory."""

    job: Path
    edit_file: Path

    def edit(self, *words: str, text: str | None = None) -> Any:
        if text is not None:
            self.edit_file.write_text(text)
        return run("edit", str(self.job), str(self.edit_file), *words)

    @property
    def files(self) -> set[str]:
        return {path.name for path in (self.job / "round-1").iterdir()}


def edit_text(image: bytes) -> str:
    """The edit file for the row that the straps choose."""
    (table,) = find_strap_tables(image, find_records(image))
    old = parse_package(tomllib.loads(DEMO.old_package_toml))
    row = choose_row(image, table, was=old, straps=DEMO.straps).the_row
    assert row is not None
    assert row.record is not None
    first, second = GROUP_OFFSETS
    blocks = [
        memory_table_block(image, first, copy_of=None),
        memory_table_block(image, second, copy_of=first),
    ]
    package = parse_package(tomllib.loads(DEMO.new_package_toml))
    return suggest_edit(image, blocks[0], blocks=blocks, records=[row.record], package=package)


@pytest.fixture(scope="module")
def dumped() -> Iterator[Practice]:
    with TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        create_bench(place.bench, contents=demo_image()).close()
        assert place.on_job("dump", "--label", "board 7").exit_code == 0
        edit_file = place.folder / "edit.toml"
        edit_file.write_text(edit_text(demo_image()))
        yield Practice(place.job, edit_file)


@pytest.fixture
def practice(dumped: Practice) -> Iterator[Practice]:
    with TemporaryDirectory() as folder:
        job = Path(shutil.copytree(dumped.job, Path(folder) / "job"))
        yield Practice(job, Path(shutil.copy(dumped.edit_file, folder)))


def test_the_edit_file_makes_the_image_that_was_made_by_other_means(practice: Practice) -> None:
    result = practice.edit()

    assert result.exit_code == 0, result.stderr
    image = (practice.job / "round-1" / "image-1.bin").read_bytes()
    assert image == demo_edited_image(demo_image())
    assert result.stdout.splitlines()[-1] == (
        "board 7: image 1 is kept; nothing was written to a chip."
    )


def test_it_shows_reasons_checks_capacity_and_what_is_open(practice: Practice) -> None:
    said = practice.edit().stdout

    text = " ".join(said.split())
    assert "density" in text
    assert "rests on densityPerDieGb = 16" in text
    assert text.count("CRC-32/ISO-HDLC at 0xa4124c: right, ") == 1
    assert "before; right, " in text
    assert "16 Gbit = 2 GB" in text
    assert "32 Gbit = 4 GB" in text
    assert "(straps)" in text
    assert [line for line in said.splitlines() if len(line) > 80] == []


def test_the_change_sheet_names_what_was_changed(practice: Practice) -> None:
    assert practice.edit().exit_code == 0

    sheet = json.loads((practice.job / "round-1" / "changes-1.json").read_text())
    names = {name for changed in sheet["ranges"] for name in changed["names"]}
    assert any("SPD byte 4" in name for name in names)
    assert "check (CRC-32/ISO-HDLC)" in names
    assert all(changed["names"] for changed in sheet["ranges"])


def test_scripts_get_changes_checks_doubts_and_questions(practice: Practice) -> None:
    facts = told(practice.edit("--json"))

    assert facts["image"] == 1
    assert {check["offset"] for check in facts["checks"]} == {0xA4124C, 0xE0324C}
    assert all(check["holds"] is True for check in facts["checks"])
    assert sum(len(change["old"]) // 2 for change in facts["changes"]) + 8 >= facts["changed_bytes"]
    assert "stored_training" in facts["questions"]
    assert facts["first"] == []


def test_a_row_that_describes_the_fitted_package_already_is_said_first(practice: Practice) -> None:
    """Row 0 of the practice board is an MT62F1G32D4DR: 8 Gbit dies, four of them, two ranks."""
    text = practice.edit_file.read_text()
    for old, new in (
        ("densityPerDieGb = 16", "densityPerDieGb = 8"),
        ("diesPerPackage = 2", "diesPerPackage = 4"),
        ("ranksPerChannel = 1", "ranksPerChannel = 2"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)

    result = practice.edit(text=text)

    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stdout.split())
    assert said.startswith("First: Row 0 (000) of the table at ")
    assert "the flash need not be touched" in said


@pytest.mark.parametrize(
    ("old", "new", "seen"),
    [
        ("copies = 2", "copies = 3", "expects 3 copies"),
        ('expect_sha256 = "', 'expect_sha256 = "00', "has another SHA-256"),
        ("flashbench_edit = 1", "flashbench_edit = 2", "It is of form 2"),
        ("flashbench_edit = 1", "flashbench_edit = 1\n= ", "The edit file cannot be used."),
    ],
)
def test_a_refused_edit_leaves_the_job_as_it_was(
    practice: Practice, old: str, new: str, seen: str
) -> None:
    before = practice.files

    result = practice.edit(text=practice.edit_file.read_text().replace(old, new))

    assert result.exit_code == 1
    assert seen in result.stderr
    assert result.stdout == ""
    assert practice.files == before


def test_an_edit_that_breaks_a_check_it_does_not_name_is_refused(practice: Practice) -> None:
    """The block's own CRC-32 is found in the image, though the edit file knows nothing of it."""
    image, at = demo_image(), GROUP_OFFSETS[0] + 0x100
    before = practice.files

    result = practice.edit(
        text="flashbench_edit = 1\n[[place]]\n"
        f'at = {at}\nexpect = "{image[at]:02x}"\nnew = "{image[at] ^ 1:02x}"\n'
    )

    assert result.exit_code == 1
    assert "It would break the check (CRC-32/ISO-HDLC)" in result.stderr
    assert practice.files == before


def test_an_edit_file_that_is_no_text_is_refused(practice: Practice) -> None:
    practice.edit_file.write_bytes(b"\xff\xfe\x00")

    result = practice.edit()

    assert result.exit_code == 1
    assert "It is no UTF-8 text" in result.stderr


def test_the_same_edit_twice_is_told(practice: Practice) -> None:
    assert practice.edit().exit_code == 0

    result = practice.edit()

    assert result.exit_code == 3
    assert "has this very image already, as image 1" in result.stderr


@pytest.mark.parametrize("both", [False, True])
def test_it_takes_an_edit_file_or_an_image_and_not_both(practice: Practice, both: bool) -> None:
    file = str(practice.edit_file)
    words = (file, "--from-image", file) if both else ()

    result = run("edit", str(practice.job), *words)

    assert result.exit_code == 2
    assert three_lines(result)[1] == (
        "An edit is made by an edit file or taken from an image: one of the two."
    )
