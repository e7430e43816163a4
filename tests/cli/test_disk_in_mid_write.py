"""The job's disk fills up in the middle of a write: what is said last, and the way on."""

import errno

import pytest

from flashbench.cli.bars import Bars
from flashbench.cli.output import Output
from flashbench.job.disk import Disk
from tests.cli.workplace import Workplace, contents, edited


def fill_the_disk(monkeypatch: pytest.MonkeyPatch, *, at_step: str) -> None:
    """From the first byte of a step on, nothing more is taken by the disk."""
    watched = Bars.__call__

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def watching(
        bars: Bars, now: str, done: int, total: int, seconds_left: float | None, /
    ) -> None:
        if now == at_step and done:
            for name in ("write", "write_over", "allocate"):
                monkeypatch.setattr(Disk, name, full)
        watched(bars, now, done, total, seconds_left)

    monkeypatch.setattr(Bars, "__call__", watching)


def test_a_proven_chip_whose_journal_is_not_complete_is_not_called_half_written(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as hooked:
        fill_the_disk(hooked, at_step="writing")
        result = place.on_job("write", "--yes")

    assert result.exit_code == 4
    assert place.chip().cells == edited(contents())
    assert result.stderr.splitlines() == [
        "board 17: The journal of job board 17 is incomplete on disk: No space left on device."
        " The write itself went on.",
        "The chip holds image 1, and was read back; the job's journal may not say so.",
        "The disk refused while closing the journal (job board 17): No space left on device.",
        "Make room on that disk, or repair it, then have the chip read again, which completes the"
        f" job's journal: flashbench finish {place.job}",
    ]
    assert result.stdout.splitlines()[-1] == (
        "board 17: Leave the chip in: it is written, and has to be read again for the journal."
    )

    finished = place.on_job("finish", "--yes")
    assert finished.exit_code == 0, finished.stderr
    assert finished.stdout.splitlines()[-1] == "board 17: You may take the chip out."


def test_on_a_terminal_a_warning_has_lines_of_80_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    output = Output(json=False)
    output.label = "board 17"

    output.warn(
        "The journal of job board 17 is incomplete on disk: No space left on device. The write"
        " itself went on."
    )

    assert capsys.readouterr().err.splitlines() == [
        "board 17: The journal of job board 17 is incomplete on disk: No space left on",
        "  device. The write itself went on.",
    ]
