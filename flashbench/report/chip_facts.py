"""chip.json of a job, taken for what it is: text that anybody may have written."""

from collections.abc import Mapping
from typing import Any

from flashbench.report.view import Chip


def read_chip(
    facts: Mapping[str, object],
    *,
    size_bytes: int,
    size_sources: tuple[str, ...] | None,
    size_doubt: str | None,
) -> Chip:
    """The chip as `facts` describe it; what is missing there, or of another shape, is left out.

    `size_sources` are those of the saved original; without one, what identifying found counts.
    """
    supply = _table(facts, "supply")
    return Chip(
        jedec_id=_text(facts, "jedec_id") or "",
        unique_id=_text(facts, "unique_id"),
        parts=_texts(facts, "parts"),
        marking=_text(facts, "marking"),
        size_bytes=size_bytes,
        size_sources=size_sources or _texts(facts, "size_sources"),
        size_doubt=size_doubt,
        supply_volts=_range(supply.get("volts")),
        supply_known_from=_text(supply, "known_from"),
        declared_volts=_number(supply.get("declared_volts")),
        registers=tuple(
            (str(name), value)
            for name, value in _table(facts, "registers").items()
            if isinstance(value, int) and value >= 0
        ),
        doubts=_texts(facts, "doubts"),
    )


def read_protected(facts: Mapping[str, object]) -> tuple[range, ...]:
    """The stretches that were protected when the chip was identified."""
    stretches = facts.get("protected")
    found = []
    for pair in stretches if isinstance(stretches, list) else ():
        match pair:
            case [int(start), int(stop)] if 0 <= start < stop:
                found.append(range(start, stop))
    return tuple(found)


def _text(facts: Mapping[str, Any], name: str) -> str | None:
    value = facts.get(name)
    return value if isinstance(value, str) and value else None


def _texts(facts: Mapping[str, Any], name: str) -> tuple[str, ...]:
    values = facts.get(name)
    if not isinstance(values, list):
        return ()
    return tuple(value for value in values if isinstance(value, str))


def _table(facts: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    value = facts.get(name)
    return value if isinstance(value, dict) else {}


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and 0 < value < 100 else None


def _range(value: object) -> tuple[float, float] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = (_number(end) for end in value)
    return None if low is None or high is None else (low, high)
