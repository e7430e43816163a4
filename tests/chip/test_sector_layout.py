"""Chips whose registers decide where which erase works: the sector map and its selection reads.

The model's SFDP is composed after the S25FS128S datasheet, from memory: no dump was at hand.
"""

from dataclasses import replace
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.chip.identity import Identified
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.nor_part import Region
from flashbench.safe_write.plan_units import NoErasePlan
from tests.builders.bench import Board, edited, plugged_in

KIB, MIB = 1024, 1024 * 1024
PART = load_part("S25FS128S")
UNIFORM = replace(PART, region=(Region(length=16 * MIB, sizes={"20": 0}),))
LARGE = replace(PART, region=(Region(length=16 * MIB, sizes={"20": 0, "D8": 256 * KIB}),))
READ_ONLY = "No erase instruction is certain everywhere: the chip can be read only."


def a_board(part: NorPart = PART, **registers: int) -> Board:
    board = Board(part)
    for name, value in registers.items():
        board.chip.preset_register(name, value)
    return board


def identified(board: Board) -> Identified:
    with plugged_in(board.chip) as bench:
        return fb.identify(bench.adapter, supply_volts=1.8)


def units(chip: Identified) -> list[tuple[int, list[tuple[int, int]]]]:
    return [
        (region.length // KIB, [(kind.opcode, kind.size // KIB) for kind in region.kinds])
        for region in chip.profile.regions
    ]


@pytest.mark.parametrize(
    ("cr1", "cr3", "expected"),
    [
        (0x00, 0x00, [(32, [(0x20, 4)]), (32, []), (16320, [(0xD8, 64)])]),
        (0x04, 0x00, [(16320, [(0xD8, 64)]), (32, []), (32, [(0x20, 4)])]),
        (0x00, 0x02, [(32, [(0x20, 4)]), (224, []), (16128, [(0xD8, 256)])]),
        (0x00, 0x08, [(16384, [(0xD8, 64)])]),
        (0x00, 0x0A, [(16384, [(0xD8, 256)])]),
    ],
)
def test_the_registers_of_the_chip_choose_the_layout_of_its_map(
    cr1: int, cr3: int, expected: list[tuple[int, list[tuple[int, int]]]]
) -> None:
    board = a_board(CR1=cr1, CR3=cr3)

    found = identified(board)

    assert units(found) == expected
    assert READ_ONLY not in found.profile.doubts
    assert board.chip.change_count == 0
    assert board.chip.opcode_counts[0x06] == 0


def test_a_setting_that_the_map_has_no_layout_for_leaves_the_chip_read_only() -> None:
    found = identified(a_board(CR1=0x04, CR3=0x08))

    assert units(found) == [(16384, [])]
    assert "no layout for the settings of this chip" in " ".join(found.profile.doubts)
    assert READ_ONLY in found.profile.doubts


@pytest.mark.parametrize("latency", [0x00, 0x07, 0x09, 0x88])
def test_another_latency_or_4_byte_mode_leaves_the_chip_read_only(latency: int) -> None:
    """88h: 4-byte addresses. The reads would come from elsewhere, or shifted."""
    found = identified(a_board(CR2=latency))

    assert units(found) == [(16384, [])]
    assert "How register reads of this chip are timed is not known" in " ".join(
        found.profile.doubts
    )


@pytest.mark.parametrize("opcode", [0x35, 0x06, 0x42, 0xB5])
def test_a_selection_by_any_other_opcode_is_not_sent(opcode: int) -> None:
    strange = PART.sfdp.replace(b"\xfd\x65\xff\x02", bytes([0xFD, opcode, 0xFF, 0x02]))
    board = a_board(replace(PART, sfdp=strange))
    usual = a_board()
    identified(usual)

    found = identified(board)

    assert units(found) == [(16384, [])]
    assert f"would be chosen by {opcode:02X}h" in " ".join(found.profile.doubts)
    assert board.chip.opcode_counts[opcode] == usual.chip.opcode_counts[opcode]
    assert board.chip.opcode_counts[0x65] == 0


@pytest.mark.parametrize(
    ("part", "cr3", "places"),
    [(PART, 0x00, (0x5010, 0x30000)), (UNIFORM, 0x08, (0x5010,)), (LARGE, 0x0A, (0x5010,))],
    ids=["4 KiB at the bottom", "64 KiB", "256 KiB"],
)
def test_the_whole_job_is_done_by_the_units_of_the_layout(
    part: NorPart, cr3: int, places: tuple[int, ...], tmp_path: Path
) -> None:
    board = a_board(part, CR3=cr3)
    image = edited(board.original, *((place, b"a new memory") for place in places))
    with plugged_in(board.chip) as bench:
        chip = fb.identify(bench.adapter, supply_volts=1.8)
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, image)))

    assert board.contents == image
    assert board.chip.complaint_counts()["unaligned erase"] == 0
    assert board.chip.complaint_counts()["unknown opcode"] == 0


def test_what_the_small_sectors_overlay_is_not_erased(tmp_path: Path) -> None:
    """D8h in the rest of the first block erases 32 KiB there, which no erase type says."""
    board = a_board()
    image = edited(board.original, (0x9000, b"\xff" * 16))
    with plugged_in(board.chip) as bench:
        chip = fb.identify(bench.adapter, supply_volts=1.8)
        told = " ".join(chip.profile.doubts)
        assert "Nothing is known to erase 008000h to 00FFFFh alone" in told
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            with pytest.raises(NoErasePlan):
                fb.plan_rewrite(chip, backup, image)

    assert board.chip.change_count == 0
