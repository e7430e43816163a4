"""Checking every hash on the shelf, packing one job, forgetting one."""

import hashlib
import json
import subprocess
import zipfile
from pathlib import Path

import pytest

from flashbench.errors import CheckFailed, WrongCall
from flashbench.job.folder import Job
from flashbench.job.refusals import JobInUse
from flashbench.shelf.checking import check_entries
from flashbench.shelf.entry import Entry, read_entry
from flashbench.shelf.forgetting import FORGOTTEN, forget, read_forgotten
from flashbench.shelf.hand_over import hand_over
from flashbench.shelf.listing import read_shelf
from tests.builders.shelf import contents, edited, stand_up


def _spoil(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[5] ^= 1
    path.chmod(0o600)
    path.write_bytes(data)


def _entry(folder: Path) -> Entry:
    entry = read_entry(folder)
    assert entry is not None
    return entry


def test_every_hash_on_the_shelf_is_checked(tmp_path: Path) -> None:
    for board in (1, 2, 3):
        stand_up(tmp_path, f"board-{board}", board=board)
    _spoil(tmp_path / "board-2" / "round-1" / "original.bin")
    seen: list[tuple[int, int]] = []

    checked = list(
        check_entries(
            read_shelf(tmp_path).entries,
            progress=lambda _step, done, total, _left: seen.append((done, total)),
        )
    )

    assert [each.damaged for each in checked] == [False, True, False]
    assert checked[1].findings[0].path == "round-1/original.bin"
    assert seen[0][0] == 0
    assert seen[-1][0] == seen[-1][1] == 3 * 2 * len(contents(1))


def test_a_packed_job_proves_itself_with_sha256sum(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "board-1", board=1, written=True)

    packed = hand_over(folder, tmp_path / "for the customer.zip")

    with zipfile.ZipFile(packed.path) as archive:
        archive.extractall(tmp_path / "there")
    there = tmp_path / "there" / "board-1"
    said = subprocess.run(
        ["sha256sum", "-c", "--strict", "SHA256SUMS"], cwd=there, capture_output=True, check=True
    )
    assert len(said.stdout.splitlines()) == packed.file_count
    assert (there / "round-1" / "original.bin").read_bytes() == contents(1)
    assert packed.sha256 == hashlib.sha256(packed.path.read_bytes()).hexdigest()
    assert packed.path.stat().st_mode & 0o077 == 0
    there.chmod(0o700)
    with Job.open(there) as job:
        assert job.load_image(1) == edited(contents(1))


def test_a_damaged_job_is_not_packed_as_a_whole_one(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "board-1", board=1)
    _spoil(folder / "round-1" / "image-1.bin")

    with pytest.raises(CheckFailed, match=r"round-1/image-1\.bin was changed"):
        hand_over(folder, tmp_path / "x.zip")
    assert not list(tmp_path.glob("x.zip*"))


def test_a_job_in_use_is_neither_packed_nor_deleted(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "board-1", board=1)

    with Job.open(folder):
        with pytest.raises(JobInUse):
            hand_over(folder, tmp_path / "x.zip")
        with pytest.raises(JobInUse):
            forget(_entry(folder))
    assert _entry(folder).damage is None


def test_nothing_that_exists_is_packed_over(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "board-1", board=1)
    (tmp_path / "x.zip").write_text("mine")

    with pytest.raises(WrongCall, match="exists already"):
        hand_over(folder, tmp_path / "x.zip")
    assert (tmp_path / "x.zip").read_text() == "mine"


def test_a_forgotten_job_leaves_a_line_that_names_nobody(tmp_path: Path) -> None:
    folder = stand_up(
        tmp_path, "miller", board=1, label="Miller 017", unique_id="0011223344556677", written=True
    )
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    kept = elsewhere / "keep me"
    kept.write_text("not the job's")
    (folder / "photos").mkdir(exist_ok=True)
    (folder / "photos" / "link").symlink_to(kept)
    (folder / "photos" / "link to a folder").symlink_to(elsewhere)
    hashes = [image.sha256 for image in _entry(folder).images]

    line = forget(_entry(folder))

    assert not folder.exists()
    assert kept.read_text() == "not the job's"
    assert (line.part, line.rounds, line.standing) == ("XX25Q00", 1, "chip verified")
    assert read_forgotten(tmp_path) == (line,)
    text = (tmp_path / FORGOTTEN).read_text()
    assert json.loads(text)["created"] == "2026-01-02"
    for secret in ("iller", "017", "0011223344556677", *hashes):
        assert secret not in text


def test_what_an_interrupted_forgetting_left_can_be_forgotten(tmp_path: Path) -> None:
    folder = stand_up(tmp_path, "miller", board=1, label="Miller 017")
    (folder / "job.toml").unlink()
    (folder / "round-1" / "journal.jsonl").unlink()
    entry = _entry(folder)

    assert entry.damage is not None
    assert forget(entry).standing == "damaged"
    assert not folder.exists()
