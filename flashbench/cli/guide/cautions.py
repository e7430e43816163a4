"""The cautions of the guide: each is said once, at its moment. The texts are in cautions.toml."""

import tomllib
from dataclasses import dataclass
from enum import Enum
from functools import cache
from importlib import resources

_FILE = "cautions.toml"


class Moment(Enum):
    """When a caution is said. The value is its key in the file."""

    INTAKE = "intake"
    HEAT = "heat"
    SOCKET = "socket"
    CLIP = "clip"
    WRITE = "write"
    SOLDERED = "soldered"
    BOOT = "boot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """`first` stands above all others, and is said when the guide begins."""

    first: str
    by_moment: dict[Moment, tuple[str, ...]]


@cache
def cautions() -> Cautions:
    """All cautions, as the file has them."""
    text = resources.files(__package__).joinpath(_FILE).read_text("utf-8")
    content = tomllib.loads(text)
    return Cautions(
        first=content["first"],
        by_moment={moment: tuple(content[moment.value]) for moment in Moment},
    )
