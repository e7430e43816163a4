"""Rows of strap tables, copies of tables, and which row the board uses."""

import pytest

from flashbench.errors import CheckFailed
from flashbench.image.memory_package import MemoryPackage
from flashbench.image.memory_records import find_records
from flashbench.image.strap_table import (
    StrapTable,
    already_described,
    choose_row,
    find_strap_tables,
    table_lines,
)
from tests.image.spd_data import Entry, entry

# The parts lists that these come from: tests/data/spd/README.md.
SMALL = entry("MT62F512M32D2DR-031 WT:B", "lp5/set-0")
LARGE = entry("H58G66AK6BX070", "lp5/set-0")
FAST = entry("K3KL6L60GM-MGCT", "lp5/set-0")
WIDE = entry("MT62F2G32D8DR-031 WT:B", "lp5/set-0")
NEW = entry("MT62F1G32D2DS-031 WT:C", "lp5/set-0")
BLANK = b"\xff" * 512
CODE = bytes(range(256)) * 16


def rows(*contents: Entry | bytes) -> bytes:
    return b"".join(c.spd if isinstance(c, Entry) else c for c in contents)


def tables(image: bytes) -> tuple[StrapTable, ...]:
    return find_strap_tables(image, find_records(image))


def only_table(image: bytes) -> StrapTable:
    (table,) = tables(image)
    return table


def small() -> MemoryPackage:
    return SMALL.package()


def test_records_in_a_row_are_one_table_and_a_second_run_is_its_copy() -> None:
    run = rows(SMALL, LARGE, FAST, WIDE)
    table = only_table(CODE + run + CODE + run + CODE)

    assert [row.index for row in table.rows] == [0, 1, 2, 3]
    assert (table.offset, table.stride) == (4096, 512)
    assert [(copy.offset, copy.unequal_rows) for copy in table.copies] == [
        (4096 + len(run) + 4096, ())
    ]


def test_a_copy_with_one_edited_row_is_still_a_copy_and_names_the_row() -> None:
    one, other = rows(SMALL, LARGE, FAST, WIDE), rows(SMALL, NEW, FAST, WIDE)
    table = only_table(CODE + one + CODE + other + CODE)

    assert table.copies[0].unequal_rows == (1,)


def test_two_different_tables_are_not_copies() -> None:
    image = CODE + rows(SMALL, LARGE, FAST) + CODE + rows(WIDE, NEW, LARGE) + CODE

    assert [len(table.rows) for table in tables(image)] == [3, 3]


def test_blank_rows_count_and_fill_the_table_up_to_a_power_of_two() -> None:
    table = only_table(CODE + rows(SMALL, LARGE, BLANK, FAST, WIDE) + BLANK * 5 + CODE)

    assert [row.record is not None for row in table.rows] == [
        True, True, False, True, True, False, False, False,
    ]  # fmt: skip
    assert table.index_text(2) == "2 (010)"


def test_one_row_fits_the_old_package() -> None:
    image = CODE + rows(LARGE, FAST, SMALL, WIDE) + CODE
    choice = choose_row(image, only_table(image), was=small())

    assert choice.verdict == "One row fits the old package: 2 (10)."
    assert choice.the_row is not None
    assert choice.the_row.offset == 4096 + 1024
    assert choice.matches[1].misfits == ("speed_mtps", "type")


def test_several_rows_fit_and_none_is_picked() -> None:
    image = CODE + rows(LARGE, SMALL, SMALL, WIDE) + CODE
    choice = choose_row(image, only_table(image), was=small())

    assert choice.verdict == "2 rows fit the old package, cannot tell which: 1 (01), 2 (10)."
    assert choice.the_row is None


def test_straps_tell_equal_rows_apart_and_their_order_is_stated() -> None:
    image = CODE + rows(LARGE, SMALL, SMALL, WIDE) + CODE
    choice = choose_row(image, only_table(image), was=small(), straps="01")

    assert choice.the_row is not None
    assert choice.the_row.index == 1
    assert choice.verdict == (
        "One row fits the old package and the straps: 1 (01). Straps 01 are read with the first"
        " as the most significant; the other way round they would choose row 2."
    )


def test_straps_that_contradict_the_old_package_fit_no_row() -> None:
    image = CODE + rows(LARGE, SMALL, FAST, WIDE) + CODE
    choice = choose_row(image, only_table(image), was=small(), straps="11")

    assert choice.fitting == ()
    assert choice.verdict.startswith("No row fits the old package and the straps")


@pytest.mark.parametrize("straps", ["1", "001"])
def test_as_many_straps_as_the_table_takes_are_asked_for(straps: str) -> None:
    image = CODE + rows(LARGE, SMALL, FAST, WIDE) + CODE
    choice = choose_row(image, only_table(image), straps=straps)

    assert f"{len(straps)} straps were given, and 4 rows take 2" in choice.verdict


def test_with_nothing_said_nothing_is_chosen() -> None:
    image = CODE + rows(LARGE, SMALL) + CODE
    choice = choose_row(image, only_table(image))

    assert choice.the_row is None
    assert choice.verdict.startswith("Which row the board uses cannot be told")


@pytest.mark.parametrize(
    ("straps", "complaint"),
    [("", "is not"), ("12", "is not"), ("11", "choose row 3, and the table at 0x1000 has 2 rows")],
)
def test_straps_that_cannot_be_are_refused(straps: str, complaint: str) -> None:
    image = CODE + rows(LARGE, SMALL) + CODE
    with pytest.raises(CheckFailed, match=complaint):
        choose_row(image, only_table(image), straps=straps)


def test_a_row_that_already_describes_the_fitted_package_is_said_first() -> None:
    image = CODE + rows(SMALL, LARGE, NEW, WIDE) + CODE
    table = only_table(image)

    sentence = already_described(image, table, NEW.package())
    assert sentence is not None
    assert sentence.startswith("Row 2 (10) of the table at 0x1000 already describes")
    assert "the flash need not be touched" in sentence
    assert already_described(image, table, FAST.package()) is None


def test_equal_rows_may_stand_for_channels() -> None:
    table = only_table(CODE + rows(SMALL, SMALL, SMALL, SMALL) + CODE)

    assert table.notes == (
        "All rows are equal: they may stand for memory channels and not for straps.",
    )


def test_a_table_that_repeats_may_be_two_copies_and_says_so() -> None:
    table = only_table(CODE + rows(SMALL, LARGE, FAST, WIDE) * 2 + CODE)

    assert table.notes == (
        "Rows 0 to 3 repeat: these may be 2 copies of a table of 4 rows, or one table of 8; the"
        " image cannot tell.",
    )


def test_blank_rows_before_the_first_are_doubted() -> None:
    table = only_table(CODE + BLANK + rows(SMALL, LARGE) + CODE)

    assert "every index is higher" in table.notes[0]


def test_rows_of_different_conventions_are_pointed_out() -> None:
    table = only_table(CODE + rows(SMALL, entry("K4U6E3S4AA-MGCR", "lp4x/set-0"), FAST) + CODE)

    assert len(table.notes) == 1
    assert table.notes[0].startswith("The rows follow different conventions (LPDDR4X, one 32-bit")


def test_the_table_is_written_out_with_capacities_and_the_verdict_last() -> None:
    image = CODE + rows(SMALL, LARGE) + CODE
    lines = table_lines(image, choose_row(image, only_table(image), was=small()))

    assert lines == (
        "table of 2 rows of 512 bytes at 0x1000",
        "row 0 (0) at 0x1000: LPDDR5, 16 Gbit = 2 GB per package, 8 Gbit dies, 1 rank(s), x16,"
        " 6400 MT/s, fits the old package",
        "row 1 (1) at 0x1200: LPDDR5, 64 Gbit = 8 GB per package, 16 Gbit dies, 2 rank(s), x16,"
        " 6400 MT/s, not the old package (density, dies, ranks)",
        "One row fits the old package: 0 (0).",
    )


def test_rows_of_256_stored_bytes_make_a_table() -> None:
    image = CODE + b"".join(e.spd[:256] for e in (SMALL, LARGE, FAST, WIDE)) + CODE

    assert only_table(image).stride == 256
    assert len(only_table(image).rows) == 4
