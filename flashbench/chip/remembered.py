"""A chip as a job's chip.json has it: known again without being in the socket. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import msgspec

from chipdb import sfdp as sfdp_tables
from chipdb.marking import MarkingLookup
from chipdb.sfdp import Sfdp, SfdpError
from chipdb.table import find_by_marking, rows_for_id
from flashbench.chip._read_frames import Register
from flashbench.chip.profile import ChipProfile, reconcile
from flashbench.errors import ChipUntouched

_Volts = Annotated[float, msgspec.Meta(gt=0, lt=100)]
_Hex = Annotated[str, msgspec.Meta(pattern="^([0-9a-f]{2})*$", max_length=16384)]


@dataclass(frozen=True, slots=True, kw_only=True)
class RememberedChip:
    """What the dump of a chip found out of it. Nothing here was read again."""

    profile: ChipProfile
    registers: Mapping[Register, int]
    unique_id: bytes | None
    supply_volts: tuple[float, float]
    declared_volts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supply:
    volts: tuple[_Volts, _Volts]
    declared_volts: _Volts


@dataclass(frozen=True, slots=True, kw_only=True)
class _Facts:
    jedec_id: _Hex
    supply: _Supply
    registers: Mapping[str, int | str]
    unique_id: _Hex | None = None
    sfdp: _Hex | None = None
    marking: str | None = None


def remember(facts: Mapping[str, object]) -> RememberedChip:
    """The chip that `Identified.facts()` described.

    Raises:
        ChipUntouched: the facts are not such, or the table of today does not know the chip.
    """
    try:
        known = msgspec.convert(dict(facts), _Facts)
    except msgspec.ValidationError as error:
        raise ChipUntouched(
            f"What the job says of its chip is not understood: {error}.",
            next_step="Use the flashbench that dumped this chip, or a newer one.",
        ) from error
    jedec_id = bytes.fromhex(known.jedec_id)
    printed = _printed(known.marking)
    return RememberedChip(
        profile=reconcile(
            jedec_id,
            rows_for_id(jedec_id),
            _sfdp(known.sfdp),
            declared_volts=known.supply.declared_volts,
            supply_confirmed_by_user=True,  # it was powered so when it was dumped
            marking=printed,
        ),
        registers={
            Register[name]: value
            for name, value in known.registers.items()
            if name in Register.__members__ and isinstance(value, int)
        },
        unique_id=bytes.fromhex(known.unique_id) if known.unique_id else None,
        supply_volts=known.supply.volts,
        declared_volts=known.supply.declared_volts,
    )


def _printed(marking: str | None) -> MarkingLookup | None:
    return find_by_marking(marking) if marking is not None else None


def _sfdp(text: str | None) -> Sfdp | None:
    if text is None:
        return None
    try:
        return sfdp_tables.parse(bytes.fromhex(text))
    except SfdpError:
        return None
