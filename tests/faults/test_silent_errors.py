"""Errors that tell nobody: data-dependent ones that repeat alike above some clock, and random ones.

A dump proves its clock before it reads, and works one step below the fastest that was stable. Two
reads that both lie above the limit agree on a wrong image; a slow look at its steepest bytes tells.

Broken once to see these fail: reads that disagree let pass; the clock not proven before a dump;
the steepest bytes not looked at.
"""

from pathlib import Path
from random import Random

import pytest

import flashbench as fb
from flashbench.errors import FlashbenchError
from flashbench.rehearsal.faults import Fault, MisoFlips, MisoSettlesLate
from flashbench.safe_write.dump import dump
from flashbench.safe_write.screening import disagreement
from flashbench.safe_write.stable_read import ReadsDisagree
from tests.builders.bench import SMALL, Board, firmware

BOARD = Board(SMALL)
CLOCKS_HZ = [30e6 / divisor for divisor in range(1, 31)]
"""Every clock that the adapter has from 1 MHz up: FT232H, 30 MHz divided by whole numbers."""


def dumped(folder: Path, fault: Fault, *, board: Board = BOARD) -> bytes | FlashbenchError:
    """What a dump with this fault saved as the original; or why it refused."""
    with board.visit(fault) as visit:
        try:
            with visit.adapter.clock_limited_to(1_000_000):
                chip = visit.identify()
            with fb.Job.create(folder, chip) as job:
                return dump(chip, job).backup.image
        except FlashbenchError as error:
            return error


def test_a_line_too_slow_above_any_clock_never_gives_a_wrong_dump(tmp_path: Path) -> None:
    """f0 swept right below and right above every clock there is, and so through both reads'.

    Only a byte that is the complement of the one before errs, as the first 00h of a frame does
    where MISO is pulled up.
    """
    limits_hz = [clock + nudge for clock in CLOCKS_HZ[:12] for nudge in (-1.0, 1.0)]
    results = {
        f0: dumped(tmp_path / f"{f0:.0f}", MisoSettlesLate(above_hz=f0, swing=8))
        for f0 in limits_hz
    }

    wrong = [f0 for f0, found in results.items() if found not in (BOARD.original,)]
    refused = [f0 for f0 in wrong if isinstance(results[f0], FlashbenchError)]
    assert wrong == refused, "a wrong dump was accepted"
    assert len(limits_hz) - len(refused) >= 20


@pytest.mark.parametrize("places", [1, 50])
def test_few_bytes_that_err_where_no_proof_of_the_clock_looks_are_found(
    places: int, tmp_path: Path
) -> None:
    """Text has no byte that errs, nor have ID and SFDP; the steepest of the image are asked."""
    board = Board(SMALL, text_with_steep_bytes(SMALL.density_bytes, places))
    for f0_hz in (29e6, 16e6, 14e6, 7e6, 3e6):
        fault = MisoSettlesLate(above_hz=f0_hz, swing=8, pulled_up=False)
        found = dumped(tmp_path / f"{f0_hz:.0f}", fault, board=board)
        assert found == board.original or isinstance(found, ReadsDisagree)
        if f0_hz <= 7e6:
            assert isinstance(found, ReadsDisagree)
            assert "bytes that are least like the one before them read otherwise at 1 MHz" in (
                found.seen
            )


def text_with_steep_bytes(size: int, places: int) -> bytes:
    data = bytearray(Random(1).choices(b"abcdefghijklmnopqrstuvwxyz ,.ABCDEFG0123456789", k=size))
    data[0x700::0x1000] = b"\xe1" * len(data[0x700::0x1000])  # or bit 7 would count as stuck
    for at in range(size // (places + 1) + 777, size - 1, size // (places + 1)):
        data[at : at + 2] = b"\x5a\xa5"
    return bytes(data)


@pytest.mark.parametrize(
    ("f0_hz", "ends"),
    [(31e6, "right"), (20e6, "refused"), (15.1e6, "refused"), (14e6, "refused")],
    ids=["above both reads", "between them", "right above the second", "below both"],
)
def test_two_reads_without_a_proof_of_the_clock_are_not_fooled(f0_hz: float, ends: str) -> None:
    """Below both clocks the reads err alike, and the slow look at the steepest bytes tells."""
    with BOARD.visit(MisoSettlesLate(above_hz=f0_hz, swing=8)) as visit:
        with visit.adapter.clock_limited_to(1_000_000):
            chip = visit.identify()
        try:
            read = fb.read_twice(chip)
        except ReadsDisagree:
            found = "refused"
        else:
            found = "right" if read.image == BOARD.original else "wrong"

    assert found == ends


@pytest.mark.parametrize("power", range(-9, -2))
def test_random_flips_never_give_a_wrong_dump(power: int, tmp_path: Path) -> None:
    for seed in range(2):
        found = dumped(tmp_path / str(seed), MisoFlips(rate=10.0**power, seed=seed))
        assert found == BOARD.original or isinstance(found, FlashbenchError)
        if power >= -5:  # 84 flips in a read at 1e-5: they cannot have spared it
            assert isinstance(found, FlashbenchError)


def test_the_refusal_says_where_the_differing_bytes_lie() -> None:
    first = firmware(1 << 20)
    second = bytearray(first)
    for at in [*range(0x8A000, 0x8A100, 16), 0xF0000]:
        second[at] ^= 1
    everywhere = bytearray(first)
    for at in range(0, 1 << 20, 0x4000):
        everywhere[at] ^= 1

    clustered = disagreement(first, bytes(second))
    spread = disagreement(first, bytes(everywhere))
    few = disagreement(first, first[:5] + bytes([first[5] ^ 1]) + first[6:])

    assert clustered is not None and spread is not None and few is not None
    assert "Nine in ten of them lie between 0x08a000 and 0x08a0f0." in clustered.sentence()
    assert "They lie all over the chip." in spread.sentence()
    assert few.sentence().endswith("most in bit 0.")
