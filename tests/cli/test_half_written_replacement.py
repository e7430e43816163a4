"""A replacement chip is half-written, and whatever chip is in the socket: what each command says.

The label on the bag cannot tell these chips: the bags of one job's chips end in the same label.
"""

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from flashbench.cli import app
from flashbench.job.folder import Job
from flashbench.rehearsal import add_chip, arm, open_bench, swap_chip
from flashbench.rehearsal.faults import LosePower
from tests.builders.job import a_job
from tests.cli.test_new_chip import OTHER_NUMBER, sister
from tests.cli.workplace import PART, Workplace, run, three_lines, told

OWN = "the board's own chip"
NEW = f"replacement chip 1 (ID ef4018000000, {OTHER_NUMBER.hex()})"
THIRD_NUMBER = "5eed5eed00000003"


@pytest.fixture
def cut_off(place: Workplace) -> Workplace:
    """A replacement is half-written; the board's own chip, whole, is back in the socket."""
    add_chip(place.bench, "new", part=PART, unique_id=OTHER_NUMBER, contents=sister())
    swap_chip(place.bench, "new")
    with open_bench(place.bench) as bench:
        number = bench.chip.operation_number
    arm(place.bench, [LosePower(at_operation=number + 3, seed=3)])
    cut = place.on_job("write", "--to-new-chip", "--yes")
    assert cut.exit_code == 4, cut.stderr
    arm(place.bench, [])
    swap_chip(place.bench, "first")
    return place


def ways(place: Workplace) -> str:
    return f"flashbench finish {place.job}  (or: flashbench restore {place.job})"


def said(result: Result) -> str:
    return " ".join(result.stdout.split())


@pytest.mark.parametrize("more", [(), ("--yes",)])
@pytest.mark.parametrize("verb", ["write", "restore"])
def test_the_whole_own_chip_is_not_taken_for_the_half_written_one(
    cut_off: Workplace, monkeypatch: pytest.MonkeyPatch, verb: str, more: tuple[str, ...]
) -> None:
    monkeypatch.setattr("flashbench.cli.bench.someone_can_be_asked", lambda output: True)
    before = cut_off.chip()

    refused = run(verb, str(cut_off.job), *more, *cut_off.at_bench)

    assert refused.exit_code == 3
    assert three_lines(refused) == (
        "The chip is untouched.",
        f"The chip in the socket is {OWN} of job board 17, and nothing of it is unfinished."
        f" Half-written is {NEW}. It resembles this job itself most: its original of round 1, byte"
        " for byte.",
        f"Put that chip in, and run: {ways(cut_off)}. To write the one in the socket instead, say"
        " so with the same command: --chip-is original",
    )
    assert refused.stdout.endswith("board 17: You may take the chip out.\n")
    assert cut_off.chip() == before


@pytest.mark.parametrize("verb", ["write", "restore"])
def test_who_says_which_chip_it_is_is_asked_its_bag_whatever_yes_says(
    cut_off: Workplace, verb: str
) -> None:
    before = cut_off.chip()

    refused = run(verb, str(cut_off.job), "--yes", "--chip-is", "original", *cut_off.at_bench)

    assert refused.exit_code == 2
    assert three_lines(refused)[1] == (
        "Before a chip is changed, the label on its bag is asked for, and nobody can be asked."
    )
    assert cut_off.chip() == before


def test_a_no_leaves_the_own_chip_whole_and_no_sentence_calls_it_half_written(
    cut_off: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.cli.bench.someone_can_be_asked", lambda output: True)
    before = cut_off.chip()
    words = ["write", str(cut_off.job), "--chip-is", "original", "--label", "d17"]

    declined = CliRunner().invoke(app, [*words, *cut_off.at_bench], input="n\n")

    assert declined.exit_code == 130
    assert "Nothing was changed by this command." in declined.stderr
    assert "half-written from before" not in declined.stderr
    assert f"half-written {NEW}, and it stays so" in said(declined)
    assert declined.stdout.endswith("board 17: You may take the chip out.\n")
    assert cut_off.chip() == before


def test_with_the_own_chip_written_instead_both_doors_stay_open(cut_off: Workplace) -> None:
    written = cut_off.on_job("write", "--yes", "--chip-is", "original")
    assert written.exit_code == 0, written.stderr
    both = (
        f"{NEW} was left half-written: with it in the socket, go on with {ways(cut_off)}; if the"
        " board keeps another chip, it belongs in a bag that says so"
    )

    coming = told(run("next", str(cut_off.job), "--json"))
    assert coming["proven"][-1] == both
    held = told(cut_off.on_job("verify", "--json"))
    assert held["doubts"] == [f"Half-written elsewhere: {both}."]

    swap_chip(cut_off.bench, "new")
    verified = cut_off.on_job("verify")
    known = run("whose", str(cut_off.folder), *cut_off.at_bench)
    for met in (verified, known):
        assert met.exit_code == 4
        assert three_lines(met)[2].endswith(ways(cut_off))
    finished = cut_off.on_job("finish", "--yes")
    assert finished.exit_code == 0, finished.stderr
    assert "the replacement chip last held image 1" in run("next", str(cut_off.job)).stdout
    assert "The chip holds its new contents." in run("report", str(cut_off.job)).stdout


def test_verify_of_the_own_chip_names_the_half_written_one(cut_off: Workplace) -> None:
    verified = cut_off.on_job("verify")

    assert verified.exit_code == 0
    sentence = (
        f"Half-written elsewhere: {NEW} was left half-written: with it in the socket, go on with"
        f" {ways(cut_off)}; if the board keeps another chip, it belongs in a bag that says so."
    )
    assert "".join(sentence.split()) in "".join(verified.stdout.split())


def test_only_a_proven_chip_in_its_place_puts_a_replacement_into_a_bag(
    cut_off: Workplace,
) -> None:
    place = cut_off
    add_chip(place.bench, "third", part=PART, unique_id=bytes.fromhex(THIRD_NUMBER))
    place_contents = place.bench / "chips" / "third" / "cells"
    place_contents.write_bytes(sister())
    swap_chip(place.bench, "third")
    written = place.on_job("write", "--to-new-chip", "--yes")
    assert written.exit_code == 0, written.stderr

    coming = told(run("next", str(place.job), "--json"))
    assert coming["proven"][-1] == (
        f"{NEW} was left half-written: it belongs in a bag that says so, and is not to be used"
    )
    swap_chip(place.bench, "new")
    verified = place.on_job("verify")
    known = run("whose", str(place.folder), *place.at_bench)
    for met, name in ((verified, NEW), (known, "one")):
        assert met.exit_code == 3
        of = f"{name} of job board 17"
        _, seen, way = three_lines(met)
        assert seen.startswith(
            f"The chip in the socket is {of}. It was left half-written, and another one took its"
            " place."
        )
        assert way == (
            "It belongs in a bag that says so, and is not to be used. Put in the chip that the"
            " board has now."
        )
        assert met.stdout.rstrip().endswith("You may take the chip out.")


@pytest.mark.parametrize("verb", ["verify", "finish", "restore", "write"])
def test_a_foreign_chip_is_told_by_its_number_and_the_wanted_one_by_its_own(
    cut_off: Workplace, verb: str
) -> None:
    place = cut_off
    add_chip(place.bench, "third", part=PART, unique_id=bytes.fromhex(THIRD_NUMBER))
    swap_chip(place.bench, "third")
    before = place.chip()

    refused = place.on_job(verb, *(() if verb == "verify" else ("--yes",)))

    assert refused.exit_code == 3
    own_number = told_own_number(place)
    assert three_lines(refused) == (
        "The chip is untouched.",
        f"The chip in the socket (ID ef4018000000, {THIRD_NUMBER}) is none of job board 17."
        f" Half-written is {NEW}; the board's own chip is another one, too (ID ef4018000000,"
        f" {own_number}).",
        f"Put {NEW} in, and run: {ways(place)}",
    )
    assert place.chip() == before


def told_own_number(place: Workplace) -> str:
    with Job.open(place.job) as job:
        assert job.dumped is not None
        return str(job.dumped.unique_id)


def test_write_with_the_half_written_one_in_the_socket_leaves_it_in(cut_off: Workplace) -> None:
    swap_chip(cut_off.bench, "new")

    refused = cut_off.on_job("write", "--yes")

    assert refused.exit_code == 4
    assert three_lines(refused) == (
        "The chip is half-written from before; this command changed nothing.",
        f"The chip in the socket is {NEW} of job board 17, and a write to it was begun and is not"
        " proven.",
        f"Run: {ways(cut_off)}",
    )
    assert refused.stdout.endswith("board 17: Leave the chip in: it is half-written.\n")


@pytest.mark.parametrize("words", [("write",), ("restore",), ("write", "--to-new-chip")])
def test_the_bag_is_asked_only_where_the_supply_is_declared(
    place: Workplace, words: tuple[str, ...]
) -> None:
    verb, *more = words
    refused = run(verb, str(place.job), *more, "--yes", "--adapter", f"rehearsal:{place.bench}")

    assert refused.exit_code == 2
    assert three_lines(refused)[1] == "The supply is not declared, so no pin was driven."
    assert refused.stdout == ""


@pytest.mark.parametrize(
    "words", [("write",), ("restore",), ("write", "--to-new-chip"), ("restore", "--to-new-chip")]
)
def test_the_bag_is_asked_only_of_a_job_that_has_an_original(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    place = Workplace(tmp_path)
    a_job(place.job).close()
    verb, *more = words

    refused = run(verb, str(place.job), *more, "--yes", *place.at_bench)

    assert three_lines(refused) == (
        "This command did not touch the chip.",
        "Round 1 of job job has no original yet.",
        "Dump the chip.",
    )
    assert (refused.exit_code, refused.stdout) == (3, "")
