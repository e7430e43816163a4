"""`flashbench whose`: which job on the shelf the chip in the socket belongs to."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.options import (
    BenchOptions,
    JsonOption,
    WorkingClockOption,
    with_bench_options,
)
from flashbench.cli.output import Output, command, listed, many
from flashbench.cli.working_clock import any_chip_to_read
from flashbench.wording import command_line, quoted

if TYPE_CHECKING:
    from flashbench.shelf.whose import Likeness, Whose

_NEAREST_SHOWN = 3


@with_bench_options(before="json", clock=WorkingClockOption)
def whose(
    options: BenchOptions,
    shelf: Annotated[
        Path,
        typer.Argument(
            metavar="SHELF", show_default=False, help="The folder that the job folders are in."
        ),
    ] = Path(),
    json: JsonOption = False,
) -> None:
    """Say which job on the shelf the chip belongs to. Changes nothing.

    \b
      flashbench whose jobs --supply 3.3

    The chip is read once and compared with every original and image on the shelf, first by
    hash, then sector by sector. Its unique ID, where it has one that can be read, counts most.
    Each dump keeps a few bytes for each sector, so that a thousand jobs are compared without
    reading their images.

    Ends with status 4 if the job's write to this chip was begun and is not proven: leave the
    chip in, and finish or restore it.

    With --json: owner (folder, label, spare, round, image, equal, same_sectors, sectors) or
    null, by_unique_id (folders), equal and nearest (each as owner), half_written, sha256,
    jedec_id, unique_id.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        whose_at(output, shelf, options)


def whose_at(output: Output, shelf: Path, options: BenchOptions) -> None:
    """What `whose` does."""
    from flashbench.shelf.half_written import half_written_by, half_written_job
    from flashbench.shelf.listing import read_shelf
    from flashbench.shelf.not_compared import damaged_sentences
    from flashbench.shelf.whose import read_chip
    from flashbench.shelf.whose import whose as whose_chip

    entries = read_shelf(shelf).entries

    with any_chip_to_read(output, options) as at:
        found = whose_chip(read_chip(at.chip, progress=at.progress), entries, progress=at.progress)
        at.progress.close()
        left = half_written_job(found, entries)
        output.facts = _facts(found) | {"half_written": left is not None}
        _say(output, found, job_count=len(entries), shelf=shelf)
        for sentence in damaged_sentences(entries):
            output.say(sentence)
        if left is not None:
            raise half_written_by(left)


def _say(output: Output, found: "Whose", *, job_count: int, shelf: Path) -> None:
    owner, held = found.owner, found.held
    if owner is not None:
        what = "a spare chip, no board's, made from" if found.is_spare else "the chip of"
        output.say(f"This is {what} job {owner.label}.")
        holds = "nothing that the job knows" if held is None else _alike(held)
        rows = [("folder", str(owner.folder)), ("holds", holds)]
        if owner in found.by_unique_id:
            rows.append(("known by", f"its unique ID, {found.seen.chip.unique_id}"))
        foreign = [each for each in found.equal if each.entry != owner]
        if held is None or not held.equal:
            rows += listed("but equals", [_of_job(each) for each in foreign[:_NEAREST_SHOWN]])
        rows += _others(found)
        rows.append(("next", command_line("next", owner.folder)))
        output.rows(rows)
    elif found.equal:
        output.say("Several jobs know what this chip holds, so which one it is of is not clear.")
        output.rows(listed("equals", [_of_job(each) for each in found.equal]))
    else:
        output.say(
            f"No job on this shelf is clearly the one of this chip ({many(job_count, 'job')} in"
            f" {quoted(shelf)})."
        )
        if found.nearest:
            output.rows(listed("nearest", [_of_job(e) for e in found.nearest[:_NEAREST_SHOWN]]))


def _others(found: "Whose") -> list[tuple[str, str]]:
    """The next most alike jobs, so that a close race is seen."""
    others = [each for each in found.nearest if each.entry != found.owner]
    return listed("others", [_of_job(each) for each in others[: _NEAREST_SHOWN - 1]])


def _of_job(likeness: "Likeness") -> str:
    return f"{likeness.entry.label}: {_alike(likeness)}"


def _alike(likeness: "Likeness") -> str:
    from flashbench.shelf.owner import alike_text

    return alike_text(likeness)


def _facts(found: "Whose") -> dict[str, Any]:
    owner, held = found.owner, found.held
    return {
        "owner": None
        if owner is None
        else {
            "folder": str(owner.folder),
            "label": owner.label,
            "spare": found.is_spare,
            **(_what(held) if held is not None else dict.fromkeys(_WHAT)),
        },
        "by_unique_id": [str(entry.folder) for entry in found.by_unique_id],
        "equal": [_likeness_facts(each) for each in found.equal],
        "nearest": [_likeness_facts(each) for each in found.nearest],
        "sha256": found.seen.sha256,
        "jedec_id": found.seen.chip.jedec_id,
        "unique_id": found.seen.chip.unique_id,
    }


_WHAT = ("round", "image", "equal", "same_sectors", "sectors")


def _what(likeness: "Likeness") -> dict[str, Any]:
    image = likeness.image
    values = (
        image.round_number,
        image.name,
        likeness.equal,
        likeness.same_sectors,
        likeness.sector_count,
    )
    return dict(zip(_WHAT, values, strict=True))


def _likeness_facts(likeness: "Likeness") -> dict[str, Any]:
    entry = likeness.entry
    return {"folder": str(entry.folder), "label": entry.label, **_what(likeness)}
