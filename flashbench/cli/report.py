"""`flashbench report`: the customer's page and the shelf's page of a job, as one HTML file."""

from pathlib import Path
from typing import Annotated

import typer

from flashbench.cli.jobs import opened_job
from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command
from flashbench.errors import WrongCall
from flashbench.wording import quoted


def report(
    job: JobArgument,
    texts: Annotated[
        Path | None,
        typer.Option(
            "--texts",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="A TOML file with the sentences in another language.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Write a page for the customer and one for the shelf. Needs no adapter.

    \b
      flashbench report board-17

    Both are in JOB/report.html, which opens in any browser and needs nothing else. The
    customer's page fills one sheet of A4 and holds no serial numbers or keys; print it as
    page 1. The shelf's page holds everything. An earlier report is replaced.

    With --json: label, file, state, best_reading (true: what was read is not proven), practice,
    changed_bytes, original_code, holds_code.
    """
    with command(json=json) as output:
        report_at(output, job, texts=texts)


def report_at(output: Output, folder: Path, *, texts: Path | None = None) -> None:
    """What `report` does."""
    from flashbench.report.booked import told_booking
    from flashbench.report.build import build_view, told_outcome
    from flashbench.report.render import render
    from flashbench.report.texts import english, parse_texts

    said = english() if texts is None else parse_texts(_read(texts))
    with opened_job(output, folder) as job:
        view = build_view(job, booking=told_booking(job), outcome=told_outcome(job))
        path = job.save_report(render(view, said))
        output.facts = {
            "label": job.label,
            "file": str(path),
            "state": view.state.value,
            "best_reading": view.best_reading is not None,
            "practice": view.practice,
            "changed_bytes": view.changes.changed_bytes if view.changes else None,
            "original_code": view.original.code if view.original else None,
            "holds_code": view.holds.code if view.holds else None,
        }
        output.say(f"{job.label}: {said(f'{view.state_key}.headline')}")
        output.rows([("report", str(path))])
        output.say(f"{job.label}: page 1 is for the customer, the rest for the shelf.")


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise WrongCall(
            f"{quoted(path)} cannot be read: {error}.",
            next_step="Name a text file in UTF-8 that you may read.",
        ) from error
