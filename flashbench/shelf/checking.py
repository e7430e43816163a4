"""All hashes of all jobs on the shelf, one job after the other. Changes nothing."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from flashbench.job.check import Finding, check_folder
from flashbench.job.disk import Disk, Kind
from flashbench.progress import Progress, silent
from flashbench.shelf.entry import Entry

STEP: Final = "check"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A job and everything in it that is not as it was saved."""

    entry: Entry
    findings: tuple[Finding, ...]

    @property
    def damaged(self) -> bool:
        """Whether something that was saved is lost, changed or doubtful."""
        return any(finding.damaged for finding in self.findings)


def check_entries(
    entries: Sequence[Entry], *, disk: Disk | None = None, progress: Progress = silent
) -> Iterator[Checked]:
    """Check each of `entries`; `progress` counts bytes. A job that cannot be read is a finding."""
    disk = disk or Disk()
    sizes = [sum(image.size for image in entry.images) for entry in entries]
    done = 0
    for entry, size in zip(entries, sizes, strict=True):
        progress(STEP, done, sum(sizes), None)
        yield Checked(entry=entry, findings=_findings(disk, entry))
        done += size
    progress(STEP, done, sum(sizes), None)


def _findings(disk: Disk, entry: Entry) -> tuple[Finding, ...]:
    try:
        if disk.kind(entry.folder) is not Kind.FOLDER:
            return (_whole_job("the folder is gone"),)
        found = check_folder(entry.folder, disk=disk)
    except (OSError, ValueError, RecursionError) as error:
        found = (_whole_job(f"cannot be checked: {error}"),)
    return found if entry.damage is None else (_whole_job(entry.damage), *found)


def _whole_job(seen: str) -> Finding:
    return Finding(path=".", seen=seen, damaged=True)
