"""`flashbench spare`: a chip for sale or stock, programmed from a job, and its label."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flashbench.cli.bench import demand_someone_to_ask
from flashbench.cli.jobs import opened_job
from flashbench.cli.new_chip import ChipLabelOption, ChipOfOption, given_up_board, spare_of
from flashbench.cli.options import (
    BenchOptions,
    ImageOption,
    JobArgument,
    JsonOption,
    WorkingClockOption,
    YesOption,
    with_bench_options,
)
from flashbench.cli.output import Output, command, size_text
from flashbench.cli.strangers import naming_strangers
from flashbench.cli.working_clock import other_chip_to_work_on
from flashbench.cli.writing import agree_and_write
from flashbench.errors import WrongCall

if TYPE_CHECKING:
    from flashbench.job.folder import Job
    from flashbench.shelf.spare import SpareLabel

_LABEL_COLUMNS = 34
_OF_ANOTHER_BOARD = "Name another job of the same model: --also-on OTHERJOB"


@with_bench_options(before="yes", clock=WorkingClockOption)
def spare(
    options: BenchOptions,
    job: JobArgument,
    image: ImageOption = None,
    also_on: Annotated[
        list[Path] | None,
        typer.Option(
            "--also-on",
            metavar="OTHERJOB",
            show_default=False,
            help="A job of another board: numbers that both have are no customer's. Repeatable.",
        ),
    ] = None,
    chip_of: ChipOfOption = None,
    chip_label: ChipLabelOption = None,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Program a spare chip from a job, and print its label.

    \b
      flashbench spare board-17 --image 2 --supply 3.3
      flashbench spare board-17 --supply 3.3 --also-on board-9

    Refused while serial numbers, network addresses or UUIDs are found in the image that could
    be a customer's own. What the chip holds is read twice and kept first, and every byte is
    read back. The board's own chip is never taken for a spare, and what the job says of its
    board stays as it is.

    With --json (needs --yes): as for write, and spare_label (part, supply_volts, size_bytes,
    code, date, pin_1).
    """
    with command(json=json, traceback=options.trace is not None) as output:
        spare_at(
            output,
            job,
            options,
            image=image,
            also_on=tuple(also_on or ()),
            chip_of=chip_of,
            chip_label=chip_label,
            yes=yes,
        )


def spare_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    image: int | None = None,
    also_on: tuple[Path, ...] = (),
    chip_of: Path | None = None,
    chip_label: str | None = None,
    yes: bool,
) -> None:
    """What `spare` does."""
    from dataclasses import asdict

    from flashbench.job.journal import system_now
    from flashbench.safe_write import steps
    from flashbench.shelf.owner import refuse_chip_of_a_board
    from flashbench.shelf.spare import plan_spare, refuse_identity, spare_label

    demand_someone_to_ask(output, yes=yes)
    _refuse_same_job(also_on, folder)
    with opened_job(output, folder) as job, steps.outranked_by_unfinished(job):
        others = [_original_of_another(each, job) for each in also_on]
        target = _target(job, image)
        refuse_identity(target, job, others=others)  # before any pin is driven

        with (
            given_up_board(output, chip_of, label=chip_label) as other,
            other_chip_to_work_on(output, options, job) as at,
        ):
            nobodys = refuse_chip_of_a_board(at.chip, job, given_up=chip_of, progress=at.progress)
            with naming_strangers(at, job), spare_of(nobodys.spare_of, other) as chips_job:
                plan = plan_spare(
                    at.chip,
                    job,
                    target=target,
                    others=others,
                    chip_of=chips_job,
                    progress=at.progress,
                )
            agree_and_write(output, at, plan, doubts=nobodys.not_compared, yes=yes)
            label = spare_label(plan, date=system_now().date().isoformat())
            output.facts["spare_label"] = asdict(label) | {"pin_1": "at the dot"}
            output.block(label_text(label))


def label_text(label: "SpareLabel") -> str:
    """The label as it is printed: the dot stands where the chip's pin 1 does."""
    low, high = label.supply_volts
    lines = [
        "o  pin 1 at the dot",
        label.part,
        f"{low:g} to {high:g} V",
        size_text(label.size_bytes),
        f"image {label.code}",
        label.date,
    ]
    edge = "+" + "-" * _LABEL_COLUMNS + "+"
    inner = [f"| {line[: _LABEL_COLUMNS - 2]:<{_LABEL_COLUMNS - 2}} |" for line in lines]
    return "\n".join([edge, *inner, edge])


def _target(job: "Job", number: int | None) -> bytes:
    return job.target if number is None else job.load_image(number)


def _refuse_same_job(also_on: tuple[Path, ...], spare_from: Path) -> None:
    """Raises `WrongCall` if one of the other boards' jobs is this very job."""
    if spare_from.resolve() in (each.resolve() for each in also_on):
        raise WrongCall(
            "What two boards share is found in the job of another board; this is the same job.",
            next_step=_OF_ANOTHER_BOARD,
        )


def _original_of_another(folder: Path, spare_from: "Job") -> bytes:
    """The original of another board's job. Raises `WrongCall` if it is of the same board."""
    from flashbench.job.folder import Job
    from flashbench.shelf.spare import same_board

    with Job.open(folder) as job:
        why = same_board(spare_from, job)
        if why is not None:
            raise WrongCall(
                f"Job {job.label} is of the same board as job {spare_from.label}: {why}. What"
                " two boards share is found in the job of another board.",
                next_step=_OF_ANOTHER_BOARD,
            )
        return job.load_original().data
