"""Booking a board in at the command line: options for scripts, questions at a terminal."""

import hashlib
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from flashbench.cli import app
from tests.cli.terminal import Terminal
from tests.cli.workplace import Workplace, run, three_lines, told


def typed(folder: Path, *lines: str, monkeypatch: pytest.MonkeyPatch) -> Result:
    """`flashbench intake FOLDER` at a terminal, with these answers."""
    monkeypatch.setattr(
        "flashbench.cli.intake.someone_can_be_asked", lambda output: not output.json
    )
    text = "".join(f"{line}\n" for line in lines)
    return CliRunner().invoke(app, ["intake", str(folder)], input=text)


def test_a_board_is_booked_in_by_options_alone(tmp_path: Path) -> None:
    job = tmp_path / "board-17"

    result = run(
        *("intake", str(job), "--label", "Miller 17", "--device", "small desktop"),
        *("--straps", "0110", "--old-count", "4", "--new-known-from", "data sheet"),
        *("--disk-encrypted", "yes", "--recovery-key", "no", "--entitled", "yes", "--json"),
    )

    assert result.exit_code == 0, result.stderr
    facts = told(result)
    assert facts["label"] == "Miller 17"
    assert facts["old_count"] == 4
    assert facts["new_known_from"] == "datasheet"
    assert (facts["disk_encrypted"], facts["recovery_key_at_hand"]) == (True, False)
    assert facts["fault"] is None
    assert facts["photos"] == []


def test_run_again_it_shows_and_amends_only_what_is_said(tmp_path: Path) -> None:
    job = tmp_path / "board-17"
    run("intake", str(job), "--fault", "no picture", "--straps", "0110")

    amended = run("intake", str(job), "--straps", "?", "--condition", "dusty")
    shown = told(run("intake", str(job), "--json"))

    assert amended.exit_code == 0
    assert (shown["fault"], shown["straps"], shown["condition"]) == ("no picture", None, "dusty")
    assert shown["label"] == "board-17"


def test_what_is_no_answer_is_a_wrong_call_and_nothing_is_noted(tmp_path: Path) -> None:
    result = run("intake", str(tmp_path / "job"), "--old-count", "four")

    assert result.exit_code == 2
    assert three_lines(result)[1] == "--old-count 'four' is no answer to: How many of them?"
    assert not (tmp_path / "job").exists()


def test_with_nothing_said_and_nobody_to_ask_it_is_a_wrong_call(tmp_path: Path) -> None:
    result = run("intake", str(tmp_path / "job"))

    assert result.exit_code == 2
    assert "nobody can be asked" in result.stderr
    assert not (tmp_path / "job").exists()


def test_at_a_terminal_one_thing_is_asked_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "board-17"

    result = typed(
        job,
        *("Miller 17", "small desktop", "?", "wants 16 GB", "clean", "", "MT53E512M32", "many"),
        *("4", "don't know", "MT53E1G32", "seller", "yes", "?", "y"),
        monkeypatch=monkeypatch,
    )

    assert result.exit_code == 0, result.output
    assert "Say a whole number from 1 to 64, or ? if it is not known." in result.stdout
    noted = told(run("intake", str(job), "--json"))
    assert noted["label"] == "Miller 17"
    assert noted["board_number"] is None
    assert noted["old_count"] == 4
    assert noted["straps"] is None
    assert noted["new_known_from"] == "seller only"
    assert (noted["disk_encrypted"], noted["recovery_key_at_hand"]) == (True, None)
    assert noted["entitled"] is True


def test_at_a_terminal_enter_keeps_what_was_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "board-17"
    run("intake", str(job), "--fault", "no picture", "--old-count", "2")

    result = typed(job, "yes", *[""] * 5, "for the customer", *[""] * 8, monkeypatch=monkeypatch)

    assert result.exit_code == 0, result.output
    noted = told(run("intake", str(job), "--json"))
    assert (noted["fault"], noted["old_count"]) == ("no picture", 2)
    assert noted["note"] == "for the customer"


def test_what_was_answered_before_the_input_ended_is_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "job"

    result = typed(job, "Miller 17", "small desktop", monkeypatch=monkeypatch)

    assert result.exit_code == 130
    assert result.stderr.endswith(
        "\nWhat was answered is noted.\nStopped before all was answered.\n"
        f"Go on: flashbench intake {job}\n"
    )
    noted = told(run("intake", str(job), "--json"))
    assert (noted["label"], noted["device"]) == ("Miller 17", "small desktop")


def test_an_input_that_ends_before_the_first_answer_makes_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = typed(tmp_path / "job", monkeypatch=monkeypatch)

    assert result.exit_code == 130
    assert "Nothing was noted." in result.stderr
    assert not (tmp_path / "job").exists()


INTAKE = "from flashbench.cli import main\nmain()\n"


def test_ctrl_c_keeps_what_was_answered(tmp_path: Path) -> None:
    job = tmp_path / "job"
    with Terminal(["intake", str(job)], program=INTAKE) as terminal:
        terminal.asked()
        assert "Ctrl-C ends it, and keeps what was answered." in " ".join(terminal.text.split())
        terminal.answer("Miller 17")
        assert "Which device?" in str(terminal.asked())
        terminal.keys("\x03")
        assert terminal.ends() == 130

    assert "What was answered is noted." in terminal.text.splitlines()
    assert told(run("intake", str(job), "--json"))["label"] == "Miller 17"


def test_back_leads_to_the_question_before_and_shows_its_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "job"

    result = typed(
        job, "back", "Miller", "Desktop", "back", "back", "Miller 17", "", *[""] * 12,
        monkeypatch=monkeypatch,
    )  # fmt: skip

    assert result.exit_code == 0, result.output
    assert "Which device? [Desktop]" in result.stderr
    noted = told(run("intake", str(job), "--json"))
    assert (noted["label"], noted["device"]) == ("Miller 17", "Desktop")


@pytest.mark.parametrize("straps", ["01x", "2", "0b10", "0" * 17, "010?"])
def test_straps_are_what_inspect_takes(tmp_path: Path, straps: str) -> None:
    result = run("intake", str(tmp_path / "job"), "--straps", straps)

    assert result.exit_code == 2
    assert (
        three_lines(result)[2] == "Say each strap as 0 or 1, such as 0110, or ? if it is not known."
    )


@pytest.mark.parametrize("command", ["intake", "dump", "guide"])
def test_a_missing_folder_around_the_job_is_told_before_anything_is_asked(
    fresh: Workplace, command: str
) -> None:
    job = fresh.folder / "away" / "b1"
    at_bench = ["--adapter", f"rehearsal:{fresh.bench}", "--supply", "3.3"]
    words = [command, str(job), *(at_bench if command == "dump" else [])]

    with Terminal(words, program=INTAKE) as terminal:
        assert terminal.asked() is None
        assert terminal.ends() == 2

    said = " ".join(terminal.text.split())
    assert f"There is no folder {job.parent} for the job b1 to be in." in said
    assert "disk" not in said
    assert fresh.chip().operations == 0


def test_what_was_told_is_listed_in_two_columns(tmp_path: Path) -> None:
    run("intake", str(tmp_path / "job"), "--label", "Miller 17", "--device", "Desktop")

    lines = run("intake", str(tmp_path / "job")).stdout.splitlines()

    assert lines[:3] == [
        "  label            Miller 17",
        "  device           Desktop",
        "  board number     not known",
    ]


def test_next_on_a_booked_in_board_says_to_dump_it(tmp_path: Path) -> None:
    job = tmp_path / "board-17"
    run("intake", str(job), "--label", "Miller 17")

    facts = told(run("next", str(job), "--json"))

    assert facts["label"] == "Miller 17"
    assert facts["command"] == f"flashbench dump {job}"
    assert facts["why"] == "the board is booked in, and its chip was not read yet"


def test_the_dump_takes_label_and_photos_and_the_report_what_was_told(fresh: Workplace) -> None:
    run("intake", str(fresh.job), "--label", "Miller 17", "--device", "small desktop 3000")
    (fresh.job / "photos" / "top.jpg").write_bytes(b"a picture")

    dumped = fresh.on_job("dump", "--json")
    after = run("next", str(fresh.job))
    report = run("report", str(fresh.job))

    assert dumped.exit_code == 0, dumped.stderr
    assert told(dumped)["label"] == "Miller 17"
    assert "Miller 17: 1 photo was found in photos/, listed and hashed." in (
        dumped.stderr + after.stderr
    )
    journal = (fresh.job / "round-1" / "journal.jsonl").read_text()
    assert hashlib.sha256(b"a picture").hexdigest() in journal
    assert report.exit_code == 0, report.stderr
    assert "small desktop 3000" in (fresh.job / "report.html").read_text()


def test_a_photo_changed_since_is_told_by_the_next_command(fresh: Workplace) -> None:
    run("intake", str(fresh.job), "--label", "Miller 17")
    fresh.on_job("dump")
    (fresh.job / "photos" / "top.jpg").write_bytes(b"a picture")
    run("next", str(fresh.job))
    (fresh.job / "photos" / "top.jpg").write_bytes(b"another picture")

    result = run("next", str(fresh.job), "--json")

    assert result.exit_code == 0
    assert "photos/top.jpg was changed after it was listed." in result.stderr
    json.loads(result.stdout)


def test_a_dump_under_another_label_than_the_booked_one_is_refused(fresh: Workplace) -> None:
    run("intake", str(fresh.job), "--label", "Miller 17")

    result = fresh.on_job("dump", "--label", "Baker 3")

    assert result.exit_code == 2
    assert "bears the label 'Miller 17', not 'Baker 3'" in result.stderr
    assert fresh.chip().operations == 0


def test_a_package_description_must_be_one(tmp_path: Path) -> None:
    file = tmp_path / "package.toml"
    file.write_text('part = "X"\ntype = "LPDDR9"\n')

    result = run("intake", str(tmp_path / "job"), "--new-description", str(file))

    assert result.exit_code == 1
    assert not (tmp_path / "job").exists()


def test_a_job_that_was_never_booked_in_is_amended_under_its_own_label(place: Workplace) -> None:
    result = run("intake", str(place.job), "--fault", "no picture", "--json")

    assert result.exit_code == 0, result.stderr
    assert told(result)["label"] == "board 17"
    assert told(run("intake", str(place.job), "--json"))["fault"] == "no picture"


@pytest.mark.parametrize("command", ["intake", "dump"])
def test_a_missing_folder_around_the_job_is_no_fault_of_the_disk(
    fresh: Workplace, command: str
) -> None:
    job = fresh.folder / "away" / "b1"
    at_bench = ["--adapter", f"rehearsal:{fresh.bench}", "--supply", "3.3"]
    words = at_bench if command == "dump" else ["--device", "Desktop"]

    result = run(command, str(job), *words)

    assert result.exit_code == 2
    assert three_lines(result)[1].startswith("There is no folder ")
    assert not job.parent.exists()
    assert fresh.chip().operations == 0
