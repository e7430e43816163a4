"""What is said of an edited image that a job has taken in."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flashbench.cli.given_files import write_new
from flashbench.cli.output import Output, many

if TYPE_CHECKING:
    from flashbench.image.change_sheet import NamedRange
    from flashbench.safe_write.steps import Edited

_LISTING_LINES = 48
_ALL_LINES = 1 << 20


def say_changes(
    output: Output,
    edited: "Edited",
    *,
    names: "Sequence[NamedRange]" = (),
    listing: Path | None = None,
) -> None:
    """Old and new bytes side by side, and that the image is kept; all lines into `listing`."""
    from flashbench.image.hex_listing import hex_listing

    output.say(
        f"{output.label}: image {edited.number} changes {many(edited.changed_bytes, 'byte')}"
        f" of {len(edited.image)}, in {many(len(edited.ranges), 'range')}."
    )
    output.block(hex_listing(edited.original, edited.image, names=names, lines_max=_LISTING_LINES))
    output.say()
    output.rows([("sha256", edited.sha256)])
    if listing is not None:
        write_new(
            listing, hex_listing(edited.original, edited.image, names=names, lines_max=_ALL_LINES)
        )
        output.facts["listing"] = str(listing)
        output.rows([("listing", str(listing))])
    output.say(f"{output.label}: image {edited.number} is kept; nothing was written to a chip.")


def facts_of(label: str, edited: "Edited") -> dict[str, Any]:
    """The keys that every way of editing gives to scripts."""
    return {
        "label": label,
        "image": edited.number,
        "sha256": edited.sha256,
        "changed_bytes": edited.changed_bytes,
        "ranges": [asdict(changed) for changed in edited.ranges],
    }
