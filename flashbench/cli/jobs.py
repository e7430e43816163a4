"""Opening the job of a command: whose it is, and what has changed in its folder since."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from flashbench.cli.output import Output
from flashbench.errors import FlashbenchError

if TYPE_CHECKING:
    from flashbench.job.folder import Job


@contextmanager
def opened_job(output: Output, folder: Path) -> Iterator["Job"]:
    """The job in `folder`, open; what is said bears its label. Raises what `Job.open` raises."""
    from flashbench.job.folder import Job

    with Job.open(folder) as job:
        greet(output, job)
        yield job


def greet(output: Output, job: "Job") -> None:
    """Put the job's label on all that is said, list its photos, and say what is odd.

    Neither photos nor intake are evidence: nothing about them stops a command, and while a
    write is unfinished they are left alone.
    """
    output.label = job.label
    output.job_half_written = job.unfinished() is not None
    if output.job_half_written:
        return
    try:
        noticed = job.list_photos().sentences()
        doubt = job.load_intake().doubt
    except FlashbenchError as error:
        noticed, doubt = (f"The photos were not listed. {error.seen}",), None
    for sentence in (*noticed, *([doubt] if doubt else [])):
        output.warn(sentence)
