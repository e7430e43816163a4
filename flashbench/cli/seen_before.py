"""What an edit says of itself: that the same was made on other boards, and how those went."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from flashbench.cli.output import Output

if TYPE_CHECKING:
    from flashbench.image.finds import Block
    from flashbench.job.folder import Job
    from flashbench.safe_write.steps import Edited


def tell_seen_before(
    output: Output, job: "Job", edited: "Edited", blocks: "Iterable[Block]"
) -> None:
    """Journal which blocks an image edits, and say where on the shelf the same was done.

    Raises:
        ChipUntouched: the disk refused.
    """
    from flashbench.image.edit_fingerprints import edit_fingerprints
    from flashbench.shelf.listing import read_shelf
    from flashbench.shelf.seen_before import note_edits, seen_before

    edits = edit_fingerprints(edited.original, edited.image, blocks)
    note_edits(job, edited.sha256, edits)
    entries = read_shelf(job.folder.resolve().parent).entries if edits else ()
    seen = [one for one in seen_before(entries, but=job.folder) if one.edit in edits]
    output.facts["seen_before"] = [
        {"signature": one.edit.signature.hex(), "jobs": one.jobs, "booted": one.booted}
        for one in seen
    ]
    for one in seen:
        output.say(one.sentence())
