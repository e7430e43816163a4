"""What `write --to-new-chip` and `restore --to-new-chip` show besides what every write shows."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.bag import demand_bag
from flashbench.cli.output import Output, listed
from flashbench.errors import WrongCall

if TYPE_CHECKING:
    from flashbench.chip.carry_over import CarryOver
    from flashbench.job.folder import Job
    from flashbench.safe_write.found import WhichChip
    from flashbench.safe_write.plan import Plan

ToNewChipOption = Annotated[
    bool,
    typer.Option(
        "--to-new-chip",
        show_default=False,
        help="Another chip of the same size is in the socket; the board's own is left as it is.",
    ),
]
ChipOfOption = Annotated[
    Path | None,
    typer.Option(
        "--chip-of",
        metavar="OTHERJOB",
        show_default=False,
        help="The chip in the socket is that of this other job, whose board is"
        " given up; it holds what was dumped there.",
    ),
]
ChipLabelOption = Annotated[
    str | None,
    typer.Option(
        "--chip-label",
        metavar="TEXT",
        show_default=False,
        help="With --chip-of: the end of the label on the bag that the chip came from. Without"
        " this you are asked.",
    ),
]
ChipIsOption = Annotated[
    str | None,
    typer.Option(
        "--chip-is",
        metavar="original|N",
        show_default=False,
        help="Which chip of the job is in the socket, as its bag says: where two half-written"
        " ones cannot be told apart, or a whole one is to be written instead of a half-written"
        " one.",
    ),
]


def which_chip(said: str | None) -> "WhichChip | None":
    """What --chip-is says. Raises `WrongCall` if it is neither word nor number."""
    from flashbench.safe_write.found import WhichChip

    if said is None:
        return None
    if said == "original":
        return WhichChip(kept_number=None)
    if not said.isascii() or not said.isdecimal():
        raise WrongCall(
            f"--chip-is takes 'original' or the number of a replacement chip, not {said!r}.",
            next_step="Take the word from the refusal that asked for it.",
        )
    return WhichChip(kept_number=int(said))


@contextmanager
def given_up_board(
    output: Output, folder: Path | None, *, label: str | None
) -> "Iterator[Job | None]":
    """The job of the board whose chip is used up, its bag read; None if none is named.

    Raises:
        OtherBag, WrongCall: as `demand_bag` does.
        ChipUntouched: it cannot be opened.
    """
    from flashbench.job.folder import Job

    if folder is None:
        yield None
        return
    with Job.open(folder) as other:
        demand_bag(
            output,
            other.label,
            read=label,
            whose="the job named by --chip-of",
            bag="the bag of the chip that is used up",
            option="--chip-label",
        )
        yield other


@contextmanager
def spare_of(folder: Path | None, other: "Job | None") -> "Iterator[Job | None]":
    """`other`, or else the job that the chip was made a spare from. Raises as opening a job."""
    from flashbench.job.folder import Job

    if folder is None or other is not None:
        yield other
        return
    with Job.open(folder) as maker:
        yield maker


def replacement_is_unfinished(job: "Job") -> bool:
    """Whether the chip last written is a replacement, and not proven."""
    unfinished = job.unfinished()
    return unfinished is not None and unfinished.kept_number is not None


@contextmanager
def outranked_by_replacement(job: "Job") -> Iterator[None]:
    """As `outranked_by_unfinished`, for a half-written replacement only: the own chip is not in
    the socket."""
    from flashbench.safe_write.steps import outranked_by_unfinished

    if not replacement_is_unfinished(job):
        yield
        return
    with outranked_by_unfinished(job):
        yield


def new_chip_facts(plan: "Plan") -> dict[str, Any]:
    """What the JSON says more of a plan for a replacement chip; nothing of another."""
    carried = plan.carry_over
    if carried is None:
        return {}
    return {
        "kept": f"round-{plan.job.round_number}/kept-{plan.kept_number}.bin",
        "differences": list(plan.differences),
        "registers_set": list(carried.set_now),
        "registers_same": list(carried.same),
        "not_carried_over": list(carried.left_behind),
    }


def new_chip_rows(plan: "Plan") -> list[tuple[str, str]]:
    """The same for eyes."""
    carried = plan.carry_over
    if carried is None:
        return []
    kept = f"round-{plan.job.round_number}/kept-{plan.kept_number}.bin"
    return [
        ("new chip", f"{_why_another(plan)}; what it held is kept as {kept}"),
        *register_rows(carried),
        *listed("differs", plan.differences),
        *listed("old chip", _of_the_half_written_one(plan)),
    ]


def register_rows(carried: "CarryOver") -> list[tuple[str, str]]:
    """What is set in a new chip's registers, what is as on the original, and what is not known."""
    return [
        *listed("set to be", carried.set_now or (_nothing_set(carried),)),
        *listed("compared", [f"{one}, as on the original" for one in carried.same]),
        *listed("left", carried.left_behind),
    ]


def _nothing_set(carried: "CarryOver") -> str:
    if carried.left_behind:
        return "nothing: what was compared, and what was not, stands below"
    return "its registers are as the original's already"


def _of_the_half_written_one(plan: "Plan") -> tuple[str, ...]:
    """What is to be done with the board's own chip before it can be mistaken, if it can."""
    write = plan.job.unfinished_on(None)
    if write is None:
        return ()
    said = "half-written: it belongs in a bag that says so, before it is taken for a whole one"
    if write.unique_id is None and write.jedec_id == plan.chip.jedec_id.hex():
        said += (
            f". It has no factory number: a chip that holds just {plan.target_name} will be taken"
            " for the new one"
        )
    return (said,)


def other_half_written_chips(plan: "Plan") -> tuple[str, ...]:
    """The replacements that stay half-written beside the chip that a plan is for."""
    from flashbench.safe_write.which_chip import name_of_chip

    job = plan.job
    left = (number for number in job.half_written_chips if number != plan.kept_number)
    return tuple(f"{name_of_chip(job, n)}, and it stays so" for n in left if n is not None)


def bag_the_own_chip(output: Output, plan: "Plan") -> None:
    """Where the board's own chip belongs now, if another one takes its place."""
    from flashbench.job.spares import spare_numbers

    if plan.kept_number is None or plan.kept_number in spare_numbers(plan.job.story):
        return
    if plan.job.unfinished_on(None) is None:
        which, label = "chip", "original chip"
    else:
        which, label = "chip, which is half-written,", "half-written, not to be used"
    untouched = ": nothing was erased on it by this" if _is_surely_another(plan) else ""
    output.say(
        f'Put the board\'s own {which} into a bag labelled "{plan.job.label}, {label}"'
        f" and keep it{untouched}."
    )


def _why_another(plan: "Plan") -> str:
    """How it is told from the board's own chip, by what is known."""
    if _is_surely_another(plan):
        return "not the board's own"
    return "taken for another than the board's own by what it held: no factory number tells"


def _is_surely_another(plan: "Plan") -> bool:
    from flashbench.safe_write.which_chip import is_surely_another

    dumped = plan.job.dumped
    return dumped is not None and is_surely_another(plan.chip, dumped)
