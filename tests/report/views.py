"""Views of the jobs of `scene`, made once: a 16 MiB job takes half a second."""

import tempfile
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path

from flashbench.job.folder import Job
from flashbench.report.build import build_view
from flashbench.report.view import Booking, JobView
from tests.report import scene

JOBS: dict[str, Callable[[Path], Job]] = {
    "identified": scene.a_job,
    "dumped": scene.a_dumped_job,
    "edited": scene.an_edited_job,
    "half written": scene.a_half_written_job,
    "written": scene.a_written_job,
    "restored": scene.a_restored_job,
    "second round": scene.a_second_round,
    "doubtful reads": scene.a_job_with_doubtful_reads,
    "practice": partial(scene.a_written_job, practice=True, label="practice board 7"),
}


@cache
def view_of(name: str, booking: Booking | None = None) -> JobView:
    with tempfile.TemporaryDirectory() as folder, JOBS[name](Path(folder) / "job") as job:
        return build_view(job, booking=booking) if booking else build_view(job)
