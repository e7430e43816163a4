"""Where bench.toml is, reading it, and proposing one that has none yet."""

import os
from collections.abc import Sequence
from pathlib import Path

import platformdirs
import tomli_w

from flashbench.adapter import FoundAdapter
from flashbench.bench.bench_file import (
    BENCH_FILE_BYTES_MAX,
    DESCRIPTION,
    BenchFile,
    parse_bench,
    wrong,
)
from flashbench.errors import WrongCall
from flashbench.wording import quoted

BENCH_FILE = "bench.toml"


def default_path() -> Path:
    """Where the bench file of this user is looked for, in the way of the platform."""
    return platformdirs.user_config_path("flashbench") / BENCH_FILE


def read_bench(path: Path | None) -> BenchFile:
    """The bench file that was named, or the user's own; an empty one if there is none.

    Raises:
        BenchFileWrong: it is there and cannot be used.
        WrongCall: one was named and is not there.
    """
    at = default_path() if path is None else path
    try:
        with at.open("rb") as file:
            data = file.read(BENCH_FILE_BYTES_MAX + 1)
    except FileNotFoundError as error:
        if path is None:
            return BenchFile()
        raise WrongCall(
            f"There is no bench file {quoted(at)}.",
            next_step=f"Propose one: flashbench adapters --write-bench --bench {quoted(at)}. Every"
            f" key is described in {DESCRIPTION}",
        ) from error
    except OSError as error:
        raise wrong(f"{quoted(at)} cannot be read, {error.strerror}") from error
    if len(data) > BENCH_FILE_BYTES_MAX:
        raise wrong(f"{quoted(at)} is larger than {BENCH_FILE_BYTES_MAX} bytes")
    try:
        return parse_bench(data.decode())
    except UnicodeDecodeError as error:
        raise wrong(f"{quoted(at)} is no UTF-8 text") from error


def propose_bench(path: Path | None, found: Sequence[FoundAdapter]) -> Path:
    """Write a bench file with the adapters that are plugged in, to be filled in; where it is.

    It cannot be used before its supplies are filled in. Nothing is ever overwritten.

    Raises:
        WrongCall: there is one already, no adapter with a serial, or the disk refused.
    """
    at = default_path() if path is None else path
    with_serial = [each for each in found if each.serial]
    if not with_serial:
        raise WrongCall(
            "No adapter with a serial number is plugged in, and by that a bench file knows them.",
            next_step="Plug the adapters in. One without a serial cannot be told from its like.",
        )
    try:
        at.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(at, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(proposal(with_serial))
    except FileExistsError as error:
        raise WrongCall(
            f"There is a bench file already, {quoted(at)}, and it is not overwritten.",
            next_step="Edit that one, or name another with --bench FILE.",
        ) from error
    except OSError as error:
        raise WrongCall(
            f"{quoted(at)} cannot be written: {error.strerror}.",
            next_step="Name another file with --bench FILE.",
        ) from error
    return at


def proposal(found: Sequence[FoundAdapter]) -> str:
    """The text of a bench file for these adapters: what only a person knows is left open."""
    head = (
        "# The bench: measure each supply at the socket, write it down, and take the # away.\n"
        f"# Every key is described in {DESCRIPTION}\n"
        "# second_shelf is a folder on another disk; originals are copied there before a write.\n"
        '# second_shelf = ""\n'
    )
    return head + "".join(_proposed(each, port) for each in found for port in each.interfaces)


def _proposed(found: FoundAdapter, interface: int) -> str:
    port = f" port {'ABCD'[interface - 1]}" if len(found.interfaces) > 1 else ""
    known = {
        "serial": found.serial,
        "interface": interface,
        "name": f"socket {found.serial}{port}",
    }
    return (
        f"\n[[adapter]]  # {found.chip}\n"
        + tomli_w.dumps(known)
        + "# supply_volts = 3.3\n"
        + '# level_shifter = ""  # without one only 3.3 V\n'
        + '# socket = "SOIC-8, 208 mil"\n'
        + "# leads_cm = 10\n"
        + '# wp_pin = "D4"\n'
        + '# hold_pin = "D5"\n'
        + '# power_pin = "D7"  # switches the supply; power_on = "high" or "low"; settle_ms = 50\n'
    )
