"""`inspect` on the practice board's image, whose blocks `demo_board` makes by code of its own."""

import hashlib
import struct
from pathlib import Path

import pytest

from flashbench.rehearsal.demo_board import BLOCK_SIGNATURE, GROUP_OFFSETS, demo_image
from tests.cli.workplace import run, three_lines, told


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("image") / "original.bin"
    path.write_bytes(demo_image())
    return path


def blocks_by_header(data: bytes) -> dict[int, int]:
    """Offset to length, walked through the lengths in the headers."""
    found = {}
    for group in GROUP_OFFSETS:
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
    assert isinstance(facts["volumes"], list)
    ours = [b for b in facts["blocks"] if bytes.fromhex(b["signature"])[:4] == BLOCK_SIGNATURE]
    assert {block["offset"]: block["length"] for block in ours} == blocks_by_header(data)
    distance = GROUP_OFFSETS[1] - GROUP_OFFSETS[0]
    for block in ours:
        assert block["check"]["kind"] == "CRC-32/ISO-HDLC"
        assert block["check"]["offset"] == block["offset"] + 12
        assert block["check"]["holds"] is True
        is_second = block["offset"] >= GROUP_OFFSETS[1]
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
    assert "128 Mbit (16 MiB)" in text
    assert "CRC-32/ISO-HDLC at 0xa4124c: right" in text
    assert "copy of 0xa41240, equal" in text
    assert "12 memory records (SPD contents):" in text
    assert "cannot be told from the image" in text
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_a_copy_that_differs_is_told_with_the_number_of_its_bytes(tmp_path: Path) -> None:
    data = bytearray(demo_image())
    data[GROUP_OFFSETS[1] + 0x40] ^= 1
    (tmp_path / "image.bin").write_bytes(data)

    facts = told(run("inspect", str(tmp_path / "image.bin"), "--json"))

    (damaged,) = [b for b in facts["blocks"] if b["offset"] == GROUP_OFFSETS[1]]
    assert damaged["check"]["holds"] is False
    assert damaged["unequal"] == [[GROUP_OFFSETS[1] + 0x40, GROUP_OFFSETS[1] + 0x41]]


def test_an_image_with_nothing_in_it_is_said_to_hold_nothing(tmp_path: Path) -> None:
    (tmp_path / "blank.bin").write_bytes(b"\xff" * 0x10000)

    said = run("inspect", str(tmp_path / "blank.bin")).stdout

    assert "No private blocks were found" in said
    assert "No memory records (SPD contents) were found." in said


def test_an_empty_file_is_no_image(tmp_path: Path) -> None:
    (tmp_path / "empty.bin").touch()

    result = run("inspect", str(tmp_path / "empty.bin"))

    assert result.exit_code == 1
    assert three_lines(result)[1].endswith("empty.bin is empty.")
