"""What each command does when all goes well."""

import hashlib
import os
import re
from pathlib import Path
from unittest.mock import patch

import pytest

from flashbench.rehearsal import in_memory_bench
from tests.cli.workplace import (
    EDITS,
    SIZE,
    Workplace,
    contents,
    edited,
    run,
    timing_the_write,
    told,
)

TAKE_OUT = "You may take the chip out."


def test_identify_names_part_size_supply_and_says_that_the_chip_may_be_taken_out(
    fresh: Workplace,
) -> None:
    before = fresh.chip()

    result = run("identify", *fresh.at_bench)

    assert result.exit_code == 0, result.stderr
    assert "W25Q128JV-IQ" in result.stdout
    assert "128 Mbit (16 MiB)" in result.stdout
    assert "2.70 to 3.60 V (datasheet); you declared 3.3 V" in result.stdout
    assert result.stdout.splitlines()[-1] == TAKE_OUT
    assert fresh.chip() == before


def test_identify_tells_scripts_id_parts_size_and_supply(fresh: Workplace) -> None:
    facts = told(run("identify", *fresh.at_bench, "--json"))

    assert facts["jedec_id"].startswith("ef4018")
    assert "W25Q128JV-IQ" in facts["parts"]
    assert facts["density_bytes"] == SIZE
    assert facts["supply"] == {
        "volts": [2.7, 3.6],
        "known_from": "datasheet",
        "declared_volts": 3.3,
    }
    assert facts["chip_may_be_taken_out"] is True


def test_a_marking_narrows_the_parts_down(fresh: Workplace) -> None:
    facts = told(run("identify", *fresh.at_bench, "--marking", "W25Q128JVSIQ", "--json"))

    assert facts["parts"] == ["W25Q128JV-IQ"]
    assert facts["marking"] == "W25Q128JVSIQ"


def test_dump_keeps_an_original_that_its_hash_file_proves(fresh: Workplace) -> None:
    before = fresh.chip()

    result = fresh.on_job("dump", "--label", "Miller, bag 17")

    assert result.exit_code == 0, result.stderr
    original = fresh.job / "round-1" / "original.bin"
    assert original.read_bytes() == contents()
    sha256 = hashlib.sha256(contents()).hexdigest()
    assert (original.parent / "original.bin.sha256").read_text() == f"{sha256}  original.bin\n"
    assert sha256 in result.stdout
    assert result.stdout.splitlines()[-1] == f"Miller, bag 17: {TAKE_OUT}"
    assert fresh.chip() == before


def test_a_clock_beyond_the_adapters_fastest_is_said(fresh: Workplace) -> None:
    result = run("identify", *fresh.at_bench[:-1], "100M")

    assert result.exit_code == 0
    assert "100 MHz is more than the adapter can: 30 MHz is its fastest clock" in result.stderr


def test_dump_tells_scripts_where_the_original_is(fresh: Workplace) -> None:
    facts = told(fresh.on_job("dump", "--json"))

    assert facts["label"] == "job"
    assert facts["round"] == 1
    assert facts["bytes"] == SIZE
    assert facts["sha256"] == hashlib.sha256(Path(facts["original"]).read_bytes()).hexdigest()
    assert facts["size_sources"] == ["table", "SFDP"]
    assert facts["size_proven"] is True
    assert len(facts["ways"]) == 2


def test_dump_without_a_label_says_that_the_folders_name_is_the_label(fresh: Workplace) -> None:
    result = fresh.on_job("dump")

    assert result.exit_code == 0, result.stderr
    assert (
        "No label was given, so the folder's name is the label: job. Write it on the bag; before"
        " the chip is changed, its end is asked for." in " ".join(result.stdout.split())
    )


def test_dump_with_a_label_does_not_speak_of_the_folders_name(fresh: Workplace) -> None:
    result = fresh.on_job("dump", "--label", "board 17")

    assert result.exit_code == 0, result.stderr
    assert "No label was given" not in result.stdout


def test_dump_goes_on_with_a_job_that_has_no_original_yet(fresh: Workplace) -> None:
    flaw = patch("flashbench.safe_write.dump.read_twice", side_effect=KeyboardInterrupt)
    with flaw:
        assert fresh.on_job("dump").exit_code == 130
    assert (fresh.job / "job.toml").exists()

    result = fresh.on_job("dump")

    assert result.exit_code == 0, result.stderr
    assert (fresh.job / "round-1" / "original.bin").read_bytes() == contents()


def test_dump_again_opens_a_round_and_leaves_the_first_original(place: Workplace) -> None:
    place.set_cells(0x2000, b"the board ran")

    result = place.on_job("dump", "--again")

    assert result.exit_code == 0, result.stderr
    assert (place.job / "round-1" / "original.bin").read_bytes() == contents()
    second = (place.job / "round-2" / "original.bin").read_bytes()
    assert second[0x2000:0x200D] == b"the board ran"


def test_edit_shows_what_changes_and_keeps_image_and_change_sheet(fresh: Workplace) -> None:
    fresh.on_job("dump")

    result = fresh.take_in()

    assert result.exit_code == 0, result.stderr
    assert (fresh.job / "round-1" / "image-1.bin").read_bytes() == edited(contents())
    assert (fresh.job / "round-1" / "changes-1.json").exists()
    assert f"{min(EDITS):#x} (8 bytes): outside every recognised block" in result.stdout
    assert result.stdout.splitlines()[-1].startswith("job: image 1 is kept")


def test_edit_tells_scripts_the_changed_ranges(fresh: Workplace) -> None:
    fresh.on_job("dump")

    facts = told(fresh.take_in("--json"))

    changed = {
        offset
        for changed in facts["ranges"]
        for offset in range(changed["offset"], changed["offset"] + changed["length"])
    }
    differing = {
        n for n, (a, b) in enumerate(zip(contents(), edited(contents()), strict=True)) if a != b
    }
    assert facts["image"] == 1
    assert facts["changed_bytes"] == len(differing)
    assert changed == differing


def test_write_shows_writes_and_proves(place: Workplace) -> None:
    result = place.on_job("write", "--yes")

    assert result.exit_code == 0, result.stderr
    assert place.chip().cells == edited(contents())
    for row in ("changes", "erases", "programs", "bystanders", "protection", "time"):
        assert re.search(rf"^  {row}  ", result.stdout, re.MULTILINE)
    assert "(model time)" in result.stdout
    assert "the chip holds image 1" in result.stdout
    assert result.stdout.splitlines()[-1] == f"board 17: {TAKE_OUT}"


def test_write_tells_scripts_what_it_erased_and_how_long_it_will_take(place: Workplace) -> None:
    with timing_the_write() as taken_s:
        facts = told(place.on_job("write", "--yes", "--json"))

    assert [facts["expected_seconds"]] == pytest.approx(taken_s, rel=0.10)
    assert facts["target"] == "image 1"
    assert facts["sha256"] == hashlib.sha256(edited(contents())).hexdigest()
    assert facts["already_held"] is False
    assert facts["units"] == 2
    assert facts["erased_bytes"] == 2 * 4096
    assert 0 < facts["bystander_bytes"] < 2 * 4096
    assert facts["protection_lifted"] == []
    assert facts["chip_may_be_taken_out"] is True


def test_write_names_the_protection_in_its_way_and_puts_it_back(place: Workplace) -> None:
    place.preset_register("SR1", 0x1C)  # BP2..BP0: the whole array [W25Q128JV, 7.1.4]

    result = place.on_job("write", "--yes")

    assert result.exit_code == 0, result.stderr
    assert "00000000 to 00ffffff is protected: opened for this, and put back" in result.stdout
    after = place.chip()
    assert after.cells == edited(contents())
    assert after.registers["SR1"] == 0x1C


def test_a_chip_that_already_holds_the_image_is_only_verified(place: Workplace) -> None:
    for offset, text in EDITS.items():
        place.set_cells(offset, text)
    before = place.chip()

    result = place.on_job("write", "--yes")

    assert result.exit_code == 0, result.stderr
    assert "none: the chip reads as image 1 already" in result.stdout
    assert place.chip() == before


@pytest.mark.parametrize(("image", "named"), [("1", "image 1"), ("2", "image 2")])
def test_write_takes_the_image_that_is_named(place: Workplace, image: str, named: str) -> None:
    second = bytearray(edited(contents()))
    second[0x3000] ^= 0xFF
    place.write_edited(bytes(second))
    assert place.take_in().exit_code == 0

    facts = told(place.on_job("write", "--image", image, "--yes", "--json"))

    assert facts["target"] == named
    assert (place.chip().cells == bytes(second)) == (image == "2")


def test_verify_names_what_the_chip_holds(place: Workplace) -> None:
    first = told(place.on_job("verify", "--json"))
    place.on_job("write", "--yes")
    second = place.on_job("verify")

    assert first["equals"] == "original"
    assert first["sha256"] == hashlib.sha256(contents()).hexdigest()
    assert second.exit_code == 0
    assert "board 17: the chip holds image 1, byte for byte." in second.stdout


def test_restore_puts_the_original_back(place: Workplace) -> None:
    place.on_job("write", "--yes")

    result = place.on_job("restore", "--yes")

    assert result.exit_code == 0, result.stderr
    assert place.chip().cells == contents()
    assert "the chip holds the original" in result.stdout


def test_next_leads_from_dump_to_the_board(fresh: Workplace) -> None:
    commands = []
    for words in (
        ("dump", str(fresh.job), *fresh.at_bench),
        ("edit", str(fresh.job), str(fresh.named_places), "--from-image", str(fresh.edited)),
        ("write", str(fresh.job), "--label", "job", "--yes", *fresh.at_bench),
    ):
        assert run(*words).exit_code == 0
        commands.append(told(run("next", str(fresh.job), "--json"))["command"])

    assert [command.split()[1] for command in commands] == ["edit", "write", "outcome"]
    assert run("next", str(fresh.job)).stdout.splitlines()[-1].startswith("job: ")


def test_adapters_lists_what_is_on_the_usb(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = in_memory_bench(adapter="FT2232H")
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: bench.backend)

    listed = run("adapters")
    facts = told(run("adapters", "--json"))

    assert listed.exit_code == 0, listed.stderr
    assert "FT2232H" in listed.stdout
    (found,) = facts["adapters"]
    assert found["chip"] == "FT2232H"
    assert found["interfaces"] == [1, 2]
    assert found["opens"] is True
    assert found["url"] in listed.stdout


def test_with_no_adapter_the_list_is_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = in_memory_bench()
    bench.adapter.unplug()
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: bench.backend)

    assert told(run("adapters", "--json"))["adapters"] == []
    assert "No FT232H, FT2232H or FT4232H is on the USB." in run("adapters").stdout


def test_the_only_adapter_need_not_be_named(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = in_memory_bench(contents=contents())
    monkeypatch.setattr("libusb_package.get_libusb1_backend", lambda: bench.backend)
    monkeypatch.setattr("flashbench.adapter.find.SystemTime", lambda: bench.time)

    result = run("identify", "--supply", "3.3")

    assert result.exit_code == 0, result.stderr
    assert "W25Q128JV-IQ" in result.stdout


def test_loopback_proves_an_adapter_without_touching_the_chip(fresh: Workplace) -> None:
    before = fresh.chip()
    words = ("adapters", "--loopback", "--adapter", f"rehearsal:{fresh.bench}", "--clock", "15M")

    shown = run(*words)
    facts = told(run(*words, "--json"))

    assert shown.exit_code == 0, shown.stderr
    assert shown.stdout.splitlines()[-1] == "Loopback passed."
    assert facts["passed"] is True
    assert facts["bytes_wrong"] == 0
    assert facts["claimed_hz"] == 15_000_000
    assert fresh.chip() == before


def test_a_job_folder_may_be_named_from_where_one_stands(
    fresh: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(fresh.folder)
    os.mkdir("here")  # noqa: PTH102 -- as a person would
    monkeypatch.chdir(fresh.folder / "here")

    result = run("dump", ".", *fresh.at_bench)

    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[-1] == f"here: {TAKE_OUT}"


def test_next_after_a_proven_write_sends_to_the_board_and_not_round_in_a_circle(
    place: Workplace,
) -> None:
    def coming() -> tuple[str, str]:
        facts = told(run("next", str(place.job), "--json"))
        return facts["command"].split()[1], facts["why"]

    assert coming()[0] == "write"
    assert place.on_job("write", "--yes").exit_code == 0
    after_write = coming()
    assert place.on_job("restore", "--yes").exit_code == 0
    after_restore = coming()

    not_yet = "chip verified, board not yet proven"
    assert after_write[0] == after_restore[0] == "outcome"
    assert after_write[1].startswith(f"{not_yet}: image 1 is on the chip; solder it down")
    assert after_restore[1].startswith(f"{not_yet}: the original is on the chip; solder it down")
