"""From printed markings to rows, supply first."""

import pytest

from chipdb import table
from chipdb.families import family_supply
from tests.chipdb.corpus import id_entries

# Each marking as a package carries it, the part it must lead to, and that row's ID. Part names are
# those of the data sets (tests/data/chips) or of the W25Q128JV, W25Q256JV, IS25LP128 and N25Q256
# datasheets. What follows the part (package, temperature, speed, packing) and what is left out
# before it is common practice on packages, from memory.
MARKINGS = [
    ("25Q128JVSIQ", "W25Q128JV", "EF4018"),
    ("25Q128JVSQ", "W25Q128JV", "EF4018"),
    ("Winbond\n25Q128JVSQ\n2132", "W25Q128JV", "EF4018"),
    ("winbond 25Q128JVSM", "W25Q128JV", "EF7018"),
    ("W25Q128JVSIM", "W25Q128JV", "EF7018"),
    ("25Q128JVPIQ", "W25Q128JV", "EF4018"),
    ("25Q128FVSG", "W25Q128FV", "EF4018"),
    ("25Q128BVFG", "W25Q128BV", "EF4018"),
    ("25Q128FWSIG", "W25Q128FW", "EF6018"),
    ("25Q128JWSIQ", "W25Q128JW-IQ", "EF6018"),
    ("25Q256JVEQ", "W25Q256JV", "EF4019"),
    ("25Q256FVFG", "W25Q256FV", "EF4019"),
    ("25Q512JVEIQ", "W25Q512JV", "EF4020"),
    ("25Q64JVSIQ", "W25Q64JV", "EF4017"),
    ("25Q64FVSIG", "W25Q64FV", "EF4017"),
    ("25Q64BVSIG", "W25Q64BV", "EF4017"),
    ("25Q64CVSSIG", "W25Q64CV", "EF4017"),
    ("25Q64DWSIG", "W25Q64DW", "EF6017"),
    ("25Q32FVSIG", "W25Q32FV", "EF4016"),
    ("25Q32BVSIG", "W25Q32BV", "EF4016"),
    ("25Q32DWSSIG", "W25Q32DW", "EF6016"),
    ("25Q80DVSNIG", "W25Q80DV", "EF4014"),
    ("25X16AVSIG", "W25X16", "EF3015"),
    ("25X40CLSNIG", "W25X40", "EF3013"),
    ("W25Q01JVZEIQ", "W25Q01JV", "EF4021"),
    ("MX25L12835F\nM2I-10G", "MX25L12835F", "C22018"),
    ("MXIC\nMX25L12835FMI-10G", "MX25L12835F", "C22018"),
    ("MX 25L6406E M2I-12G", "MX25L6406E", "C22017"),
    ("25L6406E", "MX25L6406E", "C22017"),
    ("MX25L6433FM2I-08G", "MX25L6433F", "C22017"),
    ("MX25L6405DMI-12G", "MX25L6405D", "C22017"),
    ("MX25L1606EM1I-12G", "MX25L1606E", "C22015"),
    ("MX25L3233F M2I-08G", "MX25L3233F", "C22016"),
    ("MX25L25635FMI-10G", "MX25L25635F", "C22019"),
    ("MX25L25645GM2I-08G", "MX25L25645G", "C22019"),
    ("MX25U6435FM2I-10G", "MX25U6435F", "C22537"),
    ("MX25U12835FZ2I-10G", "MX25U12835F", "C22538"),
    ("MX25R6435FM2IL0", "MX25R6435F", "C22817"),
    ("MX66L1G45GMI-08G", "MX66L1G45G", "C2201B"),
    ("GD25Q64CSIG", "GD25Q64C", "C84017"),
    ("25Q64CSIG\nGigaDevice", "GD25Q64C", "C84017"),
    ("GD25Q127CSIG", "GD25Q127C", "C84018"),
    ("GD25Q128ESIG", "GD25Q128E", "C84018"),
    ("GD25LQ128DSIG", "GD25LQ128", "C86018"),
    ("GD25LQ64CSIG", "GD25LQ64C", "C86017"),
    ("IS25LP128-JBLE", "IS25LP128", "9D6018"),
    ("ISSI 25LP128F-JBLE", "IS25LP128F", "9D6018"),
    ("IS25WP256D-JMLE", "IS25WP256", "9D7019"),
    ("25Q128A13ESE40", "N25Q128A13", "20BA18"),
    ("N25Q256A13EF840E", "N25Q256A13", "20BA19"),
    ("25QL128ABA1ESE", "MT25QL128ABA", "20BA18"),
    ("MT25QU256ABA8E12", "MT25QU256A", "20BB19"),
    ("M25P64VMF6TP", "M25P64", "202017"),
    ("FL128SAIFI00", "S25FL128S", "012018"),
    ("S25FL164K0XMFI01", "S25FL164K", "014017"),
    ("26VF064B-104I/SM", "SST26VF064B", "BF2643"),
    ("SST 25VF032B-80-4I-S2AF", "SST25VF032B", "BF254A"),
    ("cFeon QH64-104HIP", "EN25QH64", "1C7017"),
    ("EN25QH128A-104HIP2B", "EN25QH128", "1C7018"),
    ("AT25DF321A-SH", "AT25DF321A", "1F4701"),
    ("AT25SL321-UUE", "AT25SL321", "1F4216"),
    ("XM25QH128AHIG", "XM25QH128A", "207018"),
    ("ZB25VQ128ASIG", "ZB25VQ128", "5E4018"),
    ("P25Q16H-SSH-IT", "P25Q16H", "856015"),
    # Look-alikes: 0/O/Q, 8/B, 5/S, 1/I.
    ("25Q12BJVSIQ", "W25Q128JV", "EF4018"),
    ("2S0I28JVSIQ", "W25Q128JV", "EF4018"),
    ("MX2SLI2835F", "MX25L12835F", "C22018"),
    ("GD25O64CSIG", "GD25Q64C", "C84017"),
]


@pytest.mark.parametrize(("text", "part", "jedec_id"), MARKINGS, ids=repr)
def test_a_printed_marking_leads_to_its_row(text: str, part: str, jedec_id: str) -> None:
    found = table.find_by_marking(text)
    assert found.rows
    first = found.rows[0]
    assert part in first.parts or first.part.startswith(part)
    assert first.jedec_id == bytes.fromhex(jedec_id)


def test_there_are_at_least_sixty_markings() -> None:
    assert len(MARKINGS) >= 60


def test_every_part_name_of_the_id_list_is_found() -> None:
    lost = [
        item["part"]
        for item in id_entries()
        if not any(
            item["part"].upper() in row.parts and row.jedec_id == bytes.fromhex(item["jedec_id"])
            for row in table.find_by_marking(item["part"]).rows
        )
    ]
    assert lost == []


def test_the_supply_is_the_first_thing_said() -> None:
    found = table.find_by_marking("25Q128JVSQ")
    assert found.sentences[0] == "Supply: 2.70 to 3.60 V, known from a datasheet."
    assert found.supply_volts == (2.7, 3.6)
    guessed = table.find_by_marking("GD25Q64CSIG")
    assert "known from family rule only: check the part's datasheet" in guessed.sentences[0]


def test_one_good_source_does_not_stand_for_the_other_candidates() -> None:
    said = table.find_by_marking("MX25L").sentences[0]
    assert said.startswith("Supply: 2.70 to 3.60 V; for MX25L8005, ")
    assert "MX25L128 " not in said  # one with a vendor table
    assert said.endswith(
        "known from family rule only: check the part's datasheet before applying it."
    )


@pytest.mark.parametrize("text", ["25Q128", "W25Q128", "25Q64", "N25Q00", "N25Q512A"])
def test_candidates_of_different_supply_are_named_and_none_is_chosen(text: str) -> None:
    found = table.find_by_marking(text)
    assert len(found.rows) > 1
    assert found.supplies_differ
    assert found.supply_volts is None
    assert found.sentences[0].startswith("The candidates differ in supply: ")
    assert "None is chosen" in found.sentences[0]


# The letters FW stand for 1.8 V (Linux drivers/mtd/spi-nor/winbond.c); no row bears this name.
def test_letters_that_contradict_the_only_row_count_as_a_difference_in_supply() -> None:
    found = table.find_by_marking("W25Q128NWSIQ")
    assert found.supplies_differ
    assert "the letters of Winbond ...W 1.65 to 1.95 V" in found.sentences[0]


def test_the_makers_name_leaves_its_own_rows_only() -> None:
    assert {r.maker for r in table.find_by_marking("25Q64").rows} >= {"Winbond", "GigaDevice"}
    assert {r.maker for r in table.find_by_marking("GigaDevice 25Q64").rows} == {"GigaDevice"}


def test_look_alikes_are_counted_and_said() -> None:
    found = table.find_by_marking("2S0I28JVSIQ")
    assert found.look_alikes == 3
    assert "with 3 look-alike characters" in found.sentences[-1]
    assert table.find_by_marking("25Q128JVSIQ").look_alikes == 0


def test_an_exact_reading_is_preferred_to_a_look_alike() -> None:
    found = table.find_by_marking("W25Q80BLSNIG")
    assert {row.part for row in found.rows} == {"W25Q80BL"}


@pytest.mark.parametrize("text", ["", "hello", "2132", "6143A0125", "25Q12", "W25X1\n2021"])
def test_what_names_no_part_finds_nothing_and_says_so(text: str) -> None:
    found = table.find_by_marking(text)
    assert found.rows == ()
    assert found.supply_volts is None
    assert "no part of the table matches this marking" in found.sentences[0]


def test_a_family_without_a_row_is_told_by_its_letters_only() -> None:
    found = table.find_by_marking("W25Q16FWSNIG")
    assert found.rows == ()
    assert found.supply_volts is None
    assert "letters of Winbond ...W stand for 1.65 to 1.95 V" in found.sentences[0]


def test_a_part_that_is_refused_says_so_after_its_supply() -> None:
    found = table.find_by_marking("SST25VF032B")
    assert found.sentences[0].startswith("Supply:")
    assert "programs single bytes or words" in found.sentences[1]


# Families as the part lists of the Linux kernel's spi-nor drivers give them.
@pytest.mark.parametrize(
    ("part", "volts"),
    [
        ("W25Q64FV", (2.7, 3.6)),
        ("W25Q64DW", (1.65, 1.95)),
        ("W25Q01NW-IQ", (1.65, 1.95)),
        ("W25Q64NE", (1.1, 1.3)),
        ("MX25U6435F", (1.65, 2.0)),
        ("MX25L6435E", (2.7, 3.6)),
        ("MX25R6435F", (1.65, 3.6)),
        ("GD25LQ64C", (1.65, 1.95)),
        ("GD25Q64C", (2.7, 3.6)),
        ("GD25WQ64E", (1.65, 3.6)),
        ("IS25LP128", (2.3, 3.6)),
        ("IS25WP128", (1.65, 1.95)),
        ("MT25QU256A", (1.7, 2.0)),
        ("MT25QL256A", (2.7, 3.6)),
        ("N25Q128A11", (1.7, 2.0)),
        ("N25Q128A13", (2.7, 3.6)),
        ("S25FS128S", (1.7, 2.0)),
        ("S25FL128S", (2.7, 3.6)),
        ("SST26WF064", (1.65, 1.95)),
        ("EN25S64", (1.65, 1.95)),
    ],
)
def test_the_letters_of_a_part_give_its_supply(part: str, volts: tuple[float, float]) -> None:
    rule = family_supply(part)
    assert rule is not None
    assert rule.volts == volts


def test_letters_of_no_family_give_no_supply() -> None:
    assert family_supply("QQ25Z64") is None
    assert family_supply("W25Q64") is None


@pytest.mark.parametrize("text", ["W25Q128JV 25Q128JW", "25Q128JW W25Q128JV", "25Q128JV\n25Q128JW"])
def test_two_parts_of_different_supply_in_one_text_are_named_lowest_first(text: str) -> None:
    found = table.find_by_marking(text)

    assert found.supplies_differ
    assert found.supply_volts is None
    said = found.sentences[0]
    assert said.startswith("The candidates differ in supply: W25Q128JW 1.")
    assert "W25Q128JV 2.70 to 3.60 V" in said


def test_words_that_only_complete_a_part_are_no_second_one() -> None:
    assert table.find_by_marking("winbond 25Q64 JWSSIQ 2312").supply_volts == (1.65, 1.95)


def test_letters_of_no_known_variant_leave_the_supply_open_the_lowest_first() -> None:
    found = table.find_by_marking("W25Q128JNEIQ")

    assert found.supplies_differ
    assert found.supply_volts is None
    said = found.sentences[0]
    assert said.startswith("The supply is not known: JNEIQ behind W25Q128 are the letters of no")
    assert "1.10 to 1.30 V (the letters of Winbond ...NE); 1.65 to 1.95 V (W25Q128" in said
    assert said.index("1.65 to 1.95 V (W25Q128") < said.index("2.70 to 3.60 V (W25Q128")
