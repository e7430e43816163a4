"""Work on a read while the rest of it is still on the wire: hashing and comparing.

It runs on a thread of its own and lets the reading one run on meanwhile.
"""

import hashlib
from collections.abc import Callable
from functools import partial
from queue import SimpleQueue
from threading import Thread
from types import TracebackType
from typing import Self

import numpy as np

from flashbench.chip.profile import Address


class Following:
    """Hands the bytes of a read to `works` as they arrive. Used in a `with` around the read.

    When the `with` is left, everything that arrived has been worked on. What goes wrong in the
    work is raised there, unless the read itself went wrong.
    """

    def __init__(self, *works: Callable[[Address, memoryview], None]) -> None:
        self._works = works
        self._asked: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._failure: Exception | None = None
        self._thread = Thread(target=self._follow, name="following a read", daemon=True)

    def arriving(self, start: Address, part: memoryview) -> None:
        """Take what has arrived; returns at once."""
        for work in self._works:
            self._asked.put(partial(work, start, part))

    def meanwhile(self, work: Callable[[], None]) -> None:
        """Have something done that needs no bytes of the read; returns at once."""
        self._asked.put(work)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._asked.put(None)
        self._thread.join()
        if self._failure is not None and error is None:
            raise self._failure

    def _follow(self) -> None:
        while (work := self._asked.get()) is not None:
            if self._failure is not None:
                continue
            try:
                work()
            except Exception as error:
                self._failure = error


class Digest:
    """The SHA-256 of a read that begins at the start of the array."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._end = 0

    def work(self, start: Address, part: memoryview) -> None:
        if start != self._end:
            raise ValueError(f"a digest goes from the start on: {start:#x} after {self._end:#x}")
        self._hash.update(part)
        self._end = start + len(part)

    @property
    def sha256(self) -> str:
        """Of all that has arrived, in hex."""
        return self._hash.hexdigest()


class Comparison:
    """How a read differs from `expected`, a picture of the whole array."""

    def __init__(self, expected: bytes) -> None:
        self._expected = np.frombuffer(expected, np.uint8)
        self._arrived_bytes = 0
        self.differing_bytes = 0
        self.first_difference: int | None = None

    def work(self, start: Address, part: memoryview) -> None:
        held, expected = np.frombuffer(part, np.uint8), self._expected[start : start + len(part)]
        self._arrived_bytes += len(part)
        if np.array_equal(held, expected):
            return
        where = np.flatnonzero(held != expected)
        self.differing_bytes += len(where)
        first = start + int(where[0])
        if self.first_difference is None or first < self.first_difference:
            self.first_difference = first

    @property
    def equal(self) -> bool:
        """All of the array has arrived and is as expected."""
        return not self.differing_bytes and self._arrived_bytes == len(self._expected)
