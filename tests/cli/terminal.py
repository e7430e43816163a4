"""A person at a terminal: commands run behind a pseudo-terminal, and are answered."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

SILENCE_S_MAX = 60.0  # a command that says nothing for so long hangs
_ROOT = Path(__file__).parent.parent.parent
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|[\x03\x04]")
_WAITS = "\x1b[5n"
_TELLS_WHEN_IT_WAITS = f"""
import sys
def waiting(read=sys.stdin.readline):
    sys.stderr.write({_WAITS!r})
    sys.stderr.flush()
    return read()
sys.stdin.readline = waiting
"""
"""Run before a program: it sends a mark that no terminal shows when it begins to wait for a line.
What ends like a question may be a piece of a longer line on a loaded machine."""


class Terminal:
    """A Python `program` with these words, behind a terminal of its own. `said` is all it has
    shown."""

    def __init__(self, words: Sequence[str], *, program: str, columns: int = 80) -> None:
        self._master, slave = pty.openpty()
        _show_no_control_keys(slave)
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.said = ""
        self._heard = 0  # how much of it was answered
        self.process = subprocess.Popen(
            [sys.executable, "-c", _TELLS_WHEN_IT_WAITS + program, *words],
            cwd=_ROOT,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=_take_terminal,  # noqa: PLW1509  # the child runs no threads
            env={**os.environ, "COLUMNS": str(columns), "TERM": "xterm"},
        )
        os.close(slave)

    def asked(self) -> str | None:
        """Read until something is asked: the line that waits for an answer. None at the end."""
        while _WAITS not in self.said[self._heard :]:
            if not self._read():
                return None
        return question_in(plain(self.said[self._heard :]))

    def answer(self, text: str) -> None:
        """Type a line."""
        self._heard = len(self.said)
        self.keys(text + "\n")

    def keys(self, text: str) -> None:
        """Type, without a line's end."""
        os.write(self._master, text.encode())

    def hang_up(self) -> None:
        """The terminal is gone."""
        os.close(self._master)
        self._master = -1

    def ends(self) -> int:
        """Read to the end; the exit status."""
        while self._master >= 0 and self._read():
            pass
        return self.process.wait(timeout=SILENCE_S_MAX)

    @property
    def text(self) -> str:
        """All that was said, without what moves the cursor."""
        return plain(self.said)

    def _read(self) -> bool:
        ready, _, _ = select.select([self._master], [], [], SILENCE_S_MAX)
        if not ready:
            raise AssertionError(f"nothing was said for {SILENCE_S_MAX} s:\n{self.text}")
        try:
            data = os.read(self._master, 65536)
        except OSError:  # Linux: the other end is closed
            return False
        self.said += data.decode(errors="replace")
        return bool(data)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self._master >= 0:
            os.close(self._master)


def question_in(said: str) -> str:
    """What waits for an answer: the last line, or the paragraph above a bare prompt."""
    *lines, prompt = said.rpartition("\r")[2].split("\n")
    if not prompt.endswith(": > "):
        return prompt.strip()
    question = [lines.pop()]
    while lines and len(lines[-1]) > 60 and ": " not in lines[-1]:
        question.insert(0, lines.pop())
    return " ".join(question)


def plain(said: str) -> str:
    """What stays on the screen, line by line: of a line drawn anew, the last."""
    lines = _ESCAPES.sub("", said).replace("\r\n", "\n").split("\n")
    return "\n".join(line.rsplit("\r", 1)[-1] for line in lines)


def _take_terminal() -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def _show_no_control_keys(terminal: int) -> None:
    """A terminal shows ^C some time after it sent the signal: amid what is said next, or behind."""
    attributes = termios.tcgetattr(terminal)
    attributes[3] &= ~termios.ECHOCTL
    termios.tcsetattr(terminal, termios.TCSANOW, attributes)
