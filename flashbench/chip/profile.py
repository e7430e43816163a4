"""The working facts of one chip: what the table rows and the chip's own SFDP agree on.

`reconcile` brings both together field by field, always towards caution: the smaller size, the
longer time-out, the instruction that both name. What only the table can know (supply, protection,
error correction) is never guessed from the SFDP.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, NewType

from chipdb import sfdp as tables
from chipdb.marking import MarkingLookup
from chipdb.row import ChipRow, KnownFrom, OnDieEcc
from chipdb.sfdp import AddressBytes, EraseType, SectorLayout, Sfdp
from flashbench.chip.supply import RefusedAsSaid, agreed_supply, check_supply
from flashbench.errors import ChipUntouched

Address = NewType("Address", int)
"""A byte address in the flash array."""


class AddressMode(Enum):
    """How a chip above 16 MiB is addressed; every smaller chip is THREE_BYTE."""

    THREE_BYTE = "3-byte addresses"
    DEDICATED_4BYTE = "4-byte opcodes"
    ENTER_4BYTE = "4-byte mode (B7h/E9h)"
    ENTER_4BYTE_WITH_WEL = "4-byte mode (06h B7h / 06h E9h)"
    EXTENDED_REGISTER = "extended address register (C8h/C5h)"
    ALWAYS_4BYTE = "always 4-byte"


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseKind:
    """One erase instruction. `opcode` is the one to send in the profile's address mode."""

    opcode: int
    size: int  # bytes; a power of two
    ms_typ: float
    ms_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseRegion:
    """A stretch of the array in which the same erase kinds work. Kinds ascend in size."""

    start: Address
    length: int
    kinds: tuple[EraseKind, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipEraseTime:
    """Whole-chip erase; absent from a profile where it may not be used (stacked dies)."""

    opcode: int
    ms_typ: float
    ms_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipProfile:
    """Everything the rooms above need to know to read, plan and change one chip.

    Regions ascend, touch, and cover `density_bytes`. `doubts` are sentences for the user.
    """

    parts: tuple[str, ...]
    jedec_id: bytes  # 3 to 6 bytes, as the row compares them
    density_bytes: int
    density_sources: tuple[str, ...]  # "table", "SFDP": those that agree and are not known to lie
    supply_volts: tuple[float, float]
    supply_known_from: str  # "datasheet", "vendor table", "family rule", "memory", "user"
    page_size: int  # bytes per program instruction: min(256, what the sources say)
    program_us_typ: float
    program_us_max: float
    regions: tuple[EraseRegion, ...]
    chip_erase: ChipEraseTime | None
    address_mode: AddressMode
    read_hz_max: int  # 03h / 13h
    fast_read_hz_max: int  # 0Bh / 0Ch, and everything else
    die_bytes: int  # a read frame never crosses a multiple of this
    ecc_free: bool  # known to have no on-die ECC, so programming without erase is allowed
    protection: str | None  # name of the status-register layout, see chip/protection.py
    status_write: str | None  # how SR1.. may be written, see chip/protection.py
    status_volatile: bool = False  # 50h and a write change the bits until power-off only
    status_write_ms_max: float = 1000.0
    read_4byte_opcodes: bool = False  # 13h and 0Ch read in every mode, whatever address_mode is
    sfdp_on_record: bool = False  # the table has the SFDP of every part that this can be
    quirks: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()

    @property
    def longest_erase_ms(self) -> float:
        """The largest maximum of any erase, the chip erase included; 0 if none is known."""
        times = [kind.ms_max for region in self.regions for kind in region.kinds]
        if self.chip_erase is not None:
            times.append(self.chip_erase.ms_max)
        return float(max(times, default=0.0))


_16_MIB: Final = 1 << 24
_CAREFUL_READ_HZ: Final = 20_000_000
_CAREFUL_HZ: Final = 33_000_000
_GENEROUS_ERASE_MS: Final = (
    (4 << 10, 60.0, 1000.0),
    (32 << 10, 200.0, 3000.0),
    (64 << 10, 500.0, 4000.0),
    (256 << 10, 1200.0, 10_000.0),
)
_GENEROUS_PROGRAM_US: Final = (700.0, 5000.0)
_MAKERS_BY_B7: Final = frozenset({0xEF, 0xC2})
_MAKERS_BY_06_B7: Final = frozenset({0x20, 0x2C})


def reconcile(
    jedec_id: bytes,
    rows: Sequence[ChipRow],
    sfdp: Sfdp | None,
    *,
    declared_volts: float,
    supply_confirmed_by_user: bool = False,
    datasheet_volts: tuple[float, float] | None = None,
    marking: MarkingLookup | None = None,
    layout: SectorLayout | None = None,
) -> ChipProfile:
    """What may be relied on for the chip that answered `jedec_id` (3 to 6 bytes).

    `rows` are all rows that the ID leaves open (`chipdb.table.rows_for_id`), `sfdp` the chip's own
    tables or None. `declared_volts` is what the bench supplies; `supply_confirmed_by_user` says
    that the user read in the part's own datasheet that it takes that, `datasheet_volts` is the
    range read there; `marking` is what is printed on the package, looked up; `layout` is the
    layout of the sector map that the chip says is in force (`chip.sector_layout`). Where several
    rows remain, only what they all say counts. Opcodes in the result are those to send in its
    address mode.

    Raises:
        ChipUntouched: marking and ID name different parts; a kind of chip that cannot be handled;
            a supply that does not fit or is not known well enough; no source for the size; no
            way to address the part above 16 MiB.
    """
    candidates = _fitting_marking(jedec_id, rows, marking)
    _refuse_other_kinds(candidates)
    check_supply(
        candidates,
        sfdp,
        declared_volts,
        confirmed_by_user=supply_confirmed_by_user,
        datasheet_volts=datasheet_volts,
        marking=marking,
    )
    facts = _rows_for_facts(candidates, sfdp)
    doubts = _row_doubts(candidates, facts, sfdp)
    if marking is not None and not marking.rows:
        doubts.append("The marking names no part of the table: it was not compared with the ID.")
    volts, known_from = agreed_supply(
        candidates,
        sfdp,
        declared_volts,
        confirmed_by_user=supply_confirmed_by_user,
        datasheet_volts=datasheet_volts,
    )
    density, density_sources = _density(candidates, sfdp, doubts)
    mode = _address_mode(jedec_id, density, facts, sfdp)
    typ_us, max_us = _program_us(facts, sfdp, doubts)
    return ChipProfile(
        parts=tuple(dict.fromkeys(part for row in candidates for part in row.parts)),
        jedec_id=_compared_id(jedec_id, candidates),
        density_bytes=density,
        density_sources=density_sources,
        supply_volts=volts,
        supply_known_from=known_from,
        page_size=_page_size(facts, sfdp, doubts),
        program_us_typ=typ_us,
        program_us_max=max_us,
        regions=_regions(density, mode, facts, sfdp, layout, doubts),
        chip_erase=_chip_erase(candidates, facts, sfdp),
        address_mode=mode,
        read_hz_max=min((row.read_hz_max for row in facts), default=_CAREFUL_READ_HZ),
        fast_read_hz_max=min((row.fast_read_hz_max for row in facts), default=_CAREFUL_HZ),
        die_bytes=_die_bytes(density, candidates),
        ecc_free=bool(facts) and all(row.on_die_ecc is OnDieEcc.NONE for row in facts),
        protection=_unanimous([row.protection for row in facts]),
        status_write=_status_write(facts),
        status_volatile=_status_volatile(facts, sfdp),
        status_write_ms_max=max((row.status_write_ms_max for row in facts), default=1000.0),
        read_4byte_opcodes=_reads_by_4byte_opcodes(density, facts, sfdp),
        sfdp_on_record=bool(candidates) and all(row.sfdp is not None for row in candidates),
        quirks={name: text for row in candidates for name, text in row.quirks.items()},
        doubts=tuple(dict.fromkeys(doubts)),
    )


def _fitting_marking(
    jedec_id: bytes, rows: Sequence[ChipRow], marking: MarkingLookup | None
) -> tuple[ChipRow, ...]:
    """The candidates left by the marking; a marking of another part stops."""
    if marking is None or not marking.rows:
        return tuple(rows)
    both = tuple(row for row in rows if row in marking.rows)
    if both:
        return both
    near = [row for row in marking.rows if _same_id_and_facts(jedec_id, row, rows)]
    if near:
        return (*rows, *near)
    if not any(row.jedec_id for row in marking.rows):
        return tuple(rows)
    printed = marking.rows[0]
    wanted = ((printed.jedec_id or b"") + printed.ext_id).hex(" ").upper()
    raise RefusedAsSaid(
        f"The marking reads as {printed.maker} {printed.part}, which answers {wanted}, but this"
        f" chip answers {jedec_id[:6].hex(' ').upper()}.",
        next_step="It may be a re-marked chip, or the marking was misread: read the marking again"
        " with a magnifier, and trust neither until they agree.",
    )


def _same_id_and_facts(jedec_id: bytes, row: ChipRow, rows: Sequence[ChipRow]) -> bool:
    """Whether a row answers the same first bytes and differs from `rows` in name only."""
    if row.jedec_id is None or not rows or jedec_id[: len(row.jedec_id)] != row.jedec_id:
        return False
    return all(
        row.density_bytes == other.density_bytes and row.supply_volts == other.supply_volts
        for other in rows
    )


def _refuse_other_kinds(rows: Sequence[ChipRow]) -> None:
    refusal = next((row.refusal for row in rows if row.refusal), None)
    if refusal:
        raise ChipUntouched(
            refusal, next_step="flashbench handles SPI NOR flash only; use another way."
        )


def _recorded(row: ChipRow, sfdp: Sfdp) -> bool:
    """Whether this chip's SFDP is, byte for byte, the one on record for the row."""
    if row.sfdp is not None:
        length = min(len(row.sfdp), len(sfdp.raw))
        return length >= 16 and row.sfdp[:length].rstrip(b"\xff") == sfdp.raw[:length].rstrip(
            b"\xff"
        )
    if row.bfpt is not None:
        return row.bfpt == b"".join(dword.to_bytes(4, "little") for dword in sfdp.bfpt)
    return False


def _rows_for_facts(rows: tuple[ChipRow, ...], sfdp: Sfdp | None) -> tuple[ChipRow, ...]:
    """The rows whose facts count: those with this very SFDP on record, else all that can be."""
    if sfdp is not None:
        exact = tuple(row for row in rows if _recorded(row, sfdp))
        if exact:
            return exact
    # A part whose SFDP is known to misstate the size is not this chip if this chip has no SFDP
    # or one with the right size.
    seen = sfdp.density_bytes if sfdp is not None else None
    honest = tuple(
        row
        for row in rows
        if "density" not in row.sfdp_lies or seen not in (None, row.density_bytes)
    )
    return honest or rows


def _row_doubts(rows: Sequence[ChipRow], facts: Sequence[ChipRow], sfdp: Sfdp | None) -> list[str]:
    doubts = list(sfdp.doubts) if sfdp else []
    doubts.extend(f"{row.part}: {row.contradiction}" for row in rows if row.contradiction)
    if not rows:
        doubts.append("This ID is not in the table: only the chip's own SFDP describes it.")
    elif sfdp is None:
        doubts.append("The chip has no SFDP: only the table describes it.")
    elif any(row.sfdp for row in facts) and not any(_recorded(row, sfdp) for row in facts):
        doubts.append("The chip's SFDP differs from every one on record for this ID.")
    if facts and all(row.erase_known_from is KnownFrom.MEMORY for row in facts) and sfdp is None:
        doubts.append("Its erase instructions are known from memory only.")
    return doubts


def _density(
    rows: Sequence[ChipRow], sfdp: Sfdp | None, doubts: list[str]
) -> tuple[int, tuple[str, ...]]:
    """The largest size claimed, and the sources that agree on it; none if any contradicts."""
    by_table = {row.density_bytes for row in rows}
    claims = [("table", size) for size in sorted(by_table)]
    lies = any("density" in row.sfdp_lies for row in rows) and len(rows) == 1
    if sfdp is not None and not lies:
        claims.append(("SFDP", sfdp.density_bytes))
    if not claims:
        raise ChipUntouched(
            "Neither the table nor an SFDP says how large this chip is.",
            next_step="Check the contact first; if the ID is stable, find the part's datasheet.",
        )
    largest = max(size for _, size in claims)
    if len({size for _, size in claims}) > 1:
        listed = ", ".join(f"{name} {size:,} bytes" for name, size in claims)
        doubts.append(f"The sources disagree on the size ({listed}): it is not proven.")
        return largest, ()
    proof = [name for name, _ in claims]
    if any(row.contradiction for row in rows):
        proof = [name for name in proof if name != "table"]
    return largest, tuple(proof)


def _compared_id(jedec_id: bytes, rows: Sequence[ChipRow]) -> bytes:
    lengths = [len(row.jedec_id) + len(row.ext_id) for row in rows if row.jedec_id]
    return jedec_id[: max([3, *lengths])]


def _page_size(facts: Sequence[ChipRow], sfdp: Sfdp | None, doubts: list[str]) -> int:
    sizes = [256, *(row.page_size for row in facts)]
    lies = any("page size" in row.sfdp_lies for row in facts)
    if sfdp is not None and sfdp.page_size is not None and not lies:
        sizes.append(sfdp.page_size)
    elif sfdp is not None and not facts:
        sizes.append(64 if sfdp.buffer_at_least_64 else 1)
        doubts.append(f"The page size is not stated: {sizes[-1]} bytes a program are used.")
    return min(sizes)


def _program_us(
    facts: Sequence[ChipRow], sfdp: Sfdp | None, doubts: list[str]
) -> tuple[float, float]:
    longest = [row.program_us_max for row in facts]
    if sfdp is not None and sfdp.program_us_max is not None:
        longest.append(sfdp.program_us_max)
    if not longest:
        doubts.append("Neither SFDP nor table states times: generous ones are used.")
        return _GENEROUS_PROGRAM_US
    typical = _typical(
        [(row, row.program_us_typ) for row in facts],
        sfdp.program_us_typ if sfdp is not None else None,
    )
    return min(typical, max(longest)), max(longest)


def _typical(by_row: Iterable[tuple[ChipRow, float]], by_sfdp: float | None) -> float:
    """A datasheet's typical time if there is one, then the chip's SFDP's, then one that is known
    of a row; only then what is assumed. The longest, where several rows say it equally well.
    """
    rows = list(by_row)
    datasheet = [t for row, t in rows if row.times_known_from is KnownFrom.DATASHEET]
    if datasheet:
        return max(datasheet)
    if by_sfdp is not None:
        return by_sfdp
    known = [t for row, t in rows if row.times_known_from is not KnownFrom.ASSUMED]
    return max(known or (t for _, t in rows))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Agreed:
    """An erase type on which every source agrees, before the address mode is applied."""

    opcode: int
    opcode_4byte: int | None
    size: int
    ms_typ: float
    ms_max: float


def _regions(
    density: int,
    mode: AddressMode,
    facts: Sequence[ChipRow],
    sfdp: Sfdp | None,
    layout: SectorLayout | None,
    doubts: list[str],
) -> tuple[EraseRegion, ...]:
    if layout is None and sfdp is not None and sfdp.sector_map is not None:
        layout = sfdp.sector_map.fixed
    if sfdp is not None and layout is not None and density == sfdp.density_bytes:
        by_number = {t.number: t for t in sfdp.erase_types}
        regions = [
            (r.start, r.length, [by_number[n] for n in r.erase_numbers if n in by_number])
            for r in layout.regions
        ]
        # A row that names no erase at all leaves it to the map, which the chip itself chose from.
        naming = [row for row in facts if row.erase]
        found = [
            _region(start, length, _kinds(_agreed_types(types, naming, sfdp), mode))
            for start, length, types in regions
        ]
    else:
        types = _types_that_work_everywhere(sfdp) if sfdp is not None else None
        kinds = _kinds(_agreed_types(types, facts, sfdp), mode)
        found = [_region(0, density, kinds)]
    doubts.extend(_erase_doubts(found))
    return tuple(found)


def _region(start: int, length: int, kinds: Sequence[EraseKind]) -> EraseRegion:
    """Of the erase kinds those that have a whole unit in it: small sectors may overlay a block."""
    fitting = tuple(
        kind for kind in kinds if -(-start // kind.size) * kind.size + kind.size <= start + length
    )
    return EraseRegion(start=Address(start), length=length, kinds=fitting)


def _erase_doubts(regions: Sequence[EraseRegion]) -> Iterator[str]:
    """Where no erase fits: everywhere, or in stretches such as what a row of sectors overlays."""
    without = [region for region in regions if not region.kinds]
    if len(without) == len(regions):
        yield "No erase instruction is certain everywhere: the chip can be read only."
        return
    for region in without:
        yield (
            f"Nothing is known to erase {region.start:06X}h to"
            f" {region.start + region.length - 1:06X}h alone: what lies there cannot be changed."
        )


def _types_that_work_everywhere(sfdp: Sfdp) -> list[EraseType]:
    """All of them, unless a sector map that depends on a register (or is damaged) says less."""
    if not sfdp.announces_sector_map:
        return list(sfdp.erase_types)
    if sfdp.sector_map is None:
        return []
    everywhere = {1, 2, 3, 4}
    for layout in sfdp.sector_map.layouts:
        for region in layout.regions:
            everywhere &= set(region.erase_numbers)
    return [kind for kind in sfdp.erase_types if kind.number in everywhere]


def _agreed_types(
    stated: list[EraseType] | None, facts: Sequence[ChipRow], sfdp: Sfdp | None
) -> list[_Agreed]:
    """Erase types that all sources name with the same unit; ambiguous opcodes are left out."""
    pairs: set[tuple[int, int]] | None = None
    if stated is not None:
        sizes: dict[int, set[int]] = {}
        for kind in stated:
            sizes.setdefault(kind.opcode, set()).add(kind.size)
        pairs = {(op, next(iter(found))) for op, found in sizes.items() if len(found) == 1}
    for row in facts:
        if sfdp is not None and _same_sector_map(row, sfdp):
            continue
        named = {(kind.opcode, kind.size) for kind in row.erase}
        pairs = named if pairs is None else pairs & named
    return [_agree(op, size, stated or [], facts, sfdp) for op, size in sorted(pairs or ())]


def _same_sector_map(row: ChipRow, sfdp: Sfdp) -> bool:
    """The row's own recorded SFDP bears out the sector map of this chip."""
    if row.sfdp is None or sfdp.sector_map is None:
        return False
    recorded = tables.parse(row.sfdp)
    return recorded.sector_map == sfdp.sector_map and recorded.erase_types == sfdp.erase_types


def _agree(
    opcode: int,
    size: int,
    stated: Sequence[EraseType],
    facts: Sequence[ChipRow],
    sfdp: Sfdp | None,
) -> _Agreed:
    own = next((t for t in stated if (t.opcode, t.size) == (opcode, size)), None)
    by_row = [(row, k) for row in facts for k in row.erase if (k.opcode, k.size) == (opcode, size)]
    longest = [kind.ms_max for _, kind in by_row]
    if own is not None and own.ms_max is not None:
        longest.append(own.ms_max)
    if longest:
        own_typ = own.ms_typ if own is not None else None
        typical = _typical([(row, kind.ms_typ) for row, kind in by_row], own_typ)
    else:
        _, typical, limit = next(g for g in _GENEROUS_ERASE_MS if size <= g[0])
        longest.append(limit)
    if sfdp is not None and sfdp.four_byte is not None and sfdp.four_byte.usable:
        four = own.opcode_4byte if own is not None else None
    else:
        named = {kind.opcode_4byte for _, kind in by_row}
        four = named.pop() if len(named) == 1 and len(by_row) == len(facts) else None
    return _Agreed(
        opcode=opcode,
        opcode_4byte=four,
        size=size,
        ms_typ=min(typical, max(longest)),
        ms_max=max(longest),
    )


def _kinds(agreed: Sequence[_Agreed], mode: AddressMode) -> tuple[EraseKind, ...]:
    found = []
    for kind in agreed:
        opcode = kind.opcode_4byte if mode is AddressMode.DEDICATED_4BYTE else kind.opcode
        if opcode is not None:
            found.append(
                EraseKind(opcode=opcode, size=kind.size, ms_typ=kind.ms_typ, ms_max=kind.ms_max)
            )
    return tuple(sorted(found, key=lambda k: k.size))


def _chip_erase(
    rows: Sequence[ChipRow], facts: Sequence[ChipRow], sfdp: Sfdp | None
) -> ChipEraseTime | None:
    """Only for chips that every candidate row knows to be a single die."""
    if not rows or any(row.dies != 1 for row in rows):
        return None
    timed = [(r, r.chip_erase_ms_typ, r.chip_erase_ms_max) for r in facts]
    longest = [m for _, _, m in timed if m is not None]
    if not longest:
        return None
    if sfdp is not None and sfdp.chip_erase_ms_max is not None:
        longest.append(sfdp.chip_erase_ms_max)
    typical = _typical(
        [(row, typ) for row, typ, _ in timed if typ is not None],
        sfdp.chip_erase_ms_typ if sfdp is not None else None,
    )
    return ChipEraseTime(opcode=0xC7, ms_typ=min(typical, max(longest)), ms_max=max(longest))


def _die_bytes(density: int, rows: Sequence[ChipRow]) -> int:
    dies = {row.dies for row in rows}
    if dies and None not in dies:
        return density // max(d for d in dies if d is not None)
    return min(density, _16_MIB)


def _address_mode(
    jedec_id: bytes, density: int, facts: Sequence[ChipRow], sfdp: Sfdp | None
) -> AddressMode:
    """Above 16 MiB: dedicated opcodes, then 4-byte mode, then the extended register."""
    if density <= _16_MIB:
        return AddressMode.THREE_BYTE
    if _has_dedicated_opcodes(facts, sfdp):
        return AddressMode.DEDICATED_4BYTE
    address = sfdp.address if sfdp is not None else None
    lies = any("address bytes" in row.sfdp_lies for row in facts)
    if address is not None and address.address_bytes is AddressBytes.FOUR and not lies:
        return AddressMode.ALWAYS_4BYTE
    entered = _unanimous([row.enter_4byte for row in facts])
    if entered is None and address is not None:
        entered = _entered_by_sfdp(jedec_id, address)
    if entered is not None:
        return AddressMode.ENTER_4BYTE if entered == "B7" else AddressMode.ENTER_4BYTE_WITH_WEL
    if address is not None and address.extended_register_c5:
        return AddressMode.EXTENDED_REGISTER
    raise ChipUntouched(
        f"The chip has {density:,} bytes, and nothing known says how to reach those above 16 MiB.",
        next_step="Find in its datasheet how 4-byte addresses are entered, and send its row in.",
    )


def _entered_by_sfdp(jedec_id: bytes, address: tables.AddressModeClaims) -> str | None:
    if address.enter_b7:
        return "B7"
    if address.enter_06_b7:
        return "06 B7"
    if address.in_table or address.address_bytes is not AddressBytes.THREE_OR_FOUR:
        return None
    # A table of 9 DWORDs says that 4-byte mode exists and not how it is entered.
    maker = jedec_id.lstrip(b"\x7f")[:1]
    if maker and maker[0] in _MAKERS_BY_B7:
        return "B7"
    return "06 B7" if maker and maker[0] in _MAKERS_BY_06_B7 else None


def _has_dedicated_opcodes(facts: Sequence[ChipRow], sfdp: Sfdp | None) -> bool:
    if sfdp is not None and sfdp.four_byte is not None:
        return sfdp.four_byte.usable
    return bool(facts) and all(
        row.opcodes_4byte >= {0x13, 0x12} and any(kind.opcode_4byte for kind in row.erase)
        for row in facts
    )


def _reads_by_4byte_opcodes(density: int, facts: Sequence[ChipRow], sfdp: Sfdp | None) -> bool:
    if density <= _16_MIB:
        return False
    if sfdp is not None and sfdp.four_byte is not None:
        return sfdp.four_byte.read_13h and sfdp.four_byte.fast_read_0ch
    return bool(facts) and all(row.opcodes_4byte >= {0x13, 0x0C} for row in facts)


def _unanimous(values: Sequence[str | None]) -> str | None:
    return values[0] if values and len(set(values)) == 1 else None


def _status_write(facts: Sequence[ChipRow]) -> str | None:
    """Where some candidates know 31h and others do not, 01h with two bytes suits them all."""
    ways = {row.status_write for row in facts}
    if ways == {"01h and 31h, one byte each", "01h, two bytes"}:
        return "01h, two bytes"
    return _unanimous([row.status_write for row in facts])


def _status_volatile(facts: Sequence[ChipRow], sfdp: Sfdp | None) -> bool:
    if not facts or any(row.protection is None for row in facts):
        return False
    stated = sfdp is not None and sfdp.status_write.volatile_by_50h
    return stated or all(row.status_volatile for row in facts)
