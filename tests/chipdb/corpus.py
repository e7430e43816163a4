"""The two open data sets of `tests/data/chips`, as the tests use them."""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from chipdb import sfdp
from chipdb.sfdp import Sfdp

DATA = Path(__file__).parents[1] / "data" / "chips"


@dataclass(frozen=True, slots=True)
class Entry:
    """A part of the corpus. `sfdp` is None where the source has its basic table only."""

    part: str
    jedec_id: bytes | None
    density_bytes: int
    sfdp: bytes | None
    bfpt: bytes | None

    def parse(self) -> Sfdp:
        if self.sfdp is not None:
            return sfdp.parse(self.sfdp)
        assert self.bfpt is not None
        return sfdp.parse_basic_table(self.bfpt)


@cache
def entries() -> tuple[Entry, ...]:
    return tuple(
        Entry(
            item["part"],
            _hex(item["jedec_id"]),
            item["density_bits"] // 8,
            _hex(item.get("sfdp")),
            _hex(item.get("bfpt")),
        )
        for item in json.loads((DATA / "sfdp_corpus.json").read_text(encoding="utf-8"))
    )


def entry(part: str) -> Entry:
    (found,) = [e for e in entries() if e.part == part]
    return found


@cache
def id_entries() -> tuple[dict[str, Any], ...]:
    return tuple(json.loads((DATA / "jedec_ids.json").read_text(encoding="utf-8")))


def _hex(text: str | None) -> bytes | None:
    return bytes.fromhex(text) if text else None
