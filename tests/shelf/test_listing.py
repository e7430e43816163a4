"""Hundreds of jobs as a list, and those that a text finds."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.errors import WrongCall
from flashbench.job.booking import book_in
from flashbench.job.disk import Disk
from flashbench.job.folder import Job
from flashbench.job.intake import Intake
from flashbench.report.short_code import short_code
from flashbench.shelf.entry import Standing, read_entry
from flashbench.shelf.listing import find, read_shelf
from tests.builders.job import Calendar
from tests.builders.shelf import contents, edited, stand_up, write


def test_the_jobs_are_listed_by_date_with_where_they_stand(tmp_path: Path) -> None:
    calendar = Calendar()
    for name, facts in {
        "c": {},
        "a": {"written": True},
        "d": {"written": True, "boots": True},
        "b": {"written": True, "boots": False},
    }.items():
        stand_up(tmp_path, name, board=ord(name), calendar=calendar, **facts)  # type: ignore[arg-type]
        calendar.advance(86_400)
    (tmp_path / "notes").mkdir()
    (tmp_path / "read me.txt").write_text("no folder")

    shelf = read_shelf(tmp_path)

    assert [(entry.folder.name, entry.standing) for entry in shelf.entries] == [
        ("c", Standing.PREPARED),
        ("a", Standing.VERIFIED),
        ("d", Standing.BOOTS),
        ("b", Standing.DARK),
    ]
    assert shelf.other_count == 1


def test_a_half_written_chip_shows_whatever_else_the_job_says(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "a", board=1, written=True, boots=True)
    with Job.open(folder) as job:
        write(job, edited(contents(1)), to_its_end=False)

    entry = read_entry(folder)

    assert entry is not None
    assert (entry.standing, entry.unfinished) == (Standing.HALF_WRITTEN, True)


def test_a_board_that_was_only_booked_in_is_listed(tmp_path: Path) -> None:
    book_in(tmp_path / "new", Intake(label="bag 9", device="WF2 laptop", fault="dark"))

    (entry,) = read_shelf(tmp_path).entries

    assert (entry.label, entry.standing, entry.note) == (
        "bag 9",
        Standing.BOOKED,
        "WF2 laptop, dark",
    )


@pytest.mark.parametrize(
    "text",
    ["MILLER", "miller, bag", "board-17", "aa400c", "AA 40 0C", "0011223344556677", "xx25q00"],
)
def test_a_job_is_found_by_text_and_chip(tmp_path: Path, text: str) -> None:
    stand_up(tmp_path, "board-17", board=17, label="Miller, bag 4", unique_id="0011223344556677")
    other = stand_up(tmp_path, "x", board=2, label="Smith", unique_id="ff00ff00ff00ff00")
    entries = read_shelf(tmp_path).entries

    names = [entry.folder.name for entry in find(entries, text)]

    assert "board-17" in names
    assert ("x" in names) == (text.lower().replace(" ", "") in ("aa400c", "xx25q00"))
    assert other.exists()


def test_a_job_is_found_by_an_image_s_hash_or_its_short_code(tmp_path: Path) -> None:
    for board in (1, 2, 3):
        stand_up(tmp_path, f"board-{board}", board=board)
    entries = read_shelf(tmp_path).entries
    image = entries[1].images[1]

    assert image.name == "image 1"
    for text in (image.sha256, image.sha256[:12].upper(), short_code(image.sha256)):
        assert find(entries, text) == (entries[1],)
    assert find(entries, image.sha256[:7]) == ()


def test_hostile_folders_are_shown_as_damaged_and_hide_nothing(tmp_path: Path) -> None:
    good = stand_up(tmp_path, "good", board=1)
    spoilers: dict[str, Callable[[Path], object]] = {
        "job-toml": lambda f: (f / "job.toml").write_bytes(b"\xff\x00 not toml"),
        "journal": lambda f: (f / "round-1" / "journal.jsonl").write_bytes(b"{" * 100_000),
        "head": lambda f: (f / "round-1" / "journal.head").unlink(),
        "chip": lambda f: _replace(f / "round-1" / "chip.json", b"[" * 100_000),
        "chip-list": lambda f: _replace(f / "round-1" / "chip.json", b"[]"),
        "no-round": lambda f: shutil.rmtree(f / "round-1"),
        "round-gap": lambda f: (f / "round-1").rename(f / "round-2"),
        "a-link": lambda f: _replace_by_link(f / "job.toml", good / "job.toml"),
        "a-pipe": lambda f: _replace_by_pipe(f / "round-1" / "journal.jsonl"),
        "foreign": lambda f: (f / "job.toml").write_text("format = 99\n"),
    }
    for name, spoil in spoilers.items():
        spoil(Path(shutil.copytree(good, tmp_path / name)))
    (tmp_path / "intake").mkdir()
    (tmp_path / "intake" / "intake.toml").write_text("label = [[[[")
    (tmp_path / "loop").symlink_to(tmp_path)

    entries = read_shelf(tmp_path).entries

    assert {entry.folder.name for entry in entries if entry.damage} == {*spoilers, "intake"}
    assert [entry.folder.name for entry in entries if not entry.damage] == ["good"]
    assert all(entry.standing is Standing.DAMAGED for entry in entries if entry.damage)


def _replace(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


def _replace_by_link(path: Path, target: Path) -> None:
    path.unlink()
    path.symlink_to(target)


def _replace_by_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pattern")
    return stand_up(folder, "job", board=1, written=True, boots=True)


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(["job.toml", "intake.toml", "chip.json", "journal.jsonl", "journal.head"]),
    data=st.binary(max_size=300),
    at=st.none() | st.integers(0, 2000),
)
def test_any_bytes_in_any_file_give_a_list_with_all_jobs(
    pattern: Path, name: str, data: bytes, at: int | None
) -> None:
    with TemporaryDirectory() as place:
        shelf = Path(place)
        for each in ("good", "odd"):
            shutil.copytree(pattern, shelf / each)
        odd = shelf / "odd"
        path = odd / name if name.endswith("toml") else odd / "round-1" / name
        before = path.read_bytes() if path.exists() else b""
        after = data if at is None else before[:at] + data + before[at + len(data) :]
        path.unlink(missing_ok=True)
        path.write_bytes(after)

        entries = read_shelf(shelf).entries
        found = [entry.folder.name for entry in find(entries, "odd")]

        assert {entry.folder.name for entry in entries} == {"good", "odd"}
        assert "odd" in found


def test_no_folder_is_no_shelf(tmp_path: Path) -> None:
    with pytest.raises(WrongCall, match="cannot be listed"):
        read_shelf(tmp_path / "gone")


class CountingDisk(Disk):
    """Notes every file that is read, and how much of it."""

    def __init__(self) -> None:
        self.read_files: list[Path] = []
        self.read_bytes = 0

    def read(self, path: Path, *, at_most: int) -> bytes:
        data = super().read(path, at_most=at_most)
        self.read_files.append(path)
        self.read_bytes += len(data)
        return data


def test_the_list_reads_four_small_files_of_each_job_once(tmp_path: Path) -> None:
    """However long its journal is; what a thousand jobs take is told by a benchmark."""
    units = {f"job-{number}": 8 for number in range(5)} | {"long": 256}
    folders = [
        stand_up(tmp_path, name, board=len(name) + count, written=True, boots=True, units=count)
        for name, count in units.items()
    ]
    disk = CountingDisk()

    entries = read_shelf(tmp_path, disk=disk).entries

    assert all(entry.standing is Standing.BOOTS for entry in entries)
    small = ("job.toml", "round-1/chip.json", "round-1/journal.head", "round-1/journal.jsonl")
    wanted = sorted(folder / name for folder in folders for name in small)
    assert sorted(disk.read_files) == wanted
    assert disk.read_bytes == sum(path.stat().st_size for path in wanted)
