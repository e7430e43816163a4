"""What the README says of commands, tables and places is so."""

import re
from pathlib import Path

from chipdb.table import load
from tests.test_hardware_notes import COMMAND_IN_SPAN, command_line

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text()


def test_every_command_and_option_exists() -> None:
    options, any_option = command_line()
    calls = COMMAND_IN_SPAN.findall(TEXT) + re.findall(r"^flashbench (.+)$", TEXT, re.MULTILINE)
    unknown = []
    for call in calls:
        verb = call.split()[0]
        asked = re.findall(r"(?<= )--[a-z-]+", call.split("#")[0])
        unknown += [call] if verb not in options else []
        unknown += [call for option in asked if option not in options.get(verb, set())]
    unknown += [option for option in re.findall(r"`(--[a-z-]+)", TEXT) if option not in any_option]

    assert len(calls) > 15
    assert unknown == []


def test_it_counts_the_chips_and_the_model_s_parts_right() -> None:
    parts = list((ROOT / "flashbench" / "rehearsal" / "parts").glob("*.toml"))

    assert f"Chips: {len(load())} rows" in TEXT
    assert f"stricter than a chip ({len(parts)} parts)" in TEXT


def test_links_lead_somewhere() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", TEXT)

    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_the_way_back_comes_before_anything_else_is_explained() -> None:
    sections = re.findall(r"^## (.+)$", TEXT, re.MULTILINE)

    assert sections[0] == "Something went wrong"
    assert TEXT.index("(#something-went-wrong)") < 200
