"""The journal: hash-chained JSON lines, and a head that says how many there must be.

A line is one JSON object, `{"n":..,"at":..,"kind":..,"facts":{..},"prev":..,"sha256":..}`. `prev`
is the `sha256` of the line before (64 zeros in the first); `sha256` is the hash of the line's own
bytes up to that key. `journal.head` holds the number and the hash of the last line known to be on
the medium, and is replaced after each sync. So a changed, missing or reordered line that the head
covers is noticed. The chain shows damage; it does not prove who wrote it.

What the head does not cover was never promised to anyone: after a loss of power those bytes may be
there, torn, or zeros. They are read as far as they verify, and the rest is ignored. Nothing is
done to a chip before the line that announces it is covered.
"""

import contextlib
import errno
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Self

import msgspec

from flashbench.job.disk import Disk, Kind
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_files import read_whole

JOURNAL = "journal.jsonl"
HEAD = "journal.head"
RESERVE = "journal.reserve"

JOURNAL_BYTES_MAX = 256 << 20
LINE_BYTES_MAX = 8 << 20
HEAD_BYTES_MAX = 256

_NO_LINE = "0" * 64
_TAIL = re.compile(rb',"sha256":"([0-9a-f]{64})"}\Z')

Now = Callable[[], datetime]


def system_now() -> datetime:
    """The calendar's time of this machine, in UTC."""
    return datetime.now(UTC)


class LineRefused(ValueError):
    """A line that could not be read back again: nothing of it was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a journal, verified or about to be written."""

    n: int  # counts from 1
    at: str  # ISO 8601, UTC, as the machine's calendar had it
    kind: str
    facts: Mapping[str, object]
    prev: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """How many lines the medium surely holds, and the hash of the last of them."""

    count: Annotated[int, msgspec.Meta(ge=0)]
    sha256: str


EMPTY_HEAD = Head(count=0, sha256=_NO_LINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """The lines of a journal that verify, and how many bytes they take.

    `torn_bytes` follow them that verify as nothing; the head did not promise them.
    """

    lines: tuple[Line, ...]
    size: int
    torn_bytes: int
    head: Head


def encode_line(
    kind: str, facts: Mapping[str, object], *, at: str, after: Line | None
) -> tuple[Line, bytes]:
    """The next line and its bytes, newline included. Facts must be JSON."""
    n, prev = (after.n + 1, after.sha256) if after else (1, _NO_LINE)
    body = {"n": n, "at": at, "kind": kind, "facts": facts, "prev": prev}
    text = json.dumps(body, separators=(",", ":"), allow_nan=False).encode()[:-1]
    sha256 = hashlib.sha256(text).hexdigest()
    data = text + f',"sha256":"{sha256}"}}\n'.encode()
    return Line(n=n, at=at, kind=kind, facts=facts, prev=prev, sha256=sha256), data


def decode_line(data: bytes, *, after: Line | None) -> Line | None:
    """The line that `data` (no newline) is, or None if it cannot follow `after`."""
    tail = _TAIL.search(data)
    if tail is None or len(data) > LINE_BYTES_MAX:
        return None
    sha256 = tail[1].decode()
    if hashlib.sha256(data[: tail.start()]).hexdigest() != sha256:
        return None
    try:
        line = msgspec.json.decode(data, type=Line)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
        return None
    n, prev = (after.n + 1, after.sha256) if after else (1, _NO_LINE)
    return line if (line.n, line.prev, line.sha256) == (n, prev, sha256) else None


def encode_head(head: Head) -> bytes:
    """The bytes of `journal.head`."""
    return f'{{"count":{head.count},"sha256":"{head.sha256}"}}\n'.encode()


def decode_head(data: bytes) -> Head | None:
    """The head these bytes are, or None. There is one way to write each head."""
    try:
        head = msgspec.json.decode(data, type=Head)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
        return None
    return head if encode_head(head) == data else None


def verify(journal: bytes, head: Head) -> Verified:
    """Read a journal against its head; raises `JobDamaged` if it is not what the head promises."""
    lines: list[Line] = []
    size = 0
    while (end := journal.find(b"\n", size)) >= 0:
        line = decode_line(journal[size:end], after=lines[-1] if lines else None)
        if line is None:
            break
        lines.append(line)
        size = end + 1
    if len(lines) < head.count:
        raise JobDamaged(
            f"{JOURNAL} is damaged: {head.count} lines were written, and only the first"
            f" {len(lines)} are as written; line {len(lines) + 1} was cut, edited or moved."
        )
    if head.sha256 != (lines[head.count - 1].sha256 if head.count else _NO_LINE):
        raise JobDamaged(
            f"{JOURNAL} and {HEAD} contradict each other at line {head.count}:"
            " one of them was replaced."
        )
    torn_bytes = len(journal) - size
    return Verified(lines=tuple(lines), size=size, torn_bytes=torn_bytes, head=head)


def read_journal(disk: Disk, folder: Path) -> Verified:
    """Read and verify the journal in `folder`. Raises `JobDamaged`, or `OSError` from the disk."""
    head_data = read_whole(disk, folder / HEAD, at_most=HEAD_BYTES_MAX)
    head = decode_head(head_data)
    if head is None:
        raise JobDamaged(f"{HEAD} is damaged: it is not a count and a hash.")
    return verify(read_whole(disk, folder / JOURNAL, at_most=JOURNAL_BYTES_MAX), head)


class Journal:
    """Appends lines, syncs them, and remembers what the disk has not taken.

    Lines that are not to be synced at once are synced with the next that is, when a second has
    passed since the last sync, or by `flush`. Whatever is not synced stays in memory too: after a
    failed write or fsync the file's tail is unknown, so it is cut off and written again, never
    just synced again (the system may have dropped the pages it could not write).
    """

    def __init__(self, disk: Disk, folder: Path, found: Verified, *, now: Now) -> None:
        self._disk = disk
        self._folder = folder
        self._now = now
        self.lines = list(found.lines)
        self._synced_size = found.size
        self._unsynced = b""
        self._tail_known = found.torn_bytes == 0
        self._head_stale = found.head.count != len(found.lines)
        self._descriptor: int | None = None
        self._last_sync = now()
        self.failure: OSError | None = None

    @classmethod
    def create(cls, disk: Disk, folder: Path, *, now: Now) -> Self:
        """An empty journal in `folder`, on the medium. Raises `OSError`."""
        disk.write_new(folder / JOURNAL, b"", read_only=False)
        disk.write_over(folder / HEAD, encode_head(EMPTY_HEAD))
        return cls(disk, folder, Verified(lines=(), size=0, torn_bytes=0, head=EMPTY_HEAD), now=now)

    @classmethod
    def open(cls, disk: Disk, folder: Path, *, now: Now) -> Self:
        """The journal in `folder`. Raises `JobDamaged`, or `OSError` from the disk."""
        return cls(disk, folder, read_journal(disk, folder), now=now)

    def append(self, kind: str, facts: Mapping[str, object], *, sync: bool) -> Line:
        """Add a line, or raise `OSError`; with `sync` it is on the medium and under the head.

        Raises `LineRefused` before anything is written if it could not be read back. After an
        `OSError` the line is in `lines` only if it can no longer be taken back: it reached
        the medium, and the head may or may not cover it.
        """
        line, data = self._next(kind, facts)
        try:
            self._put(data)
            self.lines.append(line)
            self._unsynced += data
            if sync or self._sync_is_due():
                self._sync()
        except OSError:
            self._take_back(line, data)
            raise
        return line

    def append_or_remember(self, kind: str, facts: Mapping[str, object], *, sync: bool) -> Line:
        """Add a line and never raise for the disk's sake: `failure` tells while it is in memory.

        Raises `LineRefused` as `append` does.

        For work that must be finished because cells are already changed. The disk is tried again
        when a sync is asked for or a second has passed.
        """
        line, data = self._next(kind, facts)
        must_sync = sync or self._sync_is_due()
        try:
            if self._tail_known or must_sync:
                self._put(data)
        except OSError as error:
            self._remember(error)
        self.lines.append(line)
        self._unsynced += data
        if must_sync and self._tail_known:
            try:
                self._sync()
            except OSError as error:
                self._remember(error)
        return line

    def flush(self) -> None:
        """Put everything on the medium and under the head. Raises `OSError`."""
        if self._unsynced or self._head_stale:
            self._sync()

    def reserve(self, byte_count: int) -> None:
        """Set disk space aside for lines to come, until `close`. Raises `OSError`.

        It is kept in a file of its own, given up when the disk is full: on most file systems the
        journal then finds room. Where writing always takes new space this is only likely.
        """
        path = self._folder / RESERVE
        self._give_up_reserve()
        descriptor = self._disk.create_new(path)
        try:
            self._disk.allocate(descriptor, byte_count)
            self._disk.sync(descriptor)
        finally:
            self._disk.close(descriptor)

    def close(self) -> None:
        """Flush, give the reserve back, and close. Raises `OSError` if lines stay unwritten."""
        try:
            self.flush()
            self._give_up_reserve()
        finally:
            if self._descriptor is not None:
                descriptor, self._descriptor = self._descriptor, None
                self._disk.close(descriptor)  # gone, whatever it says

    def _next(self, kind: str, facts: Mapping[str, object]) -> tuple[Line, bytes]:
        at = self._now().isoformat(timespec="milliseconds")
        after = self.lines[-1] if self.lines else None
        try:
            line, data = encode_line(kind, facts, at=at, after=after)
        except (TypeError, ValueError) as error:
            raise LineRefused(f"it is not JSON: {error}") from error
        if decode_line(data[:-1], after=after) is None:
            raise LineRefused("its text could not be read back")
        return line, data

    def _sync_is_due(self) -> bool:
        passed_s = (self._now() - self._last_sync).total_seconds()
        return not 0 <= passed_s < 1  # a calendar set back must not put syncs off

    def _put(self, data: bytes) -> None:
        self._spending_the_reserve(lambda: self._write(data))

    def _write(self, data: bytes) -> None:
        descriptor = self._opened()
        if not self._tail_known:
            self._disk.truncate(descriptor, self._synced_size)
            data = self._unsynced + data
        self._tail_known = False
        self._disk.write(descriptor, data)
        self._tail_known = True

    def _sync(self) -> None:
        self._spending_the_reserve(self._sync_lines)
        self._synced_size += len(self._unsynced)
        self._unsynced = b""
        self._head_stale = True
        self._spending_the_reserve(self._write_head)
        self._head_stale = False
        self._last_sync = self._now()
        self.failure = None

    def _sync_lines(self) -> None:
        if not self._tail_known:
            self._write(b"")
        self._tail_known = False
        self._disk.sync(self._opened())
        self._tail_known = True

    def _write_head(self) -> None:
        last = self.lines[-1] if self.lines else None
        head = Head(count=last.n, sha256=last.sha256) if last else EMPTY_HEAD
        self._disk.write_over(self._folder / HEAD, encode_head(head))

    def _spending_the_reserve(self, step: Callable[[], None]) -> None:
        try:
            step()
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT) or not self._give_up_reserve():
                raise
            step()

    def _remember(self, error: OSError) -> None:
        self.failure = error
        self._last_sync = self._now()

    def _take_back(self, line: Line, data: bytes) -> None:
        """Leave no line in the file that its writer is told has failed, if the disk lets us."""
        if self._unsynced and self.lines[-1] is line:
            self.lines.pop()
            self._unsynced = self._unsynced[: -len(data)]
        if not self._tail_known:
            with contextlib.suppress(OSError):  # the caller already gets the first error
                self._write(b"")

    def _opened(self) -> int:
        if self._descriptor is None:
            self._descriptor = self._disk.open_to_append(self._folder / JOURNAL)
        return self._descriptor

    def _give_up_reserve(self) -> bool:
        path = self._folder / RESERVE
        if self._disk.kind(path) is Kind.ABSENT:
            return False
        self._disk.unlink(path)
        return True
