"""Files that commands are given: images, edit files, packages. What is wrong with one is said."""

from pathlib import Path
from typing import TYPE_CHECKING

from flashbench.errors import CheckFailed, WrongCall
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.image.edit_file import EditFile
    from flashbench.image.memory_package import MemoryPackage

_PACKAGE_BYTES_MAX = 1 << 16


def read_bytes(path: Path, *, bytes_max: int) -> bytes:
    """At most one byte more than `bytes_max`. Raises `WrongCall` for what cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(bytes_max + 1)
    except OSError as error:
        raise WrongCall(
            f"{quoted(path)} cannot be read: {error.strerror}.",
            next_step="Name a file that you may read.",
        ) from error


def read_image(path: Path) -> bytes:
    """An image of a flash chip. Raises `WrongCall`, or `CheckFailed` for an impossible size."""
    from flashbench.job.layout import IMAGE_BYTES_MAX

    data = read_bytes(path, bytes_max=IMAGE_BYTES_MAX)
    if not 0 < len(data) <= IMAGE_BYTES_MAX:
        raise CheckFailed(
            f"{quoted(path)} is {'larger than any flash image' if data else 'empty'}.",
            next_step="Name the image of a flash chip.",
        )
    return data


def read_package(path: Path) -> "MemoryPackage":
    """The memory package that a TOML file describes. Raises `CheckFailed`, `WrongCall`."""
    from flashbench.image.memory_package import parse_package_file

    data = read_bytes(path, bytes_max=_PACKAGE_BYTES_MAX)
    try:
        if len(data) > _PACKAGE_BYTES_MAX:
            raise CheckFailed(
                "It is too large to describe a memory package.",
                next_step="Name the TOML file that describes it.",
            )
        return parse_package_file(data.decode())
    except UnicodeDecodeError as error:
        raise CheckFailed(
            f"{quoted(path)} is no UTF-8 text: {error.reason} at byte {error.start}.",
            next_step="Name the TOML file that describes the package.",
        ) from error
    except CheckFailed as error:
        raise CheckFailed(f"{quoted(path)}: {error.seen}", next_step=error.next_step) from error


def read_edit_file(path: Path) -> "EditFile":
    """The edit file at `path`. Raises `CheckFailed`, `WrongCall`."""
    from flashbench.image.edit_file import EDIT_FILE_BYTES_MAX, parse_edit, refused

    data = read_bytes(path, bytes_max=EDIT_FILE_BYTES_MAX)
    try:
        try:
            text = data.decode()
        except UnicodeDecodeError as error:
            raise refused(f"It is no UTF-8 text: {error.reason} at byte {error.start}.") from error
        return parse_edit(text)
    except CheckFailed as error:
        raise CheckFailed(f"{quoted(path)}: {error.seen}", next_step=error.next_step) from error


def write_new(path: Path, text: str) -> None:
    """Write a text into a file that does not exist. Raises `WrongCall`."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise WrongCall(
            f"{quoted(path)} cannot be written: {error.strerror}.",
            next_step="Name a file that does not exist, in a folder that does.",
        ) from error
