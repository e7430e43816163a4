"""The benchmark still runs, on a small chip: what it measures is not asserted, what it says is."""

import json
from dataclasses import replace

import pytest

from flashbench.rehearsal import load_part
from tests.benchmarks import __main__ as benchmarks
from tests.benchmarks import durations, wire

PART = replace(
    load_part("W25Q64JW"),
    name="W25Q20EW",
    rdid=bytes.fromhex("ef6012"),
    density_bytes=1 << 18,
    chip_erase_ms_typ=1000,
    sfdp=b"",
)


def test_the_benchmark_says_every_figure_and_where_it_was_taken(
    capsys: pytest.CaptureFixture[str],
) -> None:
    arguments = ["--json", "--adapter", "FT232H", "--gap", "125"]

    status = benchmarks.main(arguments, PART, shown_parts=[PART], shown_gaps_us=[125.0])
    told = json.loads(capsys.readouterr().out)

    ours = {row["what"] for row in told["rows"] if row["how"] == "ours"}
    plain = {row["what"] for row in told["rows"] if row["how"] == "exchange"}
    assert ours == {wire.READ, wire.SMALL_EDIT, wire.PROGRAM, wire.REWRITE_1, wire.REWRITE_3}
    assert plain == {wire.READ, wire.PROGRAM, wire.ESTIMATED, wire.WHOLE_CHIP}
    assert all(0 < row["of_floor"] <= 1 for row in told["rows"]), "nothing beats its floor"
    assert {"processor", "cores", "system", "python", "commit"} <= told["machine"].keys()
    assert [each["edit"] for each in told["durations"]] == list(durations.EDITS)
    assert status == (0 if all(target["met"] for target in told["targets"]) else 1)


def a_figure(what: str, how: str, *, seconds: float, floor_s: float) -> wire.Figure:
    return wire.Figure(
        what=what, how=how, size=1 << 20, seconds=seconds, floor_s=floor_s, host_cpu_s=0.001
    )


@pytest.mark.parametrize(("seconds", "met"), [(1.0, True), (1.1, False)])
def test_a_missed_target_is_the_exit_status(
    seconds: float,
    met: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    figures = [
        a_figure(wire.READ, "ours", seconds=seconds, floor_s=1.0),
        a_figure(wire.SMALL_EDIT, "ours", seconds=1.0, floor_s=1.0),
        a_figure(wire.PROGRAM, "ours", seconds=1.0, floor_s=1.0),
    ]
    plain = [
        replace(a_figure(wire.READ, "exchange", seconds=3.0, floor_s=1.0), host_cpu_s=1.0),
        a_figure(wire.PROGRAM, "exchange", seconds=3.0, floor_s=1.0),
        a_figure(wire.ESTIMATED, "exchange", seconds=3.0, floor_s=1.0),
    ]
    whole = a_figure(wire.WHOLE_CHIP, "exchange", seconds=2.0, floor_s=1.0)
    said = durations.Duration(part="X", gap_us=125, edit="small", said_s=1.0, took_s=1.0)
    monkeypatch.setattr(wire, "ours", lambda *_: figures)
    monkeypatch.setattr(wire, "plain", lambda *_: plain)
    monkeypatch.setattr(wire, "plain_in_full", lambda *_: whole)
    monkeypatch.setattr(durations, "measured", lambda *_: [said])

    status = benchmarks.main(["--adapter", "FT232H", "--gap", "125"], PART)
    told = capsys.readouterr().out

    assert status == (0 if met else 1)
    assert ("MISSED" in told) != met
    assert "the estimate of the whole chip is +50.00% off" in told
    assert all(len(line) <= 80 for line in told.splitlines())
