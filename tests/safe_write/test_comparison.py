"""A chip compared with all that its job has: the whole answer, and what is refused after it."""

import hashlib
from pathlib import Path

import pytest

import flashbench as fb
from flashbench.errors import ChipHalfWritten, StrangeContents
from flashbench.job.refusals import JobDamaged
from flashbench.safe_write.comparison import Comparison, compare, demand_known
from tests.builders import bench
from tests.builders.bench import SMALL, Board, edited
from tests.builders.job import announcement

OWN = "the board's own chip"
IMAGE = edited(bench.firmware(SMALL.density_bytes), (0x5010, b"a new memory"))


def held_by(contents: bytes, folder: Path) -> Comparison:
    """What the job in `folder` says of its own chip with these contents."""
    with Board(SMALL, contents).visit() as visit, fb.Job.open(folder) as job:
        return compare(visit.identify(), job)


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A job with an image that was never written."""
    folder = bench.a_dumped_job(Board(SMALL), tmp_path / "board 17")
    with fb.Job.open(folder) as job:
        job.save_image(IMAGE, {})
    return folder


def spoil(path: Path) -> None:
    path.chmod(0o600)
    data = bytearray(path.read_bytes())
    data[77] ^= 1
    path.write_bytes(data)


def test_a_chip_equals_the_original_or_an_image(folder: Path) -> None:
    for contents, name in ((bench.firmware(1 << 20), "original"), (IMAGE, "image 1")):
        assert held_by(contents, folder) == Comparison(
            chip=OWN,
            doubts=(),
            equals=name,
            nearest=name,
            differing_bytes=0,
            first_difference=None,
            unfinished=False,
            sha256=sha256(contents),
        )


@pytest.mark.parametrize(
    ("like", "nearest"), [(bench.firmware(SMALL.density_bytes), "original"), (IMAGE, "image 1")]
)
def test_a_chip_that_equals_nothing_is_told_by_what_it_is_nearest_to(
    like: bytes, nearest: str, folder: Path
) -> None:
    contents = edited(like, (0x8F120, bytes([like[0x8F120] ^ 1])), (0x90000, b"\xa5\x5a"))

    held = held_by(contents, folder)

    assert held == Comparison(
        chip=OWN,
        doubts=(),
        equals=None,
        nearest=nearest,
        differing_bytes=3,
        first_difference=0x8F120,
        unfinished=False,
        sha256=sha256(contents),
    )
    with fb.Job.open(folder) as job, pytest.raises(StrangeContents) as refused:
        demand_known(held, job)
    assert refused.value.seen == (
        "The chip holds neither the original nor an image of job board 17: 3 bytes differ from"
        f" {nearest}, first at 0x08f120."
    )
    assert refused.value.next_step == (
        f"If the board ran since, dump it again in a new round: flashbench dump '{folder}' --again"
    )


def test_what_is_unfinished_is_not_known_whatever_the_cells_read(folder: Path) -> None:
    with fb.Job.open(folder) as job:
        job.announce(announcement(target=IMAGE))
    held = held_by(IMAGE, folder)

    assert (held.equals, held.unfinished) == ("image 1", True)
    with fb.Job.open(folder) as job, pytest.raises(ChipHalfWritten) as refused:
        demand_known(held, job)
    assert refused.value.seen == "A write of job board 17 was begun and is not proven."
    assert refused.value.next_step == (
        f"Run: flashbench finish '{folder}'  (or: flashbench restore '{folder}')"
    )


def test_what_is_known_and_proven_passes(folder: Path) -> None:
    held = held_by(IMAGE, folder)
    with fb.Job.open(folder) as job:
        demand_known(held, job)


def test_a_damaged_image_is_not_compared_with_and_the_chip_may_still_be_known(
    folder: Path,
) -> None:
    spoil(folder / "round-1" / "image-1.bin")

    held = held_by(bench.firmware(1 << 20), folder)

    assert held.equals == "original"
    assert len(held.doubts) == 1
    assert held.doubts[0].startswith("Not compared with: image-1.bin in round-1 was changed")


def test_without_its_original_a_chip_is_known_by_an_image_or_called_nobody_s(folder: Path) -> None:
    spoil(folder / "round-1" / "original.bin")

    assert held_by(IMAGE, folder).equals == "image 1"
    with pytest.raises(JobDamaged, match=r"original\.bin"):
        held_by(edited(IMAGE, (0x90000, b"\xa5\x5a")), folder)


def test_with_no_file_as_saved_there_is_nothing_to_compare_with(folder: Path) -> None:
    for name in ("original.bin", "image-1.bin"):
        spoil(folder / "round-1" / name)

    with pytest.raises(JobDamaged, match=r"original\.bin"):
        held_by(IMAGE, folder)
