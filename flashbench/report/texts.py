"""The sentences of the report, from a TOML file that may be in another language.

A translation is a copy of `english.toml` with other sentences. Every key must be there, and a
sentence may use the {names} that the English one uses, no others.
"""

import string
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from flashbench.errors import CheckFailed
from flashbench.toml_text import parse


@dataclass(frozen=True, slots=True)
class Texts:
    """Sentences by key, "customer.data-title" for instance."""

    sentences: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """The sentence of a key with its {names} filled in."""
        return self.sentences[key].format_map(values)

    def has(self, key: str) -> bool:
        """Whether there is such a sentence."""
        return key in self.sentences


@cache
def english() -> Texts:
    """The sentences that come with flashbench."""
    text = resources.files(__package__).joinpath("english.toml").read_text("utf-8")
    return Texts(MappingProxyType(dict(_flat(tomllib.loads(text)))))


def parse_texts(text: str) -> Texts:
    """The sentences of another TOML text.

    Raises:
        CheckFailed: it is not TOML, lacks a key, has an unknown one, or uses another {name}.
    """
    try:
        given = dict(_flat(parse(text)))
    except (ValueError, RecursionError) as error:
        raise _refused(f"The file of sentences is not TOML: {error}.") from error
    known = english().sentences
    for what, keys in (("lacks", known.keys() - given), ("has unknown", given.keys() - known)):
        if keys:
            raise _refused(f"The file of sentences {what} {', '.join(sorted(keys))}.")
    for key, sentence in given.items():
        strange = _names(key, sentence) - _names(key, known[key])
        if strange:
            listed = ", ".join(f"{{{name}}}" for name in sorted(strange))
            raise _refused(f"The sentence {key} uses {listed}, which the English one does not.")
    return Texts(MappingProxyType(given))


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        elif isinstance(value, str):
            yield f"{prefix}{key}", value
        else:
            raise ValueError(f"{prefix}{key} is no sentence")


def _names(key: str, sentence: str) -> set[str]:
    """The {names} of a sentence; attributes and indices make names that no sentence has."""
    try:
        parts = list(string.Formatter().parse(sentence))
    except ValueError as error:
        raise _refused(f"The sentence {key} has a brace too many or too few.") from error
    return {
        f"{name}{':' + spec if spec else ''}{'!' + turn if turn else ''}"
        for _, name, spec, turn in parts
        if name is not None
    }


def _refused(seen: str) -> CheckFailed:
    return CheckFailed(
        seen,
        next_step="Take a fresh copy of flashbench/report/english.toml and translate that.",
    )
