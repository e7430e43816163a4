"""The real file system, as far as a test can see it."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from flashbench.job.disk import Disk, Kind, TooLarge
from tests.builders.disk import DiskFault, Does, FaultyDisk


def test_write_new_returns_the_hash_of_what_it_read_back(tmp_path: Path) -> None:
    # SHA-256 of "abc": FIPS 180-4, example in NIST's "SHA256.pdf" (value from memory).
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

    assert Disk().write_new(tmp_path / "a", b"abc") == expected
    assert hashlib.sha256((tmp_path / "a").read_bytes()).hexdigest() == expected
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_write_new_never_overwrites(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"first")

    with pytest.raises(FileExistsError, match="it exists already"):
        Disk().write_new(tmp_path / "a", b"second")
    assert (tmp_path / "a").read_bytes() == b"first"


def test_a_temporary_of_a_killed_process_is_no_obstacle(tmp_path: Path) -> None:
    (tmp_path / "a.unfinished").write_bytes(b"half")
    (tmp_path / "a.unfinished").chmod(0o400)

    Disk().write_new(tmp_path / "a", b"whole")

    assert (tmp_path / "a").read_bytes() == b"whole"
    assert not (tmp_path / "a.unfinished").exists()


def test_a_temporary_that_is_a_link_is_removed_and_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_bytes(b"precious")
    (tmp_path / "a.unfinished").symlink_to(tmp_path / "elsewhere")

    Disk().write_new(tmp_path / "a", b"whole")

    assert (tmp_path / "elsewhere").read_bytes() == b"precious"


def test_write_over_replaces_in_one_step(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    Disk().write_over(tmp_path / "a", b"new")

    assert (tmp_path / "a").read_bytes() == b"new"


@pytest.mark.parametrize("write", [FaultyDisk.write_new, FaultyDisk.write_over])
def test_a_written_file_outlives_a_loss_of_power(
    tmp_path: Path, write: Callable[[FaultyDisk, Path, bytes], object]
) -> None:
    (tmp_path / "disk").mkdir()
    disk = FaultyDisk(tmp_path / "disk")
    write(disk, tmp_path / "disk" / "a", b"whole")

    disk.leave_after_power_loss(tmp_path / "left", names_synced=True, contents_synced=True)

    left = {path.name: path.read_bytes() for path in (tmp_path / "left").iterdir()}
    assert left == {"a": b"whole"}


def test_a_file_larger_than_expected_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(bytes(11))

    with pytest.raises(TooLarge, match="it has 11 bytes, and at most 10 are expected"):
        Disk().read(tmp_path / "a", at_most=10)
    assert Disk().read(tmp_path / "a", at_most=11) == bytes(11)
    assert Disk().read_back(tmp_path / "a", at_most=11) == bytes(11)


@pytest.mark.skipif(os.name != "posix", reason="named pipes are POSIX's")
def test_a_pipe_somebody_left_is_refused_and_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a")

    with pytest.raises(OSError, match="not a regular file"):
        Disk().read(tmp_path / "a", at_most=10)
    assert Disk().kind(tmp_path / "a") is Kind.OTHER


def test_a_link_is_neither_followed_nor_taken_for_a_file(tmp_path: Path) -> None:
    (tmp_path / "b").write_bytes(b"x")
    (tmp_path / "a").symlink_to(tmp_path / "b")

    assert Disk().kind(tmp_path / "a") is Kind.OTHER
    with pytest.raises(OSError, match="symbolic link"):
        Disk().read(tmp_path / "a", at_most=10)
    with pytest.raises(FileExistsError):
        Disk().move_new(tmp_path / "b", tmp_path / "a")


def test_whether_a_file_is_locked_is_asked_without_being_taken_for_the_holder(
    tmp_path: Path,
) -> None:
    disk, path = Disk(), tmp_path / "lock"
    fcntl = pytest.importorskip("fcntl", reason="Windows has no lock to ask with")
    assert not disk.is_locked(path)
    assert not path.exists()

    held = disk.lock(path)
    assert disk.is_locked(path)
    disk.close(held)

    with path.open("rb") as other:
        fcntl.flock(other, fcntl.LOCK_SH)  # as another asker does
        assert not disk.is_locked(path)


def test_one_lock_keeps_out_the_next_until_it_is_closed(tmp_path: Path) -> None:
    disk = Disk()
    held = disk.lock(tmp_path / "lock")
    with pytest.raises(BlockingIOError):
        disk.lock(tmp_path / "lock")
    disk.close(held)

    disk.close(disk.lock(tmp_path / "lock"))


def test_a_refusal_of_its_own_names_the_file_as_the_system_s_do(tmp_path: Path) -> None:
    honest = FaultyDisk(tmp_path)
    honest.write_new(tmp_path / "first", b"abc")
    lies = DiskFault(at=honest.operations.index("write") + 1, does=Does.LIE)
    disk = FaultyDisk(tmp_path, lies)
    with pytest.raises(OSError, match="read back differently") as differs:
        disk.write_new(tmp_path / "a", b"abc")
    (tmp_path / "b").write_bytes(b"abc")
    with pytest.raises(FileExistsError, match="it exists already") as taken:
        Disk().move_new(tmp_path / "b", tmp_path / "b")
    with pytest.raises(TooLarge) as large:
        Disk().read(tmp_path / "b", at_most=2)

    assert Path(differs.value.filename).name.startswith("a")
    assert taken.value.filename == large.value.filename == str(tmp_path / "b")


def test_asking_for_a_lock_leaves_no_file_open(tmp_path: Path) -> None:
    folder = Path("/proc/self/fd")
    if not folder.exists():
        pytest.skip("only Linux lists the open files of a process")
    Disk().close(Disk().lock(tmp_path / "lock"))
    before = len(list(folder.iterdir()))

    assert not Disk().is_locked(tmp_path / "lock")

    assert len(list(folder.iterdir())) == before
