"""The reference page, the JSON schema, completion: what scripts and shells rely on."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import typer.main
from jsonschema import Draft202012Validator

from flashbench.cli import app, reference
from flashbench.cli.options import BenchOptions
from tests.cli import json_outputs
from tests.cli.workplace import run


def test_the_reference_page_is_what_the_commands_say() -> None:
    assert reference.PAGE.read_text() == reference.page(), (
        "make it anew: python -m flashbench.cli.reference"
    )


def test_every_command_and_every_option_says_what_it_is_for() -> None:
    group: Any = typer.main.get_group(app)
    silent = [
        (name, param.name)
        for name, command in group.commands.items()
        for param in command.params
        if not param.help
    ]

    assert silent == []
    assert [name for name, command in group.commands.items() if not command.help] == []


def test_every_command_at_the_bench_takes_the_same_options_in_the_same_order() -> None:
    group: Any = typer.main.get_group(app)
    of_bench = [field.name for field in fields(BenchOptions)]
    taken = {
        name: [param.name for param in command.params if param.name in of_bench]
        for name, command in group.commands.items()
    }

    at_bench = {name: params for name, params in taken.items() if "supply" in params}
    assert len(at_bench) == 10
    at_bench["guide"].sort(key=of_bench.index)
    assert all(params == of_bench for params in at_bench.values()), at_bench


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json_outputs.SCHEMA.read_text())
    return found


@pytest.fixture(scope="module")
def practised() -> Iterator[tuple[Path, list[tuple[str, Any]]]]:
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        yield Path(folder) / "p", list(json_outputs.outputs(Path(folder)))


@pytest.fixture
def real_outputs(practised: tuple[Path, list[tuple[str, Any]]]) -> list[tuple[str, Any]]:
    return practised[1]


def definition(schema: dict[str, Any], command: str) -> dict[str, Any]:
    found: dict[str, Any] = schema["$defs"][command]
    return found if "properties" in found else found["items"]


def test_the_schema_is_one(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    for definition in schema["$defs"].values():
        Draft202012Validator.check_schema(definition)


def test_what_commands_print_is_as_the_schema_says(
    schema: dict[str, Any], real_outputs: list[tuple[str, Any]]
) -> None:
    wrong = [
        (command, error.json_path, error.message)
        for command, value in real_outputs
        for error in Draft202012Validator(schema["$defs"][command]).iter_errors(value)
    ]

    assert wrong == [], "a key that scripts may rely on is gone or is something else now"


def test_every_key_of_an_output_is_in_the_schema_and_explained(
    schema: dict[str, Any], real_outputs: list[tuple[str, Any]]
) -> None:
    unexplained = set()
    for command, value in real_outputs:
        properties = definition(schema, command)["properties"]
        for told in value if isinstance(value, list) else [value]:
            unexplained |= {
                (command, key) for key in told if "description" not in properties.get(key, {})
            }

    assert unexplained == set(), (
        "say it in flashbench/cli/json_meanings.toml, then: python -m tests.cli.json_outputs"
    )


def test_a_wrong_output_is_found_by_the_schema(schema: dict[str, Any]) -> None:
    validator = Draft202012Validator(schema["$defs"]["verify"])

    assert list(validator.iter_errors({"equals": 7}))


def completed(words: str, position: int) -> list[str]:
    """What bash would offer behind these words."""
    asked = {"_FLASHBENCH_COMPLETE": "complete_bash", "COMP_WORDS": words}
    answer = subprocess.run(
        [sys.executable, "-m", "flashbench"],
        env={**os.environ, **asked, "COMP_CWORD": str(position)},
        capture_output=True,
        text=True,
        check=False,
    )
    return answer.stdout.split()


def test_a_shell_completes_commands_and_options() -> None:
    assert completed("flashbench wri", 1) == ["write"]
    assert completed("flashbench write --supp", 2) == ["--supply"]


def test_a_shell_is_told_how_to_complete() -> None:
    answer = subprocess.run(
        [sys.executable, "-m", "flashbench"],
        env={**os.environ, "_FLASHBENCH_COMPLETE": "source_bash"},
        capture_output=True,
        text=True,
        check=True,
    )

    assert "complete -o default -F _flashbench_completion flashbench" in answer.stdout
    assert "--show-completion" in run("--help").stdout


def test_in_a_pipe_there_is_no_bar_and_no_colour(
    practised: tuple[Path, list[tuple[str, Any]]],
) -> None:
    folder, _ = practised
    words = ["verify", str(folder / "job"), "--supply", "3.3", "--clock", "30M"]
    answer = subprocess.run(
        [sys.executable, "-m", "flashbench", *words, "--adapter", f"rehearsal:{folder / 'bench'}"],
        capture_output=True,
        check=True,
    )

    assert b"image 1" in answer.stdout
    for stream in (answer.stdout, answer.stderr):
        assert b"\x1b" not in stream
        assert b"\r" not in stream
