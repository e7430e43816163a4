"""A bit of the status that is misread while pages are programmed, on a chip with on-die ECC.

Such a chip spoils an ECC unit that is programmed twice without an erase, and says nothing of it
(Infineon's article on SEMPER flash: "SECDED mode does not allow multiple programs"). The model
counts it. Whatever a misread status bit says, no page may be sent that was already taken, and what
is then not as it shall be is found by reading back.

Broken once to see these fail: doubtful pages sent again unread; read without a look whether the
chip is idle; pages that are neither as before nor as wanted sent again.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import flashbench as fb
from flashbench.chip.profile import Address
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.errors import ChipHalfWritten
from flashbench.rehearsal import Bench, NorChip
from flashbench.rehearsal.faults import Fault, SlowChip, SlowOperation, UnevenTimes
from flashbench.rehearsal.nor_operations import EraseCells
from flashbench.safe_write._pages import PAGES_MEASURED, WINDOW_BYTES, Page, PageProgrammer
from flashbench.safe_write._sender import SAMPLES, Sender
from tests.builders.bench import SMALL, TINY, Board, a_dumped_job, edited, write

WITH_ECC = replace(SMALL, ecc_unit_bytes=16)
PAGE = 256
PAGES = 40  # the first four are watched one by one, the others are one batch
DATA = Random(4).randbytes(PAGES * PAGE)
BLANK = b"\xff" * PAGE
TWICE = "ECC unit programmed twice"


def misread(chip: NorChip, wrong_bits: Callable[[], int]) -> None:
    """From now on every status byte is answered with the bits of `wrong_bits()` flipped."""
    honest = type(chip).answer_fresh

    def answer_fresh(sample: Callable[[], int]) -> None:
        honest(chip, sample)
        answer = chip._answer
        assert answer is not None

        def spoiled(count: int, at_s: float, byte_s: float) -> bytes:
            return bytes(byte ^ wrong_bits() for byte in answer(count, at_s, byte_s))

        chip._answer = spoiled

    chip.answer_fresh = answer_fresh  # type: ignore[method-assign]


def misread_numbered(chip: NorChip, wrong: Mapping[int, int]) -> None:
    """Misread the status bytes with these numbers, counted from 0."""
    seen = iter(range(1 << 30))
    misread(chip, lambda: wrong.get(next(seen), 0))


def misread_before_page(chip: NorChip, page: int, bits: int) -> None:
    """Misread the status byte behind the write enable of the page with this number, from 0."""
    enables = chip.opcode_counts[0x06]

    def wrong_bits() -> int:
        is_it = chip.opcode_counts[0x06] == enables + page + 1
        programmed = chip.opcode_counts[0x02]
        return bits if is_it and programmed == page else 0

    misread(chip, wrong_bits)


def misread_around_page(chip: NorChip, page: int) -> None:
    """Misread the byte before a page as if it were refused, and that after it as idle."""
    enables, programs = chip.opcode_counts[0x06], chip.opcode_counts[0x02]
    before, after = iter([WRITE_ENABLED]), iter([BUSY | WRITE_ENABLED])

    def wrong_bits() -> int:
        if chip.opcode_counts[0x06] != enables + page + 1:
            return 0
        is_sent = chip.opcode_counts[0x02] == programs + page + 1
        return next(after if is_sent else before, 0)

    misread(chip, wrong_bits)


@contextmanager
def a_running_plan(folder: Path) -> Iterator[tuple[Bench, Sender]]:
    """A blank chip with ECC, and a sender that may change it."""
    board = Board(WITH_ECC, contents=b"\x00" * PAGE + b"\xff" * ((1 << 20) - PAGE))
    job_folder = a_dumped_job(board, folder)
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        image = edited(board.original, (0x10000, DATA))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        with plan.running():
            yield visit.bench, Sender(plan)


def a_blank_chip(bench: Bench) -> NorChip:
    """The chip of the bench as if it had just been erased, its status read as it is."""
    chip = bench.chip
    chip.__dict__.pop("answer_fresh", None)
    chip.areas["cells"][0x10000 : 0x10000 + len(DATA)] = b"\xff" * len(DATA)
    chip._ecc_used[0 : len(chip.contents) // 16] = bytes(len(chip.contents) // 16)
    chip.complaints.clear()
    return chip


def program(sender: Sender) -> None:
    pages = [
        Page(Address(0x10000 + at), DATA[at : at + PAGE], BLANK) for at in range(0, len(DATA), PAGE)
    ]
    PageProgrammer(sender, sender.chip.profile).program(pages, idle=lambda: None)


def holds(chip: NorChip) -> bytes:
    return chip.contents[0x10000 : 0x10000 + len(DATA)]


def chip_page(chip: NorChip, page: int) -> bytes:
    return holds(chip)[page * PAGE : (page + 1) * PAGE]


def wanted(page: int) -> bytes:
    return DATA[page * PAGE : (page + 1) * PAGE]


@pytest.mark.parametrize("bits", [WRITE_ENABLED, BUSY, WRITE_ENABLED | BUSY])
def test_no_page_is_sent_twice_for_a_misread_status_wherever_it_lies(
    bits: int, tmp_path: Path
) -> None:
    with a_running_plan(tmp_path / "board 17") as (bench, sender):
        for page in range(PAGES):
            chip = a_blank_chip(bench)
            sent = chip.opcode_counts[0x02]
            misread_before_page(chip, page, bits)

            program(sender)

            assert chip.complaint_counts()[TWICE] == 0, f"page {page}"
            assert chip.opcode_counts[0x02] == sent + PAGES
            assert holds(chip) == DATA


@pytest.mark.parametrize("bits", [WRITE_ENABLED, BUSY])
def test_a_write_with_a_misread_status_is_done_and_no_ecc_unit_programmed_twice(
    bits: int, tmp_path: Path
) -> None:
    board = Board(WITH_ECC)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x10000, DATA))
    enables_of_erase = 1
    with board.visit() as visit:
        misread_before_page(board.chip, PAGES_MEASURED + enables_of_erase + 7, bits)
        write(visit, folder, image)

    assert board.chip.complaint_counts()[TWICE] == 0
    assert board.contents == image


UNEVEN = (
    (),
    (UnevenTimes(spread=0.2, slow_share=0.1, seed=7),),
    (SlowChip(factor=2.5),),
)
"""Pages alike; some that come while the one before still runs; every second one lost."""


def test_no_few_misread_status_bytes_have_a_page_sent_twice(tmp_path: Path) -> None:
    """Any four of them, any bits, and pages that are truly lost among them.

    Five could tell a whole lie: before a page, after it, and at either end of the read of it.
    """
    watched = PAGES_MEASURED * (1 + WINDOW_BYTES)
    numbers = st.integers(0, watched) | st.integers(watched, watched + 3 * PAGES)
    with a_running_plan(tmp_path / "board 17") as (bench, sender):

        @settings(max_examples=60, deadline=None)
        @given(
            wrong=st.dictionaries(numbers, st.integers(1, 255), max_size=4),
            uneven=st.sampled_from(UNEVEN),
        )
        def check(wrong: dict[int, int], uneven: tuple[Fault, ...]) -> None:
            chip = a_blank_chip(bench)
            misread_numbered(chip, wrong)
            bench.faults.faults = uneven

            with suppress(ChipHalfWritten):
                program(sender)

            assert chip.complaint_counts()[TWICE] == 0
            held = holds(chip)
            for at in range(0, len(DATA), PAGE):
                assert held[at : at + PAGE] in (BLANK, DATA[at : at + PAGE])
            sender.settle()

        check()


def test_a_page_that_is_neither_as_before_nor_as_wanted_is_left_to_the_proof(
    tmp_path: Path,
) -> None:
    """Its cells were disturbed, and its status misread: programmed over, its ECC would be lost."""
    with a_running_plan(tmp_path / "board 17") as (bench, sender):
        chip = a_blank_chip(bench)
        chip.areas["cells"][0x10000 + 6 * PAGE : 0x10001 + 6 * PAGE] = b"\x00"
        misread_before_page(chip, 6, WRITE_ENABLED)

        program(sender)

        assert chip.complaint_counts()[TWICE] == 0
        assert [page for page in range(PAGES) if chip_page(chip, page) != wanted(page)] == [6]


def test_a_chip_that_says_after_every_read_that_it_is_busy_is_not_believed_for_ever(
    tmp_path: Path,
) -> None:
    with a_running_plan(tmp_path / "board 17") as (bench, sender):
        chip = a_blank_chip(bench)
        reads = chip.opcode_counts[0x0B]

        def wrong_bits() -> int:
            nonlocal reads
            if chip.opcode_counts[0x02] == 6 and chip.opcode_counts[0x06] == 7:
                return WRITE_ENABLED
            was_read, reads = chip.opcode_counts[0x0B] > reads, chip.opcode_counts[0x0B]
            return BUSY if was_read else 0

        misread(chip, wrong_bits)
        with pytest.raises(ChipHalfWritten, match="found idle and then says that it is busy, 4"):
            program(sender)

        assert chip.complaint_counts()[TWICE] == 0


def test_a_unit_with_such_a_page_is_erased_again_and_then_right(tmp_path: Path) -> None:
    board = Board(WITH_ECC)
    folder = a_dumped_job(board, tmp_path / "board 17")
    image = edited(board.original, (0x10000, DATA))
    disturbed = [0x10000 + 7 * PAGE]
    chip = board.chip

    def wrong_bits() -> int:
        if chip.opcode_counts[0x02] != 7 or chip.in_flight or not disturbed:
            return 0
        at = disturbed.pop()
        chip.areas["cells"][at : at + 1] = bytes([DATA[7 * PAGE] ^ 0xFF])
        return WRITE_ENABLED

    with board.visit() as visit:
        misread(chip, wrong_bits)
        write(visit, folder, image)

    units = [entry for entry in chip.history if isinstance(entry, EraseCells)]
    assert [unit.start for unit in units].count(0x10000) == 2
    assert chip.complaint_counts()[TWICE] == 0
    assert board.contents == image


@pytest.mark.parametrize("bits", [WRITE_ENABLED, BUSY])
def test_a_page_programmed_over_what_was_there_is_in_doubt_in_the_same_way(
    bits: int, tmp_path: Path
) -> None:
    """Where bits only fall nothing is erased, and what was there before is not blank."""
    held = bytes([0xF0]) * PAGE
    with a_running_plan(tmp_path / "board 17") as (bench, sender):
        chip = a_blank_chip(bench)
        chip.areas["cells"][0x10000 : 0x10000 + 8 * PAGE] = held * 8
        pages = [Page(Address(0x10000 + n * PAGE), b"\x50" * PAGE, held) for n in range(8)]
        sent = chip.opcode_counts[0x02]
        misread_before_page(chip, 6, bits)
        bench.faults._operation_faults = (SlowOperation(at_operation=5, factor=2),)

        PageProgrammer(sender, sender.chip.profile).program(pages, idle=lambda: None)

        assert holds(chip)[: 8 * PAGE] == b"\x50" * 8 * PAGE
        assert chip.opcode_counts[0x02] == sent + 9, "one was lost behind the slow one"


def test_a_busy_chip_is_not_taken_for_blank_where_the_status_after_a_page_is_misread_too(
    tmp_path: Path,
) -> None:
    """The last page of all runs long, and the bytes before and after it say that it does not.

    A busy chip ignores the read of the page, and what then arrives reads as blank cells do. The
    harm is done if it is idle again when the page is sent anew.
    """
    with a_running_plan(tmp_path / "board 17") as (bench, sender):
        for tenth in range(1, 11):
            chip = a_blank_chip(bench)
            last = chip.operation_number + PAGES
            slow = SlowOperation(at_operation=last, factor=1 + tenth / 10)
            bench.faults._operation_faults = (slow,)
            misread_around_page(chip, PAGES - 1)

            program(sender)

            assert chip.complaint_counts()[TWICE] == 0, slow
            assert holds(chip) == DATA


LOOKS_BESIDE_ERASE = 2 * SAMPLES
"""Status bytes behind the write enable, and behind the erase itself. Then come polls."""


@pytest.mark.parametrize("bits", [BUSY, WRITE_ENABLED, BUSY | WRITE_ENABLED])
def test_a_byte_misread_beside_an_erase_stops_nothing_and_has_no_busy_chip_read(
    bits: int, tmp_path: Path
) -> None:
    """One of two that say the same in a row: an erase is neither missed nor cut short for it."""
    board = Board(TINY)
    folder = a_dumped_job(board, tmp_path / "board 17")
    chip = board.chip
    for number in range(LOOKS_BESIDE_ERASE + 4):
        image = edited(board.original, (0x5010, bytes([number]) * 16))
        chip.__dict__.pop("answer_fresh", None)
        enables, seen = chip.opcode_counts[0x06], iter(range(1 << 20))

        def wrong_bits(
            number: int = number, enables: int = enables, seen: Iterator[int] = seen
        ) -> int:
            begun = chip.opcode_counts[0x06] > enables
            return bits if begun and next(seen) == number else 0

        with board.visit() as visit:
            misread(chip, wrong_bits)
            erases = chip.opcode_counts[0x20]
            write(visit, folder, image)

        assert board.contents == image
        assert chip.opcode_counts[0x20] == erases + 1, f"byte {number}"
        assert chip.complaint_counts()["while busy"] == 0, f"byte {number}"
