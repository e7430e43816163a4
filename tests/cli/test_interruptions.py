"""Signals, unplugged adapters and power cuts: where the job stands, and the way on."""

import os
import pty
import select
import shutil
import signal
import sys
from pathlib import Path

import pytest

from flashbench.cli.bars import Bars
from flashbench.rehearsal import add_chip, arm, open_bench, swap_chip
from flashbench.rehearsal.faults import Fault, LosePower, Unplug
from tests.cli.workplace import Workplace, contents, edited, run, three_lines, told

TAKE_OUT = "board 17: You may take the chip out."
SILENCE_S_MAX = 60.0  # a command that says nothing for so long hangs
LEAVE_IN = "board 17: Leave the chip in: it is half-written."


def signal_at(
    monkeypatch: pytest.MonkeyPatch, step: str, *numbers: signal.Signals, after_bytes: int = 1
) -> None:
    """Send signals to this process when the work `step` has come past `after_bytes`."""
    watched = Bars.__call__
    waiting = list(numbers)

    def watching(
        bars: Bars, now: str, done: int, total: int, seconds_left: float | None, /
    ) -> None:
        if now == step and done >= after_bytes:
            while waiting:
                signal.raise_signal(waiting.pop(0))
        watched(bars, now, done, total, seconds_left)

    monkeypatch.setattr(Bars, "__call__", watching)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_dump_that_is_stopped_changes_nothing_and_can_be_run_again(
    fresh: Workplace, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    before = fresh.chip()
    with monkeypatch.context() as hooked:
        signal_at(hooked, "second read", number)
        stopped = fresh.on_job("dump", "--label", "board 17")

    assert stopped.exit_code == 130
    first, *lines = stopped.stderr.splitlines()
    assert first == "board 17: Stopping as soon as the chip is idle."
    assert lines[0] == (
        f"The chip is untouched. The job's folder {fresh.job} is there, without a dump of round 1."
    )
    assert lines[2] == "Run the same command again: it dumps into that folder."
    assert stopped.stdout.splitlines()[-1] == TAKE_OUT
    assert fresh.chip() == before
    assert fresh.on_job("dump", "--label", "board 17").exit_code == 0


def test_a_write_stopped_before_its_first_change_is_an_interruption(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = place.chip()
    signal_at(monkeypatch, "read before writing", signal.SIGINT)

    result = place.on_job("write", "--yes")

    assert result.exit_code == 130
    assert result.stdout.splitlines()[-1] == TAKE_OUT
    assert place.chip() == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("step", ["writing", "verify"])
def test_a_write_stopped_after_its_first_change_is_half_written_and_finish_leads_on(
    place: Workplace, monkeypatch: pytest.MonkeyPatch, step: str, number: signal.Signals
) -> None:
    with monkeypatch.context() as hooked:
        signal_at(hooked, step, number)
        stopped = place.on_job("write", "--yes", "--json")

    assert stopped.exit_code == 4
    assert told(stopped)["error"]["state"] == "The chip is half-written."
    assert told(stopped)["chip_may_be_taken_out"] is False
    assert stopped.stderr.splitlines()[-1] == LEAVE_IN
    assert told(run("next", str(place.job), "--json"))["command"].split()[1] == "finish"
    assert place.on_job("verify").exit_code == 4

    finished = place.on_job("finish", "--yes")

    assert finished.exit_code == 0, finished.stderr
    assert finished.stdout.splitlines()[-1] == TAKE_OUT
    assert place.chip().cells == edited(contents())
    assert place.on_job("verify").exit_code == 0


def test_the_protection_is_put_back_before_an_interruption_ends(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    place.preset_register("SR1", 0x1C)
    signal_at(monkeypatch, "writing", signal.SIGINT, after_bytes=4096)

    result = place.on_job("write", "--yes")

    assert result.exit_code == 4
    with open_bench(place.bench) as bench:
        assert bench.chip.current["SR1"] & 0x7C == 0x1C
        assert bench.chip.protected() == (0, len(contents()))


def test_a_second_signal_says_how_long_it_still_takes(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    signal_at(monkeypatch, "writing", signal.SIGINT, signal.SIGINT)

    result = place.on_job("write", "--yes")

    first, second, *_ = result.stderr.splitlines()
    assert first == "board 17: Stopping as soon as the chip is idle."
    assert second.startswith("board 17: Still stopping:")
    assert second.endswith(" s.")
    assert result.exit_code == 4


def test_stopping_what_meets_a_half_written_chip_leaves_it_half_written(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as hooked:
        signal_at(hooked, "writing", signal.SIGINT)
        place.on_job("write", "--yes")
    signal_at(monkeypatch, "first read", signal.SIGINT)

    result = place.on_job("finish", "--yes")

    assert result.exit_code == 4
    assert "half-written from before; this command changed nothing" in result.stderr
    assert result.stdout.splitlines()[-1] == LEAVE_IN


def test_a_damaged_backup_does_not_make_a_half_written_chip_look_well(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as hooked:
        signal_at(hooked, "writing", signal.SIGINT)
        place.on_job("write", "--yes")
    original = place.job / "round-1" / "original.bin"
    original.chmod(0o600)
    original.write_bytes(b"\0" + contents()[1:])

    result = place.on_job("finish", "--yes")

    assert result.exit_code == 4
    assert "original.bin" in three_lines(result)[1]
    assert result.stdout.splitlines()[-1] == LEAVE_IN


def next_operation(place: Workplace) -> int:
    with open_bench(place.bench) as bench:
        return bench.chip.operation_number + 1


@pytest.mark.parametrize("verb", ["finish", "restore"])
def test_after_a_power_cut_one_command_leads_on_or_back(place: Workplace, verb: str) -> None:
    arm(place.bench, [LosePower(at_operation=next_operation(place) + 3, seed=5)])
    cut = place.on_job("write", "--yes")
    arm(place.bench, [])
    assert cut.exit_code == 4
    assert three_lines(cut)[0] == "The chip is half-written."
    assert cut.stdout.splitlines()[-1] == LEAVE_IN

    result = place.on_job(verb, "--yes")

    assert result.exit_code == 0, result.stderr
    assert "half-done" in result.stdout
    wanted = edited(contents()) if verb == "finish" else contents()
    assert place.chip().cells == wanted


def unplugged_in(place: Workplace, fault: Fault, verb: str) -> tuple[int, str, str]:
    arm(place.bench, [fault])
    result = place.on_job(verb, *(["--yes"] if verb == "write" else []))
    arm(place.bench, [])
    return result.exit_code, result.stderr, result.stdout


def test_an_adapter_unplugged_while_reading_is_an_adapter_error(place: Workplace) -> None:
    before = place.chip()

    status, stderr, stdout = unplugged_in(place, Unplug(at_transfer=80), "verify")

    assert status == 5
    assert "The adapter left the USB" in stderr
    assert stdout.splitlines()[-1] == TAKE_OUT
    assert place.chip() == before


def test_write_refuses_while_a_write_is_unfinished(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as hooked:
        signal_at(hooked, "writing", signal.SIGINT)
        place.on_job("write", "--yes")
    before = place.chip()

    result = place.on_job("write", "--yes")

    assert result.exit_code == 4
    assert result.stdout.splitlines()[-1] == LEAVE_IN
    assert "a write to it was begun and is not proven" in three_lines(result)[1]
    assert "finish" in three_lines(result)[2]
    assert place.chip() == before


def at_a_terminal(place: Workplace, answer: bytes) -> tuple[int, str]:
    """`write` with a terminal of its own; `answer` is typed when the question has come."""
    words = [sys.executable, "-m", "flashbench", "write", str(place.job), *place.at_bench]
    words += ["--label", place.bag]
    process, terminal = pty.fork()
    if process == 0:
        os.execv(sys.executable, words)
    shown = bytearray()
    answered = False
    while True:
        if not select.select([terminal], [], [], SILENCE_S_MAX)[0]:
            os.kill(process, signal.SIGKILL)
        try:
            piece = os.read(terminal, 4096)
        except OSError:  # Linux says so when the other end is closed
            piece = b""
        if not piece:
            break
        shown += piece
        if not answered and b"[yes/no] " in shown:
            os.write(terminal, answer)
            answered = True
    _, status = os.waitpid(process, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), shown.decode()


def test_at_a_terminal_yes_writes_and_a_bar_shows_how_far_it_is(place: Workplace) -> None:
    status, shown = at_a_terminal(place, b"yes\n")

    assert status == 0, shown
    assert "board 17: Write image 1 to this chip? [yes/no]" in shown
    assert "board 17: read before writing" in shown
    assert "s of model time left" in shown
    assert TAKE_OUT in shown.splitlines()[-1]
    assert place.chip().cells == edited(contents())


@pytest.mark.parametrize("answer", [b"no\n", b"\x04", b"\x03"])
def test_at_a_terminal_anything_but_yes_leaves_the_chip_alone(
    place: Workplace, answer: bytes
) -> None:
    before = place.chip()

    status, shown = at_a_terminal(place, answer)

    assert status == 130, shown
    assert TAKE_OUT in shown.splitlines()[-1]
    assert place.chip() == before


def test_nothing_of_a_bar_goes_into_a_pipe(place: Workplace) -> None:
    assert place.on_job("verify").stderr == ""


def test_the_trace_of_a_failed_run_says_what_surely_and_what_perhaps_ran(
    place: Workplace, tmp_path: Path
) -> None:
    trace = tmp_path / "trace.jsonl"
    arm(place.bench, [Unplug(at_transfer=80)])

    result = place.on_job("verify", "--trace", str(trace))

    assert result.exit_code == 5
    assert '"event": "run failed", "error": "AdapterGone", "surely": ' in trace.read_text()


MAY_BE_HALF_WRITTEN = (
    "board 17: Leave the chip in: the job has a half-written chip, and this may be it."
)


@pytest.fixture
def half_written(place: Workplace, monkeypatch: pytest.MonkeyPatch) -> Workplace:
    """A job whose write was stopped after its first change."""
    with monkeypatch.context() as hooked:
        signal_at(hooked, "writing", signal.SIGINT)
        assert place.on_job("write", "--yes").exit_code == 4
    return place


ON_A_HALF_WRITTEN_JOB = [
    ("finish", "--yes"), ("restore", "--yes"), ("write", "--yes"), ("verify",), ("dump", "--again"),
]  # fmt: skip


@pytest.mark.parametrize("words", ON_A_HALF_WRITTEN_JOB)
@pytest.mark.parametrize("wrong", [("--supply", "5"), ("--marking", "W25Q64JWSSIQ")])
def test_a_refusal_that_may_have_met_the_half_written_chip_leaves_it_in(
    half_written: Workplace, words: tuple[str, ...], wrong: tuple[str, str]
) -> None:
    verb, *more = words
    call = (verb, str(half_written.job), *more, *half_written.at_bench, *wrong)
    refused, for_scripts = run(*call), run(*call, "--json")

    assert refused.exit_code == 3
    assert refused.stdout.splitlines()[-1] == MAY_BE_HALF_WRITTEN
    assert told(for_scripts)["chip_may_be_taken_out"] is False


def test_a_new_round_is_refused_while_the_chip_is_half_written(half_written: Workplace) -> None:
    result = half_written.on_job("dump", "--again")

    assert result.exit_code == 4
    assert "a write to it was begun and is not proven" in three_lines(result)[1]
    assert result.stdout.splitlines()[-1] == LEAVE_IN


@pytest.mark.parametrize("words", ON_A_HALF_WRITTEN_JOB)
def test_a_missing_adapter_does_not_make_a_half_written_chip_look_well(
    half_written: Workplace, words: tuple[str, ...]
) -> None:
    shutil.rmtree(half_written.bench)

    result = half_written.on_job(*words)

    assert result.exit_code == 4
    assert result.stdout.splitlines()[-1] == LEAVE_IN


def test_a_chip_that_is_surely_another_one_may_be_taken_out(half_written: Workplace) -> None:
    add_chip(half_written.bench, "other", part="MX25L12835F", contents=contents(seed=2))
    swap_chip(half_written.bench, "other")

    result = half_written.on_job("finish", "--yes")

    assert result.exit_code == 3
    assert result.stdout.splitlines()[-1] == TAKE_OUT


def damage(file: Path) -> None:
    data = bytearray(file.read_bytes())
    data[0x4321] ^= 1
    file.chmod(0o600)
    file.write_bytes(data)


def test_a_damaged_image_leaves_the_way_back_to_the_original(half_written: Workplace) -> None:
    damage(half_written.job / "round-1" / "image-1.bin")

    coming = told(run("next", str(half_written.job), "--json"))
    finish = half_written.on_job("finish", "--yes")
    restore = half_written.on_job("restore", "--yes")

    assert coming["command"] == f"flashbench restore {half_written.job}"
    assert "image-1.bin" in coming["why"]
    assert finish.exit_code == 4
    assert "image-1.bin" in three_lines(finish)[1]
    assert restore.exit_code == 0, restore.stderr
    assert "Image 1 is set aside: image-1.bin" in " ".join(restore.stdout.split())
    assert half_written.chip().cells == contents()


def test_a_chip_proven_to_hold_an_image_can_be_restored_when_the_image_is_damaged(
    place: Workplace,
) -> None:
    assert place.on_job("write", "--yes").exit_code == 0
    damage(place.job / "round-1" / "image-1.bin")

    restore = place.on_job("restore", "--yes")

    assert restore.exit_code == 0, restore.stderr
    assert place.chip().cells == contents()


def test_commands_in_sentences_can_be_copied_from_a_path_with_a_space(
    half_written: Workplace,
) -> None:
    moved = half_written.folder / "bag 17"
    half_written.job.rename(moved)
    bench = half_written.at_bench
    both = f"flashbench finish '{moved}'  (or: flashbench restore '{moved}')"

    write = run("write", str(moved), "--yes", *bench)
    verify = run("verify", str(moved), *bench)

    assert three_lines(write)[2].endswith(both)
    assert three_lines(verify)[2].endswith(both)
    assert run("restore", str(moved), "--yes", *bench).exit_code == 0
    half_written.set_cells(0x0040_0000, b"a board wrote this")
    changed = run("write", str(moved), "--label", "d17", "--yes", *bench)
    assert three_lines(changed)[2].endswith(f"flashbench dump '{moved}' --again")
    nothing = run("verify", f"{moved} b", *bench)
    assert three_lines(nothing)[1] == f"There is no job in '{moved} b'."


def test_verify_says_how_far_a_half_written_chip_is_from_what_the_job_knows(
    half_written: Workplace,
) -> None:
    half_written.set_cells(0x0010_0000, b"\xff" * 4096)
    half_written.set_cells(0x00FF_F000, bytes(4096))

    result = half_written.on_job("verify")

    facts = told(half_written.on_job("verify", "--json"))
    said = result.stdout
    assert result.exit_code == 4
    assert facts["equals"] is None
    assert f"  nearest    {facts['nearest'].replace('original', 'the original')}\n" in said
    assert f"  differing  {facts['differing_bytes']} bytes\n" in said
    assert f"  first at   {facts['first_difference']:08x}\n" in said


def test_finish_says_how_much_of_half_done_units_is_erased(half_written: Workplace) -> None:
    result = half_written.on_job("finish", "--yes")

    assert result.exit_code == 0, result.stderr
    assert "of the half-done units are erased and programmed again" in " ".join(
        result.stdout.split()
    )
    assert "no byte that shall not change is erased" not in result.stdout
