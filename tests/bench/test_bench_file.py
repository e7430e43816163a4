"""bench.toml: what it says of sockets, and what is refused in a sentence."""

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.adapter import ExtraPins, FoundAdapter
from flashbench.bench.bench_file import DESCRIPTION, BenchAdapter, BenchFileWrong, parse_bench
from flashbench.bench.on_disk import default_path, propose_bench, read_bench
from flashbench.errors import WrongCall

TWO = """
second_shelf = "/media/two/boards"

[[adapter]]
serial = "FB0001"
name = "3.3 V socket"
supply_volts = 3.3
wp_pin = "D4"
hold_pin = "D5"
power_pin = "C0"
power_on = "low"
settle_ms = 80

[[adapter]]
serial = "FB0001"
interface = 2
name = "1.8 V socket"
supply_volts = 1.8
level_shifter = "8 channels on the socket board"
socket = "WSON-8, 6x5"
leads_cm = 7.5
"""


def test_each_socket_is_known_by_serial_and_port() -> None:
    bench = parse_bench(TWO)

    first = bench.adapter("FB0001", interface=1)
    second = bench.adapter("FB0001", interface=2)
    assert first is not None and second is not None
    assert first.extra_pins == ExtraPins(
        held_high=0x30, power=0x0100, power_on_high=False, settle_s=0.08
    )
    assert second.extra_pins is None, "nothing is said of its pins"
    assert second.sentence() == (
        "'1.8 V socket' (serial FB0001) supplies 1.8 V, WSON-8, 6x5,"
        " 8 channels on the socket board, leads of 7.5 cm"
    )
    assert bench.adapter("FB0002", interface=1) is None
    assert bench.named("1.8 V socket") == second
    assert bench.second_shelf == Path("/media/two/boards")


def test_a_part_is_sent_to_the_socket_that_supplies_what_it_takes() -> None:
    bench = parse_bench(TWO)

    fitting = bench.for_part((1.65, 1.95))
    assert fitting is not None and fitting.name == "1.8 V socket"
    assert bench.for_part((1.1, 1.3)) is None


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("supply = 3.3", "no key 'supply'; its keys are adapter, second_shelf"),
        ('[[adapter]]\nserial = "A"\nname = "x"', "'x' does not say its supply_volts"),
        (
            '[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = 3.3\nvolts = 3',
            "no key 'volts'; its",
        ),
        (
            '[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = "3.3"',
            "in supply_volts: expected a number",
        ),
        ('[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = 12', "<= 5"),
        ('[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = nan', "supply_volts"),
        ('[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = 1.8', "without a level shifter"),
        ('[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = 3.3\nwp_pin = "D3"', "'D3' is no"),
        (
            '[[adapter]]\nserial = "A"\nname = "x"\nsupply_volts = 3.3\n'
            'wp_pin = "D4"\npower_pin = "D4"',
            "one pin has two tasks",
        ),
        ('[[adapter]]\nserial = "A"\nname = "\\u001b[2J"\nsupply_volts = 3.3', "cannot be shown"),
        (TWO.replace("interface = 2", ""), "stands twice"),
        (TWO.replace('"1.8 V socket"', '"3.3 V socket"'), "the name '3.3 V socket' stands twice"),
        ('second_shelf = "boards"', "is not a whole path"),
        ("adapter = 3", "in adapter: expected a list"),
        ("[[adapter", "it is not TOML"),
        ("a = " + "[" * 5000, "it is not TOML"),
    ],
)
def test_what_a_bench_file_cannot_say_is_a_sentence(text: str, seen: str) -> None:
    with pytest.raises(BenchFileWrong) as refused:
        parse_bench(text)

    assert refused.value.seen.startswith("The bench file cannot be used: ")
    assert seen in refused.value.seen
    assert "\x1b" not in str(refused.value)
    assert "--write-bench" in refused.value.next_step
    assert "bench-files.md" in refused.value.next_step


def test_the_description_names_every_key_and_its_example_is_a_bench_file() -> None:
    page = DESCRIPTION.read_text()
    example = page.split("```toml\n")[1].split("```")[0]

    bench = parse_bench(example)

    assert [socket.name for socket in bench.adapters] == ["3 V socket", "1.8 V socket"]
    keys = ["second_shelf", *BenchAdapter.__dataclass_fields__]
    assert [key for key in keys if f"`{key}`" not in page] == []
    assert [key for key in keys if f"{key} = " not in example] == []


@settings(max_examples=60)
@given(st.text(max_size=200) | st.sampled_from(TWO.splitlines()).map(lambda line: TWO + line))
def test_no_text_makes_anything_else_than_a_bench_or_a_sentence(text: str) -> None:
    try:
        parse_bench(text)
    except BenchFileWrong as error:
        assert error.seen


def test_without_a_bench_file_nothing_is_known_and_nothing_wrong() -> None:
    assert read_bench(None).adapters == ()
    assert default_path().parts[-2:] == ("flashbench", "bench.toml")


def test_a_bench_file_that_was_named_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(WrongCall, match="There is no bench file"):
        read_bench(tmp_path / "bench.toml")


def test_a_huge_or_broken_bench_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    with path.open("wb") as file:
        os.truncate(file.fileno(), 1 << 30)
    with pytest.raises(BenchFileWrong, match="is larger than 65536 bytes"):
        read_bench(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(BenchFileWrong, match="is no UTF-8 text"):
        read_bench(path)


def found(serial: str, *, interfaces: tuple[int, ...] = (1,)) -> FoundAdapter:
    return FoundAdapter(
        chip="FT2232H",
        serial=serial,
        product="Invented",
        bus=1,
        address=2,
        port_numbers=(1,),
        interfaces=interfaces,
        url=f"ftdi://ftdi:2232h:{serial}/1",
        hindrances=(),
        device=None,
    )


def test_a_proposal_is_used_only_once_its_supplies_are_filled_in(tmp_path: Path) -> None:
    path = tmp_path / "flashbench" / "bench.toml"

    assert propose_bench(path, [found('F"1', interfaces=(1, 2)), found("")]) == path

    text = path.read_text()
    with pytest.raises(BenchFileWrong, match="does not say its supply_volts"):
        read_bench(path)
    path.write_text(text.replace("# supply_volts", "supply_volts"))
    assert [(a.serial, a.interface) for a in read_bench(path).adapters] == [('F"1', 1), ('F"1', 2)]


def test_a_bench_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("# mine\n")

    with pytest.raises(WrongCall, match="is not overwritten"):
        propose_bench(path, [found("FB0001")])

    assert path.read_text() == "# mine\n"


def test_adapters_without_a_serial_cannot_be_proposed(tmp_path: Path) -> None:
    with pytest.raises(WrongCall, match="No adapter with a serial number"):
        propose_bench(tmp_path / "bench.toml", [found("")])
