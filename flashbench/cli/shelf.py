"""`flashbench shelf`: list, find, check, hand over, forget many jobs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.bag import OtherBag, demand_bag
from flashbench.cli.bars import Bars
from flashbench.cli.bench import demand_someone_to_ask
from flashbench.cli.options import JsonOption
from flashbench.cli.output import COLUMNS, Output, bytes_text, command, listed, many
from flashbench.cli.stopping import Stopping
from flashbench.errors import CheckFailed, WrongCall
from flashbench.wording import command_line, quoted, shown

if TYPE_CHECKING:
    from flashbench.shelf.entry import Entry
    from flashbench.shelf.listing import Shelf

_NO_DATE = "-" * 10
_EDITS_SHOWN = 10


def shelf(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="DIR", show_default=False, help="The folder that the job folders are in."
        ),
    ] = Path(),
    find: Annotated[
        str | None,
        typer.Option(
            "--find",
            metavar="TEXT",
            show_default=False,
            help="Only jobs with this text in label, folder name, chip, standing or what was noted"
            " at intake; or with this JEDEC or unique ID, these first 8 or more digits of the"
            " sha256 of an original or image, or its short code.",
        ),
    ] = None,
    check: Annotated[
        bool,
        typer.Option("--check", show_default=False, help="Read every file and compare all hashes."),
    ] = False,
    hand_over: Annotated[
        str | None,
        typer.Option(
            "--hand-over",
            metavar="JOB",
            show_default=False,
            help="Pack one job, with its hashes, into a ZIP file.",
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            show_default=False,
            help="Where --hand-over packs to. Default: JOB.zip beside the job.",
        ),
    ] = None,
    forget: Annotated[
        str | None,
        typer.Option(
            "--forget",
            metavar="JOB",
            show_default=False,
            help="Delete one job. A line without personal data stays.",
        ),
    ] = None,
    label: Annotated[
        str | None,
        typer.Option(
            "--label",
            metavar="TEXT",
            show_default=False,
            help="With --forget: what is read from the bag, at least its last three characters.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """List the jobs in a folder, oldest first. Needs no adapter.

    \b
      flashbench shelf jobs
      flashbench shelf jobs --find "Miller"
      flashbench shelf jobs --find 9f3c02aa41d7
      flashbench shelf jobs --check
      flashbench shelf jobs --hand-over board-17
      flashbench shelf jobs --forget board-17

    What cannot be read is listed as damaged, and nothing is changed by listing, finding and
    checking. Where --find finds nothing, the status is 1. --forget asks for the last three
    characters of the label; where a chip was left half-written, for all of it.

    With --json: folder, other_folders, forgotten, jobs (each folder, label, standing, date,
    created, chip, jedec_ids, unique_ids, size_bytes, rounds, note, images, unfinished, outcome,
    damage), edits (made in two jobs or more: signature, edit_sha256, jobs, booted); with
    --check also findings; with --hand-over file, sha256, files, bytes; with --forget kept
    (the line that stays) and second_copies (folders).
    """
    with command(json=json, only_tells=hand_over is None and forget is None) as output:
        if sum((check or find is not None, hand_over is not None, forget is not None)) > 1:
            raise WrongCall(
                "Listing, --hand-over and --forget are done one at a time.",
                next_step="Give one of them.",
            )
        if hand_over is not None:
            hand_over_at(output, folder, hand_over, to=to)
        elif forget is not None:
            forget_at(output, folder, forget, label=label)
        else:
            shelf_at(output, folder, find_text=find, check=check)


def shelf_at(
    output: Output, folder: Path, *, find_text: str | None = None, check: bool = False
) -> None:
    """What `shelf`, `shelf --find` and `shelf --check` do."""
    from flashbench.shelf.forgetting import read_forgotten
    from flashbench.shelf.listing import find, read_shelf

    found = read_shelf(folder)
    entries = found.entries if find_text is None else find(found.entries, find_text)
    output.facts = {
        "folder": str(folder),
        "other_folders": found.other_count,
        "forgotten": len(read_forgotten(folder)),
        "jobs": [_facts(entry) for entry in entries],
    }
    _list(output, entries)
    _say_damage(output, entries)
    _say_edits(output, entries)
    _say_counts(output, found, entries, forgotten=output.facts["forgotten"])
    if find_text is not None and not entries:
        raise CheckFailed(
            f"No job in {quoted(folder)} is found by {find_text!r}.",
            next_step="Searched are labels, folder names, chips, standings, what was noted at"
            " intake, JEDEC and unique IDs, hashes and short codes of images; what stands inside"
            f" an image is not. All jobs: flashbench shelf {quoted(folder)}",
        )
    if check:
        _check(output, entries)


def _list(output: Output, entries: "tuple[Entry, ...]") -> None:
    width = max((len(entry.standing.value) for entry in entries), default=0)
    for entry in entries:
        day = (entry.last_at or entry.created or _NO_DATE)[:10]
        head = f"{day}  {entry.standing.value:<{max(width, 15)}}  {_cut(entry.chip_text, 14):<14}  "
        # The folder is what commands take, and alone tells two jobs of one label apart.
        folder = entry.folder.name
        named = folder if entry.label == folder else f"{folder}: {entry.label}"
        note = f", {entry.note}" if entry.note else ""
        output.block(head + _cut(f"{named}{note}", COLUMNS - len(head)))


def _say_damage(output: Output, entries: "tuple[Entry, ...]") -> None:
    for entry in entries:
        if entry.damage is not None:
            output.say(f"{entry.folder.name}: damaged. {entry.damage}")


def _say_edits(output: Output, entries: "tuple[Entry, ...]") -> None:
    from flashbench.shelf.seen_before import seen_before

    seen = seen_before(entries, jobs_min=2)
    output.facts["edits"] = [
        {
            "signature": one.edit.signature.hex(),
            "edit_sha256": one.edit.edit_sha256,
            "jobs": one.jobs,
            "booted": one.booted,
        }
        for one in seen
    ]
    for one in seen[:_EDITS_SHOWN]:
        output.say(one.sentence())


def _say_counts(
    output: Output, found: "Shelf", entries: "tuple[Entry, ...]", *, forgotten: int
) -> None:
    counts = [many(len(entries), "job")]
    if len(entries) != len(found.entries):
        counts[0] += f" of {len(found.entries)}"
    if found.other_count:
        counts.append(f"{many(found.other_count, 'other folder')} passed over")
    if forgotten:
        counts.append(f"{many(forgotten, 'job')} forgotten on purpose")
    half_written = [entry for entry in entries if entry.unfinished]
    output.say(f"{', '.join(counts)}.")
    for entry in half_written:
        output.say(f"{entry.label}: half-written. Run: {command_line('next', entry.folder)}")


def _check(output: Output, entries: "tuple[Entry, ...]") -> None:
    from flashbench.shelf.checking import check_entries

    stopping = Stopping(output.warn)
    with stopping.on_signals(), Bars(label="", stop=stopping.request, model_time=False) as bars:
        checked = list(check_entries(entries, progress=bars))
    output.facts["findings"] = [
        {
            "folder": str(each.entry.folder),
            "path": one.path,
            "seen": one.seen,
            "damaged": one.damaged,
        }
        for each in checked
        for one in each.findings
    ]
    for each in checked:
        rows = [f"{one.path} {one.seen}" for one in each.findings]
        if rows:
            output.rows(listed(_cut(each.entry.label, 20), rows))
    damaged = [each.entry.label for each in checked if each.damaged]
    if damaged:
        raise CheckFailed(
            f"{many(len(damaged), 'job')} of {len(checked)} not as saved: {', '.join(damaged[:8])}"
            f"{', ...' if len(damaged) > 8 else ''}.",
            next_step="Put the files that are named back from a second copy of the job.",
        )
    output.say(f"{many(len(checked), 'job')} checked: every file is as it was saved.")


def hand_over_at(output: Output, folder: Path, name: str, *, to: Path | None = None) -> None:
    """What `shelf --hand-over` does."""
    from flashbench.shelf.hand_over import hand_over

    entry = _named(folder, name)
    output.label = entry.label
    packed = hand_over(entry.folder, to or folder / f"{entry.folder.name}.zip")
    output.facts = {
        "label": entry.label,
        "file": str(packed.path),
        "sha256": packed.sha256,
        "files": packed.file_count,
        "bytes": packed.byte_count,
    }
    output.say(f"{entry.label}: packed, and read back.")
    output.rows(
        [
            ("file", str(packed.path)),
            ("holds", f"{many(packed.file_count, 'file')}, {bytes_text(packed.byte_count)}"),
            ("sha256", packed.sha256),
            ("to prove it", "unpack it, then in its folder: sha256sum -c SHA256SUMS"),
        ]
    )
    output.say(
        "It holds the serial numbers, addresses and keys of a board: it is for its owner alone."
    )


def forget_at(output: Output, folder: Path, name: str, *, label: str | None = None) -> None:
    """What `shelf --forget` does."""
    from dataclasses import asdict

    from flashbench.shelf.forgetting import forget

    entry = _named(folder, name)
    if entry.half_written_count:
        _demand_whole_label(output, entry, read=label)
    else:
        demand_bag(output, entry.label, read=label)
    output.label = entry.label
    line = forget(entry)
    output.facts = {
        "label": entry.label,
        "folder": str(entry.folder),
        "kept": asdict(line),
        "second_copies": list(entry.second_copies),
    }
    output.say(f"{entry.label}: deleted. What was handed over or copied elsewhere still exists.")
    output.rows([(key, str(value)) for key, value in asdict(line).items()])
    if entry.second_copies:
        output.say("On the second shelf its originals are still there; delete them by hand:")
        output.rows(listed("copy", entry.second_copies))


def _demand_whole_label(output: Output, entry: "Entry", *, read: str | None) -> None:
    """Of a half-written chip nothing but its whole label, typed with open eyes, will do."""
    count = entry.half_written_count
    if entry.unfinished and count == 1:
        which = "its chip is half-written"
    elif count == 1:
        which = "a chip of it was left half-written when another one was written"
    else:
        which = f"{count} chips of it are half-written"
    output.warn(
        f"{entry.label}: {which}. Without this folder nobody can finish or restore"
        f" {'it' if count == 1 else 'them'}. Only the whole label deletes it."
    )
    if read is None:
        demand_someone_to_ask(output, yes=False)
        read = output.ask_text("The whole label on the bag?", labelled=False) or ""
    if read.strip() != entry.label:
        raise OtherBag(
            f"{read.strip()!r} is not the whole label of this job.",
            next_step=f"Finish or restore the chip first: {command_line('next', entry.folder)}",
        )


def _named(folder: Path, name: str) -> "Entry":
    """The job of this name on the shelf: its folder's name, or a path to it."""
    from flashbench.shelf.entry import read_entry

    path = Path(name)
    inside = folder / path.name
    entry = read_entry(inside)
    if path.name not in ("", "..") and path in (Path(path.name), inside) and entry is not None:
        return entry
    raise WrongCall(
        f"There is no job {quoted(name)} in {quoted(folder)}.",
        next_step=f"See what is there: flashbench shelf {quoted(folder)}",
    )


def _facts(entry: "Entry") -> dict[str, Any]:
    return {
        "folder": str(entry.folder),
        "label": entry.label,
        "standing": entry.standing.value,
        "date": entry.last_at or entry.created,
        "created": entry.created,
        "chip": entry.chip_text,
        "jedec_ids": list(dict.fromkeys(chip.jedec_id for chip in entry.chips)),
        "unique_ids": [chip.unique_id for chip in entry.chips if chip.unique_id is not None],
        "size_bytes": entry.size_bytes,
        "rounds": entry.round_count,
        "note": entry.note,
        "images": [
            {"round": image.round_number, "name": image.name, "sha256": image.sha256}
            for image in entry.images
        ],
        "unfinished": entry.unfinished,
        "outcome": None if entry.outcome is None else entry.standing.value,
        "damage": entry.damage,
    }


def _cut(text: str, columns: int) -> str:
    plain = shown(text)
    return plain if len(plain) <= columns else plain[: columns - 3] + "..."
