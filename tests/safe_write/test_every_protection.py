"""Every protection layout there is, on a model of a part that has it: refused, opened, put back.

The model's tables are its own (`flashbench/rehearsal/nor_protection.py` names their sources), so a
wrong row of the driver's cannot make both agree.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.chip.protection import LAYOUTS, protected_ranges
from flashbench.errors import ChipHalfWritten, ChipUntouched, FlashbenchError
from flashbench.rehearsal import NorPart, load_part
from flashbench.rehearsal.nor_part import Erase, Register
from flashbench.rehearsal.nor_protection import protected_span
from flashbench.safe_write.steps import protection_in_the_way, stays_open_until_power_off
from tests.builders.bench import SMALL, Board, Visit, edited, plugged_in
from tests.builders.profile import plain_profile
from tests.safe_write.test_writing import demand_good_manners

KIB, MIB = 1024, 1024 * 1024
EDIT = (0x5010, b"a new memory")


def a_part(base: NorPart, name: str, rdid: str, size: int, **others: Any) -> NorPart:
    """A smaller or older relative of a part: its ID, size and what `others` says."""
    return replace(
        base, name=name, rdid=bytes.fromhex(rdid), density_bytes=size, sfdp=b"", **others
    )


OLD = a_part(
    load_part("IS25LP128"),
    "M25P20",
    "202012",
    256 * KIB,
    register=(Register(name="SR1", read=0x05, writable=0x9C),),
    erase=(Erase(opcode=0xD8, size=64 * KIB, ms_typ=600),),
    chip_erase_opcodes=(0xC7,),
    protection="three bits",
    read_hz_max=20_000_000,
    fast_read_hz_max=25_000_000,
    qpi_opcode=None,
    one_time_opcodes=(),
)
"""M25P20: three block-protect bits and nothing else, from memory."""

AT25DF = a_part(
    OLD,
    "AT25DF041A",
    "1f4401",
    512 * KIB,
    register=(Register(name="SR1", read=0x05, writable=0x80),),
    erase=(
        Erase(opcode=0x20, size=4 * KIB, ms_typ=50),
        Erase(opcode=0xD8, size=64 * KIB, ms_typ=400),
    ),
    protection="none",
    individual_locks="sector registers",
    read_hz_max=33_000_000,
    fast_read_hz_max=70_000_000,
)
"""AT25DF041A, from memory; its sectors simplified to 64 KiB each."""


@dataclass(frozen=True)
class Case:
    """A part of one layout, as an earlier owner left it, and what identifying it takes."""

    layout: str
    part: NorPart
    registers: dict[str, int]
    how: dict[str, Any]
    unlocked: tuple[int, ...] = ()  # blocks that were open before

    def __str__(self) -> str:
        values = " ".join(f"{name}={value:02X}" for name, value in self.registers.items())
        some = ", some blocks open" if self.unlocked else ""
        return f"{self.layout}: {self.part.name} {values}{some}"


LOW: dict[str, Any] = {"supply_volts": 1.8}
CONFIRMED: dict[str, Any] = {"supply_volts": 3.3, "supply_confirmed_by_user": True}
CASES = (
    Case("Winbond", SMALL, {"SR1": 0x9C}, LOW),
    Case("Winbond", SMALL, {"SR1": 0x30}, LOW),
    Case("Winbond", SMALL, {"SR1": 0x04, "SR2": 0x40}, LOW),
    Case("Winbond", load_part("W25Q128JV"), {"SR2": 0x42}, {"supply_volts": 3.3}),
    Case("Winbond", load_part("W25Q128JV"), {"SR3": 0x64}, {"supply_volts": 3.3}),
    Case("Winbond", load_part("W25Q128JV"), {"SR3": 0x64}, {"supply_volts": 3.3}, (0, 3, 17)),
    Case("Winbond 256 Mbit", load_part("W25Q256FV"), {"SR1": 0x7C}, {"supply_volts": 3.3}),
    Case("Winbond 256 Mbit", load_part("W25Q256JV"), {"SR3": 0x64}, {"supply_volts": 3.3}),
    Case(
        "GigaDevice",
        a_part(
            load_part("GD25Q128C"),
            "GD25LF80",
            "c86314",
            MIB,
            supply_volts=(1.65, 1.95),
            write_01=("SR1", "SR2"),
        ),
        {"SR1": 0x0C, "SR2": 0x40},
        LOW,
    ),
    Case(
        "GigaDevice 256 Mbit",
        a_part(
            load_part("GD25Q128C"),
            "GD25Q256D",
            "c84019",
            32 * MIB,
            protection="gigadevice from 256 Mbit",
            mode_switch="plain",
            write_01=("SR1", "SR2"),
        ),
        {"SR1": 0x7C},
        {**CONFIRMED, "marking": "GD25Q256D"},
    ),
    Case("Macronix", load_part("MX25L12835F"), {"SR1": 0x3C, "CR": 0x08}, {"supply_volts": 3.3}),
    Case(
        "Macronix",
        replace(load_part("MX25L12835F"), individual_locks="WPSEL"),
        {},
        {"supply_volts": 3.3},
        (0, 20),
    ),
    Case(
        "Macronix D",
        a_part(
            OLD,
            "MX25L1605D",
            "c22015",
            2 * MIB,
            register=(Register(name="SR1", read=0x05, writable=0xBC),),
            erase=(
                Erase(opcode=0x20, size=4 * KIB, ms_typ=60),
                Erase(opcode=0xD8, size=64 * KIB, ms_typ=700),
            ),
            protection="macronix D",
        ),
        {"SR1": 0x28},
        {**CONFIRMED, "marking": "MX25L1605DM2I"},
    ),
    Case(
        "ISSI",
        a_part(load_part("IS25LP128"), "IS25LP010E", "9d4011", 128 * KIB),
        {"SR1": 0x08, "FR": 0x02},
        {**CONFIRMED, "marking": "IS25LP010E"},
    ),
    Case("Micron", load_part("MT25QU256A"), {"SR1": 0x5C}, LOW),
    Case(
        "Spansion",
        load_part("S25FL512S"),
        {"SR1": 0x04, "CR1": 0x20},
        {**CONFIRMED, "marking": "S25FL512S"},
    ),
    Case("three BP", OLD, {"SR1": 0x9C}, CONFIRMED),
    Case(
        "three BP and TB",
        a_part(
            OLD,
            "W25X10",
            "ef3011",
            128 * KIB,
            register=(Register(name="SR1", read=0x05, writable=0xBC),),
            erase=(
                Erase(opcode=0x20, size=4 * KIB, ms_typ=60),
                Erase(opcode=0xD8, size=64 * KIB, ms_typ=400),
            ),
            protection="three bits and TB",
        ),
        {"SR1": 0x24},
        CONFIRMED,
    ),
    Case("SST26", load_part("SST26VF064B"), {}, {**CONFIRMED, "marking": "SST26VF064B"}),
    Case(
        "SST25",
        a_part(
            OLD,
            "SST25WF020A",
            "621612",
            256 * KIB,
            supply_volts=(1.65, 1.95),
            register=(Register(name="SR1", read=0x05, writable=0x9C, default=0x1C),),
            erase=(
                Erase(opcode=0x20, size=4 * KIB, ms_typ=25),
                Erase(opcode=0xD8, size=64 * KIB, ms_typ=25),
            ),
            volatile_write_enable=True,
        ),
        {"SR1": 0x1C},
        LOW,
    ),
    Case("AT25DF", AT25DF, {}, CONFIRMED),
    Case("AT25DF", AT25DF, {"SR1": 0x80}, CONFIRMED),
)


def protected_board(case: Case) -> Board:
    board = Board(case.part)
    for name, value in case.registers.items():
        board.chip.preset_register(name, value)
    board.chip._locked -= set(case.unlocked)
    return board


def switch_off_and_on_if_needed(board: Board, case: Case) -> None:
    """The locks of an SST26 come back with its supply and not before."""
    if case.layout == "SST26":
        assert not board.chip._locked
        board.chip.lose_power(board.chip.last_s, seed=1)
        board.chip.restore_power()


def state_of(board: Board) -> tuple[dict[str, int], dict[str, int], set[int]]:
    return dict(board.chip.stored), dict(board.chip.current), set(board.chip._locked)


def clock_hz(case: Case) -> int:
    """Before the part is known its ID is read at the adapter's clock: no faster than it allows."""
    return min(30_000_000, case.part.fast_read_hz_max)


def visit(board: Board, case: Case, folder: Path, image: bytes) -> None:
    """One visit: dump, write, verify."""
    with (
        plugged_in(board.chip, clock_hz=clock_hz(case)) as bench,
        fb.Job.create(folder, identified(bench, case)) as job,
    ):
        chip = identified(bench, case)
        backup = fb.back_up(fb.read_twice(chip), job)
        fb.verify(fb.rewrite(fb.plan_rewrite(chip, backup, image)))


def identified(bench: Visit, case: Case) -> Any:
    return fb.identify(bench.adapter, **case.how)


def test_every_layout_that_is_known_is_tried() -> None:
    assert {case.layout for case in CASES} == set(LAYOUTS)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_what_is_protected_is_refused_then_opened_written_and_put_back(
    case: Case, tmp_path: Path
) -> None:
    board = protected_board(case)
    before = state_of(board)
    erase = case.part.erase[0]
    board.chip.erase(erase, EDIT[0] // erase.size * erase.size, 1.0)
    board.chip.program(0x5000, b"\x00", 1.0)
    board.chip.clear_errors(0, b"", 1.0)
    assert board.chip.complaint_counts()["protected"] == 2, "erase and program are refused first"
    assert board.contents == board.original
    board.chip.complaints.clear()
    image = edited(board.original, (0x10, b"a"), EDIT)

    visit(board, case, tmp_path / "board 17", image)

    assert board.contents == image
    switch_off_and_on_if_needed(board, case)
    assert state_of(board) == before
    demand_good_manners(board)


@pytest.mark.parametrize("layout", ["SST26", "AT25DF"])
def test_what_stays_open_until_power_off_is_known_before_it_is_opened(
    layout: str, tmp_path: Path
) -> None:
    case = next(case for case in CASES if case.layout == layout)
    board = protected_board(case)
    with plugged_in(board.chip) as bench:
        chip = identified(bench, case)
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            plan = fb.plan_rewrite(chip, backup, edited(board.original, EDIT))

    assert protection_in_the_way(plan) == (range(case.part.density_bytes),)
    assert stays_open_until_power_off(plan) == (layout == "SST26")


WITH_LOCKS = [case for case in CASES if case.part.individual_locks != "none"]


@pytest.mark.parametrize("case", WITH_LOCKS, ids=str)
def test_locks_and_registers_are_put_back_after_the_adapter_was_lost(
    case: Case, tmp_path: Path
) -> None:
    """The chip kept its supply, so its locks stand as the broken run left them."""
    board = protected_board(case)
    before = state_of(board)
    image = edited(board.original, (0x10, b"a"), EDIT)
    folder = tmp_path / "board 17"
    with (
        pytest.raises(FlashbenchError, match="left the USB"),
        plugged_in(board.chip, clock_hz=clock_hz(case)) as bench,
        fb.Job.create(folder, identified(bench, case)) as job,
    ):
        chip = identified(bench, case)
        plan = fb.plan_rewrite(chip, fb.back_up(fb.read_twice(chip), job), image)

        def unplug(step: str, done: int, total: int, left_s: float | None) -> None:
            if board.chip.cell_change_count:
                bench.bench.adapter.unplug()

        fb.rewrite(plan, progress=unplug)
    assert state_of(board) != before

    with (
        plugged_in(board.chip, clock_hz=clock_hz(case), at_s=board.chip.last_s) as bench,
        fb.Job.open(folder) as job,
    ):
        chip = identified(bench, case)
        backup = fb.reload_backup(job)
        found = fb.read_for_recovery(chip, job)
        fb.verify(fb.rewrite(fb.plan_recovery(found, backup, target=job.target)))

    assert board.contents == image
    switch_off_and_on_if_needed(board, case)
    assert state_of(board) == before


def test_blocks_that_cannot_be_told_apart_are_not_opened(tmp_path: Path) -> None:
    """Above 16 MiB no instruction reads a single lock: some open, some not is refused."""
    case = next(case for case in CASES if case.part.name == "W25Q256JV")
    board = protected_board(replace(case, unlocked=(4,)))

    with pytest.raises(ChipUntouched, match="Some blocks of this chip are locked and others"):
        visit(board, case, tmp_path / "board 17", edited(board.original, EDIT))

    assert board.chip.change_count == 0


@pytest.mark.parametrize(("name", "opcode"), [("W25Q128JV", 0x39), ("W25Q256JV", 0x98)])
def test_a_lock_that_does_not_open_stops_before_any_cell(
    name: str, opcode: int, tmp_path: Path
) -> None:
    case = next(c for c in CASES if c.part.name == name and "SR3" in c.registers)
    board = protected_board(case)
    board.chip._commands[opcode].run = lambda address, data, at_s: board.chip.clear_wel(0, b"", 0)

    with pytest.raises(ChipHalfWritten, match="was unlocked and still reads as locked") as refused:
        visit(board, case, tmp_path / "board 17", edited(board.original, EDIT))

    assert str(refused.value).startswith("No cell was changed.")
    assert refused.value.next_step == (
        "Hold the WP# pin high and run finish or restore. If it stays, write the job to another"
        " chip (write --to-new-chip)."
    )
    assert board.chip.cell_change_count == 0


MODEL_AND_DRIVER = {
    "Winbond": "winbond to 128 Mbit",
    "Winbond 256 Mbit": "winbond from 256 Mbit",
    "GigaDevice": "gigadevice to 128 Mbit",
    "GigaDevice 256 Mbit": "gigadevice from 256 Mbit",
    "Macronix": "macronix",
    "Macronix D": "macronix D",
    "ISSI": "issi",
    "Micron": "micron",
    "Spansion": "spansion",
    "three BP and TB": "three bits and TB",
    "three BP": "three bits",
    "SST25": "three bits",
}
NAMES = {"STATUS_1": "SR1", "STATUS_2": "SR2", "CONFIGURATION": "CR", "FUNCTION": "FR"}
NAMES["CONFIGURATION_1"] = "CR1"


@pytest.mark.parametrize("size", [256 * KIB, 2 * MIB, 16 * MIB, 64 * MIB])
@pytest.mark.parametrize("layout", MODEL_AND_DRIVER)
def test_the_driver_never_calls_free_what_the_model_protects(layout: str, size: int) -> None:
    profile = plain_profile(size, protection=layout)
    others = LAYOUTS[layout].registers[1:]
    for sr1 in range(0, 256, 4):
        for value in (0x00, 0x02, 0x08, 0x20, 0x40, 0x42):
            registers = {LAYOUTS[layout].registers[0]: sr1} | dict.fromkeys(others, value)
            by_name = {NAMES.get(r.name, r.name): v for r, v in registers.items()}
            first, last = protected_span(MODEL_AND_DRIVER[layout], by_name, size)
            said = protected_ranges(registers, profile)

            assert first == last or any(r.start <= first and last <= r.stop for r in said), (
                f"SR1 {sr1:02X}h, others {value:02X}h: {first:#x} to {last:#x}, driver {said}"
            )
