"""One question at a time: what is asked, what counts as an answer, and the way to leave."""

from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from flashbench.cli.output import Output
from flashbench.cli.stopping import Stopping

NOT_KNOWN: Final = ("?", "don't know", "dont know", "unknown")
LEAVE: Final = "leave"
_PROMPT_CHARS_MAX: Final = 60  # with room for a short answer in 80 columns

_T = TypeVar("_T")


class Left(Exception):
    """Whoever sits there wants to go on another day, or the terminal is gone."""


class Desk:
    """Where questions are put. Every question can be left by "leave" or by the input's end."""

    def __init__(self, output: Output, stopping: Stopping) -> None:
        self._output = output
        self._stopping = stopping

    def ask(
        self, question: str, read: Callable[[str], _T], *, may_be_unknown: bool = True
    ) -> _T | None:
        """The answer as `read` takes it; None is "not known".

        `read` raises ValueError with what it takes; then the question is put again. Without
        `may_be_unknown` "?" is no answer.

        Raises:
            Left: the answer was "leave", or the input has ended.
            Interrupted: a signal came while waiting.
        """
        while True:
            text = self._line(question)
            if text.lower() in NOT_KNOWN:
                if may_be_unknown:
                    return None
                self._output.say("This one must be known to go on; leave, and come back with it.")
                continue
            if not text:
                hint = "an answer, ? or leave" if may_be_unknown else "an answer, or leave"
                self._output.say(f"Type {hint}.")
                continue
            try:
                return read(text)
            except ValueError as error:
                self._output.say(f"Say {error}.")

    def must(self, question: str, read: Callable[[str], _T]) -> _T:
        """An answer that has to be known. Raises as `ask` does."""
        while True:
            answer = self.ask(question, read, may_be_unknown=False)
            if answer is not None:
                return answer

    def yes(self, question: str) -> bool | None:
        """True, False, or None for "not known"."""
        return self.ask(f"{question} (yes, no or ?)", read_yes)

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """One of `choices`."""
        return self.must(f"{question} ({', '.join(choices)} or {LEAVE})", one_of(choices))

    def ready(self, question: str) -> None:
        """Go on only after a yes. Raises `Left` for a no."""
        if not self.must(f"{question} (yes or leave)", read_yes):
            raise Left

    def _line(self, question: str) -> str:
        if len(self._output.label) + len(question) > _PROMPT_CHARS_MAX:
            self._output.say(question)
            question = ">"
        with self._stopping.at_a_prompt():
            text = self._output.ask_text(question)
        if text is None or text.strip().lower() == LEAVE:
            raise Left
        return text.strip()


def read_text(text: str) -> str:
    """A line as it was typed. Raises ValueError for what no file can keep."""
    if not text.isprintable() or len(text) > 500:
        raise ValueError("one line of at most 500 printable characters")
    return text


def read_yes(text: str) -> bool:
    """ "yes" or "no". Raises ValueError."""
    word = text.lower()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no"):
        return False
    raise ValueError("yes or no")


def read_count(text: str) -> int:
    """A whole number from 0 on. Raises ValueError."""
    if text.isascii() and text.isdigit() and len(text) <= 6:
        return int(text)
    raise ValueError("a whole number")


def one_of(choices: Sequence[str]) -> Callable[[str], str]:
    """Reads one of these words; its beginning will do where it is no other's."""

    def read(text: str) -> str:
        word = text.lower()
        fitting = [choice for choice in choices if choice.lower() == word] or [
            choice for choice in choices if choice.lower().startswith(word)
        ]
        if len(fitting) != 1:
            raise ValueError(f"one of: {', '.join(choices)}")
        return fitting[0]

    return read
