"""What is suspect after any story of announcements and proofs, against a model of single bytes.

The model is written from the design's sentence: "a unit announced but not recorded as read back
is erased again in full, whatever it reads now".
"""

from dataclasses import dataclass
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.job.events import (
    AnnouncedUnit,
    CellsProven,
    Event,
    OpcodeRefuted,
    RegistersChanged,
    RegistersRestored,
    RegistersSaved,
    UnitFailed,
    UnitProven,
    WriteAnnounced,
    WriteFinished,
)
from flashbench.job.unfinished import (
    UnfinishedWrite,
    failed_units_on,
    merged,
    proven_on,
    refuted_opcodes_on,
    registers_to_put_back,
    targets_on,
    unfinished_on,
    unfinished_write,
    without,
)
from tests.builders.job import IMAGE, ORIGINAL, announcement

UNITS = 12
SIZE = 16

units = st.builds(
    lambda start, length, opcode: AnnouncedUnit(
        start=start * SIZE, size=length * SIZE, erase_opcode=opcode
    ),
    st.integers(0, UNITS - 1),
    st.integers(1, 4),
    st.sampled_from([0x20, 0xD8, None]),
)


def apart(chosen: list[AnnouncedUnit]) -> tuple[AnnouncedUnit, ...]:
    """Those of the units that do not overlap an earlier one: a plan names each byte once."""
    taken: set[int] = set()
    kept = []
    for unit in chosen:
        addresses = set(range(unit.start, unit.start + unit.size))
        if not addresses & taken:
            kept.append(unit)
            taken |= addresses
    return tuple(kept)


announcements = st.lists(units, min_size=1, max_size=6).map(
    lambda chosen: announcement(*apart(chosen))
)
proofs = st.builds(
    lambda start, length: UnitProven(start=start * SIZE, size=length * SIZE),
    st.integers(0, UNITS - 1),
    st.integers(1, 4),
)
refutations = st.builds(
    lambda start, length: OpcodeRefuted(opcode=0xD8, start=start * SIZE, size=length * SIZE),
    st.integers(0, UNITS - 1),
    st.integers(1, 4),
)
finishes = st.just(WriteFinished(target_sha256=announcement().target_sha256))


@st.composite
def stories(draw: st.DrawFn) -> list[Event]:
    """Announcements, each followed by proofs of some of its units and of others; rare finishes."""
    story: list[Event] = []
    for write in draw(st.lists(announcements, max_size=4)):
        story.append(write)
        proven = draw(st.lists(st.sampled_from(write.units), unique=True))
        story.extend(UnitProven(start=unit.start, size=unit.size) for unit in proven)
        story.extend(draw(st.lists(proofs, max_size=2)))
        if draw(st.integers(0, 3)) == 0:
            story.append(draw(refutations))
            story.extend(draw(st.lists(proofs, max_size=2)))
        if draw(st.integers(0, 3)) == 0:
            story.append(draw(finishes))
    return story


@dataclass
class ByteModel:
    """Each byte on its own: announced, proven, and whether its proof must include an erase."""

    announced: set[int]
    suspect: set[int]
    left_open_before: set[int]
    units: dict[tuple[int, int], AnnouncedUnit]


def by_single_bytes(story: list[Event]) -> ByteModel | None:
    model: ByteModel | None = None
    for event in story:
        match event:
            case WriteFinished():
                model = None
            case UnitProven() if model is not None:
                unit = model.units.pop((event.start, event.size), None)
                for address in range(event.start, event.start + event.size) if unit else ():
                    erased = unit is not None and unit.erase_opcode is not None
                    if erased or address not in model.left_open_before:
                        model.suspect.discard(address)
                        model.left_open_before.discard(address)
            case OpcodeRefuted() if model is not None:
                reached = set(range(event.start, event.start + event.size))
                model.announced |= reached
                model.suspect |= reached
                model.left_open_before |= reached
            case WriteAnnounced():
                model = model or ByteModel(set(), set(), set(), {})
                model.left_open_before = set(model.suspect)
                model.units = {(unit.start, unit.size): unit for unit in event.units}
                for unit in event.units:
                    model.announced |= set(range(unit.start, unit.start + unit.size))
                    model.suspect |= set(range(unit.start, unit.start + unit.size))
            case _:
                pass
    return model


def addresses(ranges: tuple[range, ...]) -> set[int]:
    return {address for one in ranges for address in one}


@settings(max_examples=300, deadline=None)
@given(stories())
def test_suspect_and_proven_are_what_single_bytes_say(story: list[Event]) -> None:
    expected = by_single_bytes(story)
    found = unfinished_write(story)

    if expected is None or found is None:
        assert found is None
        assert expected is None
        return
    assert addresses(found.suspect) == expected.suspect
    assert addresses(found.announced) == expected.announced
    assert addresses(found.proven) == expected.announced - expected.suspect


@settings(max_examples=200, deadline=None)
@given(stories(), st.data())
def test_losing_a_proof_never_makes_anything_less_suspect(
    story: list[Event], data: st.DataObject
) -> None:
    whole = unfinished_write(story)
    proven_at = [at for at, event in enumerate(story) if isinstance(event, UnitProven)]
    if not proven_at or whole is None:
        return
    lost = data.draw(st.sampled_from(proven_at))
    less = unfinished_write([event for at, event in enumerate(story) if at != lost])

    assert less is not None
    assert addresses(whole.suspect) <= addresses(less.suspect)


ranges = st.lists(
    st.builds(lambda start, size: range(start, start + size), st.integers(0, 60), st.integers(0, 9))
)


@given(ranges, ranges)
def test_ranges_are_taken_away_as_sets_of_addresses(ones: list[range], holes: list[range]) -> None:
    found = without(ones, holes)

    assert addresses(tuple(found)) == addresses(tuple(ones)) - addresses(tuple(holes))
    assert all(left.stop < right.start for left, right in pairwise(merged(found)))


def test_no_write_is_unfinished_before_any_is_announced() -> None:
    assert unfinished_write([]) is None
    assert unfinished_write([RegistersSaved(values={"SR1": 0})]) is None


def test_cells_proven_are_not_yet_a_finished_write() -> None:
    found = unfinished_write([announcement(), CellsProven(sha256="0" * 64)])

    assert found is not None
    assert found.cells_proven


def test_a_write_after_a_finished_one_has_no_cells_proven_yet() -> None:
    proven = CellsProven(sha256="0" * 64)
    finished = WriteFinished(target_sha256="0" * 64)

    found = unfinished_write([announcement(), proven, finished, announcement()])

    assert found is not None
    assert not found.cells_proven


def test_a_lock_that_a_change_opens_without_naming_its_new_value_is_put_back() -> None:
    story: list[Event] = [
        announcement(),
        RegistersChanged(before={"SR1": 0x1C, "LOCK005000": 1}, after={"SR1": 0x1C}),
    ]

    assert registers_to_put_back(story) == {"LOCK005000": 1, "SR1": 0x1C}


def test_a_program_without_erase_does_not_clear_a_unit_that_was_left_half_erased() -> None:
    erased = AnnouncedUnit(start=0, size=64, erase_opcode=0x20)
    programmed = AnnouncedUnit(start=0, size=64, erase_opcode=None)
    story: list[Event] = [
        announcement(erased),
        announcement(programmed),
        UnitProven(start=0, size=64),
    ]

    found = unfinished_write(story)

    assert found is not None
    assert found.suspect == (range(64),)


def test_a_large_unit_left_open_is_cleared_by_smaller_ones_that_cover_it() -> None:
    large = AnnouncedUnit(start=0, size=64, erase_opcode=0xD8)
    small = [AnnouncedUnit(start=at, size=16, erase_opcode=0x20) for at in range(0, 64, 16)]
    story: list[Event] = [announcement(large), announcement(*small)]
    story += [UnitProven(start=unit.start, size=unit.size) for unit in small[:3]]

    found = unfinished_write(story)

    assert found is not None
    assert found.suspect == (range(48, 64),)


def test_a_proof_of_a_unit_nobody_announced_proves_nothing() -> None:
    unit = AnnouncedUnit(start=0, size=64, erase_opcode=0x20)

    found = unfinished_write([announcement(unit), UnitProven(start=0, size=32)])

    assert found is not None
    assert found.suspect == (range(64),)


def test_the_first_journalled_register_values_are_put_back_and_not_what_a_later_run_found() -> None:
    story: list[Event] = [
        announcement(registers_before={"SR1": 0x1C, "SR2": 0x02}),
        RegistersChanged(before={"SR1": 0x1C}, after={"SR1": 0x00}),
        # Power is lost; the next process finds the protection off and says so.
        RegistersSaved(values={"SR1": 0x00, "SR2": 0x02}),
        announcement(registers_before={"SR1": 0x00, "SR2": 0x02}),
    ]

    found = unfinished_write(story)

    assert found is not None
    assert found.registers_before == {"SR1": 0x1C, "SR2": 0x02}
    assert found.registers_to_put_back == {"SR1": 0x1C}


def test_a_register_put_back_to_another_value_is_not_put_back() -> None:
    changed = RegistersChanged(before={"SR1": 0x1C}, after={"SR1": 0x00})

    wrong: list[Event] = [announcement(), changed, RegistersRestored(values={"SR1": 0x00})]
    right: list[Event] = [announcement(), changed, RegistersRestored(values={"SR1": 0x1C})]

    assert registers_to_put_back(wrong) == {"SR1": 0x1C}
    assert registers_to_put_back(right) == {}


def test_registers_changed_outside_a_write_are_put_back_too() -> None:
    story: list[Event] = [RegistersChanged(before={"SR2": 0x00}, after={"SR2": 0x02})]

    assert registers_to_put_back(story) == {"SR2": 0x00}


def test_a_refuted_opcode_stays_refuted_after_the_write_is_finished() -> None:
    story: list[Event] = [
        announcement(),
        OpcodeRefuted(opcode=0x52, start=0, size=64),
        *[WriteFinished(target_sha256="0" * 64)],
    ]

    assert refuted_opcodes_on(story, None) == {0x52}


def test_what_a_refuted_opcode_may_have_erased_is_suspect_though_it_was_proven_before() -> None:
    first = AnnouncedUnit(start=0, size=64, erase_opcode=0x20)
    second = AnnouncedUnit(start=64, size=64, erase_opcode=0xD8)
    story: list[Event] = [
        announcement(first, second),
        UnitProven(start=0, size=64),
        OpcodeRefuted(opcode=0xD8, start=0, size=256),
    ]

    found = unfinished_write(story)

    assert found is not None
    assert found.suspect == (range(256),)
    assert found.announced == (range(256),)


def test_the_target_is_that_of_the_last_announcement_and_all_are_remembered() -> None:
    story: list[Event] = [announcement(), announcement(target=ORIGINAL, target_name="original")]

    found = unfinished_write(story)

    assert found is not None
    assert found.target_name == "original"
    assert [name for name, _ in found.targets] == ["image 1", "original"]
    assert found.targets[0][1] == announcement(target=IMAGE).target_sha256


@pytest.mark.parametrize("finished", [True, False])
def test_a_replacement_chip_has_its_own_story(finished: bool) -> None:
    own = AnnouncedUnit(start=0, size=64, erase_opcode=0x20)
    other = AnnouncedUnit(start=128, size=64, erase_opcode=0x20)
    story: list[Event] = [announcement(own), announcement(other, kept_number=1)]
    if finished:
        story.append(WriteFinished(target_sha256=announcement().target_sha256))

    last = unfinished_write(story)
    replaced = unfinished_on(story, None)

    assert replaced is not None
    assert replaced.suspect == (range(64),)
    assert (last is None) == finished
    if last is not None:
        assert (last.kept_number, last.suspect) == (1, (range(128, 192),))


def test_each_chip_has_its_failed_units_its_targets_and_its_proofs() -> None:
    failed = UnitFailed(start=0, size=64, attempts=3)
    story: list[Event] = [
        announcement(target=IMAGE),
        failed,
        announcement(target=IMAGE, kept_number=1),
        failed,
        failed,
        WriteFinished(target_sha256=announcement(target=IMAGE).target_sha256),
        announcement(target=ORIGINAL, kept_number=1),
    ]
    image, original = (announcement(target=data).target_sha256 for data in (IMAGE, ORIGINAL))

    assert failed_units_on(story, None) == {range(64): 1}
    assert failed_units_on(story[:5], 1) == {range(64): 2}
    assert failed_units_on(story, 1) == {}, "it was proven since"
    assert targets_on(story, None) == (image,)
    assert targets_on(story, 1) == (image, original)
    assert proven_on(story, None) == frozenset()
    assert proven_on(story, 1) == {image}


def test_of_a_chip_that_no_line_is_about_nothing_is_told() -> None:
    story: list[Event] = [announcement(target=IMAGE)]

    assert failed_units_on(story, 2) == {}
    assert targets_on(story, 2) == ()
    assert proven_on(story, 2) == frozenset()
    assert refuted_opcodes_on(story, 2) == frozenset()


def test_what_is_told_of_an_unfinished_write_is_what_was_announced() -> None:
    unit = AnnouncedUnit(start=1024, size=1024, erase_opcode=0x20)
    begun = announcement(unit, kept_number=2, registers_before={"SR1": 0x1C})

    found = unfinished_write([begun])

    assert found == UnfinishedWrite(
        target_sha256=begun.target_sha256,
        target_name="image 1",
        targets=(("image 1", begun.target_sha256),),
        kept_number=2,
        jedec_id="aa400c",
        unique_id="00112233445566aa",
        suspect=(range(1024, 2048),),
        announced=(range(1024, 2048),),
        proven=(),
        registers_before={"SR1": 0x1C},
        registers_to_put_back={},
        refuted_opcodes=frozenset(),
        cells_proven=False,
    )
