"""What the command line looks like: 80 columns, quick to start, values as people write them."""

import subprocess
import sys

import pytest
import typer

from flashbench.cli import app
from flashbench.cli.options import clock_hz, supply_volts
from flashbench.cli.output import Output, bytes_text, size_text, time_text
from flashbench.errors import ChipHalfWritten
from tests.cli.workplace import Workplace, run, told

COMMANDS = [
    "practice",
    "adapters",
    "lookup",
    "check-contact",
    "identify",
    "dump",
    "inspect",
    "edit",
    "write",
    "verify",
    "finish",
    "restore",
    "next",
    "guide",
]


def too_wide(text: str) -> list[str]:
    return [line for line in text.splitlines() if len(line) > 80]


def test_the_commands_of_the_job_are_there_in_its_order() -> None:
    listed = run("--help").stdout.split("Commands:")[1].splitlines()

    names = [line.split()[0] for line in listed if line.startswith("  ")]
    assert [name for name in names if name in COMMANDS] == COMMANDS


@pytest.mark.parametrize("words", [[], *([name] for name in COMMANDS)])
def test_help_fits_80_columns_and_shows_an_example(words: list[str]) -> None:
    result = run(*words, "--help")

    assert result.exit_code == 0
    assert too_wide(result.stdout) == []
    assert f"    flashbench {words[0] if words else 'practice'}" in result.stdout


def test_what_commands_say_fits_80_columns(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place.folder)
    bench = ("--adapter", "rehearsal:bench", "--supply", "3.3", "--clock", "30M")
    place.preset_register("SR1", 0x1C)
    said = ""
    for words in (
        ("identify", *bench),
        ("dump", "two", *bench, "--label", "board 17"),
        ("edit", "two", "places.toml", "--from-image", "new.bin"),
        ("write", "job", "--label", "d17", "--yes", *bench),
        ("verify", "job", *bench),
        ("next", "job"),
        ("restore", "job", "--label", "d17", "--yes", *bench),
        ("adapters", "--loopback", "--adapter", "rehearsal:bench"),
    ):
        result = run(*words)
        assert result.exit_code == 0, result.stderr
        said += result.stdout

    assert too_wide(said) == []
    assert said.count("\n") > 80


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys\n"
        "from flashbench.cli import app\n"
        "try:\n"
        "    app(['dump', '--help'])\n"
        "except SystemExit:\n"
        "    pass\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], check=True, capture_output=True, text=True
    )

    loaded = set(done.stdout.split("LOADED")[1].split())
    assert "typer" in loaded
    assert loaded & {"numpy", "usb", "pyftdi", "libusb_package", "msgspec", "tqdm", "rich"} == set()


def test_the_module_is_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "flashbench", "--version"],
        check=True,
        capture_output=True,
        text=True,
    )

    assert done.stdout.startswith("flashbench 0.")


def test_without_a_command_the_help_is_shown() -> None:
    assert "Commands:" in run().output


@pytest.mark.parametrize(
    ("text", "hz"),
    [
        ("10M", 10_000_000),
        ("1.5M", 1_500_000),
        ("400k", 400_000),
        ("1000000", 1_000_000),
        ("10MHz", 10_000_000),
        ("400kHz", 400_000),
        ("2.3M", 2_300_000),
    ],
)
def test_a_clock_is_read_as_people_write_it(text: str, hz: int) -> None:
    assert clock_hz(text) == hz


@pytest.mark.parametrize("text", ["", "M", "10G", "-1", "10 M Hz", "1e6", "nan", "0", "0.4"])
def test_a_clock_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(typer.BadParameter, match="is no clock"):
        clock_hz(text)


@pytest.mark.parametrize(("text", "volts"), [("3.3", 3.3), ("1.8V", 1.8), ("1,8", 1.8), ("3", 3.0)])
def test_a_supply_is_read_as_people_write_it(text: str, volts: float) -> None:
    assert supply_volts(text) == volts


@pytest.mark.parametrize("text", ["", "0", "-3.3", "inf", "nan", "3.3.3", "180"])
def test_a_supply_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(typer.BadParameter, match="is no supply"):
        supply_volts(text)


def test_sizes_and_durations_are_written_in_the_trade_s_units() -> None:
    assert size_text(16 << 20) == "128 Mbit (16 MiB)"
    assert size_text(64 << 10) == "512 Kbit (64 KiB)"
    assert bytes_text(1) == "1 byte"
    assert bytes_text(0) == "0 bytes"
    assert bytes_text(4097) == "4097 bytes"
    assert [time_text(s) for s in (0.045, 2.51, 27.2, 200)] == [
        "45 ms",
        "2.5 s",
        "27 s",
        "3 min 20 s",
    ]


def test_every_command_takes_json() -> None:
    for name in COMMANDS:
        assert "--json" in run(name, "--help").stdout


def test_the_app_is_what_the_entry_point_runs() -> None:
    assert len(app.registered_commands) >= len(COMMANDS)


def long_error() -> ChipHalfWritten:
    return ChipHalfWritten(
        "What was seen is told in a sentence that is longer than a line of a terminal can hold.",
        next_step="Run: flashbench finish '/srv/bags/a customer/17'"
        "  (or: flashbench restore '/srv/bags/a customer/17')",
    )


def test_on_a_terminal_an_error_is_three_paragraphs_of_80_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)

    Output(json=False).refuse(long_error())

    lines = capsys.readouterr().err.splitlines()
    assert too_wide("\n".join(lines)) == []
    assert [line.startswith("  ") for line in lines] == [False, False, True, False, True]


def test_in_a_pipe_an_error_is_three_lines(capsys: pytest.CaptureFixture[str]) -> None:
    Output(json=False).refuse(long_error())

    assert capsys.readouterr().err == f"{long_error()}\n"


def test_no_line_of_the_command_list_is_cut() -> None:
    assert "..." not in run("--help").stdout.split("Commands:")[1]


@pytest.mark.parametrize(
    "words",
    [
        ("dump", "job", "--datasheet-supply", "3.3"),
        ("inspect", "no-such-image-in-a-folder-with-a-long-name.bin", "--no-such-option-at-all"),
        ("write", "job", "--clock", "as fast as it will go", "--supply", "3.3", "--yes"),
    ],
)
def test_a_command_line_that_cannot_be_read_is_told_in_80_columns(words: tuple[str, ...]) -> None:
    result = run(*words)

    assert result.exit_code == 2
    assert too_wide(result.stderr) == []
    assert "Error: " in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("words", "seen"),
    [
        (("dump", "job", "--supply", "x"), "Invalid value for '--supply': 'x' is no supply."),
        (("dump",), "Missing argument 'JOB'."),
        (("lookup", "25Q128", "--loud"), "No such option: --loud"),
    ],
)
def test_with_json_a_wrong_call_is_an_object_too(words: tuple[str, ...], seen: str) -> None:
    result = run(*words, "--json")

    error = told(result)["error"]
    assert result.exit_code == error["exit_status"] == 2
    assert error["seen"].startswith(seen)
    assert error["next_step"] == f"See how it is called: flashbench {words[0]} --help"
    assert error["state"] == "The chip was not touched."


@pytest.mark.parametrize(
    ("verb", "default"),
    [
        ("check-contact", "30M"),
        ("dump", "30M"),
        ("identify", "10M"),
        ("write", "the fastest that leaves a margin"),
    ],
)
def test_the_clock_that_is_said_to_be_the_default_is_said_once(verb: str, default: str) -> None:
    said = " ".join(run(verb, "--help").stdout.split())

    assert f"Default: {default}." in said
    assert ("Default: 10M" in said) == (default == "10M")
