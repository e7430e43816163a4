"""A live board under the clip: every command that reaches for a chip leaves it alone."""

from collections.abc import Callable
from typing import Any

import pytest

from flashbench.rehearsal import arm
from flashbench.rehearsal.bench import Bench
from flashbench.rehearsal.faults import LineHeldLow, LosePower, SecondMaster
from tests.cli.test_bench import watched
from tests.cli.workplace import Workplace, run, three_lines, told


@pytest.fixture
def benches(monkeypatch: pytest.MonkeyPatch) -> list[Bench]:
    """The benches that commands have opened."""
    return watched(monkeypatch)


def demand_left_alone(benches: list[Bench]) -> None:
    (bench,) = benches
    assert not bench.adapter.pins.ever_driven
    assert bench.adapter.pins.contentions == 0


TAKES_A_CHIP: dict[str, Callable[[Workplace], Any]] = {
    "identify": lambda place: run("identify", *place.at_bench),
    "dump": lambda place: run("dump", str(place.folder / "another"), *place.at_bench),
    "write": lambda place: place.on_job("write", "--yes"),
    "verify": lambda place: place.on_job("verify"),
    "restore": lambda place: place.on_job("restore", "--yes"),
    "whose": lambda place: run("whose", str(place.folder), *place.at_bench),
}


@pytest.mark.parametrize("verb", TAKES_A_CHIP)
def test_another_master_is_refused_before_a_pin_is_driven(
    verb: str, place: Workplace, benches: list[Bench]
) -> None:
    arm(place.bench, [SecondMaster()])

    result = TAKES_A_CHIP[verb](place)

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "The chip is untouched."
    assert seen.endswith("while flashbench drove nothing: another chip is using this bus.")
    assert next_step.startswith("Take the board's own supply off, hold its controller in reset")
    demand_left_alone(benches)


@pytest.mark.parametrize("verb", ["finish", "restore"])
def test_a_half_written_chip_is_left_as_it_is_and_made_whole_once_the_board_is_still(
    verb: str, place: Workplace, benches: list[Bench]
) -> None:
    arm(place.bench, [LosePower(at_operation=3, seed=3)])
    assert place.on_job("write", "--yes").exit_code == 4
    benches.clear()
    arm(place.bench, [SecondMaster()])
    before = place.chip()

    refused = place.on_job(verb, "--yes")

    assert refused.exit_code == 3
    assert "another chip is using this bus" in three_lines(refused)[1]
    assert refused.stdout.splitlines()[-1].startswith("board 17: Leave the chip in: ")
    demand_left_alone(benches[:1])
    assert place.chip() == before
    arm(place.bench, [])
    assert place.on_job(verb, "--yes").exit_code == 0


def test_the_contact_check_names_it(place: Workplace, benches: list[Bench]) -> None:
    arm(place.bench, [SecondMaster()])

    facts = told(run("check-contact", *place.at_bench, "--json"))

    assert facts["diagnosis"] == "another master"
    assert facts["stable"] is False
    assert facts["next_action"].startswith("Take the board's own supply off")
    demand_left_alone(benches)


def test_a_line_held_low_is_said_and_does_not_stop(place: Workplace) -> None:
    arm(place.bench, [LineHeldLow(line="SCK")])

    result = run("identify", *place.at_bench)

    assert result.exit_code == 0, result.stderr
    assert "SCK stands low while nothing here drives it" in " ".join(result.stdout.split())
