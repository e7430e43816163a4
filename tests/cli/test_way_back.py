"""A restore that was interrupted: what was begun comes first, and the other way is said."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.job.refusals import StepRefused
from flashbench.rehearsal import arm, open_bench
from flashbench.rehearsal.faults import LosePower
from flashbench.safe_write.next_step import next_step
from flashbench.safe_write.steps import demand_unfinished
from tests.builders.job import ORIGINAL, a_dumped_job, announcement
from tests.cli.workplace import Workplace, contents, copied, edited, run, three_lines, told


@pytest.fixture(scope="module")
def cut_template(template: Workplace) -> Iterator[Workplace]:
    """The image was written and proven; the power failed while the original was put back."""
    with TemporaryDirectory() as folder:
        place = copied(template, Path(folder) / "cut")
        written = place.on_job("write", "--yes")
        assert written.exit_code == 0, written.stderr
        with open_bench(place.bench) as bench:
            number = bench.chip.operation_number
        arm(place.bench, [LosePower(at_operation=number + 3, seed=3)])
        cut = place.on_job("restore", "--yes")
        assert cut.exit_code == 4, cut.stderr
        state, _, next_step = three_lines(cut)
        assert state == "The chip is half-written."
        assert next_step.endswith(
            f"flashbench restore {place.job}  (or: flashbench finish {place.job})"
        )
        arm(place.bench, [])
        yield place


@pytest.fixture
def cut(cut_template: Workplace) -> Iterator[Workplace]:
    with TemporaryDirectory() as folder:
        yield copied(cut_template, Path(folder) / "w")


def test_next_names_the_way_back_that_was_begun(cut: Workplace) -> None:
    coming = told(run("next", str(cut.job), "--json"))
    refused = cut.on_job("write", "--yes")

    assert coming["command"] == f"flashbench restore {cut.job}"
    assert "putting the original back on the board's own chip was begun" in coming["why"]
    assert f"on to the new image instead: flashbench finish {cut.job}" in coming["why"]
    assert f"flashbench restore {cut.job}  (or: " in three_lines(refused)[2]

    back = cut.on_job("restore", "--yes")
    assert back.exit_code == 0, back.stderr
    assert cut.chip().cells == contents()


def test_finish_says_that_it_leads_to_the_new_image(cut: Workplace) -> None:
    result = cut.on_job("finish", "--yes")

    said = " ".join(result.stdout.split())
    assert "restore was begun and is not proven. finish does not go on with it" in said
    assert cut.chip().cells == edited(contents())


def test_without_an_image_only_the_way_back_is_named(tmp_path: Path) -> None:
    with a_dumped_job(tmp_path / "job") as job:
        job.announce(announcement(target=ORIGINAL, target_name="original"))

        coming = next_step(job)
        with pytest.raises(StepRefused, match="has no image to go on to"):
            demand_unfinished(job)

    assert coming.command == f"flashbench restore {tmp_path / 'job'}"
    assert "finish" not in coming.why
