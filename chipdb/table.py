"""The chip table: load it, look a chip up by ID or by the marking on its package.

Nothing is read before it is asked for: a look-up by ID loads the files of one maker only.
"""

import tomllib
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from chipdb.marking import MarkingLookup, look_up
from chipdb.row import ChipKind, ChipRow, TableError, read_rows

_CONTINUATION: Final = 0x7F

FIRST_BYTES: Final = MappingProxyType(
    {
        "adesto": frozenset({0x1F}),
        "bohong": frozenset({0x68}),
        "dosilicon": frozenset({0xE5}),
        "eon": frozenset({0x1C}),
        "esmt": frozenset({0x8C, 0xC8}),
        "gigadevice": frozenset({0xC8}),
        "infineon": frozenset({0x01, 0x04, 0x34, 0xEF}),
        "issi": frozenset({0x9D}),
        "macronix": frozenset({0xC2}),
        "micron": frozenset({0x20, 0x21, 0x2C, 0x89}),
        "puya": frozenset({0x85}),
        "siliconkaiser": frozenset({0x25}),
        "sst": frozenset({0xBF, 0x62}),
        "toshiba": frozenset({0x98}),
        "winbond": frozenset({0xEF}),
        "xmc": frozenset({0x20}),
        "xtx": frozenset({0x0B}),
        "zbit": frozenset({0x5E}),
        "zetta": frozenset({0xEF}),
    }
)
"""File name without `.toml` to the first ID bytes (7Fh skipped) of its rows; a test holds it."""

JEP106_BANK: Final = MappingProxyType({"issi": 2})
"""Makers that are known to send their code with and without the leading 7Fh."""


@cache
def load_maker(name: str) -> tuple[ChipRow, ...]:
    """The rows of `chips/<name>.toml`.

    Raises:
        TableError: the file breaks the schema.
    """
    file = f"{name}.toml"
    text = (Path(__file__).parent / "chips" / file).read_text(encoding="utf-8")
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"{file}: {error}") from error
    return read_rows(document, file)


@cache
def load() -> tuple[ChipRow, ...]:
    """Every row of every maker.

    Raises:
        TableError: a file breaks the schema.
    """
    return tuple(row for name in sorted(FIRST_BYTES) for row in load_maker(name))


def rows_for_id(id_bytes: bytes) -> tuple[ChipRow, ...]:
    """The rows that a chip answering `id_bytes` to 9Fh can be: empty if the ID is not known.

    Give as many bytes as were read, 6 or more where possible: some IDs are told apart (a 3 V
    part from a 1.8 V one) by the sixth byte only. Bytes that no row compares do not matter. With
    only 3 bytes given every part sharing them is a candidate. Leading 7Fh are counted and
    skipped. A leading 00h is taken for the dummy byte of a SPI NAND.
    """
    if id_bytes[:1] == b"\x00":
        return tuple(r for r in _rows_for(id_bytes[1:]) if r.kind is ChipKind.NAND)
    return _rows_for(id_bytes)


def find_by_marking(text: str) -> MarkingLookup:
    """The rows that a chip with `text` printed on it can be; see `chipdb.marking`."""
    return look_up(text, load())


def _rows_for(id_bytes: bytes) -> tuple[ChipRow, ...]:
    skipped, plain = _skip_continuation(id_bytes)
    if not plain:
        return ()
    found: list[tuple[int, ChipRow]] = []
    for name, first_bytes in FIRST_BYTES.items():
        if plain[0] not in first_bytes:
            continue
        for row in load_maker(name):
            compared = _compared_bytes(row, name, skipped, plain)
            if compared is not None:
                found.append((compared, row))
    best = max((compared for compared, _ in found), default=0)
    return tuple(row for compared, row in found if compared == best)


def _skip_continuation(id_bytes: bytes) -> tuple[int, bytes]:
    plain = id_bytes.lstrip(bytes([_CONTINUATION]))
    return len(id_bytes) - len(plain), plain


def _compared_bytes(row: ChipRow, name: str, skipped: int, plain: bytes) -> int | None:
    """How many ID bytes agree with the row's, or None if one does not."""
    if row.jedec_id is None:
        return None
    row_skipped, row_plain = _skip_continuation(row.jedec_id)
    if skipped != row_skipped and skipped + 1 != JEP106_BANK.get(name):
        return None
    if plain[: len(row_plain)] != row_plain:
        return None
    rest = plain[len(row_plain) :]
    if not rest:
        return len(row_plain)
    if rest[: len(row.ext_id)] != row.ext_id[: len(rest)]:
        return None
    return len(row_plain) + len(row.ext_id)
