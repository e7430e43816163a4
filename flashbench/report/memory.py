"""What an image says of the board's memory, before and after an edit. Pure functions."""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from flashbench.errors import CheckFailed
from flashbench.image.change_sheet import NamedRange
from flashbench.image.memory_package import KnownFrom, MemoryPackage
from flashbench.image.memory_records import MemoryRecord, find_records
from flashbench.image.strap_table import (
    RowChoice,
    RowMatch,
    StrapTable,
    choose_row,
    find_strap_tables,
    rows_describing,
)
from flashbench.report.view import (
    Booking,
    Described,
    MemoryRow,
    MemoryTable,
    Open,
    Outcome,
    PackageChange,
)

TABLES_MAX: Final = 12
PACKAGES_MAX: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """The tables of SPD contents, edited ones first, and the packages they speak of."""

    tables: tuple[MemoryTable, ...]
    tables_left_out: int
    packages: tuple[PackageChange, ...]
    places: tuple[NamedRange, ...]  # of every record, copies included


def describe_memory(
    original: bytes, image: bytes | None, *, booking: Booking, outcome: Outcome | None
) -> Memory:
    """Everything about memory in the original, and in the edited image if there is one."""
    found = find_strap_tables(original, find_records(original))
    edited = _Edited.of(image)
    choices = [_choice(original, table, booking) for table in found]
    tables = [_table(original, choice, edited, booking) for choice in choices]
    tables.sort(key=lambda table: not any(row.changed for row in table.rows))
    packages = tuple(_package_changes(tables, booking, outcome))
    return Memory(
        tables=tuple(tables[:TABLES_MAX]),
        tables_left_out=max(0, len(tables) - TABLES_MAX),
        packages=packages[:PACKAGES_MAX],
        places=tuple(_places(found)),
    )


def _places(tables: Sequence[StrapTable]) -> Iterator[NamedRange]:
    for table in tables:
        starts = [table.offset, *(copy.offset for copy in table.copies)]
        for start, row in itertools.product(starts, table.rows):
            if row.record is not None:
                yield NamedRange(
                    offset=start + row.offset - table.offset,
                    length=table.stride,
                    name=f"SPD content, row {table.index_text(row.index)}",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edited:
    """The edited image, or none."""

    image: bytes | None
    records: Mapping[int, MemoryRecord]
    tables: Mapping[int, StrapTable]

    @classmethod
    def of(cls, image: bytes | None) -> "_Edited":
        records = find_records(image) if image is not None else ()
        tables = find_strap_tables(image, records) if image is not None else ()
        return cls(
            image=image,
            records={record.offset: record for record in records},
            tables={table.offset: table for table in tables},
        )


def _choice(original: bytes, table: StrapTable, booking: Booking) -> RowChoice:
    try:
        return choose_row(original, table, was=booking.was, straps=booking.straps)
    except CheckFailed:  # the straps choose no row of this table, so they speak of another
        return choose_row(original, table, was=booking.was)


def _table(original: bytes, choice: RowChoice, edited: _Edited, booking: Booking) -> MemoryTable:
    table = choice.table
    describing = _rows_describing(original, table, edited, booking.fitted)
    return MemoryTable(
        offset=table.offset,
        stride=table.stride,
        copies=tuple(copy.offset for copy in table.copies),
        rows=tuple(_row(original, table, match, edited, describing) for match in choice.matches),
        notes=table.notes,
        verdict=choice.verdict,
    )


def _rows_describing(
    original: bytes, table: StrapTable, edited: _Edited, fitted: MemoryPackage | None
) -> frozenset[int] | None:
    """Indices of the rows that describe the fitted package now, if it is known."""
    if fitted is None:
        return None
    data = original if edited.image is None else edited.image
    now = table if edited.image is None else edited.tables.get(table.offset)
    rows = () if now is None else rows_describing(data, now, fitted)
    return frozenset(row.index for row in rows)


def _row(
    original: bytes,
    table: StrapTable,
    match: RowMatch,
    edited: _Edited,
    describing: frozenset[int] | None,
) -> MemoryRow:
    row = match.row
    end = row.offset + table.stride
    changed = (
        edited.image is not None and edited.image[row.offset : end] != original[row.offset : end]
    )
    after = edited.records.get(row.offset) if changed else None
    return MemoryRow(
        index=row.index,
        index_text=table.index_text(row.index),
        offset=row.offset,
        before=_described(row.record) if row.record else None,
        after=_described(after) if after else None,
        changed=changed,
        chosen_by_straps=match.fits_straps is True,
        fits_was=match.fits_was,
        misfits=match.misfits,
        describes_fitted=None if describing is None else row.index in describing,
    )


def _described(record: MemoryRecord) -> Described:
    content = record.content
    return Described(
        type=content.type.value,
        capacity_gbit=content.capacity_gbit,
        capacity_of=content.capacity_of,
        density_gbit=content.density_gbit,
        dies=content.dies,
        ranks=content.ranks,
        width_bits=content.width_bits,
        speed_mtps=content.speed_mtps,
        doubts=content.doubts,
    )


def _package_changes(
    tables: Sequence[MemoryTable], booking: Booking, outcome: Outcome | None
) -> Iterator[PackageChange]:
    changed = [(table, row) for table in tables for row in table.rows if row.changed]
    changed.sort(key=lambda item: not item[1].chosen_by_straps)
    fitted = booking.fitted
    for table, row in changed:
        if row.before is None or row.after is None:
            continue
        yield PackageChange(
            index_text=row.index_text,
            before=row.before,
            after=row.after,
            count=booking.packages_on_board,
            part=fitted.part if fitted and row.describes_fitted and fitted.part else None,
            open=tuple(_open(table, row, booking, outcome)),
        )


def _open(
    table: MemoryTable, row: MemoryRow, booking: Booking, outcome: Outcome | None
) -> Iterator[Open]:
    if len(table.rows) > 1 and not row.chosen_by_straps:
        yield Open.ROW
    if booking.packages_on_board is None:
        yield Open.COUNT
    if row.after is not None and row.after.capacity_of != "package":
        yield Open.UNIT
    fitted = booking.fitted
    if fitted is not None and KnownFrom.SELLER_ONLY in fitted.known_from.values():
        yield Open.SELLER
    if outcome is None or not outcome.boots or outcome.memory_shown_gbit is None:
        yield Open.BOARD
