"""A few bytes for each sector of a stored image, so that images are compared without reading them.

`round-N/original.bin.sectors` (and `image-N.bin.sectors`) is text:

    sectors of 4096 bytes, the first 8 bytes of each one's sha256
    of 4f1c...                  the sha256 of the whole image
    9a0b1c2d3e4f5061            one line a sector, ascending

It says nothing that the image does not say, is made again whenever it is missing or not whole, and
is evidence of nothing: what it points at is read and hashed before it counts.
"""

import hashlib
from contextlib import suppress
from pathlib import Path
from typing import Final

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_files import RoundFiles, read_whole

SECTOR_BYTES: Final = 4096
DIGEST_BYTES: Final = 8

_FIRST_LINE: Final = "sectors of 4096 bytes, the first 8 bytes of each one's sha256"
_FILE_BYTES_MAX: Final = 4 << 20


def digest_sectors(image: bytes) -> bytes:
    """`DIGEST_BYTES` for each sector of `image`, in order."""
    view = memoryview(image)
    return b"".join(
        hashlib.sha256(view[start : start + SECTOR_BYTES]).digest()[:DIGEST_BYTES]
        for start in range(0, len(image), SECTOR_BYTES)
    )


def encode(digests: bytes, *, sha256: str) -> bytes:
    """The text of a sector file for the image with this hash."""
    lines = [_FIRST_LINE, f"of {sha256}"]
    lines += [
        digests[start : start + DIGEST_BYTES].hex()
        for start in range(0, len(digests), DIGEST_BYTES)
    ]
    return ("\n".join(lines) + "\n").encode()


def decode(data: bytes, *, sha256: str, size: int) -> bytes | None:
    """The digests in a sector file, or None if it is not that of an image of this hash and size."""
    head = f"{_FIRST_LINE}\nof {sha256}\n".encode()
    count = -(-size // SECTOR_BYTES)
    line_bytes = 2 * DIGEST_BYTES + 1
    if not data.startswith(head) or len(data) != len(head) + count * line_bytes:
        return None
    try:
        digests = bytes.fromhex(data[len(head) :].decode("ascii"))
    except ValueError:
        return None
    return digests if len(digests) == count * DIGEST_BYTES else None


def keep_sectors(round_folder: Path, file: str, image: bytes, *, disk: Disk | None = None) -> None:
    """Put the sector file of `image`, stored as `file`, beside it. A refusing disk is let be."""
    sha256 = hashlib.sha256(image).hexdigest()
    with suppress(OSError):
        _write(disk or Disk(), round_folder, file, digest_sectors(image), sha256=sha256)


def load_sectors(
    round_folder: Path, file: str, *, sha256: str, size: int, disk: Disk | None = None
) -> bytes | None:
    """The digests of the image stored as `file`; None while nobody has made them."""
    path = round_folder / (file + layout.SECTORS_SUFFIX)
    try:
        data = read_whole(disk or Disk(), path, at_most=_FILE_BYTES_MAX)
    except (JobDamaged, OSError):
        return None
    return decode(data, sha256=sha256, size=size)


def make_sectors(
    round_folder: Path, file: str, *, sha256: str, disk: Disk | None = None
) -> bytes | None:
    """Read the image stored as `file` and keep its digests; None if it is not as it was saved."""
    disk = disk or Disk()
    try:
        image = RoundFiles(disk, round_folder).load(file, sha256)
    except (JobDamaged, OSError):
        return None
    digests = digest_sectors(image)
    with suppress(OSError):
        _write(disk, round_folder, file, digests, sha256=sha256)
    return digests


def _write(disk: Disk, round_folder: Path, file: str, digests: bytes, *, sha256: str) -> None:
    path = round_folder / (file + layout.SECTORS_SUFFIX)
    if disk.kind(path) in (Kind.ABSENT, Kind.FILE):
        disk.write_over(path, encode(digests, sha256=sha256))
