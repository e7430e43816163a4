"""From the fitted package to bytes, against the public SPD data (tests/data/spd/README.md)."""

import itertools
from collections import defaultdict

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.errors import CheckFailed
from flashbench.image.checks import CheckState
from flashbench.image.memory_edit import (
    AnswerNeeded,
    ByteChange,
    Doubling,
    MemoryEdit,
    WrongCrc,
    compute_edit,
    double_capacity,
    ways_to_double,
)
from flashbench.image.memory_package import MemoryPackage, parse_package, parse_package_file
from flashbench.image.spd import spd_crc
from flashbench.image.suggest_edit import package_table
from tests.image.spd_data import BOARD, DECLARED, ENTRIES, Entry, entry

# What the part lists' generator stores where an attribute is not given; the public data say so
# in bytes 19, 124 and 20 to 23 of every entry without the attribute.
LIST_DEFAULTS: dict[tuple[str, object], dict[str, object]] = {
    ("lp4x", 16): {"tckMaxPs": 31875, "casLatencies": "6 10 14 20 24 28 32 36"},
    ("lp4x", 8): {"tckMaxPs": 31875, "casLatencies": "6 10 16 22 26 32 36 40"},
}
DDR4_16_GBIT_REFRESH = {"TRFC1MinPs": 550_000, "TRFC2MinPs": 350_000, "TRFC4MinPs": 260_000}


def told_in_full(e: Entry) -> dict[str, object]:
    family = e.spd_set.split("/")[0]
    told = LIST_DEFAULTS.get((family, e.attributes.get("bitWidthPerChannel")), {}) | e.attributes
    if e.attributes.get("capacityPerDieGb") == 16:
        told = DDR4_16_GBIT_REFRESH | told
    return told


def one_of_each_kind() -> dict[str, list[Entry]]:
    """One entry for every distinct set of attributes, by spd_set."""
    kinds: dict[str, dict[str, Entry]] = defaultdict(dict)
    for e in DECLARED:
        kinds[e.spd_set].setdefault(str(sorted(e.attributes.items())), e)
    return {spd_set: list(found.values()) for spd_set, found in kinds.items()}


PAIRS = [
    (a, b) for kinds in one_of_each_kind().values() for a, b in itertools.permutations(kinds, 2)
]


def differing(a: Entry, b: Entry) -> set[str]:
    one, other = told_in_full(a), told_in_full(b)
    return {name for name in one | other if one.get(name) != other.get(name)}


def test_the_edit_of_one_spd_gives_the_other_for_all_pairs_of_one_convention() -> None:
    """Among them every pair that differs in one attribute, byte for byte."""
    one_attribute = 0
    for a, b in PAIRS:
        fitted = b.package(**told_in_full(b))

        assert compute_edit(a.spd, fitted).new_content == b.spd, (a.part, b.part, a.spd_set)
        one_attribute += len(differing(a, b)) == 1
    assert len(PAIRS) == 766
    assert one_attribute == 100


def changed(edit: MemoryEdit) -> list[str]:
    return [f"{c.at}: {c.old:02X}>{c.new:02X}" for c in edit.changes]


DENSITY_8_TO_16 = [
    # Measured on the public data, as a table of changes by convention.
    ("lp4x/set-0", ["4: 15>16", "5: 21>29", "29: C0>E0", "30: 08>0B", "31: 60>F0", "32: 04>05"]),
    ("lp4x/set-1", ["4: 16>17", "5: 21>29", "29: C0>E0", "30: 08>0B", "31: 60>F0", "32: 04>05"]),
    ("lp5/set-0", ["4: 15>16", "5: 1A>22", "29: 90>C0", "30: 06>08", "31: C0>60", "32: 03>04"]),
    ("lp5/set-1", ["4: 85>86", "5: 19>21", "29: 90>C0", "30: 06>08", "31: C0>60", "32: 03>04"]),
]


@pytest.mark.parametrize(("spd_set", "expected"), DENSITY_8_TO_16)
def test_doubling_the_density_touches_exactly_density_rows_and_refresh(
    spd_set: str, expected: list[str]
) -> None:
    part = "K4U6E3S4AA-MGCR" if "lp4x" in spd_set else "H9JCNNNBK3MLYR-N6E"
    edit = double_capacity(entry(part, spd_set).spd, Doubling.LARGER_DIES)

    assert changed(edit) == expected


def test_each_change_names_its_reason_and_the_answer_it_rests_on() -> None:
    old = entry("MT53E512M32D2NP-046 WT:F", "lp4x/set-0")
    new = entry("MT53E1G32D2NP-046 WT:A", "lp4x/set-0")

    edit = compute_edit(old.spd, new.package())

    assert edit.changes[0] == ByteChange(
        at=4,
        old=0x15,
        new=0x16,
        field="density",
        reason="the density of what this convention counts",
        rests_on=("densityPerChannelGb = 16 (datasheet)",),
    )
    assert edit.capacity_lines(packages_on_board=2) == (
        "before: 16 Gbit = 2 GB per 32-bit unit",
        "after: 32 Gbit = 4 GB per 32-bit unit",
        "fitted: 32 Gbit = 4 GB per package",
        "board before: not told by this SPD content",
        "board after: 64 Gbit = 8 GB in 2 package(s), if all their channels are wired",
    )


def test_the_capacity_of_the_board_is_given_before_and_after() -> None:
    edit = double_capacity(entry("K4U6E3S4AA-MGCR", "lp4x/set-1").spd, Doubling.LARGER_DIES)

    assert edit.capacity_lines(packages_on_board=2)[3:] == (
        "board before: 32 Gbit = 4 GB",
        "board after: 64 Gbit = 8 GB in 2 package(s), if all their channels are wired",
    )


def test_twice_the_capacity_asks_how_and_shows_the_bytes_of_each_way() -> None:
    with pytest.raises(AnswerNeeded) as asked:
        double_capacity(entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd, None)

    assert "larger dies: 4: 15 > 16, 5: 21 > 29, 29: c0 > e0" in asked.value.seen
    assert "second rank: 6: 94 > b4, 12: 02 > 0a" in asked.value.seen
    assert "byte-wide channels: 4: 15 > 16, 5: 21 > 29, 6: 94 > 98, 12: 02 > 01" in (
        asked.value.seen
    )
    assert "more channels: no byte changes" in asked.value.seen
    assert "nothing is chosen for you" in asked.value.next_step


def test_ways_that_do_not_exist_are_refused_one_by_one() -> None:
    ways = ways_to_double(entry("K4A8G165WC-BCWE", "ddr4/set-0").spd)

    refusal = ways[Doubling.MORE_CHANNELS]
    assert isinstance(refusal, CheckFailed)
    assert refusal.seen == "DDR4 packages do not grow by more channels."
    assert isinstance(ways[Doubling.LARGER_DIES], MemoryEdit)


def test_an_absent_crc_stays_absent() -> None:
    edit = double_capacity(entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd, Doubling.SECOND_RANK)

    assert edit.new_content[126:128] == b"\0\0"


def test_a_right_crc_is_recomputed() -> None:
    board = entry("MT40A512M16TB-062E-J", "board")
    edit = double_capacity(board.spd, Doubling.LARGER_DIES)

    assert spd_crc(board.spd).state is CheckState.RIGHT
    assert spd_crc(edit.new_content).state is CheckState.RIGHT
    assert {c.at for c in edit.changes} == {4, 5, 30, 31, 32, 33, 34, 35, 126, 127}


def with_wrong_crc() -> bytes:
    spd = bytearray(entry("MT40A512M16TB-062E-J", "board").spd)
    spd[126] ^= 1
    return bytes(spd)


def test_a_wrong_crc_is_asked_about() -> None:
    with pytest.raises(AnswerNeeded, match="CRC at byte 126 of this SPD content was wrong"):
        double_capacity(with_wrong_crc(), Doubling.LARGER_DIES)


def test_a_wrong_crc_is_kept_or_recomputed_as_told() -> None:
    kept = double_capacity(with_wrong_crc(), Doubling.LARGER_DIES, wrong_crc=WrongCrc.KEEP)
    new = double_capacity(with_wrong_crc(), Doubling.LARGER_DIES, wrong_crc=WrongCrc.RECOMPUTE)

    assert kept.new_content[126:128] == with_wrong_crc()[126:128]
    assert spd_crc(new.new_content).state is CheckState.RIGHT


@pytest.mark.parametrize(
    ("stored", "fitted"),
    [
        (("K4U6E3S4AA-MGCR", "lp4x/set-0"), ("H9JCNNNBK3MLYR-N6E", "lp5/set-0")),
        (("H9JCNNNBK3MLYR-N6E", "lp5/set-1"), ("K4U6E3S4AA-MGCR", "lp4x/set-1")),
        (("K4A8G165WC-BCWE", "ddr4/set-0"), ("K4U6E3S4AA-MGCR", "lp4x/set-1")),
    ],
)
def test_memory_types_that_cannot_replace_each_other_are_refused(
    stored: tuple[str, str], fitted: tuple[str, str]
) -> None:
    with pytest.raises(CheckFailed, match="and the fitted package is"):
        compute_edit(entry(*stored).spd, entry(*fitted).package())


def test_lpddr4_and_lpddr4x_do_not_cross() -> None:
    lpddr4 = bytearray(entry("K4U6E3S4AA-MGCR", "lp4x/set-0").spd)
    lpddr4[2] = 0x10

    with pytest.raises(CheckFailed, match="describes LPDDR4 and the fitted package is LPDDR4X"):
        compute_edit(bytes(lpddr4), entry("K4U6E3S4AA-MGCR", "lp4x/set-0").package())


def test_an_unknown_convention_is_not_edited() -> None:
    board = entry("MT53D512M64D4RQ-046", "board")

    with pytest.raises(CheckFailed, match="convention of this SPD content is not known"):
        double_capacity(board.spd, Doubling.LARGER_DIES)


def test_a_density_without_sourced_refresh_times_asks_for_the_data_sheet() -> None:
    old = entry("MT53E1G32D2NP-046 WT:A", "lp4x/set-0")
    package = {"type": "LPDDR4X", "known_from": "datasheet"}
    attributes = old.attributes | {"densityPerChannelGb": 32}

    with pytest.raises(CheckFailed, match="No refresh time for 32 Gbit LPDDR4X is known here"):
        compute_edit(old.spd, parse_package(package | {"attributes": attributes}))

    told = attributes | {"tRFCabMinPs": 560_000, "tRFCpbMinPs": 280_000}  # invented figures
    edit = compute_edit(old.spd, parse_package(package | {"attributes": told}))
    assert edit.new_content[29:33].hex() == "8011c008"


def test_what_only_the_seller_says_is_doubted() -> None:
    old = entry("K4U6E3S4AA-MGCR", "lp4x/set-0")
    attributes = old.attributes | {
        "densityPerChannelGb": {"value": 16, "known_from": "seller only"}
    }
    fitted = parse_package({"type": "LPDDR4X", "known_from": "marking", "attributes": attributes})

    assert (
        "densityPerChannelGb is known from the seller only" in compute_edit(old.spd, fitted).doubts
    )


def test_more_ranks_than_before_need_wires_and_the_edit_says_so() -> None:
    edit = double_capacity(entry("K4U6E3S4AA-MGCR", "lp4x/set-1").spd, Doubling.SECOND_RANK)

    assert any("2 chip selects wired to every channel" in doubt for doubt in edit.doubts)


def test_a_board_content_keeps_its_own_way_of_counting_rows() -> None:
    """The LPDDR5X board content has 4x4 banks and 11 columns: its product is twice its density."""
    board = next(e for e in BOARD if e.type == "LPDDR5X")
    edit = double_capacity(board.spd, Doubling.LARGER_DIES)

    assert changed(edit)[:2] == ["4: 86>87", "5: 2A>32"]
    assert any("multiply to" in doubt for doubt in edit.doubts)


@settings(max_examples=150)
@given(st.sampled_from([e for e in ENTRIES if e.type != "DDR5"]), st.data())
def test_an_edit_changes_only_what_it_lists(e: Entry, data: st.DataObject) -> None:
    fitted: MemoryPackage = data.draw(
        st.sampled_from([d.package() for d in DECLARED if d.type == e.type])
    )
    try:
        edit = compute_edit(e.spd, fitted, wrong_crc=WrongCrc.KEEP)
    except CheckFailed:
        return
    expected = bytearray(e.spd)
    for change in edit.changes:
        assert expected[change.at] == change.old != change.new
        expected[change.at] = change.new
    assert edit.new_content == bytes(expected)
    assert compute_edit(edit.new_content, fitted, wrong_crc=WrongCrc.KEEP).changes == ()


@pytest.mark.parametrize(
    ("broken", "complaint"),
    [
        ({"type": "SDRAM"}, "Memory type 'SDRAM' is not known here"),
        ({"known_from": "a friend"}, "does not say where it is known from"),
        ({"attributes": {"densityPerDieGb": 8}}, "package does not say bitWidthPerChannel"),
        ({"colour": "green"}, "has no key colour"),
        ({"attributes": "none"}, r"needs a table \[attributes\]"),
    ],
)
def test_a_package_that_is_not_fully_told_is_refused(
    broken: dict[str, object], complaint: str
) -> None:
    whole = {
        "type": "LPDDR5",
        "known_from": "datasheet",
        "attributes": entry("H9JCNNNBK3MLYR-N6E", "lp5/set-0").attributes,
    }
    parse_package(whole)

    with pytest.raises(CheckFailed, match=complaint):
        parse_package(whole | broken)


@settings(max_examples=200)
@given(st.text(max_size=300))
def test_random_text_as_a_package_file_never_crashes(text: str) -> None:
    with pytest.raises(CheckFailed):
        parse_package_file(text)


@pytest.mark.parametrize("declared", DECLARED[:: len(DECLARED) // 20], ids=lambda e: str(e.part))
def test_a_package_written_out_reads_back_equal(declared: Entry) -> None:
    package = declared.package()

    assert parse_package_file(tomli_w.dumps(package_table(package))) == package


def test_the_part_with_its_own_latencies_reads_back_equal() -> None:
    package = entry("NT6AP256T32AV-J1", "lp4x/set-0").package(
        tRFCabMinPs=180_000, tRFCpbMinPs=90_000
    )

    assert parse_package_file(tomli_w.dumps(package_table(package))) == package
