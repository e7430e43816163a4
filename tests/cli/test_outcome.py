"""`flashbench outcome`: the board's own proof, and what `next` and the report make of it."""

import re
from pathlib import Path

import pytest

from flashbench.job.folder import Job
from tests.builders.job import announcement
from tests.builders.shelf import finish
from tests.cli.small_board import small_board
from tests.cli.workplace import Workplace, run, three_lines, told
from tests.image.edit_scene import EDIT, MEMORY


@pytest.fixture
def written(place: Workplace) -> Workplace:
    result = place.on_job("write", "--yes")
    assert result.exit_code == 0, result.stderr
    return place


def _next(place: Workplace) -> dict[str, object]:
    return told(run("next", str(place.job), "--json"))


def test_next_leads_from_a_verified_chip_to_a_proven_board(written: Workplace) -> None:
    before = _next(written)
    booted = run("outcome", str(written.job), "--boots", "--memory", "16 GB")
    untested = _next(written)
    words = ("--boots", "--memory", "16GB", "--test-hours", "4", "--errors", "0")
    facts = told(run("outcome", str(written.job), *words, "--json"))
    after = _next(written)
    run("report", str(written.job))

    assert str(before["why"]).startswith("chip verified, board not yet proven")
    assert before["command"] == f"flashbench outcome {written.job}"
    assert "board 17, round 1: the board boots. It shows 16 GB." in booted.stdout
    assert "no memory test was told yet" in str(untested["why"])
    assert (facts["round"], facts["boots"], facts["memory_shown_gbit"]) == (1, True, 128)
    assert after["command"] == f"flashbench report {written.job}"
    page = (written.job / "report.html").read_text()
    shown = " ".join(re.sub("<[^>]*>", " ", page).split())
    assert "The board starts. It shows 16 GB of memory. The memory was tested for 4 h" in shown
    assert "The board was said to boot with the chip of round 1" in shown


def test_a_dark_board_gets_a_list_in_next_and_outcome(written: Workplace) -> None:
    result = run("outcome", str(written.job), "--does-not-boot", "--note", "draws 80 mA")
    facts = _next(written)

    assert result.exit_code == 0, result.stderr
    assert "the board does not boot. draws 80 mA" in result.stdout
    assert "Look at the current that the board draws" in " ".join(result.stdout.split())
    assert facts["why"] == "the board does not boot"
    assert facts["command"] == f"flashbench dump {written.job} --again"
    assert isinstance(facts["checks"], list)
    assert len(facts["checks"]) == 7
    assert "Measure the rails" in " ".join(run("next", str(written.job)).stdout.split())


def test_reading_a_dark_board_s_chip_again_narrows_it_down(written: Workplace) -> None:
    run("outcome", str(written.job), "--does-not-boot")
    written.set_cells(0x0090_0000, b"\x00" * 16)
    assert written.on_job("dump", "--again").exit_code == 0

    checks = " ".join(map(str, told(run("next", str(written.job), "--json"))["checks"]))

    assert "so the processor ran and could read it: look at the memory" in checks


def test_errors_of_a_memory_test_keep_the_board_unproven(written: Workplace) -> None:
    words = ("--boots", "--test-hours", "0.5", "--errors", "3")
    run("outcome", str(written.job), *words)

    assert "the memory test found 3 errors" in str(_next(written)["why"])


def test_without_words_it_says_what_was_told_and_how_to_tell(written: Workplace) -> None:
    result = run("outcome", str(written.job))

    assert result.exit_code == 0
    assert "nobody has told yet what became of the board" in result.stdout
    assert "--does-not-boot" in result.stdout
    assert told(run("outcome", str(written.job), "--json"))["told"] is False


def test_an_unwritten_chip_has_no_outcome(place: Workplace) -> None:
    result = run("outcome", str(place.job), "--boots")

    assert result.exit_code == 3
    assert "Nothing was written and proven in job board 17" in three_lines(result)[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--boots", "--memory", "16G"), "can be taken in two ways"),
        (("--boots", "--memory", "7.8GB"), "is no size that packages come in"),
        (("--memory", "16GB"), "Whether the board starts was not said"),
        (("--boots", "--does-not-boot"), "Both --boots and --does-not-boot were said"),
    ],
)
def test_what_cannot_be_understood_is_asked_back(
    place: Workplace, words: tuple[str, ...], says: str
) -> None:
    result = run("outcome", str(place.job), *words)

    assert result.exit_code == 2
    assert says in " ".join(result.stderr.replace("│", " ").split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--test-hours", "-1", "--errors", "0"), "runs for more than 0 and at most 10000 hours"),
        (("--test-hours", "1e99", "--errors", "0"), "runs for more than 0 and at most 10000 hours"),
        (("--test-hours", "nan", "--errors", "0"), "runs for more than 0 and at most 10000 hours"),
        (("--test-hours", "inf", "--errors", "0"), "runs for more than 0 and at most 10000 hours"),
        (("--test-hours", "1", "--errors", "1" + 23 * "0"), "are counted, up to 1099511627776"),
        (("--test-hours", "0", "--errors", "3"), "A memory test has both"),
        (("--memory", "99999999999999GB"), "No board shows more than 131072 GB"),
    ],
)
def test_what_no_board_does_is_refused_and_the_job_stays_readable(
    written: Workplace, words: tuple[str, ...], says: str
) -> None:
    journal = written.job / "round-1" / "journal.jsonl"
    before = journal.read_bytes()

    result = run("outcome", str(written.job), "--boots", *words)

    assert result.exit_code == 3
    assert says in three_lines(result)[1]
    assert journal.read_bytes() == before


def test_no_hours_of_a_memory_test_are_no_test(written: Workplace) -> None:
    facts = told(
        run(
            *("outcome", str(written.job), "--boots", "--test-hours", "0", "--errors", "0"),
            "--json",
        )
    )

    assert (facts["test_hours"], facts["test_errors"]) == (None, None)
    assert "no memory test was told yet" in str(_next(written)["why"])


def test_memory_that_the_edit_did_not_make_is_remarked(tmp_path: Path) -> None:
    board = small_board(tmp_path)
    text = EDIT.replace("= 1\n", "= 1\npackages_on_board = 2\n", 1) + MEMORY
    assert board.edit(text=text).exit_code == 0
    image = board.kept
    assert image is not None
    with Job.open(board.job) as job:
        job.announce(announcement(target=image))
        finish(job, image)

    as_made = told(run("outcome", str(board.job), "--boots", "--memory", "8GB", "--json"))
    less = run("outcome", str(board.job), "--boots", "--memory", "4GB")
    coming = told(run("next", str(board.job), "--json"))

    assert as_made["remark"] is None
    said = "the board shows 4 GB, and the edit of image 1 describes 8 GB"
    assert said in " ".join(less.stdout.split())
    assert said in coming["proven"][-1]
    assert run("report", str(board.job)).exit_code == 0
    assert said in (board.job / "report.html").read_text()
