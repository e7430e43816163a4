"""What `write --to-new-chip` and `restore --to-new-chip` show besides what every write shows."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.output import Output, listed

if TYPE_CHECKING:
    from flashbench.chip.carry_over import CarryOver
    from flashbench.job.folder import Job
    from flashbench.safe_write.plan import Plan

ToNewChipOption = Annotated[
    bool,
    typer.Option(
        "--to-new-chip",
        show_default=False,
        help="Another chip of the same size is in the socket; the board's own is left as it is.",
    ),
]


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
        ("new chip", f"not the board's own; what it held is kept as {kept}"),
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


def bag_the_own_chip(output: Output, plan: "Plan") -> None:
    """Where the board's own chip belongs now, if another one takes its place."""
    from flashbench.job.spares import spare_numbers

    if plan.kept_number is None or plan.kept_number in spare_numbers(plan.job.story):
        return
    if plan.job.unfinished_on(None) is None:
        which, label = "chip", "original chip"
    else:
        which, label = "chip, which is half-written,", "half-written, not to be used"
    output.say(
        f'Put the board\'s own {which} into a bag labelled "{plan.job.label}, {label}"'
        " and keep it: nothing was erased on it by this."
    )
