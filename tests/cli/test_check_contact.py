"""`check-contact` as it is typed: what it says, what it ends with, and the live line."""

import json
import os
import pty
import select
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from typer.testing import CliRunner, Result

from flashbench.cli import app
from flashbench.rehearsal import arm, create_bench, open_bench
from flashbench.rehearsal import faults as f

SILENCE_S_MAX = 60.0
PART, SIZE = "W25Q64JW", 8 << 20


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    folder = tmp_path / "bench"
    create_bench(folder, part=PART, contents=Random(1).randbytes(SIZE)).close()
    return folder


def words(bench: Path, *more: str) -> list[str]:
    return ["check-contact", "--adapter", f"rehearsal:{bench}", "--supply", "1.8", *more]


def run(bench: Path, *more: str) -> Result:
    return CliRunner().invoke(app, words(bench, *more))


def rows_of(result: Result) -> Iterator[str]:
    yield from (" ".join(line.split()) for line in result.stdout.splitlines())


def test_a_good_contact_ends_well_and_names_the_clock(bench: Path) -> None:
    result = run(bench)

    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Contact: good\n")
    assert "Work at 15 MHz." in " ".join(rows_of(result))
    assert result.stdout.splitlines()[-1] == "You may take the chip out."
    assert all(len(line) <= 80 for line in result.stdout.splitlines())


def test_a_clock_wanted_is_what_it_works_at(bench: Path) -> None:
    assert "Work at 7.5 MHz." in " ".join(rows_of(run(bench, "--clock", "7.5M")))


@pytest.mark.parametrize(
    ("fault", "name", "status"),
    [
        (f.NoChip(), "floating", 3),
        (f.MisoOnMosi(), "shorted", 3),
        (f.MirroredBits(), "bit-reversed", 3),
        (f.StuckAddressBit(bit=22), "mirrored", 0),
        (f.Unplug(at_transfer=12), "chip turned round", 5),
    ],
    ids=repr,
)
def test_the_finding_decides_the_exit_status(
    bench: Path, fault: f.Fault, name: str, status: int
) -> None:
    arm(bench, [fault])

    result = run(bench)

    assert result.exit_code == status
    assert result.stdout.startswith(f"Contact: {name}\n")
    assert any(row.startswith("do ") for row in rows_of(result))


def test_scripts_are_told_finding_flips_and_clock(bench: Path) -> None:
    arm(bench, [f.MisoFlips(rate=1e-3, above_hz=12e6)])

    told = json.loads(run(bench, "--json").stdout)

    assert told["diagnosis"] == "good"
    assert told["stable"] is True
    assert told["jedec_id"][:6] == "ef6017"
    assert told["clock"]["clock_hz"] == 7_500_000
    assert told["clock"]["stable_hz"] == 10_000_000
    assert told["flips"]["rising_bits"] + told["flips"]["falling_bits"] == sum(
        told["flips"]["lanes"]
    )
    assert told["chip_may_be_taken_out"] is True


def test_weak_cells_are_found_at_the_address_that_is_named(bench: Path) -> None:
    arm(bench, [f.UnstableCells(start=0x654321, length=1, bits=1)])

    result = run(bench, "--around", "0x654321")

    assert result.exit_code == 3
    assert result.stdout.startswith("Contact: weak cells\n")
    assert "654321h" in result.stdout


@pytest.mark.parametrize(
    ("address", "status"), [("fish", 2), ("800000", 2), ("7FFFFFh", 0), ("-1", 2)]
)
def test_an_address_is_hex_and_on_the_chip(bench: Path, address: str, status: int) -> None:
    assert run(bench, "--around", address).exit_code == status


def test_without_a_supply_no_pin_is_driven(bench: Path) -> None:
    result = CliRunner().invoke(app, ["check-contact", "--adapter", f"rehearsal:{bench}"])

    assert result.exit_code == 2
    assert "no pin was driven" in result.stderr


def test_it_leaves_the_chip_untouched(bench: Path) -> None:
    run(bench)
    run(bench, "--watch")

    with open_bench(bench) as opened:
        assert opened.chip.operation_number == 0


def test_watching_is_quiet_when_piped_and_ends_with_a_whole_check(bench: Path) -> None:
    result = run(bench, "--watch")

    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout.startswith("Contact: good\n")


def watched_at_a_terminal(bench: Path, *more: str, stop_at: bytes | None = None) -> tuple[int, str]:
    """`--watch` with a terminal of its own; Ctrl-C is typed once `stop_at` is seen."""
    command = [sys.executable, "-m", "flashbench", *words(bench, "--watch", *more)]
    process, terminal = pty.fork()
    if process == 0:
        os.execv(sys.executable, command)
    shown = bytearray()
    while True:
        if not select.select([terminal], [], [], SILENCE_S_MAX)[0]:
            os.kill(process, signal.SIGKILL)
        try:
            piece = os.read(terminal, 65536)
        except OSError:  # Linux says so when the other end is closed
            piece = b""
        if not piece:
            break
        shown += piece
        if stop_at is not None and stop_at in shown:
            os.write(terminal, b"\x03")
            stop_at = None
    _, status = os.waitpid(process, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), shown.decode()


def test_at_a_terminal_one_large_line_is_drawn_over_itself(bench: Path) -> None:
    status, shown = watched_at_a_terminal(bench)

    live = [part for part in shown.split("\r") if "G O O D" in part]
    assert status == 0, shown
    assert len(live) > 5
    assert not any("\n" in part for part in live[:-1])
    assert "EF 60 17" in live[0]
    assert "3.0 s" in live[-1] or "3.1 s" in live[-1] or "3.2 s" in live[-1]


def test_ctrl_c_ends_the_watching_with_nothing_changed(bench: Path) -> None:
    arm(bench, [f.NoChip()])

    status, shown = watched_at_a_terminal(bench, stop_at=b"F L O A T I N G")

    assert status == 130
    assert "Nothing was changed by this command." in shown
    assert "You may take the chip out." in shown


def test_without_colour_the_live_line_is_not_bold(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    assert "\x1b[1m" not in watched_at_a_terminal(bench)[1]
