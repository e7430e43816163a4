"""Real outputs of every command's --json, and the schema that they make.

    python -m tests.cli.json_outputs

writes `flashbench/cli/json_schema.json`. What the keys mean stands in
`flashbench/cli/json_meanings.toml`.
"""

import json
import random
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.cli.workplace import Workplace, places_text, run, told
from tests.month.invented_bench import (
    SECTOR,
    SMALL_MODEL,
    Board,
    Chip,
    InventedBench,
    went_well,
)

CLI = Path(__file__).parents[2] / "flashbench" / "cli"
SCHEMA, MEANINGS = CLI / "json_schema.json", CLI / "json_meanings.toml"
_TYPES = {str: "string", bool: "boolean", int: "integer", float: "number", type(None): "null"}


_ALL_THAT_INTAKE_ASKS = (
    *("--device", "WF2 notebook", "--board-number", "XB000017", "--fault", "more memory"),
    *("--condition", "scratched", "--note", "by Friday", "--old-package", "4 Gbit", "--straps"),
    *("0110", "--old-count", "4", "--new-package", "8 Gbit", "--new-known-from", "datasheet"),
    *("--disk-encrypted", "yes", "--recovery-key", "yes", "--entitled", "yes"),
)


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
    yield from outputs_of_a_day(folder / "bench")


def outputs_of_a_day(folder: Path) -> Iterator[tuple[str, Any]]:
    """What one practice job has no need of: bookings, new chips, spares, the shelf."""
    folder.mkdir()
    bench = InventedBench(folder)
    one, two, three = (bench.new_board(number, SMALL_MODEL) for number in (17, 18, 19))
    new, spare = (_second_hand(bench, number) for number in (1, 2))

    def at_chip(verb: str, board: Board, *words: str, chip: Chip | None = None) -> Any:
        words = (*board.model.identify, *words)
        return verb, told(went_well(bench.at_chip(verb, board, *words, "--json", chip=chip)))

    def off_chip(verb: str, *words: str) -> Any:
        return verb, told(went_well(bench.off_chip(verb, *words, "--json")))

    yield off_chip("intake", str(one.job), "--label", one.label)
    yield off_chip("intake", str(one.job), *_ALL_THAT_INTAKE_ASKS)
    yield off_chip("next", str(one.job))
    bench.dump(one)
    bench.edit(one)
    yield off_chip("next", str(one.job), "--check")
    yield at_chip("write", one, "--to-new-chip", chip=new)
    words = ("--boots", "--memory", "16GB", "--test-hours", "4", "--errors", "0")
    yield off_chip("outcome", str(one.job), *words, "--note", "fans are loud")
    identified = bench.at_socket("identify", *SMALL_MODEL.identify, "--json", chip=one.chip)
    yield "identify", told(went_well(identified))
    yield at_chip("dump", two, "--best-effort", "--reads", "3", "--label", two.label)
    files = [bench.files / name for name in ("first.bin", "second.bin")]
    for file in files:
        file.write_bytes(three.holds)
    yield off_chip("dump", str(three.job), "--from-files", *map(str, files))
    edit_file = bench.files / "blank.toml"
    edit_file.write_text(places_text(one.dumped, _without_numbers(one)))
    yield off_chip("edit", str(one.job), str(edit_file))
    yield at_chip("spare", one, "--yes", chip=spare)
    yield off_chip("shelf", str(bench.shelf), "--check")
    yield off_chip("shelf", str(bench.shelf), "--hand-over", one.job.name)
    yield at_chip("dump", one, "--again")


def _second_hand(bench: InventedBench, number: int) -> Chip:
    """A chip whose contents prove its size, which the table does not know."""
    contents = random.Random(number).randbytes(SMALL_MODEL.size)
    name, socket = f"second-hand {number}", bench.sockets["left"]
    return bench.new_chip(name, part=SMALL_MODEL.part, contents=contents, socket=socket)


def _without_numbers(board: Board) -> bytes:
    """The edit, with the sector blank that bears the board's own numbers."""
    at, image = SMALL_MODEL.size // 2, board.edited(board.dumped)
    return image[:at] + b"\xff" * SECTOR + image[at + SECTOR :]


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
    """The schema with what each key means.

    What was null in every sample says nothing of what else it may be.
    """
    told_of = {key: value for key, value in schema.items() if (key, value) != ("type", ["null"])}
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
