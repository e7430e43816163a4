"""`dump --from-files`: no backup until our own two reads equal the files."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.rehearsal import create_bench
from tests.cli.workplace import PART, Workplace, contents, run, three_lines, told


@pytest.fixture
def place() -> Iterator[Workplace]:
    """A bench, and the job opened from two files that hold what the chip holds."""
    with TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        create_bench(place.bench, part=PART, contents=contents()).close()
        for name in ("first.bin", "second.bin"):
            (place.folder / name).write_bytes(contents())
        yield place


def from_files(place: Workplace, *words: str) -> tuple[str, ...]:
    files = (str(place.folder / "first.bin"), str(place.folder / "second.bin"))
    return ("dump", str(place.job), "--from-files", *files, *words)


def test_two_equal_files_open_a_job_without_an_adapter(place: Workplace) -> None:
    facts = told(run(*from_files(place, "--label", "bag 4", "--json")))

    assert facts["label"] == "bag 4"
    assert facts["has_backup"] is False
    assert Path(facts["from_files"]).read_bytes() == contents()
    assert told(run("next", str(place.job), "--json"))["command"].startswith("flashbench dump ")


@pytest.mark.parametrize("verb", ["edit", "write"])
def test_until_our_own_dump_nothing_is_edited_or_written(place: Workplace, verb: str) -> None:
    run(*from_files(place))
    place.write_edited()
    words = {
        "edit": ("--from-image", str(place.edited)),
        "write": ("--yes", *place.at_bench),
    }[verb]
    before = place.chip()

    result = run(verb, str(place.job), *words)

    assert result.exit_code == 3
    assert "it has no backup" in three_lines(result)[1]
    assert f"flashbench dump {place.job}" in three_lines(result)[2]
    assert place.chip() == before


def test_a_dump_that_equals_the_files_makes_the_backup(place: Workplace) -> None:
    run(*from_files(place, "--label", "bag 4"))

    result = place.on_job("dump")

    assert result.exit_code == 0, result.stderr
    assert (place.job / "round-1" / "original.bin").read_bytes() == contents()
    assert told(run("next", str(place.job), "--json"))["command"].split()[1] == "edit"


def test_a_dump_that_differs_is_doubtful_and_no_backup(place: Workplace) -> None:
    run(*from_files(place))
    place.set_cells(0x0040_0000, b"a board wrote this")

    result = place.on_job("dump")

    assert result.exit_code == 3
    assert "is not what the files hold that this job was opened from" in three_lines(result)[1]
    assert not (place.job / "round-1" / "original.bin").exists()
    doubtful = (place.job / "round-1" / "doubtful-1.bin").read_bytes()
    assert doubtful[0x0040_0000:][:18] == b"a board wrote this"
    assert place.on_job("write", "--yes").exit_code == 3


def test_files_that_differ_and_one_file_named_twice_are_refused(place: Workplace) -> None:
    (place.folder / "second.bin").write_bytes(contents()[:-1] + b"!")

    differing = run(*from_files(place))
    shutil.copy(place.folder / "first.bin", place.folder / "third.bin")
    (place.folder / "second.bin").unlink()
    (place.folder / "second.bin").hardlink_to(place.folder / "first.bin")
    same = run(*from_files(place))

    assert differing.exit_code == 3
    assert three_lines(differing)[1].startswith("The two dumps differ, first at 0xffffff")
    assert same.exit_code == 2
    assert "are one file" in three_lines(same)[1]
    assert not place.job.exists()


def test_a_new_round_does_not_begin_with_files(place: Workplace) -> None:
    result = run(*from_files(place, "--again"))

    assert result.exit_code == 2
    assert three_lines(result)[1] == "A new round begins with a dump of the chip, not with files."
