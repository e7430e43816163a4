"""Write `chipdb/chips/*.toml` from the two open data sets. Run once; the rows live by hand since.

    python -m chipdb.generate_rows jedec_ids.json sfdp_corpus.json FOLDER

`jedec_ids.json` lists parts, IDs and sizes of open boot loaders and emulators, `sfdp_corpus.json`
the SFDP bytes of real parts; both lie in `tests/data/chips` with their sources and licences.
What neither states comes from the tables below: datasheets where one is cited, otherwise family
rules and memory, and each row says which. Times that are assumed are generous: they bound a wait,
nothing more.
"""

import json
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from chipdb import sfdp as tables
from chipdb.families import family_supply

Row = dict[str, Any]

_MIB: Final = 1 << 20
_KIB: Final = 1 << 10

_MAKERS: Final = {
    "Spansion/Cypress": ("infineon", "Infineon"),
    "Infineon/Cypress": ("infineon", "Infineon"),
    "Infineon": ("infineon", "Infineon"),
    "Cypress": ("infineon", "Infineon"),
    "Micron": ("micron", "Micron"),
    "Micron/ST": ("micron", "Micron"),
    "Intel/Numonyx": ("micron", "Micron"),
    "GigaDevice": ("gigadevice", "GigaDevice"),
    "ISSI": ("issi", "ISSI"),
    "PMC/ISSI": ("issi", "ISSI"),
    "SST/Microchip": ("sst", "Microchip"),
    "Microchip/SST": ("sst", "Microchip"),
    "Atmel/Adesto": ("adesto", "Adesto"),
    "Renesas (Adesto)": ("adesto", "Adesto"),
    "EON": ("eon", "Eon"),
    "Winbond": ("winbond", "Winbond"),
    "Macronix": ("macronix", "Macronix"),
    "XMC": ("xmc", "XMC"),
    "XTX": ("xtx", "XTX"),
    "Dosilicon": ("dosilicon", "Dosilicon"),
    "SiliconKaiser": ("siliconkaiser", "SiliconKaiser"),
    "Zbit": ("zbit", "Zbit"),
    "Zetta": ("zetta", "Zetta"),
    "ESMT": ("esmt", "ESMT"),
    "Bohong": ("bohong", "Bohong"),
    "Puya": ("puya", "Puya"),
    "Toshiba": ("toshiba", "Toshiba"),
}

_SOURCES: Final = {
    "u-boot/u-boot": "uboot",
    "Xilinx/qemu (fork of qemu/qemu)": "qemu",
    "barebox/barebox (table derived from Linux)": "barebox",
}

DATASHEETS: Final = {
    "W1": "Winbond W25Q128JV datasheet, Revision I, 2021-08-23",
    "W2": "Winbond W25Q256JV datasheet, Revision B, 2016-09-20",
    "IS": "ISSI IS25LP128, IS25LP128F and IS25WP128F datasheets, feature pages",
    "N2": "Micron N25Q 256Mb 3V datasheet, Revision W, page 79",
    "LK": "SFDP dump in a mail on the Linux kernel lists",
    "memory": "written from memory, no public source seen",
}

_W25Q128JV: Final[Row] = {
    "supply_volts": [2.7, 3.6],
    "supply_known_from": "datasheet",
    "times": {0x20: (45, 400), 0x52: (120, 1600), 0xD8: (150, 2000)},
    "times_known_from": "datasheet",
    "erase_known_from": "datasheet",
    "program_us_typ": 400,
    "program_us_max": 3000,
    "chip_erase_ms_typ": 40_000,
    "chip_erase_ms_max": 200_000,
    "read_hz_max": 50_000_000,
    "fast_read_hz_max": 104_000_000,
    "on_die_ecc": "none",
    "status_write": "01h and 31h, one byte each",
    "status_volatile": True,
    "status_write_ms_max": 15,
    "cited": ["W1"],
}

FACTS: Final[Mapping[str, Row]] = {
    "W25Q128JV": _W25Q128JV,
    "W25Q256JV": {
        **_W25Q128JV,
        "times": {0x20: (50, 400), 0x52: (120, 1600), 0xD8: (150, 2000)},
        "program_us_typ": 700,
        "chip_erase_ms_typ": 80_000,
        "chip_erase_ms_max": 400_000,
        "opcodes_4byte": [0x13, 0x0C, 0x12],
        "erase_4byte": {0x20: 0x21, 0xD8: 0xDC},
        "cited": ["W2"],
    },
    "IS25LP128": {
        "supply_volts": [2.3, 3.6],
        "supply_known_from": "datasheet",
        "read_hz_max": 50_000_000,
        "cited": ["IS"],
    },
    "IS25LP128F": {
        "supply_volts": [2.3, 3.6],
        "supply_known_from": "datasheet",
        "read_hz_max": 80_000_000,
        "fast_read_hz_max": 80_000_000,
        "cited": ["IS"],
    },
    "W25Q64JV": {"times": {0x20: (45, 400)}, "program_us_typ": 800, "program_us_max": 3000},
    "N25Q256A": {
        "supply_volts": [2.7, 3.6],
        "supply_known_from": "datasheet",
        "only_id": "20ba19",
        "cited": ["N2"],
    },
    "N25Q256A13": {
        "supply_volts": [2.7, 3.6],
        "supply_known_from": "datasheet",
        "cited": ["N2"],
    },
    "MX25L12835F": {
        "times": {0x20: (30, 200), 0xD8: (280, 2000)},
        "chip_erase_ms_typ": 45_000,
        "chip_erase_ms_max": 150_000,
    },
    "GD25Q128": {
        "times": {0x20: (50, 400), 0xD8: (200, 2000)},
        "chip_erase_ms_typ": 60_000,
        "chip_erase_ms_max": 120_000,
    },
    "S25FL128S": {"times": {0xD8: (130, 650)}, "program_us_typ": 340, "program_us_max": 750},
}
"""By part name, datasheet values and a few from memory (those without `cited`)."""

_EXTRA: Final[tuple[tuple[str, str, str, int, str], ...]] = (
    ("Winbond", "W25Q16JV-IQ", "ef4015", 2, ""),
    ("Winbond", "W25Q32JV-IQ", "ef4016", 4, ""),
    ("Winbond", "W25Q64JV-IQ", "ef4017", 8, ""),
    ("Winbond", "W25Q80DV", "ef4014", 1, ""),
    ("Winbond", "W25Q16DV", "ef4015", 2, ""),
    ("Winbond", "W25Q32BV", "ef4016", 4, ""),
    ("Winbond", "W25Q32FV", "ef4016", 4, ""),
    ("Winbond", "W25Q64BV", "ef4017", 8, ""),
    ("Winbond", "W25Q64FV", "ef4017", 8, ""),
    ("Winbond", "W25Q128BV", "ef4018", 16, ""),
    ("Winbond", "W25Q128FV", "ef4018", 16, ""),
    ("Winbond", "W25Q256JV-IM", "ef7019", 32, ""),
    ("Winbond", "W25Q512JV-IM", "ef7020", 64, ""),
    ("Winbond", "W25Q32FW", "ef6016", 4, ""),
    ("Winbond", "W25Q64FW", "ef6017", 8, ""),
    ("Winbond", "W25Q64JW-IQ", "ef6017", 8, ""),
    ("Winbond", "W25Q64JW-IM", "ef8017", 8, ""),
    ("Winbond", "W25Q128JW-IQ", "ef6018", 16, ""),
    ("Winbond", "W25Q256JW-IQ", "ef6019", 32, ""),
    ("Macronix", "MX25L6406E", "c22017", 8, ""),
    ("Macronix", "MX25L6433F", "c22017", 8, ""),
    ("Macronix", "MX25L6436E", "c22017", 8, ""),
    ("Macronix", "MX25L12833F", "c22018", 16, ""),
    ("Macronix", "MX25L12845G", "c22018", 16, ""),
    ("Macronix", "MX25L3206E", "c22016", 4, ""),
    ("Macronix", "MX25L1605D", "c22015", 2, ""),
    ("GigaDevice", "GD25Q64C", "c84017", 8, ""),
    ("GigaDevice", "GD25Q64E", "c84017", 8, ""),
    ("GigaDevice", "GD25Q128C", "c84018", 16, ""),
    ("GigaDevice", "GD25Q128E", "c84018", 16, ""),
    ("GigaDevice", "GD25Q127C", "c84018", 16, ""),
    ("GigaDevice", "GD25Q256C", "c84019", 32, ""),
    ("GigaDevice", "GD25Q256D", "c84019", 32, ""),
    ("GigaDevice", "GD25Q256E", "c84019", 32, ""),
    ("GigaDevice", "GD25LQ64E", "c86017", 8, ""),
    ("ISSI", "IS25WP128F", "9d7018", 16, ""),
    ("ISSI", "IS25LP128F", "9d6018", 16, ""),
    ("Micron", "MT25QL128ABA", "20ba18", 16, "1044"),
    ("Puya", "P25Q16U", "856015", 2, ""),
    ("Zetta", "ZD25Q128C", "ef4018", 16, ""),
)
"""Parts a bench meets that neither data set names; IDs and sizes from memory except ZD25Q128C
(SFDP dump in a kernel mail)."""

_NAND: Final[tuple[tuple[str, str, str, int], ...]] = (
    ("Winbond", "W25N512GV", "efaa20", 64),
    ("Winbond", "W25N01GV", "efaa21", 128),
    ("Winbond", "W25N02KV", "efaa22", 256),
    ("Winbond", "W25N01JW", "efbc21", 128),
    ("Macronix", "MX35LF1GE4AB", "c212", 128),
    ("Macronix", "MX35LF2GE4AB", "c222", 256),
    ("GigaDevice", "GD5F1GQ4UB", "c8d1", 128),
    ("GigaDevice", "GD5F1GQ5UE", "c851", 128),
    ("Micron", "MT29F1G01ABA", "2c14", 128),
    ("Micron", "MT29F2G01ABA", "2c24", 256),
    ("Toshiba", "TC58CVG0S3", "98c2", 128),
    ("ESMT", "F50L1G41A", "c821", 128),
)
"""SPI NAND, from memory, so that they are named when refused."""

_DATAFLASH: Final = re.compile(r"AT45")
_WORD_PROGRAM: Final = re.compile(r"SST25(VF(040B|080B|016B|032B)|WF(512|010|020$|040$|080))")
_DIE_SELECT: Final = re.compile(r"W25M")
_NO_4K: Final = re.compile(
    r"M25P\d|EN25P|W25P|S25SL|S25FL(128S|129P|256S|512S)|S70|\d+S33B|M45PE|IS25CD"
)
_HAS_32K: Final = re.compile(r"W25Q|GD25|IS25[LW]P|MX25[LU]\d+(3[35]F|45G)|MX66|XM25Q|ZD25Q")
_BY_ADDRESS: Final = re.compile(r"S25FS|S25H|S28H|S70FS")
_ECC: Final = re.compile(
    r"S25FS256T|S25H|S28H|MX(25|66)[UL][MW]|GD(25|55)L[TX]|GD25[TX]|GD55[TX]|MT35|W25H|IS25[LW]X"
)
_NO_ECC: Final = re.compile(
    r"W25[XP]|W25Q(80|16|32|64|128)|MX25[LURV]\d|GD25L?Q(16|32|64|128)|IS25[LW]P(008|016|032|064"
    r"|080|128)|N25Q(032|064|128|256)|M25P|EN25|SST26|AT2[56]D"
)
_OLD: Final = re.compile(r"M25P|M45P|W25[XP]|EN25P|S25SL|AT2[56]|AT45|SST25|\d+S33B|F25L|IS25CD")
_TIMES: Final = {
    256: (10, 100),
    4 * _KIB: (60, 1000),
    32 * _KIB: (200, 3000),
    64 * _KIB: (500, 4000),
    128 * _KIB: (700, 6000),
    256 * _KIB: (1200, 10_000),
}


def main(ids_file: str, corpus_file: str, folder: str) -> None:
    """Write one file a maker into `folder`."""
    sources = {key: {"what": what, "licence": "facts only"} for key, what in DATASHEETS.items()}
    rows: dict[tuple[str, str, str, str], Row] = {}
    for entry in json.loads(Path(ids_file).read_text(encoding="utf-8")):
        _take_id_entry(rows, sources, entry)
    for maker, part, jedec_id, mib, ext in _EXTRA:
        row = _row(rows, maker, part, jedec_id, ext, mib * _MIB)
        row["sources"].append("memory")
    for number, entry in enumerate(json.loads(Path(corpus_file).read_text(encoding="utf-8"))):
        _take_sfdp_entry(rows, sources, entry, number)
    for maker, part, jedec_id, mib in _NAND:
        row = _row(rows, maker, part, jedec_id, "", mib * _MIB)
        row.update(kind="SPI NAND", sources=["memory"])
    by_file: dict[str, list[Row]] = {}
    for row in rows.values():
        _enrich(row)
        by_file.setdefault(row["file"], []).append(row)
    for file, its_rows in by_file.items():
        its_rows.sort(key=lambda r: (r.get("jedec_id", "~"), r.get("ext_id", ""), r["parts"][0]))
        text = "\n".join(_file_lines(its_rows, sources))
        (Path(folder) / f"{file}.toml").write_text(text + "\n", encoding="utf-8")


def _base(part: str) -> str:
    """The part without what only tells variants of one ID apart: Winbond's -IQ, JVQ, JVFIM."""
    match = re.match(r"(W25[A-Z]\d{2,3}[A-Z][VWL])", part)
    return match.group(1) if match else re.sub(r"[^A-Z0-9]", "", part)


def _row(
    rows: dict[tuple[str, str, str, str], Row],
    manufacturer: str,
    part: str,
    jedec_id: str | None,
    ext_id: str,
    density: int,
) -> Row:
    file, maker = _MAKERS[manufacturer]
    key = (file, jedec_id or "", ext_id, _base(part))
    row = rows.setdefault(
        key,
        {"file": file, "maker": maker, "parts": [], "sources": [], "density_bytes": density},
    )
    if jedec_id:
        row["jedec_id"] = jedec_id.upper()
    if ext_id:
        row["ext_id"] = ext_id.upper()
    for name in (part, *_other_names(part)):
        if name not in row["parts"]:
            row["parts"].append(name)
    return row


def _other_names(part: str) -> Iterator[str]:
    """What else stands on packages, from memory: S0 and S1 are one part with two sector sizes,
    and the letters SL of old tables are FL in print."""
    if re.match(r"S25FL\d+[SP][01]$", part):
        yield part[:-1]
    if part.startswith("S25SL"):
        yield part.replace("S25SL", "S25FL")


def _take_id_entry(
    rows: dict[tuple[str, str, str, str], Row], sources: dict[str, Row], entry: Row
) -> None:
    part = entry["part"].upper()
    row = _row(
        rows,
        entry["manufacturer"],
        part,
        entry["jedec_id"],
        entry["ext_id"] or "",
        entry["density_bytes"],
    )
    row["sector_bytes"] = max(entry["sector_bytes"], 32 * _KIB)
    source = entry["source"]
    key = _SOURCES[source["project"]]
    sources[key] = {
        "what": f"{source['project']}, {source['path']}, commit {source['commit']}",
        "licence": f"{source['licence']}; facts only",
    }
    if key not in row["sources"]:
        row["sources"].append(key)
    if "different densities" in entry["note"]:
        row["contradiction"] = "The sources give different sizes for this ID."
    if entry["jedec_id"] == "c22536":
        row["density_bytes"] = 4 * _MIB
    if entry["jedec_id"] == "21ba20":
        row["contradiction"] = "The maker byte 21h has even parity: surely a slip for 20h."
    if entry["jedec_id"] == "ef7019":
        row["supply_unknown"] = True
        row["contradiction"] = (
            "The ID names a 3 V part elsewhere (W25Q256JV-IM), the name a 1.8 V one."
        )


def _take_sfdp_entry(
    rows: dict[tuple[str, str, str, str], Row], sources: dict[str, Row], entry: Row, number: int
) -> None:
    names = re.sub(r" \(.*\)", "", entry["part"]).split("/")
    variant = "2" if "(Cerberus)" in entry["part"] or "(Zephyr)" in entry["part"] else ""
    row = _row(
        rows,
        entry["manufacturer"],
        names[0],
        entry["jedec_id"],
        "",
        entry["density_bits"] // 8,
    )
    if variant:
        file, maker = row["file"], row["maker"]
        row = {**row, "parts": list(names), "sources": [], "file": file, "maker": maker}
        row.pop("sfdp", None)
        rows[(file, entry["jedec_id"], variant, names[0])] = row
    row["parts"].extend(name for name in names[1:] if name not in row["parts"])
    if names[0] == "MT25Q256ABA":
        row["parts"].append("MT25QL256ABA")
    if entry.get("sfdp"):
        row["sfdp"] = entry["sfdp"].upper()
    else:
        row["bfpt"] = entry["bfpt"].upper()
    source = entry["source"]
    path = re.sub(r" \[.*?\]", "", source["path"])
    commit = f", commit {source['commit']}" if source["commit"] else ""
    key = f"sfdp{number}"
    sources[key] = {
        "what": f"{source['project']}: {path}{commit}",
        "licence": f"{source['licence']}; table bytes only",
    }
    row["sources"].append(key)
    odd = re.search(r"ODD: (.*?\.)( |$)", entry["note"])
    if odd:
        row.setdefault("quirks", {})["SFDP"] = odd.group(1)


def _enrich(row: Row) -> None:
    part = _base(row["parts"][0])
    facts = _facts(row, part)
    row["sources"] = [*facts.get("cited", []), *row["sources"]]
    _kind(row, part)
    stated = _stated(row)
    _supply(row, part, facts, stated)
    _erase(row, part, facts, stated)
    _program(row, facts, stated)
    _limits(row, part, facts)
    _above_16_mib(row, part, facts, stated)
    _status(row, part, facts, stated)
    _oddities(row, part)


def _facts(row: Row, part: str) -> Row:
    facts = FACTS.get(part, {})
    only = facts.get("only_id")
    return {} if only and only.upper() != row.get("jedec_id") else dict(facts)


def _stated(row: Row) -> tables.Sfdp | None:
    if "sfdp" in row:
        return tables.parse(bytes.fromhex(row["sfdp"]))
    if "bfpt" in row:
        return tables.parse_basic_table(bytes.fromhex(row["bfpt"]))
    return None


def _kind(row: Row, part: str) -> None:
    if _DATAFLASH.match(part):
        row["kind"] = "DataFlash"
    elif part.startswith("CY15"):
        row["kind"] = "FRAM"
    elif _WORD_PROGRAM.match(part):
        row["kind"] = "word program"
    elif _DIE_SELECT.match(part):
        row["kind"] = "die select"


def _supply(row: Row, part: str, facts: Row, stated: tables.Sfdp | None) -> None:
    if row.pop("supply_unknown", False):
        return
    rule = family_supply(part)
    second = row.get("jedec_id", "")[2:4]
    by_id = {
        ("micron", "BA"): (2.7, 3.6),
        ("micron", "BB"): (1.7, 2.0),
        ("winbond", "40"): (2.7, 3.6),
        ("winbond", "50"): (1.65, 1.95),
        ("winbond", "70"): (2.7, 3.6),
    }.get((row["file"], second))
    if "supply_volts" in facts:
        row["supply_volts"] = facts["supply_volts"]
        row["supply_known_from"] = facts["supply_known_from"]
    elif stated and stated.supply_volts:
        row["supply_volts"] = list(stated.supply_volts)
        row["supply_known_from"] = "vendor table"
    elif part == "ZD25Q128C":
        row["supply_volts"] = [2.7, 3.6]
        row["supply_known_from"] = "vendor table"
        row["sources"].append("LK")
    elif rule:
        row["supply_volts"] = list(rule.volts)
        row["supply_known_from"] = "family rule" if rule.public else "memory"
    elif by_id:
        row["supply_volts"] = list(by_id)
        row["supply_known_from"] = "family rule" if row["file"] == "micron" else "memory"


def _erase(row: Row, part: str, facts: Row, stated: tables.Sfdp | None) -> None:
    density = row["density_bytes"]
    pairs: dict[int, int] = {}
    row["erase_known_from"] = facts.get("erase_known_from", "memory")
    if row.get("kind") in ("FRAM", "SPI NAND", "DataFlash"):
        pairs = {}
    elif stated and stated.ambiguous_opcodes:
        pairs = {t.opcode: t.size for t in stated.erase_types if t.opcode == 0x20}
        row["erase_known_from"] = "SFDP"
    elif stated:
        pairs = {t.opcode: t.size for t in stated.erase_types}
        row["erase_known_from"] = facts.get("erase_known_from", "SFDP")
    elif "erase_known_from" in facts:
        pairs = {0x20: 4 * _KIB, 0x52: 32 * _KIB, 0xD8: 64 * _KIB}
    elif not _BY_ADDRESS.match(part) and not part.startswith("SST26"):
        large = min(row.get("sector_bytes", 64 * _KIB), density)
        pairs[0xD8] = large
        if not _NO_4K.match(part):
            pairs[0x20] = 4 * _KIB
        if _HAS_32K.match(part):
            pairs[0x52] = 32 * _KIB
    elif part.startswith("SST26"):
        pairs[0x20] = 4 * _KIB
    known_times = facts.get("times", {})
    stated_times = {(t.opcode, t.size): t for t in stated.erase_types} if stated else {}
    kinds = []
    for opcode, size in sorted(pairs.items(), key=lambda p: p[1]):
        found = stated_times.get((opcode, size))
        if opcode in known_times:
            typ, longest = known_times[opcode]
            if "cited" not in facts:  # a wrong typical time costs nothing, a short limit a job
                longest = max(longest, _TIMES[size][1])
        elif found and found.ms_typ and found.ms_max:
            typ, longest = found.ms_typ, found.ms_max
        else:
            typ, longest = _TIMES[size]
        kind = {"opcode": opcode, "size": size, "ms_typ": typ, "ms_max": longest}
        four = facts.get("erase_4byte", {}).get(opcode) or (found and found.opcode_4byte)
        if four:
            kind["opcode_4byte"] = four
        kinds.append(kind)
    row["erase"] = kinds
    timed = stated and stated.program_us_typ
    unstated = "memory" if known_times else "assumed"
    row["times_known_from"] = facts.get("times_known_from", "SFDP" if timed else unstated)


def _program(row: Row, facts: Row, stated: tables.Sfdp | None) -> None:
    density = row["density_bytes"]
    row["program_us_typ"] = facts.get("program_us_typ") or (stated and stated.program_us_typ) or 700
    row["program_us_max"] = (
        (facts.get("program_us_max") if "cited" in facts else None)
        or (stated and stated.program_us_max)
        or 5000
    )
    row["page_size"] = 256
    if density <= 32 * _MIB and row.get("kind", "NOR") == "NOR":
        row["dies"] = 1
    row["chip_erase_ms_typ"] = (
        facts.get("chip_erase_ms_typ")
        or (stated and stated.chip_erase_ms_typ)
        or max(1000, 2500 * density // _MIB)
    )
    row["chip_erase_ms_max"] = (
        (facts.get("chip_erase_ms_max") if "cited" in facts else None)
        or (stated and stated.chip_erase_ms_max)
        or max(10_000, 16_000 * density // _MIB)
    )


def _limits(row: Row, part: str, facts: Row) -> None:
    old = _OLD.match(part) is not None
    row["read_hz_max"] = facts.get("read_hz_max", 20_000_000 if old else 33_000_000)
    row["fast_read_hz_max"] = facts.get("fast_read_hz_max", 25_000_000 if old else 50_000_000)
    if "on_die_ecc" in facts:
        row["on_die_ecc"] = facts["on_die_ecc"]
    elif _ECC.match(part):
        row["on_die_ecc"] = "present"
    elif _NO_ECC.match(part):
        row["on_die_ecc"] = "none"


def _above_16_mib(row: Row, part: str, facts: Row, stated: tables.Sfdp | None) -> None:
    if row["density_bytes"] <= 16 * _MIB:
        return
    four = stated.four_byte if stated else None
    if "opcodes_4byte" in facts:
        row["opcodes_4byte"] = facts["opcodes_4byte"]
    elif four and four.usable:
        named = ((four.read_13h, 0x13), (four.fast_read_0ch, 0x0C), (four.program_12h, 0x12))
        row["opcodes_4byte"] = [opcode for present, opcode in named if present]
    elif re.match(r"MT25Q|MX66|W25Q(512|01|02)|S25FL(256S|512S)|S70FL|IS25[LW]P(256|512|01)", part):
        row["opcodes_4byte"] = [0x13, 0x0C, 0x12]
        for kind in row["erase"]:
            if kind["opcode"] in (0x20, 0xD8):
                kind["opcode_4byte"] = tables.FOUR_BYTE_FORM[kind["opcode"]]
        if part.startswith(("S25FL", "S70FL")):
            row["erase"] = [k for k in row["erase"] if k["opcode"] == 0xD8]
    elif part.startswith("N25Q"):
        row["opcodes_4byte"] = [0x13, 0x0C]
    if row["file"] == "micron":
        row["enter_4byte"] = "06 B7"
    elif row["file"] in ("winbond", "macronix", "gigadevice", "issi", "eon", "xmc", "xtx"):
        row["enter_4byte"] = "B7"


_TWO_BYTES: Final = "01h, two bytes"
_ONE_BYTE: Final = "01h, one byte"


def _layout(row: Row, part: str) -> tuple[str, str, int] | None:
    """Layout name, way to write, longest write in ms; None where not known. From memory and
    from the family table of public drivers."""
    large = row["density_bytes"] > 16 * _MIB
    found: dict[str, tuple[str, str, int]] = {
        r"W25Q": ("Winbond 256 Mbit" if large else "Winbond", _TWO_BYTES, 100),
        r"W25[XP]|M25PX": ("three BP and TB", _ONE_BYTE, 100),
        r"M25P\d|MX25L(2005A|4005A|8005)": ("three BP", _ONE_BYTE, 100),
        r"MX25L(1605D|3205D|6405D|12805D)": ("Macronix D", _ONE_BYTE, 100),
        r"MX(25|66)": ("Macronix", _TWO_BYTES, 40),
        r"IS25[LW]P": ("ISSI", _ONE_BYTE, 100),
        r"S25F[LS](128|256|512|129)[SP]|S70F": ("Spansion", _TWO_BYTES, 500),
        r"S25FL(1|2|0)\d\dK|S25FL0\d\dK": ("Winbond", _TWO_BYTES, 100),
        r"SST26": ("SST26", _ONE_BYTE, 100),
        r"SST25": ("SST25", _ONE_BYTE, 100),
        r"AT2[56]D": ("AT25DF", _ONE_BYTE, 100),
    }
    if re.match(r"GD25L?[QBF]", part) and row["density_bytes"] <= 32 * _MIB:
        return ("GigaDevice 256 Mbit" if large else "GigaDevice", _TWO_BYTES, 100)
    if re.match(r"N25Q|MT25Q|MT35", part) and row["density_bytes"] >= 8 * _MIB:
        return ("Micron", _ONE_BYTE, 100)
    return next((value for pattern, value in found.items() if re.match(pattern, part)), None)


def _status(row: Row, part: str, facts: Row, stated: tables.Sfdp | None) -> None:
    layout = _layout(row, part)
    if layout:
        row["protection"] = layout[0]
        row["status_write"] = facts.get("status_write", layout[1])
        row["status_write_ms_max"] = facts.get("status_write_ms_max", layout[2])
    volatile = bool(stated and stated.status_write.volatile_by_50h)
    row["status_volatile"] = facts.get("status_volatile", volatile)


def _oddities(row: Row, part: str) -> None:
    quirks = row.setdefault("quirks", {})
    lies = row.setdefault("sfdp_lies", [])
    if part == "ZD25Q128C":
        lies.append("density")
        quirks["density"] = "Its SFDP states 16 Mbit; it has 128."
    if re.match(r"IS25[LW]P256", part):
        lies.append("address bytes")
    if part.startswith("S25FS") and part != "S25FS256T":
        lies.append("page size")
        quirks["page"] = "Its SFDP states 512-byte pages; programming wraps at 256."
    if part == "S25FS256T":
        lies.extend(["page size", "address bytes"])
        quirks["power-up"] = "Comes up in 4-byte address mode."
    if _BY_ADDRESS.match(part) or part.startswith("SST26"):
        quirks["D8h"] = "What D8h erases depends on the address or on a register."
    if re.match(r"S25FL512S", part):
        quirks["page"] = "Has 512-byte pages; programming 256 bytes at a time is safe."
        row["page_size"] = 512
    if part.startswith(("W25Q512NW", "W25Q01NW", "W25Q02NW")):
        quirks["register 0"] = "Security register 0 is the SFDP area and can be overwritten."
    if row["density_bytes"] > 32 * _MIB:
        quirks["dies"] = "May be stacked of several dies; no chip erase is used."
    if row.get("on_die_ecc") == "present":
        quirks["ECC"] = "Programs once per erase and unit: on-die error correction."
    if not quirks:
        del row["quirks"]
    if not lies:
        del row["sfdp_lies"]


_ORDER: Final = (
    *("parts", "jedec_id", "ext_id", "kind", "density_bytes", "contradiction"),
    *("supply_volts", "supply_known_from", "page_size", "program_us_typ", "program_us_max"),
    *("erase", "erase_known_from", "times_known_from", "chip_erase_ms_typ", "chip_erase_ms_max"),
    *("dies", "read_hz_max", "fast_read_hz_max", "on_die_ecc", "protection", "status_write"),
    *("status_volatile", "status_write_ms_max", "opcodes_4byte", "enter_4byte", "sfdp_lies"),
    *("quirks", "sources", "sfdp", "bfpt", "note"),
)
_HEX_KEYS: Final = frozenset({"opcodes_4byte"})


def _file_lines(rows: list[Row], sources: Mapping[str, Row]) -> Iterator[str]:
    yield "# What is known of these parts, each row with its sources. Facts only: IDs, sizes,"
    yield "# table bytes and times; no text or code of the sources is in here."
    yield "# Begun by chipdb/generate_rows.py, kept by hand since; chipdb/row.py checks the keys."
    yield f'maker = "{rows[0]["maker"]}"'
    used = list(dict.fromkeys(key for row in rows for key in row["sources"]))
    for key in used:
        yield f"\n[sources.{key}]"
        for name, value in sources[key].items():
            yield f"{name} = {json.dumps(value, ensure_ascii=False)}"
    for row in rows:
        yield "\n[[chip]]"
        row["sources"] = list(dict.fromkeys(row["sources"]))
        for key in _ORDER:
            if key in row:
                yield f"{key} = {_toml(row[key], key)}"


def _toml(value: object, key: str) -> str:
    if key in ("jedec_id", "ext_id", "sfdp", "bfpt"):
        return f"'{value}'"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return str(int(value)) if value == int(value) and key != "supply_volts" else str(value)
    if isinstance(value, int):
        return f"0x{value:02X}" if key in _HEX_KEYS or key.startswith("opcode") else str(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, dict):
        pairs = ((k if re.fullmatch(r"\w+", k) else json.dumps(k), v) for k, v in value.items())
        return "{ " + ", ".join(f"{name} = {_toml(v, name)}" for name, v in pairs) + " }"
    assert isinstance(value, list | tuple)
    return "[" + ", ".join(_toml(item, key) for item in value) + "]"


if __name__ == "__main__":
    main(*sys.argv[1:])
