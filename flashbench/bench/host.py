"""The computer of the bench: kept from sleeping during a write, and asked what feeds it.

Nothing here stops a write: where the platform offers nothing, that is said, and the write goes on.
"""

import os
import select
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import Final

import psutil
import wakepy

_READY_S_MAX: Final = 2.0
_WHY: Final = "a flash chip is being written"
_HOLD: Final = ("sh", "-c", "echo ready; exec cat")
"""Ends when its input does: with the command, and with a process that was killed too."""

Inhibitor = Callable[[], AbstractContextManager[bool]]
"""Asks a platform to stay awake; the context says whether it agreed."""


@contextmanager
def staying_awake(ways: Sequence[Inhibitor] | None = None) -> Iterator[bool]:
    """Keep the host from sleeping while this lasts; whether some way of the platform agreed.

    The first of `ways` that agrees is used; without them those of this platform.
    """
    with ExitStack() as held:
        yield any(_agrees(way, held) for way in (_ways() if ways is None else ways))


def battery_sentence() -> str | None:
    """What to say of a computer that runs on its battery; None if it does not, or has none."""
    try:
        battery = psutil.sensors_battery()
    except (AttributeError, NotImplementedError, OSError, psutil.Error):
        return None  # not asked about on this platform
    if battery is None or battery.power_plugged is not False:
        return None
    return f"this computer runs on its battery, which is {battery.percent:.0f} % full: plug it in"


def hub_sentence(port_numbers: Sequence[int]) -> str | None:
    """What to say of an adapter behind a hub; `port_numbers` lead to it from the root hub on."""
    hubs = len(port_numbers) - 1
    if hubs < 1:
        return None
    behind = "a USB hub" if hubs == 1 else f"{hubs} USB hubs"
    return f"the adapter is behind {behind}: one of the computer's own sockets is safer"


def _agrees(way: Inhibitor, held: ExitStack) -> bool:
    try:
        return held.enter_context(way())
    except Exception:  # a desktop may fail in any way it likes
        return False


def _ways() -> tuple[Inhibitor, ...]:
    if sys.platform.startswith("linux"):
        return (logind, desktop)
    return (desktop,)


@contextmanager
def logind(program: str = "systemd-inhibit") -> Iterator[bool]:
    """systemd's own lock, which holds on every desktop and without one, the lid's switch too."""
    found = shutil.which(program)
    if found is None:
        yield False
        return
    holder = subprocess.Popen(
        [found, "--what=sleep:handle-lid-switch", "--who=flashbench", f"--why={_WHY}", *_HOLD],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is for the write, which then still takes some time
    )
    try:
        assert holder.stdin is not None and holder.stdout is not None
        ready, _, _ = select.select([holder.stdout], [], [], _READY_S_MAX)
        yield bool(ready) and os.read(holder.stdout.fileno(), 16) == b"ready\n"
    finally:
        _let_go(holder)


def _let_go(holder: "subprocess.Popen[bytes]") -> None:
    for pipe in (holder.stdin, holder.stdout):
        if pipe is not None:
            pipe.close()
    try:
        holder.wait(_READY_S_MAX)
    except subprocess.TimeoutExpired:
        holder.kill()
        holder.wait()


@contextmanager
def desktop() -> Iterator[bool]:
    """What desktops of Linux, macOS and Windows offer, by wakepy."""
    with wakepy.keep.running(on_fail="pass") as mode:
        yield mode.active
