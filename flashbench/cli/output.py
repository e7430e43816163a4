"""What commands say: lines of at most 80 columns, one JSON object, three lines of an error."""

import json
import os
import sys
import textwrap
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import typer

from flashbench import early_stop
from flashbench.cli.asking import typed_line
from flashbench.cli.streams import READER_GONE, Stream
from flashbench.errors import FlashbenchError, Interrupted, OtherChip, ProofUnrecorded
from flashbench.wording import shown

COLUMNS: Final = 80
_INTERNAL_ERROR: Final = 1
_OUTPUT_LOST: Final = 1
_HALF_WRITTEN: Final = 4


class Output:
    """Everything one command says, on stdout unless it went wrong.

    `label` is the job's; `pins_driven` is set before the first pin is, and then the last line
    tells what may be done with the chip. `job_half_written` is set where the job has an
    unfinished write: unless all went well, the chip in the socket may be the half-written one,
    and then that line is said whether pins were driven or not. With `json`, `facts` are all
    that stdout gets, or `found` where a command answers with a list; a `nested` command leaves
    them to the one it is part of. One that `only_tells` has done nothing if nobody reads it.
    """

    def __init__(self, *, json: bool, nested: bool = False, only_tells: bool = False) -> None:
        self.json = json
        self.nested = nested
        self.only_tells = only_tells
        self.status = 0
        self.label = ""
        self.pins_driven = False
        self.pins_may_be_on = False
        self.job_half_written = False
        self.chip_stays = False  # a step of more follows, which reads the same chip
        self._other_chip = False
        self._proof_unrecorded = False
        self.facts: dict[str, Any] = {}
        self.found: list[dict[str, Any]] | None = None
        self.stdout_is_a_file = False  # then the last line goes where it cannot spoil it
        self._stdout = Stream(err=False)
        self._stderr = Stream(err=True)

    def say(self, text: str = "") -> None:
        """A paragraph."""
        self._line("\n".join(_wrapped(text, indent="")))

    def block(self, text: str) -> None:
        """Lines that are laid out already."""
        self._line(_shown_lines(text.rstrip("\n")))

    def rows(self, rows: Sequence[tuple[str, str]]) -> None:
        """Names on the left, what they are on the right."""
        width = max(len(name) for name, _ in rows) + 2
        for name, text in rows:
            lines = _wrapped(text, indent=" " * (width + 2), columns=COLUMNS)
            lines[0] = f"  {name:<{width}}{lines[0].lstrip()}"
            self._line("\n".join(lines))

    def ask(self, question: str) -> bool:
        """Put a question to whoever sits at the terminal, until it is answered by yes or no.

        The end of the input is a no.
        """
        while answer := self._answer_to(f"{self._labelled(question)} [yes/no] "):
            word = answer.strip().lower()
            if word in ("y", "yes", "n", "no"):
                return word in ("y", "yes")
            self.warn("Say yes or no.")
        return False

    def ask_text(self, question: str, *, labelled: bool = True) -> str | None:
        """Ask for a line; None if the input has ended."""
        asked = self._labelled(question) if labelled else shown(question)
        answer = self._answer_to(f"{asked} ")
        return answer.rstrip("\r\n") if answer else None

    def _answer_to(self, prompt: str) -> str:
        """The line typed; nothing if the input has ended, or if nobody can see the question."""
        if self._stderr.lost is not None:
            return ""
        try:
            return typed_line(prompt)
        except OSError:  # the terminal is gone
            return ""

    def warn(self, text: str) -> None:
        """A line on stderr, where it is seen even if stdout goes into a file."""
        self._stderr.put(self._paragraph(self._labelled(text), in_story=False))

    def refuse(self, error: FlashbenchError) -> None:
        """The three lines of an error."""
        self.status = error.exit_status
        self._other_chip = isinstance(error, OtherChip)
        self._proof_unrecorded = isinstance(error, ProofUnrecorded)
        if self.json:
            self.facts["error"] = {
                "state": error.state,
                "seen": error.seen,
                "next_step": error.next_step,
                "exit_status": error.exit_status,
            }
        for sentence in (error.state, error.seen, error.next_step):
            self._complain(self._paragraph(sentence, in_story=self.nested))

    def crash(self, error: Exception, *, with_traceback: bool) -> None:
        """One line for what nobody foresaw."""
        self.status = _INTERNAL_ERROR
        seen = f"flashbench failed by a fault of its own: {type(error).__name__}: {error}"
        if self.json:
            self.facts["error"] = {
                "state": "Not known.",
                "seen": seen,
                "next_step": "Repeat with FLASHBENCH_DEBUG=1 and send in what it prints.",
                "exit_status": _INTERNAL_ERROR,
            }
        if with_traceback:
            self._complain(_shown_lines("".join(traceback.format_exception(error)).rstrip()))
        self._complain(shown(" ".join(seen.split())))

    def end(self) -> None:
        """The JSON, or the last line."""
        speaks_of_chip = self.pins_driven or self._may_be_half_written
        if speaks_of_chip:
            self.facts["chip_may_be_taken_out"] = self._may_be_taken_out
        if self.json and not self.nested:
            self._stdout.put(json.dumps(self.facts if self.found is None else self.found, indent=2))
        if speaks_of_chip and not self._is_silent:
            elsewhere = self.json or self.stdout_is_a_file
            (self._stderr if elsewhere else self._stdout).put(self._labelled(self._last_line()))
        if self._stdout.lost is not None:
            self._tell_of_lost_stdout(self._stdout.lost, speaks_of_chip=speaks_of_chip)

    def _tell_of_lost_stdout(self, error: OSError, *, speaks_of_chip: bool) -> None:
        """The status goes on saying what became of the chip; what is said of it, stderr gets."""
        read_enough = self._stdout.has_no_reader
        is_the_result = not self.pins_driven or self.stdout_is_a_file
        if self.status == 0 and read_enough and self.only_tells:
            self.status = READER_GONE
        elif self.status == 0 and is_the_result and not read_enough:
            self.status = _OUTPUT_LOST
        if read_enough and not speaks_of_chip:
            return
        why = "nobody reads it any more" if read_enough else error.strerror or str(error)
        kept = " What it changed is in the job's journal." if self.label else ""
        self.warn(
            f"Not all of this could be printed on stdout: {why}. The work itself went on.{kept}"
        )
        if speaks_of_chip and not (self.json or self.stdout_is_a_file):
            self.warn(self._last_line())

    @property
    def _may_be_taken_out(self) -> bool:
        return not (
            self.status == _HALF_WRITTEN or self._may_be_half_written or self.pins_may_be_on
        )

    @property
    def _may_be_half_written(self) -> bool:
        return self.job_half_written and self.status != 0 and not self._other_chip

    def _last_line(self) -> str:
        if self._proof_unrecorded:
            return "Leave the chip in: it is written, and has to be read again for the journal."
        if self.status == _HALF_WRITTEN:
            return "Leave the chip in: it is half-written."
        if self._may_be_half_written:
            return "Leave the chip in: the job has a half-written chip, and this may be it."
        if self.pins_may_be_on:
            return "Unplug the adapter; then you may take the chip out."
        if self.chip_stays and self.status == 0:
            return "Leave the chip in: the next step reads it."
        return "You may take the chip out."

    @property
    def _is_silent(self) -> bool:
        """A part of a command that says everything in one JSON object."""
        return self.json and self.nested

    def _paragraph(self, sentence: str, *, in_story: bool) -> str:
        """A line for stderr: in a pipe as it is, for eyes in 80 columns, indented from its second
        line on. So is one `in_story` wherever it goes: of a part, it stands on stdout."""
        if not (in_story or sys.stderr.isatty()):
            return shown(sentence)
        return "\n".join(_wrapped(sentence, indent="", hanging="  "))

    def _complain(self, text: str) -> None:
        if not self._is_silent:
            # Of a part it belongs to the story.
            (self._stdout if self.nested else self._stderr).put(text)

    def _labelled(self, text: str) -> str:
        return shown(f"{self.label}: {text}" if self.label else text)

    def _line(self, text: str) -> None:
        if not self.json:
            self._stdout.put(text)


@contextmanager
def command(
    *, json: bool, traceback: bool = False, nested: bool = False, only_tells: bool = False
) -> Iterator[Output]:
    """The one place where errors become lines and exit statuses.

    A fault of flashbench itself shows its traceback if `traceback` or FLASHBENCH_DEBUG=1.
    """
    output = Output(json=json, nested=nested, only_tells=only_tells)
    try:
        early_stop.disarm()
        yield output
    except FlashbenchError as error:
        output.refuse(error)
    except KeyboardInterrupt:
        output.refuse(Interrupted("Stopped on request.", next_step="Run it again to start over."))
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        debugging = traceback or os.environ.get("FLASHBENCH_DEBUG") == "1"
        output.crash(error, with_traceback=debugging)
    output.end()
    if output.status:
        raise typer.Exit(output.status)


def size_text(byte_count: int) -> str:
    """A flash size: "128 Mbit (16 MiB)"."""
    bits = byte_count * 8
    bit_text = f"{bits >> 20} Mbit" if bits >= 1 << 20 else f"{bits >> 10} Kbit"
    return f"{bit_text} ({bytes_text(byte_count)})"


def bytes_text(byte_count: int) -> str:
    """A count of bytes: "16 MiB" where it is whole, "1026 bytes" where it is not."""
    for shift, unit in ((20, "MiB"), (10, "KiB")):
        if byte_count and byte_count % (1 << shift) == 0:
            return f"{byte_count >> shift} {unit}"
    return f"{byte_count} byte{'' if byte_count == 1 else 's'}"


def time_text(seconds: float) -> str:
    """A duration to plan by: "45 ms", "2.5 s", "27 s", "3 min 20 s"."""
    if seconds < 0.9995:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    return f"{whole} s" if whole < 120 else f"{whole // 60} min {whole % 60} s"


def hz_text(hz: int) -> str:
    """A clock: "10 MHz", "400 kHz"."""
    return f"{hz / 1e6:.4g} MHz" if hz >= 10**6 else f"{hz / 1e3:.4g} kHz"


def many(count: int, noun: str, plural: str = "") -> str:
    """ "1 unit", "3 units"; "2 stretches" where the plural is given."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def listed(name: str, texts: Sequence[str]) -> list[tuple[str, str]]:
    """Rows for `Output.rows`: one a text, the name at the first."""
    return [(name if number == 0 else "", text) for number, text in enumerate(texts)]


def the_target(name: str, *, round_number: int = 1) -> str:
    """ "the original", "image 2"; of a later round with its number."""
    said = f"the {name}" if name in ("original", "best reading") else name
    return said if round_number == 1 else f"{said} of round {round_number}"


def hanging_lines(text: str) -> list[str]:
    """`text` in lines of at most 80 columns, indented from the second on; as it is if it fits."""
    return [text] if len(text) <= COLUMNS else _wrapped(text, indent="", hanging="  ")


def _shown_lines(text: str) -> str:
    return "\n".join(map(shown, text.split("\n")))


def _wrapped(text: str, *, indent: str, hanging: str = "", columns: int = COLUMNS) -> list[str]:
    """Lines of at most `columns`; a path or a hash that is longer stays in one piece."""
    return textwrap.wrap(
        shown(text),
        columns,
        initial_indent=indent,
        subsequent_indent=indent + hanging,
        break_long_words=False,
        break_on_hyphens=False,
    ) or [indent]
