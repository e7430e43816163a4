"""What each command refuses, and that the chip is then as it was."""

import dataclasses
from pathlib import Path

import pytest

from flashbench.rehearsal import add_chip, load_part, swap_chip
from flashbench.rehearsal.nor_part import NorPart
from flashbench.wording import shown
from tests.cli.workplace import PART, SIZE, Workplace, contents, run, three_lines, told


def test_an_image_of_another_size_is_refused(place: Workplace) -> None:
    before = place.chip()
    place.edited.write_bytes(contents()[:-1])

    result = run("edit", str(place.job), "--from-image", str(place.edited))

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "This command did not touch the chip."
    assert seen == f"The image has {SIZE - 1} bytes, the original {SIZE}."
    assert "nothing is padded or cut" in next_step
    assert not (place.job / "round-1" / "image-2.bin").exists()
    assert place.chip() == before


def test_an_image_that_changes_nothing_is_refused(place: Workplace) -> None:
    place.edited.write_bytes(contents())

    result = run("edit", str(place.job), "--from-image", str(place.edited))

    assert result.exit_code == 3
    assert three_lines(result)[1] == (
        "The image is the original of job board 17: it changes nothing."
    )


def test_an_image_the_job_has_already_is_refused_by_its_number(place: Workplace) -> None:
    result = run("edit", str(place.job), "--from-image", str(place.edited))

    assert result.exit_code == 3
    assert "as image 1" in three_lines(result)[1]
    assert three_lines(result)[2].endswith("--image 1")


def test_a_chip_that_changed_since_its_backup_is_refused(place: Workplace) -> None:
    place.set_cells(0x0040_0000, b"a board wrote this")
    before = place.chip()

    result = place.on_job("write", "--yes")

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "The chip is untouched."
    assert seen.startswith("The chip no longer holds what job board 17 backed up.")
    assert "0x400000" in seen
    assert "--again" in next_step
    assert result.stdout.splitlines()[-1] == "board 17: You may take the chip out."
    assert place.chip() == before


@pytest.mark.parametrize("verb", ["write", "restore", "verify"])
def test_a_backup_altered_by_one_byte_is_refused(place: Workplace, verb: str) -> None:
    before = place.chip()
    original = place.job / "round-1" / "original.bin"
    original.chmod(0o600)
    with original.open("r+b") as file:
        file.seek(0x1234)
        file.write(bytes([contents()[0x1234] ^ 1]))

    result = place.on_job(verb, *([] if verb == "verify" else ["--yes"]))

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert "not touch" in state
    assert "original.bin" in seen
    assert next_step
    assert place.chip() == before


@pytest.mark.parametrize("verb", ["identify", "dump", "write", "verify", "restore"])
def test_a_supply_that_is_wrong_for_the_part_is_refused(place: Workplace, verb: str) -> None:
    before = place.chip()
    target = [] if verb == "identify" else [str(place.job)]
    again = ["--again"] if verb == "dump" else []
    yes = ["--yes", "--label", "d17"] if verb in ("write", "restore") else []

    result = run(
        verb, *target, *again, *yes, "--adapter", f"rehearsal:{place.bench}", "--supply", "5"
    )

    assert result.exit_code == 3
    state, seen, next_step = three_lines(result)
    assert state == "No cell of the chip was changed, but its bench supplies 5.00 V."
    assert "5.00 V" in seen
    assert next_step.startswith("Switch the supply off")
    assert place.chip() == before


def test_a_marking_that_excludes_the_supply_is_refused_before_any_pin_is_driven(
    place: Workplace,
) -> None:
    trace = place.folder / "trace.jsonl"

    result = run(
        "identify", *place.at_bench, "--marking", "W25Q64JWSSIQ", "--trace", str(trace)
    )  # fmt: skip

    assert result.exit_code == 3
    assert "1.65 to 1.95 V" in three_lines(result)[1] or "1.70 to 1.95 V" in three_lines(result)[1]
    assert "drive pins" not in trace.read_text()


def half_size_in_sfdp(part: NorPart) -> NorPart:
    """The part with a BFPT that states half its density: DWORD 2 is "bits - 1" [JESD216, 6.4.5]."""
    bits_less_one = (8 * part.density_bytes - 1).to_bytes(4, "little")
    halved = (4 * part.density_bytes - 1).to_bytes(4, "little")
    assert part.sfdp.count(bits_less_one) == 1
    return dataclasses.replace(part, sfdp=part.sfdp.replace(bits_less_one, halved))


def test_sfdp_that_states_less_than_the_array_lets_dump_and_refuses_to_write(
    fresh: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    lying = half_size_in_sfdp(load_part(PART))
    monkeypatch.setattr("flashbench.rehearsal.bench.load_part", lambda _: lying)
    before = fresh.chip()
    dumped = fresh.on_job("dump", "--marking", "W25Q128JVSIQ")
    assert dumped.exit_code == 0, dumped.stderr
    original = (fresh.job / "round-1" / "original.bin").read_bytes()
    fresh.write_edited(original[:-1] + bytes([original[-1] ^ 1]))
    fresh.take_in()

    result = fresh.on_job("write", "--yes")

    assert result.exit_code == 3
    state, seen, _ = three_lines(result)
    assert state == "The chip is untouched."
    assert seen.startswith("The size of this chip is not proven")
    assert "nothing will be written" in dumped.stdout
    assert fresh.chip() == before


@pytest.mark.parametrize("verb", ["write", "verify", "finish", "restore", "edit", "next"])
def test_a_job_that_is_not_there_is_refused(fresh: Workplace, verb: str) -> None:
    before = fresh.chip()
    more = {
        "edit": ["--from-image", str(fresh.edited)],
        "next": [],
        "verify": list(fresh.at_bench),
    }.get(verb, ["--yes", *fresh.at_bench])

    result = run(verb, str(fresh.job), *more)

    assert result.exit_code == 3
    state, seen, _ = three_lines(result)
    assert state == "This command did not touch the chip."
    assert seen == f"There is no job in {fresh.job}."
    assert fresh.chip() == before


def test_a_second_dump_into_a_job_is_refused_with_the_way_to_a_new_round(
    place: Workplace,
) -> None:
    result = place.on_job("dump")

    assert result.exit_code == 3
    assert "has its original, which is never replaced" in three_lines(result)[1]
    assert "--again" in three_lines(result)[2]


def test_another_label_for_a_job_is_a_wrong_call(place: Workplace) -> None:
    result = place.on_job("dump", "--again", "--label", "board 18")

    assert result.exit_code == 2
    assert "bears the label 'board 17'" in three_lines(result)[1]


@pytest.mark.parametrize("verb", ["write", "restore", "verify"])
def test_another_chip_in_the_socket_is_refused_and_left_alone(place: Workplace, verb: str) -> None:
    add_chip(place.bench, "other", part="MX25L12835F", contents=contents(seed=2))
    swap_chip(place.bench, "other")
    before = place.chip()

    result = place.on_job(verb, *([] if verb == "verify" else ["--yes"]))

    assert result.exit_code == 3
    assert "is not the one that job board 17 was dumped from" in three_lines(result)[1]
    assert result.stdout.splitlines()[-1] == "board 17: You may take the chip out."
    assert place.chip() == before


def test_verify_says_where_a_chip_differs_from_all_the_job_knows(place: Workplace) -> None:
    place.set_cells(0x0040_0000, b"\x00")

    result = place.on_job("verify", "--json")

    facts = told(result)
    assert result.exit_code == 3
    assert facts["equals"] is None
    assert facts["nearest"] == "original"
    assert facts["first_difference"] == 0x0040_0000
    assert facts["error"]["exit_status"] == 3


@pytest.mark.parametrize("verb", ["write", "finish", "restore"])
def test_with_no_terminal_and_no_yes_nothing_is_begun(place: Workplace, verb: str) -> None:
    before = place.chip()

    result = place.on_job(verb)

    assert result.exit_code == 2
    state, seen, next_step = three_lines(result)
    assert state == "The chip was not touched."
    assert "there is no terminal to ask at" in seen
    assert "--yes" in next_step
    assert told(place.on_job(verb, "--json"))["error"]["exit_status"] == 2
    assert place.chip() == before


@pytest.mark.parametrize("verb", ["identify", "dump", "write", "verify", "restore"])
def test_without_a_declared_supply_no_pin_is_driven(place: Workplace, verb: str) -> None:
    target = [] if verb == "identify" else [str(place.job)]
    again = ["--again"] if verb == "dump" else []
    yes = ["--yes", "--label", "d17"] if verb in ("write", "restore") else []

    result = run(verb, *target, *again, *yes, "--adapter", f"rehearsal:{place.bench}")

    assert result.exit_code == 2
    assert three_lines(result)[1] == "The supply is not declared, so no pin was driven."
    assert "--supply 3.3" in three_lines(result)[2]
    assert "chip out" not in result.stdout


def test_an_adapter_that_is_not_there_is_an_adapter_error(place: Workplace) -> None:
    result = run("identify", "--adapter", f"rehearsal:{place.folder / 'none'}", "--supply", "3.3")

    assert result.exit_code == 5
    assert three_lines(result)[0] == "Nothing was changed by this command."


def test_several_adapters_are_listed_and_none_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    from flashbench.rehearsal import in_memory_bench
    from flashbench.rehearsal.usb_device import VirtualUsb

    benches = [in_memory_bench(), in_memory_bench(adapter="FT2232H")]
    for address, bench in enumerate(benches, start=1):
        bench.adapter.address = address
    usb = VirtualUsb([bench.adapter for bench in benches])
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: usb)

    result = run("identify", "--supply", "3.3")

    assert result.exit_code == 5
    assert three_lines(result)[1].startswith("2 adapters ")
    assert three_lines(result)[1].count("ftdi://ftdi:") == 2


@pytest.mark.parametrize(
    "words",
    [
        ("identify", "--supply", "3.3", "--clock", "fast"),
        ("identify", "--supply", "3.3", "--clock", "0"),
        ("identify", "--supply", "none"),
        ("identify", "--supply", "-3"),
        ("identify", "--strange"),
        ("dump",),
        ("edit", "job"),
        ("strange",),
    ],
)
def test_a_call_that_makes_no_sense_ends_with_2(words: tuple[str, ...]) -> None:
    result = run(*words)

    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_scripts_get_a_refusal_as_one_object_and_people_three_lines(place: Workplace) -> None:
    place.set_cells(0x0040_0000, b"a board wrote this")

    result = place.on_job("write", "--yes", "--json")

    error = told(result)["error"]
    lines = result.stderr.splitlines()
    assert [error["state"], error["seen"], error["next_step"]] == lines[:3]
    assert error["exit_status"] == result.exit_code == 3
    assert lines[3:] == ["board 17: You may take the chip out."]


def test_a_fault_of_our_own_is_one_line_and_the_traceback_only_when_asked_for(
    place: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: object) -> None:
        raise KeyError("nobody foresaw this")

    monkeypatch.setattr("flashbench.safe_write.next_step.next_step", broken)
    plain = run("next", str(place.job))
    monkeypatch.setenv("FLASHBENCH_DEBUG", "1")
    debugging = run("next", str(place.job), "--json")

    assert plain.exit_code == debugging.exit_code == 1
    (line,) = plain.stderr.splitlines()
    assert "KeyError: 'nobody foresaw this'" in line
    assert "Traceback" in debugging.stderr
    assert told(debugging)["error"]["exit_status"] == 1


def test_practice_does_not_use_a_folder_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")

    result = run("practice", str(tmp_path))

    assert result.exit_code == 2
    assert three_lines(result)[1] == f"{tmp_path} is not empty."
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_what_a_terminal_would_obey_is_shown_and_not_sent() -> None:
    assert shown("bag\x1b[2J 17\r\n\x9b\u202e\udc80") == ("bag\\x1b[2J 17\\r\\n\\x9b\\u202e\\udc80")
    assert shown("Müller, 板 17 \\ 'a'") == "Müller, 板 17 \\ 'a'"


@pytest.mark.parametrize(
    "words", [("--label", "bag\x1b[2J\n17"), ("--marking", "W25\x1b[2J"), ("--trace", "no\x1b/x")]
)
def test_no_control_character_of_a_label_a_marking_or_a_path_reaches_the_terminal(
    fresh: Workplace, words: tuple[str, str]
) -> None:
    folder = fresh.folder / "job\x1b[31m"

    for result in (
        run("dump", str(folder), *fresh.at_bench, *words),
        run("next", str(folder)),
    ):
        assert result.exit_code in (2, 3)
        assert "\x1b" not in result.output
        assert len(result.stderr.splitlines()) == 3


def test_with_no_unfinished_write_there_is_nothing_to_finish(place: Workplace) -> None:
    before = place.chip()

    result = place.on_job("finish", "--yes")

    assert result.exit_code == 3
    _, seen, next_step = three_lines(result)
    assert seen == "Job board 17 has no unfinished write: there is nothing to finish."
    assert f"flashbench write {place.job}" in next_step
    assert f"flashbench restore {place.job}" in next_step
    assert place.chip() == before
