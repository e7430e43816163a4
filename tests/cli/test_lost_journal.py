"""A half-written chip whose job lost its journal: the way back through a new job."""

import pytest

from flashbench.rehearsal import arm, open_bench
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import Workplace, contents, run, three_lines, told

AS_IT_WAS = ("--new-numbers", "--not-into-copies", "--leave-checks")


def cut_in_the_write(place: Workplace) -> None:
    with open_bench(place.bench) as bench:
        number = bench.chip.operation_number
    arm(place.bench, [LosePower(at_operation=number + 3, seed=3)])
    cut = place.on_job("write", "--yes")
    assert cut.exit_code == 4, cut.stderr
    arm(place.bench, [])
    assert place.chip().cells != contents()


@pytest.mark.parametrize("lost", ["journal.jsonl", "journal.head"])
@pytest.mark.parametrize("verb", ["next", "finish", "restore", "verify"])
def test_a_lost_journal_names_the_way_back(place: Workplace, lost: str, verb: str) -> None:
    (place.job / "round-1" / lost).unlink()

    refused = run(verb, str(place.job)) if verb == "next" else place.on_job(verb)

    assert refused.exit_code == 3
    said = three_lines(refused)[2]
    assert "Leave the chip in if it may be half-written" in said
    assert f"{place.job / 'round-1' / 'original.bin'}" in said
    assert "flashbench dump NEWJOB" in said


def test_the_way_back_through_a_new_job_leads_to_the_original(place: Workplace) -> None:
    cut_in_the_write(place)
    journal = place.job / "round-1" / "journal.jsonl"
    journal.write_bytes(b"x" + journal.read_bytes()[1:])
    original = place.job / "round-1" / "original.bin"
    new, names = place.folder / "new", place.folder / "back.toml"
    from_old = ("edit", str(new), "--from-image", str(original))

    for result in (
        run("dump", str(new), "--label", "board 17", *place.at_bench),
        run(*from_old, "--suggest-edit", str(names), *AS_IT_WAS),
        run(*from_old[:2], str(names), *from_old[2:], *AS_IT_WAS),
        run("write", str(new), "--label", "d17", "--yes", *place.at_bench),
    ):
        assert result.exit_code == 0, result.stderr

    assert place.chip().cells == contents()
    assert told(run("next", str(new), "--json"))["command"].startswith("flashbench outcome")
