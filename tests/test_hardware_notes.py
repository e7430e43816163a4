"""The notes for the bench agree with themselves, with pyftdi and with the command line."""

import importlib
import re
from pathlib import Path
from typing import Any

import pytest
import typer.main
from pyftdi.spi import SpiController

from flashbench.chip.diagnosis import Finding

NOTES = Path(__file__).parent.parent / "hardware_notes"
PAGES = sorted(NOTES.glob("*.md"))
HAND_WRITTEN = ("cautions", "contact", "first-use", "marking", "soldering", "wiring")

FLASH_SIGNALS = ["CS#", "GND", "HOLD#", "SCK", "SI", "SO", "VCC", "WP#"]
DRIVEN_SIGNALS = ["CS#", "HOLD#", "SCK", "SI", "SO", "WP#"]

COMMAND_IN_SPAN = re.compile(r"`flashbench ([^`\n]+)`")
COMMAND_ON_LINE = re.compile(r"^ {4,}flashbench (.+)$", re.MULTILINE)
VERB_IN_SPAN = re.compile(r"`([a-z]+(?:-[a-z]+)*)`")
OPTION_IN_SPAN = re.compile(r"`(--[a-z-]+)[^`\n]*`")


def page(name: str) -> str:
    return (NOTES / f"{name}.md").read_text()


def column_tables(text: str) -> list[dict[str, list[str]]]:
    """Every Markdown table of `text` as column title -> cells."""
    tables = []
    for block in re.findall(r"(?:^\|.*\|\n)+", text, re.MULTILINE):
        rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in block.split("\n")]
        titles, _rule, *body = [row for row in rows if row != [""]]
        assert all(len(row) == len(titles) for row in body), titles
        tables.append(dict(zip(titles, map(list, zip(*body, strict=True)), strict=True)))
    return tables


def signal_tables() -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    flash, adapter = (table for table in column_tables(page("wiring")) if "signal" in table)
    return flash, adapter


def drawn_pins(*, package_index: int) -> dict[str, str]:
    """Signal -> pin number as drawn; package 0 is the left drawing, 1 the right one."""
    side = re.compile(r"(?:([A-Z]+#?) +)?(\d+) \|[ o]{8}\| (\d+)(?: +([A-Z]+#?)(?= |$))?")
    pins: dict[str, str] = {}
    for line in page("wiring").splitlines():
        for drawn in side.finditer(line):
            if (drawn.start(2) > 20) == bool(package_index):
                pins |= {
                    name: pin for name, pin in ((drawn[1], drawn[2]), (drawn[4], drawn[3])) if name
                }
    return pins


def test_every_flash_package_has_each_signal_exactly_once() -> None:
    flash, _ = signal_tables()

    assert sorted(flash["signal"]) == FLASH_SIGNALS
    for package, pins in flash.items():
        assert len(set(pins)) == len(FLASH_SIGNALS), package


def test_the_eight_signals_use_up_an_eight_pin_package() -> None:
    flash, _ = signal_tables()

    assert sorted(flash["SOIC-8, WSON-8, USON-8"]) == list("12345678")


def test_every_adapter_port_has_each_driven_signal_exactly_once() -> None:
    _, adapter = signal_tables()

    assert sorted(adapter["signal"]) == DRIVEN_SIGNALS
    for port, pins in adapter.items():
        assert len(set(pins)) == len(DRIVEN_SIGNALS), port


def test_ports_a_and_b_of_one_adapter_share_no_pin() -> None:
    _, adapter = signal_tables()

    for chip in ("FT2232H", "FT4232H"):
        assert not set(adapter[f"{chip} A"]) & set(adapter[f"{chip} B"]), chip


def test_the_lines_are_those_that_pyftdi_drives() -> None:
    _, adapter = signal_tables()
    lines = dict(zip(adapter["signal"], adapter["line"], strict=True))
    bit_of = {
        "SCK": SpiController.SCK_BIT,
        "SI": SpiController.DO_BIT,
        "SO": SpiController.DI_BIT,
        "CS#": SpiController.CS_BIT,
    }

    for signal, mask in bit_of.items():
        assert lines[signal] == f"xDBUS{mask.bit_length() - 1}", signal


@pytest.mark.parametrize("package_index", [0, 1])
def test_the_drawn_packages_agree_with_the_table(package_index: int) -> None:
    flash, _ = signal_tables()
    package = ("SOIC-8, WSON-8, USON-8", "SOIC-16")[package_index]

    assert drawn_pins(package_index=package_index) == dict(
        zip(flash["signal"], flash[package], strict=True)
    )


def test_the_drawn_balls_agree_with_the_table() -> None:
    flash, _ = signal_tables()
    rows = re.findall(r"^ {6}([A-E]) ((?: +\S+){5})$", page("wiring"), re.MULTILINE)
    balls = {
        signal: f"{row}{column}"
        for row, cells in rows
        for column, signal in enumerate(cells.split(), start=1)
        if signal in FLASH_SIGNALS
    }

    assert len(rows) == 5
    assert balls == dict(zip(flash["signal"], flash["BGA-24 (5x5 and 6x4 balls)"], strict=True))


def test_the_circuits_join_the_lines_of_the_table() -> None:
    _, adapter = signal_tables()
    lines = dict(zip(adapter["line"], adapter["signal"], strict=True))
    drawn = re.findall(r"^  (xDBUS\d) .* (\S+)$", page("wiring"), re.MULTILINE)

    assert len(drawn) == 8  # four lines in each of two circuits
    assert drawn == [(line, lines[line]) for line, _ in drawn]


def test_the_shifter_drives_each_line_the_way_the_signal_goes() -> None:
    """Only SO comes from the chip; a shifter the wrong way round fights chip or adapter."""
    arrows = re.findall(r"^  (xDBUS\d) .*\|  (-->|<--)  \|", page("wiring"), re.MULTILINE)

    assert sorted(arrows) == [
        ("xDBUS0", "-->"),
        ("xDBUS1", "-->"),
        ("xDBUS2", "<--"),
        ("xDBUS3", "-->"),
    ]


def test_the_shifted_ids_are_one_bit_off_and_the_mirrored_byte_is_mirrored() -> None:
    """EF 40 18 is the W25Q128 in Linux's part list (drivers/mtd/spi-nor/winbond.c)."""
    jedec_id = 0xEF4018
    early = [(jedec_id << 1) & 0xFFFFFF | last for last in (0, 1)]
    late = [jedec_id >> 1 | first << 23 for first in (0, 1)]
    told = page("contact").split("**bit-shifted**")[1].split("\n- Likely")[0]

    assert [
        int(shown.replace(" ", ""), 16) for shown in re.findall(r"\b(?:[0-9A-F]{2} ?){3}\b", told)
    ] == [jedec_id, *early, *late]
    assert f"{int(f'{0xEF:08b}'[::-1], 2):02X}" == "F7"
    assert "EF arrives as F7" in page("contact")


def test_every_diagnosis_says_what_was_seen_what_is_likely_and_what_to_do() -> None:
    diagnoses = re.findall(r"^\*\*(.+)\*\*\n((?:[- ] .+\n)+)", page("contact"), re.MULTILINE)

    assert [name for name, _ in diagnoses] == [
        finding.value for finding in Finding if finding is not Finding.GOOD
    ]
    for name, body in diagnoses:
        assert re.findall(r"^- (\w+):", body, re.MULTILINE) == ["Seen", "Likely", "Do"], name


def test_first_use_proves_the_adapter_before_a_chip_goes_in() -> None:
    commands = COMMAND_ON_LINE.findall(page("first-use"))

    assert commands[:2] == ["adapters", "adapters --loopback"]
    assert page("first-use").index("--loopback") < page("first-use").index("Chip in, pin 1")


def test_first_use_reads_twice_before_it_writes() -> None:
    verbs = [command.split()[0] for command in COMMAND_ON_LINE.findall(page("first-use"))]

    assert verbs[: verbs.index("write")].count("dump") == 2


def test_the_pages_for_hardware_say_that_none_was_used() -> None:
    for name in ("wiring", "contact", "first-use"):
        assert re.search(r"been\s+run on real FTDI hardware", page(name)), name


def test_the_wiring_page_states_the_rules_that_save_chips() -> None:
    rules = page("wiring").split("## Four rules")[1].split("## The flash chip")[0]

    assert "Every FTDI signal is 3.3 V" in rules
    assert "Never 5 V" in rules
    assert "xDBUS0, xDBUS2 and xDBUS4" in rules


def test_the_pages_are_the_ones_we_know() -> None:
    assert set(HAND_WRITTEN) <= {path.stem for path in PAGES}


@pytest.mark.parametrize("name", HAND_WRITTEN)
def test_lines_fit_a_hundred_columns(name: str) -> None:
    too_long = [line for line in page(name).splitlines() if len(line) > 100]

    assert too_long == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_links_lead_somewhere(path: Path) -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", path.read_text())

    assert [target for target in targets if not (NOTES / target).exists()] == []


def command_line() -> tuple[dict[str, set[str]], set[str]]:
    """Command -> its options, and the options that any command or the program itself takes."""
    cli = importlib.import_module("flashbench.cli")
    if not hasattr(cli, "app"):
        pytest.skip("flashbench.cli has no command line yet")
    group: Any = typer.main.get_group(cli.app)
    common = {"--help", *(option for param in group.params for option in param.opts)}
    options = {
        name: common
        | {option for param in command.params for option in (*param.opts, *param.secondary_opts)}
        for name, command in group.commands.items()
    }
    return options, common.union(*options.values())


@pytest.mark.parametrize("name", HAND_WRITTEN)
def test_every_command_and_option_in_the_notes_exists(name: str) -> None:
    options, any_option = command_line()
    text = page(name)
    unknown = [verb for verb in VERB_IN_SPAN.findall(text) if verb not in options]
    for call in COMMAND_IN_SPAN.findall(text) + COMMAND_ON_LINE.findall(text):
        verb = call.split()[0]
        asked = re.findall(r"(?<= )--[a-z-]+", call)
        unknown += [call for option in asked if option not in options.get(verb, set())]
        unknown += [call] if verb not in options else []
    unknown += [option for option in OPTION_IN_SPAN.findall(text) if option not in any_option]

    assert unknown == []
