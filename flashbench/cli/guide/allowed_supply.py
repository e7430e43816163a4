"""May a chip be given these volts, by what is known of it before any pin is driven? Pure."""

from flashbench.errors import ChipUntouched


def why_not(
    volts: float, *, marking: str | None, datasheet: tuple[float, float] | None
) -> str | None:
    """Why `volts` must not reach the chip; None if nothing speaks against it.

    Of unknown supply is "not 3 V": above the 1.8 V class it takes the table's word for the
    marking, or the range that was read in the part's own datasheet.
    """
    from chipdb.table import find_by_marking
    from flashbench.chip.supply import LOW_VOLTS_MAX, stop_by_datasheet, stop_by_marking
    from flashbench.cli.lookup import find

    try:
        stop_by_datasheet(datasheet, volts)
        stop_by_marking(find_by_marking(marking) if marking is not None else None, volts)
    except ChipUntouched as refusal:
        return refusal.seen
    is_settled = marking is not None and find(marking).is_settled
    if volts <= LOW_VOLTS_MAX or datasheet is not None or is_settled:
        return None
    return (
        f"Nothing shows that this chip takes {volts:g} V: of unknown supply is not 3 V. Set the"
        " bench to 1.8 V first, or read the range in the part's own datasheet."
    )
