"""The clock of commands that read or write a whole chip: found first, unless --clock says it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from flashbench.cli.bench import AtBench, Identify, chip_at_bench
from flashbench.cli.identifying import any_chip, at_first_contact, chip_of
from flashbench.cli.options import FASTEST_HZ, BenchOptions
from flashbench.cli.output import Output, hz_text

if TYPE_CHECKING:
    from flashbench.chip.identity import Identified
    from flashbench.job.folder import Job
    from flashbench.safe_write.working_clock import WorkingClock


@contextmanager
def own_chip_to_work_on(
    output: Output, options: BenchOptions, job: "Job", *, to_change: bool
) -> Iterator[AtBench]:
    """A chip of the job, at a clock no faster than its dump was read at.

    Raises what `chip_at_bench` raises, and ReadsUnsteady if the contact is not good.
    """
    from flashbench.safe_write.working_clock import dumped_at_hz, half_done_ranges

    with _at_working_clock(
        output,
        options,
        chip_of(job, options),
        dumped_hz=dumped_at_hz(job),
        half_done=half_done_ranges(job),
        to_change=to_change,
    ) as at:
        yield at


@contextmanager
def other_chip_to_work_on(output: Output, options: BenchOptions, job: "Job") -> Iterator[AtBench]:
    """To change another chip than the one that was dumped; the job may have left it half-written.

    Raises as `own_chip_to_work_on`.
    """
    from flashbench.safe_write.working_clock import half_done_ranges

    half_done = half_done_ranges(job)
    with _at_working_clock(
        output, options, any_chip(options), half_done=half_done, to_change=True
    ) as at:
        yield at


@contextmanager
def any_chip_to_read(output: Output, options: BenchOptions) -> Iterator[AtBench]:
    """Whatever chip answers, of no job yet. Raises as `own_chip_to_work_on`."""
    with _at_working_clock(output, options, any_chip(options), half_done=(), to_change=False) as at:
        yield at


def clock_row(chip: "Identified") -> tuple[str, str]:
    """What it goes at, for eyes."""
    text = hz_text(chip.clock_hz)
    if chip.change_clock_hz < chip.clock_hz:
        text += f" to read, {hz_text(chip.change_clock_hz)} for what changes the chip"
    return ("clock", text)


@contextmanager
def _at_working_clock(
    output: Output,
    options: BenchOptions,
    identify: Identify,
    *,
    dumped_hz: int | None = None,
    half_done: tuple[range, ...],
    to_change: bool,
) -> Iterator[AtBench]:
    from flashbench.safe_write.working_clock import at_working_clock

    if options.clock is not None:
        with chip_at_bench(output, options, identify) as at:
            yield at
        return
    searching = replace(options, clock=FASTEST_HZ)
    with (
        chip_at_bench(output, searching, at_first_contact(identify)) as at,
        at_working_clock(
            at.chip,
            dumped_hz=dumped_hz,
            avoiding=half_done,
            to_change=to_change,
            progress=at.progress,
        ) as clock,
    ):
        if clock.is_below_the_dumps:
            at.progress.close()
            output.warn(_slower_sentence(clock))
        yield at


def _slower_sentence(clock: "WorkingClock") -> str:
    why = "The contact is worse than at the dump"
    if clock.proof is None:
        why = "Cells err or are half-done, unlike at the dump"
    return f"{why}: {hz_text(clock.read_hz)} now, {hz_text(clock.dumped_hz or 0)} then."
