"""What a careful technician sees to before a chip is changed: a second copy, and the computer."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from flashbench.cli.bench import AtBench
from flashbench.cli.options import BenchOptions
from flashbench.cli.output import Output
from flashbench.errors import FlashbenchError
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.job.folder import Job


def keep_second_copy(output: Output, job: "Job", options: BenchOptions, *, demanded: bool) -> str:
    """Have the dumps on the second shelf of the bench file; how many copies there are, to be said
    once a write really comes.

    Where it is not `demanded`, a shelf that fails is only said: a lost second disk must not
    keep a half-written chip from being finished.

    Raises:
        StepRefused, JobDamaged, ChipUntouched: it is demanded, and the shelf is not there, holds
            something else, or its disk refused.
    """
    from flashbench.bench.on_disk import read_bench
    from flashbench.job.second_copy import copy_to_second_shelf

    if job.dumped is None:
        return ""
    shelf = read_bench(options.bench).second_shelf
    output.facts["second_copy"] = None
    what = "the original" if job.has_original else "the best reading"
    if shelf is None:
        return (
            f"{job.label}: one copy, one disk: {what} lies in {quoted(job.folder)} alone. A"
            " second_shelf in the bench file keeps another."
        )
    try:
        copy = copy_to_second_shelf(job, shelf)
    except FlashbenchError as error:
        if demanded:
            raise
        output.warn(f"No second copy was proven. {error.seen} {error.next_step}")
        return ""
    output.facts["second_copy"] = str(copy.folder)
    copies = "two copies, but on one disk" if copy.same_disk else "two copies on two disks"
    return f"{job.label}: {copies}: the second was read back in {quoted(copy.folder)}."


def mention_the_host(output: Output, at: AtBench) -> None:
    """Say what feeds the computer and what lies between it and the adapter, if it is a risk."""
    from flashbench.bench.host import battery_sentence, hub_sentence

    ports = at.chip.adapter.facts.port_numbers
    notes = [note for note in (battery_sentence(), hub_sentence(ports)) if note is not None]
    output.facts["host_notes"] = notes
    for note in notes:
        output.say(f"Note: {note}.")


@contextmanager
def host_kept_awake(output: Output, at: AtBench) -> Iterator[None]:
    """While this lasts the computer does not sleep, where its platform offers that."""
    from flashbench.bench.host import staying_awake

    with staying_awake() as awake:
        if not awake and not at.model_time:
            output.warn(
                "Nothing here can keep this computer awake: do not close its lid, and see that it"
                " does not fall asleep."
            )
        yield
