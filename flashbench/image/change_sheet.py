"""What differs between two images of one chip, as ranges and as the sheet kept in the job.

A change sheet is plain data for JSON: sizes, hashes, and every changed range with its old and
new bytes and the names of what lies there. It is bounded whatever the images are: above
`RANGES_MAX` ranges neighbours are joined over growing gaps, above `HEX_MAX` bytes a range is
given by its hash. Both are said in the sheet.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flashbench.errors import CheckFailed

RANGES_MAX = 4096
HEX_MAX = 4096  # bytes of one range written out in hex

_COMPARED_AT_ONCE = 1 << 20

_Edges = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, order=True)
class ChangedRange:
    """`length` bytes from `offset` on, every one of them different (unless joined)."""

    offset: int
    length: int

    @property
    def end(self) -> int:
        return self.offset + self.length


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRange:
    """A stretch of the image and what a technician would call it."""

    offset: int
    length: int
    name: str


def changed_ranges(old: bytes, new: bytes, *, join_gap: int = 0) -> tuple[ChangedRange, ...]:
    """Every maximal run of bytes that differ, ascending; runs at most `join_gap` apart are joined.

    Raises `CheckFailed` if the two images differ in size.
    """
    starts, ends = _joined(*_run_edges(old, new), gap=join_gap)
    return tuple(
        ChangedRange(start, end - start)
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
    )


def change_sheet(old: bytes, new: bytes, *, names: Sequence[NamedRange] = ()) -> dict[str, Any]:
    """The content of `changes-N.json`: what the edited image changes, ready for `json.dump`.

    Each of `ranges` has `offset`, `length`, `old` and `new` (hex, or `old_sha256` and
    `new_sha256` above `HEX_MAX` bytes) and `names`, those of `names` that it touches.
    Raises `CheckFailed` if the two images differ in size.
    """
    starts, ends = _run_edges(old, new)
    changed_bytes = int((ends - starts).sum())
    gap = 0
    while len(starts) > RANGES_MAX:
        gap = 2 * gap or 16
        starts, ends = _joined(starts, ends, gap=gap)
    ranges = [
        ChangedRange(start, end - start)
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
    ]
    return {
        "size": len(old),
        "old_sha256": hashlib.sha256(old).hexdigest(),
        "new_sha256": hashlib.sha256(new).hexdigest(),
        "changed_bytes": changed_bytes,
        "joined_over_gaps_up_to": gap,
        "ranges": [_sheet_row(old, new, changed, names) for changed in ranges],
    }


def names_touching(changed: ChangedRange, names: Iterable[NamedRange]) -> list[str]:
    """The names of all stretches that share a byte with `changed`, without repeats."""
    touching = [
        named.name
        for named in names
        if named.offset < changed.end and changed.offset < named.offset + named.length
    ]
    return list(dict.fromkeys(touching))


def _sheet_row(
    old: bytes, new: bytes, changed: ChangedRange, names: Sequence[NamedRange]
) -> dict[str, Any]:
    was, becomes = old[changed.offset : changed.end], new[changed.offset : changed.end]
    row: dict[str, Any] = {"offset": changed.offset, "length": changed.length}
    if changed.length <= HEX_MAX:
        row |= {"old": was.hex(), "new": becomes.hex()}
    else:
        row["old_sha256"] = hashlib.sha256(was).hexdigest()
        row["new_sha256"] = hashlib.sha256(becomes).hexdigest()
    return row | {"names": names_touching(changed, names)}


def _run_edges(old: bytes, new: bytes) -> tuple[_Edges, _Edges]:
    """Starts and ends of the runs of differing bytes."""
    if len(old) != len(new):
        raise CheckFailed(
            f"The two images differ in size: {len(old)} and {len(new)} bytes.",
            next_step="Compare images of the same chip; a whole image keeps its size when edited.",
        )
    starts: list[_Edges] = []
    ends: list[_Edges] = []
    inside = False
    for base in range(0, len(old), _COMPARED_AT_ONCE):
        was, becomes = old[base : base + _COMPARED_AT_ONCE], new[base : base + _COMPARED_AT_ONCE]
        if was == becomes:
            flips = np.zeros(1 if inside else 0, dtype=np.int64)
            inside_after = False
        else:
            differs = np.frombuffer(was, np.uint8) != np.frombuffer(becomes, np.uint8)
            flips = np.flatnonzero(np.diff(differs, prepend=inside))
            inside_after = bool(differs[-1])
        edges = flips + base
        starts.append(edges[1 if inside else 0 :: 2])
        ends.append(edges[0 if inside else 1 :: 2])
        inside = inside_after
    if inside:
        ends.append(np.array([len(old)], dtype=np.int64))
    nothing = np.zeros(0, dtype=np.int64)
    return np.concatenate([nothing, *starts]), np.concatenate([nothing, *ends])


def _joined(starts: _Edges, ends: _Edges, *, gap: int) -> tuple[_Edges, _Edges]:
    if gap <= 0 or len(starts) < 2:
        return starts, ends
    apart = starts[1:] - ends[:-1] > gap
    return starts[np.concatenate([[True], apart])], ends[np.concatenate([apart, [True]])]
