"""What counts as an answer: typed after the question, and one of those that it takes."""

import pytest

from tests.cli.terminal import Terminal

ASKS = """
import select, sys, typer
from flashbench.cli.output import command
from flashbench.cli.stopping import Stopping

def ask():
    with command(json=False) as output:
        stopping = Stopping(output.warn)
        with stopping.on_signals(), stopping.at_a_prompt():
            print("yes" if output.ask("Write it?") else "no", "was answered")

if "typed ahead" in sys.argv:
    select.select([sys.stdin], [], [])
typer.run(ask) if len(sys.argv) == 1 else ask()
"""
"""Asks once; with "typed ahead" not before something was typed."""


def asking(*words: str) -> Terminal:
    return Terminal(words, program=ASKS)


@pytest.mark.parametrize("ahead", ["yes\n", "y\ny\n", "yes\nyes"])
def test_what_was_typed_before_a_question_does_not_answer_it(ahead: str) -> None:
    with asking("typed ahead") as terminal:
        terminal.keys(ahead)
        assert str(terminal.asked()).endswith("Write it? [yes/no]")
        terminal.answer("no")
        assert terminal.ends() == 0

    assert terminal.text.splitlines()[-1] == "no was answered"


@pytest.mark.parametrize("unclear", ["?", "", "maybe", "yes please"])
def test_what_is_neither_yes_nor_no_is_asked_again(unclear: str) -> None:
    with asking() as terminal:
        terminal.asked()
        terminal.answer(unclear)
        assert terminal.asked() == "Write it? [yes/no]"
        assert "Say yes or no." in terminal.text
        terminal.answer("Yes")
        assert terminal.ends() == 0

    assert terminal.text.splitlines()[-1] == "yes was answered"


def test_the_end_of_the_input_is_no_yes_and_what_follows_has_a_line_of_its_own() -> None:
    with asking() as terminal:
        terminal.asked()
        terminal.keys("\x04")
        assert terminal.ends() == 0

    assert terminal.text.splitlines()[-1] == "no was answered"


def test_what_is_said_after_ctrl_c_has_a_line_of_its_own() -> None:
    with asking() as terminal:
        terminal.asked()
        terminal.keys("\x03")
        assert terminal.ends() == 130

    assert "Nothing was changed by this command." in terminal.text.splitlines()
