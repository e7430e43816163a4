"""A process of its own that stops in the middle of a write until it is told to go on.

    python -m tests.shelf.writing_neighbour BENCH JOB IMAGE

Says "writing" on stdout once the first cells are changed, then waits for a line on stdin.
"""

import sys
from pathlib import Path

import flashbench as fb


class WaitInTheMiddle:
    """Tells whoever started this process, and waits for a word, once."""

    def __init__(self) -> None:
        self._has_waited = False

    def __call__(self, step: str, done: int, total: int, left_s: float | None) -> None:
        if step != "writing" or done == 0 or self._has_waited:
            return
        self._has_waited = True
        sys.stdout.write("writing\n")
        sys.stdout.flush()
        sys.stdin.readline()


def main(bench: str, job_folder: str, image: str) -> None:
    with fb.open_url(f"rehearsal:{bench}", clock_hz=30_000_000) as adapter:
        chip = fb.identify(adapter, supply_volts=3.3, supply_confirmed_by_user=True)
        with fb.Job.open(Path(job_folder)) as job:
            plan = fb.plan_rewrite(chip, fb.reload_backup(job), Path(image).read_bytes())
            fb.verify(fb.rewrite(plan, progress=WaitInTheMiddle()))


if __name__ == "__main__":
    main(*sys.argv[1:])
