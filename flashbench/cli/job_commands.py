"""The command that says where a job stands, from its folder alone: `next`."""

from pathlib import Path

from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed


def next_(job: JobArgument, json: JsonOption = False) -> None:
    """Say what is proven of a job, and which command comes next.

    \b
      flashbench next board-17

    The first thing to run after an accident. Needs no adapter.

    With --json: label, proven (sentences), command, why.
    """
    with command(json=json) as output:
        next_at(output, job)


def next_at(output: Output, folder: Path) -> None:
    """What `next` does."""
    from flashbench.job.folder import Job
    from flashbench.safe_write import steps

    with Job.open(folder) as job:
        output.label = job.label
        coming = steps.next_step(job)
        output.facts = {
            "label": job.label,
            "proven": list(coming.proven),
            "command": coming.command,
            "why": coming.why,
        }
        output.say(job.label)
        output.rows(
            [
                *listed("proven", coming.proven or ("nothing yet",)),
                ("next", coming.command),
                ("because", coming.why),
            ]
        )
        output.say(f"{job.label}: nothing was sent to a chip.")
