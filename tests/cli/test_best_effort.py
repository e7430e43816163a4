"""`dump --best-effort` and what may be done with it, typed at a bench."""

import json

from flashbench.rehearsal import add_chip, arm, swap_chip
from flashbench.rehearsal.faults import UnstableCells
from tests.cli.workplace import PART, Workplace, contents, edited, run, three_lines, told

OTHER_NUMBER = bytes.fromhex("5eed5eed00000001")


def test_the_best_reading_is_edited_and_goes_to_another_chip_only(fresh: Workplace) -> None:
    arm(fresh.bench, [UnstableCells(start=0x1000, length=0x40, bits=40, seed=5)])
    refused = fresh.on_job("dump", "--label", "board 17")
    assert refused.exit_code == 3
    before = fresh.chip()

    best = fresh.on_job("dump", "--best-effort", "--reads", "3", "--json")

    facts = told(best)
    assert (facts["proven"], facts["reads"], facts["bytes"]) == (False, 3, 16 << 20)
    assert 0 < facts["unstable_bytes"] <= 64
    assert all(0x1000 <= a < b <= 0x1040 for a, b in facts["unstable"])
    held = (fresh.job / "round-1" / "best-reading.bin").read_bytes()
    assert held[:0x1000] == contents()[:0x1000]
    assert held[0x1040:] == contents()[0x1040:]
    assert not (fresh.job / "round-1" / "original.bin").exists()
    listed = json.loads((fresh.job / "round-1" / "best-reading.json").read_text())
    assert listed["reads"] == [3, 4, 5], "the two of the refused dump came first"

    fresh.write_edited()
    fresh.edited.write_bytes(edited(held))
    assert fresh.take_in().exit_code == 0
    own = fresh.on_job("write", "--yes", "--label", "d 17")
    assert own.exit_code == 3
    assert "has no original" in three_lines(own)[1]
    assert fresh.on_job("restore", "--yes", "--label", "d 17").exit_code == 3
    assert fresh.chip() == before
    assert run("next", str(fresh.job), "--check").exit_code == 0

    arm(fresh.bench, [])
    add_chip(fresh.bench, "new", part=PART, unique_id=OTHER_NUMBER, contents=contents())
    swap_chip(fresh.bench, "new")
    coming = run("next", str(fresh.job))
    assert "best reading, not proven" in coming.stdout
    assert "--to-new-chip" in coming.stdout
    written = fresh.on_job("write", "--to-new-chip", "--yes", "--label", "d 17")
    assert written.exit_code == 0, written.stderr
    assert "not proven" in written.stdout
    assert fresh.chip().cells == edited(held)


def test_an_even_number_of_reads_is_a_wrong_call(fresh: Workplace) -> None:
    wrong = fresh.on_job("dump", "--best-effort", "--reads", "4")

    assert wrong.exit_code == 2
    assert "odd number" in three_lines(wrong)[2]
    assert not fresh.job.exists()


def test_a_best_effort_takes_no_other_label_than_the_job_has(fresh: Workplace) -> None:
    assert run("intake", str(fresh.job), "--label", "board 17").exit_code == 0

    other = fresh.on_job("dump", "--best-effort", "--reads", "3", "--label", "board 18")

    assert other.exit_code == 2
    assert "bears the label 'board 17', not 'board 18'" in three_lines(other)[1]
    assert not (fresh.job / "round-1").exists()
