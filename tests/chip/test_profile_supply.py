"""Which supply voltage a chip may be given. A wrong answer here damages parts."""

from dataclasses import replace

import pytest

from chipdb import table
from chipdb.sfdp import Sfdp
from flashbench.chip.profile import reconcile
from flashbench.chip.supply import HIGHEST_VOLTS, agreed_supply, check_supply
from flashbench.errors import ChipUntouched
from tests.chipdb.corpus import entry


def check(
    id_hex: str,
    volts: float,
    *,
    sfdp: Sfdp | None = None,
    marking: str | None = None,
    confirmed: bool = False,
    read: tuple[float, float] | None = None,
) -> None:
    check_supply(
        table.rows_for_id(bytes.fromhex(id_hex)),
        sfdp,
        volts,
        confirmed_by_user=confirmed,
        datasheet_volts=read,
        marking=table.find_by_marking(marking) if marking is not None else None,
    )


def test_a_part_known_from_its_datasheet_takes_3_3_volts() -> None:
    check("EF4018", 3.3)
    check("9D6018", 3.3)


def test_a_part_with_a_vendor_table_on_record_takes_3_3_volts() -> None:
    check("C22019", 3.3)


def test_the_chips_own_vendor_table_allows_what_it_states() -> None:
    check("AABBCC", 3.3, sfdp=entry("MX25L3233F").parse())


def test_a_vendor_table_that_is_known_to_misstate_the_supply_allows_nothing() -> None:
    (row, *_) = table.rows_for_id(bytes.fromhex("C84017"))
    liar = replace(row, sfdp_lies=frozenset({"supply"}))
    sfdp = entry("MX25L3233F").parse()

    check_supply([row], sfdp, 3.3)
    with pytest.raises(ChipUntouched, match="not enough to allow it"):
        check_supply([liar], sfdp, 3.3)


@pytest.mark.parametrize("id_hex", ["C84017", "20BA20104400", "EF4017", "1C7017", "AABBCC"])
def test_a_family_rule_memory_or_nothing_does_not_allow_3_3_volts(id_hex: str) -> None:
    with pytest.raises(ChipUntouched, match=r"not enough to allow it|nothing shows that it takes"):
        check(id_hex, 3.3)


def test_the_refusal_names_the_next_doors() -> None:
    with pytest.raises(ChipUntouched) as refusal:
        check("C84017", 3.3)
    assert "the range that the part's own datasheet gives (--datasheet-supply" in (
        refusal.value.next_step
    )
    assert "1.8 V is the voltage to try first" in refusal.value.next_step


@pytest.mark.parametrize(
    ("id_hex", "marking"), [("C84017", "GD25Q64CSIG"), ("204017", "XM25QH64C")]
)
def test_the_letters_of_a_marking_do_not_allow_3_3_volts(id_hex: str, marking: str) -> None:
    """They are a family rule, or memory: what allows is the part's datasheet."""
    with pytest.raises(ChipUntouched, match=r"from (family rule|memory) only"):
        check(id_hex, 3.3, marking=marking)


def test_a_part_of_unknown_supply_on_a_shared_id_keeps_3_3_volts_away() -> None:
    """W25Q256JV-IM is known from its datasheet; W25Q256JW, by its name a 1.8 V part, is not."""
    with pytest.raises(ChipUntouched, match="what W25Q256JW takes is not known") as refusal:
        check("EF7019", 3.3)
    assert "--marking" in refusal.value.next_step
    check("EF7019", 1.8)


def test_the_marking_that_leaves_the_known_part_of_a_shared_id_allows_3_3_volts() -> None:
    marking = table.find_by_marking("W25Q256JVEIM")
    profile = reconcile(
        bytes.fromhex("EF7019"),
        table.rows_for_id(bytes.fromhex("EF7019")),
        None,
        declared_volts=3.3,
        marking=marking,
    )
    assert profile.supply_known_from == "datasheet"


def test_the_users_word_about_the_datasheet_allows_3_3_volts() -> None:
    check("C84017", 3.3, confirmed=True)
    check("AABBCC", 3.3, confirmed=True)


@pytest.mark.parametrize("confirmed", [False, True])
def test_no_word_of_the_user_overrides_the_chips_own_table(confirmed: bool) -> None:
    with pytest.raises(ChipUntouched, match=r"own vendor table says 1\.65 to 2\.00 V") as refusal:
        check("C22539", 3.3, sfdp=entry("MX25U25645G").parse(), confirmed=confirmed)
    assert "Switch the supply off at once" in refusal.value.next_step


@pytest.mark.parametrize("id_hex", ["EF6018", "C22537", "20BB19104400", "9D7018", "0102194D0181"])
@pytest.mark.parametrize("confirmed", [False, True])
def test_a_1_8_volt_part_at_3_3_volts_is_stopped(id_hex: str, confirmed: bool) -> None:
    with pytest.raises(ChipUntouched, match=r"declared to supply 3\.30 V"):
        check(id_hex, 3.3, confirmed=confirmed)


def test_a_3_volt_part_at_1_8_volts_is_told_what_it_takes() -> None:
    with pytest.raises(ChipUntouched, match=r"W25Q128JV-IQ takes 2\.70 to 3\.60 V \(datasheet\)"):
        check("EF4018", 1.8)


# 01 20 18: S25FL128S (3 V) and S25FS128S (1.8 V) differ in the sixth byte only.
def test_an_id_shared_by_two_voltages_is_stopped_at_the_higher_one() -> None:
    with pytest.raises(ChipUntouched, match="This ID is shared") as refusal:
        check("012018", 3.3)
    assert "Set it to 1.8 V" in refusal.value.next_step


def test_an_id_shared_by_two_voltages_may_be_read_at_the_lower_one() -> None:
    check("012018", 1.8)


def test_an_unknown_part_may_be_read_at_1_8_volts() -> None:
    check("AABBCC", 1.8)


def test_a_marking_with_more_than_one_supply_stops() -> None:
    with pytest.raises(ChipUntouched, match="The candidates differ in supply"):
        check("EF4018", 3.3, marking="W25Q128")


def test_a_marking_of_a_1_8_volt_part_stops_3_3_volts_whatever_the_id() -> None:
    with pytest.raises(ChipUntouched, match=r"marked W25Q128FWSIG takes 1\.65 to 1\.95 V"):
        check("EF4018", 3.3, marking="W25Q128FWSIG")


def agreed(id_hex: str, volts: float, sfdp: Sfdp | None = None) -> tuple[tuple[float, float], str]:
    return agreed_supply(table.rows_for_id(bytes.fromhex(id_hex)), sfdp, volts)


def test_the_narrower_range_wins() -> None:
    # The row of C22016 has 2.65 to 3.6 V for one part and 2.7 to 3.6 V for others.
    assert agreed("C22016", 3.3, entry("MX25L3233F").parse()) == ((2.7, 3.6), "vendor table")


def test_the_best_source_is_named() -> None:
    assert agreed("EF4018", 3.3)[1] == "datasheet"
    assert agreed("EF6018", 1.8)[1] == "family rule"


def test_ranges_without_overlap_stop() -> None:
    with pytest.raises(ChipUntouched, match="does not fit together"):
        agreed("012018", 1.8)
    with pytest.raises(ChipUntouched, match="does not fit together"):
        agreed("EF4018", 1.8, entry("MX25U25645G").parse())


def test_a_supply_that_nothing_states_stops() -> None:
    with pytest.raises(ChipUntouched, match="Nothing says which supply this chip takes"):
        agreed("AABBCC", 1.8)


def test_a_range_read_in_the_datasheet_allows_what_lies_in_it() -> None:
    check("AABBCC", 3.3, read=(2.7, 3.6))
    check("C84017", 3.3, read=(2.7, 3.6))
    assert agreed_supply((), None, 3.3, datasheet_volts=(2.7, 3.6)) == ((2.7, 3.6), "user")


def test_a_range_read_in_the_datasheet_never_overrules_what_is_known() -> None:
    with pytest.raises(ChipUntouched, match="This ID is shared"):
        check("0120184D01", 3.3, read=(2.7, 3.6))
    with pytest.raises(ChipUntouched, match=r"W25Q64.* takes 1\.65 to 1\.95 V"):
        check("EF6017", 3.3, read=(2.7, 3.6))
    with pytest.raises(ChipUntouched, match=r"vendor table says 2\.70 to 3\.60 V"):
        check("AABBCC", 1.8, sfdp=entry("BH25Q128AS").parse(), read=(1.65, 1.95))


def test_the_narrower_of_the_datasheet_range_and_what_is_known_counts() -> None:
    rows = table.rows_for_id(bytes.fromhex("EF4018"))
    volts, known_from = agreed_supply(rows, None, 3.3, datasheet_volts=(3.0, 3.45))
    assert (volts, known_from) == ((3.0, 3.45), "datasheet")


def test_a_datasheet_range_that_meets_nothing_known_stops() -> None:
    rows = table.rows_for_id(bytes.fromhex("EF4018"))
    with pytest.raises(ChipUntouched, match=r"does not fit together.*your word \(datasheet\)"):
        agreed_supply(rows, None, 1.8, datasheet_volts=(1.65, 1.95))


def test_no_part_of_the_table_takes_more_than_the_highest_supply() -> None:
    known = [row.supply_volts[1] for row in table.load() if row.supply_volts is not None]
    assert max(known) == HIGHEST_VOLTS
