"""The command that says where a job stands, from its folder alone: `next`."""

from pathlib import Path
from typing import TYPE_CHECKING

from flashbench.cli.jobs import opened_job
from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed

if TYPE_CHECKING:
    from flashbench.safe_write.steps import NextStep


def next_(job: JobArgument, json: JsonOption = False) -> None:
    """Say what is proven of a job, and which command comes next.

    \b
      flashbench next board-17

    The first thing to run after an accident. Needs no adapter.

    For a board that was told not to boot, also what to look at, in order.

    With --json: label, proven (sentences), command, why, checks (sentences).
    """
    with command(json=json) as output:
        next_at(output, job)


def next_at(output: Output, folder: Path) -> None:
    """What `next` does, for a board that was only booked in too."""
    from flashbench.job.booking import booked_in
    from flashbench.job.refusals import JobMissing
    from flashbench.safe_write import steps

    try:
        with opened_job(output, folder) as job:
            _say(output, steps.next_step(job))
    except JobMissing:
        booked = booked_in(folder)
        if booked is None:
            raise
        output.label = booked.label
        _say(output, steps.next_when_booked_in(folder))


def _say(output: Output, coming: "NextStep") -> None:
    output.facts = {
        "label": output.label,
        "proven": list(coming.proven),
        "command": coming.command,
        "why": coming.why,
        "checks": list(coming.checks),
    }
    output.say(output.label)
    output.rows(
        [
            *listed("proven", coming.proven or ("nothing yet",)),
            *listed("look at", coming.checks),
            ("next", coming.command),
            ("because", coming.why),
        ]
    )
    output.say(f"{output.label}: nothing was sent to a chip.")
