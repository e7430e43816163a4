"""Files of a round by number or by hash: what is there, and what is said where nothing is."""

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.job.folder import Job
from flashbench.job.journal import Head, Line, encode_line, verify
from flashbench.job.refusals import JobDamaged, StepRefused
from tests.builders.job import IMAGE, ORIGINAL, a_dumped_job, a_job
from tests.builders.story import best_reading, keep_another, with_image


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def test_each_file_is_loaded_by_its_number(tmp_path: Path) -> None:
    with with_image(tmp_path / "job") as job:
        job.save_doubtful(ORIGINAL[::-1])
        job.save_doubtful(ORIGINAL)
        number = keep_another(job)

        assert job.load_image(1) == IMAGE
        assert (job.load_doubtful(1), job.load_doubtful(2)) == (ORIGINAL[::-1], ORIGINAL)
        assert job.load_kept(number) == b"\xff" * len(IMAGE)


def test_what_is_stored_is_loaded_by_its_hash(tmp_path: Path) -> None:
    with with_image(tmp_path / "job") as job:
        assert job.load_stored(sha(ORIGINAL)) == ORIGINAL
        assert job.load_stored(sha(IMAGE), round_number=1) == IMAGE
    with best_reading(tmp_path / "best") as job:
        assert job.load_stored(sha(ORIGINAL)) == ORIGINAL


def test_a_best_reading_is_loaded_with_its_list(tmp_path: Path) -> None:
    with best_reading(tmp_path / "job") as job:
        found = job.load_best_reading()

    assert found.data == ORIGINAL
    assert found.path == tmp_path / "job" / "round-1" / "best-reading.bin"
    assert found.unstable == {"unstable": [[16, 20]], "listed_to": len(ORIGINAL)}
    assert (found.saved.unstable_bytes, found.saved.reads) == (4, (1, 2, 3))


@pytest.mark.parametrize(
    ("load", "seen", "next_step"),
    [
        (
            lambda job: job.load_image(1),
            "Round 1 of job job has no image 1.",
            "Name one of its images, or make one by editing.",
        ),
        (
            lambda job: job.load_doubtful(1),
            "Round 1 of job job has no doubtful read 1.",
            "Name one that it has.",
        ),
        (
            lambda job: job.load_kept(1),
            "Round 1 of job job has no replacement chip 1.",
            "Name one that it has.",
        ),
        (
            lambda job: job.load_best_reading(),
            "Round 1 of job job has no best reading.",
            "Dump the chip.",
        ),
        (
            lambda job: job.load_original(round_number=2),
            "Job job has no round 2.",
            "Name one it has.",
        ),
    ],
)
def test_what_a_round_does_not_have_is_said(
    load: Callable[[Job], object], seen: str, next_step: str, tmp_path: Path
) -> None:
    with a_dumped_job(tmp_path / "job") as job, pytest.raises(StepRefused) as refused:
        load(job)

    assert (refused.value.seen, refused.value.next_step) == (seen, next_step)


def test_a_round_without_an_original_says_what_it_has_instead(tmp_path: Path) -> None:
    said = []
    for make in (a_job, best_reading):
        with make(tmp_path / make.__name__) as job, pytest.raises(StepRefused) as refused:
            job.load_original()
        said.append((refused.value.seen, refused.value.next_step))

    assert said == [
        ("Round 1 of job a_job has no original yet.", "Dump the chip."),
        (
            "Round 1 of job best_reading has no original yet.",
            "It has a best reading, not proven, which goes to another chip only, or to one that has"
            f" it already: flashbench write {tmp_path / 'best_reading'} --to-new-chip  (unedited:"
            f" flashbench restore {tmp_path / 'best_reading'} --to-new-chip)",
        ),
    ]


@pytest.mark.parametrize("cut", range(1, 4))
def test_a_damaged_journal_names_the_first_line_that_is_not_as_written(cut: int) -> None:
    lines: list[Line] = []
    data: list[bytes] = []
    for _ in range(4):
        line, text = encode_line("x", {}, at="", after=lines[-1] if lines else None)
        lines.append(line)
        data.append(text)
    data[cut] = data[cut][:-3] + b"?" + data[cut][-2:]

    with pytest.raises(JobDamaged) as refused:
        verify(b"".join(data), Head(count=4, sha256=lines[-1].sha256))

    assert refused.value.seen == (
        f"journal.jsonl is damaged: 4 lines were written, and only the first {cut} are as written;"
        f" line {cut + 1} was cut, edited or moved."
    )


def test_what_a_round_has_of_its_chip_is_named_where_another_dump_is_refused(
    tmp_path: Path,
) -> None:
    with best_reading(tmp_path / "best") as best, a_dumped_job(tmp_path / "job") as job:
        for of, name, what in ((best, "best", "best reading"), (job, "job", "original")):
            with pytest.raises(StepRefused) as refused:
                of.demand_nothing_dumped()
            assert refused.value.seen == (
                f"Round 1 of job {name} has its {what}, which is never replaced."
            )


def test_a_report_takes_the_place_of_an_earlier_one(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        saved = [job.save_report(text) for text in ("<p>one</p>", "<p>zwei ä</p>")]

    assert saved == [tmp_path / "job" / "report.html"] * 2
    assert saved[0].read_text("utf-8") == "<p>zwei ä</p>"
