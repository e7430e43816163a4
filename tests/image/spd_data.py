"""The public SPD data (`tests/data/spd/README.md` names the sources), as typed entries."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flashbench.image.memory_package import MemoryPackage, parse_package
from flashbench.image.spd import Convention

PARTS_JSON = Path(__file__).parent.parent / "data" / "spd" / "parts.json"

CONVENTION_OF_SET = {
    "lp4x/set-0": Convention.INTEL_32,
    "lp4x/set-1": Convention.PER_DIE,
    "lp5/set-0": Convention.INTEL_CK,
    "lp5/set-1": Convention.AMD_WCK,
    "ddr4/set-0": Convention.DDR4,
}


@dataclass(frozen=True)
class Entry:
    part: str
    type: str
    spd_set: str
    attributes: dict[str, Any]
    spd: bytes

    def package(self, **more: Any) -> MemoryPackage:
        return parse_package(
            {
                "part": self.part,
                "type": self.type,
                "known_from": "datasheet",
                "attributes": self.attributes | more,
            }
        )


ENTRIES = tuple(
    Entry(raw["part"], raw["type"], raw["spd_set"], raw["attributes"], bytes.fromhex(raw["spd"]))
    for raw in json.loads(PARTS_JSON.read_text())
)
DECLARED = tuple(entry for entry in ENTRIES if entry.attributes)
BOARD = tuple(entry for entry in ENTRIES if entry.spd_set == "board")


def entry(part: str, spd_set: str) -> Entry:
    (found,) = (e for e in ENTRIES if e.part == part and e.spd_set == spd_set)
    return found
