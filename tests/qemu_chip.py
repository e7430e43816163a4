"""A NOR chip that nobody here wrote: QEMU's m25p80 model, reached over its qtest socket.

A board with an ASPEED flash controller is started with no CPU running; in the controller's user
mode every byte written to its window is shifted out to the chip and every byte read is shifted in.
It differs from real chips where `tests/rehearsal/test_nor_chip_contract.py` says so.
"""

import base64
import json
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import pytest

_PROGRAM = "qemu-system-arm"
_CONFIGURATION, _ADDRESS_WIDTH, _CONTROL = 0x1E620000, 0x1E620004, 0x1E620010
_WINDOW = 0x20000000
_FAST_READS = (0x0B, 0x0C)
_DUMMY_TRANSFERS = {
    "is25": 1,
    "w25": 8,
    "mx": 8,
    "n25q": 8,
    "m25p": 8,
    "m45": 8,
    "mt25": 8,
    "s25": 8,
}
"""What the chip model takes after a fast read's address; 0 for the makers not listed."""
_USER_MODE, _CHIP_SELECT_HIGH = 3, 4
_PIECE_BYTES = 65536
_PATIENCE_S = 20.0


def skip_without_qemu() -> None:
    """Skip the running test if QEMU is not installed here."""
    if shutil.which(_PROGRAM) is None:
        pytest.skip(f"{_PROGRAM} is not installed: no chip model of foreign make to test against")


def _listening_at(path: Path) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(path))
    listener.listen(1)
    listener.settimeout(_PATIENCE_S)
    return listener


def _accepted(listener: socket.socket) -> tuple[socket.socket, BinaryIO]:
    with listener:
        connection, _ = listener.accept()
    connection.settimeout(_PATIENCE_S)
    return connection, connection.makefile("rb")


class QemuChip:
    """An `SpiTarget`. `answering` is always False, so full-duplex transfers read as FFh."""

    answering = False

    def __init__(self, model: str, contents: bytes) -> None:
        skip_without_qemu()
        self._dummies = next((n for key, n in _DUMMY_TRANSFERS.items() if model.startswith(key)), 0)
        self._folder = tempfile.TemporaryDirectory(prefix="qemu-chip-")
        folder = Path(self._folder.name)
        self._image = folder / "cells"
        self._image.write_bytes(contents)
        qtest, monitor = (_listening_at(folder / name) for name in ("qtest", "monitor"))
        self._process = subprocess.Popen(
            [
                *(_PROGRAM, "-machine", f"ast2500-evb,fmc-model={model}", "-accel", "tcg", "-S"),
                *("-display", "none", "-nodefaults", "-serial", "none", "-monitor", "none"),
                *("-qtest", f"unix:{folder / 'qtest'}", "-qtest-log", "none"),
                *("-qmp", f"unix:{folder / 'monitor'}"),
                *("-drive", f"file={self._image},format=raw,if=mtd"),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._socket, self._replies = _accepted(qtest)
        self._monitor, self._said = _accepted(monitor)
        self._said.readline()  # the greeting
        self._command("qmp_capabilities")
        self._frame_is_new = False
        self._write_register(_CONFIGURATION, 1 << 16 | 2)
        self._write_register(_CONTROL, _USER_MODE | _CHIP_SELECT_HIGH)

    def _ask(self, line: str) -> bytes:
        self._socket.sendall(line.encode() + b"\n")
        reply = self._replies.readline()
        if not reply.startswith(b"OK"):
            raise RuntimeError(f"QEMU answered {reply!r} to {line[:40]!r}")
        return reply[2:].strip()

    def _command(self, name: str) -> None:
        """Have a command of QEMU's machine protocol done; what it tells of meanwhile is left."""
        self._monitor.sendall(json.dumps({"execute": name}).encode() + b"\n")
        while "return" not in (reply := json.loads(self._said.readline())):
            if "error" in reply:
                raise RuntimeError(f"QEMU answered {reply} to {name}")

    def _write_register(self, address: int, value: int) -> None:
        self._ask(f"writel {address:#x} {value:#x}")

    def select(self, at_s: float) -> None:
        self._write_register(_CONTROL, _USER_MODE)
        self._frame_is_new = True

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        if self._frame_is_new and data[0] in _FAST_READS:
            self._begin_fast_read(data)
            data = b""
        self._frame_is_new = False
        self._send(data)

    def _begin_fast_read(self, data: bytes) -> None:
        """Opcode, address and dummy byte.

        The chip model counts transfers, not clocks. The controller makes eight of one byte, which
        it finds by the address width it was told, and only in its own access; a read is one.
        """
        self._write_register(_ADDRESS_WIDTH, int(len(data) == 6))
        self._send(data[:-1])
        if self._dummies == 8:
            self._send(data[-1:])
        elif self._dummies:
            self.shift_in(self._dummies, 0.0, 0.0)

    def _send(self, data: bytes) -> None:
        for start in range(0, len(data), _PIECE_BYTES):
            piece = data[start : start + _PIECE_BYTES]
            text = base64.b64encode(piece).decode()
            self._ask(f"b64write {_WINDOW:#x} {len(piece):#x} {text}")

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        pieces = []
        while count:
            taken = min(count, _PIECE_BYTES)
            pieces.append(base64.b64decode(self._ask(f"b64read {_WINDOW:#x} {taken:#x}")))
            count -= taken
        return b"".join(pieces)

    def deselect(self, at_s: float, stray_bits: int) -> None:
        if stray_bits:
            raise RuntimeError("QEMU's chip knows whole bytes only")
        self._write_register(_CONTROL, _USER_MODE | _CHIP_SELECT_HIGH)

    def cells(self) -> bytes:
        """The array, from the file behind it: what the chip holds without asking it.

        QEMU writes the file behind the chip's back; "stop" returns when all of it is written.
        """
        self._command("stop")
        return self._image.read_bytes()

    def close(self) -> None:
        """End the QEMU process and remove its files."""
        for end in (self._replies, self._socket, self._said, self._monitor):
            end.close()
        self._process.kill()
        self._process.wait(timeout=_PATIENCE_S)
        self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
