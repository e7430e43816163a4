"""`inspect` on the practice board's image, whose blocks `demo_board` makes by code of its own."""

import hashlib
import struct
from pathlib import Path

import pytest

from flashbench.image.apply_edit import apply_edit
from flashbench.image.edit_file import parse_edit
from flashbench.image.memory_edit import WayNeeded
from flashbench.rehearsal.demo_board import (
    BLOCK_SIGNATURE,
    DEMO,
    GROUP_OFFSETS,
    demo_edited_image,
    demo_image,
)
from tests.cli.workplace import run, three_lines, told


@pytest.fixture
def package(tmp_path: Path) -> dict[str, str]:
    """The old and the new package of the practice board, each in a file."""
    texts = {"old": DEMO.old_package_toml, "new": DEMO.new_package_toml}
    for name, text in texts.items():
        (tmp_path / f"{name}.toml").write_text(text)
    return {name: str(tmp_path / f"{name}.toml") for name in texts}


PIECES = (0x80000, 0xA40000, 0xE00000)  # of 64 KiB: the board's numbers, both groups of blocks
GROUPS = (0x10000 + GROUP_OFFSETS[0] - 0xA40000, 0x20000 + GROUP_OFFSETS[1] - 0xE00000)
VOLUME = slice(0x80_0000, 0x90_0000)


def small(image: bytes) -> bytes:
    """The telling parts of a practice board's image, which are inspected in no time."""
    pieces = [image[start : start + 0x10000] for start in PIECES]
    return b"".join(pieces) + image[VOLUME]


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("image") / "original.bin"
    path.write_bytes(small(demo_image()))
    return path


def blocks_by_header(data: bytes) -> dict[int, int]:
    """Offset to length, walked through the lengths in the headers."""
    found = {}
    for group in GROUPS:
        start = group
        while data[start : start + 4] == BLOCK_SIGNATURE:
            (found[start],) = struct.unpack_from("<I", data, start + 8)
            start += found[start]
    return found


def test_scripts_get_size_hash_blocks_and_memory_of_the_image(image: Path) -> None:
    data = image.read_bytes()

    facts = told(run("inspect", str(image), "--json"))

    assert facts["size"] == len(data)
    assert facts["sha256"] == hashlib.sha256(data).hexdigest()
    assert [volume["offset"] for volume in facts["volumes"]] == [0x30000]
    ours = [b for b in facts["blocks"] if b["signature"] == BLOCK_SIGNATURE.decode()]
    assert {bytes.fromhex(block["signature_hex"]) for block in ours} == {BLOCK_SIGNATURE}
    assert {block["offset"]: block["length"] for block in ours} == blocks_by_header(data)
    distance = GROUPS[1] - GROUPS[0]
    for block in ours:
        assert block["check"]["kind"] == "CRC-32/ISO-HDLC"
        assert block["check"]["offset"] == block["offset"] + 12
        assert block["check"]["holds"] is True
        is_second = block["offset"] >= GROUPS[1]
        assert block["copy_of"] == (block["offset"] - distance if is_second else None)
        assert block["confidence"] == "found"
    assert len(facts["memory"]) == 12
    assert {record["type"] for record in facts["memory"]} == {"LPDDR5", "LPDDR5X"}
    assert {record["density_gbit"] for record in facts["memory"]} == {8, 16}
    assert [(len(t["rows"]), len(t["copies"])) for t in facts["tables"]] == [(8, 1)]


def test_people_read_it_in_80_columns(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(image.parent)

    result = run("inspect", image.name)

    assert result.exit_code == 0, result.stderr
    text = " ".join(result.stdout.split())
    assert "1216 KiB" in text
    assert '"WfB2"; 4128 bytes; CRC-32/ISO-HDLC at its byte 12 right' in text
    assert "equals its copy at 0x11240" in text
    assert "table of 8 rows of 512 bytes at 0x11260; equal copy at 0x23260" in text
    assert "row 2 (010): LPDDR5, 16 Gbit = 2 GB per package" in text
    assert "editable here: 0x11260, 0x11460, 0x11660 and 3 more" in text
    assert "serial number WF2-" in text
    assert "cannot be told from the image" in text
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_a_copy_that_differs_is_told_with_the_number_of_its_bytes(tmp_path: Path) -> None:
    data = bytearray(small(demo_image()))
    data[GROUPS[1] + 0x40] ^= 1
    (tmp_path / "image.bin").write_bytes(data)

    facts = told(run("inspect", str(tmp_path / "image.bin"), "--json"))

    (damaged,) = [b for b in facts["blocks"] if b["offset"] == GROUPS[1]]
    assert damaged["check"]["holds"] is False
    assert damaged["unequal"] == [[GROUPS[1] + 0x40, GROUPS[1] + 0x41]]


def test_an_image_with_nothing_in_it_is_said_to_hold_nothing(tmp_path: Path) -> None:
    (tmp_path / "blank.bin").write_bytes(b"\xff" * 0x10000)

    said = run("inspect", str(tmp_path / "blank.bin")).stdout

    assert "64 KiB of FF" in said
    assert "Memory records" not in said


def test_an_empty_file_is_no_image(tmp_path: Path) -> None:
    (tmp_path / "empty.bin").touch()

    result = run("inspect", str(tmp_path / "empty.bin"))

    assert result.exit_code == 1
    assert three_lines(result)[1].endswith("empty.bin is empty.")


def test_straps_and_the_old_package_tell_the_one_row(image: Path, package: dict[str, str]) -> None:
    words = ("inspect", str(image), "--was", package["old"], "--straps", "010")

    (table,) = told(run(*words, "--json"))["tables"]
    said = " ".join(run(*words).stdout.split())

    assert table["fitting"] == [2]
    assert [row["binary"] for row in table["rows"]][:3] == ["000", "001", "010"]
    assert [row["fits_straps"] for row in table["rows"]].index(True) == 2
    assert table["rows"][0]["misfits"] == ["dies", "ranks"]
    assert "One row fits the old package and the straps: 2 (010)." in said


def test_several_rows_that_fit_are_told_and_none_is_picked(
    image: Path, package: dict[str, str], tmp_path: Path
) -> None:
    """Rows 2 and 6 both describe the old package."""
    data = bytearray(image.read_bytes())
    row_2, row_6 = (GROUPS[0] + 0x260 + 512 * row for row in (2, 6))
    data[row_6 : row_6 + 512] = data[row_2 : row_2 + 512]
    (tmp_path / "two.bin").write_bytes(data)

    result = run("inspect", str(tmp_path / "two.bin"), "--was", package["old"])
    refused = run(
        "inspect", str(tmp_path / "two.bin"), "--was", package["old"],
        "--suggest-edit", str(tmp_path / "edit.toml"),
    )  # fmt: skip

    said = " ".join(result.stdout.split())
    assert "2 rows fit the old package, cannot tell which: 2 (010), 6 (110)." in said
    assert refused.exit_code == 1
    assert not (tmp_path / "edit.toml").exists()


def test_a_record_that_describes_the_fitted_package_already_is_said_first(
    image: Path, tmp_path: Path
) -> None:
    text = DEMO.new_package_toml.replace("diesPerPackage = 2", "diesPerPackage = 4")
    (tmp_path / "p.toml").write_text(text.replace("ranksPerChannel = 1", "ranksPerChannel = 2"))

    said = run("inspect", str(image), "--fitted", str(tmp_path / "p.toml")).stdout

    assert " ".join(said.split()).startswith("First: Row 4 (100) of the table at 0x11260 already")


def test_a_suggested_edit_file_makes_the_edit(
    image: Path, package: dict[str, str], tmp_path: Path
) -> None:
    file = tmp_path / "edit.toml"

    result = run(
        "inspect", str(image), "--straps", "010", "--was", package["old"],
        "--fitted", package["new"], "--suggest-edit", str(file),
    )  # fmt: skip

    assert result.exit_code == 0, result.stderr
    made = apply_edit(image.read_bytes(), parse_edit(file.read_text()))
    assert made.image == small(demo_edited_image(demo_image()))


def test_without_the_fitted_package_the_edit_file_asks_in_which_way(
    image: Path, tmp_path: Path
) -> None:
    file = tmp_path / "edit.toml"
    run("inspect", str(image), "--straps", "010", "--suggest-edit", str(file))

    with pytest.raises(WayNeeded):
        apply_edit(image.read_bytes(), parse_edit(file.read_text()))
    answered = file.read_text().replace('twice_by = "don\'t know"', 'twice_by = "larger dies"')
    made = apply_edit(image.read_bytes(), parse_edit(answered))
    assert made.image == small(demo_edited_image(demo_image()))


def test_a_block_without_memory_records_can_be_named(image: Path, tmp_path: Path) -> None:
    file = tmp_path / "edit.toml"

    words = ("--block", "0x12260", "--suggest-edit", str(file))
    result = run("inspect", str(image), *words)

    assert result.exit_code == 0, result.stderr
    assert "length = 64\ncopies = 2\n" in file.read_text()
    assert run("inspect", str(image), *words).exit_code == 2  # the file exists now


def test_a_place_where_no_block_begins_is_refused(image: Path, tmp_path: Path) -> None:
    file = tmp_path / "edit.toml"

    result = run("inspect", str(image), "--block", "0x10", "--suggest-edit", str(file))

    assert result.exit_code == 1
    assert three_lines(result)[1] == "No block begins at 0x10."
    assert not file.exists()


def test_two_boards_are_compared_and_the_difference_becomes_an_edit_file(
    image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second board has the larger memory and another serial number."""
    data = image.read_bytes()
    other = small(demo_edited_image(demo_image()))
    serial = data[data.find(b"SN WF2-") :][:18]
    other = other.replace(serial, b"SN WF2-9999-000001", 1)
    (tmp_path / "other.bin").write_bytes(other)
    file = tmp_path / "edit.toml"
    monkeypatch.chdir(tmp_path)
    Path("first.bin").symlink_to(image)
    words = ("inspect", "first.bin", "--compare", "other.bin")

    result = run(*words, "--suggest-edit", file.name)
    facts = told(run(*words, "--json"))["compared"]

    assert result.exit_code == 0, result.stderr
    assert "byte 1060: 15 1a > 16 22" in result.stdout
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []
    assert facts["outside_bytes"] == 0
    assert [one["first"] for one in facts["differences"]] == [group + 0x240 for group in GROUPS]
    made = apply_edit(data, parse_edit(file.read_text()))
    assert made.image == small(demo_edited_image(demo_image()))


def test_what_says_nothing_to_a_comparison_is_refused_beside_it(image: Path) -> None:
    result = run("inspect", str(image), "--compare", str(image), "--straps", "010")

    assert result.exit_code == 2
    assert "say nothing to it" in three_lines(result)[1]


def test_equal_boards_give_no_edit_file(image: Path, tmp_path: Path) -> None:
    file = tmp_path / "edit.toml"

    result = run("inspect", str(image), "--compare", str(image), "--suggest-edit", str(file))

    assert result.exit_code == 1
    assert "there is nothing to make an edit file of" in three_lines(result)[1]


def test_a_package_that_is_no_package_is_refused_with_its_name(image: Path) -> None:
    result = run("inspect", str(image), "--was", str(image))

    assert result.exit_code == 1
    assert "original.bin" in three_lines(result)[1]


def test_all_blocks_of_a_board_are_named_where_one_has_to_be_chosen(
    image: Path, tmp_path: Path
) -> None:
    result = run("inspect", str(image), "--suggest-edit", str(tmp_path / "edit.toml"))

    offsets = [block["offset"] for block in told(run("inspect", str(image), "--json"))["blocks"]]
    assert result.exit_code == 1
    assert len(offsets) == 10
    assert all(f"{at:#x}" in result.stderr for at in offsets)


def test_what_is_said_of_the_whole_image_stands_in_one_column(image: Path) -> None:
    head = run("inspect", str(image)).stdout.splitlines()[:3]

    assert [line.split()[0] for line in head] == ["image", "size", "sha256"]
    assert [line[9] != " " and line[8] == " " for line in head] == [True] * 3
