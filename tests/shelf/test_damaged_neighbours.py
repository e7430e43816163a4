"""A job beside this one that lost a round: its chips are known by the journals that verify."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import Result

import flashbench as fb
from flashbench.errors import FlashbenchError
from flashbench.rehearsal import add_chip, arm, create_bench, open_bench, swap_chip
from flashbench.rehearsal.faults import LosePower
from flashbench.shelf.entry import Standing, read_entry
from tests.builders.bench import TINY, edited, firmware
from tests.cli.workplace import run, three_lines, told

ONE = firmware(TINY.density_bytes)
NEW = edited(ONE, (0x5010, b"a new memory"))
OTHER_MODEL = firmware(TINY.density_bytes, seed=2)
PART = "TINY64K"


@dataclass(frozen=True)
class Bench:
    """A bench on whose shelf board 17 was dumped; another chip of its part may be put in."""

    folder: Path

    @property
    def job(self) -> Path:
        return self.folder / "shelf" / "board-17"

    @property
    def other_job(self) -> Path:
        return self.folder / "shelf" / "board-18"

    @property
    def cells(self) -> bytes:
        with open_bench(self.folder / "bench") as bench:
            return bench.chip.contents

    def at_bench(self, verb: str, job: Path, *words: str) -> Result:
        bench = f"rehearsal:{self.folder / 'bench'}"
        at = ("--adapter", bench, "--supply", "3.3", "--datasheet-supply", "2.7-3.6")
        return run(verb, str(job), *words, *at, "--clock", "30M")

    def well(self, verb: str, job: Path, *words: str) -> None:
        result = self.at_bench(verb, job, *words)
        assert result.exit_code == 0, result.stderr

    def new_chip(self, name: str, image: bytes) -> None:
        add_chip(self.folder / "bench", name, part=PART, contents=image)
        self.put_in(name)

    def put_in(self, name: str) -> None:
        swap_chip(self.folder / "bench", name)

    def write(
        self, image: bytes = NEW, *, to_new_chip: bool = False, power_lost: bool = False
    ) -> None:
        """Write to the board's own chip, or to the one in the socket instead of it."""
        with open_bench(self.folder / "bench") as bench:
            at = bench.chip.operation_number + 4
        arm(self.folder / "bench", [LosePower(at_operation=at, seed=1)] if power_lost else [])
        url = f"rehearsal:{self.folder / 'bench'}"
        with fb.open_url(url, clock_hz=30_000_000) as adapter, fb.Job.open(self.job) as job:
            chip = fb.identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)
            backup = fb.reload_backup(job)
            if to_new_chip:
                kept = fb.keep_contents(fb.read_twice(chip), job)
                plan = fb.plan_replacement(kept, backup, target=image)
            else:
                plan = fb.plan_rewrite(chip, backup, image)
            if power_lost:
                with pytest.raises(FlashbenchError):
                    fb.rewrite(plan)
            else:
                fb.verify(fb.rewrite(plan))
        arm(self.folder / "bench", [])


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    create_bench(tmp_path / "bench", part=PART, contents=ONE).close()
    (tmp_path / "shelf").mkdir()
    made = Bench(tmp_path)
    made.well("dump", made.job)
    return made


def dump_of_another_model(bench: Bench) -> None:
    bench.new_chip("of board 18", OTHER_MODEL)
    bench.well("dump", bench.other_job)


def lose(job: Path, number: int) -> None:
    shutil.move(job / f"round-{number}", job.parent.parent / f"lost-{number}")


def to_new_chip(bench: Bench, *words: str) -> Result:
    return bench.at_bench(
        "restore", bench.other_job, "--to-new-chip", "--label", "-18", "--yes", *words
    )


def test_the_chip_of_a_job_that_lost_its_newest_round_is_never_taken_for_a_new_one(
    bench: Bench,
) -> None:
    bench.write()
    bench.well("dump", bench.job, "--again")
    dump_of_another_model(bench)
    lose(bench.job, 2)
    bench.put_in("first")

    refused = to_new_chip(bench)

    assert refused.exit_code == 3
    assert "it is the chip of job board-17" in three_lines(refused)[1]
    assert bench.cells == NEW


def test_a_half_written_chip_of_a_job_that_lost_its_newest_round_is_not_dumped(
    bench: Bench,
) -> None:
    bench.write(power_lost=True)
    torn = bench.cells
    bench.new_chip("instead", firmware(TINY.density_bytes, seed=3))
    bench.write(to_new_chip=True)
    bench.well("dump", bench.job, "--again")
    lose(bench.job, 2)
    bench.put_in("first")

    refused = bench.at_bench("dump", bench.folder / "shelf" / "new")

    assert refused.exit_code == 4, refused.stdout
    assert "one of job board-17" in three_lines(refused)[1]
    assert f"finish {bench.job}" in three_lines(refused)[2]
    assert "move its folder off this shelf" in three_lines(refused)[2]
    assert bench.cells == torn


def test_what_the_other_rounds_tell_stays_on_the_shelf_beside_the_damage(bench: Bench) -> None:
    bench.write()
    bench.well("dump", bench.job, "--again")
    whole = read_entry(bench.job)
    (bench.job / "round-1" / "journal.head").unlink()
    one_unread = read_entry(bench.job)
    lose(bench.job, 1)
    one_missing = read_entry(bench.job)

    assert whole is not None and not whole.has_gaps and whole.damage is None
    for entry in (one_unread, one_missing):
        assert entry is not None and entry.has_gaps
        assert (entry.standing, entry.chips) == (Standing.DAMAGED, whole.chips)
        assert entry.images == whole.images[-1:]
        assert entry.stories == {2: whole.stories[2]}


def test_one_command_brings_the_chip_on_though_the_round_before_is_of_an_older_state(
    bench: Bench,
) -> None:
    bench.write()
    before_outcome = shutil.copytree(bench.job / "round-1", bench.folder / "copy of round-1")
    assert run("outcome", str(bench.job), "--boots").exit_code == 0
    bench.well("dump", bench.job, "--again")
    bench.write(ONE, power_lost=True)
    shutil.rmtree(bench.job / "round-1")
    before_outcome.rename(bench.job / "round-1")
    coming, checked = run("next", str(bench.job)), run("next", str(bench.job), "--check")

    finished = bench.at_bench("finish", bench.job, "--yes", "--label", "-17")

    assert finished.exit_code == 0, finished.stderr
    assert bench.cells == ONE
    assert coming.exit_code == 0 and checked.exit_code == 1
    for said in (coming, checked):
        assert "does not follow the round-1 that is here" in " ".join(said.stdout.split())


def make_unreadable(job: Path) -> None:
    (job / "round-1" / "journal.head").unlink()


@pytest.mark.parametrize("verb", ["write", "restore", "spare"])
def test_before_a_chip_is_used_up_it_is_said_which_job_it_was_not_compared_with(
    bench: Bench, verb: str
) -> None:
    dump_of_another_model(bench)
    with fb.Job.open(bench.other_job) as job:
        job.save_image(edited(OTHER_MODEL, (0x5010, b"a new memory")), {})
    make_unreadable(bench.job)
    bench.new_chip("new", firmware(TINY.density_bytes, seed=3))
    words = () if verb == "spare" else ("--to-new-chip", "--label", "-18")

    done = bench.at_bench(verb, bench.other_job, *words, "--yes", "--json")

    assert done.exit_code == 0, done.stdout
    assert any(one.startswith("Not compared: board-17 (damaged") for one in told(done)["doubts"])


def test_a_recovery_says_which_job_a_chip_without_a_number_was_not_compared_with(
    bench: Bench,
) -> None:
    bench.write(power_lost=True)
    bench.new_chip("of board 18", OTHER_MODEL)
    bench.well("dump", bench.other_job)
    make_unreadable(bench.other_job)
    bench.put_in("first")

    finished = bench.at_bench("finish", bench.job, "--yes", "--label", "-17")

    assert finished.exit_code == 0, finished.stderr
    said = " ".join(finished.stdout.split())
    assert "Not compared: board-18 (damaged; only rounds that can be read were)" in said


def test_a_dump_and_whose_say_which_job_the_chip_was_not_compared_with(bench: Bench) -> None:
    make_unreadable(bench.job)
    bench.new_chip("of board 18", OTHER_MODEL)

    dumped = bench.at_bench("dump", bench.other_job)
    asked = bench.at_bench("whose", bench.job.parent)

    assert dumped.exit_code == asked.exit_code == 0
    assert "Not compared: board-17 (damaged" in " ".join(dumped.stderr.split())
    assert "Not compared: board-17 (damaged" in " ".join(asked.stdout.split())
