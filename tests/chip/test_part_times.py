"""The table's rows against the rehearsal's parts, which were written down by themselves."""

import pytest

from chipdb import sfdp as tables
from chipdb.table import find_by_marking, rows_for_id
from flashbench.chip.profile import reconcile
from flashbench.rehearsal import load_part
from flashbench.rehearsal.nor_part import part_names

_TIMES_KNOWN_OTHERWISE = {
    "S25FS128S": "its row leaves the erases to a map, and the SFDP here is without times",
    "S25FS256T": "its SFDP states a longer program than the part file, and it is only read",
    "TINY64K": "invented",
}


@pytest.mark.parametrize("name", sorted(set(part_names()) - set(_TIMES_KNOWN_OTHERWISE)))
def test_what_is_planned_with_is_what_the_part_takes(name: str) -> None:
    part = load_part(name)
    marking = find_by_marking(name)
    profile = reconcile(
        part.rdid,
        rows_for_id(part.rdid),
        tables.parse(part.sfdp) if part.sfdp else None,
        declared_volts=sum(part.supply_volts) / 2,
        datasheet_volts=part.supply_volts,
        marking=marking,
    )
    taken = {op: kind.ms_typ for kind in part.erase for op in (kind.opcode, kind.opcode_4byte)}
    planned = {kind.opcode: kind.ms_typ for region in profile.regions for kind in region.kinds}

    assert planned, "a part that can be written"
    assert planned == pytest.approx({opcode: taken[opcode] for opcode in planned}, rel=0.10)
    assert profile.program_us_typ == pytest.approx(part.program_us_typ, rel=0.10)
    if profile.chip_erase is not None:
        assert profile.chip_erase.ms_typ == pytest.approx(part.chip_erase_ms_typ, rel=0.10)
