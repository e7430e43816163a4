"""From the marking printed on a package to the rows it can mean, supply first.

Makers print the part without their own letters ("25Q128JVSQ"), break it over lines and append
package, temperature and packing codes; a worn or badly lit marking makes 0, O and Q, 8 and B,
5 and S, 1 and I look alike. All of that is common practice, not a standard.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from chipdb.families import family_supply
from chipdb.row import ChipRow, KnownFrom

_ALIKE: Final = str.maketrans("OQBSI", "00851")
_SHORTEST: Final = 4  # characters of a marking that can name a part
_WHOLE_NAME: Final = 6  # and without doubt: "25Q128", no date or lot code

MAKER_WORDS: Final = {
    "WINBOND": "Winbond",
    "MXIC": "Macronix",
    "MACRONIX": "Macronix",
    "GIGADEVICE": "GigaDevice",
    "GD": "GigaDevice",
    "ISSI": "ISSI",
    "MICRON": "Micron",
    "NUMONYX": "Micron",
    "SPANSION": "Infineon",
    "CYPRESS": "Infineon",
    "INFINEON": "Infineon",
    "SST": "Microchip",
    "MICROCHIP": "Microchip",
    "EON": "Eon",
    "CFEON": "Eon",
    "ADESTO": "Adesto",
    "RENESAS": "Adesto",
    "ATMEL": "Adesto",
    "XMC": "XMC",
    "XTX": "XTX",
    "ZBIT": "Zbit",
    "ZETTA": "Zetta",
    "PUYA": "Puya",
    "ESMT": "ESMT",
    "DOSILICON": "Dosilicon",
    "BOHONG": "Bohong",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkingLookup:
    """What a marking can mean. `rows` are ranked; `sentences` begin with the supply.

    `supply_volts` (minimum, maximum) is what all candidates share, and None if they differ
    (`supplies_differ`), if one is unknown, or if there is none; then nothing may be chosen
    from it. `read_as` is the stretch of the marking that named the part.
    """

    text: str
    read_as: str
    rows: tuple[ChipRow, ...]
    supply_volts: tuple[float, float] | None
    supplies_differ: bool
    look_alikes: int
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Match:
    row: ChipRow
    part: str
    token: str
    length: int
    look_alikes: int
    whole_token: bool

    @property
    def printed_name(self) -> str:
        """The token with the maker's letters put back where the package leaves them out."""
        name = _plain(self.part)
        for stem in _stems(self.part):
            if self.token.translate(_ALIKE).startswith(stem.translate(_ALIKE)[: self.length]):
                return name[: len(name) - len(stem)] + self.token
        return self.token


def look_up(text: str, rows: Sequence[ChipRow]) -> MarkingLookup:
    """The rows of `rows` that a chip with `text` printed on it can be, best first."""
    maker = _maker_named(text)
    considered = [row for row in rows if maker in (None, row.maker)]
    every = _matches(_tokens(text), considered)
    matches = _best(every)
    if not matches:
        return _nothing_found(text)
    first = matches[0]
    if rivals := _rivals(text, every, matches):
        matches = [*matches, *rivals]
    found = tuple(dict.fromkeys(m.row for m in matches))
    volts, differ, sentences = _supply(matches, found)
    if not differ and (unknown := _unknown_variant(first, considered)):
        volts, differ, sentences = None, True, [unknown]
    if first.look_alikes:
        sentences.append(
            f"Read as {first.part} with {first.look_alikes} look-alike"
            " characters (0/O/Q, 8/B, 5/S, 1/I): check it with a magnifier."
        )
    sentences.extend(dict.fromkeys(row.refusal for row in found if row.refusal))
    return MarkingLookup(
        text=text,
        read_as=first.token,
        rows=found,
        supply_volts=volts,
        supplies_differ=differ,
        look_alikes=first.look_alikes,
        sentences=tuple(sentences),
    )


def _nothing_found(text: str) -> MarkingLookup:
    said = "The supply is not known: no part of the table matches this marking."
    rule = next((rule for token in _tokens(text) if (rule := family_supply(token))), None)
    if rule:
        said += (
            f" The letters of {rule.letters} stand for {rule.volts[0]:.2f} to"
            f" {rule.volts[1]:.2f} V, which proves nothing."
        )
    return MarkingLookup(
        text=text,
        read_as="",
        rows=(),
        supply_volts=None,
        supplies_differ=False,
        look_alikes=0,
        sentences=(f"{said} Find its datasheet before any voltage is applied.",),
    )


@lru_cache(maxsize=4096)
def _plain(text: str) -> str:
    return re.sub(r"[^0-9A-Z]", "", text.upper())


def _maker_named(text: str) -> str | None:
    words = re.findall(r"[A-Z]+", text.upper())
    return next((MAKER_WORDS[word] for word in words if word in MAKER_WORDS), None)


def _tokens(text: str) -> Iterator[str]:
    """Stretches of the marking that can name a part: words, and up to three words joined."""
    printed = text.upper().split()
    words = [plain for plain in map(_plain, printed) if plain]
    for count in (1, 2, 3):
        for at in range(len(words) - count + 1):
            joined = "".join(words[at : at + count])
            if len(joined) >= _SHORTEST:
                yield joined
    for word in printed:  # "QH64-104HIP": the dash ends the part, and digits follow it
        before = _plain(word.split("-")[0])
        if "-" in word and len(before) >= _SHORTEST:
            yield before


@lru_cache(maxsize=4096)
def _stems(part: str) -> tuple[str, ...]:
    """The beginnings that a package may print for a part: with and without maker's letters.

    A part written "base-IM" stands for the base followed by any package letter and, at the end
    of the marking, the M; that ending is judged in `_match`.
    """
    base = _plain(part.split("-")[0])
    bare = base.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    stems = [base]
    if bare != base and len(bare) >= 4:
        stems.append(bare)
    if base.startswith(("S25F", "S25S")):
        stems.append(base[3:])
    if base.startswith(("EN25QH", "EN25S")):
        stems.append(base[4:])
    return tuple(stems)


def _matches(tokens: Iterable[str], rows: Sequence[ChipRow]) -> list[_Match]:
    found = []
    for token in tokens:
        folded = token.translate(_ALIKE)
        for row in rows:
            for part in row.parts:
                match = _match(token, folded, row, part)
                if match:
                    found.append(match)
    return found


def _match(token: str, folded: str, row: ChipRow, part: str) -> _Match | None:
    ending = part.partition("-")[2][-1:].upper()
    for stem in _stems(part):
        length = min(len(stem), len(token))
        if folded[:length] != stem.translate(_ALIKE)[:length] or length < 4:
            continue
        rest = token[length:] + stem[length:]
        if rest and rest[0].isdigit() and stem[length - 1].isdigit():
            continue  # "25Q12" is not the beginning of 25Q128
        if ending and len(token) > len(stem) and not _ends(token, stem, ending):
            continue
        whole = len(token) <= len(stem)
        extra = 1 if ending and len(token) > len(stem) else 0
        alike = sum(a != b for a, b in zip(token, stem, strict=False))
        return _Match(row, part, token, length + extra, alike, whole)
    return None


def _ends(token: str, stem: str, ending: str) -> bool:
    return ending in token[len(stem) :][-3:]


def _best(matches: Sequence[_Match]) -> list[_Match]:
    """The longest stretch wins, then the fewest look-alikes.

    Where the marking ends before it says which of several parts it is, all of them stay.
    """
    if not matches:
        return []
    top = max(matches, key=lambda m: (m.length, -m.look_alikes, len(m.token)))
    kept = [
        m
        for m in matches
        if m.look_alikes == top.look_alikes
        and (m.length == top.length or (top.whole_token and m.whole_token and m.token == top.token))
    ]
    return sorted(kept, key=lambda m: (-m.length, not m.whole_token, len(m.part)))


def _rivals(text: str, every: Sequence[_Match], chosen: Sequence[_Match]) -> list[_Match]:
    """Where another word names a part in full and that part takes another supply: its matches."""
    first = chosen[0]
    rivals = []
    for word in dict.fromkeys(map(_plain, text.upper().split())):
        if 0 <= first.token.find(word) < first.length:
            continue  # the part that was read begins with this word, or goes on in it
        best = _best([m for m in every if m.token == word])
        if best and best[0].length >= _WHOLE_NAME and not best[0].look_alikes:
            rivals += best
    return rivals if _supply([*chosen, *rivals], [m.row for m in (*chosen, *rivals)])[1] else []


def _unknown_variant(match: _Match, rows: Sequence[ChipRow]) -> str:
    """What is said of a part known by its number only whose letters are of no variant known.

    Empty unless the variants that are known differ in supply.
    """
    base, name = _plain(match.part), match.printed_name
    letters = name[len(base) :]
    if not base[-1].isdigit() or not letters or family_supply(name):
        return ""
    variants: dict[str, tuple[float, float]] = {
        part: row.supply_volts
        for row in rows
        for part in row.parts
        if row.supply_volts and re.match(rf"{base}[A-Z]", _plain(part))
    }
    for at in range(1, len(letters)):
        if rule := family_supply(base + letters[at:]):
            variants.setdefault(f"the letters of {rule.letters}", rule.volts)
    ranges = sorted(set(variants.values()))
    if not ranges or max(low for low, _ in ranges) <= min(high for _, high in ranges):
        return ""
    listed = "; ".join(
        f"{low:.2f} to {high:.2f} V"
        f" ({', '.join(part for part, volts in variants.items() if volts == (low, high))})"
        for low, high in ranges
    )
    return (
        f"The supply is not known: {letters} behind {match.part} are the letters of no variant of"
        f" the table, and its variants differ: {listed}. None is chosen: find this part's datasheet"
        " before any voltage is applied, and try no higher one before the lowest."
    )


def _supply(
    matches: Sequence[_Match], rows: Sequence[ChipRow]
) -> tuple[tuple[float, float] | None, bool, list[str]]:
    known = [(row.part, row.supply_volts) for row in rows if row.supply_volts]
    for match in matches:
        rule = family_supply(match.printed_name)
        if rule:
            known.append((f"the letters of {rule.letters}", rule.volts))
    low = max((volts[0] for _, volts in known), default=0.0)
    high = min((volts[1] for _, volts in known), default=0.0)
    if known and low > high:
        listed = "; ".join(
            f"{name} {volts[0]:.2f} to {volts[1]:.2f} V"
            for name, volts in sorted(dict.fromkeys(known), key=lambda each: each[1])
        )
        return (
            None,
            True,
            [
                f"The candidates differ in supply: {listed}. None is chosen: read the whole"
                " marking, then its datasheet, before any voltage is applied."
            ],
        )
    if not known or any(row.supply_volts is None for row in rows):
        parts = ", ".join(row.part for row in rows if row.supply_volts is None)
        return (
            None,
            False,
            [f"The supply of {parts} is not known: find its datasheet before applying any."],
        )
    return (low, high), False, [_supply_sentence((low, high), rows)]


_GOOD_SOURCES: Final = (KnownFrom.DATASHEET, KnownFrom.VENDOR_TABLE)
_NAMED: Final = 3  # parts named in a sentence


def _supply_sentence(volts: tuple[float, float], rows: Sequence[ChipRow]) -> str:
    """The range with the best source of it, and for which rows there is no good one."""
    said = f"Supply: {volts[0]:.2f} to {volts[1]:.2f} V"
    weak = [row for row in rows if row.supply_known_from not in _GOOD_SOURCES]
    if not weak:
        best = min((s for row in rows if (s := row.supply_known_from)), key=_GOOD_SOURCES.index)
        return f"{said}, known from a {best.value}."
    names = " and ".join(
        sorted({row.supply_known_from.value for row in weak if row.supply_known_from})
    )
    parts = ","
    if len(weak) < len(rows):
        more = f" and {len(weak) - _NAMED} more" if len(weak) > _NAMED else ""
        parts = f"; for {', '.join(row.part for row in weak[:_NAMED])}{more} it is"
    return f"{said}{parts} known from {names} only: check the part's datasheet before applying it."
