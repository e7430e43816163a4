"""Before a chip is changed: a second copy that was read back, and a computer that stays awake."""

from collections import namedtuple
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flashbench.rehearsal import arm, open_bench
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import Workplace, contents, run, three_lines, told

Battery = namedtuple("Battery", ["percent", "secsleft", "power_plugged"])


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    folder = tmp_path / "second shelf"
    folder.mkdir()
    return folder


def on(place: Workplace, shelf: Path) -> tuple[str, ...]:
    path = shelf.parent / "bench.toml"
    path.write_text(f'second_shelf = "{shelf}"\n')
    return ("--bench", str(path))


def test_without_a_second_shelf_write_says_one_copy_one_disk(place: Workplace) -> None:
    result = place.on_job("write", "--yes")

    assert result.exit_code == 0
    assert "board 17: one copy, one disk: the original lies in" in result.stdout
    assert told(place.on_job("write", "--yes", "--json"))["second_copy"] is None


def test_a_write_that_is_refused_says_nothing_of_copies(place: Workplace) -> None:
    place.set_cells(0x40, b"its board ran")

    result = place.on_job("write", "--yes")

    assert result.exit_code == 3
    assert "one copy" not in result.stdout


def test_write_has_the_original_on_the_second_shelf_first(place: Workplace, shelf: Path) -> None:
    result = place.on_job("write", "--yes", "--json", *on(place, shelf))

    assert result.exit_code == 0, result.stderr
    copy = Path(told(result)["second_copy"])
    assert copy.parent == shelf
    assert (copy / "round-1" / "original.bin").read_bytes() == contents()
    assert (copy / "round-1" / "chip.json").read_bytes() == (
        place.job / "round-1" / "chip.json"
    ).read_bytes()
    journal = (place.job / "round-1" / "journal.jsonl").read_text()
    assert journal.index("second-copy-proven") < journal.index("write-announced")


def test_write_without_the_second_shelf_that_it_should_have_is_refused_undriven(
    place: Workplace, shelf: Path
) -> None:
    bench = on(place, shelf)
    shelf.rmdir()
    before = place.chip()

    result = place.on_job("write", "--yes", *bench)

    assert result.exit_code == 3
    assert three_lines(result)[1].endswith("is not there.")
    assert three_lines(result)[2].startswith("Plug that disk in")
    assert "chip out" not in result.stdout
    assert place.chip() == before


def test_a_second_copy_that_was_changed_refuses_the_write(place: Workplace, shelf: Path) -> None:
    bench = on(place, shelf)
    assert place.on_job("write", "--yes", *bench).exit_code == 0
    (copy,) = shelf.iterdir()
    path = copy / "round-1" / "original.bin"
    path.chmod(0o600)
    path.write_bytes(b"rot")
    before = place.chip()

    result = place.on_job("write", "--yes", *bench)

    assert result.exit_code == 3
    assert "cannot be relied on" in three_lines(result)[1]
    assert place.chip() == before


@pytest.mark.parametrize("verb", ["finish", "restore"])
def test_a_lost_second_disk_does_not_keep_a_half_written_chip_from_recovery(
    place: Workplace, shelf: Path, verb: str
) -> None:
    bench = on(place, shelf)
    with open_bench(place.bench) as opened:
        at_operation = opened.chip.operation_number + 5
    arm(place.bench, [LosePower(at_operation=at_operation)])
    assert place.on_job("write", "--yes", *bench).exit_code == 4
    arm(place.bench, [])
    shelf.rename(shelf.with_name("lost"))

    result = place.on_job(verb, "--yes", *bench)

    assert result.exit_code == 0, result.stderr
    assert "No second copy was proven." in result.stderr


def test_the_host_is_kept_awake_from_before_the_first_change_until_after_the_last(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    told_at: list[tuple[str, int]] = []
    journal = place.job / "round-1" / "journal.jsonl"

    @contextmanager
    def watching() -> Iterator[bool]:
        told_at.append(("held", journal.read_text().count("write-announced")))
        yield True
        told_at.append(("let go", journal.read_text().count("write-finished")))

    monkeypatch.setattr("flashbench.bench.host._ways", lambda: (watching,))

    assert place.on_job("write", "--yes").exit_code == 0
    assert told_at == [("held", 0), ("let go", 1)]


def test_a_laptop_on_its_battery_is_mentioned_before_the_question(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("psutil.sensors_battery", lambda: Battery(41, 3600, False))

    result = place.on_job("write", "--yes")

    assert result.exit_code == 0
    note = "Note: this computer runs on its battery, which is 41 % full: plug it in."
    assert note in result.stdout.splitlines()
    assert told(place.on_job("write", "--yes", "--json"))["host_notes"] == [note[6:-1]]


def test_an_adapter_behind_a_hub_is_mentioned(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flashbench.rehearsal.usb_device import VirtualUsb

    really = VirtualUsb.get_device_descriptor

    def behind_a_hub(self: VirtualUsb, dev: object) -> object:
        descriptor = really(self, dev)  # type: ignore[arg-type]
        descriptor.port_numbers = (2, 1, 4)
        return descriptor

    monkeypatch.setattr(VirtualUsb, "get_device_descriptor", behind_a_hub)

    result = place.on_job("write", "--yes")

    assert result.exit_code == 0, result.stderr
    assert "the adapter is behind 2 USB hubs" in " ".join(result.stdout.split())


def test_a_host_that_cannot_be_kept_awake_is_said_of_a_real_adapter(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flashbench.cli.bench.is_rehearsal", lambda adapter: False)

    result = place.on_job("write", "--yes")

    assert result.exit_code == 0
    assert "Nothing here can keep this computer awake" in result.stderr
    assert run("next", str(place.job)).exit_code == 0
