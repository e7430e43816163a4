"""What interrupted writes can have left on a chip that only its contents tell from others. Pure.

Units are finished one by one, in the order in which they were announced. So an interrupted write
leaves what it led to in the first of them, one unit in between, and in all others what was there
before. The unit in between is the first that does not hold what the write led to: that holds also
where the journal's lines on the last units were lost. What it holds may be anything at all, which
is why it is the only place where contents that nobody knows are taken for this chip's.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

PAGE: Final = 256
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class InterruptedWrite:
    """One write of a chip since that was last proven.

    `units` are byte ranges in the order of the announcement; `proven` those of them that were
    recorded as read back. `target` is None if the file of what it led to is damaged.
    """

    units: tuple[range, ...]
    proven: frozenset[range]
    target: bytes | None = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """How one chip's story explains what is held, by addresses of pages of 256 bytes.

    `strange` is the first page that it does not explain, one that nobody knows before one that is
    `out_of_place` only; None if it explains all. `torn` are those that hold what nobody knows, in
    units that were under way.
    """

    strange: int | None
    out_of_place: bool
    torn: frozenset[int]


def explained(
    image: bytes,
    *,
    before: Sequence[bytes],
    writes: Sequence[InterruptedWrite],
    reached: Sequence[range] = (),
) -> Explanation:
    """Whether interrupted `writes` (oldest first) lead from `before` to `image`.

    Each page that no write came to equals that of one of the pictures `before`. In `reached` an
    erase of another size than stated may have left pages blank. A unit as large as the chip
    explains nothing: it is planned only for chips that are known by their number.
    """
    blank = _pages(image).min(axis=1) == 0xFF
    excused = _marked(len(blank), reached) & blank
    fine: Flags = np.zeros(len(blank), bool)
    under_way: Flags = np.zeros(len(blank), bool)
    denied: Flags = np.zeros(len(blank), bool)
    known = equals_any(image, before) | blank
    for write in reversed(writes):
        led_to = excused if write.target is None else equals_any(image, [write.target]) | excused
        known |= led_to
        for unit in write.units:
            where = slice(unit.start // PAGE, -(-unit.stop // PAGE))
            is_lost = write.target is None and unit in write.proven
            if is_lost or (fine | led_to)[where].all():
                fine[where] = True
                known[where] |= is_lost
            elif unit in write.proven:
                denied[where] |= ~(fine | led_to)[where]
            else:
                if len(unit) < len(image):
                    under_way[where] |= ~fine[where]
                    fine[where] = True
                break
    unlike = ~equals_any(image, before)
    strange = denied | (unlike & ~fine & ~excused)
    unknown = strange & unlike & ~known
    first = np.flatnonzero(unknown if unknown.any() else strange)
    return Explanation(
        strange=int(first[0]) * PAGE if len(first) else None,
        out_of_place=not unknown.any(),
        torn=frozenset(int(page) * PAGE for page in np.flatnonzero(under_way & ~known)),
    )


def equals_any(image: bytes, known: Sequence[bytes]) -> Flags:
    """Which pages equal that of one of `known`, each as long as `image`."""
    pages = _pages(image)
    equal: Flags = np.zeros(len(pages), bool)
    for picture in known:
        equal |= (pages == _pages(picture)).all(axis=1)
    return equal


def _marked(count: int, ranges: Sequence[range]) -> Flags:
    marked: Flags = np.zeros(count, bool)
    for stretch in ranges:
        marked[stretch.start // PAGE : -(-stretch.stop // PAGE)] = True
    return marked


def _pages(image: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(image, np.uint8).reshape(-1, PAGE)
