"""`flashbench guide`: the whole job at a terminal, one question at a time.

The guide has no rules of its own. It finds out where the job stands, says the cautions of the
step that comes next, asks for what the step's command needs, and runs that command's function.
"""

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from flashbench.cli.options import (
    AdapterOption,
    BenchOption,
    BenchOptions,
    DatasheetSupplyOption,
    JobArgument,
    JsonOption,
    MarkingOption,
    SupplyOption,
    TraceOption,
    WorkingClockOption,
)
from flashbench.cli.output import Output, command
from flashbench.cli.terminal import someone_reads_and_answers
from flashbench.errors import WrongCall
from flashbench.wording import command_line

if TYPE_CHECKING:
    from flashbench.cli.guide.course import Standing


def guide(
    job: JobArgument,
    adapter: AdapterOption = None,
    bench: BenchOption = None,
    supply: SupplyOption = None,
    datasheet_supply: DatasheetSupplyOption = None,
    marking: MarkingOption = None,
    clock: WorkingClockOption = None,
    trace: TraceOption = None,
    json: JsonOption = False,
) -> None:
    """Lead through the whole job, step by step at the terminal.

    \b
      flashbench guide board-17
      flashbench guide board-17 --adapter rehearsal:practice/bench

    Begins before anything is heated and ends with the report. One question at a time: type ?
    for what you do not know, and leave to go on another day. Everything is kept in the job's
    folder, and the guide goes on where the job stands, whoever did the last step and how.

    With --json nothing is asked: label, step (what comes next, or null), steps (key, title,
    done).
    """
    options = BenchOptions(
        adapter=adapter,
        bench=bench,
        supply=supply,
        datasheet_supply=datasheet_supply,
        marking=marking,
        clock=clock,
        trace=trace,
    )
    try:
        with command(json=json, traceback=trace is not None) as output:
            guide_at(output, job, options)
    except OSError as error:
        # The terminal is gone, and with it everybody who could be told.
        with suppress(OSError):
            sys.stdout.close()
        raise typer.Exit(130) from error


def guide_at(output: Output, folder: Path, options: BenchOptions) -> None:
    """What `guide` does."""
    from flashbench.cli.guide.sitting import Sitting

    sitting = Sitting(output, folder, options)
    if output.json:
        output.facts = _facts(sitting.standing())
        return
    if not someone_reads_and_answers():
        commands = "intake, lookup, check-contact, identify, dump, inspect, edit, write, outcome"
        raise WrongCall(
            "The guide asks at a terminal, and there is none.",
            next_step=f"Run it at a terminal, or the commands one by one: {commands}, report;"
            f" {command_line('next', folder)} names the next.",
        )
    sitting.run()


def _facts(standing: "Standing") -> dict[str, Any]:
    from flashbench.cli.guide.course import COURSE, TITLES, Step, coming, is_done

    step = coming(standing)
    return {
        "label": standing.label,
        "step": step.value if step else None,
        "steps": [
            {"key": each.value, "title": TITLES[each], "done": is_done(each, standing)}
            for each in (COURSE if step is not Step.RECOVER else (Step.RECOVER, *COURSE))
        ],
    }
