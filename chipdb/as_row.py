"""A chip's ID and SFDP as text for the table, so that people can send in what it lacks."""

import json
from typing import Final

from chipdb.sfdp import FOUR_BYTE_FORM, EraseType, Sfdp

_UNKNOWN_MS: Final = (500, 10_000)
_UNKNOWN_US: Final = (700, 5000)


def as_row(id_bytes: bytes, sfdp: Sfdp, *, part: str, read_by: str) -> str:
    """A TOML document with one row that `chipdb.row.read_rows` accepts.

    `part` is what is printed on the package; `read_by` stands as the source. The supply is given
    only where the chip's vendor table states it: nothing else in a chip does.
    """
    lines = [
        f"maker = {_text('?')}",
        "",
        "[sources.sent_in]",
        f"what = {_text(read_by)}",
        f"licence = {_text('facts only')}",
        "",
        "[[chip]]",
        f"parts = [{_text(part)}]",
        f"jedec_id = '{id_bytes[:3].hex().upper()}'",
        *([f"ext_id = '{id_bytes[3:6].hex().upper()}'"] if id_bytes[3:6] else []),
        f"density_bytes = {sfdp.density_bytes}",
        *_supply_lines(sfdp),
        f"page_size = {min(256, sfdp.page_size or 256)}",
        f"program_us_typ = {_whole(sfdp.program_us_typ, _UNKNOWN_US[0])}",
        f"program_us_max = {_whole(sfdp.program_us_max, _UNKNOWN_US[1])}",
        f"erase = [{', '.join(_erase(kind) for kind in _certain(sfdp))}]",
        'erase_known_from = "SFDP"',
        f"times_known_from = {_text('SFDP' if sfdp.program_us_max else 'assumed')}",
        'sources = ["sent_in"]',
        f"sfdp = '{sfdp.raw.hex().upper()}'",
    ]
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _whole(value: float | None, unknown: int) -> int:
    return unknown if value is None else int(value)


def _supply_lines(sfdp: Sfdp) -> list[str]:
    if sfdp.supply_volts is None:
        return []
    low, high = sfdp.supply_volts
    return [f"supply_volts = [{low}, {high}]", 'supply_known_from = "vendor table"']


def _certain(sfdp: Sfdp) -> list[EraseType]:
    return [
        kind
        for kind in sfdp.erase_types
        if kind.opcode not in sfdp.ambiguous_opcodes
        and (kind.opcode in FOUR_BYTE_FORM or kind.opcode == 0x81)
    ]


def _erase(kind: EraseType) -> str:
    four = f", opcode_4byte = 0x{kind.opcode_4byte:02X}" if kind.opcode_4byte else ""
    return (
        f"{{ opcode = 0x{kind.opcode:02X}, size = {kind.size},"
        f" ms_typ = {_whole(kind.ms_typ, _UNKNOWN_MS[0])},"
        f" ms_max = {_whole(kind.ms_max, _UNKNOWN_MS[1])}{four} }}"
    )
