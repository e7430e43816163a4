"""A chip in the socket while the job's last write, to another one, is not proven."""

from flashbench.chip.identity import Identified
from flashbench.errors import OtherChip
from flashbench.job.folder import Job
from flashbench.job.way_on import ways_on
from flashbench.safe_write.found import WhichChip
from flashbench.safe_write.which_chip import chips_it_can_be, half_written, name_of_chip


def can_be_half_written(chip: Identified, job: Job) -> bool:
    """Whether the chip can be one that the job left half-written, by its IDs and size.

    Raises what `chips_it_can_be` raises.
    """
    return any(job.unfinished_on(number) is not None for number in chips_it_can_be(chip, job))


def refuse_whole_chip(chip: Identified, job: Job, *, which: WhichChip | None) -> None:
    """Return unless the job's last write was begun on another chip, and this one is whole.

    The label on the bag does not tell these two: it is the same job's. Whoever wants this one
    written in the place of the other says so by `which`. A spare is in nobody's place.

    Raises:
        OtherChip: it is whole, or none of the job's.
        ChipUntouched: its unique ID would tell, and cannot be read.
    """
    write = job.unfinished()
    if write is None or write.kept_number in job.spare_chips:
        return
    possible = chips_it_can_be(chip, job)
    if any(job.unfinished_on(number) is not None for number in possible):
        return
    if which is not None and which.kept_number in possible:
        return
    names = " or ".join(name_of_chip(job, number) for number in possible)
    this = "original" if possible[0] is None else str(possible[0])
    raise OtherChip(
        f"The chip in the socket is {names} of job {job.label}, and nothing of it is unfinished."
        f" Half-written is {name_of_chip(job, write.kept_number)}.",
        next_step=f"Put that chip in, and run: {ways_on(job.folder, job.story, write)}. To write"
        f" the one in the socket instead, say so with the same command: --chip-is {this}",
    )


def refuse_half_written_replacement(chip: Identified, job: Job) -> None:
    """Return unless the chip is a half-written replacement, by its factory number: for `write`.

    Raises:
        ChipHalfWritten: it is; the sentence names what leads on.
        OtherChip, ChipUntouched: as `chips_it_can_be` does.
    """
    write = job.unfinished()
    if write is not None and chips_it_can_be(chip, job) == (write.kept_number,):
        raise half_written(job, write)
