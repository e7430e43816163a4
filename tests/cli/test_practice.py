"""The practice run: the whole job, an accident included, and what it leaves behind."""

import json
import re
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from flashbench.image.memory_records import find_records
from flashbench.job.check import check_folder
from flashbench.rehearsal import open_bench
from flashbench.rehearsal.demo_board import DEMO, demo_edited_image, demo_image
from tests.cli.workplace import run, told


@pytest.fixture(scope="module")
def practised() -> Iterator[tuple[Path, str]]:
    """A folder that was practised in, and what was said."""
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        result = run("practice", "practice")
        assert result.exit_code == 0, result.stderr
        yield Path(folder) / "practice", result.stdout


def test_it_ends_with_the_new_image_on_the_chip(practised: tuple[Path, str]) -> None:
    folder, said = practised

    with open_bench(folder / "bench") as bench:
        assert bench.chip.contents == demo_edited_image(demo_image())
        assert bench.chip.complaints == []
    assert said.splitlines()[-1] == "practice board 7: practice is over. Nothing real was touched."


def test_the_readme_shows_a_real_run(practised: tuple[Path, str]) -> None:
    _, said = practised
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    (shown,) = re.findall(r"```\n(\$ flashbench write .*?)```", readme, re.DOTALL)

    assert shown in said


def test_every_block_on_the_chip_checks_at_the_end(practised: tuple[Path, str]) -> None:
    folder, _ = practised
    with open_bench(folder / "bench") as bench:
        (folder / "held.bin").write_bytes(bench.chip.contents)

    facts = told(run("inspect", str(folder / "held.bin"), "--straps", DEMO.straps, "--json"))

    assert len(facts["blocks"]) == 10
    assert all(block["check"]["holds"] is True for block in facts["blocks"])
    ((index,),) = [table["fitting"] for table in facts["tables"]]
    offset = facts["tables"][0]["rows"][index]["offset"]
    record = next(one for one in facts["memory"] if one["offset"] == offset)
    assert record["capacity_gbit"] == 32
    (before,) = [one["capacity_gbit"] for one in find_before() if one["offset"] == offset]
    assert record["capacity_gbit"] == 2 * before


def find_before() -> list[dict[str, Any]]:
    """The records of the board as it came in."""
    return [record.as_json() for record in find_records(demo_image())]


def test_it_leaves_the_report_and_the_edit_file(practised: tuple[Path, str]) -> None:
    folder, _ = practised

    edit = (folder / "edit.toml").read_text()
    assert "MT62F1G32D2DS-031 WT:C" in edit
    assert edit.count("packages_on_board = 2") == 1
    assert (folder / "job" / "report.html").stat().st_size > 1000
    sheet = json.loads((folder / "job" / "round-1" / "changes-1.json").read_text())
    assert sheet["answers"]["straps"] == "done"
    assert "board after: 64 Gbit = 8 GB" in " ".join(sheet["capacity"])


def test_every_command_of_the_job_is_shown_as_a_person_would_type_it(
    practised: tuple[Path, str],
) -> None:
    _, said = practised

    typed = [line.split()[2] for line in said.splitlines() if line.startswith("$ flashbench ")]
    assert typed[:10] == [
        "identify", "dump", "inspect", "edit", "write",
        "verify", "restore", "next", "finish", "report",
    ]  # fmt: skip
    assert "\nThe chip is half-written.\nThe adapter left the USB" in said
    assert "Leave the chip in: it is half-written." in said
    assert said.count("--marking W25Q128JV") == 2
    assert ["marking", "W25Q128JV"] in [line.split() for line in said.splitlines()]
    assert [line for line in said.splitlines() if len(line) > 80] == []


@pytest.mark.skipif(
    not (shutil.which("sha256sum") or shutil.which("shasum")),
    reason="neither sha256sum nor shasum is installed",
)
def test_its_copies_prove_themselves_with_the_system_s_own_tool(
    practised: tuple[Path, str],
) -> None:
    round_1 = practised[0] / "job" / "round-1"
    tool = ["sha256sum"] if shutil.which("sha256sum") else ["shasum", "-a", "256"]
    names = sorted(path.name for path in round_1.glob("*.sha256"))

    done = subprocess.run(
        [*tool, "-c", *names], cwd=round_1, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr
    assert {"original.bin: OK", "image-1.bin: OK"} <= set(done.stdout.splitlines())


def test_the_job_folder_is_as_it_was_saved(practised: tuple[Path, str]) -> None:
    assert [finding for finding in check_folder(practised[0] / "job") if finding.damaged] == []


def test_one_can_go_on_by_hand(practised: tuple[Path, str]) -> None:
    folder, _ = practised
    bench = ("--adapter", f"rehearsal:{folder / 'bench'}", "--supply", "3.3")

    facts = told(run("verify", str(folder / "job"), *bench, "--json"))

    assert facts["label"] == "practice board 7"
    assert facts["equals"] == "image 1"


def test_scripts_get_each_step_with_its_status(monkeypatch: pytest.MonkeyPatch) -> None:
    with TemporaryDirectory() as folder:
        monkeypatch.setattr("tempfile.tempdir", folder)
        result = run("practice", "--json")

        facts = told(result)
        assert Path(facts["folder"]).parent == Path(folder)
        assert Path(facts["job"], "round-1", "original.bin").exists()
        statuses = {step["command"].split()[1]: step["exit_status"] for step in facts["steps"]}
    assert result.stderr == ""
    assert statuses == {
        "identify": 0, "dump": 0, "inspect": 0, "edit": 0, "write": 0, "verify": 0,
        "restore": 4, "next": 0, "finish": 0, "report": 0,
    }  # fmt: skip


def test_a_bench_alone_has_the_boards_chip_in_its_socket_and_a_blank_one_beside_it(
    tmp_path: Path,
) -> None:
    made = run("practice", str(tmp_path / "p"), "--bench-only", "--json")

    bench = tmp_path / "p" / "bench"
    assert made.exit_code == 0, made.stderr
    assert told(made)["chips"] == ["first", "spare"]
    assert [path.name for path in (tmp_path / "p").iterdir()] == ["bench"]
    with open_bench(bench) as opened:
        assert opened.chip.contents == demo_image()
    at_bench = ("--adapter", f"rehearsal:{bench}", "--supply", "3.3", "--json")
    own = told(run("identify", *at_bench))
    (bench / "socket").write_text("spare\n")
    spare = told(run("identify", *at_bench))
    assert spare["jedec_id"] == own["jedec_id"]
    assert spare["unique_id"] != own["unique_id"]
    with open_bench(bench) as opened:
        assert set(opened.chip.contents) == {0xFF}


def test_a_bench_whose_socket_names_no_chip_says_so(tmp_path: Path) -> None:
    run("practice", str(tmp_path / "p"), "--bench-only")
    (tmp_path / "p" / "bench" / "socket").write_text("spair")

    result = run("identify", "--adapter", f"rehearsal:{tmp_path / 'p' / 'bench'}", "--supply", "3")

    assert result.exit_code == 5
    assert "its socket names the chip 'spair', and there is no folder" in result.stderr
    assert "flashbench practice DIR --bench-only" in result.stderr


@pytest.mark.parametrize("at", ["between steps", "in a step"])
def test_a_practice_that_is_stopped_says_how_to_begin_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    def stopped(*_: object, **__: object) -> None:
        signal.raise_signal(signal.SIGINT)

    where = "identify_at" if at == "in a step" else "make_bench"
    monkeypatch.setattr(f"flashbench.cli.practice.{where}", stopped)

    result = run("practice", str(tmp_path / "p"))

    said = " ".join((result.stdout + result.stderr).split())
    assert result.exit_code == 130
    assert "To begin anew, name another folder, or delete this one first:" in said
    assert str(tmp_path / "p") in said
