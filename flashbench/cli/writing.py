"""The commands that change the chip: `write`, `finish`, `restore`."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.bag import demand_bag
from flashbench.cli.bench import AtBench, demand_someone_to_ask
from flashbench.cli.jobs import opened_job
from flashbench.cli.new_chip import (
    ChipIsOption,
    ChipLabelOption,
    ChipOfOption,
    ToNewChipOption,
    bag_the_own_chip,
    given_up_board,
    new_chip_facts,
    new_chip_rows,
    other_half_written_chips,
    outranked_by_replacement,
    replacement_is_unfinished,
    spare_of,
    which_chip,
)
from flashbench.cli.options import (
    BagOption,
    BenchOptions,
    ImageOption,
    JobArgument,
    JsonOption,
    WorkingClockOption,
    YesOption,
    with_bench_options,
)
from flashbench.cli.output import (
    Output,
    bytes_text,
    command,
    listed,
    many,
    size_text,
    the_target,
    time_text,
)
from flashbench.cli.precautions import host_kept_awake, keep_second_copy, mention_the_host
from flashbench.cli.sockets import Sockets
from flashbench.cli.strangers import naming_strangers
from flashbench.cli.working_clock import clock_row, other_chip_to_work_on, own_chip_to_work_on

if TYPE_CHECKING:
    from flashbench.job.folder import Job
    from flashbench.safe_write.found import WhichChip
    from flashbench.safe_write.plan import Plan

Planner = Callable[[AtBench, "Job"], "Plan"]
_RANGES_SHOWN = 12


@with_bench_options(before="yes", clock=WorkingClockOption)
def write(
    options: BenchOptions,
    job: JobArgument,
    image: ImageOption = None,
    to_new_chip: ToNewChipOption = False,
    chip_of: ChipOfOption = None,
    chip_label: ChipLabelOption = None,
    chip_is: ChipIsOption = None,
    label: BagOption = None,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Write the job's image, and read everything back.

    \b
      flashbench write board-17 --supply 3.3
      flashbench write board-17 --supply 3.3 --image 1
      flashbench write board-17 --supply 3.3 --to-new-chip
      flashbench write board-17 --supply 3.3 --to-new-chip --chip-of board-3

    With --to-new-chip another chip lies in the socket, and the board's own is never erased: it
    goes into a labelled bag. The new one must be exactly as large; what it held is kept, and
    its registers are set for good as the original's are. One without a factory number that
    holds much of what the own chip holds could be the own one, and is refused; that of another
    board, which is given up, is dumped into a job of its own first and named by --chip-of.

    The chip is read first and must hold what was backed up, or what this job last proved.
    What will change is shown, and you are asked; the end of the label on the bag is asked
    for first (--yes does not answer that). Do not touch the socket until the last line
    says that you may take the chip out. After an accident: flashbench next board-17. While a
    replacement is half-written, the own chip is written only with --chip-is original.

    Without --clock the contact is checked first, as dump does, and reads go at the fastest clock
    that leaves a margin, never above the one the dump was read at. What changes the chip goes at
    10 MHz at most, and at no more than half the fastest clock that reads right.

    With --json (needs --yes and --label): label, target, sha256, bytes, already_held,
    changed_bytes, units, erased_bytes, bystander_bytes, protection_lifted, doubts, clock_hz,
    change_clock_hz, expected_seconds, second_copy (its folder, or null), host_notes; with
    --to-new-chip also kept, differences, registers_set, registers_same,
    not_carried_over.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        if to_new_chip:
            write_to_new_chip_at(
                output,
                job,
                options,
                image=image,
                label=label,
                chip_of=chip_of,
                chip_label=chip_label,
                yes=yes,
            )
        else:
            write_at(output, job, options, image=image, label=label, chip_is=chip_is, yes=yes)


def write_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    image: int | None = None,
    label: str | None = None,
    chip_is: str | None = None,
    yes: bool,
) -> None:
    """What `write` does; `label` is what was read from the bag, None to ask."""
    from flashbench.safe_write import steps

    which = which_chip(chip_is)

    def planned(at: AtBench, job: "Job") -> "Plan":
        return steps.plan_write(at.chip, job, image_number=image, which=which, progress=at.progress)

    bag = _own_bag(output, label, which=which)

    def demand(job: "Job") -> None:
        steps.demand_image(job, image)
        bag(job)

    _rewrite(output, folder, options, planned, demand=demand, second_copy_demanded=True, yes=yes)


@with_bench_options(before="yes", clock=WorkingClockOption)
def finish(
    options: BenchOptions,
    job: JobArgument,
    label: BagOption = None,
    chip_is: ChipIsOption = None,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """After an accident: go on to the new image.

    \b
      flashbench finish board-17 --supply 3.3

    For an unplugged adapter, a killed process, a power cut. The chip is read twice, what was
    found is kept in the job, and every page of it must be explained; units that were under
    way are erased again, whatever they read. Back to the original instead: restore, which also
    goes on with a restore that was interrupted; finish says that it changes the way. With no
    unfinished write there is nothing to finish, and it is refused.

    A chip without a factory number is known by what it holds alone: the end of the label on its
    bag is asked for then (--yes does not answer that), and the jobs beside this one are asked.

    With --json (needs --yes, perhaps --label): as for write.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        finish_at(output, job, options, label=label, chip_is=chip_is, yes=yes)


def finish_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    label: str | None = None,
    chip_is: str | None = None,
    yes: bool,
) -> None:
    """What `finish` does; `label` is what was read from the bag, None to ask if it is needed."""
    from flashbench.safe_write import steps

    which = which_chip(chip_is)
    bag = _own_bag(output, label, which=which)

    def demand(job: "Job") -> None:
        steps.demand_unfinished(job)
        bag(job)

    def planned(at: AtBench, job: "Job") -> "Plan":
        changed = steps.change_of_way(job)
        if changed is not None:
            output.say(f"{job.label}: {changed}")
        return steps.plan_finish(at.chip, job, which=which, progress=at.progress)

    _rewrite(output, folder, options, planned, demand=demand, yes=yes)


@with_bench_options(before="yes", clock=WorkingClockOption)
def restore(
    options: BenchOptions,
    job: JobArgument,
    round_number: Annotated[
        int | None,
        typer.Option(
            "--round",
            metavar="N",
            min=1,
            show_default=False,
            help="Whose original. Default: the newest round's.",
        ),
    ] = None,
    to_new_chip: ToNewChipOption = False,
    chip_of: ChipOfOption = None,
    chip_label: ChipLabelOption = None,
    chip_is: ChipIsOption = None,
    label: BagOption = None,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Put the original back, from whatever is on the chip now.

    \b
      flashbench restore board-17 --supply 3.3
      flashbench restore board-17 --supply 3.3 --round 1
      flashbench restore board-17 --supply 3.3 --to-new-chip

    After an accident, or because the board was better off before. As careful as finish, with
    the original as the target. With --round that of another round, which becomes an image of
    the newest one; no round's original is ever displaced. Unless a write is unfinished on a
    chip with a factory number, the end of the label on the bag is asked for (--yes does not
    answer that).

    With --json (needs --yes, and --label): as for write.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        if to_new_chip:
            write_to_new_chip_at(
                output,
                job,
                options,
                original=True,
                round_number=round_number,
                label=label,
                chip_of=chip_of,
                chip_label=chip_label,
                yes=yes,
            )
        else:
            restore_at(
                output,
                job,
                options,
                round_number=round_number,
                label=label,
                chip_is=chip_is,
                yes=yes,
            )


def restore_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    round_number: int | None = None,
    label: str | None = None,
    chip_is: str | None = None,
    yes: bool,
) -> None:
    """What `restore` does; `label` is what was read from the bag, None to ask."""
    from flashbench.safe_write import steps
    from flashbench.safe_write.new_chip import source_of

    which = which_chip(chip_is)

    def planned(at: AtBench, job: "Job") -> "Plan":
        image = _original_of_round(output, job, round_number)
        return steps.plan_restore(
            at.chip, job, image_number=image, which=which, progress=at.progress
        )

    bag = _own_bag(output, label, which=which)

    def demand(job: "Job") -> None:
        source_of(job)
        bag(job)

    _rewrite(output, folder, options, planned, demand=demand, yes=yes)


def _original_of_round(output: Output, job: "Job", round_number: int | None) -> int | None:
    """The image that another round's original is taken in as; None for the newest round's own."""
    from flashbench.safe_write.between_rounds import take_in_original_of

    image = None if round_number is None else take_in_original_of(job, round_number)
    if image is not None:
        output.say(
            f"{job.label}: image {image} of round {job.round_number} is the original of round"
            f" {round_number}, byte for byte."
        )
    return image


def write_to_new_chip_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    image: int | None = None,
    original: bool = False,
    round_number: int | None = None,
    label: str | None = None,
    chip_of: Path | None = None,
    chip_label: str | None = None,
    yes: bool,
) -> None:
    """What `write --to-new-chip` does; with `original` what `restore --to-new-chip` does."""
    from flashbench.safe_write.new_chip import plan_to_new_chip, source_of
    from flashbench.shelf.owner import refuse_chip_of_a_board

    with opened_job(output, folder) as job, outranked_by_replacement(job):
        demand_someone_to_ask(output, yes=yes)
        Sockets.of(options).demand_supply()
        source_of(job)
        # Neither the own chip's marking nor its state says anything of the one in the socket.
        output.job_half_written = replacement_is_unfinished(job)
        if not output.job_half_written:
            demand_bag(output, job.label, read=label)
        copies = keep_second_copy(output, job, options, demanded=not output.job_half_written)

        with (
            given_up_board(output, chip_of, label=chip_label) as other,
            other_chip_to_work_on(output, options, job) as at,
        ):
            nobodys = refuse_chip_of_a_board(at.chip, job, given_up=chip_of, progress=at.progress)
            if round_number is not None:
                image = _original_of_round(output, job, round_number)
            with spare_of(nobodys.spare_of, other) as chips_job:
                plan = plan_to_new_chip(
                    at.chip,
                    job,
                    image_number=image,
                    original=original and image is None,
                    chip_of=chips_job,
                    progress=at.progress,
                )
            if copies:
                at.progress.close()
                output.say(copies)
            agree_and_write(output, at, plan, doubts=nobodys.not_compared, yes=yes)


def _own_bag(
    output: Output, label: str | None, *, which: "WhichChip | None"
) -> "Callable[[Job], None]":
    """Demands the end of the label on the bag, unless a write to a chip with a factory number is
    unfinished: then the chip was left in the socket, and its number tells whose it is. `which`
    says that another one is. What is said beforehand has to be right."""

    def demand(job: "Job") -> None:
        unfinished = job.unfinished()
        is_known = unfinished is not None and unfinished.unique_id is not None and which is None
        if label is not None or not is_known:
            demand_bag(output, job.label, read=label)

    return demand


def _rewrite(
    output: Output,
    folder: Path,
    options: BenchOptions,
    planned: Planner,
    *,
    demand: "Callable[[Job], None]",
    second_copy_demanded: bool = False,
    yes: bool,
) -> None:
    """`demand` refuses a job at another step, and asks its bag, before any pin is driven."""
    from flashbench.safe_write import steps
    from flashbench.safe_write.beside_half_written import can_be_half_written
    from flashbench.shelf.owner import refuse_found_of_another

    with opened_job(output, folder) as job, steps.outranked_by_unfinished(job) as left:
        demand_someone_to_ask(output, yes=yes)
        Sockets.of(options).demand_supply()
        demand(job)
        copies = keep_second_copy(output, job, options, demanded=second_copy_demanded)

        with own_chip_to_work_on(output, options, job, to_change=True) as at:
            with naming_strangers(at, job):
                left.may_be_in_the_socket = can_be_half_written(at.chip, job)
                output.job_half_written = left.may_be_in_the_socket
                plan = planned(at, job)
            doubts = refuse_found_of_another(plan)
            if copies:
                at.progress.close()
                output.say(copies)
            agree_and_write(output, at, plan, doubts=doubts, yes=yes)


def agree_and_write(
    output: Output, at: AtBench, plan: "Plan", *, doubts: Sequence[str], yes: bool
) -> None:
    """Show what is about to be done, ask, do it, and say what was proven.

    `doubts` are sentences for whoever agrees, besides the plan's own.

    Raises:
        Declined: the answer was not yes.
        ChipHalfWritten, AdapterError: whatever carrying the plan out raises.
    """
    from flashbench.safe_write import steps
    from flashbench.safe_write.duration import expected_seconds

    job = plan.job
    at.progress.close()
    seconds = expected_seconds(plan)
    doubts = (*plan.doubts, *doubts)
    output.facts |= _facts(plan, seconds) | {"doubts": list(doubts)}
    _show(output, plan, doubts, _time_text(seconds, model_time=at.model_time))
    mention_the_host(output, at)
    if not plan.changes_nothing:
        at.settle(
            output,
            f"Write {_target(plan)} to this chip?",
            yes=yes,
        )
    with host_kept_awake(output, at):
        proof = steps.carry_out(plan, progress=at.progress)
    at.progress.close()
    if job.journal_failure is not None:
        output.warn(job.journal_failure)
    output.say(
        f"{job.label}: the chip holds {_target(plan)}. All"
        f" {proof.byte_count} bytes and the status registers were read back."
    )
    output.rows([("sha256", proof.sha256)])
    bag_the_own_chip(output, plan)


def _target(plan: "Plan") -> str:
    return the_target(plan.target_name, round_number=plan.job.round_number)


def _facts(plan: "Plan", seconds: float) -> dict[str, Any]:
    from flashbench.safe_write import steps

    facts = {
        "label": plan.job.label,
        "target": plan.target_name,
        "sha256": plan.target_sha256,
        "bytes": len(plan.target),
        "already_held": plan.changes_nothing,
        "changed_bytes": plan.cells.changed_bytes,
        "units": len(plan.cells.units),
        "erased_bytes": _erased_bytes(plan),
        "bystander_bytes": plan.cells.bystander_bytes,
        "protection_lifted": [
            [stretch.start, stretch.stop] for stretch in steps.protection_in_the_way(plan)
        ],
        "clock_hz": plan.chip.clock_hz,
        "change_clock_hz": plan.chip.change_clock_hz,
        "expected_seconds": round(seconds, 3),
    }
    return facts | new_chip_facts(plan)


def _show(output: Output, plan: "Plan", doubts: Sequence[str], time: str) -> None:
    """What is about to be done, for the eyes of whoever has to say yes."""
    profile = plan.chip.profile
    output.say(f"{plan.job.label}: {_target(plan)} onto this chip")
    rows = [
        ("chip", " or ".join(profile.parts) or "not in the table"),
        ("ID, size", f"{profile.jedec_id.hex(' ').upper()}, {size_text(profile.density_bytes)}"),
    ]
    if plan.suspect:
        half_done = bytes_text(sum(len(stretch) for stretch in plan.suspect))
        where = many(len(plan.suspect), "stretch", "stretches")
        rows.append(("half-done", f"{half_done} in {where}: erased again, whatever they read"))
    if plan.changes_nothing:
        rows.append(
            (
                "changes",
                f"none: the chip reads as {_target(plan)} already",
            )
        )
    else:
        rows += _change_rows(plan, time)
    rows += new_chip_rows(plan)
    rows += listed("half-written", other_half_written_chips(plan))
    rows += listed("doubts", doubts)
    output.rows(rows)


def _change_rows(plan: "Plan", time: str) -> list[tuple[str, str]]:
    cells = plan.cells
    rows = [("changes", f"{many(cells.changed_bytes, 'byte')}, in these whole pages:")]
    for stretch in cells.changed_ranges[:_RANGES_SHOWN]:
        rows.append(("", f"{_stretch_text(stretch)}, {bytes_text(len(stretch))}"))
    left_out = len(cells.changed_ranges) - _RANGES_SHOWN
    if left_out > 0:
        rows.append(("", f"and {left_out} more"))
    erased = sum(1 for unit in cells.units if unit.erase is not None)
    what = "the whole chip" if cells.chip_erase else f"{many(erased, 'unit')}"
    rows += [
        ("erases", f"{what}, {bytes_text(_erased_bytes(plan))}"),
        ("programs", many(cells.page_count, "page")),
        ("bystanders", _bystander_text(plan)),
        ("protection", _protection_text(plan)),
        clock_row(plan.chip),
        ("time", time),
    ]
    return rows


def _bystander_text(plan: "Plan") -> str:
    erased = []
    if plan.suspect:
        half_done = sum(len(stretch) for stretch in plan.suspect)
        erased.append(f"{bytes_text(half_done)} of the half-done units")
    if plan.cells.bystander_bytes:
        erased.append(f"{bytes_text(plan.cells.bystander_bytes)} that shall not change")
    if not erased:
        return "none: no byte that shall not change is erased"
    return f"{' and '.join(erased)} are erased and programmed again"


def _protection_text(plan: "Plan") -> str:
    from flashbench.safe_write import steps

    stretches = steps.protection_in_the_way(plan)
    if stretches:
        where = " and ".join(map(_stretch_text, stretches))
        if steps.stays_open_until_power_off(plan):
            return f"{where} is locked: opened for this, until the supply is switched off"
        return f"{where} is protected: opened for this, and put back"
    if plan.registers_differ:
        return "the registers that an accident left are put back"
    return "none in the way"


def _time_text(seconds: float, *, model_time: bool) -> str:
    text = f"about {time_text(seconds)}, with everything read back at the end"
    return f"{text} (model time)" if model_time else text


def _stretch_text(stretch: range) -> str:
    return f"{stretch.start:08x} to {stretch.stop - 1:08x}"


def _erased_bytes(plan: "Plan") -> int:
    if plan.cells.chip_erase:
        return plan.chip.profile.density_bytes
    return sum(unit.size for unit in plan.cells.units if unit.erase is not None)
