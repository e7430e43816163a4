"""Tables of SPD contents of which strap resistors on the board choose one row.

Records that follow each other at one distance are the rows of one table; a second run of equal
rows elsewhere is a copy of the table. Which row a board uses is never picked silently.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from flashbench.errors import CheckFailed
from flashbench.image.memory_edit import differences
from flashbench.image.memory_package import MemoryPackage, capacity_text
from flashbench.image.memory_records import STRIDES, MemoryRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class StrapRow:
    """One row: a record, or None where the row holds no SPD content (blank, all one byte)."""

    index: int
    offset: int
    record: MemoryRecord | None
    equal_to: int | None  # the first row with the same bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class TableCopy:
    """A further run of rows that are those of the table, or differ in `unequal_rows`."""

    offset: int
    unequal_rows: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrapTable:
    """Rows at one distance (`stride` bytes). A lone record is a table of one row."""

    offset: int
    stride: int
    rows: tuple[StrapRow, ...]
    copies: tuple[TableCopy, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def index_bits(self) -> int:
        return max(1, (len(self.rows) - 1).bit_length())

    def index_text(self, index: int) -> str:
        """ "2 (010)": decimal, and binary with the most significant strap first."""
        return f"{index} ({index:0{self.index_bits}b})"

    def to_json(self) -> dict[str, Any]:
        """Offsets from the image's start; `binary` has the most significant strap first."""
        return {
            "offset": self.offset,
            "stride": self.stride,
            "rows": [
                {
                    "index": row.index,
                    "binary": f"{row.index:0{self.index_bits}b}",
                    "offset": row.offset,
                    "holds_a_record": row.record is not None,
                    "equal_to": row.equal_to,
                }
                for row in self.rows
            ],
            "copies": [
                {"offset": copy.offset, "unequal_rows": list(copy.unequal_rows)}
                for copy in self.copies
            ],
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class RowMatch:
    """Whether one row fits what the technician knows. None where nothing was said."""

    row: StrapRow
    fits_was: bool | None
    misfits: tuple[str, ...]  # attributes in which the row and the old package differ
    fits_straps: bool | None

    @property
    def fits(self) -> bool:
        return self.fits_was is not False and self.fits_straps is not False


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChoice:
    """Every row judged, the rows that fit, and the verdict in a sentence."""

    table: StrapTable
    matches: tuple[RowMatch, ...]
    fitting: tuple[StrapRow, ...]
    verdict: str

    @property
    def the_row(self) -> StrapRow | None:
        """The row, only if exactly one fits."""
        return self.fitting[0] if len(self.fitting) == 1 else None

    def to_json(self) -> dict[str, Any]:
        """The table, with what was found of each row, the indices that fit, and the verdict."""
        told = self.table.to_json()
        for row, match in zip(told["rows"], self.matches, strict=True):
            row |= {
                "fits_was": match.fits_was,
                "misfits": list(match.misfits),
                "fits_straps": match.fits_straps,
            }
        return told | {"fitting": [row.index for row in self.fitting], "verdict": self.verdict}


def find_strap_tables(data: bytes, records: Sequence[MemoryRecord]) -> tuple[StrapTable, ...]:
    """The tables that `records` (of `find_records`) make up; copies are listed with the first."""
    tables: list[StrapTable] = []
    seen = _SeenTables(data)
    for run, stride in _runs(data, records):
        rows = _rows(data, run, stride)
        original = seen.original_of(rows, stride, len(tables))
        if original is None:
            tables.append(
                StrapTable(
                    offset=run[0].offset,
                    stride=stride,
                    rows=rows,
                    notes=(
                        *_blank_before(data, rows, stride),
                        *_conventions(rows),
                        *_repeats(rows),
                    ),
                )
            )
        else:
            tables[original] = _with_copy(data, tables[original], rows)
    return tuple(tables)


def choose_row(
    data: bytes,
    table: StrapTable,
    *,
    was: MemoryPackage | None = None,
    straps: str | None = None,
) -> RowChoice:
    """Judge every row by the old package `was` and by the straps as measured ("010").

    The first letter of `straps` is the most significant. Raises `CheckFailed` if `straps` is not
    made of 0 and 1, or chooses no row of the table.
    """
    chosen = None if straps is None else _strap_index(table, straps)
    matches = tuple(_match(data, table, row, was, chosen) for row in table.rows)
    told = was is not None or straps is not None
    fitting = tuple(match.row for match in matches if match.fits and match.row.record)
    return RowChoice(
        table=table,
        matches=matches,
        fitting=fitting,
        verdict=_verdict(table, fitting, was=was, straps=straps) if told else _ASK,
    )


def choose_rows(
    data: bytes,
    tables: Sequence[StrapTable],
    *,
    was: MemoryPackage | None = None,
    straps: str | None = None,
) -> tuple[RowChoice, ...]:
    """Every table judged as by `choose_row`. A table without the row that the straps choose is
    judged without them; raises `CheckFailed` if that is so for all."""
    choices = []
    refusal: CheckFailed | None = None
    for table in tables:
        try:
            choices.append(choose_row(data, table, was=was, straps=straps))
        except CheckFailed as error:
            refusal = error
            choices.append(choose_row(data, table, was=was))
    if refusal is not None and not any(m.fits_straps for c in choices for m in c.matches):
        raise refusal
    return tuple(choices)


def rows_describing(data: bytes, table: StrapTable, package: MemoryPackage) -> tuple[StrapRow, ...]:
    """Rows that already describe `package`: moving strap resistors may do, and nothing need be
    written."""
    return tuple(
        row
        for row in table.rows
        if row.record is not None and not differences(_stored(data, table, row), package)
    )


def already_described(data: bytes, table: StrapTable, package: MemoryPackage) -> str | None:
    """The sentence to say first if another row describes the fitted package, else None."""
    rows = rows_describing(data, table, package)
    if not rows:
        return None
    listed = ", ".join(table.index_text(row.index) for row in rows)
    return (
        f"Row {listed} of the table at {table.offset:#x} already describes the fitted package:"
        " moving the strap resistors to it may do, and the flash need not be touched."
    )


def table_lines(data: bytes, choice: RowChoice) -> tuple[str, ...]:
    """The table as text, one line a row, the verdict last."""
    table = choice.table
    lines = [table_text(table), *table.notes]
    lines += [_row_line(table, match) for match in choice.matches]
    return (*lines, choice.verdict)


def table_text(table: StrapTable) -> str:
    """Where the table and its copies lie."""
    one_row = len(table.rows) == 1
    what = "one record" if one_row else f"table of {len(table.rows)} rows"
    parts = [f"{what} of {table.stride} bytes at {table.offset:#x}"]
    return "; ".join([*parts, *(_copy_text(table, copy) for copy in table.copies)])


_ASK = (
    "Which row the board uses cannot be told from the image: say which package was fitted, or"
    " measure the straps."
)


def _runs(data: bytes, records: Sequence[MemoryRecord]) -> list[tuple[list[MemoryRecord], int]]:
    """Records grouped by distance; a hole of whole blank rows does not end a run."""
    runs: list[tuple[list[MemoryRecord], int]] = []
    for record in records:
        if runs:
            run, stride = runs[-1]
            distance = record.offset - run[-1].offset
            if len(run) == 1 and distance in STRIDES:
                runs[-1] = ([*run, record], distance)
                continue
            rows = distance // stride
            if len(run) > 1 and distance == rows * stride and rows <= 16:
                between = range(run[-1].offset + stride, record.offset, stride)
                if all(_is_blank(data[at : at + stride]) for at in between):
                    run.append(record)
                    continue
        runs.append(([record], record.length))
    return runs


def _rows(data: bytes, run: list[MemoryRecord], stride: int) -> tuple[StrapRow, ...]:
    """All rows of a run, its blank ones and those that fill it up to a power of two included."""
    by_offset = {record.offset: record for record in run}
    first = run[0].offset
    count = (run[-1].offset - first) // stride + 1
    if len(run) > 1:
        full = 1 << (count - 1).bit_length()
        while count < full and _is_blank(_slice(data, first + count * stride, stride)):
            count += 1
    seen: dict[bytes, int] = {}
    rows = []
    for index in range(count):
        offset = first + index * stride
        earlier = seen.setdefault(_slice(data, offset, stride), index)
        rows.append(
            StrapRow(
                index=index,
                offset=offset,
                record=by_offset.get(offset),
                equal_to=earlier if earlier != index else None,
            )
        )
    return tuple(rows)


def _slice(data: bytes, offset: int, length: int) -> bytes:
    return data[offset : offset + length]


def _is_blank(row: bytes) -> bool:
    return len(row) > 0 and row.count(row[0]) == len(row)


def _stored(data: bytes, table: StrapTable, row: StrapRow) -> bytes:
    return _slice(data, row.offset, row.record.length if row.record else table.stride)


class _SeenTables:
    """The rows of the tables so far, to know a copy by."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._equal: dict[tuple[bytes, ...], int] = {}
        self._alike: dict[tuple[int, int], list[tuple[int, tuple[bytes, ...]]]] = {}

    def original_of(self, rows: tuple[StrapRow, ...], stride: int, number: int) -> int | None:
        """The number of the first table that `rows` are a copy of; without one, they are table
        `number`.

        A copy has as many rows of the same length, most of them equal; one or two have to be.
        """
        told = tuple(_slice(self._data, row.offset, stride) for row in rows)
        if len(rows) <= 2:
            first = self._equal.setdefault(told, number)
            return first if first != number else None
        alike = self._alike.setdefault((len(rows), stride), [])
        for first, others in alike:
            equal = sum(one == other for one, other in zip(told, others, strict=True))
            if 2 * equal > len(rows):
                return first
        alike.append((number, told))
        return None


def _unequal(data: bytes, table: StrapTable, rows: tuple[StrapRow, ...]) -> tuple[int, ...]:
    return tuple(
        one.index
        for one, other in zip(table.rows, rows, strict=True)
        if _slice(data, one.offset, table.stride) != _slice(data, other.offset, table.stride)
    )


def _with_copy(data: bytes, table: StrapTable, rows: tuple[StrapRow, ...]) -> StrapTable:
    copy = TableCopy(offset=rows[0].offset, unequal_rows=_unequal(data, table, rows))
    return StrapTable(
        offset=table.offset,
        stride=table.stride,
        rows=table.rows,
        copies=(*table.copies, copy),
        notes=table.notes,
    )


def _blank_before(data: bytes, rows: tuple[StrapRow, ...], stride: int) -> tuple[str, ...]:
    before = rows[0].offset - stride
    if len(rows) < 2 or before < 0 or not _is_blank(_slice(data, before, stride)):
        return ()
    return (
        "What precedes the first row is blank: if the table begins there with empty rows, every"
        " index is higher.",
    )


def _conventions(rows: tuple[StrapRow, ...]) -> tuple[str, ...]:
    found = {row.record.content.convention.value for row in rows if row.record}
    if len(found) < 2:
        return ()
    return (
        f"The rows follow different conventions ({'; '.join(sorted(found))}): no row may be copied"
        " over another.",
    )


def _repeats(rows: tuple[StrapRow, ...]) -> tuple[str, ...]:
    """What equal rows inside one run may mean: a second copy right behind, or one for a channel."""
    count = len(rows)
    if count < 2:
        return ()
    if all(row.equal_to == 0 for row in rows[1:]):
        return ("All rows are equal: they may stand for memory channels and not for straps.",)
    for period in range(2, count // 2 + 1):
        if count % period == 0 and all(
            row.equal_to is not None and row.equal_to % period == row.index % period
            for row in rows[period:]
        ):
            return (
                f"Rows 0 to {period - 1} repeat: these may be {count // period} copies of a table"
                f" of {period} rows, or one table of {count}; the image cannot tell.",
            )
    return ()


def _strap_index(table: StrapTable, straps: str) -> int:
    if not straps or set(straps) - {"0", "1"} or len(straps) > 16:
        raise CheckFailed(
            f"Straps are written as 0 and 1, most significant first; {straps!r} is not.",
            next_step='Measure each strap resistor and write for example "010".',
        )
    index = int(straps, 2)
    if index >= len(table.rows):
        raise CheckFailed(
            f"Straps {straps} choose row {index}, and the table at {table.offset:#x} has"
            f" {len(table.rows)} rows.",
            next_step="Measure the straps again, or look for another table.",
        )
    return index


def _match(
    data: bytes,
    table: StrapTable,
    row: StrapRow,
    was: MemoryPackage | None,
    chosen: int | None,
) -> RowMatch:
    misfits: tuple[str, ...] = ()
    fits_was: bool | None = None
    if was is not None:
        if row.record is None:
            fits_was = False
        else:
            misfits = tuple(sorted(differences(_stored(data, table, row), was)))
            fits_was = not misfits
    fits_straps = None if chosen is None else row.index == chosen
    return RowMatch(row=row, fits_was=fits_was, misfits=misfits, fits_straps=fits_straps)


def _verdict(
    table: StrapTable,
    fitting: tuple[StrapRow, ...],
    *,
    was: MemoryPackage | None,
    straps: str | None,
) -> str:
    basis = " and ".join(
        word for word, said in (("the old package", was), ("the straps", straps)) if said
    )
    if not fitting:
        return f"No row fits {basis}: another package, other straps, or another table."
    listed = ", ".join(table.index_text(row.index) for row in fitting)
    verdict = (
        f"One row fits {basis}: {listed}."
        if len(fitting) == 1
        else f"{len(fitting)} rows fit {basis}, cannot tell which: {listed}."
    )
    if straps and straps != straps[::-1]:
        reverse = int(straps[::-1], 2)
        verdict += (
            f" Straps {straps} are read with the first as the most significant; the other way"
            f" round they would choose row {reverse}."
        )
    if straps and len(table.rows) > 1 and len(straps) != table.index_bits:
        verdict += (
            f" {len(straps)} straps were given, and {len(table.rows)} rows take"
            f" {table.index_bits}: is one missing, or one of another kind?"
        )
    return verdict


def _copy_text(table: StrapTable, copy: TableCopy) -> str:
    if not copy.unequal_rows:
        return f"equal copy at {copy.offset:#x}"
    rows = ", ".join(table.index_text(index) for index in copy.unequal_rows)
    return f"copy at {copy.offset:#x} that differs in row {rows}"


def _row_line(table: StrapTable, match: RowMatch) -> str:
    row = match.row
    return f"row {table.index_text(row.index)} at {row.offset:#x}: {row_text(match)}"


def row_text(match: RowMatch) -> str:
    """What one row holds, and how it fits what was said."""
    row = match.row
    if row.record is None:
        return "no SPD content"
    content = row.record.content
    parts = [
        content.type.value,
        f"{capacity_text(content.capacity_gbit)} per {content.capacity_of}",
        f"{content.density_gbit} Gbit dies" if content.dies else f"{content.density_gbit} Gbit",
        f"{content.ranks} rank(s)",
        f"x{content.width_bits}",
        f"{content.speed_mtps} MT/s",
    ]
    if row.equal_to is not None:
        parts.append(f"equal to row {row.equal_to}")
    if match.fits_was is not None:
        parts.append(
            "fits the old package"
            if match.fits_was
            else f"not the old package ({', '.join(map(_word, match.misfits))})"
        )
    if match.fits_straps:
        parts.append("chosen by the straps")
    return ", ".join(parts)


def _word(attribute: str) -> str:
    """ "density" for "density_gbit": the unit is no part of what differs."""
    for unit in ("_gbit", "_bits", "_mtps", "_ps"):
        attribute = attribute.removesuffix(unit)
    return attribute.replace("_", " ")
