"""Is the chip in the socket the one a job was dumped from? By ID, size and factory number."""

from typing import Protocol

from flashbench.chip.identity import Identified
from flashbench.errors import ChipUntouched, OtherChip


class DumpedChip(Protocol):
    """What a backup or an original on disk says of the chip it came from."""

    @property
    def jedec_id(self) -> bytes: ...
    @property
    def unique_id(self) -> bytes | None: ...


def refuse_other_chip(
    chip: Identified, dumped: DumpedChip, *, density_bytes: int, label: str
) -> None:
    """Return if `chip` can be the one that `dumped` came from.

    Raises:
        OtherChip: it cannot.
        ChipUntouched: its unique ID would tell, and cannot be read.
    """
    other_unit = None not in (chip.unique_id, dumped.unique_id) and (
        chip.unique_id != dumped.unique_id
    )
    same_part = chip.jedec_id == dumped.jedec_id and chip.profile.density_bytes == density_bytes
    if same_part and dumped.unique_id is not None and chip.unique_id is None:
        raise ChipUntouched(
            f"The chip that job {label} was dumped from has the unique ID"
            f" {dumped.unique_id.hex(' ')}; from the one in the socket none can be read.",
            next_step="Check the contact. If --marking was given for the dump, give it again.",
        )
    if same_part and not other_unit:
        return
    raise OtherChip(
        f"The chip in the socket (ID {chip.jedec_id.hex(' ')},"
        f" {chip.profile.density_bytes} bytes) is not the one that job {label} was dumped from"
        f" (ID {dumped.jedec_id.hex(' ')}, {density_bytes} bytes"
        f"{', another unique ID' if other_unit else ''}).",
        next_step="Put that job's chip in, or name the job this chip belongs to.",
    )
