"""TOML from strangers: read in a time that grows with its size, or refused. Pure.

`tomllib` takes a time by the square of the names in a dotted key, and by the names in a table's
heading for every line below it, so a small file can keep it busy for hours. What flashbench reads
has keys of at most a handful of names.
"""

import tomllib
from typing import Any, Final

HEADING_DOTS_MAX: Final = 64
"""Of a line that begins with "[", which may be a table's heading."""

DOTS_SQUARED_MAX: Final = 4_000_000
"""Sum over the lines of a text: 2000 dots in one line, or 60 in each of a thousand. Dots in
quotes count too, since only reading tells which those are."""


def parse(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises:
        ValueError: it is not TOML, or has too many dots to be read in time.
        RecursionError: it is nested too deeply.
    """
    squares = 0
    # No other character than "\n" ends a key, so no other is taken for the end of a line.
    for number, line in enumerate(text.split("\n"), start=1):
        dots = line.count(".")
        if dots > HEADING_DOTS_MAX and line.lstrip(" \t").startswith("["):
            raise ValueError(f"line {number} begins with [ and has {dots} dots")
        squares += dots * dots
        if squares > DOTS_SQUARED_MAX:
            raise ValueError(f"it has so many dots up to line {number} that no key can need them")
    return tomllib.loads(text)
