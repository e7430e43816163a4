"""`flashbench outcome`: what became of the board, told by whoever tried it."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed, many
from flashbench.errors import WrongCall
from flashbench.wording import command_line

if TYPE_CHECKING:
    from flashbench.job.events import OutcomeTold

_MEMORY = re.compile(r"(?P<number>\d+(?:[.,]\d+)?) ?(?P<unit>Gbit|GB|MB)")
_GBIT = {"Gbit": 1.0, "GB": 8.0, "MB": 8 / 1024}


def memory_gbit(text: str) -> int:
    """Memory as people write it, in Gbit: "16 GB", "128Gbit", "512MB". A bare "G" is asked back."""
    match = _MEMORY.fullmatch(text.strip())
    if match is None:
        raise typer.BadParameter(
            f"{text!r} can be taken in two ways, or none. Write 8GB, 64Gbit or 512MB."
        )
    gbit = float(match["number"].replace(",", ".")) * _GBIT[match["unit"]]
    if gbit < 1 or gbit != int(gbit):
        raise typer.BadParameter(
            f"{text!r} is no size that packages come in. Write what is fitted in all, as the"
            " board shows it: 8GB, 64Gbit or 512MB."
        )
    return int(gbit)


def outcome(
    job: JobArgument,
    boots: Annotated[
        bool,
        typer.Option(
            "--boots",
            show_default=False,
            help="The board starts. Without this and the next, what was told so far is shown.",
        ),
    ] = False,
    does_not_boot: Annotated[
        bool,
        typer.Option("--does-not-boot", show_default=False, help="The board does not start."),
    ] = False,
    memory: Annotated[
        int | None,
        typer.Option(
            "--memory",
            metavar="SIZE",
            parser=memory_gbit,
            show_default=False,
            help="The memory that the board itself shows, in all: 16GB, 128Gbit.",
        ),
    ] = None,
    test_hours: Annotated[
        float | None,
        typer.Option(
            "--test-hours",
            metavar="HOURS",
            show_default=False,
            help="How long a memory test ran on the board; 0: none was run.",
        ),
    ] = None,
    errors: Annotated[
        int | None,
        typer.Option(
            "--errors",
            metavar="COUNT",
            min=0,
            show_default=False,
            help="How many errors that memory test found.",
        ),
    ] = None,
    note: Annotated[
        str | None,
        typer.Option(
            "--note",
            metavar="TEXT",
            show_default=False,
            help="One line for the shelf's page.",
        ),
    ] = None,
    round_number: Annotated[
        int | None,
        typer.Option(
            "--round",
            metavar="N",
            min=1,
            show_default=False,
            help="The round whose chip the board was tried with. Default: the last proven one.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Tell what became of the board. Until then only the chip is proven.

    \b
      flashbench outcome board-17 --boots --memory 16GB --test-hours 4 --errors 0
      flashbench outcome board-17 --does-not-boot
      flashbench outcome board-17

    Needs no adapter. The report says what was told, and for a board that stays dark you get
    what to look at next, in order. Memory that is not what the edit makes of the board is
    remarked. It can be told again: the last word counts.

    With --json: label, round, told (false while nothing was), boots, memory_shown_gbit,
    test_hours, test_errors, note, remark (or null), checks (what to look at, in order), command.
    """
    with command(json=json) as output:
        if boots and does_not_boot:
            raise WrongCall(
                "Both --boots and --does-not-boot were said.",
                next_step="Say the one that the board does.",
            )
        told = boots or does_not_boot
        if not told and (memory, test_hours, errors, note) != (None, None, None, None):
            raise WrongCall(
                "Whether the board starts was not said.",
                next_step="Add --boots or --does-not-boot.",
            )
        outcome_at(
            output,
            job,
            boots=boots if told else None,
            memory_shown_gbit=memory,
            test_hours=test_hours,
            test_errors=errors,
            note=note,
            round_number=round_number,
        )


def outcome_at(
    output: Output,
    folder: Path,
    *,
    boots: bool | None,
    memory_shown_gbit: int | None = None,
    test_hours: float | None = None,
    test_errors: int | None = None,
    note: str | None = None,
    round_number: int | None = None,
) -> None:
    """What `outcome` does. `boots` None: it only shows what was told."""
    from flashbench.job.folder import Job
    from flashbench.job.outcome import outcome_of, record_outcome, remark_on_outcome
    from flashbench.safe_write.next_step import next_step
    from flashbench.safe_write.steps import outranked_by_unfinished

    with Job.open(folder) as job, outranked_by_unfinished(job):
        output.label = job.label
        if boots is None:
            told = outcome_of(job, round_number=round_number)
        else:
            told = record_outcome(
                job,
                boots=boots,
                memory_shown_gbit=memory_shown_gbit,
                test_hours=test_hours,
                test_errors=test_errors,
                note=note,
                round_number=round_number,
            )
        coming = next_step(job)
        number = told.round_number if told else round_number or job.round_number
        output.facts = _facts(told) | {
            "label": job.label,
            "round": number,
            "checks": list(coming.checks),
            "command": coming.command,
        }
        output.say(f"{job.label}, round {number}: {outcome_text(told)}")
        remark = remark_on_outcome(job, round_number=number)
        output.facts["remark"] = remark
        if remark is not None:
            output.say(f"{job.label}: but {remark}.")
        rows = listed("look at", coming.checks)
        output.rows([*rows, ("next", coming.command), ("because", coming.why)])
        if told is None:
            words = "--boots --memory 16GB --test-hours 4 --errors 0"
            output.rows(
                [
                    ("it starts", f"{command_line('outcome', folder)} {words}"),
                    ("it does not", command_line("outcome", folder, "--does-not-boot")),
                ]
            )
        output.say(f"{job.label}: nothing was sent to a chip.")


def outcome_text(told: "OutcomeTold | None") -> str:
    """What was told of a board, in one sentence or two."""
    if told is None:
        return "nobody has told yet what became of the board."
    said = ["the board boots." if told.boots else "the board does not boot."]
    if told.memory_shown_gbit is not None:
        said.append(f"It shows {told.memory_shown_gbit / 8:g} GB.")
    if told.test_hours is not None:
        errors = many(told.test_errors or 0, "error")
        said.append(f"A memory test of {told.test_hours:g} h found {errors}.")
    if told.note is not None:
        said.append(told.note)
    return " ".join(said)


def _facts(told: "OutcomeTold | None") -> dict[str, Any]:
    if told is None:
        return {"told": False}
    return {
        "told": True,
        "boots": told.boots,
        "memory_shown_gbit": told.memory_shown_gbit,
        "test_hours": told.test_hours,
        "test_errors": told.test_errors,
        "note": told.note,
    }
