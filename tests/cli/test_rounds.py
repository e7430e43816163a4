"""A chip that comes back: what the board wrote, the edit once more, and the way to round 1."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.rehearsal import arm, create_bench, open_bench
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import (
    EDITS,
    PART,
    Workplace,
    contents,
    copied,
    edited,
    run,
    three_lines,
    told,
)

BY_THE_BOARD = {0x0060_0010: b"log of the first start", 0x0070_0000: b"settings"}
"""What the board writes while it runs; neither lies where the edit is."""


def with_what_the_board_wrote(image: bytes) -> bytes:
    changed = bytearray(image)
    for offset, text in BY_THE_BOARD.items():
        changed[offset : offset + len(text)] = text
    return bytes(changed)


def run_the_board(place: Workplace) -> None:
    for offset, text in BY_THE_BOARD.items():
        place.set_cells(offset, text)


@pytest.fixture(scope="module")
def finished() -> Iterator[Workplace]:
    """A job whose edit, made by an edit file, was written and proven in round 1."""
    with TemporaryDirectory() as folder:
        place = Workplace(Path(folder) / "template")
        create_bench(place.bench, part=PART, contents=contents()).close()
        place.write_edited()
        for result in (
            place.on_job("dump", "--label", "board 17"),
            run("edit", str(place.job), str(place.named_places)),
            place.on_job("write", "--yes"),
        ):
            assert result.exit_code == 0, result.stderr
        yield place


@pytest.fixture
def soldered(finished: Workplace) -> Iterator[Workplace]:
    """That job, its chip on the board."""
    with TemporaryDirectory() as folder:
        yield copied(finished, Path(folder) / "w")


def proven(place: Workplace) -> list[str]:
    said = told(run("next", str(place.job), "--json"))["proven"]
    assert isinstance(said, list)
    return said


def test_a_new_round_says_what_the_board_wrote(soldered: Workplace) -> None:
    run_the_board(soldered)

    result = soldered.on_job("dump", "--again")

    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stdout.split())
    assert (
        "board 17: the board wrote 30 bytes in 2 ranges since round 1: its processor ran." in said
    )
    assert "written by the board 00600010 to 00600025, 22 bytes" in said


def test_scripts_next_and_report_are_told_it_too(soldered: Workplace) -> None:
    run_the_board(soldered)

    wrote = told(soldered.on_job("dump", "--again", "--json"))["board_wrote"]

    assert wrote["since_round"] == 1
    touched = {at for start, length in wrote["ranges"] for at in range(start, start + length)}
    before, after = edited(contents()), with_what_the_board_wrote(edited(contents()))
    assert touched == {at for at in range(0x60_0000, 0x71_0000) if before[at] != after[at]}
    assert wrote["bytes"] == len(touched)
    assert any("its processor ran" in sentence for sentence in proven(soldered))
    assert run("report", str(soldered.job)).exit_code == 0
    page = (soldered.job / "report.html").read_text()
    assert "Since round 1 the board itself wrote 30 bytes in 2 ranges" in page


def test_a_board_that_wrote_nothing_proves_nothing(soldered: Workplace) -> None:
    wrote = told(soldered.on_job("dump", "--again", "--json"))["board_wrote"]

    assert (wrote["bytes"], wrote["ranges"]) == (0, [])
    assert any("nothing proves that its processor ran" in sentence for sentence in proven(soldered))


def test_a_first_round_has_nothing_to_compare_with(fresh: Workplace) -> None:
    assert told(fresh.on_job("dump", "--json"))["board_wrote"] is None


def test_the_edit_is_applied_afresh_by_one_command_that_next_names(soldered: Workplace) -> None:
    soldered.on_job("restore", "--yes")
    run_the_board(soldered)
    soldered.on_job("dump", "--again")

    coming = told(run("next", str(soldered.job), "--json"))
    assert coming["command"] == f"flashbench edit {soldered.job} --again"
    again = run(*coming["command"].split()[1:], "--json")

    assert again.exit_code == 0, again.stderr
    assert told(again)["edit_of_round"] == 1
    image = (soldered.job / "round-2" / "image-1.bin").read_bytes()
    assert image == with_what_the_board_wrote(edited(contents()))


def test_another_edit_starts_from_the_bytes_before_the_first_and_keeps_what_the_board_wrote(
    soldered: Workplace,
) -> None:
    run_the_board(soldered)
    soldered.on_job("dump", "--again")
    other = soldered.folder / "other.toml"
    at = min(EDITS)
    old = contents()[at : at + 4].hex()
    other.write_text(
        f'flashbench_edit = 1\n[[place]]\nat = {at}\nexpect = "{old}"\nnew = "{b"else".hex()}"\n'
    )

    result = run("edit", str(soldered.job), str(other))

    assert result.exit_code == 0, result.stderr
    assert "starts from the" in result.stdout
    expected = bytearray(with_what_the_board_wrote(contents()))
    expected[at : at + 4] = b"else"
    assert (soldered.job / "round-2" / "image-1.bin").read_bytes() == bytes(expected)


def test_what_the_board_wrote_into_the_edit_is_left_and_said(soldered: Workplace) -> None:
    at = min(EDITS)
    soldered.set_cells(at, b"\x00\x01")
    soldered.on_job("dump", "--again")

    result = run("edit", str(soldered.job), "--again")

    assert result.exit_code == 1
    assert f"the board itself wrote into the earlier edit at {at:08x}" in " ".join(
        result.stdout.split()
    )


def test_one_byte_that_the_board_wrote_is_told_by_its_one_address(soldered: Workplace) -> None:
    soldered.set_cells(0x0030_1003, b"\x00")

    result = soldered.on_job("dump", "--again")

    assert result.exit_code == 0, result.stderr
    assert "00301003, 1 byte" in " ".join(result.stdout.split())


def test_an_edit_that_is_on_the_chip_already_is_not_made_twice(soldered: Workplace) -> None:
    run_the_board(soldered)
    soldered.on_job("dump", "--again")

    coming = told(run("next", str(soldered.job), "--json"))
    again = run("edit", str(soldered.job), "--again")

    assert "the edit of round 1 is still on the chip" in coming["proven"]
    assert coming["command"] == f"flashbench edit {soldered.job} EDITFILE"
    assert coming["why"] == (
        "the chip holds that edit, and what the board wrote: solder it down as it is, or make"
        " another edit, which starts from the bytes before that one (back to the start:"
        f" flashbench restore {soldered.job} --round 1)"
    )
    assert again.exit_code == 3
    assert "holds this very edit already" in three_lines(again)[1]
    assert three_lines(again)[2].endswith(
        "Solder it down as it is, or make another edit file; it starts from the bytes before this"
        f" edit. Back to the start: flashbench restore {soldered.job} --round 1"
    )
    assert not (soldered.job / "round-2" / "image-1.bin").exists()


def test_without_a_stored_edit_file_next_asks_for_the_change_in_a_fresh_copy(
    place: Workplace,
) -> None:
    place.on_job("write", "--yes")
    place.on_job("dump", "--again")

    coming = told(run("next", str(place.job), "--json"))
    again = run("edit", str(place.job), "--again")

    assert coming["command"] == f"flashbench edit {place.job} --from-image FILE"
    assert "a copy of round 2's own original.bin" in coming["why"]
    assert again.exit_code == 3
    assert "was made by an edit file" in three_lines(again)[1]


def test_round_1_comes_back_and_no_original_is_displaced(soldered: Workplace) -> None:
    run_the_board(soldered)
    soldered.on_job("dump", "--again")
    originals = kept_originals(soldered.job)

    back = soldered.on_job("restore", "--round", "1", "--yes")

    assert back.exit_code == 0, back.stderr
    assert "image 1 of round 2 is the original of round 1, byte for byte." in " ".join(
        back.stdout.split()
    )
    assert soldered.chip().cells == contents()
    assert kept_originals(soldered.job) == originals
    assert originals["round-1"] == contents()
    assert originals["round-2"] == with_what_the_board_wrote(edited(contents()))
    forth = soldered.on_job("restore", "--yes")
    assert forth.exit_code == 0, forth.stderr
    assert soldered.chip().cells == originals["round-2"]


def test_a_power_cut_on_the_way_to_round_1_is_finished(soldered: Workplace) -> None:
    run_the_board(soldered)
    soldered.on_job("dump", "--again")
    with open_bench(soldered.bench) as bench:
        at_operation = bench.chip.operation_number + 4
    arm(soldered.bench, [LosePower(at_operation=at_operation)])
    assert soldered.on_job("restore", "--round", "1", "--yes").exit_code == 4
    arm(soldered.bench, [])

    finished = soldered.on_job("finish", "--yes")

    assert finished.exit_code == 0, finished.stderr
    assert soldered.chip().cells == contents()


def test_a_round_that_is_not_there_is_refused(soldered: Workplace) -> None:
    before = soldered.chip()

    result = soldered.on_job("restore", "--round", "3", "--yes")

    assert result.exit_code == 3
    assert "has no round 3" in three_lines(result)[1]
    assert soldered.chip() == before


def test_round_1_asked_for_in_round_1_is_its_own_original(soldered: Workplace) -> None:
    result = soldered.on_job("restore", "--round", "1", "--yes")

    assert result.exit_code == 0, result.stderr
    assert soldered.chip().cells == contents()
    assert "is the original of round" not in result.stdout


def kept_originals(job: Path) -> dict[str, bytes]:
    return {
        folder.name: (folder / "original.bin").read_bytes()
        for folder in sorted(job.glob("round-*"))
    }


def test_next_in_a_later_round_looks_at_the_first_original(soldered: Workplace) -> None:
    for result in (
        soldered.on_job("restore", "--yes"),
        soldered.on_job("dump", "--again"),
        soldered.on_job("dump", "--again"),
        run("edit", str(soldered.job), "--again"),
    ):
        assert result.exit_code == 0, result.stderr
    whole = proven(soldered)
    original = soldered.job / "round-1" / "original.bin"
    data = bytearray(original.read_bytes())
    data[0x1234] ^= 1
    original.chmod(0o600)
    original.write_bytes(data)

    spoiled = proven(soldered)

    not_checked = f"the files of round 2 were not checked: flashbench next {soldered.job} --check"
    assert whole[-1] == spoiled[-1] == not_checked
    assert not any("damaged" in sentence for sentence in whole)
    assert spoiled[-2].startswith("damaged: the original of round 1.")
