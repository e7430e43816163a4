"""Whose chip is in the socket: asked outright, and said where a stranger's chip is refused."""

import hashlib
import shutil

import pytest

from flashbench.job.events import AnnouncedUnit, WriteAnnounced
from flashbench.job.folder import Job
from flashbench.rehearsal.bench import add_chip, swap_chip
from tests.cli.workplace import PART, Workplace, contents, edited, run, three_lines, told

NEIGHBOUR = "Miller, bag 18"


@pytest.fixture
def two(place: Workplace) -> Workplace:
    """Two jobs on one shelf; the chip of the neighbour lies beside the socket."""
    add_chip(place.bench, "neighbour's", part=PART, contents=contents(2))
    swap_chip(place.bench, "neighbour's")
    folder = place.folder / "next-door"
    result = run("dump", str(folder), "--label", NEIGHBOUR, *place.at_bench)
    assert result.exit_code == 0, result.stderr
    return place


def test_whose_names_the_job_and_changes_nothing(two: Workplace) -> None:
    before = two.chip()

    neighbour = run("whose", str(two.folder), *two.at_bench)
    swap_chip(two.bench, "first")
    own = told(run("whose", str(two.folder), "--json", *two.at_bench))

    assert neighbour.exit_code == 0, neighbour.stderr
    assert f"This is the chip of job {NEIGHBOUR}." in neighbour.stdout
    assert "its original of round 1, byte for byte" in neighbour.stdout
    assert neighbour.stdout.splitlines()[-1] == "You may take the chip out."
    assert own["owner"]["label"] == "board 17"
    assert (own["owner"]["image"], own["owner"]["equal"]) == ("original", True)
    swap_chip(two.bench, "neighbour's")
    assert two.chip() == before


def test_a_chip_that_ran_since_is_told_by_its_sectors(two: Workplace) -> None:
    with (two.bench / "chips" / "neighbour's" / "cells").open("r+b") as cells:
        cells.seek(0x0030_0000)
        cells.write(b"the board wrote this")

    facts = told(run("whose", str(two.folder), "--json", *two.at_bench))

    assert facts["owner"]["label"] == NEIGHBOUR
    assert facts["owner"]["equal"] is False
    assert facts["owner"]["sectors"] - facts["owner"]["same_sectors"] == 1


def test_an_empty_shelf_owns_no_chip(fresh: Workplace) -> None:
    result = run("whose", str(fresh.folder), *fresh.at_bench)

    assert result.exit_code == 0
    assert "No job on this shelf is clearly the one of this chip (0 jobs" in result.stdout


def _half_write(two: Workplace) -> None:
    """Give the job an unfinished write, its own chip being out of the socket."""
    with Job.open(two.job) as job:
        original = job.load_original()
        job.announce(
            WriteAnnounced(
                target_sha256=hashlib.sha256(edited(contents())).hexdigest(),
                target_name="image 1",
                jedec_id=original.jedec_id.hex(),
                unique_id=None if original.unique_id is None else original.unique_id.hex(),
                kept_number=None,
                units=(AnnouncedUnit(start=0, size=4096, erase_opcode=0x20),),
                session_id="0",
                registers_before={},
            )
        )


@pytest.mark.parametrize("verb", ["write", "restore", "finish", "verify"])
def test_a_neighbour_s_chip_is_refused_by_name_and_stays_as_it_is(
    two: Workplace, verb: str
) -> None:
    if verb == "finish":
        _half_write(two)
    before = two.chip()

    result = two.on_job(verb, *(() if verb == "verify" else ("--yes",)))

    assert result.exit_code in (3, 4), result.stderr
    _, seen, next_step = three_lines(result)
    assert f"It is the chip of job {NEIGHBOUR} (next-door)" in seen
    assert "its original of round 1, byte for byte" in seen
    back = f"Put it back into the bag of {NEIGHBOUR}"
    assert next_step == f"{back}; then put in the chip of board 17."
    assert two.chip() == before


def test_a_chip_that_ran_since_is_not_called_a_stranger_s(place: Workplace) -> None:
    place.set_cells(0x0030_0000, b"the board wrote this")

    seen = three_lines(place.on_job("write", "--yes"))[1]

    assert "It resembles this job itself most:" in seen


def test_a_refusal_stands_where_the_shelf_knows_nobody(two: Workplace) -> None:
    shutil.rmtree(two.folder / "next-door")

    result = two.on_job("restore", "--yes")

    assert result.exit_code == 3
    assert "It is the chip of job" not in result.stderr
