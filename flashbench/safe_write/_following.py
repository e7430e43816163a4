"""Work on a read while the rest of it is still on the wire: hashing and comparing.

Both run on a thread of their own and let the reading one run on meanwhile.
"""

import hashlib
from collections.abc import Callable
from queue import SimpleQueue
from threading import Thread
from types import TracebackType
from typing import Self

import numpy as np

from flashbench.chip.profile import Address


class Following:
    """Hands the bytes of a read to `work` as they arrive. Used in a `with` around the read.

    When the `with` is left, everything that arrived has been worked on. What goes wrong in the
    work is raised there, unless the read itself went wrong.
    """

    def __init__(self, work: Callable[[Address, memoryview], None]) -> None:
        self._work = work
        self._parts: SimpleQueue[tuple[Address, memoryview] | None] = SimpleQueue()
        self._failure: Exception | None = None
        self._thread = Thread(target=self._follow, name="following a read", daemon=True)

    def arriving(self, start: Address, part: memoryview) -> None:
        """Take what has arrived; returns at once."""
        self._parts.put((start, part))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._parts.put(None)
        self._thread.join()
        if self._failure is not None and error is None:
            raise self._failure

    def _follow(self) -> None:
        while (parts := self._parts.get()) is not None:
            if self._failure is not None:
                continue
            try:
                self._work(*parts)
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
    """Whether a read equals `expected`, a picture of the whole array."""

    def __init__(self, expected: bytes) -> None:
        self._expected = np.frombuffer(expected, np.uint8)
        self._equal_bytes = 0

    def work(self, start: Address, part: memoryview) -> None:
        expected = self._expected[start : start + len(part)]
        if np.array_equal(np.frombuffer(part, np.uint8), expected):
            self._equal_bytes += len(part)

    @property
    def equal(self) -> bool:
        """All of the array has arrived and is as expected."""
        return self._equal_bytes == len(self._expected)
