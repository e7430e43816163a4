"""Old and new bytes side by side, for eyes and for the shelf page; 80 columns."""

from collections.abc import Sequence

import numpy as np

from flashbench.image.change_sheet import (
    ChangedRange,
    NamedRange,
    changed_ranges,
    names_touching,
)

_LINE_BYTES = 8
_HEX_WIDTH = 3 * _LINE_BYTES - 1


def hex_listing(
    old: bytes, new: bytes, *, names: Sequence[NamedRange] = (), lines_max: int = 400
) -> str:
    """Every line of eight bytes in which the images differ, old on the left, new on the right.

    On the right only the changed bytes are written out. Each stretch begins with the names of
    `names` that it touches. Above `lines_max` lines the rest is counted instead of shown.
    Raises `CheckFailed` if the images differ in size.
    """
    stretches = changed_ranges(old, new, join_gap=2 * _LINE_BYTES)
    if not stretches:
        return "The two images are equal.\n"
    heading = f"{'offset':<10}{'old':<{_HEX_WIDTH + 2 + _LINE_BYTES + 3}}new (changed bytes only)"
    listing = [heading]
    shown = 0
    for position, stretch in enumerate(stretches):
        lines = _changed_lines(old, new, stretch)
        if shown + len(lines) > lines_max:
            listing += [_line(old, new, offset) for offset in lines[: lines_max - shown]]
            listing.append(
                f"... not shown: {len(lines) - lines_max + shown} more lines of this stretch,"
                f" {len(stretches) - position - 1} more stretches"
            )
            break
        listing += ["", *_captions(stretch, names)]
        listing += [_line(old, new, offset) for offset in lines]
        shown += len(lines)
    return "\n".join(line.rstrip() for line in listing) + "\n"


def _changed_lines(old: bytes, new: bytes, stretch: ChangedRange) -> list[int]:
    """Offsets of the eight-byte lines of `stretch` in which something differs."""
    start = stretch.offset - stretch.offset % _LINE_BYTES
    was = np.frombuffer(old, np.uint8)[start : stretch.end]
    differs = was != np.frombuffer(new, np.uint8)[start : stretch.end]
    whole = np.pad(differs, (0, -len(differs) % _LINE_BYTES)).reshape(-1, _LINE_BYTES)
    lines: list[int] = (start + _LINE_BYTES * np.flatnonzero(whole.any(axis=1))).tolist()
    return lines


def _captions(stretch: ChangedRange, names: Sequence[NamedRange]) -> list[str]:
    touching = names_touching(stretch, names)
    captions = [name if len(name) <= 80 else name[:77] + "..." for name in touching]
    return captions or ["outside everything recognised" if names else f"at {stretch.offset:#x}"]


def _line(old: bytes, new: bytes, offset: int) -> str:
    was = old[offset : offset + _LINE_BYTES]
    becomes = new[offset : offset + _LINE_BYTES]
    new_hex = " ".join(
        f"{after:02x}" if before != after else " ."
        for before, after in zip(was, becomes, strict=True)
    )
    left = f"{was.hex(' '):<{_HEX_WIDTH}}  {_printable(was):<{_LINE_BYTES}}"
    right = f"{new_hex:<{_HEX_WIDTH}}  {_printable(becomes)}"
    return f"{offset:08x}  {left}   {right}"


def _printable(data: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in data)
