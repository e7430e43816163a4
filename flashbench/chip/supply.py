"""Which supply voltage a chip may be given: what stops one, and what alone allows 3.3 V.

3.3 V on a 1.8 V part is far beyond its limits; it may answer, even verify, and be damaged. So
every source may stop a voltage, and above 2.0 V it takes one of these to allow it:

* a row of the table known from a datasheet, or from a vendor table read out of such a part, where
  no other part of the same ID is one of unknown supply;
* the vendor table in this chip's own SFDP;
* the user's word that the part's own datasheet gives a range that holds the voltage.

A family rule or memory allows nothing, and so the letters of a marking do not either: a marking
stops, or leaves fewer rows. A range that the user read narrows what the
others say and never widens it: a part of the 1.8 V class that shares the ID stops all the same.
"""

from collections.abc import Sequence
from typing import Final

from chipdb.marking import MarkingLookup
from chipdb.row import ChipRow, KnownFrom
from chipdb.sfdp import Sfdp
from flashbench.errors import ChipUntouched

LOW_VOLTS_MAX: Final = 2.0
"""Up to here a voltage is of the 1.8 V class, with which unknown parts are tried first."""

HIGHEST_VOLTS: Final = 3.6
"""No part of the table, and nothing that an SPI NOR datasheet gave, takes more."""

_PERMITTING: Final = frozenset({KnownFrom.DATASHEET, KnownFrom.VENDOR_TABLE})

Range = tuple[float, float]


class RefusedAsSaid(ChipUntouched):
    """What was said of supply and marking forbids to go on; something else, said, may not."""


class OtherSupply(RefusedAsSaid):
    """The part takes another supply, from `takes[0]` to `takes[1]` volts."""

    def __init__(self, seen: str, *, takes: Range, declared_volts: float) -> None:
        self.takes = takes
        too_high = declared_volts > takes[1]
        super().__init__(
            seen,
            next_step=_change_supply(takes, declared_volts),
            state=_supplied_too_high(declared_volts) if too_high else None,
        )


def check_supply(
    rows: Sequence[ChipRow],
    sfdp: Sfdp | None,
    declared_volts: float,
    *,
    confirmed_by_user: bool = False,
    datasheet_volts: Range | None = None,
    marking: MarkingLookup | None = None,
) -> None:
    """Return if a chip that can be any of `rows` may stay at `declared_volts`.

    `rows` empty means that the ID is not in the table. `datasheet_volts` is the range that the
    user read in the part's datasheet, `confirmed_by_user` the same without the range. At or
    below 2.0 V an unknown part passes, so that it can be read and recognised; that it is then
    kept at 1.8 V is for `agreed_supply`.

    Raises:
        ChipUntouched: the voltage is wrong for the part, or nothing good enough allows it.
    """
    stop_by_datasheet(datasheet_volts, declared_volts)
    _stop_by_vendor_table(sfdp, declared_volts)
    stop_by_marking(marking, declared_volts)
    _stop_by_rows(rows, declared_volts)
    if declared_volts <= LOW_VOLTS_MAX:
        return
    confirmed = confirmed_by_user or datasheet_volts is not None
    if _allowing_source(rows, sfdp, declared_volts, confirmed) is None:
        raise _nothing_allows(rows, declared_volts)


def agreed_supply(
    rows: Sequence[ChipRow],
    sfdp: Sfdp | None,
    declared_volts: float,
    *,
    confirmed_by_user: bool = False,
    datasheet_volts: Range | None = None,
) -> tuple[Range, str]:
    """The range that all sources leave open, and the best of them: call `check_supply` first.

    Raises:
        ChipUntouched: no voltage satisfies every source, or there is no source at all.
    """
    ranges = [(row.part, row.supply_volts) for row in rows if row.supply_volts is not None]
    if sfdp is not None and sfdp.supply_volts is not None:
        ranges.append(("the chip's vendor table", sfdp.supply_volts))
    if datasheet_volts is not None:
        ranges.append(("your word (datasheet)", datasheet_volts))
    if not ranges:
        if confirmed_by_user:
            return (declared_volts, declared_volts), "user"
        raise RefusedAsSaid(
            "Nothing says which supply this chip takes: it is not known to the table, and its"
            " SFDP holds no vendor table that states one.",
            next_step="Read the marking, find the part's datasheet, and say the range it gives:"
            " --datasheet-supply 1.7-1.95, for example.",
        )
    low = max(volts[0] for _, volts in ranges)
    high = min(volts[1] for _, volts in ranges)
    if low > high or not low <= declared_volts <= high:
        told = [f"{name} {volts_text(volts)}" for name, volts in ranges]
        told += [f"{row.part} not known" for row in rows if row.supply_volts is None]
        listed = "; ".join(dict.fromkeys(told))
        raise RefusedAsSaid(
            f"What is known of this chip's supply does not fit together: {listed}.",
            next_step="Read the marking on the package and give it, so that one part is left.",
        )
    confirmed = confirmed_by_user or datasheet_volts is not None
    source = _allowing_source(rows, sfdp, declared_volts, confirmed)
    if source is None:
        known = [row.supply_known_from for row in rows if row.supply_known_from is not None]
        source = KnownFrom.FAMILY_RULE if KnownFrom.FAMILY_RULE in known else KnownFrom.MEMORY
    return (low, high), str(source)


def volts_text(volts: Range) -> str:
    """A range for sentences: "2.70 to 3.60 V"."""
    return f"{volts[0]:.2f} to {volts[1]:.2f} V"


def _holds(volts: Range | None, declared_volts: float) -> bool:
    return volts is not None and volts[0] <= declared_volts <= volts[1]


def _stop_by_vendor_table(sfdp: Sfdp | None, declared_volts: float) -> None:
    if sfdp is None or sfdp.supply_volts is None or _holds(sfdp.supply_volts, declared_volts):
        return
    raise OtherSupply(
        f"The chip's own vendor table says {volts_text(sfdp.supply_volts)}, but the bench is"
        f" declared to supply {declared_volts:.2f} V.",
        takes=sfdp.supply_volts,
        declared_volts=declared_volts,
    )


def stop_before_driving(
    marking: MarkingLookup | None, datasheet_volts: Range | None, declared_volts: float
) -> None:
    """Raise ChipUntouched if this voltage is forbidden whatever chip may answer."""
    if declared_volts > HIGHEST_VOLTS:
        raise RefusedAsSaid(
            f"The bench is declared to supply {declared_volts:.2f} V, and no part that is known"
            f" takes more than {HIGHEST_VOLTS:.2f} V. No pin was driven.",
            next_step="Switch the supply off at once, if the bench does give that, and take the"
            " chip out: it may have been damaged. Then look the chip's supply up, set the bench to"
            " it, check it with a meter, and declare it.",
            state=_supplied_too_high(declared_volts),
        )
    stop_by_marking(marking, declared_volts)
    stop_by_datasheet(datasheet_volts, declared_volts)


def stop_by_datasheet(datasheet_volts: Range | None, declared_volts: float) -> None:
    """Raise ChipUntouched if the range that the user read does not hold what the bench supplies."""
    if datasheet_volts is None or _holds(datasheet_volts, declared_volts):
        return
    raise OtherSupply(
        f"You read {volts_text(datasheet_volts)} in the part's datasheet, but the bench is declared"
        f" to supply {declared_volts:.2f} V.",
        takes=datasheet_volts,
        declared_volts=declared_volts,
    )


def stop_by_marking(marking: MarkingLookup | None, declared_volts: float) -> None:
    """Raise ChipUntouched if what is printed on the chip already forbids this voltage."""
    if marking is None:
        return
    if marking.supplies_differ:
        raise RefusedAsSaid(
            marking.sentences[0],
            next_step="Give the whole marking, every line and letter, as it is printed.",
        )
    if marking.supply_volts is not None and not _holds(marking.supply_volts, declared_volts):
        raise OtherSupply(
            f"A chip marked {marking.read_as} takes {volts_text(marking.supply_volts)}, but the"
            f" bench is declared to supply {declared_volts:.2f} V.",
            takes=marking.supply_volts,
            declared_volts=declared_volts,
        )


def _stop_by_rows(rows: Sequence[ChipRow], declared_volts: float) -> None:
    against = [
        row for row in rows if row.supply_volts and not _holds(row.supply_volts, declared_volts)
    ]
    if not against:
        return
    fitting = [row for row in rows if _holds(row.supply_volts, declared_volts)]
    unknown = [row for row in rows if row.supply_volts is None]
    low = unknown if declared_volts <= LOW_VOLTS_MAX else []
    if (fitting or low) and all(
        row.supply_volts and declared_volts < row.supply_volts[0] for row in against
    ):
        return  # lower than another candidate needs does no harm, and lets the chip be told apart
    named = min(
        against, key=lambda row: list(KnownFrom).index(row.supply_known_from or KnownFrom.MEMORY)
    )
    assert named.supply_volts is not None
    if fitting:
        raise RefusedAsSaid(
            f"This ID is shared: {fitting[0].part} takes {declared_volts:.2f} V, but {named.part}"
            f" takes {volts_text(named.supply_volts)}.",
            next_step="Switch the supply off. Set it to 1.8 V, or give the marking printed on the"
            " chip so that one part is left.",
        )
    raise OtherSupply(
        f"{named.maker} {named.part} takes {volts_text(named.supply_volts)}"
        f" ({named.supply_known_from}), but the bench is declared to supply"
        f" {declared_volts:.2f} V.",
        takes=named.supply_volts,
        declared_volts=declared_volts,
    )


def _allowing_source(
    rows: Sequence[ChipRow],
    sfdp: Sfdp | None,
    declared_volts: float,
    confirmed_by_user: bool,
) -> str | None:
    """The best source that allows the voltage, in the words of `ChipProfile`."""
    allowing = {
        row.supply_known_from
        for row in _permitting(rows)
        if _holds(row.supply_volts, declared_volts)
    }
    if any(row.supply_volts is None for row in rows):
        allowing.clear()  # it may be the part of which nothing is known
    if KnownFrom.DATASHEET in allowing:
        return KnownFrom.DATASHEET
    misstated = any("supply" in row.sfdp_lies for row in rows)
    if sfdp is not None and not misstated and _holds(sfdp.supply_volts, declared_volts):
        allowing.add(KnownFrom.VENDOR_TABLE)
    if allowing:
        return KnownFrom.VENDOR_TABLE
    return "user" if confirmed_by_user else None


def _permitting(rows: Sequence[ChipRow]) -> list[ChipRow]:
    return [row for row in rows if row.supply_known_from in _PERMITTING]


def _nothing_allows(rows: Sequence[ChipRow], declared_volts: float) -> ChipUntouched:
    own_datasheet = "the range that the part's own datasheet gives (--datasheet-supply 2.7-3.6)"
    way = f"Read the marking, and say {own_datasheet}"
    unknown = next((row for row in rows if row.supply_volts is None), None)
    if not rows:
        seen = (
            f"This ID is not in the table, and nothing shows that it takes {declared_volts:.2f} V."
        )
    elif unknown is not None and len(rows) > 1:
        others = ", ".join(row.part for row in rows if row is not unknown)
        seen = (
            f"This ID is shared: what {unknown.part} takes is not known, and it answers the same ID"
            f" as {others}."
        )
        if _permitting(rows):
            way = f"Give the marking printed on the chip (--marking), or {own_datasheet}"
    else:
        named = rows[0]
        known = named.supply_known_from
        seen = (
            f"{named.maker} {named.part} is known to take {declared_volts:.2f} V from {known} only,"
            " which is not enough to allow it."
            if known
            else f"Nothing shows that {named.maker} {named.part} takes {declared_volts:.2f} V."
        )
    return RefusedAsSaid(seen, next_step=f"{way}. Until then 1.8 V is the voltage to try first.")


def _supplied_too_high(declared_volts: float) -> str:
    """The state of a chip that was given more than it takes: nothing written, yet not untouched."""
    return f"No cell of the chip was changed, but its bench supplies {declared_volts:.2f} V."


def _change_supply(volts: Range, declared_volts: float) -> str:
    if declared_volts > volts[1]:
        return (
            "Switch the supply off at once and take the chip out: it may have been damaged."
            f" Then set the supply to within {volts_text(volts)}."
        )
    return f"Set the supply to within {volts_text(volts)}, check it with a meter, and declare it."
