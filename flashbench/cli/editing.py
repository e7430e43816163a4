"""The command that makes an edited image, by an edit file or from one made elsewhere: `edit`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.edited_elsewhere import Accepted, from_image_at
from flashbench.cli.edited_image import facts_of, say_changes
from flashbench.cli.given_files import read_edit_file
from flashbench.cli.jobs import opened_job
from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed, many
from flashbench.cli.seen_before import tell_seen_before
from flashbench.errors import WrongCall

if TYPE_CHECKING:
    from flashbench.image.apply_edit import AppliedChange, EditResult
    from flashbench.image.checks import Check
    from flashbench.image.edit_file import EditFile
    from flashbench.image.inspection import Inspection
    from flashbench.job.folder import Job


def edit(
    job: JobArgument,
    edit_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[EDITFILE]",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="What to change, as an edit file (TOML).",
        ),
    ] = None,
    from_image: Annotated[
        Path | None,
        typer.Option(
            "--from-image",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="Take in an image edited elsewhere. An edit file then only names the places"
            " outside blocks that may change.",
        ),
    ] = None,
    into_copies: Annotated[
        bool | None,
        typer.Option(
            "--into-copies/--not-into-copies",
            show_default=False,
            help="With --from-image: make the same change in the copies that did not get it.",
        ),
    ] = None,
    repair_checks: Annotated[
        bool | None,
        typer.Option(
            "--repair-checks/--leave-checks",
            show_default=False,
            help="With --from-image: recompute the checks that it broke.",
        ),
    ] = None,
    again: Annotated[
        bool,
        typer.Option(
            "--again",
            show_default=False,
            help="In a new round: apply the edit file of the last edited image afresh.",
        ),
    ] = False,
    own_numbers: Annotated[
        bool | None,
        typer.Option(
            "--own-numbers/--new-numbers",
            show_default=False,
            help="With --from-image: keep this board's serials, addresses and UUIDs.",
        ),
    ] = None,
    suggest_edit: Annotated[
        Path | None,
        typer.Option(
            "--suggest-edit",
            metavar="FILE",
            dir_okay=False,
            show_default=False,
            help="With --from-image: write an edit file that names the changes outside blocks"
            " into FILE, and stop.",
        ),
    ] = None,
    listing: Annotated[
        Path | None,
        typer.Option(
            "--listing",
            metavar="FILE",
            dir_okay=False,
            show_default=False,
            help="Write old and new bytes side by side into FILE, all of them.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Make the edited image, and show every byte it changes.

    \b
      flashbench edit board-17 larger-memory.toml
      flashbench edit board-17 --again
      flashbench edit board-17 --from-image new.bin
      flashbench edit board-17 --from-image new.bin --into-copies --repair-checks

    Needs no adapter. An edit starts from the round's own original: everything that the edit
    file asks for is made in every copy, checks are recomputed, or nothing is made. Of an image
    edited elsewhere every change is shown with the block it lies in; repairs and the carrying
    of the edit into further copies are offered. The image is kept as image-N.bin beside its
    change sheet, changes-N.json, which also keeps the edit file, and is what `write` then
    writes.

    With --json: label, image (its number), sha256, changed_bytes, ranges (offset, length);
    by an edit file also about, changes, checks, capacity, board_gbit, doubts, questions,
    answers, first, with --again edit_of_round;
    from an image also elsewhere (changes, copies, broken_checks, numbers, accepted).
    """
    accepted = Accepted(
        into_copies=into_copies, repair_checks=repair_checks, own_numbers=own_numbers
    )
    with command(json=json) as output:
        if again:
            if edit_file is not None or from_image is not None:
                raise WrongCall(
                    "--again applies the edit file that the job keeps, and another was named.",
                    next_step="Leave --again out, or the file.",
                )
            edit_again_at(output, job, listing=listing)
            return
        if from_image is not None:
            from_image_at(
                output,
                job,
                from_image=from_image,
                edit_file=edit_file,
                accepted=accepted,
                suggest_edit=suggest_edit,
                listing=listing,
            )
            return
        if edit_file is None:
            raise WrongCall(
                "An edit is made by an edit file or taken from an image.",
                next_step="Name an edit file, or an image with --from-image FILE. `flashbench"
                " inspect IMAGE --suggest-edit FILE` writes an edit file to start from.",
            )
        if suggest_edit is not None or accepted != Accepted():
            raise WrongCall(
                "This option goes with --from-image; an edit file says all by itself.",
                next_step="Leave it out, or name an image with --from-image FILE.",
            )
        edit_by_file_at(output, job, edit_file=edit_file, listing=listing)


def edit_by_file_at(
    output: Output, folder: Path, *, edit_file: Path, listing: Path | None = None
) -> None:
    """What `edit JOB EDITFILE` does."""
    read_edit_file(edit_file)  # its refusals come before any of the job's
    text = edit_file.read_text("utf-8")
    with opened_job(output, folder) as job:
        _edit(output, job, text, listing=listing)


def edit_again_at(output: Output, folder: Path, *, listing: Path | None = None) -> None:
    """What `edit JOB --again` does."""
    from flashbench.safe_write.between_rounds import demand_stored_edit

    with opened_job(output, folder) as job:
        stored = demand_stored_edit(job)
        output.say(
            f"{job.label}: the edit file of image {stored.image_number} of round"
            f" {stored.round_number}, applied afresh to the original of round {job.round_number}."
        )
        _edit(output, job, stored.text, listing=listing)
        output.facts["edit_of_round"] = stored.round_number


def _edit(output: Output, job: "Job", text: str, *, listing: Path | None) -> None:
    """Make and keep an image by the text of an edit file, which goes into its change sheet."""
    from flashbench.image.edit_file import parse_edit
    from flashbench.image.inspection import inspect
    from flashbench.safe_write import steps
    from flashbench.safe_write.between_rounds import (
        EDIT_FILE_KEY,
        demand_another_edit,
        start_of_edit,
    )

    wanted = parse_edit(text)
    start = start_of_edit(job)
    original = start.image
    if start.put_back_bytes:
        output.say(
            f"{job.label}: the edit of an earlier round is on the chip. This one starts from the"
            f" {many(start.put_back_bytes, 'byte')} that were there before it."
        )
    for kept in start.kept:
        output.say(
            f"Note: the board itself wrote into the earlier edit at {kept.offset:08x}; what it"
            " wrote there is left."
        )
    found = inspect(original)
    result = _applied(output, original, wanted, found)
    demand_another_edit(job, result.image)
    first = _said_first(original, result, found)
    told = _told(wanted, result) | {"first": first}
    edited = steps.take_in(job, result.image, names=result.names, told=told | {EDIT_FILE_KEY: text})
    output.facts = facts_of(job.label, edited) | told
    for sentence in first:
        output.say(f"First: {sentence}")
    if wanted.about:
        output.say(wanted.about)
    _say_reasons(output, result, original, told)
    tell_seen_before(output, job, edited, found.sure_blocks)
    say_changes(output, edited, names=result.names, listing=listing)


def _applied(
    output: Output, original: bytes, wanted: "EditFile", found: "Inspection"
) -> "EditResult":
    """The edit made. Where only the capacity is known, the bytes of each way are shown first."""
    from flashbench.image.apply_edit import apply_edit
    from flashbench.image.memory_edit import WayNeeded

    try:
        return apply_edit(original, wanted, other_checks=found.checks, digests=found.digests)
    except WayNeeded as refusal:
        output.facts["ways"] = list(refusal.ways)
        output.say("SPD bytes that would change, for each way to twice the capacity:")
        output.rows([tuple(way.split(": ", 1)) for way in refusal.ways])  # type: ignore[misc]
        raise


def _said_first(original: bytes, result: "EditResult", found: "Inspection") -> list[str]:
    """Where the board's table has a row for the fitted package, the flash may stay as it is."""
    from flashbench.image.strap_table import already_described

    told = [
        already_described(original, table, made.package)
        for table in found.tables
        for made in result.memory
    ]
    return list(dict.fromkeys(sentence for sentence in told if sentence))


def _told(wanted: "EditFile", result: "EditResult") -> dict[str, Any]:
    """What the change sheet keeps besides the bytes."""
    from flashbench.job.outcome import BOARD_GBIT_KEY

    capacity = [
        line
        for made in result.memory
        for line in made.capacity_lines(packages_on_board=wanted.packages_on_board)
    ]
    if capacity and wanted.packages_on_board is None:
        capacity.append("board: how many packages it has, the edit file does not say")
    return {
        "about": wanted.about,
        "changes": [_change_facts(change) for change in result.changes],
        "checks": [_check_facts(check) for check in result.checks],
        "capacity": list(dict.fromkeys(capacity)),
        BOARD_GBIT_KEY: _board_gbit(wanted, result),
        "doubts": list(result.doubts),
        "answers": {question.key: answer.value for question, answer in wanted.answers.items()},
        "questions": {question.key: question.value for question in result.questions},
    }


def _board_gbit(wanted: "EditFile", result: "EditResult") -> int | None:
    """The memory of the whole board, if all records say the same and the packages are counted."""
    of_package = {made.package.capacity_gbit for made in result.memory}
    if wanted.packages_on_board is None or len(of_package) != 1:
        return None
    return wanted.packages_on_board * of_package.pop()


def _say_reasons(
    output: Output, result: "EditResult", original: bytes, told: dict[str, Any]
) -> None:
    """Each change with its places and reason, the checks before and after, doubts, questions."""
    from flashbench.image.checks import judged, stored_value

    same: dict[tuple[bytes, bytes, str], list[str]] = {}
    for change in result.changes:
        why = change.why or change.name
        same.setdefault((change.old, change.new, why), []).append(f"{change.offset:#x}")
    rows = listed("changes", [f"{why} (at {', '.join(at)})" for (_, _, why), at in same.items()])
    checks = [
        f"{check.kind.value} at {check.offset:#x}: {judged(original, check).state.value},"
        f" {stored_value(original, check):0{2 * check.width}X} before;"
        f" {check.state.value}, {stored_value(result.image, check):0{2 * check.width}X} after"
        for check in result.checks
    ]
    rows += listed("checks", checks)
    rows += listed("capacity", told["capacity"])
    rows += listed("doubts", result.doubts or ("none",))
    rows += listed("answered", [f"{key}: {answer}" for key, answer in told["answers"].items()])
    rows += listed("open", [f"{question.value} ({question.key})" for question in result.questions])
    output.rows(rows)
    if result.questions:
        output.say(
            "No memory record says what is open above. Answer it in the edit file under [answers],"
            " or keep it in mind when the board does not start."
        )
    output.say()


def _change_facts(change: "AppliedChange") -> dict[str, Any]:
    return {
        "offset": change.offset,
        "old": change.old.hex(),
        "new": change.new.hex(),
        "name": change.name,
        "why": change.why,
    }


def _check_facts(check: "Check") -> dict[str, Any]:
    return {"kind": check.kind.value, "offset": check.offset, "holds": check.holds}
