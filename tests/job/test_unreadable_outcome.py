"""An outcome that cannot be, written by an earlier flashbench: the job opens all the same."""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from flashbench.job.check import check_folder
from flashbench.job.events import KINDS, OutcomeTold, decode
from flashbench.job.folder import Job
from flashbench.job.journal import Head, Line, encode_head, encode_line, verify
from flashbench.job.outcome import outcome_of, record_outcome
from flashbench.job.refusals import JobDamaged, JobForeign
from flashbench.shelf.entry import Standing, read_entry
from tests.builders.shelf import contents, edited, stand_up
from tests.cli.workplace import run, told

AT = "2026-01-02T03:04:05.000+00:00"
FACTS: Mapping[str, object] = {
    "round_number": 1,
    "target_sha256": hashlib.sha256(edited(contents(1))).hexdigest(),
    "boots": True,
    "memory_shown_gbit": 128,
    "test_hours": 4.0,
    "test_errors": 0,
    "note": None,
}


def journal_of(job: Path) -> Path:
    return job / "round-1" / "journal.jsonl"


def add_line(job: Path, facts: Mapping[str, object]) -> None:
    """One more outcome in the journal, its chain and the head in order, whatever it says."""
    path = journal_of(job)
    head = path.with_name("journal.head")
    lines = path.read_bytes().splitlines()
    last = json.loads(lines[-1])
    known = Line(n=last["n"], at="", kind="", facts={}, prev="", sha256=last["sha256"])
    line, data = encode_line(OutcomeTold.KIND, facts, at=AT, after=known)
    path.write_bytes(path.read_bytes() + data)
    head.write_bytes(encode_head(Head(count=line.n, sha256=line.sha256)))


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return stand_up(tmp_path, "board-1", board=1, written=True)


@pytest.mark.parametrize(
    ("spoiled", "why"),
    [
        ({"test_hours": 0.0}, "in test_hours: expected a number > 0"),
        ({"test_hours": -3.0}, "in test_hours: expected a number > 0"),
        ({"test_hours": 20_000.0}, "in test_hours: expected a number <= 10000"),
        ({"memory_shown_gbit": 0}, "in memory_shown_gbit: expected a whole number >= 1"),
        ({"test_errors": -1}, "in test_errors: expected a whole number >= 0"),
    ],
)
def test_a_job_with_an_outcome_that_cannot_be_opens_and_says_so(
    job: Path, spoiled: Mapping[str, object], why: str
) -> None:
    add_line(job, {**FACTS, **spoiled})

    facts = told(run("next", str(job), "--json"))
    checked = run("next", str(job), "--check")
    asked = " ".join(run("outcome", str(job)).stdout.split())
    entry = read_entry(job)
    found = [(one.path, one.damaged) for one in check_folder(job)]
    with Job.open(job) as opened:
        original = opened.load_original().data

    assert original == contents(1)
    assert facts["command"] == f"flashbench outcome {job}"
    assert f"which tells what became of the board, cannot be read: {why}" in facts["proven"][-1]
    assert checked.exit_code == 0
    assert found == [("round-1/journal.jsonl", False)]
    assert "cannot be read" in " ".join(checked.stdout.split())
    assert "nobody has told yet what became of the board." in asked
    assert "but line" in asked and "(tell it again; the line stays as it is)" in asked
    assert entry is not None and entry.standing is Standing.VERIFIED


def test_the_outcome_is_told_again_and_the_line_stays(job: Path) -> None:
    add_line(job, {**FACTS, "test_hours": 0.0})
    spoiled = journal_of(job).read_bytes()

    words = ("--boots", "--test-hours", "4", "--errors", "0")
    again = run("outcome", str(job), *words)
    facts = told(run("next", str(job), "--json"))
    report = run("report", str(job))

    assert (again.exit_code, report.exit_code) == (0, 0), again.stderr + report.stderr
    assert journal_of(job).read_bytes().startswith(spoiled)
    assert facts["command"] == f"flashbench report {job}"
    assert not any("cannot be read" in sentence for sentence in facts["proven"])
    assert (
        "which tells what became of the board, cannot be read" in (job / "report.html").read_text()
    )


@pytest.mark.parametrize("round_number", [1, "one"])
def test_what_was_told_before_a_line_that_cannot_be_read_is_not_the_last_word(
    job: Path, round_number: object
) -> None:
    with Job.open(job) as opened:
        record_outcome(opened, boots=True)
    add_line(job, {**FACTS, "round_number": round_number, "boots": "no"})

    with Job.open(job) as opened:
        assert outcome_of(opened) is None


def test_such_a_line_is_still_held_by_the_chain(job: Path) -> None:
    add_line(job, {**FACTS, "test_hours": 0.0})
    path = journal_of(job)
    path.write_bytes(path.read_bytes().replace(b'"test_hours":0.0', b'"test_hours":1.0'))

    with pytest.raises(JobDamaged, match="was cut, edited or moved"):
        Job.open(job)


@pytest.mark.parametrize("kind", sorted(KINDS.keys() - {OutcomeTold.KIND}))
def test_no_other_line_may_be_one_that_cannot_be_read(kind: str) -> None:
    _, data = encode_line(kind, {}, at=AT, after=None)
    (line,) = verify(data, Head(count=0, sha256="0" * 64)).lines

    with pytest.raises(JobForeign, match="is not understood"):
        decode(line)
