"""`write --to-new-chip` and `restore --to-new-chip`, typed at a bench with two chips."""

import re
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.cli.new_chip import register_rows
from flashbench.job.folder import Job
from flashbench.rehearsal import add_chip, arm, open_bench, swap_chip
from flashbench.rehearsal.faults import LosePower
from tests.builders.job import AChip, a_profile
from tests.chip.test_carry_over import carried
from tests.cli.workplace import (
    PART,
    SIZE,
    Workplace,
    contents,
    edited,
    run,
    three_lines,
    timing_the_write,
    told,
)

OTHER_NUMBER = bytes.fromhex("5eed5eed00000001")
BAG = ("--label", "d 17")


@pytest.fixture
def two_chips(place: Workplace) -> Workplace:
    """The board's own chip is in its bag, one of a sister board in the socket.

    Its contents are nearly the same, so that little is to be written.
    """
    add_chip(place.bench, "new", part=PART, unique_id=OTHER_NUMBER, contents=sister())
    swap_chip(place.bench, "new")
    return place


def sister() -> bytes:
    image = bytearray(contents())
    image[0x40_0000:0x40_0010] = b"another board's "
    return bytes(image)


def own_cells(place: Workplace) -> bytes:
    return (place.bench / "chips" / "first" / "cells").read_bytes()


def test_the_image_goes_onto_the_new_chip_and_the_own_one_into_a_bag(two_chips: Workplace) -> None:
    before = own_cells(two_chips)

    with timing_the_write() as taken_s:
        written = two_chips.on_job("write", "--to-new-chip", "--yes", *BAG)

    assert written.exit_code == 0, written.stderr
    shown = re.search(r"^  time +about ([0-9.]+) s, ", written.stdout, re.MULTILINE)
    assert shown is not None
    assert [float(shown[1])] == pytest.approx(taken_s, abs=0.5 + 0.1 * taken_s[0])
    assert two_chips.chip().cells == edited(contents())
    assert own_cells(two_chips) == before
    assert "what it held is kept as round-1/kept-1.bin" in written.stdout
    assert "its registers are as the original's already" in written.stdout
    for compared in ("quad enable", "3-byte addresses", "drive strength", "protected: "):
        assert re.search(rf"^ .*{compared}.*, as on the original$", written.stdout, re.MULTILINE)
    assert '"board 17, original chip"' in " ".join(written.stdout.split())
    assert "factory number" in written.stdout
    assert "You may take the chip out." in written.stdout
    coming = run("next", str(two_chips.job))
    assert "the replacement chip last held image 1" in coming.stdout
    held = told(two_chips.on_job("verify", "--json"))
    assert (held["equals"], held["unfinished"]) == ("image 1", False)
    assert held["chip"].startswith("replacement chip 1")


def test_registers_that_were_not_read_are_never_shown_as_the_originals() -> None:
    """Two Micron parts: neither's non-volatile configuration register was read."""
    made, _, _ = carried("MT25QU256A", "MT25QU256A", old_registers={}, new_registers={})

    shown = " ".join(" ".join(row) for row in register_rows(made))

    assert "as the original's already" not in shown
    assert "set to be nothing: what was compared, and what was not, stands below" in shown
    assert shown.count("in the non-volatile configuration register, which is not read") == 3


def test_an_interrupted_write_to_the_new_chip_leads_on_and_next_says_which_chip(
    two_chips: Workplace,
) -> None:
    with open_bench(two_chips.bench) as bench:
        number = bench.chip.operation_number
    arm(two_chips.bench, [LosePower(at_operation=number + 3, seed=3)])
    cut = two_chips.on_job("write", "--to-new-chip", "--yes", *BAG)
    assert cut.exit_code == 4, cut.stderr
    arm(two_chips.bench, [])

    coming = told(run("next", str(two_chips.job), "--json"))
    assert "to replacement chip 1" in coming["why"]
    assert OTHER_NUMBER.hex() in coming["why"]
    assert coming["command"].startswith("flashbench finish")

    swap_chip(two_chips.bench, "first")
    wrong = two_chips.on_job("finish", "--yes")
    assert "the board's own chip" in wrong.stderr
    assert "Half-written is replacement chip 1" in wrong.stderr
    assert three_lines(wrong)[2].endswith(
        "Put that chip in. This one needs nothing:"
        f" flashbench verify {two_chips.job} says what it holds."
    )
    assert own_cells(two_chips) == contents()

    swap_chip(two_chips.bench, "new")
    done = two_chips.on_job("finish", "--yes")
    assert done.exit_code == 0, done.stderr
    assert two_chips.chip().cells == edited(contents())


def test_the_own_chip_in_the_socket_is_refused_and_untouched(place: Workplace) -> None:
    before = place.chip()

    refused = place.on_job("write", "--to-new-chip", "--yes", *BAG)

    assert refused.exit_code == 3
    assert "never written as a replacement" in three_lines(refused)[1]
    assert place.chip() == before


def test_a_larger_chip_is_refused_with_the_reason(place: Workplace) -> None:
    add_chip(place.bench, "larger", part="W25Q256JV", unique_id=OTHER_NUMBER)
    swap_chip(place.bench, "larger")

    refused = place.on_job("write", "--to-new-chip", "--yes", *BAG)

    assert refused.exit_code == 3
    assert "counts from the end of the chip" in three_lines(refused)[1]
    assert "exactly the same size" in three_lines(refused)[2]


def test_restore_puts_the_dump_onto_a_new_chip_without_any_image() -> None:
    with TemporaryDirectory() as folder:
        place = fresh_dump(Path(folder))
        add_chip(place.bench, "new", part=PART, unique_id=OTHER_NUMBER, contents=sister())
        swap_chip(place.bench, "new")

        refused = place.on_job("write", "--to-new-chip", "--yes", *BAG)
        assert refused.exit_code == 3
        assert "restore" in three_lines(refused)[2]
        assert "--to-new-chip" in three_lines(refused)[2]
        facts = told(place.on_job("restore", "--to-new-chip", "--yes", *BAG, "--json"))
        assert len(facts["registers_same"]) == 4
        assert facts["registers_set"] == facts["not_carried_over"] == []

        assert facts["target"] == "original"
        assert facts["kept"] == "round-1/kept-1.bin"
        assert place.chip().cells == contents()


def fresh_dump(folder: Path) -> Workplace:
    from flashbench.rehearsal import create_bench

    place = Workplace(folder)
    create_bench(place.bench, part=PART, contents=contents()).close()
    dumped = place.on_job("dump", "--label", "board 17")
    assert dumped.exit_code == 0, dumped.stderr
    return place


def test_a_missing_job_is_said_before_a_missing_terminal(place: Workplace) -> None:
    missing = run("write", str(place.folder / "nowhere"), *place.at_bench)

    assert missing.exit_code == 3
    assert "There is no job in" in three_lines(missing)[1]


def after_writing(two_chips: Workplace) -> Workplace:
    """The image is on the new chip, and the board has run with it."""
    written = two_chips.on_job("write", "--to-new-chip", "--yes", *BAG)
    assert written.exit_code == 0, written.stderr
    return two_chips


def _last_proven(place: Workplace) -> str:
    said = told(run("next", str(place.job), "--json"))["proven"]
    return str(said[1])


def test_the_own_chip_from_its_bag_proves_no_run_of_the_board(two_chips: Workplace) -> None:
    place = after_writing(two_chips)
    swap_chip(place.bench, "first")

    dumped = told(place.on_job("dump", "--again", "--json"))

    assert dumped["board_wrote"] is None
    assert (
        "this is the board's own chip, which this job left untouched in round 1, not the chip this"
        " job last wrote: it holds what it held then" in dumped["notes"][-1]
    )
    assert _last_proven(place) == dumped["notes"][-1].rstrip(".")
    assert "its processor ran" not in run("next", str(place.job)).stdout


def test_the_new_chip_that_comes_back_says_what_the_board_wrote(two_chips: Workplace) -> None:
    place = after_writing(two_chips)
    path = place.bench / "chips" / "new" / "cells"
    cells = bytearray(path.read_bytes())
    cells[0x70_0000:0x70_0004] = b"ran."
    path.write_bytes(cells)

    wrote = told(place.on_job("dump", "--again", "--json"))["board_wrote"]

    assert (wrote["since_round"], wrote["bytes"]) == (1, 4)
    assert "its processor ran" in _last_proven(place)


def test_a_third_chip_is_no_later_round_of_the_job(two_chips: Workplace) -> None:
    place = after_writing(two_chips)
    add_chip(place.bench, "third", part=PART, unique_id=b"thirdone", contents=contents())
    swap_chip(place.bench, "third")

    refused = place.on_job("dump", "--again")

    assert refused.exit_code == 3
    _, seen, way = three_lines(refused)
    assert f"factory number {b'thirdone'.hex()}) is none of the chips of job board 17" in seen
    assert f"factory number {OTHER_NUMBER.hex()}." in seen, "the proven replacement"
    assert "Put the job's chip in." in way
    assert "opens a job of its own: flashbench dump NEWJOB" in way
    assert way.endswith(f"flashbench restore {place.job} --to-new-chip")
    assert not (place.job / "round-2").exists()


def test_after_a_round_of_a_wrong_chip_the_right_one_leads_on(two_chips: Workplace) -> None:
    place = two_chips
    with Job.open(place.job) as job:
        wrong = AChip(
            jedec_id="ef4018", unique_id="0123456789abcdef", profile=a_profile(density_bytes=SIZE)
        )
        job.open_round(wrong)
        job.save_original(b"\xff" * SIZE, chip_facts=wrong.facts(), ways=("one", "two"))
    swap_chip(place.bench, "first")
    again = f"flashbench dump {place.job} --again"

    met = [place.on_job("verify"), place.on_job("restore", "--round", "1", "--yes")]
    said = " ".join(run("next", str(place.job)).stdout.split())
    dumped = place.on_job("dump", "--again")

    for refused in met:
        assert refused.exit_code == 3
        assert three_lines(refused)[2] == (
            "If round 2 was dumped from a wrong chip, and this is the board's, take it as the next"
            f" round: {again}. Else put the chip of round 2 in."
        )
    assert f"(if it is not this board's, put that in: {again})" in said
    assert dumped.exit_code == 0, dumped.stderr
    assert (place.job / "round-3" / "original.bin").read_bytes() == contents()


def test_contents_that_this_job_made_are_not_the_board_s_writing(two_chips: Workplace) -> None:
    place = after_writing(two_chips)
    (place.bench / "chips" / "new" / "cells").write_bytes(contents())

    dumped = told(place.on_job("dump", "--again", "--json"))

    assert dumped["board_wrote"] is None
    assert "the chip holds the original of round 1, byte for byte" in dumped["notes"][-1]
    assert "nothing proves that its processor ran" in dumped["notes"][-1]
