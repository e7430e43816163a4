"""Complete reads that were kept because they did not agree. Pure functions."""

from collections.abc import Iterable, Iterator

from flashbench.job.events import DoubtfulSaved, Event
from flashbench.report.chip_map import cell_bytes_for, differing_bytes
from flashbench.report.view import ReadDifference
from flashbench.safe_write import screening


def pairs_of_doubtful(story: Iterable[Event]) -> Iterator[tuple[int, int]]:
    """The numbers of reads that were made together: they were saved one right after the other."""
    waiting: int | None = None
    for event in story:
        if not isinstance(event, DoubtfulSaved):
            waiting = None
        elif waiting is None:
            waiting = event.number
        else:
            yield waiting, event.number
            waiting = None


def compare_reads(numbers: tuple[int, int], first: bytes, second: bytes) -> ReadDifference | None:
    """Where two reads of the same size differ; None if they are not of the same size."""
    if len(first) != len(second):
        return None
    found = screening.disagreement(first, second)
    one, two = (f"{DoubtfulSaved.STEM}-{number}" for number in numbers)
    return ReadDifference(
        names=(one, two),
        byte_count=found.byte_count if found else 0,
        first=found.first if found else None,
        rising_bits=found.rising_bits if found else 0,
        falling_bits=found.falling_bits if found else 0,
        lanes=found.lanes if found else (0,) * 8,
        cell_bytes=cell_bytes_for(len(first)),
        cells=differing_bytes(first, second),
    )
