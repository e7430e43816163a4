"""stdout or stderr that is lost: the work on the chip goes on, and the status tells of the chip.

What a closed pipe (EPIPE) and a full device (ENOSPC) do to a write is POSIX's, write(2); /dev/full
is Linux's, full(4). That a shell shows 128 and the signal's number of a program that SIGPIPE ended
is bash(1), "Exit status".
"""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from flashbench.cli.bars import Bars
from flashbench.cli.output import Output
from flashbench.progress import StopRequest
from tests.cli.workplace import Workplace, contents, edited

FULL = Path("/dev/full")
TAKE_OUT = "board 17: You may take the chip out."

on_linux = pytest.mark.skipif(not FULL.exists(), reason="there is no /dev/full here")


def closed_pipe() -> int:
    """Like `| head -0`: a pipe whose reader is gone."""
    reader, writer = os.pipe()
    os.close(reader)
    return writer


def full_device() -> int:
    return os.open(FULL, os.O_WRONLY)


def typed(*words: str, stdout: int, stderr: int = subprocess.PIPE) -> tuple[int, str]:
    """Run a command with these ends; its status, and what stderr got."""
    ended = subprocess.run(
        [sys.executable, "-m", "flashbench", *words],
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=stderr,
        check=False,
    )
    os.close(stdout)
    return ended.returncode, (ended.stderr or b"").decode()


def write_words(place: Workplace) -> tuple[str, ...]:
    return ("write", str(place.job), "--label", place.bag, "--yes", *place.at_bench)


def test_a_write_whose_reader_is_gone_ends_all_the_same(place: Workplace) -> None:
    status, stderr = typed(*write_words(place), stdout=closed_pipe())

    assert status == 0
    assert place.chip().cells == edited(contents())
    assert (
        "Not all of this could be printed on stdout: nobody reads it any more. The work itself"
        " went on. What it changed is in the job's journal." in stderr
    )
    assert stderr.splitlines()[-1] == TAKE_OUT
    assert "Exception ignored" not in stderr


@on_linux
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_write_that_prints_to_a_full_disk_ends_all_the_same(
    place: Workplace, more: tuple[str, ...]
) -> None:
    status, stderr = typed(*write_words(place), *more, stdout=full_device())

    assert status == 0
    assert place.chip().cells == edited(contents())
    assert "could be printed on stdout: No space left on device." in stderr
    assert TAKE_OUT in stderr.splitlines()
    assert "fault of its own" not in stderr


def test_a_write_that_nobody_hears_at_all_ends_all_the_same(place: Workplace) -> None:
    gone = closed_pipe()

    status, _ = typed(*write_words(place), stdout=closed_pipe(), stderr=gone)

    os.close(gone)
    assert status == 0
    assert place.chip().cells == edited(contents())


def test_a_refusal_keeps_its_status_when_nobody_reads_stdout(place: Workplace) -> None:
    place.set_cells(0x40, b"its board ran")

    status, stderr = typed("verify", str(place.job), *place.at_bench, stdout=closed_pipe())

    assert status == 3
    assert stderr.splitlines()[-1] == TAKE_OUT


@pytest.mark.parametrize("words", [("--help",), ("write", "--help"), ("lookup", "W25Q128JV")])
def test_what_only_tells_ends_like_any_program_whose_reader_is_gone(words: tuple[str, ...]) -> None:
    assert typed(*words, stdout=closed_pipe()) == (128 + signal.SIGPIPE, "")


def test_a_wrong_call_that_nobody_hears_is_still_a_wrong_call() -> None:
    gone = closed_pipe()

    status, _ = typed("write", "--json", stdout=closed_pipe(), stderr=gone)

    os.close(gone)
    assert status == 2


def test_a_board_that_is_booked_in_is_done_though_nobody_reads_so(tmp_path: Path) -> None:
    words = ("intake", str(tmp_path / "job"), "--label", "board 17", "--fault", "dark")
    assert typed(*words, "--json", stdout=closed_pipe()) == (0, "")
    assert (tmp_path / "job" / "intake.toml").exists()


@on_linux
def test_a_table_that_could_not_be_printed_is_a_failure() -> None:
    status, stderr = typed("lookup", "W25Q128JV", stdout=full_device())

    assert status == 1
    assert "No space left on device" in stderr
    assert "fault of its own" not in stderr


class _GoneTerminal:
    """A terminal that was closed: everything drawn on it fails, as on a hung-up one (EIO)."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")

    def flush(self) -> None:
        raise OSError(5, "Input/output error")

    def fileno(self) -> int:
        raise OSError("no file")


def test_a_bar_on_a_terminal_that_is_gone_does_not_stop_the_work(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stderr", _GoneTerminal())

    with Bars(label="board 17", stop=StopRequest(), model_time=False) as bars:
        bars("writing", 0, 100, 1.0)
        bars("verify", 100, 100, 0.0)


def test_a_warning_on_a_terminal_that_is_gone_does_not_stop_the_work(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    output = Output(json=False)
    monkeypatch.setattr(sys, "stderr", _GoneTerminal())

    output.warn("Stopping as soon as the chip is idle.")

    assert not output.ask("Write image 1 to this chip?")


@on_linux
def test_help_that_cannot_be_printed_is_a_sentence() -> None:
    status, stderr = typed("--help", stdout=full_device())

    assert (status, stderr) == (1, "stdout cannot be printed on: No space left on device.\n")
