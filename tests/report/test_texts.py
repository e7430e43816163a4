"""Sentences in other languages: complete, and with the names that are filled in."""

import tomllib
from importlib import resources

import pytest

from flashbench.errors import CheckFailed
from flashbench.report.texts import english, parse_texts
from flashbench.report.view import Cell, Open, State


def english_toml() -> str:
    return resources.files("flashbench.report").joinpath("english.toml").read_text("utf-8")


def test_a_translation_of_every_sentence_is_taken() -> None:
    toml = english_toml().replace("Is my data safe?", "Sind meine Daten sicher?")

    assert parse_texts(toml)("customer.data-title") == "Sind meine Daten sicher?"


def test_a_translation_may_leave_a_name_out() -> None:
    toml = english_toml().replace("because {why}", "denn so ist es")

    assert parse_texts(toml)("shelf.next-because", why="anything") == "denn so ist es"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("because {why}", "because {reason}"), "uses {reason}, which the English one does not"),
        (("because {why}", "because {why.__class__}"), "uses {why.__class__}"),
        (("because {why}", "because {why!r}"), "uses {why!r}"),
        (("because {why}", "because {why"), "a brace too many or too few"),
        (('[outcome]\nboots = "The board starts."', "[outcome]"), "lacks outcome.boots"),
        (("[outcome]", '[outcome]\nsmells = "It smells."'), "has unknown outcome.smells"),
        (('boots = "The board starts."', "boots = 3"), "outcome.boots is no sentence"),
        (("[outcome]", "[outcome"), "is not TOML"),
    ],
)
def test_a_translation_that_would_fail_later_is_refused_at_once(
    change: tuple[str, str], said: str
) -> None:
    toml = english_toml()
    assert change[0] in toml

    with pytest.raises(CheckFailed) as refused:
        parse_texts(toml.replace(*change))

    assert said in refused.value.seen
    assert "english.toml" in refused.value.next_step


def test_every_state_cell_and_open_question_has_its_sentence() -> None:
    texts = english()

    for state in State:
        assert all(
            texts.has(f"{section}.{state.value}.{part}")
            for section in ("state", "best")
            for part in ("headline", "lead", "done")
        )
    assert all(texts.has(f"cell.{name}") for name in [*(cell.value for cell in Cell), "protected"])
    assert all(texts.has(f"package.open.{question.value}") for question in Open)


def test_every_sentence_is_used_somewhere() -> None:
    folder = resources.files("flashbench.report")
    code = "".join(
        file.read_text("utf-8") for file in folder.iterdir() if file.name.endswith(".py")
    )
    composed = ("state.", "best.", "cell.", "moment.", "attribute.", "package.open.")

    unused = [
        key
        for key in english().sentences
        if not key.startswith(composed)
        and f'"{key}"' not in code
        and f"'{key}'" not in code
        and not (key.startswith("shelf.") and f'"{key.removeprefix("shelf.")}"' in code)
    ]

    assert unused == []
    assert tomllib.loads(english_toml())["page"]["language"] == "en"
