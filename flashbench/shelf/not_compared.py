"""What of the shelf a chip was not compared with: for whoever agrees that it is nobody's."""

from collections.abc import Sequence
from typing import Final

from flashbench.shelf.entry import Entry
from flashbench.wording import command_line

_NAMED_MAX: Final = 8


def damaged_sentences(entries: Sequence[Entry]) -> tuple[str, ...]:
    """That some of `entries` have rounds which nobody can read; nothing if none has."""
    names = [entry.folder.name for entry in entries if entry.has_gaps]
    if not names:
        return ()
    shown = ", ".join(names[:_NAMED_MAX]) + (", ..." if len(names) > _NAMED_MAX else "")
    shelf = next(entry.folder.parent for entry in entries if entry.has_gaps)
    return (
        f"Not compared: {shown} (damaged; only rounds that can be read were). See"
        f" {command_line('shelf', shelf)}",
    )


def at_work_sentence(entry: Entry) -> str:
    """That a neighbour's chip was taken to lie in another process's socket."""
    return f"{entry.label} is being written by another process now; not compared."
