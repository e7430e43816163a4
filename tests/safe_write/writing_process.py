"""A process of its own that writes an image: `python -m tests.safe_write.writing_process ...`.

Arguments: the bench's folder, the job's folder, the image's file. Its bench may kill it.
"""

import sys
from pathlib import Path

import flashbench as fb


def main(bench: str, job_folder: str, image: str) -> None:
    with fb.open_url(f"rehearsal:{bench}", clock_hz=30_000_000) as adapter:
        chip = fb.identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)
        with fb.Job.open(Path(job_folder)) as job:
            plan = fb.plan_rewrite(chip, fb.reload_backup(job), Path(image).read_bytes())
            fb.verify(fb.rewrite(plan))


if __name__ == "__main__":
    main(*sys.argv[1:])
