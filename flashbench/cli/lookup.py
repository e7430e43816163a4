"""The command that only reads the table: `lookup`. What it says first is the supply."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.options import JsonOption
from flashbench.cli.output import Output, command, size_text
from flashbench.errors import CheckFailed

if TYPE_CHECKING:
    from chipdb.row import ChipRow

_BEST_FIRST_MAX = 12  # rows; more are a list to look through
_ID_BYTES_MIN, _ID_BYTES_MAX = 3, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The rows that a text can mean. `sentences` begin with the supply.

    `supply_volts` (minimum, maximum) is what all rows share; None if they differ or one is not
    known, and then nothing may be chosen from them. `is_settled` if a marking led to parts whose
    supply a datasheet or vendor table gives: an ID, a family rule or memory settles nothing.
    """

    rows: tuple["ChipRow", ...]
    supply_volts: tuple[float, float] | None
    is_settled: bool
    sentences: tuple[str, ...]


def lookup(
    text: Annotated[
        str,
        typer.Argument(
            metavar="TEXT",
            show_default=False,
            help="What is printed on the chip, as printed; or the bytes of its JEDEC ID, in hex.",
        ),
    ],
    json: JsonOption = False,
) -> None:
    """Say what the table knows of a chip: its supply first. Needs no adapter.

    \b
      flashbench lookup "25Q128JVSQ"
      flashbench lookup "winbond 25Q64 JWSSIQ"
      flashbench lookup "EF 40 18"

    Do this before any voltage is applied. Maker's letters may be missing, lines may be joined
    by spaces, look-alikes (0/O/Q, 8/B, 5/S, 1/I) are tried and told. Ends with status 1 if
    nothing is found.

    With --json: a list of rows (part, parts, maker, jedec_id, ext_id, density_bytes, supply
    with volts and known_from, shared_volts: what all rows of the list allow, kind, refusal).
    """
    with command(json=json, only_tells=True) as output:
        lookup_text(output, text)


def lookup_text(output: Output, text: str) -> None:
    """What `lookup` does."""
    found = find(text)
    rows = found.rows if len(found.rows) <= _BEST_FIRST_MAX else sorted(found.rows, key=_by_name)
    output.found = [_facts(row, found.supply_volts) for row in rows]
    if not found.rows:
        raise CheckFailed(
            f"The table has nothing for {text!r}. {found.sentences[0]}",
            next_step="Read the marking again with a magnifier. A chip in no table is unknown,"
            " not 3 V.",
        )
    for sentence in found.sentences:
        output.say(sentence)
    output.say()
    output.rows([(row.part, _description(row)) for row in rows])
    output.say()
    if found.is_settled:
        output.say(
            "Set the bench to the supply, measure it at the EMPTY socket, then put the chip in."
        )


def find(text: str) -> Found:
    """The rows that `text` can mean, as a marking, as an ID, or as both."""
    from chipdb.table import find_by_marking, rows_for_id

    marking = find_by_marking(text)
    id_bytes = _id_bytes(text)
    by_id = rows_for_id(id_bytes) if id_bytes else ()
    if not by_id:
        return Found(
            rows=marking.rows,
            supply_volts=marking.supply_volts,
            is_settled=marking.supply_volts is not None
            and not marking.look_alikes
            and not any(_is_weak(row) or row.refusal for row in marking.rows),
            sentences=marking.sentences,
        )
    return _found_by_id(tuple(dict.fromkeys((*by_id, *marking.rows))))


def _id_bytes(text: str) -> bytes | None:
    """ "EF4018", "EF 40 18", "ef:40:18", "EFh 40h 18h", "0xEF4018"; None for everything else."""
    digits = re.sub(r"(?i)0x|(?<=[0-9a-f])h\b|[\s:,-]", "", text)
    if not re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", digits):
        return None
    found = bytes.fromhex(digits)
    return found if _ID_BYTES_MIN <= len(found) <= _ID_BYTES_MAX else None


def _found_by_id(rows: tuple["ChipRow", ...]) -> Found:
    volts, supply = _supply(rows)
    refusals = [row.refusal for row in rows if row.refusal]
    told = (
        supply,
        "An ID is read only after a voltage was applied, and parts share IDs: the marking printed"
        " on the package decides.",
        *refusals,
    )
    return Found(
        rows=rows, supply_volts=volts, is_settled=False, sentences=tuple(dict.fromkeys(told))
    )


def _is_weak(row: "ChipRow") -> bool:
    """Whether what is known of the supply may stop a voltage, but not allow one."""
    from chipdb.row import KnownFrom

    return row.supply_known_from not in (KnownFrom.DATASHEET, KnownFrom.VENDOR_TABLE)


def _supply(rows: Sequence["ChipRow"]) -> tuple[tuple[float, float] | None, str]:
    """What parts of one ID share, and the sentence that comes first."""
    known = [(row, row.supply_volts) for row in rows if row.supply_volts is not None]
    low = max((volts[0] for _, volts in known), default=0.0)
    high = min((volts[1] for _, volts in known), default=0.0)
    if low > high:
        listed = "; ".join(
            dict.fromkeys(f"{row.part} {volts[0]:.2f} to {volts[1]:.2f} V" for row, volts in known)
        )
        return None, (
            f"The candidates differ in supply: {listed}. None is chosen: read the marking, then"
            " its datasheet, before any voltage is applied."
        )
    unknown = ", ".join(dict.fromkeys(row.part for row in rows if row.supply_volts is None))
    if unknown:
        return None, (
            f"The supply of {unknown} is not known: find its datasheet before applying any."
        )
    said = f"Supply: {low:.2f} to {high:.2f} V, as far as the table knows parts of this ID"
    weak = ", ".join(dict.fromkeys(row.part for row in rows if _is_weak(row)))
    doubt = f"; for {weak} from a family rule or memory only: check the datasheet" if weak else ""
    return (low, high), f"{said}{doubt}."


def _by_name(row: "ChipRow") -> tuple[object, ...]:
    """In a list that is looked through: W25Q16 before W25Q128, and the IDs of one part together."""
    words = re.split(r"(\d+)", row.part)
    counted = tuple(int(word) if word.isdigit() else word for word in words)
    return (row.maker, *counted, (row.jedec_id or b"").hex())


def _facts(row: "ChipRow", shared: tuple[float, float] | None) -> dict[str, Any]:
    return {
        "part": row.part,
        "parts": list(row.parts),
        "maker": row.maker,
        "jedec_id": row.jedec_id.hex() if row.jedec_id else None,
        "ext_id": row.ext_id.hex(),
        "density_bytes": row.density_bytes,
        "supply": {
            "volts": list(row.supply_volts) if row.supply_volts else None,
            "known_from": str(row.supply_known_from) if row.supply_known_from else None,
        },
        "shared_volts": list(shared) if shared else None,
        "kind": str(row.kind),
        "refusal": row.refusal,
    }


def _description(row: "ChipRow") -> str:
    supply = (
        f"{row.supply_volts[0]:.2f} to {row.supply_volts[1]:.2f} V ({row.supply_known_from})"
        if row.supply_volts
        else "supply not known"
    )
    jedec_id = "no JEDEC ID" if row.jedec_id is None else row.jedec_id.hex(" ").upper()
    more = f"; also {', '.join(row.parts[1:])}" if row.parts[1:] else ""
    doubt = f"; {row.contradiction}" if row.contradiction else ""
    return f"{supply}; {jedec_id}; {size_text(row.density_bytes)}; {row.maker}{more}{doubt}"
