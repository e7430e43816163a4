"""What stands on the screen beside a progress line: messages on lines of their own."""

import re

import pytest

from tests.cli.terminal import Terminal

WORKS = """
import sys
from flashbench.cli.bars import Bars
from flashbench.cli.output import command
from flashbench.progress import StopRequest

SAYS = {
    "say": lambda output: output.say("image 1 is the original"),
    "warn": lambda output: output.warn("Stopping as soon as the chip is idle."),
    "ask": lambda output: output.ask("Write it?"),
}
with command(json=False) as output:
    output.label = "board 17"
    with Bars(label="board 17", stop=StopRequest(), model_time=False) as bars:
        bars("finding the clock", 0, 5, None)
        bars("finding the clock", 1, 5, None)
        bars("writing", 40, 100, 36.0)
        SAYS[sys.argv[1]](output)
        bars("writing", int(sys.argv[2]), 100, 0.0)
    output.say("done")
"""
"""A search that ends before its last step, then a write, amid which something is said."""

LINES = {
    "say": "image 1 is the original",
    "warn": "board 17: Stopping as soon as the chip is idle.",
    "ask": "board 17: Write it? [yes/no] no",
}


def screen(terminal: Terminal) -> list[str]:
    """The lines that stay, without the bar's own blocks."""
    lines = (re.sub(r"\W+$", "", line) for line in terminal.text.splitlines())
    return [line for line in lines if line]


@pytest.mark.parametrize("how", LINES)
def test_what_is_said_while_a_bar_stands_has_a_line_of_its_own(how: str) -> None:
    with Terminal([how, "100"], program=WORKS) as terminal:
        if how == "ask":
            assert terminal.asked() == "board 17: Write it? [yes/no]"
            terminal.answer("no")
        assert terminal.ends() == 0

    said, complete, last = screen(terminal)
    assert said == re.sub(r"\W+$", "", LINES[how])
    assert complete.startswith("board 17: writing 100 % ")
    assert last == "done"


def test_a_bar_that_ended_early_is_taken_away() -> None:
    with Terminal(["say", "60"], program=WORKS) as terminal:
        assert terminal.ends() == 0

    assert screen(terminal) == ["image 1 is the original", "done"]


LOOKS = """
from flashbench.cli.check_contact import LiveLine
from flashbench.cli import check_contact
from flashbench.cli.output import Output

check_contact.live_text = lambda look: "S T A B L E"
line = LiveLine()
line.show(None)
Output(json=False).warn("Stopping as soon as the chip is idle.")
line.show(None)
line.close()
"""


def test_what_is_said_while_the_contact_is_watched_has_a_line_of_its_own() -> None:
    with Terminal([], program=LOOKS) as terminal:
        assert terminal.ends() == 0

    assert screen(terminal) == ["Stopping as soon as the chip is idle", "S T A B L E"]
