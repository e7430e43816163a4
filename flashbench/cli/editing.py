"""The command that makes an edited image, by an edit file or from one made elsewhere: `edit`."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed, many
from flashbench.errors import WrongCall
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.image.apply_edit import AppliedChange, EditResult
    from flashbench.image.change_sheet import NamedRange
    from flashbench.image.checks import Check
    from flashbench.image.edit_file import EditFile
    from flashbench.safe_write.steps import Edited

_LISTING_LINES = 24


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
            help="Instead: an image of exactly the chip's size, edited elsewhere.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Make the edited image, and show what it changes byte by byte.

    \b
      flashbench edit board-17 larger-memory.toml
      flashbench edit board-17 --from-image new.bin

    Needs no adapter. An edit starts from the round's own original: everything that the edit
    file asks for is made in every copy, checks are recomputed, or nothing is made. An image
    edited elsewhere is taken as it is; make it from a copy of original.bin. It is kept as
    image-N.bin beside its change sheet, changes-N.json, and is what `write` then writes.

    With --json: label, image (its number), sha256, changed_bytes, ranges (offset, length);
    by an edit file also about, changes, checks, capacity, doubts, questions, first.
    """
    with command(json=json) as output:
        if (edit_file is None) == (from_image is None):
            raise WrongCall(
                "An edit is made by an edit file or taken from an image: one of the two.",
                next_step="Name an edit file, or an image with --from-image FILE.",
            )
        if edit_file is not None:
            edit_by_file_at(output, job, edit_file=edit_file)
        if from_image is not None:
            edit_at(output, job, from_image=from_image)


def edit_at(output: Output, folder: Path, *, from_image: Path) -> None:
    """What `edit --from-image` does."""
    from flashbench.job.folder import Job
    from flashbench.job.layout import IMAGE_BYTES_MAX
    from flashbench.safe_write import steps

    with Job.open(folder) as job:
        output.label = job.label
        edited = steps.take_in(job, _read(from_image, bytes_max=IMAGE_BYTES_MAX))
        output.facts = _facts(job.label, edited)
        _say_changes(output, edited)


def edit_by_file_at(output: Output, folder: Path, *, edit_file: Path) -> None:
    """What `edit JOB EDITFILE` does."""
    from flashbench.image.apply_edit import apply_edit
    from flashbench.image.edit_file import EDIT_FILE_BYTES_MAX, parse_edit, refused
    from flashbench.job.folder import Job
    from flashbench.safe_write import steps
    from flashbench.safe_write.backup import reload_backup

    try:
        wanted = parse_edit(_read(edit_file, bytes_max=EDIT_FILE_BYTES_MAX).decode())
    except UnicodeDecodeError as error:
        raise refused(f"It is no UTF-8 text: {error.reason} at byte {error.start}.") from error
    with Job.open(folder) as job:
        output.label = job.label
        original = reload_backup(job).image
        result = apply_edit(original, wanted, other_checks=_known_checks(original))
        edited = steps.take_in(job, result.image, names=result.names)
        first = _said_first(original, wanted)
        capacity = dict.fromkeys(line for made in result.memory for line in made.capacity_lines())
        output.facts = _facts(job.label, edited) | {
            "about": wanted.about,
            "changes": [_change_facts(change) for change in result.changes],
            "checks": [_check_facts(check) for check in result.checks],
            "capacity": list(capacity),
            "doubts": list(result.doubts),
            "questions": {question.key: question.value for question in result.questions},
            "first": first,
        }
        for sentence in first:
            output.say(f"First: {sentence}")
        if wanted.about:
            output.say(wanted.about)
        _say_reasons(output, result, original, capacity=list(capacity))
        _say_changes(output, edited, names=result.names)


def _known_checks(original: bytes) -> tuple["Check", ...]:
    """Checks of the image that an edit must not break, whether its file names them or not."""
    from flashbench.image.finds import Confidence
    from flashbench.image.memory_records import find_records
    from flashbench.image.private_blocks import find_private_blocks

    blocks = [
        block
        for block in find_private_blocks(original)
        if block.confidence is not Confidence.POSSIBLE and not block.ambiguous
    ]
    checks = [check for block in blocks for check in block.checks]
    return (*checks, *(record.crc for record in find_records(original)))


def _said_first(original: bytes, wanted: "EditFile") -> list[str]:
    """Where the board's table has a row for the fitted package, the flash may stay as it is."""
    from flashbench.image.memory_records import find_records
    from flashbench.image.strap_table import already_described, find_strap_tables

    packages = [memory.package for block in wanted.blocks for memory in block.memories]
    if not packages:
        return []
    tables = find_strap_tables(original, find_records(original))
    told = [already_described(original, t, package) for t in tables for package in packages]
    return list(dict.fromkeys(sentence for sentence in told if sentence))


def _say_reasons(
    output: Output, result: "EditResult", original: bytes, *, capacity: list[str]
) -> None:
    """Each change with its places and reason, the checks before and after, doubts, questions."""
    from flashbench.image.checks import judged, stored_value

    same: dict[tuple[bytes, bytes, str], list[str]] = {}
    for change in result.changes:
        told = change.why or change.name
        same.setdefault((change.old, change.new, told), []).append(f"{change.offset:#x}")
    rows = listed("changes", [f"{why} (at {', '.join(at)})" for (_, _, why), at in same.items()])
    checks = [
        f"{check.kind.value} at {check.offset:#x}: {judged(original, check).state.value},"
        f" {stored_value(original, check):0{2 * check.width}X} before;"
        f" {check.state.value}, {stored_value(result.image, check):0{2 * check.width}X} after"
        for check in result.checks
    ]
    rows += listed("checks", checks)
    rows += listed("capacity", capacity)
    rows += listed("doubts", result.doubts or ("none",))
    rows += listed("open", [f"{question.value} ({question.key})" for question in result.questions])
    output.rows(rows)
    if result.questions:
        output.say(
            "No memory record says what is open above. Answer it in the edit file under [answers],"
            " or keep it in mind when the board does not start."
        )
    output.say()


def _say_changes(output: Output, edited: "Edited", *, names: Sequence["NamedRange"] = ()) -> None:
    from flashbench.image.hex_listing import hex_listing

    output.say(
        f"{output.label}: image {edited.number} changes {many(edited.changed_bytes, 'byte')}"
        f" of {len(edited.image)}, in {many(len(edited.ranges), 'range')}."
    )
    output.block(hex_listing(edited.original, edited.image, names=names, lines_max=_LISTING_LINES))
    output.say()
    output.rows([("sha256", edited.sha256)])
    output.say(f"{output.label}: image {edited.number} is kept; nothing was written to a chip.")


def _facts(label: str, edited: "Edited") -> dict[str, Any]:
    return {
        "label": label,
        "image": edited.number,
        "sha256": edited.sha256,
        "changed_bytes": edited.changed_bytes,
        "ranges": [asdict(changed) for changed in edited.ranges],
    }


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


def _read(path: Path, *, bytes_max: int) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(bytes_max + 1)
    except OSError as error:
        raise WrongCall(
            f"{quoted(path)} cannot be read: {error.strerror}.",
            next_step="Name a file that you may read.",
        ) from error
