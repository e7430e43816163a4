"""The command that says where a job stands, from its folder alone: `next`."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flashbench.cli.jobs import opened_job
from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed, many
from flashbench.errors import CheckFailed
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.safe_write.next_step import NextStep


def next_(
    job: JobArgument,
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            show_default=False,
            help="Instead: check every file of the job against its journals. Status 1 on damage.",
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Say what is proven of a job, and which command comes next.

    \b
      flashbench next board-17
      flashbench next board-17 --check

    The first thing to run after an accident. Needs no adapter. In a later round, whether round
    1's original is still as it was saved; all the other files with --check.

    For a board that was told not to boot, also what to look at, in order.

    With --json: label, proven (sentences), command, why, checks (sentences); with --check
    instead folder, damage and notes (path, seen).
    """
    with command(json=json, only_tells=True) as output:
        if check:
            check_at(output, job)
        else:
            next_at(output, job)


def check_at(output: Output, folder: Path) -> None:
    """What `next --check` does. Takes no lock, opens nothing for writing, makes nothing again.

    Raises:
        CheckFailed: something is damaged.
    """
    from flashbench.job.check import can_be_checked, check_folder, way_back
    from flashbench.job.refusals import JobMissing

    if not can_be_checked(folder):
        raise JobMissing(
            f"There is no job in {quoted(folder)}.",
            next_step="Name the folder of a job.",
        )
    findings = check_folder(folder)
    damage = [one for one in findings if one.damaged]
    notes = [one for one in findings if not one.damaged]
    output.facts = {
        "folder": str(folder),
        "damage": [{"path": one.path, "seen": one.seen} for one in damage],
        "notes": [{"path": one.path, "seen": one.seen} for one in notes],
    }
    rows = listed("damaged", [f"{one.path}: {one.seen}" for one in damage])
    rows += listed("note", [f"{one.path}: {one.seen}" for one in notes])
    if not damage:
        rows.append(("damaged", "nothing: every file is as its journal says"))
    output.rows(rows)
    if damage:
        raise CheckFailed(
            f"{quoted(folder)} has {many(len(damage), 'damaged thing')} in it, first"
            f" {damage[0].path}: {damage[0].seen}.",
            next_step=way_back(folder, damage),
        )


def next_at(output: Output, folder: Path) -> None:
    """What `next` does, for a board that was only booked in too."""
    from flashbench.job.booking import booked_in
    from flashbench.job.refusals import JobMissing
    from flashbench.safe_write.next_step import (
        next_step,
        next_when_booked_in,
        said_of_older_rounds,
    )

    try:
        with opened_job(output, folder) as job:
            coming = next_step(job)
            said = (*coming.proven, *said_of_older_rounds(job))
            _say(output, replace(coming, proven=said))
    except JobMissing:
        booked = booked_in(folder)
        if booked is None:
            raise
        output.label = booked.label
        _say(output, next_when_booked_in(folder))


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
