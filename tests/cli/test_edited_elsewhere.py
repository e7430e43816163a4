"""`edit --from-image`: what another editor did is told, and what may be offered is."""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from typer.testing import CliRunner

from flashbench.cli import app
from tests.cli.small_board import (
    CHECKS,
    FREE,
    SERIAL,
    SERIAL_AT,
    SmallBoard,
    board_image,
    small_board,
    with_larger_memory,
)
from tests.cli.workplace import three_lines, told
from tests.image.edit_scene import BLOCK_BYTES
from tests.image.edit_scene import COPIES as BLOCKS


@pytest.fixture
def board() -> Iterator[SmallBoard]:
    with TemporaryDirectory() as folder:
        yield small_board(Path(folder))


def in_first_copy_only(*, with_check: bool = False) -> bytes:
    """The larger memory in the first copy, as a plain hex editor makes it."""
    image, edited = bytearray(board_image()), with_larger_memory()
    start, end = BLOCKS[0], BLOCKS[0] + BLOCK_BYTES
    image[start:end] = edited[start:end]
    if not with_check:
        image[CHECKS[0] : CHECKS[0] + 4] = board_image()[CHECKS[0] : CHECKS[0] + 4]
    return bytes(image)


def changed_at(*places: int) -> bytes:
    image = bytearray(board_image())
    for place in places:
        image[place] ^= 0x01
    return bytes(image)


def test_an_edit_that_is_whole_is_taken_in_as_it_is(board: SmallBoard) -> None:
    result = board.take_in(with_larger_memory())

    assert result.exit_code == 0, result.stderr
    assert board.kept == with_larger_memory()
    said = " ".join(result.stdout.split())
    assert f"private block at {BLOCKS[0]:#x}, byte 20 (SPD content at " in said
    assert "All copies of private block got the edit." in said
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_a_copy_left_out_and_a_broken_check_are_told_and_nothing_is_kept(board: SmallBoard) -> None:
    result = board.take_in(in_first_copy_only())

    assert result.exit_code == 1
    said = " ".join(result.stdout.split())
    assert f"at {BLOCKS[0]:#x} got the edit, that at {BLOCKS[1]:#x} did not." in said
    assert f"The check (CRC-32/ISO-HDLC) at {CHECKS[0]:#x} is wrong now and was right." in said
    assert three_lines(result)[1] == f"The edit is not in the copies at {BLOCKS[1]:#x}."
    assert "--into-copies or --not-into-copies" in three_lines(result)[2]
    assert board.kept is None


def test_what_was_offered_is_done_when_it_is_accepted(board: SmallBoard) -> None:
    result = board.take_in(in_first_copy_only(), "--into-copies", "--repair-checks", "--json")

    facts = told(result)
    assert result.exit_code == 0
    assert board.kept == with_larger_memory()
    assert facts["elsewhere"]["copies"] == [
        {"edited": [BLOCKS[0]], "untouched": [BLOCKS[1]], "edited_alike": True}
    ]
    assert [check["offset"] for check in facts["elsewhere"]["broken_checks"]] == [CHECKS[0]]
    sheet = json.loads((board.job / "round-1" / "changes-1.json").read_text())
    assert sheet["elsewhere"]["accepted"]["into_copies"] is True
    assert all(changed["names"] for changed in sheet["ranges"])


def test_at_a_terminal_each_offer_is_a_question(
    board: SmallBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = board.folder / "new.bin"
    image.write_bytes(in_first_copy_only())
    monkeypatch.setattr("flashbench.cli.edited_elsewhere.someone_can_be_asked", lambda _: True)

    result = CliRunner().invoke(
        app,
        ["edit", str(board.job), "--from-image", str(image)],
        input="yes\nyes\n",
    )

    assert result.exit_code == 0, result.stderr
    assert f"board 7: Make the same change in the copies at {BLOCKS[1]:#x}? [yes/no]" in (
        result.stderr
    )
    assert f"Recompute the checks at {CHECKS[0]:#x}, {CHECKS[1]:#x}? [yes/no]" in result.stderr
    assert board.kept == with_larger_memory()


def test_an_edit_may_stay_in_one_copy_if_that_is_meant(board: SmallBoard) -> None:
    result = board.take_in(in_first_copy_only(with_check=True), "--not-into-copies")

    assert result.exit_code == 0, result.stderr
    assert board.kept == in_first_copy_only(with_check=True)


def test_a_check_may_stay_wrong_only_if_that_is_said(board: SmallBoard) -> None:
    image = in_first_copy_only()

    result = board.take_in(image, "--not-into-copies", "--leave-checks")

    assert result.exit_code == 0, result.stderr
    assert "1 check left wrong, as you said" in result.stdout
    assert board.kept == image


def test_a_change_outside_blocks_has_to_be_named_in_an_edit_file(
    board: SmallBoard, tmp_path: Path
) -> None:
    image = changed_at(FREE)
    file = tmp_path / "places.toml"

    refused = board.take_in(image)
    written = board.take_in(image, "--suggest-edit", str(file))
    taken = board.take_in(image, str(file))

    assert refused.exit_code == 1
    assert three_lines(refused)[1] == (
        "These changes lie outside every recognised block, and no edit file names them:"
        " 0x20000 (1 byte)."
    )
    assert written.exit_code == 0, written.stderr
    assert file.read_text().count("[[place]]") == 1
    assert taken.exit_code == 0, taken.stderr
    assert board.kept == image


def test_another_boards_image_is_refused(board: SmallBoard) -> None:
    result = board.take_in(board_image(seed=8))

    assert result.exit_code == 1
    assert "another board's image" in three_lines(result)[1]
    assert board.kept is None


def test_replaced_numbers_are_listed_and_this_boards_own_are_kept_on_request(
    board: SmallBoard,
) -> None:
    """The serial number of another board beside an edit that is whole."""
    edited = bytearray(with_larger_memory())
    edited[SERIAL_AT : SERIAL_AT + len(SERIAL)] = b"SN WF2-0077-001147\0"

    refused = board.take_in(bytes(edited))
    taken = board.take_in(bytes(edited), "--own-numbers")

    assert refused.exit_code == 1
    assert "is missing or replaced" in " ".join(refused.stdout.split())
    assert three_lines(refused)[1].startswith("The image would replace this board's own numbers")
    assert "--own-numbers" in three_lines(refused)[2]
    assert taken.exit_code == 0, taken.stderr
    assert board.kept == with_larger_memory()


def test_an_edit_file_beside_an_image_names_places_only(board: SmallBoard, tmp_path: Path) -> None:
    file = tmp_path / "edit.toml"
    file.write_text(
        'flashbench_edit = 1\n[[block]]\nsignature = "57"\nlength = 16\ncopies = 1\n'
        'no_check = true\n[[block.change]]\nat = 1\nexpect = "00"\nnew = "01"\n'
    )

    result = board.take_in(changed_at(FREE), str(file))

    assert result.exit_code == 2
    assert "only names places outside blocks" in three_lines(result)[1]


def test_a_stored_digest_that_would_no_longer_fit_is_told() -> None:
    """The SHA-256 of the first block lies in the image, and another editor knew nothing of it."""
    place = 0xB000

    def with_digest(image: bytes) -> bytes:
        block = board_image()[BLOCKS[0] : BLOCKS[0] + BLOCK_BYTES]
        return image[:place] + hashlib.sha256(block).digest() + image[place + 32 :]

    with TemporaryDirectory() as folder:
        digested = small_board(Path(folder), image=with_digest(board_image()))
        refused = digested.take_in(with_digest(with_larger_memory()))
        left = digested.take_in(with_digest(with_larger_memory()), "--leave-checks")

    assert refused.exit_code == 1
    assert "stored at 0xb000, would no longer fit" in three_lines(refused)[1]
    assert left.exit_code == 0, left.stderr


@pytest.mark.parametrize(("words", "places"), [((), 1), (("--new-numbers",), 3)])
def test_new_numbers_are_named_only_where_they_are_meant(
    board: SmallBoard, words: tuple[str, ...], places: int
) -> None:
    image = bytearray(changed_at(FREE))
    image[SERIAL_AT : SERIAL_AT + len(SERIAL)] = b"SN WF2-0077-001147\0"
    file = board.folder / "places.toml"

    board.take_in(bytes(image), *words, "--suggest-edit", str(file))
    taken = board.take_in(bytes(image), str(file), *(words or ("--own-numbers",)))

    assert file.read_text().count("[[place]]") == places
    assert taken.exit_code == 0, taken.stderr
    assert board.kept == (bytes(image) if words else changed_at(FREE))


def test_where_only_the_serial_changes_both_refusals_lead_to_a_file_that_names_it(
    board: SmallBoard,
) -> None:
    edited = bytearray(board_image())
    edited[SERIAL_AT : SERIAL_AT + len(SERIAL)] = b"SN WF2-0077-001147\0"
    image, file = bytes(edited), board.folder / "places.toml"

    unnamed = board.take_in(image, "--new-numbers")
    undecided = board.take_in(image, "--suggest-edit", str(file))
    written = board.take_in(image, "--suggest-edit", str(file), "--new-numbers")
    taken = board.take_in(image, str(file), "--new-numbers")

    assert unnamed.exit_code == 1
    assert "--suggest-edit FILE --new-numbers writes one." in three_lines(unnamed)[2]
    assert undecided.exit_code == 1
    assert three_lines(undecided)[1] == (
        "Outside blocks nothing but this board's own numbers (WF2-0042-004711) would change,"
        " and those are not named unless the new ones are meant."
    )
    assert "--own-numbers" in three_lines(undecided)[2]
    assert "--suggest-edit FILE --new-numbers" in three_lines(undecided)[2]
    assert written.exit_code == 0, written.stderr
    assert taken.exit_code == 0, taken.stderr
    assert board.kept == image
