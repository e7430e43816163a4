"""Plans for chips of real sizes and times, worked out by hand."""

import dataclasses
import random

import pytest

from flashbench.chip.profile import ChipProfile
from flashbench.errors import WrongCall
from flashbench.safe_write.plan_units import NoErasePlan, UnitsPlan, UnitTimes, plan_units
from tests.safe_write.cell_model import a_kind, a_profile, a_w25q128jv, apply_plan

KIB = 1 << 10
MIB = 1 << 20
SCK_HZ = 30_000_000
READ_S = 8 / SCK_HZ  # a byte
PAGE_S = 400e-6 + (256 + 4 + 1 + 4) * 8 / SCK_HZ  # tPP; data, 02h + address, 06h, two times 05h


def noise(size: int, seed: int = 1) -> bytes:
    """Random bytes none of which is FF, so that every one of them counts."""
    return random.Random(seed).randbytes(size).replace(b"\xff", b"\xfe")


def edited(image: bytes, *edits: tuple[int, bytes]) -> bytes:
    out = bytearray(image)
    for at, data in edits:
        out[at : at + len(data)] = data
    return bytes(out)


def shape(plan: UnitsPlan) -> list[tuple[int, int, int | None, int]]:
    """Start, size, erase opcode, count of pages of every unit."""
    return [
        (u.start, u.size, None if u.erase is None else u.erase.opcode, len(u.pages))
        for u in plan.units
    ]


def test_a_chip_that_already_holds_the_target_is_left_alone() -> None:
    image = noise(16 * MIB)

    plan = plan_units(image, image, a_w25q128jv(), sck_hz=SCK_HZ)

    assert plan.units == ()
    assert not plan.chip_erase
    assert plan.seconds == 0
    assert (plan.changed_bytes, plan.changed_ranges) == (0, ())


def test_a_small_edit_costs_one_sector_and_its_pages() -> None:
    current = edited(noise(16 * MIB), (0x12345, b"\x00"), (0x12F00, b"\xff" * 256))
    target = edited(current, (0x12345, b"\x01"))

    plan = plan_units(current, target, a_w25q128jv(), sck_hz=SCK_HZ)

    # 15 pages: the one at 012F00h stays blank.
    assert shape(plan) == [(0x12000, 4 * KIB, 0x20, 15)]
    assert plan.erase_seconds == pytest.approx(0.045)
    assert plan.program_seconds == pytest.approx(15 * PAGE_S, rel=1e-5)
    assert plan.read_seconds == pytest.approx(3 * 4096 * READ_S, rel=1e-5)
    assert plan.changed_bytes == 1
    assert plan.changed_ranges == (range(0x12300, 0x12400),)
    assert plan.bystander_bytes == 4096 - 256 - 1
    assert plan.chosen_bystander_bytes == 0


def test_bits_that_only_fall_are_programmed_without_an_erase() -> None:
    current = edited(noise(16 * MIB), (0x12345, b"\x0f"))
    target = edited(current, (0x12345, b"\x05"))

    plan = plan_units(current, target, a_w25q128jv(), sck_hz=SCK_HZ)

    assert shape(plan) == [(0x12000, 4 * KIB, None, 1)]
    assert plan.units[0].pages == (0x12300,)
    assert plan.seconds == pytest.approx(PAGE_S + 2 * 4096 * READ_S, rel=1e-5)
    assert plan.bystander_bytes == 0


def test_a_part_that_may_have_ecc_is_never_programmed_without_an_erase() -> None:
    current = edited(noise(16 * MIB), (0x12345, b"\x0f"))
    target = edited(current, (0x12345, b"\x05"))

    plan = plan_units(current, target, a_w25q128jv(ecc_free=False), sck_hz=SCK_HZ)

    assert shape(plan) == [(0x12000, 4 * KIB, 0x20, 16)]


def test_a_full_rewrite_uses_the_kind_that_is_quickest_for_its_size() -> None:
    """64 KiB in 150 ms against 120 ms for half of it and 45 ms for a sixteenth."""
    current, target = noise(128 * KIB), noise(128 * KIB, seed=2)
    profile = dataclasses.replace(a_w25q128jv(), density_bytes=128 * KIB)
    region = dataclasses.replace(profile.regions[0], length=128 * KIB)
    profile = dataclasses.replace(profile, regions=(region,), chip_erase=None)

    plan = plan_units(current, target, profile, sck_hz=SCK_HZ)

    assert shape(plan) == [(0, 64 * KIB, 0xD8, 256), (64 * KIB, 64 * KIB, 0xD8, 256)]


def test_a_chip_that_becomes_blank_is_erased_as_a_whole() -> None:
    """40 s and one read against 256 times 150 ms and three: 44.5 s against 51.8 s.

    The image here stays as it is in one sector, which is blank: no bystander is in the way.
    """
    current = edited(noise(16 * MIB), (0x5000, b"\xff" * 4096))

    plan = plan_units(current, b"\xff" * (16 * MIB), a_w25q128jv(), sck_hz=SCK_HZ)

    assert plan.chip_erase
    assert plan.units == ()
    assert plan.seconds == pytest.approx(40 + 16 * MIB * READ_S, rel=1e-5)
    assert (plan.bystander_bytes, plan.changed_bytes) == (0, 16 * MIB - 4096)


def test_after_a_chip_erase_the_units_only_program() -> None:
    current = noise(16 * MIB)
    target = edited(b"\xff" * (16 * MIB), (0xFF00, b"\x00" * 512), (0x800000, b"\x00"))

    plan = plan_units(current, target, a_w25q128jv(), sck_hz=SCK_HZ)

    assert plan.chip_erase
    # One unit does not reach over a multiple of 64 KiB.
    sector = 4 * KIB
    assert shape(plan) == [
        (0xF000, sector, None, 1),
        (0x10000, sector, None, 1),
        (0x800000, sector, None, 1),
    ]
    read_s = (16 * MIB + 2 * 3 * sector) * READ_S
    assert plan.seconds == pytest.approx(40 + 3 * PAGE_S + read_s, rel=1e-5)


SECTOR_MS = 1_000.0
RULE_SCK_HZ = 8_000_000  # a byte in one microsecond
# Beside its erase a sector costs three reads and 16 pages (whose tPP is left out here):
# 3 * 4096 + 16 * 265 us = 16.528 ms; a block of 64 KiB sixteen times that.
SECTOR_REST_MS = 16.528
BLOCK_REST_MS = 264.448


def rewrite_of_sectors(*counts: int, block_ms: float) -> UnitsPlan:
    """The first `counts` of the 16 sectors of each block of 64 KiB change in every byte."""
    kinds = [a_kind(4 * KIB, ms=SECTOR_MS), a_kind(64 * KIB, ms=block_ms)]
    profile = a_profile((len(counts) * 64 * KIB, kinds), program_us=0, ecc_free=False)
    current = noise(profile.density_bytes)
    changed = [(n * 64 * KIB, count * 4 * KIB) for n, count in enumerate(counts)]
    edits = [(at, bytes(b ^ 0x80 for b in current[at : at + size])) for at, size in changed]
    target = edited(current, *edits)
    return plan_units(current, target, profile, sck_hz=RULE_SCK_HZ)


def test_bystanders_are_erased_where_that_saves_a_fifth_and_two_seconds() -> None:
    """Half a block: 8 * 1016.528 ms by sectors, 6132.224 ms as a whole."""
    plan = rewrite_of_sectors(8, block_ms=6_132.224 - BLOCK_REST_MS)

    assert shape(plan) == [(0, 64 * KIB, 0xD8, 256)]
    assert plan.seconds == pytest.approx(6.132224)
    assert plan.bystander_bytes == plan.chosen_bystander_bytes == 32 * KIB


def test_bystanders_are_spared_where_less_than_two_seconds_would_be_saved() -> None:
    """A microsecond short of 2 s, although nearly a quarter."""
    plan = rewrite_of_sectors(8, block_ms=6_132.225 - BLOCK_REST_MS)

    assert {u.size for u in plan.units} == {4 * KIB}
    assert plan.seconds == pytest.approx(8.132224)
    assert plan.bystander_bytes == 0


def test_bystanders_are_spared_where_less_than_a_fifth_would_be_saved() -> None:
    """15.24792 s by sectors; a fifth less is 12.198336 s, and a microsecond more is too much."""
    spared = rewrite_of_sectors(15, block_ms=12_198.337 - BLOCK_REST_MS)
    erased = rewrite_of_sectors(15, block_ms=12_198.336 - BLOCK_REST_MS)

    assert {u.size for u in spared.units} == {4 * KIB}
    assert spared.bystander_bytes == 0
    assert {u.size for u in erased.units} == {64 * KIB}
    assert erased.chosen_bystander_bytes == 4 * KIB


def test_without_bystanders_any_saving_will_do_and_a_tie_goes_to_the_larger_unit() -> None:
    by_sectors_ms = 16 * (SECTOR_MS + SECTOR_REST_MS)

    tie = rewrite_of_sectors(16, block_ms=by_sectors_ms - BLOCK_REST_MS)
    slower = rewrite_of_sectors(16, block_ms=by_sectors_ms + 0.001 - BLOCK_REST_MS)

    assert shape(tie) == [(0, 64 * KIB, 0xD8, 256)]
    assert tie.bystander_bytes == 0
    assert {u.size for u in slower.units} == {4 * KIB}


def test_a_tie_goes_to_the_plan_that_erases_fewer_bystanders() -> None:
    """The first block saves 7 s as a whole; the second takes as long either way."""
    plan = rewrite_of_sectors(15, 8, block_ms=8_132.224 - BLOCK_REST_MS)

    assert [u.size // KIB for u in plan.units] == [64] + [4] * 8
    assert plan.chosen_bystander_bytes == 4 * KIB


def test_blank_bytes_that_stay_blank_are_no_bystanders() -> None:
    kinds = [a_kind(4 * KIB, ms=1000), a_kind(64 * KIB, ms=1000)]
    profile = a_profile((64 * KIB, kinds), ecc_free=False)
    current = noise(8 * KIB) + b"\xff" * (56 * KIB)
    target = noise(8 * KIB, seed=2) + b"\xff" * (56 * KIB)

    plan = plan_units(current, target, profile, sck_hz=SCK_HZ)

    assert shape(plan) == [(0, 64 * KIB, 0xD8, 32)]
    assert plan.chosen_bystander_bytes == 0


# Regions and erase sizes of SST26VF064B's sector map, times of its SFDP (every erase 19 ms
# typical, program 1.02 ms); opcode D8h erases 8, 32 or 64 KiB by the address.
SST26VF064B_REGIONS = [
    (32 * KIB, (4 * KIB, 8 * KIB)),
    (32 * KIB, (4 * KIB, 32 * KIB)),
    (8064 * KIB, (4 * KIB, 64 * KIB)),
    (32 * KIB, (4 * KIB, 32 * KIB)),
    (32 * KIB, (4 * KIB, 8 * KIB)),
]


def an_sst26vf064b() -> ChipProfile:
    regions = [
        (length, [a_kind(size, ms=19, opcode=0x20 if size == 4 * KIB else 0xD8) for size in sizes])
        for length, sizes in SST26VF064B_REGIONS
    ]
    return a_profile(*regions, program_us=1020)


def test_units_keep_to_their_region_of_a_non_uniform_chip() -> None:
    current, target = noise(8 * MIB), noise(8 * MIB, seed=2)

    plan = plan_units(current, target, an_sst26vf064b(), sck_hz=SCK_HZ)

    sizes = [unit.size // KIB for unit in plan.units]
    assert sizes == [8] * 4 + [32] + [64] * 126 + [32] + [8] * 4
    assert {unit.erase.opcode for unit in plan.units if unit.erase} == {0xD8}


def test_a_refuted_opcode_is_not_used() -> None:
    current, target = noise(8 * MIB), noise(8 * MIB, seed=2)

    plan = plan_units(
        current, target, an_sst26vf064b(), sck_hz=SCK_HZ, refuted_opcodes=frozenset({0xD8})
    )

    assert {(unit.size, unit.erase and unit.erase.opcode) for unit in plan.units} == {
        (4 * KIB, 0x20)
    }


def test_a_refuted_chip_erase_is_not_used() -> None:
    current, target = noise(16 * MIB), b"\xff" * (16 * MIB)

    plan = plan_units(
        current, target, a_w25q128jv(), sck_hz=SCK_HZ, refuted_opcodes=frozenset({0xC7})
    )

    assert not plan.chip_erase
    assert {unit.size for unit in plan.units} == {64 * KIB}


def test_what_no_usable_erase_reaches_is_refused_with_its_address() -> None:
    current = noise(8 * MIB)
    target = edited(current, (8 * MIB - 1, bytes([current[-1] ^ 0xFF])))
    refuted = frozenset({0x20, 0xD8})

    with pytest.raises(NoErasePlan, match="0x7f8000 to 0x7fffff would have to be erased") as seen:
        plan_units(current, target, an_sst26vf064b(), sck_hz=SCK_HZ, refuted_opcodes=refuted)

    assert seen.value.out_of_reach == range(0x7F8000, 0x800000)
    assert seen.value.exit_status == 3
    assert "This command has not changed the chip." in str(seen.value)


def test_a_chip_erase_is_taken_where_nothing_else_reaches() -> None:
    current = noise(16 * MIB)
    target = edited(current, (5, bytes([current[5] ^ 0xFF])))
    refuted = frozenset({0x20, 0x52, 0xD8})

    plan = plan_units(current, target, a_w25q128jv(), sck_hz=SCK_HZ, refuted_opcodes=refuted)

    assert plan.chip_erase
    assert plan.page_count == 65536
    assert plan.bystander_bytes == 16 * MIB - 1
    assert plan.chosen_bystander_bytes == 0


def test_a_suspect_unit_is_erased_in_full_although_it_reads_right() -> None:
    image = edited(noise(16 * MIB), (0x30000, b"\xff" * 4096))
    suspect = range(0x30000, 0x40000)

    plan = plan_units(image, image, a_w25q128jv(), sck_hz=SCK_HZ, must_erase=[suspect])

    assert shape(plan) == [(0x30000, 64 * KIB, 0xD8, 240)]
    assert plan.changed_bytes == 64 * KIB
    assert plan.changed_ranges == (suspect,)
    assert plan.bystander_bytes == 0


def test_two_suspect_units_far_apart_are_both_erased() -> None:
    image = b"\xff" * (16 * MIB)
    suspects = [range(0x30000, 0x31000), range(0xFFF000, 0x1000000), range(7, 7)]

    plan = plan_units(image, image, a_w25q128jv(), sck_hz=SCK_HZ, must_erase=suspects)

    assert shape(plan) == [(0x30000, 4 * KIB, 0x20, 0), (0xFFF000, 4 * KIB, 0x20, 0)]


def test_the_parts_of_the_duration_add_up_unit_by_unit() -> None:
    current = noise(16 * MIB)
    target = edited(current, (0, noise(300 * KIB, seed=2)), (9 * MIB, b"\x00" * 5000))
    profile = a_w25q128jv()

    plan = plan_units(current, target, profile, sck_hz=SCK_HZ)

    times = UnitTimes.of(profile, sck_hz=SCK_HZ)
    assert len({unit.erase for unit in plan.units}) > 2
    assert plan.seconds == pytest.approx(sum(map(times.unit_seconds, plan.units)))
    assert apply_plan(current, target, plan, profile) == target


def test_pages_can_go_over_the_wire_at_another_clock_than_reads() -> None:
    current = noise(16 * MIB)
    target = edited(current, (0, noise(64 * KIB, seed=2)))
    profile = a_w25q128jv()

    plan = plan_units(current, target, profile, sck_hz=SCK_HZ, change_hz=SCK_HZ // 3)

    at_one_clock = plan_units(current, target, profile, sck_hz=SCK_HZ)
    page_bits = 8 * (256 + 1 + 3 + 1 + 4)  # its data, 02h and address, 06h, two looks at 05h
    longer = plan.page_count * page_bits * (3 - 1) / SCK_HZ
    assert plan.units == at_one_clock.units
    assert plan.read_seconds == at_one_clock.read_seconds
    assert plan.program_seconds - at_one_clock.program_seconds == pytest.approx(longer)


def test_memoryviews_are_as_good_as_bytes() -> None:
    current, target = noise(16 * MIB), edited(noise(16 * MIB), (100, b"\x00\xff"))

    seen = plan_units(memoryview(current), memoryview(target), a_w25q128jv(), sck_hz=SCK_HZ)

    assert seen == plan_units(current, target, a_w25q128jv(), sck_hz=SCK_HZ)


@pytest.mark.parametrize(
    ("current_size", "sck_hz", "must_erase", "page_size", "message"),
    [
        (100, SCK_HZ, range(0), 256, "holds 8192 bytes, the pictures 100 and 8192"),
        (8192, 0, range(0), 256, "clock of 0 Hz"),
        (8192, SCK_HZ, range(8193), 256, "no range of bytes"),
        (8192, SCK_HZ, range(0, 8192, 2), 256, "no range of bytes"),
        (8192, SCK_HZ, range(0), 3, "do not fall on pages of 3 bytes"),
    ],
)
def test_a_call_that_makes_no_sense_is_refused(
    current_size: int, sck_hz: int, must_erase: range, page_size: int, message: str
) -> None:
    profile = a_profile((8192, [a_kind(4 * KIB, ms=45)]), page_size=page_size)

    with pytest.raises(WrongCall, match=message):
        plan_units(
            bytes(current_size), bytes(8192), profile, sck_hz=sck_hz, must_erase=[must_erase]
        )
