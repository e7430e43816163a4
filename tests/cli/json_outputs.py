"""Real outputs of every command's --json, and the schema that they make.

    python -m tests.cli.json_outputs

writes `flashbench/cli/json_schema.json`. What the keys mean stands in
`flashbench/cli/json_meanings.toml`.
"""

import json
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.cli.workplace import Workplace, run, told

CLI = Path(__file__).parents[2] / "flashbench" / "cli"
SCHEMA, MEANINGS = CLI / "json_schema.json", CLI / "json_meanings.toml"
_TYPES = {str: "string", bool: "boolean", int: "integer", float: "number", type(None): "null"}


def outputs(folder: Path) -> Iterator[tuple[str, Any]]:
    """Command and what it printed: a whole practice job, and what that job does not need."""
    practice = told(run("practice", str(folder / "p"), "--json"))
    yield "practice", practice | {"steps": [step | {"result": {}} for step in practice["steps"]]}
    for step in practice["steps"]:
        yield step["command"].split()[1], step["result"]
    place = Workplace(folder / "p")
    job = str(place.job)
    at_bench = place.at_bench
    calls = [
        ("adapters", "--loopback", *at_bench[:2], "--clock", "30M"),
        ("adapters", "--udev-rule"),
        ("lookup", "25Q128JVSIQ"),
        ("lookup", "EF4018"),
        ("identify", *at_bench),
        ("check-contact", *at_bench),
        ("whose", *at_bench),
        ("finish", job, "--yes", *at_bench),
        ("next", job),
        ("guide", job),
        ("shelf", str(folder / "p")),
    ]
    for words in calls:
        yield words[0], json.loads(run(*words, "--json").stdout)


def schema_of(value: Any) -> dict[str, Any]:
    """The JSON Schema that fits this one value."""
    if isinstance(value, dict):
        properties = {key: schema_of(item) for key, item in value.items()}
        return {"type": ["object"], "properties": properties, "required": sorted(value)}
    if isinstance(value, list):
        items: dict[str, Any] = {}
        for item in value:
            items = merged(items, schema_of(item))
        return {"type": ["array"], "items": items}
    return {"type": [_TYPES[type(value)]]}


def merged(one: dict[str, Any], two: dict[str, Any]) -> dict[str, Any]:
    """A schema that fits what either fits. Required is what both require."""
    if not one or not two:
        return one or two
    schema: dict[str, Any] = {"type": sorted({*one["type"], *two["type"]})}
    if "properties" in one or "properties" in two:
        first, second = one.get("properties", {}), two.get("properties", {})
        schema["properties"] = {
            key: merged(first.get(key, {}), second.get(key, {})) for key in {**first, **second}
        }
        either = [each["required"] for each in (one, two) if "required" in each]
        schema["required"] = sorted(set(either[0]).intersection(*either[1:]))
    if "items" in one or "items" in two:
        schema["items"] = merged(one.get("items", {}), two.get("items", {}))
    return schema


def described(schema: dict[str, Any], meanings: dict[str, str]) -> dict[str, Any]:
    """The schema with what each key means."""
    told_of = dict(schema)
    if "properties" in schema:
        told_of["properties"] = {
            key: ({"description": meanings[key]} if key in meanings else {})
            | described(value, meanings)
            for key, value in sorted(schema["properties"].items())
        }
    if schema.get("items"):
        told_of["items"] = described(schema["items"], meanings)
    if "number" in schema.get("type", ()) and "integer" in schema["type"]:
        told_of["type"] = [kind for kind in schema["type"] if kind != "integer"]
    return told_of


def meanings_for(command: str) -> dict[str, str]:
    """Key to meaning: what holds everywhere, and what this command means by a key."""
    texts = tomllib.loads(MEANINGS.read_text())
    return {**texts["everywhere"], **texts.get(command, {})}


def page(found: list[tuple[str, Any]]) -> dict[str, Any]:
    """The schema of all commands."""
    commands: dict[str, dict[str, Any]] = {}
    for command, value in found:
        commands[command] = merged(commands.get(command, {}), schema_of(value))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What flashbench prints with --json",
        "description": "One definition a command. More keys may come; these stay.",
        "$defs": {
            command: described(schema, meanings_for(command))
            for command, schema in sorted(commands.items())
        },
    }


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        made = page(list(outputs(Path(folder))))
    SCHEMA.write_text(json.dumps(made, indent=1, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
