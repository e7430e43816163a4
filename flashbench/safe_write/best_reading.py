"""A chip that never reads the same twice: what most of many reads say, as `BestReading`.

Not a `Backup` and not made into one: nothing that erases or programs the chip it came from takes
it. It may be edited, and written to another chip by `plan_replacement`.
"""

from collections.abc import Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

import numpy as np
import numpy.typing as npt

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.chip.profile import Address
from flashbench.errors import WrongCall
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_reader import BestReadingFile
from flashbench.progress import Progress, silent
from flashbench.safe_write.address_lines import off_address, tables_are_gone
from flashbench.safe_write.stable_read import ReadsDisagree, prove_size

_SEAL: Final = object()
READS: Final = 5
READS_MAX: Final = 31
_RANGES_LISTED: Final = 4096
_CHUNK: Final = 1 << 20


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class BestReading(Evidence):
    """The majority of several reads of a chip that never agreed. Not proven.

    Has no public constructor: see `read_best_effort` and `reload_best_reading`. `unstable` are
    the addresses at which the reads differed.
    """

    job: Job
    round_number: int
    image: bytes = field(repr=False)
    path: Path
    sha256: str
    density_bytes: int
    unstable: tuple[range, ...]
    unstable_bytes: int
    read_count: int
    size_sources: tuple[str, ...]
    size_doubt: str | None
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("BestReading has no public constructor: call read_best_effort()")


def read_best_effort(
    chip: Identified, job: Job, *, reads: int = READS, progress: Progress = silent
) -> BestReading:
    """Read the whole chip `reads` times, keep every read, and save what most of them say.

    The ways take turns: fast read at the full clock, plain read at half of it, from the middle on.

    Raises:
        TypeError: `chip` is not an Identified.
        WrongCall: `reads` is not odd, or not from 3 to 31.
        StepRefused: the round has its original or a best reading already.
        ReadsDisagree: the chip reads otherwise in short reads: long ones may be shifted alike,
            which is no matter of cells.
        ChipUntouched: another chip answers now; the disk refused.
        AdapterError, Interrupted: the bus failed or the user stopped; the chip was only read.
    """
    if not isinstance(chip, Identified):
        raise TypeError("read_best_effort() takes the Identified that identify() made")
    demand_odd(reads)
    chip.check_still_in_session()
    job.demand_nothing_dumped()
    held, saved = [], []
    for number in range(1, reads + 1):
        held.append(_read_once(chip, number, reads, progress))
        saved.append(job.save_doubtful_numbered(held[-1]))
    numbers = [one.number for one in saved]
    chip.demand_same_chip()
    image = majority(held)
    unstable = differing_ranges(held)
    _refuse_other_addresses(chip, image, kept=tuple(one.path for one in saved))
    sources, doubt = prove_size(chip, image)
    job.save_best_reading(
        image,
        unstable={
            "reads": numbers,
            "unstable_bytes": sum(map(len, unstable)),
            "unstable": [[one.start, one.stop] for one in unstable[:_RANGES_LISTED]],
            "listed_to": _listed_to(unstable, len(image)),
        },
        unstable_bytes=sum(map(len, unstable)),
        reads=numbers,
        chip_facts=chip.facts(),
        size_sources=sources,
        size_doubt=doubt,
    )
    return reload_best_reading(job)


def _refuse_other_addresses(chip: Identified, image: bytes, *, kept: tuple[Path, ...]) -> None:
    off = off_address(chip, image, sck_hz=reading.read_hz(chip, ReadKind.PLAIN), is_unstable=True)
    if off is not None:
        what = off.sentence(which_reads="Most reads")
    elif tables_are_gone(chip):
        what = "The chip's own tables (SFDP) do not read as they did before."
    else:
        return
    raise ReadsDisagree(
        f"{what} Every read is kept.",
        next_step="Clean and reseat the chip, check the MOSI line, shorten the leads or lower"
        " --clock, then dump again.",
        kept=kept,
    )


def demand_odd(reads: int) -> None:
    """Raise `WrongCall` if so many reads have no majority for every bit."""
    if reads % 2 == 0 or not 3 <= reads <= READS_MAX:
        raise WrongCall(
            f"{reads} reads have no majority for every bit, or are too few or too many.",
            next_step=f"Take an odd number of reads from 3 to {READS_MAX}.",
        )


def reload_best_reading(job: Job) -> BestReading:
    """The best reading of the job's current round, its bytes, hash file and journal compared.

    Raises:
        ChipUntouched: there is none, or it is not what was saved.
    """
    found = job.load_best_reading()
    return BestReading(
        job=job,
        round_number=job.round_number,
        image=found.data,
        path=found.path,
        sha256=found.saved.sha256,
        density_bytes=len(found.data),
        unstable=unstable_ranges(found),
        unstable_bytes=found.saved.unstable_bytes,
        read_count=len(found.saved.reads),
        size_sources=found.saved.size_sources,
        size_doubt=found.saved.size_doubt,
        seal=_SEAL,
    )


def majority(reads: Sequence[bytes]) -> bytes:
    """Each bit as most of an odd number of equally long reads have it."""
    size, half = len(reads[0]), len(reads) // 2
    result = bytearray(size)
    for start in range(0, size, _CHUNK):
        rows = [np.frombuffer(read[start : start + _CHUNK], np.uint8) for read in reads]
        same = np.logical_and.reduce([row == rows[0] for row in rows[1:]])
        chunk = rows[0].copy()
        where = np.flatnonzero(~same)
        bits = sum(np.unpackbits(row[where][:, None], axis=1).astype(np.int16) for row in rows)
        if len(where):
            chunk[where] = np.packbits(bits > half, axis=1)[:, 0]
        result[start : start + _CHUNK] = chunk.tobytes()
    return bytes(result)


def differing_ranges(reads: Sequence[bytes]) -> tuple[range, ...]:
    """Runs of addresses at which not all of the reads are equal, ascending."""
    first = np.frombuffer(reads[0], np.uint8)
    differs: npt.NDArray[np.bool_] = np.zeros(len(first), bool)
    for read in reads[1:]:
        differs |= np.frombuffer(read, np.uint8) != first
    edges = np.flatnonzero(np.diff(differs.astype(np.int8), prepend=0, append=0))
    return tuple(range(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def unstable_ranges(found: BestReadingFile) -> tuple[range, ...]:
    """The unstable addresses that were listed; what lies beyond the list counts as unstable.

    Raises:
        JobDamaged: the list is none.
    """
    listed, end = found.unstable.get("unstable"), found.unstable.get("listed_to")
    size = len(found.data)
    if not isinstance(listed, list) or not isinstance(end, int) or not 0 <= end <= size:
        raise _no_list()
    ranges = []
    for one in listed:
        match one:
            case [int(start), int(stop)] if 0 <= start < stop <= size:
                ranges.append(range(start, stop))
            case _:
                raise _no_list()
    return (*ranges, range(end, size)) if end < size else tuple(ranges)


def _no_list() -> JobDamaged:
    return JobDamaged("best-reading.json does not list unstable addresses.")


def _listed_to(unstable: Sequence[range], size: int) -> int:
    return unstable[_RANGES_LISTED].start if len(unstable) > _RANGES_LISTED else size


def _read_once(chip: Identified, number: int, count: int, progress: Progress) -> bytes:
    full_hz = reading.read_hz(chip, ReadKind.FAST)
    step = f"read {number} of {count}"
    if number % 2:
        return reading.read_whole(
            chip, kind=ReadKind.FAST, sck_hz=full_hz, step=step, progress=progress
        )
    return reading.read_whole(
        chip,
        kind=ReadKind.PLAIN,
        sck_hz=min(full_hz // 2, reading.read_hz(chip, ReadKind.PLAIN)),
        step=step,
        first=Address(chip.profile.density_bytes // 2),
        progress=progress,
    )
