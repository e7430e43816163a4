"""Before anything is heated: may the fitted packages work on this board at all? Pure.

What rules a board out is common practice: no edit of a flash chip adds an address line to a
processor or a wire to a board.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from flashbench.image.inspection import Editable
from flashbench.image.memory_package import capacity_text


class Verdict(Enum):
    """The value is what the guide says."""

    GO = "go"
    NO_GO = "no-go"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Feasibility:
    """What is known before anything was touched. None: not known."""

    limit_gbit: int | None  # what the processor takes in all
    wanted_gbit: int | None
    same_type: bool | None  # LPDDR5 for LPDDR5, ...
    same_balls: bool | None  # outline and ball-out of the packages
    more_ranks: bool | None  # the new package needs more chip selects than the old one
    ranks_wired: bool | None  # asked only if `more_ranks`
    straps_readable: bool | None
    records: Sequence[Editable] | None  # of an earlier dump or an update file; None: none at hand


def judge(known: Feasibility) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict, and every reason against it or for doubt, one sentence each."""
    against = tuple(_against(known))
    if against:
        return Verdict.NO_GO, against
    unknown = tuple(_open(known))
    return (Verdict.NOT_KNOWN, unknown) if unknown else (Verdict.GO, ())


def _against(known: Feasibility) -> Iterator[str]:
    if (
        known.limit_gbit is not None
        and known.wanted_gbit is not None
        and known.wanted_gbit > known.limit_gbit
    ):
        yield (
            f"The processor takes {capacity_text(known.limit_gbit)} at most, and"
            f" {capacity_text(known.wanted_gbit)} are wanted."
        )
    if known.same_type is False:
        yield "Memory types differ in supply, pins or training and cannot replace each other."
    if known.same_balls is False:
        yield "A package with other balls does not fit the board's pads."
    if known.more_ranks and known.ranks_wired is False:
        yield "The wires of the second rank are not there, and no edit adds them."
    barred = (Editable.SIGNED, Editable.DIGEST)
    if known.records and all(record in barred for record in known.records):
        yield (
            "Every memory record found lies under a signature or a stored digest: the board would"
            " refuse the edit."
        )


def _open(known: Feasibility) -> Iterator[str]:
    if known.limit_gbit is None:
        yield "How much memory the processor takes is not known: its datasheet tells."
    if known.wanted_gbit is None:
        yield "How much memory the board shall have is not known."
    if known.same_type is None:
        yield "Whether the packages are of one memory type is not known: the markings tell."
    if known.same_balls is None:
        yield "Whether the balls are the same is not known: both datasheets tell."
    if known.more_ranks is None:
        yield "Whether the new packages need more ranks is not known: their datasheet tells."
    elif known.more_ranks and known.ranks_wired is None:
        yield "Whether the wires of the second rank are there is not known."
    if not known.straps_readable:
        yield "Without the straps it may stay open which memory record the board uses."
    if known.records is None:
        yield "No image of this board was looked into: whether its records can be edited is open."
    elif Editable.HERE not in known.records:
        yield "No memory record that can be edited where it is was found in the image."
