"""How fast to work on a chip that a job knows: found anew each time, as for the dump.

Reads go at the fastest clock that leaves a margin, and never faster than the job's own dump was
read: beyond that nothing is proven of these leads. Frames that can change the chip are slower,
since no read tells how many of the bits sent arrive as they are, and one that flips in an address
changes another place: at most half the fastest clock at which all was read right, and never above
`CHANGE_HZ_MAX`. What that costs is small beside the cells' own time.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.contact import SLOW_HZ, ClockProof, settle_clock
from flashbench.chip.identity import Identified
from flashbench.job.events import OriginalSaved
from flashbench.job.folder import Job
from flashbench.job.unfinished import merged
from flashbench.progress import Progress, silent

CHANGE_HZ_MAX: Final = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingClock:
    """What was settled on. `proof` is None where the slowest clock is taken for want of one.

    `dumped_hz` is what the dump of this chip was read at, None if that is not known.
    """

    read_hz: int
    change_hz: int
    proof: ClockProof | None
    dumped_hz: int | None

    @property
    def is_below_the_dumps(self) -> bool:
        """Whether it is slower than the dump because less was found to read right.

        A dump may have been read at the fastest clock that there is, with no margin.
        """
        if self.dumped_hz is None or self.read_hz >= self.dumped_hz:
            return False
        return self.proof is None or self.proof.stable_hz < self.proof.tried[0].clock_hz


@contextmanager
def at_working_clock(
    chip: Identified,
    *,
    dumped_hz: int | None = None,
    avoiding: Sequence[range] = (),
    to_change: bool,
    progress: Progress = silent,
) -> Iterator[WorkingClock]:
    """Check the contact and work at the clocks that follow from it. Only reads for that.

    The adapter's clock is the fastest wanted. `avoiding` are ranges that an accident left
    half-done. Where the work is `to_change` the chip, the way of the bits sent is tried as well.

    Raises:
        ReadsUnsteady: the contact is not good; it says what was seen and what to do.
        AdapterError, Interrupted: the bus failed or the user stopped; the chip was only read.
    """
    adapter = chip.adapter
    with adapter.clock_limited_to(dumped_hz or adapter.clock_hz):
        proof = settle_clock(chip, avoiding=avoiding, sent_too=to_change, progress=progress)
        read_hz = proof.clock_hz if proof is not None else SLOW_HZ
        fastest_right_hz = proof.stable_hz if proof is not None else 2 * SLOW_HZ
        with (
            adapter.clock_limited_to(read_hz),
            adapter.changes_limited_to(min(CHANGE_HZ_MAX, fastest_right_hz // 2)),
        ):
            yield WorkingClock(
                read_hz=chip.clock_hz,
                change_hz=chip.change_clock_hz,
                proof=proof,
                dumped_hz=dumped_hz,
            )


def read_at_settled_clock(
    chip: Identified,
    *,
    avoiding: Sequence[range] = (),
    step: str,
    progress: Progress = silent,
) -> bytes:
    """The whole chip, read once, for a question that one wrong byte would answer the wrong way.

    Contact and clock are checked first, though the chip may have been only identified so far.
    Raises as `at_working_clock`.
    """
    with at_working_clock(chip, avoiding=avoiding, to_change=False, progress=progress):
        return reading.read_whole(
            chip,
            kind=ReadKind.PLAIN,
            sck_hz=reading.read_hz(chip, ReadKind.PLAIN),
            step=step,
            progress=progress,
        )


def dumped_at_hz(job: Job) -> int | None:
    """The clock that the newest round's dump was read at; None in a job that did not keep it."""
    dumped = job.dumped
    return dumped.clock_hz if isinstance(dumped, OriginalSaved) else None


def half_done_ranges(job: Job) -> tuple[range, ...]:
    """What may read differently each time on a chip that this job left half-written."""
    writes = (job.unfinished_on(number) for number in job.half_written_chips)
    return tuple(merged(part for write in writes if write is not None for part in write.suspect))
