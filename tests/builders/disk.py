"""A disk that counts its operations and, at one of them, does what disks and power do.

Fault model. Must be survived (the job opens, or says what is damaged, and whatever was returned
as saved is there and right):

- an operation is refused before it does anything, once or from then on (full, read-only, failing);
- a write stops half-way; an operation is done and reported as failed;
- the process is killed before or half-way through an operation; the system closes its files;
- power is lost: of names and of contents, separately, either only what was synced is left or
  everything that was done.

Must be detected: a write that reports success and stores something else.

Left out: a drive that loses what it said it had synced (beyond any program), and a file system
that mixes synced and unsynced contents of one file in other ways than "a prefix" or "all".
"""

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from flashbench.job.disk import Disk, Kind


class Does(Enum):
    """What happens at the operation that a fault names."""

    FULL = "refuse it, after half of a write, with ENOSPC"
    FAIL = "refuse it with EIO"
    READ_ONLY = "refuse it with EROFS"
    HELD = "refuse it with EACCES: another program holds the file"
    FAIL_AFTER = "do it and report EIO"
    KILL = "end the process before it"
    KILL_HALF_WAY = "end the process after half of a write"
    LIE = "flip one bit of what is written"


_REFUSALS = (Does.FULL, Does.FAIL, Does.READ_ONLY, Does.HELD)
_CODES = {Does.FULL: errno.ENOSPC, Does.READ_ONLY: errno.EROFS, Does.HELD: errno.EACCES}


@dataclass(frozen=True, kw_only=True)
class DiskFault:
    """One fault; its repr replays it."""

    at: int  # operations count from 1
    does: Does
    from_then_on: bool = False


class Killed(BaseException):
    """The process is gone. Not an Exception: nothing in flashbench may catch it."""


@dataclass
class _Node:
    """A file or folder as the fake remembers it: what was done, and what was synced."""

    is_folder: bool
    content: bytes = b""
    synced_content: bytes = b""
    names: dict[str, "_Node"] = field(default_factory=dict)
    synced_names: dict[str, "_Node"] = field(default_factory=dict)


class FaultyDisk(Disk):
    """The real file system under `root`, counted, with at most one fault."""

    def __init__(self, root: Path, fault: DiskFault | None = None) -> None:
        self.root = root
        self.fault = fault
        self.operations: list[str] = []
        self.fault_fired = False
        self._dead = False
        self._open: dict[int, _Node | None] = {}
        self._tree = _remember(root)

    def _begin(self, name: str) -> Does | None:
        """Count an operation, and refuse it or end the process if that is its fault."""
        if self._dead:
            raise Killed
        self.operations.append(name)
        does = self._fault_now()
        if does in (Does.KILL, Does.KILL_HALF_WAY) and name != "write":
            self._die()
        if does in _REFUSALS and name != "write":
            raise _error(does)
        return does

    @contextmanager
    def _operation(self, name: str) -> Iterator[Does | None]:
        does = self._begin(name)
        yield does
        if does is Does.FAIL_AFTER:
            raise _error(does)

    def _fault_now(self) -> Does | None:
        fault, n = self.fault, len(self.operations)
        if fault is None or n < fault.at or (n > fault.at and not fault.from_then_on):
            return None
        self.fault_fired = True
        return fault.does

    def _die(self) -> None:
        self._dead = True
        self.fault_fired = True
        raise Killed

    @property
    def is_dead(self) -> bool:
        """Whether the process has ended."""
        return self._dead

    def end_process(self) -> None:
        """What the system does when a process is gone: close its files, and so its locks."""
        self._dead = True
        for descriptor in list(self._open):
            super().close(descriptor)
        self._open.clear()

    def leave_after_power_loss(
        self, to: Path, *, names_synced: bool, contents_synced: bool
    ) -> None:
        """Write into `to` what the medium holds: only the synced part of names, of contents."""
        _write_tree(self._tree, to, names_synced=names_synced, contents_synced=contents_synced)

    def _node(self, path: Path) -> _Node:
        node = self._tree
        for part in path.relative_to(self.root).parts:
            node = node.names[part]
        return node

    def make_folder(self, path: Path) -> None:
        with self._operation("make_folder"):
            super().make_folder(path)
            self._node(path.parent).names[path.name] = _Node(is_folder=True)

    def make_private(self, path: Path) -> None:
        with self._operation("make_private"):
            super().make_private(path)

    def create_new(self, path: Path) -> int:
        with self._operation("create_new"):
            descriptor = super().create_new(path)
            node = _Node(is_folder=False)
            self._node(path.parent).names[path.name] = node
            self._open[descriptor] = node
        return descriptor

    def open_to_append(self, path: Path) -> int:
        with self._operation("open_to_append"):
            descriptor = super().open_to_append(path)
            self._open[descriptor] = self._node(path)
        return descriptor

    def write(self, descriptor: int, data: bytes) -> None:
        with self._operation("write") as does:
            if does in (Does.FAIL, Does.READ_ONLY, Does.HELD, Does.KILL):
                data = b""
            if does in (Does.FULL, Does.KILL_HALF_WAY):
                data = data[: len(data) // 2]
            if does is Does.LIE and data:
                data = bytes([data[0] ^ 1]) + data[1:]
            super().write(descriptor, data)
            node = self._open[descriptor]
            assert node is not None, "the lock's file is never written"
            node.content += data
            if does in (Does.KILL, Does.KILL_HALF_WAY):
                self._die()
            if does in _REFUSALS:
                raise _error(does)

    def truncate(self, descriptor: int, size: int) -> None:
        with self._operation("truncate"):
            super().truncate(descriptor, size)
            node = self._open[descriptor]
            assert node is not None
            node.content = node.content[:size]

    def sync(self, descriptor: int) -> None:
        with self._operation("sync"):
            # Not asked of the real disk: what is synced is what `leave_after_power_loss` says.
            node = self._open[descriptor]
            assert node is not None
            node.synced_content = node.content

    def close(self, descriptor: int) -> None:
        # The system closes even where it reports an error, so that no test leaks a descriptor.
        if not self._dead:
            self._open.pop(descriptor)
            super().close(descriptor)
        with self._operation("close"):
            pass

    def make_read_only(self, path: Path) -> None:
        with self._operation("make_read_only"):
            super().make_read_only(path)

    def move_new(self, source: Path, target: Path) -> None:
        with self._operation("move_new"):
            super().move_new(source, target)
            self._moved(source, target)

    def move_over(self, source: Path, target: Path) -> None:
        with self._operation("move_over"):
            super().move_over(source, target)
            self._moved(source, target)

    def _moved(self, source: Path, target: Path) -> None:
        node = self._node(source.parent).names.pop(source.name)
        self._node(target.parent).names[target.name] = node

    def sync_folder(self, path: Path) -> None:
        with self._operation("sync_folder"):
            node = self._node(path)
            node.synced_names = dict(node.names)

    def unlink(self, path: Path) -> None:
        with self._operation("unlink"):
            super().unlink(path)
            del self._node(path.parent).names[path.name]

    def remove_folder(self, path: Path) -> None:
        with self._operation("remove_folder"):
            super().remove_folder(path)
            del self._node(path.parent).names[path.name]

    def kind(self, path: Path) -> Kind:
        self._begin("kind")
        return super().kind(path)

    def names(self, folder: Path) -> tuple[str, ...]:
        self._begin("names")
        return super().names(folder)

    def _read(self, path: Path, *, at_most: int, cached: bool) -> bytes:
        self._begin("read")
        return super()._read(path, at_most=at_most, cached=True)

    def lock(self, path: Path) -> int:
        with self._operation("lock"):
            descriptor = super().lock(path)
            self._node(path.parent).names.setdefault(path.name, _Node(is_folder=False))
            self._open[descriptor] = None
        return descriptor

    def lock_folder(self, path: Path) -> int | None:
        with self._operation("lock_folder"):
            descriptor = super().lock_folder(path)
            if descriptor is not None:
                self._open[descriptor] = None
        return descriptor

    def free_bytes(self, folder: Path) -> int:
        self._begin("free_bytes")
        return super().free_bytes(folder)

    def allocate(self, descriptor: int, byte_count: int) -> None:
        with self._operation("allocate"):
            super().allocate(descriptor, byte_count)
            node = self._open[descriptor]
            assert node is not None
            node.content += bytes(byte_count)


def _error(does: Does) -> OSError:
    return OSError(_CODES.get(does, errno.EIO), does.value)


def _remember(path: Path) -> _Node:
    if not path.is_dir():
        data = path.read_bytes()
        return _Node(is_folder=False, content=data, synced_content=data)
    names = {each.name: _remember(each) for each in path.iterdir()}
    return _Node(is_folder=True, names=names, synced_names=dict(names))


def _write_tree(node: _Node, to: Path, *, names_synced: bool, contents_synced: bool) -> None:
    if not node.is_folder:
        to.write_bytes(node.synced_content if contents_synced else node.content)
        return
    to.mkdir(mode=0o700, exist_ok=True)
    for name, each in (node.synced_names if names_synced else node.names).items():
        _write_tree(each, to / name, names_synced=names_synced, contents_synced=contents_synced)
