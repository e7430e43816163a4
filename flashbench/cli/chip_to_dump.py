"""The way to a dump, of two agreeing reads or of a best effort: which job, which chip, whose."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from flashbench.cli.bench import AtBench, chip_at_bench
from flashbench.cli.identifying import any_chip, at_first_contact, chip_of
from flashbench.cli.jobs import greet
from flashbench.cli.options import BenchOptions
from flashbench.cli.output import Output
from flashbench.errors import Interrupted, WrongCall
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.job.folder import Job


@contextmanager
def chip_to_dump(
    output: Output, folder: Path, options: BenchOptions, *, label: str | None, again: bool
) -> Iterator[tuple[AtBench, "Job"]]:
    """The chip in the socket and the open job it is dumped into: made, gone on with, or `again`.

    Raises:
        WrongCall: `label` is not the job's, or there is no folder for its folder to be in.
        StepRefused: the job has its dump, and no new round is asked for.
        OtherChip: a later round, and the chip is clearly a neighbour's on the shelf.
        ChipHalfWritten: a first dump, of a chip that a neighbour left half-written.
        FlashbenchError: whatever opening, identifying and the job's folder raise.
    """
    from flashbench.job.booking import booked_in
    from flashbench.job.making import refuse_missing_parent
    from flashbench.safe_write import steps
    from flashbench.shelf.half_written import refuse_half_written_by_neighbour
    from flashbench.shelf.owner import refuse_chip_of_another

    refuse_missing_parent(folder)
    with ExitStack() as stack:
        existing = steps.job_to_dump_into(folder, again=again)
        if existing is not None:
            stack.enter_context(existing)
            stack.enter_context(steps.outranked_by_unfinished(existing))
            greet(output, existing)
        booked = None if existing else booked_in(folder)
        known = existing or booked
        if known is not None:
            _refuse_other_label(known.label, label)
            label = known.label
        output.label = label or folder.resolve().name
        whose = any_chip(options) if existing is None else chip_of(existing, options)
        at = stack.enter_context(chip_at_bench(output, options, at_first_contact(whose)))
        if existing is not None and (existing.round_number > 1 or existing.dumped is not None):
            not_compared = refuse_chip_of_another(at.chip, existing, progress=at.progress)
        else:
            not_compared = refuse_half_written_by_neighbour(at.chip, folder, progress=at.progress)
        at.progress.close()
        for sentence in not_compared:
            output.warn(sentence)
        job = steps.job_for_dump(
            existing, at.chip, folder, label=output.label, progress=at.progress
        )
        if existing is None:
            stack.enter_context(job)
        with _saying_what_was_made(job):
            yield at, job


@contextmanager
def _saying_what_was_made(job: "Job") -> Iterator[None]:
    """A dump that is stopped leaves a folder behind, which can be dumped into.

    Raises:
        Interrupted: as it was raised inside; it says what is on the disk now.
    """
    try:
        yield
    except Interrupted as error:
        if job.dumped is not None:
            raise
        raise Interrupted(
            error.seen,
            next_step="Run the same command again: it dumps into that folder.",
            state=f"The chip is untouched. The job's folder {quoted(job.folder)} is there, without"
            f" a dump of round {job.round_number}.",
        ) from error


def _refuse_other_label(known: str, given: str | None) -> None:
    if given in (None, known):
        return
    raise WrongCall(
        f"The job in this folder bears the label {known!r}, not {given!r}.",
        next_step="Leave --label out, or name the folder of another job.",
    )
