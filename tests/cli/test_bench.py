"""Commands take supply and pins from the bench file, and refuse what contradicts it."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.rehearsal import create_bench
from flashbench.rehearsal.bench import Bench
from tests.bench.test_bench_file import found
from tests.cli.workplace import Workplace, contents, run, three_lines, told

BENCH = """
[[adapter]]
serial = "REHEARSAL1"
name = "3.3 V socket"
supply_volts = 3.3
wp_pin = "D4"
hold_pin = "D5"

[[adapter]]
serial = "FB0018"
name = "1.8 V socket"
supply_volts = 1.8
level_shifter = "8 channels on the socket board"
"""


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return path


def on(place: Workplace, bench_file: Path) -> tuple[str, ...]:
    return ("--adapter", f"rehearsal:{place.bench}", "--bench", str(bench_file), "--clock", "30M")


def test_the_supply_comes_from_the_bench_file(place: Workplace, bench_file: Path) -> None:
    result = run("identify", *on(place, bench_file), "--json")

    assert result.exit_code == 0, result.stderr
    facts = told(result)
    assert facts["supply"]["declared_volts"] == 3.3
    assert facts["bench"] == "3.3 V socket"


def test_a_whole_job_needs_no_declared_supply(fresh: Workplace, bench_file: Path) -> None:
    at = on(fresh, bench_file)
    assert run("dump", str(fresh.job), *at).exit_code == 0
    assert fresh.take_in().exit_code == 0
    written = run("write", str(fresh.job), "--label", "job", "--yes", *at)

    assert written.exit_code == 0, written.stderr
    assert run("verify", str(fresh.job), *at).exit_code == 0


def test_a_supply_that_contradicts_the_bench_file_is_refused_undriven(
    place: Workplace, bench_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = watched(monkeypatch)

    result = run("identify", *on(place, bench_file), "--supply", "1.8")

    assert result.exit_code == 2
    assert three_lines(result)[1] == (
        "--supply says 1.8 V, but by the bench file '3.3 V socket' (serial REHEARSAL1) supplies"
        " 3.3 V."
    )
    assert not opened[0].adapter.pins.ever_driven


def test_a_part_meant_for_another_socket_is_sent_there(bench_file: Path) -> None:
    with TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        create_bench(place.bench, part="W25Q64JW").close()

        result = run("identify", *on(place, bench_file))

    assert result.exit_code == 3
    assert three_lines(result)[2].endswith(
        "This part needs 1.8 V: '1.8 V socket' (serial FB0018) is the bench for it."
    )


def test_a_marking_alone_sends_it_there_before_any_pin_is_driven(
    place: Workplace, bench_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = watched(monkeypatch)

    result = run("identify", *on(place, bench_file), "--marking", "W25Q128JWSIQ")

    assert result.exit_code == 3
    assert "'1.8 V socket' (serial FB0018) is the bench for it" in three_lines(result)[2]
    assert not opened[0].adapter.pins.ever_driven


def test_an_adapter_that_the_file_does_not_know_still_needs_its_supply_said(
    place: Workplace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace("REHEARSAL1", "FB0033"))
    opened = watched(monkeypatch)

    result = run("identify", *on(place, path))

    assert result.exit_code == 2
    assert "This adapter (serial REHEARSAL1) is not in the bench file." in three_lines(result)[1]
    assert not opened[0].adapter.pins.ever_driven
    assert run("identify", *on(place, path), "--supply", "3.3").exit_code == 0


def test_only_the_pins_that_are_named_are_driven(
    place: Workplace, bench_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = watched(monkeypatch)

    assert run("identify", *on(place, bench_file)).exit_code == 0

    directions = [change.direction for change in opened[0].adapter.pins.changes]
    assert directions == [0x3B, 0]


@pytest.fixture
def switched() -> Iterator[Workplace]:
    """A bench whose supply is switched by xDBUS7, and the chip in it."""
    with TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        create_bench(place.bench, contents=contents(), supply_switch=0x80).close()
        place.write_edited()
        yield place


def test_a_switched_supply_is_on_for_a_command_and_off_after_it(
    switched: Workplace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace('hold_pin = "D5"', 'hold_pin = "D5"\npower_pin = "D7"', 1))
    opened = watched(monkeypatch)
    at = on(switched, path)

    for words in (
        ("dump", str(switched.job), *at),
        (
            "edit",
            str(switched.job),
            str(switched.named_places),
            "--from-image",
            str(switched.edited),
        ),
        ("write", str(switched.job), "--label", "job", "--yes", *at),
    ):
        result = run(*words)
        assert result.exit_code == 0, result.stderr

    for bench in opened:
        levels = [(c.direction, c.level & 0x80) for c in bench.adapter.pins.changes]
        assert levels[0] == (0x80, 0x80)
        assert levels[-2:] == [(0x80, 0), (0, 0)]
    assert switched.chip().cells == switched.edited.read_bytes()


def test_a_hostile_bench_file_is_three_lines_and_no_adapter_is_opened(
    place: Workplace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text('[[adapter]]\nserial = "A"\nvolts = 3.3\n')
    opened = watched(monkeypatch)

    result = run("write", str(place.job), "--label", "d17", "--yes", *on(place, path))

    assert result.exit_code == 2
    assert three_lines(result)[1] == (
        "The bench file cannot be used: an adapter has no key 'volts'; its keys are serial, name,"
        " supply_volts, interface, level_shifter, socket, leads_cm, wp_pin, hold_pin, power_pin,"
        " power_on, settle_ms."
    )
    assert opened == []


def test_a_name_that_the_bench_file_lacks_is_refused_with_those_it_has(
    place: Workplace, tmp_path: Path
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(
        '[[adapter]]\nserial = "A"\nname = "left"\nsupply_volts = 3.3\n'
        '[[adapter]]\nserial = "B"\nname = "right"\nsupply_volts = 3.3\n'
    )

    result = run("identify", "--adapter", "middle", "--bench", str(path))
    without = run("identify", "--adapter", "middle", "--supply", "3.3")

    assert result.exit_code == without.exit_code == 2
    assert three_lines(result)[1] == "The bench file names no adapter 'middle'."
    assert "Its names are 'left', 'right'." in three_lines(result)[2]
    assert "flashbench adapters --write-bench" in three_lines(without)[2]


def test_adapters_says_that_the_bench_file_named_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.adapter.find_adapters", list)

    said = " ".join(run("adapters", "--bench", str(tmp_path / "no.toml")).stdout.split())

    assert f"There is no bench file {tmp_path / 'no.toml'}." in said


def test_adapters_proposes_a_bench_file_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.adapter.find_adapters", lambda: [found("FB0001")])
    path = tmp_path / "bench.toml"

    first = run("adapters", "--write-bench", "--bench", str(path), "--json")
    second = run("adapters", "--write-bench", "--bench", str(path))

    assert first.exit_code == 0, first.stderr
    assert told(first) == {"bench_file": str(path), "serials": ["FB0001"]}
    assert second.exit_code == 2
    assert "is not overwritten" in second.stderr
    assert 'serial = "FB0001"' in path.read_text()


def watched(monkeypatch: pytest.MonkeyPatch) -> list[Bench]:
    """Every rehearsal bench that is opened from now on."""
    from flashbench import rehearsal

    opened: list[Bench] = []
    really = rehearsal.open_bench

    def open_bench(folder: Path) -> Bench:
        opened.append(really(folder))
        return opened[-1]

    monkeypatch.setattr("flashbench.rehearsal.open_bench", open_bench)
    return opened
