"""Opening a job from two dumps made with other equipment: `dump JOB --from-files A B`."""

from pathlib import Path
from typing import Annotated

import typer

from flashbench.cli.given_files import read_image
from flashbench.cli.output import Output, size_text
from flashbench.errors import WrongCall
from flashbench.wording import command_line, quoted

FromFilesOption = Annotated[
    tuple[Path, Path] | None,
    typer.Option(
        "--from-files",
        metavar="FIRST SECOND",
        exists=True,
        dir_okay=False,
        show_default=False,
        help="Open the job from two dumps of the chip made with other equipment.",
    ),
]


def take_files_at(
    output: Output,
    folder: Path,
    files: tuple[Path, Path],
    *,
    label: str | None = None,
    again: bool = False,
) -> None:
    """What `dump --from-files` does."""
    from flashbench.job.booking import booked_in
    from flashbench.job.taken_files import take_files_in
    from flashbench.safe_write import screening

    if again:
        raise WrongCall(
            "A new round begins with a dump of the chip, not with files.",
            next_step="Leave out --again, or --from-files.",
        )
    first, second = files
    if first.samefile(second):
        raise WrongCall(
            f"{quoted(first)} and {quoted(second)} are one file, and prove nothing.",
            next_step="Name two files that were read from the chip one after the other.",
        )
    data = read_image(first)
    saved = take_files_in(folder, data, read_image(second), label=label)
    booked = booked_in(folder)
    output.label = label or folder.name if booked is None else booked.label
    notes = screening.notes(data)
    output.facts = {
        "label": output.label,
        "folder": str(folder),
        "from_files": str(saved.path),
        "sha256": saved.sha256,
        "bytes": len(data),
        "notes": list(notes),
        "has_backup": False,
    }
    output.say(f"{output.label}: the two files are equal, and are kept.")
    output.rows(
        [
            ("size", size_text(len(data))),
            ("image", str(saved.path)),
            ("sha256", saved.sha256),
            ("look", f"flashbench inspect {quoted(saved.path)}"),
            ("next", command_line("dump", folder)),
        ]
    )
    for note in notes:
        output.say(f"Note: {note}")
    output.say(
        f"{output.label}: this is no backup. Our own two reads of the chip make one, if they equal"
        " the files; until then nothing is edited or written."
    )
