"""`dump --best-effort` and what may be done with it, typed at a bench."""

import json

from flashbench.rehearsal import add_chip, arm, swap_chip
from flashbench.rehearsal.faults import UnstableCells
from tests.cli.workplace import PART, Workplace, contents, edited, run, three_lines, told
from tests.report.reading_html import Node, page_of, read_html

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


WEAK = UnstableCells(start=0x1000, length=0x40, bits=40, seed=5)
ON_ANOTHER = ("--to-new-chip", "--yes", "--label", "d 17")


def test_reads_that_never_agree_lead_to_a_best_effort(fresh: Workplace) -> None:
    arm(fresh.bench, [WEAK])
    best = f"flashbench dump {fresh.job} --best-effort"

    first = fresh.on_job("dump", "--label", "board 17")
    after_first = told(run("next", str(fresh.job), "--json"))
    second = fresh.on_job("dump")
    after_second = told(run("next", str(fresh.job), "--json"))

    for refused in (first, second):
        assert refused.exit_code == 3
        assert three_lines(refused)[2].startswith(
            "Dump again at once. If two reads never agree, keep what most of several say, for"
            f" another chip: {best}. To look closer: flashbench check-contact --supply 3.3"
        )
    assert after_first["command"] == f"flashbench dump {fresh.job}"
    assert after_first["why"] == (
        "there is no original yet: two reads did not agree (kept, and no evidence: doubtful-1.bin,"
        " doubtful-2.bin); clean the contact first (if two reads never agree, keep what most of"
        f" several say: {best})"
    )
    assert after_second["command"] == best
    assert after_second["why"] == (
        "there is no original yet: reads did not agree at 2 dumps (kept, and no evidence:"
        " doubtful-1.bin, doubtful-2.bin, doubtful-3.bin, doubtful-4.bin); keep what most of"
        " several say, for another chip (or clean the contact and try once more: flashbench dump"
        f" {fresh.job})"
    )


def test_a_best_reading_is_never_called_an_original_or_unread(fresh: Workplace) -> None:
    arm(fresh.bench, [WEAK])
    assert (
        fresh.on_job("dump", "--best-effort", "--reads", "3", "--label", "board 17").exit_code == 0
    )
    as_read = told(run("next", str(fresh.job), "--json"))
    kept = reported(fresh)
    held = (fresh.job / "round-1" / "best-reading.bin").read_bytes()
    fresh.edited.write_bytes(edited(held))
    assert fresh.take_in().exit_code == 0
    arm(fresh.bench, [])
    add_chip(fresh.bench, "new", part=PART, unique_id=OTHER_NUMBER, contents=contents())
    swap_chip(fresh.bench, "new")
    assert fresh.on_job("write", *ON_ANOTHER).exit_code == 0
    proven = reported(fresh)
    assert fresh.on_job("restore", "--yes").exit_code == 0
    restored = reported(fresh)
    coming = told(run("next", str(fresh.job), "--json"))
    own = fresh.on_job("write", "--yes")
    assert fresh.on_job("write", *ON_ANOTHER).exit_code == 0, "as the refusal says"

    assert as_read["command"] == f"flashbench edit {fresh.job} --from-image FILE"
    assert as_read["why"] == (
        "there is no edited image yet (or put what was read onto another chip: flashbench restore"
        f" {fresh.job} --to-new-chip)"
    )
    assert kept[0] == "Best reading, not proven: the chip does not read the same each time."
    assert proven[0] == (
        "A replacement chip holds the new contents. They come from a best reading, not proven."
    )
    assert restored[0] == "A replacement chip holds the best reading of the old one, not proven."
    for headline, customer, shelf in (kept, proven, restored):
        assert headline in customer
        assert headline in shelf
        assert "The 3 reads did not agree: 24 of 16 777 216 bytes came out differently" in customer
        assert "(counted from 0, bytes 4 104 to 4 105, 4 109, 4 111 to 4 113, " in customer
        assert "has not been read yet" not in customer + shelf
        assert "The way back is open" not in customer
        assert "3 reads; 24 bytes differ among them: 001008h to 001009h, 00100Dh, " in shelf
    assert told(run("report", str(fresh.job), "--json"))["best_reading"] is True
    assert coming["proven"][-1] == (
        "the replacement chip last held the best reading (not proven), read back byte for byte"
    )
    assert "the best reading (not proven) is on the chip" in coming["why"]
    assert own.exit_code == 3
    assert three_lines(own)[2] == (
        "It has a best reading, not proven, which goes to another chip only, or to one that has it"
        f" already: flashbench write {fresh.job} --to-new-chip  (unedited: flashbench restore"
        f" {fresh.job} --to-new-chip)"
    )


def reported(place: Workplace) -> tuple[str, str, str]:
    """The headline that `report` prints, the customer's page, and the shelf's page."""
    result = run("report", str(place.job))
    assert result.exit_code == 0, result.stderr
    tree = read_html((place.job / "report.html").read_text("utf-8"))
    headline = " ".join(result.stdout.split("  report ")[0].split()).removeprefix("board 17: ")
    return headline, _text(page_of(tree, "customer")), _text(page_of(tree, "shelf"))


def _text(page: Node) -> str:
    return " ".join(page.text.split())
