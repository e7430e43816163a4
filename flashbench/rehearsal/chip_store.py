"""Where a chip's cells and state live: in memory, or in a folder that outlives the process.

A folder survives SIGKILL at any instruction: cells are a shared mapping, the state is written
with one write into one of two slots in turn, and an operation is announced in both the state
and the operations file before the first cell changes. It does not promise to survive the
machine's own power loss; it is a model of a chip, not a data store.
"""

import json
import mmap
import os
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from flashbench.rehearsal.nor_operations import Buffer
from flashbench.rehearsal.one_owner import BINARY

State = dict[str, Any]
_SLOT_BYTES = 65536


class ChipStore(Protocol):
    """What a chip keeps and where."""

    def buffer(self, name: str, size: int, *, fill: int) -> Buffer:
        """The bytes kept under this name, filled with `fill` when new."""
        ...

    def load(self) -> State | None:
        """The state last kept; None for a new chip."""
        ...

    def keep(self, state: Callable[[], State]) -> None:
        """Keep the state. `state` is called only if this store outlives the process."""
        ...

    def note(self, line: Callable[[], str]) -> None:
        """Add a line to the operations file, if there is one."""
        ...


class MemoryStore:
    """A chip that is gone with its bench."""

    def __init__(self) -> None:
        self._buffers: dict[str, bytearray] = {}

    def buffer(self, name: str, size: int, *, fill: int) -> Buffer:
        return self._buffers.setdefault(name, bytearray(bytes((fill,)) * size))

    def load(self) -> State | None:
        return None

    def keep(self, state: Callable[[], State]) -> None:
        pass

    def note(self, line: Callable[[], str]) -> None:
        pass


class FolderStore:
    """A chip that lies in a folder: `cells`, `state`, `operations`, and what else it keeps."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._maps: dict[str, mmap.mmap] = {}
        self._state_file = os.open(folder / "state", os.O_RDWR | os.O_CREAT | BINARY, 0o600)
        self._operations_file = os.open(
            folder / "operations", os.O_WRONLY | os.O_CREAT | os.O_APPEND | BINARY, 0o600
        )
        self._turn = 0

    def buffer(self, name: str, size: int, *, fill: int) -> Buffer:
        if name not in self._maps:
            path = self.folder / name
            if not path.exists():
                path.write_bytes(bytes((fill,)) * size)
            if path.stat().st_size != size:
                raise ValueError(f"{path} has {path.stat().st_size} bytes, the part has {size}")
            with path.open("r+b") as file:
                self._maps[name] = mmap.mmap(file.fileno(), size)
        return self._maps[name]

    def load(self) -> State | None:
        states = [slot for slot in map(self._read_slot, (0, 1)) if slot is not None]
        if not states:
            return None
        newest = max(states, key=lambda state: int(state["turn"]))
        self._turn = int(newest["turn"]) + 1
        return newest

    def _read_slot(self, slot: int) -> State | None:
        os.lseek(self._state_file, slot * _SLOT_BYTES, os.SEEK_SET)  # pread() is Unix only
        raw = os.read(self._state_file, _SLOT_BYTES)
        length, check = int.from_bytes(raw[:4], "little"), int.from_bytes(raw[4:8], "little")
        text = raw[8 : 8 + length]
        if not length or len(text) != length or zlib.crc32(text) != check:
            return None
        state: State = json.loads(text)
        return state

    def keep(self, state: Callable[[], State]) -> None:
        text = json.dumps(state() | {"turn": self._turn}, separators=(",", ":")).encode()
        if len(text) + 8 > _SLOT_BYTES:
            raise ValueError(f"the chip's state takes {len(text)} bytes, a slot has {_SLOT_BYTES}")
        head = len(text).to_bytes(4, "little") + zlib.crc32(text).to_bytes(4, "little")
        os.lseek(self._state_file, self._turn % 2 * _SLOT_BYTES, os.SEEK_SET)
        os.write(self._state_file, head + text)
        self._turn += 1

    def note(self, line: Callable[[], str]) -> None:
        os.write(self._operations_file, line().encode() + b"\n")

    def close(self) -> None:
        """Let go of the files. The mapping is closed too, so the chip is of no use any more."""
        for mapping in self._maps.values():
            mapping.close()
        os.close(self._state_file)
        os.close(self._operations_file)
