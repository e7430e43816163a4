"""The chip table: its schema, its completeness against the data sets, and look-up by ID."""

import math
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from chipdb import generate_rows, sfdp, table
from chipdb.as_row import as_row
from chipdb.row import ChipKind, ChipRow, KnownFrom, TableError, read_rows
from tests.chipdb.corpus import DATA, entries, entry, id_entries


def parts_for(id_hex: str) -> set[str]:
    return {row.part for row in table.rows_for_id(bytes.fromhex(id_hex))}


def document(**changed: Any) -> dict[str, Any]:
    """The smallest document the schema accepts, with keys of its row replaced or, if None, gone."""
    row: dict[str, Any] = {
        "parts": ["X25Q16"],
        "jedec_id": "AA4015",
        "density_bytes": 2 << 20,
        "erase": [{"opcode": 0x20, "size": 4096, "ms_typ": 50, "ms_max": 400}],
        "erase_known_from": "datasheet",
        "times_known_from": "datasheet",
        "program_us_typ": 700,
        "program_us_max": 3000,
        "sources": ["sheet"],
    }
    row.update(changed)
    return {
        "maker": "Example",
        "sources": {"sheet": {"what": "a datasheet", "licence": "facts only"}},
        "chip": [{key: value for key, value in row.items() if value is not None}],
    }


def test_every_row_of_every_file_passes_the_schema_and_names_a_source() -> None:
    rows = table.load()
    assert len(rows) > 450
    for row in rows:
        assert row.sources
        assert all(source.licence for source in row.sources)


def test_every_file_is_known_with_exactly_the_first_id_bytes_of_its_rows() -> None:
    names = {f.name.removesuffix(".toml") for f in (files("chipdb") / "chips").iterdir()}
    assert names == set(table.FIRST_BYTES)
    for name, first_bytes in table.FIRST_BYTES.items():
        seen = {r.jedec_id.lstrip(b"\x7f")[0] for r in table.load_maker(name) if r.jedec_id}
        assert seen == first_bytes, name


# Sizes are those of the boot loaders and emulators in tests/data/chips/jedec_ids.json.
@pytest.mark.parametrize("item", id_entries(), ids=lambda i: f"{i['part']}-{i['jedec_id']}")
def test_every_part_of_the_id_list_is_a_row_with_its_size(item: dict[str, Any]) -> None:
    ext = bytes.fromhex(item["ext_id"] or "")
    (row,) = [
        row
        for row in table.load()
        if item["part"].upper() in row.parts
        and row.jedec_id == bytes.fromhex(item["jedec_id"])
        and row.ext_id == ext
    ][:1]
    if row.density_bytes != item["density_bytes"]:
        assert item["part"] == "mx25u3232f"  # 32 MiB there, for a part of 32 Mbit
        assert row.density_bytes == 4 << 20
    if "different densities" in item["note"]:
        assert row.contradiction is not None


@pytest.mark.parametrize("part", [e.part for e in entries()])
def test_every_corpus_sfdp_stands_in_a_row_of_its_id_and_size(part: str) -> None:
    item = entry(part)
    (row,) = [
        row
        for row in table.load()
        if (item.sfdp is not None and row.sfdp == item.sfdp and row.jedec_id == item.jedec_id)
        or (item.bfpt is not None and row.bfpt == item.bfpt and row.jedec_id == item.jedec_id)
    ]
    assert row.density_bytes == item.density_bytes


def test_rows_known_from_a_datasheet_name_it() -> None:
    cited = [r for r in table.load() if r.supply_known_from is KnownFrom.DATASHEET]
    assert {"W25Q128JV", "W25Q256JV", "IS25LP128", "N25Q256A13"} <= {
        part for row in cited for part in row.parts
    }
    for row in cited:
        assert any("datasheet" in source.what for source in row.sources)


def test_a_supply_from_a_vendor_table_is_the_one_in_the_rows_own_sfdp() -> None:
    checked = 0
    for row in table.load():
        if row.supply_known_from is KnownFrom.VENDOR_TABLE and row.sfdp is not None:
            assert sfdp.parse(row.sfdp).supply_volts == row.supply_volts
            checked += 1
    assert checked == 17


# W25Q128JV Rev I 2021-08-23 and W25Q256JV Rev B 2016-09-20, AC characteristics.
@pytest.mark.parametrize(
    ("part", "erase_ms", "program_us", "chip_ms"),
    [
        ("W25Q128JV-IQ", [(45, 400), (120, 1600), (150, 2000)], (400, 3000), (40_000, 200_000)),
        ("W25Q256JV", [(50, 400), (120, 1600), (150, 2000)], (700, 3000), (80_000, 400_000)),
    ],
)
def test_datasheet_times_stand_in_the_row(
    part: str,
    erase_ms: list[tuple[float, float]],
    program_us: tuple[float, float],
    chip_ms: tuple[float, float],
) -> None:
    (row,) = [r for r in table.load() if r.part == part]
    assert [(k.ms_typ, k.ms_max) for k in row.erase] == erase_ms
    assert (row.program_us_typ, row.program_us_max) == program_us
    assert (row.chip_erase_ms_typ, row.chip_erase_ms_max) == chip_ms
    assert row.times_known_from is KnownFrom.DATASHEET


def test_assumed_times_are_never_shorter_than_those_that_are_known() -> None:
    """They bound a wait: no known typical time of the same unit lies above the assumed limit."""
    rows = [row for row in table.load() if row.kind is ChipKind.NOR]
    assumed = [row for row in rows if row.times_known_from is KnownFrom.ASSUMED]
    limits = {kind.size: kind.ms_max for row in assumed for kind in row.erase}
    known = [row for row in rows if row.times_known_from is not KnownFrom.ASSUMED]
    assert len(assumed) > 300 and len(known) > 50
    for row in known:
        for kind in row.erase:
            assert kind.ms_typ < limits.get(kind.size, kind.ms_max), row.part


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"erase_known_from": "assumed"}, "nothing but times can be assumed"),
        ({"densty_bytes": 1}, r"x.toml, row 1 \(X25Q16\): unknown key 'densty_bytes'"),
        ({"density_bytes": None}, r"row 1 \(X25Q16\): key 'density_bytes' is missing"),
        ({"density_bytes": "2M"}, "density_bytes must be a whole number above 0"),
        ({"sources": ["hearsay"]}, "source 'hearsay' is not listed in the file"),
        ({"supply_volts": [3.6, 2.7], "supply_known_from": "datasheet"}, "two rising voltages"),
        ({"supply_volts": [2.7, 3.6]}, "supply_volts and supply_known_from go together"),
        ({"supply_volts": [2.7, 3.6], "supply_known_from": "SFDP"}, "cannot be 'SFDP'"),
        ({"erase": [{"opcode": 0x20, "size": 8192, "ms_typ": 1, "ms_max": 2}]}, "no known pair"),
        ({"erase": [{"opcode": 0xC7, "size": 4096, "ms_typ": 1, "ms_max": 2}]}, "no known pair"),
        ({"erase": [{"opcode": 0x20, "size": 4096, "ms_typ": 3, "ms_max": 2}]}, "do not rise"),
        (
            {"erase": [{"opcode": 0x20, "size": 4096, "ms_typ": 1, "ms_max": 2, "speed": 1}]},
            "unknown key 'speed'",
        ),
        (
            {
                "erase": [
                    {"opcode": 0x20, "size": 4096, "ms_typ": 1, "ms_max": 2, "opcode_4byte": 0xDC}
                ]
            },
            "wrong 4-byte form of 20h",
        ),
        ({"density_bytes": 2048}, "an erase unit is larger than the chip"),
        ({"kind": "ROM"}, "kind 'ROM' is not a valid ChipKind"),
        ({"jedec_id": "AA40ZZ"}, "jedec_id must be hex digits"),
        ({"opcodes_4byte": [0xB7]}, "may name 13h, 0Ch and 12h"),
        ({"sfdp_lies": ["everything"]}, "sfdp_lies may hold"),
        ({"enter_4byte": "E9"}, 'enter_4byte must be "B7" or "06 B7"'),
        ({"program_us_typ": 5000}, "program times do not rise"),
        ({"program_us_max": math.inf}, "program_us_max must be a finite number"),
        (
            {"erase": [{"opcode": 0x20, "size": 4096, "ms_typ": 1, "ms_max": math.inf}]},
            "do not rise",
        ),
        ({"page_size": 300}, "page_size must be a power of two"),
        ({"status_write": "01h"}, "status_write must be one of"),
    ],
)
def test_a_row_that_breaks_the_schema_is_refused_with_file_row_and_key(
    changed: dict[str, Any], sentence: str
) -> None:
    assert read_rows(document(), "x.toml")
    with pytest.raises(TableError, match=sentence):
        read_rows(document(**changed), "x.toml")


def test_an_unknown_key_at_the_top_of_a_file_is_refused() -> None:
    with pytest.raises(TableError, match=re.escape("x.toml: unknown key 'chips'")):
        read_rows({**document(), "chips": []}, "x.toml")


def test_the_longest_id_that_agrees_wins() -> None:
    assert parts_for("01 20 18 4D 01 80") == {"S25FL128S", "S25FL128S1"}
    assert parts_for("01 20 18 4D 01 81") == {"S25FS128S"}
    assert parts_for("20 BA 19 10 44 00") == {"MT25QL256A"}
    assert "N25Q256A13" in parts_for("20 BA 19 00 00 00")


def test_three_bytes_leave_every_part_that_shares_them() -> None:
    found = table.rows_for_id(bytes.fromhex("012018"))
    assert {"S25FL128S", "S25FS128S"} <= {row.part for row in found}
    assert len({row.supply_volts for row in found}) == 2


def test_bytes_that_no_row_compares_do_not_matter() -> None:
    assert parts_for("EF 40 18 00 00 00") == parts_for("EF 40 18") == parts_for("EF4018FFFFFFEF40")


def test_an_unknown_id_has_no_rows() -> None:
    for unknown in ("AABBCC", "FFFFFF", "000000", "7F7F7F", ""):
        assert table.rows_for_id(bytes.fromhex(unknown)) == ()


# JEP106: 7Fh counts banks; ISSI stands in bank 2, a Ramtron FRAM's C2h in bank 7.
def test_continuation_bytes_are_counted_and_skipped() -> None:
    assert parts_for("7F 9D 46") == {"PM25LQ032"}
    assert parts_for("7F 9D 60 18") == parts_for("9D 60 18")
    assert parts_for("7F 7F 7F 7F 7F 7F C2 20 18") == set()


def test_a_dummy_byte_before_the_id_is_a_spi_nand() -> None:
    (row,) = table.rows_for_id(bytes.fromhex("00EFAA21"))
    assert row.kind is ChipKind.NAND
    assert row.refusal is not None
    assert "is a SPI NAND" in row.refusal
    assert table.rows_for_id(bytes.fromhex("00EF4018")) == ()


@pytest.mark.parametrize(
    ("id_hex", "sentence"),
    [
        ("BF254A", "programs single bytes or words"),
        ("1F2600", "is an AT45 DataFlash"),
        ("042CC2 7F7F7F", "is a ferroelectric RAM"),
        ("EF7119", "holds several dies behind one chip select"),
    ],
)
def test_parts_that_cannot_be_handled_say_why(id_hex: str, sentence: str) -> None:
    (row,) = table.rows_for_id(bytes.fromhex(id_hex))
    assert row.refusal is not None
    assert sentence in row.refusal


def test_rows_that_contradict_each_other_are_marked() -> None:
    marked = {row.part for row in table.load() if row.contradiction}
    assert {"MX25U3232F", "MX25U3235F", "S70FL01GS", "MT25QL01G", "W25Q256JW"} <= marked
    (doubtful,) = [r for r in table.load() if r.part == "W25Q256JW"]
    assert doubtful.supply_volts is None


def test_parts_whose_erase_unit_depends_on_the_address_name_no_such_opcode() -> None:
    families = re.compile("SST26|S25FS|S25H|S28H")
    rows = [row for row in table.load() if families.match(row.part)]
    assert len(rows) > 20
    for row in rows:
        assert all(kind.opcode != 0xD8 for kind in row.erase), row.part


def test_the_kept_script_writes_files_that_the_table_takes(tmp_path: Path) -> None:
    generate_rows.main(str(DATA / "jedec_ids.json"), str(DATA / "sfdp_corpus.json"), str(tmp_path))
    count = 0
    for file in tmp_path.glob("*.toml"):
        rows = read_rows(tomllib.loads(file.read_text(encoding="utf-8")), file.name)
        count += len(rows)
    assert count >= len({(i["part"], i["jedec_id"], i["ext_id"]) for i in id_entries()})


def test_only_the_file_of_the_makers_byte_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    loaded: list[str] = []
    real = table.load_maker

    def watched(name: str) -> tuple[ChipRow, ...]:
        loaded.append(name)
        return real(name)

    monkeypatch.setattr(table, "load_maker", watched)
    table.rows_for_id(bytes.fromhex("C22018"))
    assert loaded == ["macronix"]


@pytest.mark.parametrize("part", [e.part for e in entries() if e.sfdp])
def test_a_chip_printed_as_a_row_is_a_row_that_the_table_takes(part: str) -> None:
    found = entry(part).parse()
    text = as_row(b"\xaa\x40\x18\x01\x02\x03", found, part='X "25"', read_by="a bench")
    (row,) = read_rows(tomllib.loads(text), "new.toml")
    assert row.parts == ('X "25"',)
    assert (row.jedec_id, row.ext_id) == (b"\xaa\x40\x18", b"\x01\x02\x03")
    assert row.density_bytes == found.density_bytes
    assert row.sfdp == entry(part).sfdp
    assert row.supply_volts == found.supply_volts
