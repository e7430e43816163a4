"""Does another chip fit in the place of a board's own? What is refused, and what is only shown."""

from flashbench.chip.identity import Identified
from flashbench.chip.profile import AddressMode, ChipProfile
from flashbench.chip.remembered import RememberedChip
from flashbench.errors import ChipUntouched


def refuse_unfit_size(new: ChipProfile, density_bytes: int) -> None:
    """Raise `ChipUntouched` unless the new chip is exactly as large as the board's own."""
    if new.density_bytes == density_bytes:
        return
    if new.density_bytes > density_bytes:
        why = (
            "a larger one is no replacement: the image ends in its middle, firmware that counts"
            " from the end of the chip misses its own data, and the ID states another size."
        )
    else:
        why = "a smaller one cannot hold the image."
    raise ChipUntouched(
        f"The new chip has {new.density_bytes} bytes, the board's own {density_bytes}: {why}",
        next_step="Put in a chip of exactly the same size, best of the same part.",
    )


def refuse_unfit_supply(own: RememberedChip, new: ChipProfile) -> None:
    """Raise `ChipUntouched` if the new chip does not take what the board gives its own."""
    low, high = new.supply_volts
    own_low, own_high = own.supply_volts
    if low <= own.declared_volts <= high and low <= own_high and own_low <= high:
        return
    raise ChipUntouched(
        f"The new chip takes {low:g} to {high:g} V; the board's own takes {own_low:g} to"
        f" {own_high:g} V and was dumped at {own.declared_volts:g} V: on the board it would not"
        " work, or be destroyed.",
        next_step="Put in a chip for the board's supply, best of the same part.",
    )


def differences(own: RememberedChip, chip: Identified) -> tuple[str, ...]:
    """In sentences, what the board's firmware could notice, and what no write carries over."""
    old, new = own.profile, chip.profile
    said = []
    if old.jedec_id != new.jedec_id:
        said.append(
            f"ID {_hex(new.jedec_id)} instead of {_hex(old.jedec_id)}: firmware that accepts only"
            " the IDs it lists will not start from this chip."
        )
    if _erase_text(old) != _erase_text(new):
        said.append(
            f"Erase units {_erase_text(new)} instead of {_erase_text(old)}: firmware that erases"
            " for itself may expect the latter."
        )
    if old.address_mode is not new.address_mode and AddressMode.THREE_BYTE not in (
        old.address_mode,
        new.address_mode,
    ):
        said.append(
            f"Above 16 MiB by {new.address_mode.value} instead of {old.address_mode.value}."
        )
    old_low, old_high = own.supply_volts
    low, high = new.supply_volts
    if low > old_low or high < old_high:
        said.append(
            f"Supply {low:g} to {high:g} V, narrower than the original's {old_low:g} to"
            f" {old_high:g} V."
        )
    said.append(_never_carried(own))
    return tuple(said)


def _never_carried(own: RememberedChip) -> str:
    number = f"factory number {own.unique_id.hex()}" if own.unique_id else "factory number, if any"
    return (
        f"Not carried over: the original's {number}, secure counters and keys (RPMC), one-time"
        " areas and security registers. Firmware bound to them stays dark or complains."
    )


def _erase_text(profile: ChipProfile) -> str:
    sizes = sorted({kind.size for region in profile.regions for kind in region.kinds})
    return ", ".join(f"{size >> 10} KiB" if size >= 1024 else f"{size} bytes" for size in sizes)


def _hex(jedec_id: bytes) -> str:
    return jedec_id.hex(" ").upper()
