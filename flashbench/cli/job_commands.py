"""The commands that need the job's folder and no chip: `edit`, `next`."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from flashbench.cli.options import JobArgument, JsonOption
from flashbench.cli.output import Output, command, listed, many
from flashbench.errors import WrongCall

_LISTING_LINES = 24


def edit(
    job: JobArgument,
    from_image: Annotated[
        Path,
        typer.Option(
            "--from-image",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            show_default=False,
            help="An image of exactly the chip's size, edited elsewhere.",
        ),
    ],
    json: JsonOption = False,
) -> None:
    """Take in an edited image, and show what it changes byte by byte.

    \b
      flashbench edit board-17 --from-image new.bin

    Needs no adapter. Make the image from a copy of the job's own original.bin. It is kept as
    image-N.bin beside its change sheet, changes-N.json, and is what `write` then writes.

    With --json: label, image (its number), sha256, changed_bytes, ranges (offset, length).
    """
    with command(json=json) as output:
        edit_at(output, job, from_image=from_image)


def edit_at(output: Output, folder: Path, *, from_image: Path) -> None:
    """What `edit --from-image` does."""
    from flashbench.image.hex_listing import hex_listing
    from flashbench.job.folder import Job
    from flashbench.safe_write import steps

    with Job.open(folder) as job:
        output.label = job.label
        edited = steps.take_in(job, _read(from_image))
        output.facts = {
            "label": job.label,
            "image": edited.number,
            "sha256": edited.sha256,
            "changed_bytes": edited.changed_bytes,
            "ranges": [asdict(changed) for changed in edited.ranges],
        }
        output.say(
            f"{job.label}: image {edited.number} changes {many(edited.changed_bytes, 'byte')}"
            f" of {len(edited.image)}, in {many(len(edited.ranges), 'range')}."
        )
        output.block(hex_listing(edited.original, edited.image, lines_max=_LISTING_LINES))
        output.say()
        output.rows([("sha256", edited.sha256)])
        output.say(f"{job.label}: image {edited.number} is kept; nothing was written to a chip.")


def _read(path: Path) -> bytes:
    from flashbench.job.layout import IMAGE_BYTES_MAX

    try:
        with path.open("rb") as file:
            return file.read(IMAGE_BYTES_MAX + 1)
    except OSError as error:
        raise WrongCall(
            f"{path} cannot be read: {error.strerror}.", next_step="Name a file that you may read."
        ) from error


def next_(job: JobArgument, json: JsonOption = False) -> None:
    """Say what is proven of a job, and which command comes next.

    \b
      flashbench next board-17

    The first thing to run after an accident. Needs no adapter.

    With --json: label, proven (sentences), command, why.
    """
    with command(json=json) as output:
        next_at(output, job)


def next_at(output: Output, folder: Path) -> None:
    """What `next` does."""
    from flashbench.job.folder import Job
    from flashbench.safe_write import steps

    with Job.open(folder) as job:
        output.label = job.label
        coming = steps.next_step(job)
        output.facts = {
            "label": job.label,
            "proven": list(coming.proven),
            "command": coming.command,
            "why": coming.why,
        }
        output.say(job.label)
        output.rows(
            [
                *listed("proven", coming.proven or ("nothing yet",)),
                ("next", coming.command),
                ("because", coming.why),
            ]
        )
        output.say(f"{job.label}: nothing was sent to a chip.")
