"""`edit` by an edit file: everything that it asks for, or nothing."""

import json
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.cli.small_board import CHECKS, SmallBoard, board_image, small_board, with_larger_memory
from tests.cli.workplace import run, three_lines, told
from tests.image.edit_scene import COPIES, EDIT, MEMORY, NEW, OLD


@pytest.fixture
def board() -> Iterator[SmallBoard]:
    with TemporaryDirectory() as folder:
        yield small_board(Path(folder))


def files(board: SmallBoard) -> set[str]:
    return {path.name for path in (board.job / "round-1").iterdir()}


def test_the_edit_file_makes_the_image_that_was_made_by_other_means(board: SmallBoard) -> None:
    result = board.edit()

    assert result.exit_code == 0, result.stderr
    assert board.kept == with_larger_memory()
    assert result.stdout.splitlines()[-1] == (
        "board 7: image 1 is kept; nothing was written to a chip."
    )


def test_it_shows_reasons_checks_capacity_and_what_is_open(board: SmallBoard) -> None:
    said = board.edit().stdout

    text = " ".join(said.split())
    assert "density" in text
    assert "rests on densityPerDieGb = 16" in text
    assert text.count("CRC-32/ISO-HDLC at 0x100c: right, ") == 1
    assert "before; right, " in text
    assert "16 Gbit = 2 GB" in text
    assert "32 Gbit = 4 GB" in text
    assert "(straps)" in text
    assert [line for line in said.splitlines() if len(line) > 80] == []


def test_the_change_sheet_names_what_was_changed(board: SmallBoard) -> None:
    assert board.edit().exit_code == 0

    sheet = json.loads((board.job / "round-1" / "changes-1.json").read_text())
    names = {name for changed in sheet["ranges"] for name in changed["names"]}
    assert any("SPD byte 4" in name for name in names)
    assert "check (CRC-32/ISO-HDLC)" in names
    assert all(changed["names"] for changed in sheet["ranges"])


def test_scripts_get_changes_checks_doubts_and_questions(board: SmallBoard) -> None:
    facts = told(board.edit("--json"))

    assert facts["image"] == 1
    assert {check["offset"] for check in facts["checks"]} == set(CHECKS)
    assert all(check["holds"] is True for check in facts["checks"])
    assert sum(len(change["old"]) // 2 for change in facts["changes"]) + 8 >= facts["changed_bytes"]
    assert "stored_training" in facts["questions"]
    assert facts["first"] == []


def test_a_row_that_describes_the_fitted_package_already_is_said_first() -> None:
    image = bytearray(board_image())
    image[0xA000:0xA400] = OLD.spd + NEW.spd  # rows of a table
    with TemporaryDirectory() as folder:
        result = small_board(Path(folder), image=bytes(image)).edit()

    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stdout.split())
    assert said.startswith("First: Row 1 (1) of the table at 0xa000 already describes")
    assert "the flash need not be touched" in said


@pytest.mark.parametrize(
    ("old", "new", "seen"),
    [
        ("copies = 2", "copies = 3", "expects 3 copies"),
        ("length = 512", 'length = 512\nexpect_sha256 = "00"', "the edit file expects 00."),
        ("flashbench_edit = 1", "flashbench_edit = 2", "It is of form 2"),
        ("flashbench_edit = 1", "flashbench_edit = 1\n= ", "The edit file cannot be used."),
    ],
)
def test_a_refused_edit_leaves_the_job_as_it_was(
    board: SmallBoard, old: str, new: str, seen: str
) -> None:
    before = files(board)

    result = board.edit(text=(EDIT + MEMORY).replace(old, new))

    assert result.exit_code == 1
    assert seen in result.stderr
    assert result.stdout == ""
    assert files(board) == before


def test_an_edit_that_breaks_a_check_it_does_not_name_is_refused(board: SmallBoard) -> None:
    """The block's own CRC-32 is found in the image, though the edit file knows nothing of it."""
    image, at = board_image(), COPIES[0] + 0x100
    before = files(board)

    result = board.edit(
        text="flashbench_edit = 1\n[[place]]\n"
        f'at = {at}\nexpect = "{image[at]:02x}"\nnew = "{image[at] ^ 1:02x}"\n'
    )

    assert result.exit_code == 1
    assert "It would break the check (CRC-32/ISO-HDLC)" in result.stderr
    assert files(board) == before


def test_an_edit_file_that_is_no_text_is_refused(board: SmallBoard) -> None:
    board.edit_file.write_bytes(b"\xff\xfe\x00")

    result = run("edit", str(board.job), str(board.edit_file))

    assert result.exit_code == 1
    assert "It is no UTF-8 text" in result.stderr


def test_the_same_edit_twice_is_told(board: SmallBoard) -> None:
    assert board.edit().exit_code == 0

    result = board.edit()

    assert result.exit_code == 3
    assert "has this very image already, as image 1" in result.stderr


def test_it_takes_an_edit_file_or_an_image(board: SmallBoard) -> None:
    result = run("edit", str(board.job))

    assert result.exit_code == 2
    assert three_lines(result)[1] == "An edit is made by an edit file or taken from an image."


def test_what_goes_with_an_image_is_refused_with_an_edit_file(board: SmallBoard) -> None:
    result = board.edit("--into-copies")

    assert result.exit_code == 2
    assert "goes with --from-image" in three_lines(result)[1]


def test_twice_the_capacity_in_an_unknown_way_shows_the_bytes_of_each(board: SmallBoard) -> None:
    before = files(board)
    unknown = EDIT + MEMORY[: MEMORY.index("[block.memory.package]")] + 'twice_by = "don\'t know"\n'

    result = board.edit(text=unknown)
    facts = told(board.edit("--json", text=unknown))

    assert result.exit_code == 1
    said = " ".join(result.stdout.split())
    assert "larger dies 4: 15 > 16, 5: 1a > 22, 29: 90 > c0" in said
    assert "second rank 6: 95 > b5, 12: 02 > 0a" in said
    assert "nothing is chosen for you" in result.stderr
    assert [way.split(":")[0] for way in facts["ways"]] == [
        "larger dies", "second rank", "byte-wide channels", "more channels",
    ]  # fmt: skip
    assert files(board) == before
    known = board.edit(text=unknown.replace('twice_by = "don\'t know"', 'twice_by = "larger dies"'))
    assert known.exit_code == 0, known.stderr
    assert board.kept == with_larger_memory()


def test_the_capacity_of_the_board_and_the_answers_go_into_the_change_sheet(
    board: SmallBoard,
) -> None:
    text = EDIT.replace("= 1\n", '= 1\nabout = "larger memory"\npackages_on_board = 2\n', 1)
    text += MEMORY + '[answers]\nstraps = "done"\nrank_masks = "don\'t know"\n'

    result = board.edit(text=text)

    assert result.exit_code == 0, result.stderr
    assert "board after: 64 Gbit = 8 GB in 2 package(s)" in " ".join(result.stdout.split())
    sheet = json.loads((board.job / "round-1" / "changes-1.json").read_text())
    assert sheet["about"] == "larger memory"
    assert sheet["answers"]["straps"] == "done"
    assert sheet["answers"]["rank_masks"] == "don't know"
    assert "straps" not in sheet["questions"]
    assert "rests on densityPerDieGb = 16" in sheet["changes"][0]["why"]


def test_all_old_and_new_bytes_can_be_had_as_a_file(board: SmallBoard, tmp_path: Path) -> None:
    result = board.edit("--listing", str(tmp_path / "changes.txt"))

    assert result.exit_code == 0, result.stderr
    listing = (tmp_path / "changes.txt").read_text()
    assert "memory table at 0x1000: SPD byte 4, density" in listing
    assert "00001010  23 10 13 0e 15 1a 95 08" in listing


def test_what_is_wrong_with_an_edit_file_names_the_file(board: SmallBoard) -> None:
    result = board.edit(text="flashbench_edit = 1\n[[place]]\nat = -1\n")

    assert result.exit_code == 1
    assert f"{board.edit_file}: The edit file cannot be used. In place 1, at: expected a whole" in (
        result.stderr
    )
