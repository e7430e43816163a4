"""What the board's firmware could notice of another chip, sentence by sentence."""

from dataclasses import replace

from flashbench.chip.profile import Address, AddressMode, EraseKind, EraseRegion
from flashbench.chip.remembered import RememberedChip
from flashbench.safe_write.fit import differences
from tests.builders.bench import SMALL, Board

NEVER_CARRIED = (
    "Not carried over: the original's factory number, if any, secure counters and keys (RPMC),"
    " one-time areas and security registers. Firmware bound to them stays dark or complains."
)


def seen_by_the_firmware(**own: object) -> tuple[str, ...]:
    """The differences of `SMALL` from a chip that is like it but for `own`."""
    supply_volts = own.pop("supply_volts", None)
    unique_id = own.pop("unique_id", None)
    with Board(SMALL).visit() as visit:
        chip = visit.identify()
    remembered = RememberedChip(
        profile=replace(chip.profile, **own),  # type: ignore[arg-type]
        registers={},
        unique_id=unique_id,  # type: ignore[arg-type]
        supply_volts=supply_volts or chip.profile.supply_volts,  # type: ignore[arg-type]
        declared_volts=1.8,
    )
    return differences(remembered, chip)


def test_of_an_equal_part_only_what_no_write_carries_over_is_said() -> None:
    assert seen_by_the_firmware() == (NEVER_CARRIED,)


def test_another_id_may_stop_firmware_that_has_a_list() -> None:
    assert seen_by_the_firmware(jedec_id=bytes.fromhex("c22534")) == (
        "ID EF 50 14 instead of C2 25 34: firmware that accepts only the IDs it lists will not"
        " start from this chip.",
        NEVER_CARRIED,
    )


def test_other_erase_units_and_another_address_mode_are_said() -> None:
    kind = EraseKind(opcode=0x81, size=256, ms_typ=1, ms_max=2)
    region = EraseRegion(start=Address(0), length=SMALL.density_bytes, kinds=(kind,))

    erases, never = seen_by_the_firmware(regions=(region,), address_mode=AddressMode.THREE_BYTE)

    assert erases == (
        "Erase units 4 KiB, 32 KiB, 64 KiB instead of 256 bytes: firmware that erases for itself"
        " may expect the latter."
    )
    assert never == NEVER_CARRIED


def test_a_narrower_supply_and_the_own_factory_number_are_said() -> None:
    assert seen_by_the_firmware(supply_volts=(1.0, 3.0), unique_id=b"\x5e\xed") == (
        "Supply 1.65 to 1.95 V, narrower than the original's 1 to 3 V.",
        NEVER_CARRIED.replace("number, if any,", "number 5eed,"),
    )
