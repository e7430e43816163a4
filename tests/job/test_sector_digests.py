"""The digests of an image's sectors that lie beside it: what is kept, and what is not believed."""

import hashlib
from pathlib import Path

import pytest

from flashbench.job.sector_digests import (
    decode,
    digest_sectors,
    encode,
    keep_sectors,
    load_sectors,
    make_sectors,
)
from tests.builders.disk import DiskFault, Does, FaultyDisk

IMAGE = bytes(range(256)) * 16 + b"\xff" * 4096 + b"end"
SHA256 = hashlib.sha256(IMAGE).hexdigest()
DIGESTS = b"".join(
    hashlib.sha256(sector).digest()[:8] for sector in (IMAGE[:4096], IMAGE[4096:8192], b"end")
)
TEXT = (
    "sectors of 4096 bytes, the first 8 bytes of each one's sha256\n"
    f"of {SHA256}\n{DIGESTS[:8].hex()}\n{DIGESTS[8:16].hex()}\n{DIGESTS[16:].hex()}\n"
)


def load(folder: Path, *, sha256: str = SHA256, size: int = len(IMAGE)) -> bytes | None:
    return load_sectors(folder, "original.bin", sha256=sha256, size=size)


def test_each_sector_has_a_digest_and_the_last_one_may_be_short() -> None:
    assert digest_sectors(IMAGE) == DIGESTS
    assert digest_sectors(b"") == b""


def test_the_file_is_text_that_names_its_image() -> None:
    assert encode(DIGESTS, sha256=SHA256) == TEXT.encode()
    assert decode(TEXT.encode(), sha256=SHA256, size=len(IMAGE)) == DIGESTS


@pytest.mark.parametrize(
    "text",
    [
        "",
        TEXT[1:],
        TEXT[:-1],
        TEXT + "\n",
        TEXT.replace(SHA256, "0" * 64),
        TEXT.replace(DIGESTS[:8].hex(), DIGESTS[:7].hex() + "xy"),
        TEXT.replace(DIGESTS[:8].hex(), DIGESTS[:7].hex() + "  "),
        TEXT.replace(DIGESTS[:8].hex(), DIGESTS[:7].hex() + "\xe9"),
    ],
)
def test_another_text_is_not_believed(text: str) -> None:
    assert decode(text.encode(), sha256=SHA256, size=len(IMAGE)) is None


@pytest.mark.parametrize("size", [8192, 8191, 12289])
def test_the_digests_of_an_image_of_another_size_are_not_believed(size: int) -> None:
    assert decode(TEXT.encode(), sha256=SHA256, size=size) is None


def test_what_is_kept_is_loaded_for_that_image_only(tmp_path: Path) -> None:
    assert load(tmp_path) is None

    keep_sectors(tmp_path, "original.bin", IMAGE)

    assert [path.read_text() for path in tmp_path.iterdir()] == [TEXT]
    assert load(tmp_path) == DIGESTS
    assert load(tmp_path, sha256="0" * 64) is None


def test_what_is_missing_is_made_from_an_image_that_is_as_it_was_saved(tmp_path: Path) -> None:
    (tmp_path / "original.bin").write_bytes(IMAGE)

    assert make_sectors(tmp_path, "original.bin", sha256="0" * 64) is None
    assert make_sectors(tmp_path, "image-1.bin", sha256=SHA256) is None
    assert load(tmp_path) is None
    assert make_sectors(tmp_path, "original.bin", sha256=SHA256) == DIGESTS
    assert load(tmp_path) == DIGESTS


def test_a_disk_that_refuses_costs_the_digests_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "original.bin").write_bytes(IMAGE)
    disk = FaultyDisk(tmp_path)
    disk.fault = DiskFault(at=1, does=Does.READ_ONLY, from_then_on=True)

    keep_sectors(tmp_path, "original.bin", IMAGE, disk=disk)
    made = make_sectors(tmp_path, "original.bin", sha256=SHA256, disk=disk)
    disk.fault = None

    assert made is None
    assert load(tmp_path) is None


def test_a_link_in_their_place_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_bytes(b"not ours")
    keep_sectors(tmp_path, "original.bin", IMAGE)
    (path,) = (one for one in tmp_path.iterdir() if one.name != "elsewhere")
    path.unlink()
    path.symlink_to(tmp_path / "elsewhere")

    keep_sectors(tmp_path, "original.bin", IMAGE)

    assert (tmp_path / "elsewhere").read_bytes() == b"not ours"
    assert path.is_symlink()
