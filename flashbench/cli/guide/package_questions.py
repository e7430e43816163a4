"""A memory package described by answers to questions, for who never saw its TOML."""

from typing import Any, Final

import tomli_w

from flashbench.cli.guide.desk import one_of, read_count
from flashbench.cli.guide.work import Work
from flashbench.errors import CheckFailed
from flashbench.image.memory_package import (
    KnownFrom,
    MemoryPackage,
    MemoryType,
    attribute_names,
    capacity_text,
    parse_package,
)
from flashbench.image.suggest_edit import package_table

_KEY: Final = "package "
_ASKS: Final = {
    "densityPerChannelGb": "Density of one channel of one die, in Gbit?",
    "densityPerDieGb": "Density of one die, in Gbit?",
    "capacityPerDieGb": "Density of one die, in Gbit?",
    "channelsPerDie": "Channels of one die?",
    "diesPerPackage": "Dies in one package?",
    "bitWidthPerChannel": "Width of one channel, in bits?",
    "packageBusWidth": "Width of the package's bus, in bits?",
    "ranksPerChannel": "Ranks (chip selects per channel)?",
    "ranksPerPackage": "Ranks (chip selects of the package)?",
    "speedMbps": "Speed, in Mbps per pin?",
    "speedMTps": "Speed, in MT/s?",
}


def ask_package(work: Work, *, part: str | None, known_from: KnownFrom | None) -> MemoryPackage:
    """The fitted package. All of it must be known: no byte is computed from a guess."""
    work.output.say(
        f"The fitted package{f', {part}' if part else ''}: its datasheet says all that follows. No"
        " byte is computed from a guess; what you do not know, look up first."
    )
    while True:
        table = _asked(work, part=part, known_from=known_from)
        try:
            package = parse_package(table)
        except CheckFailed as error:
            work.output.say(f"{error.seen} {error.next_step}")
        else:
            work.output.say(
                f"That is {package.type.value}, {capacity_text(package.capacity_gbit)} per"
                f" package, in {package.dies} die(s) and {package.ranks} rank(s)."
            )
            if work.desk.choose("Is that right?", ("yes", "no")) == "yes":
                return package
        work.forget(_KEY)


def _asked(work: Work, *, part: str | None, known_from: KnownFrom | None) -> dict[str, Any]:
    kinds = [each.value for each in MemoryType]
    work.output.say(f"Types are {', '.join(kinds)}.")
    kind = MemoryType(work.must(f"{_KEY}type", "Type of the memory?", one_of(kinds)))
    attributes = {
        name: work.must(f"{_KEY}{name}", _ASKS[name], read_count) for name in attribute_names(kind)
    }
    origins = [each.value for each in KnownFrom]
    origin = known_from or KnownFrom(
        work.must(f"{_KEY}known_from", f"Known from where? ({', '.join(origins)})", one_of(origins))
    )
    return {
        "part": part or "",
        "type": kind.value,
        "known_from": origin.value,
        "attributes": attributes,
    }


def description_of(package: MemoryPackage) -> str:
    """The package as the TOML text that intake keeps and edit files hold."""
    return tomli_w.dumps(package_table(package))
