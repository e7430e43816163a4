"""The label on the bag: asked for before a chip is changed, and never answered by --yes."""

import pytest
from typer.testing import CliRunner

from flashbench.cli import app
from flashbench.cli.bag import ends_label, label_end
from flashbench.rehearsal import arm, open_bench
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import Workplace, run, three_lines


@pytest.mark.parametrize("verb", ["write", "restore"])
def test_another_bag_is_refused_before_any_pin_is_driven(place: Workplace, verb: str) -> None:
    before = place.chip()

    result = place.on_job(verb, "--yes", "--label", "d18")

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "The chip is untouched."
    assert seen == "The label of this job does not end in 'd18'."
    assert next_step.startswith("Look at the bag and at the folder that was named")
    assert "chip out" not in result.stdout, "no pin was driven"
    assert place.chip() == before


def test_too_short_an_end_of_the_right_label_is_told_as_that(place: Workplace) -> None:
    result = place.on_job("write", "--yes", "--label", "1 7")

    assert result.exit_code == 3
    assert list(three_lines(result)[1:]) == [
        "'1 7' is too little of a label to tell its bag from another.",
        "Say its last 3 characters, spaces not counted.",
    ]


@pytest.mark.parametrize("verb", ["write", "restore"])
def test_yes_does_not_answer_for_the_bag(place: Workplace, verb: str) -> None:
    before = place.chip()

    result = run(verb, str(place.job), "--yes", *place.at_bench)

    assert result.exit_code == 2
    assert "--yes does not answer this" in three_lines(result)[2]
    assert place.chip() == before


def test_at_a_terminal_the_question_does_not_give_the_answer_away(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.cli.bag.someone_can_be_asked", lambda output: not output.json)
    before = place.chip()

    result = CliRunner().invoke(
        app, ["write", str(place.job), "--yes", *place.at_bench], input="b17\n"
    )

    assert result.exit_code == 3
    asked = result.stderr.split("?")[0]
    assert asked == "The last three characters of the label on the bag, spaces not counted"
    assert place.chip() == before


def test_a_half_written_chip_is_not_kept_waiting_for_its_bag(place: Workplace) -> None:
    with open_bench(place.bench) as bench:
        at_operation = bench.chip.operation_number + 5
    arm(place.bench, [LosePower(at_operation=at_operation)])
    assert place.on_job("write", "--yes").exit_code == 4
    arm(place.bench, [])

    restored = run("restore", str(place.job), "--yes", *place.at_bench)

    assert restored.exit_code == 0, restored.stderr


@pytest.mark.parametrize(
    ("label", "read", "is_it"),
    [
        ("board 17", "d17", True),
        ("board 17", "D17", True),
        ("board 17", " 17", False),  # spaces do not count, so these are two characters
        ("board 17", "board 17", True),
        ("board 17", "", False),
        ("board 17", "17", False),
        ("board 17", "bard 17", False),
        ("17", "17", True),
        ("7", "7", True),
        ("17", "7", False),
        ("Müller 3", "ER3", True),
    ],
)
def test_the_end_of_a_label_is_three_characters_or_all_of_a_shorter_one(
    label: str, read: str, is_it: bool
) -> None:
    assert ends_label(label, read) is is_it


def test_what_is_asked_for_is_an_answer() -> None:
    for label in ("board 17", "17", "7", "practice board 7", "Müller  3 "):
        assert ends_label(label, label_end(label))
