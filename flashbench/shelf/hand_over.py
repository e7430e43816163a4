"""One job in one file, to be handed over: a ZIP archive that carries the hashes of what is in it.

Any ZIP program opens it, and `sha256sum -c SHA256SUMS` in the unpacked folder proves it.
"""

import hashlib
import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from flashbench.errors import CheckFailed, WrongCall
from flashbench.job import journal, layout
from flashbench.job.check import check_folder
from flashbench.job.disk import UNFINISHED_SUFFIX, Disk, Kind
from flashbench.job.lock import CHIP_LOCK, LOCK, JobLock
from flashbench.job.refusals import disk_refused
from flashbench.wording import quoted

SUMS: Final = "SHA256SUMS"
_NOT_PACKED: Final = (LOCK, CHIP_LOCK, journal.RESERVE)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver:
    """The archive, read back and found to hold every file as it is in the job."""

    path: Path
    sha256: str
    file_count: int
    byte_count: int  # of the files, unpacked


def hand_over(folder: Path, archive: Path, *, disk: Disk | None = None) -> HandedOver:
    """Pack the job in `folder` into a new file `archive`, for its owner's eyes only.

    Raises:
        CheckFailed: something in the job is not as it was saved, or the archive reads back wrong.
        WrongCall: `archive` exists.
        JobInUse: another process works on the job.
        ChipUntouched: the disk refused.
    """
    disk = disk or Disk()
    if disk.kind(archive) is not Kind.ABSENT:
        raise WrongCall(
            f"{quoted(archive)} exists already.", next_step="Name a file that is new: --to FILE."
        )
    lock = JobLock.take(disk, folder)
    try:
        _refuse_damage(disk, folder)
        return _pack(disk, folder, archive)
    except OSError as error:
        raise disk_refused(f"packing {quoted(folder)}", error, unfinished=False) from error
    finally:
        lock.release()


def _refuse_damage(disk: Disk, folder: Path) -> None:
    damage = [finding for finding in check_folder(folder, disk=disk) if finding.damaged]
    if damage:
        raise CheckFailed(
            f"{damage[0].path} {damage[0].seen}: a damaged job is not handed over as a whole one.",
            next_step="Put the file back from a second copy, or hand over the folder as it is.",
        )


def _pack(disk: Disk, folder: Path, archive: Path) -> HandedOver:
    sums: dict[str, str] = {}
    byte_count = 0
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in _files(disk, folder):
            data = disk.read(folder / name, at_most=layout.IMAGE_BYTES_MAX)
            packed.writestr(f"{folder.name}/{name}", data)
            sums[name] = hashlib.sha256(data).hexdigest()
            byte_count += len(data)
        packed.writestr(f"{folder.name}/{SUMS}", _sums_text(sums))
    _prove(whole, folder.name, sums)
    sha256 = disk.write_new(archive, whole.getvalue(), read_only=False)
    return HandedOver(path=archive, sha256=sha256, file_count=len(sums), byte_count=byte_count)


def _files(disk: Disk, folder: Path, under: str = "") -> Iterator[str]:
    """Every plain file of the job, by its path within it. Links and pipes are left out."""
    for name in disk.names(folder / under):
        path = f"{under}{name}"
        kind = disk.kind(folder / path)
        if kind is Kind.FOLDER:
            yield from _files(disk, folder, f"{path}/")
        elif kind is Kind.FILE and not (name in _NOT_PACKED or name.endswith(UNFINISHED_SUFFIX)):
            yield path


def _sums_text(sums: dict[str, str]) -> str:
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sums.items())


def _prove(whole: io.BytesIO, top: str, sums: dict[str, str]) -> None:
    with zipfile.ZipFile(whole) as packed:
        for name, sha256 in sums.items():
            if hashlib.sha256(packed.read(f"{top}/{name}")).hexdigest() != sha256:
                raise CheckFailed(
                    f"{name} comes out of the archive as something else.",
                    next_step="Pack it again; if that says the same, test this machine's memory.",
                )
