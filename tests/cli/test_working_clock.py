"""The clock of commands that read or write a whole chip, where --clock does not say it.

A chip of 64 KiB on leads of all kinds: which clock is found, what is slower, what is refused.
"""

import json
from collections.abc import Iterable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from typer.testing import Result

from flashbench.job.folder import Job
from flashbench.rehearsal import add_chip, arm, create_bench, open_bench, swap_chip
from flashbench.rehearsal.faults import (
    Fault,
    LosePower,
    MisoFlips,
    MosiFlips,
    WeakAfterTear,
)
from tests.cli.workplace import Workplace, places_text, run, three_lines, told

SIZE = 64 << 10
SECTOR = 4096
EDITED_AT = 0x3010
CHANGING = {"01h", "02h", "06h", "20h", "52h", "60h", "C7h", "D8h"}
"""Opcodes, as a trace has them, of what can change this chip."""

BAD_ABOVE_8_MHZ = MisoFlips(rate=1e-3, seed=1, above_hz=8e6)
BAD_AT_ALL_CLOCKS = MisoFlips(rate=1e-2, seed=1)


class SmallPlace(Workplace):
    """As `Workplace`, with a chip of 64 KiB, and no --clock in the call."""

    @property
    def at_bench(self) -> tuple[str, ...]:
        adapter = ("--adapter", f"rehearsal:{self.bench}", "--supply", "3.3")
        return (*adapter, "--datasheet-supply", "2.7-3.6")

    def json(self, verb: str, *words: str) -> dict[str, Any]:
        result = self.on_job(verb, *words, "--json")
        assert result.exit_code == 0, result.stderr
        return told(result)

    @property
    def operations(self) -> int:
        with open_bench(self.bench) as bench:
            return bench.chip.operation_number


def holds(seed: int = 1) -> bytes:
    return Random(seed).randbytes(SIZE)


def with_the_edit(image: bytes) -> bytes:
    return image[:EDITED_AT] + b"changed here" + image[EDITED_AT + 12 :]


def dumped(
    folder: Path, *words: str, image: bytes | None = None, leads: Iterable[Fault] = ()
) -> SmallPlace:
    """A job that was dumped on such leads and edited, and never written."""
    place, image = SmallPlace(folder), holds() if image is None else image
    create_bench(place.bench, part="TINY64K", contents=image, faults=leads).close()
    place.edited.write_bytes(with_the_edit(image))
    place.named_places.write_text(places_text(image, with_the_edit(image)))
    for result in (place.on_job("dump", "--label", "board 17", *words), place.take_in()):
        assert result.exit_code == 0, result.stderr
    return place


def clocks_in(trace: Path) -> tuple[set[int], set[int]]:
    """The clocks that whole reads of the array went at, and those of what changes the chip."""
    reads, changes, sck_hz = set(), set(), 0
    for line in map(json.loads, trace.read_text().splitlines()):
        sck_hz = line.get("sck_hz", sck_hz)
        if line.get("reply_bytes") == SIZE:
            reads.add(sck_hz)
        if line.get("op") in CHANGING:
            changes.add(sck_hz)
    return reads, changes


def row(result: Result, name: str) -> str:
    """What stands behind a name in the rows that were printed."""
    lines = [line.strip() for line in result.stdout.splitlines()]
    (found,) = (line for line in lines if line.split()[:1] == [name])
    return found.removeprefix(name).strip()


def test_a_write_reads_as_fast_as_the_dump_and_changes_the_chip_at_10_mhz(tmp_path: Path) -> None:
    place = dumped(tmp_path)

    written = place.on_job("write", "--yes")

    assert written.exit_code == 0, written.stderr
    assert row(written, "clock") == "15 MHz to read, 10 MHz for what changes the chip"
    assert "worse" not in written.stderr
    assert place.chip().cells == with_the_edit(holds())


@pytest.mark.parametrize("verb", ["write", "verify", "restore", "whose", "write --to-new-chip"])
def test_every_command_that_takes_the_whole_chip_finds_its_clock(verb: str, tmp_path: Path) -> None:
    place = dumped(tmp_path)
    trace = ("--trace", str(tmp_path / "trace"))
    if verb == "whose":
        result = run(verb, str(tmp_path), *place.at_bench, *trace)
    elif verb == "write --to-new-chip":
        put_in_a_new_chip(place)
        result = place.on_job("write", "--to-new-chip", "--yes", *trace)
    else:
        result = place.on_job(verb, *([] if verb == "verify" else ["--yes"]), *trace)

    assert result.exit_code == 0, result.stderr
    reads, changes = clocks_in(tmp_path / "trace")
    assert max(reads) == 15_000_000
    assert changes == ({10_000_000} if "write" in verb else set())


def test_on_leads_that_go_bad_early_all_is_slower_and_what_changes_the_chip_slower_still(
    tmp_path: Path,
) -> None:
    place = dumped(tmp_path, leads=[BAD_ABOVE_8_MHZ])

    told_of_write = place.json("write", "--yes")

    assert (told_of_write["clock_hz"], told_of_write["change_clock_hz"]) == (6_000_000, 3_750_000)
    assert place.chip().cells == with_the_edit(holds())
    assert place.json("verify")["clock_hz"] == 6_000_000


@pytest.mark.parametrize("leads", [BAD_ABOVE_8_MHZ, MosiFlips(rate=1e-3, seed=1, above_hz=8e6)])
def test_leads_that_got_worse_since_the_dump_are_worked_on_more_slowly_and_that_is_said(
    leads: Fault, tmp_path: Path
) -> None:
    place = dumped(tmp_path)
    arm(place.bench, [leads])

    written = place.on_job("write", "--yes")

    assert written.exit_code == 0, written.stderr
    assert (
        written.stderr
        == "board 17: The contact is worse than at the dump: 6 MHz now, 15 MHz then.\n"
    )
    assert row(written, "clock") == "6 MHz to read, 3.75 MHz for what changes the chip"
    assert place.chip().cells == with_the_edit(holds())


@pytest.mark.parametrize("verb", ["write", "verify", "restore"])
def test_bad_contact_is_refused_as_the_dump_refuses_it_and_the_chip_is_untouched(
    verb: str, tmp_path: Path
) -> None:
    place = dumped(tmp_path)
    before = place.chip()
    arm(place.bench, [BAD_AT_ALL_CLOCKS])

    refused = place.on_job(verb, *([] if verb == "verify" else ["--yes"]))

    assert refused.exit_code == 3
    state, _, next_step = three_lines(refused)
    assert state == "The chip is untouched."
    assert "Press the chip into the socket again" in next_step
    assert place.chip() == before


def test_contact_that_fails_only_in_the_array_is_refused_before_the_whole_read(
    tmp_path: Path,
) -> None:
    place = dumped(tmp_path)
    arm(place.bench, [MisoFlips(rate=2e-4, seed=3)])
    trace = tmp_path / "trace"

    refused = place.on_job("write", "--yes", "--trace", str(trace))

    assert refused.exit_code == 3, refused.stdout
    assert clocks_in(trace) == (set(), set())


def test_a_chip_is_not_worked_on_faster_than_its_dump_was_read(tmp_path: Path) -> None:
    place = dumped(tmp_path, "--clock", "5M")

    told_of_write = place.json("write", "--yes")

    assert told_of_write["clock_hz"] == 5_000_000
    assert told_of_write["change_clock_hz"] <= 5_000_000
    assert place.json("verify", "--clock", "10M")["clock_hz"] == 10_000_000


def test_the_dump_of_the_own_chip_does_not_slow_down_another_one(tmp_path: Path) -> None:
    place = dumped(tmp_path, "--clock", "5M")
    put_in_a_new_chip(place)

    told_of_write = place.json("write", "--to-new-chip", "--yes")

    assert (told_of_write["clock_hz"], told_of_write["change_clock_hz"]) == (15_000_000, 10_000_000)


def test_a_clock_that_is_said_is_used_for_all_and_nothing_is_tried(tmp_path: Path) -> None:
    place = dumped(tmp_path, "--clock", "5M")
    trace = tmp_path / "trace"

    written = place.on_job("write", "--yes", "--clock", "30M", "--trace", str(trace))

    assert written.exit_code == 0, written.stderr
    assert row(written, "clock") == "30 MHz"
    _, changes = clocks_in(trace)
    assert changes == {30_000_000}


@pytest.mark.parametrize("kept", [None, 30_000_000], ids=["not kept", "read without a margin"])
def test_where_the_dump_sets_no_bound_the_contact_alone_does(
    kept: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save = Job.save_original

    def save_so(job: Job, data: bytes, *, clock_hz: int | None, **more: Any) -> object:
        return save(job, data, clock_hz=kept, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Job, "save_original", save_so)
        place = dumped(tmp_path, "--clock", "5M")

    written = place.on_job("write", "--yes", "--json")

    assert written.exit_code == 0, written.stderr
    clocks = told(written)["clock_hz"], told(written)["change_clock_hz"]
    assert clocks == (15_000_000, 10_000_000)
    assert "worse" not in written.stderr


def put_in_a_new_chip(place: SmallPlace) -> None:
    """Of another model of board, so that nobody takes it for the board's own."""
    add_chip(place.bench, "new", part="TINY64K", contents=holds(seed=3))
    swap_chip(place.bench, "new")


def telling_only_where_it_is_edited() -> bytes:
    """Where every other stretch is nearly blank, the contact is best tried in the edited one."""
    image = bytearray(b"\x55\xaa" * (SIZE // 2))
    start = EDITED_AT // SECTOR * SECTOR
    image[start : start + SECTOR] = Random(5).randbytes(SECTOR)
    return bytes(image)


def torn(place: SmallPlace) -> None:
    """Power was lost while a late page of the edited sector was programmed, which is weak now."""
    weak = WeakAfterTear(reads_right=0, steady=False)
    arm(place.bench, [LosePower(at_operation=place.operations + 12, seed=5), weak])
    cut = place.on_job("write", "--yes")
    assert cut.exit_code == 4, cut.stderr
    arm(place.bench, [weak])


def test_half_done_cells_are_no_measure_of_the_contact(tmp_path: Path) -> None:
    image = telling_only_where_it_is_edited()
    place = dumped(tmp_path, image=image)
    torn(place)

    finished = place.json("finish", "--yes")

    assert finished["clock_hz"] == 15_000_000
    assert place.chip().cells == with_the_edit(image)


def test_a_chip_that_is_half_done_all_over_is_finished_at_a_slow_clock(tmp_path: Path) -> None:
    place = dumped(tmp_path)
    add_chip(place.bench, "new", part="TINY64K", contents=holds(seed=2))
    swap_chip(place.bench, "new")
    arm(place.bench, [LosePower(at_operation=place.operations + 1, seed=5)])
    cut = place.on_job("write", "--to-new-chip", "--yes")
    assert cut.exit_code == 4, cut.stderr
    arm(place.bench, [])

    result = place.on_job("finish", "--yes", "--json")

    assert result.exit_code == 0, result.stderr
    assert (told(result)["clock_hz"], told(result)["change_clock_hz"]) == (3_000_000, 3_000_000)
    assert result.stderr.startswith(
        "board 17: Cells err or are half-done, unlike at the dump: 3 MHz now, 15 MHz then.\n"
    )
    assert place.chip().cells == with_the_edit(holds())


def test_bad_contact_leaves_a_half_written_chip_in_the_socket(tmp_path: Path) -> None:
    place = dumped(tmp_path)
    torn(place)
    before = place.chip().cells
    arm(place.bench, [BAD_AT_ALL_CLOCKS])

    refused = place.on_job("finish", "--yes")

    assert refused.exit_code == 4
    assert refused.stdout.splitlines()[-1].endswith("Leave the chip in: it is half-written.")
    assert "this command changed nothing" in refused.stderr
    assert place.chip().cells == before
