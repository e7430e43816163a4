"""Images edited elsewhere: explained, repaired and carried on request, or refused."""

from dataclasses import replace

import pytest

from flashbench.errors import CheckFailed
from flashbench.image.board_numbers import NumberKind, find_board_numbers
from flashbench.image.checks import Check, CheckKind, CheckState, Span, judged, with_repaired
from flashbench.image.edit_file import BytesEdit
from flashbench.image.foreign_edit import (
    OUTSIDE_MAX,
    carry_into_copies,
    explain_foreign,
    repair_checks,
    take_in,
    unnamed_changes,
)
from tests.image.edit_scene import (
    BLOCK_BYTES,
    COPIES,
    NEW,
    OLD,
    found_block,
    found_blocks,
    memory_block,
    scene,
)

FIRST, SECOND = COPIES


def with_bytes(image: bytes, changes: dict[int, bytes]) -> bytes:
    edited = bytearray(image)
    for offset, data in changes.items():
        edited[offset : offset + len(data)] = data
    return bytes(edited)


def edited_without_repair(*copies: int) -> bytes:
    """Density and rows changed in the SPD content of the copies, no check recomputed."""
    return with_bytes(scene(), {copy + 20: b"\x16\x22" for copy in copies})


def test_each_changed_range_is_shown_with_the_block_it_lies_in() -> None:
    foreign = explain_foreign(scene(), edited_without_repair(FIRST), found_blocks())

    assert foreign.lines() == (
        "0x1014 (2 bytes): block TbLk at 0x1000, byte 20",
        "The copy of block TbLk at 0x1000 got the edit, that at 0x5000 did not.",
        "The check (CRC-32/ISO-HDLC) at 0x100c is wrong now and was right.",
    )


def test_an_edit_with_its_check_recomputed_elsewhere_breaks_nothing() -> None:
    foreign = explain_foreign(scene(), scene(*2 * [memory_block(NEW.spd)]), found_blocks())

    assert foreign.broken_checks == ()
    assert "All copies of block TbLk got the edit." in foreign.lines()
    assert sum(change.is_check for change in foreign.changes) == 2
    assert take_in(foreign) == foreign.edited


def test_broken_checks_are_repaired() -> None:
    foreign = explain_foreign(scene(), edited_without_repair(FIRST, SECOND), found_blocks())
    expected = OLD.spd[:4] + b"\x16\x22" + OLD.spd[6:]

    assert take_in(foreign) == scene(*2 * [memory_block(expected)])


def test_the_edit_is_carried_into_the_other_copy_only_when_asked() -> None:
    foreign = explain_foreign(scene(), edited_without_repair(FIRST), found_blocks())
    expected = memory_block(OLD.spd[:4] + b"\x16\x22" + OLD.spd[6:])

    assert take_in(foreign) == scene(first=expected)
    assert take_in(foreign, carry=True) == scene(expected, expected)


def test_carrying_leaves_the_rest_of_an_unequal_copy_as_it_is() -> None:
    other_tail = b"\x09" + bytes(range(1, 64))
    original = scene(second=memory_block(tail=other_tail))
    edited = with_bytes(original, {FIRST + 20: b"\x16\x22"})

    image = take_in(explain_foreign(original, edited, found_blocks()), carry=True)

    spd = OLD.spd[:4] + b"\x16\x22" + OLD.spd[6:]
    assert image == scene(memory_block(spd), memory_block(spd, tail=other_tail))


def test_copies_edited_in_different_ways_are_not_carried() -> None:
    third = found_block(0x6000, copy_of=FIRST)
    original = with_bytes(scene(), {0x6000: memory_block()})
    edited = with_bytes(original, {FIRST + 20: b"\x16", SECOND + 20: b"\x17"})
    foreign = explain_foreign(original, edited, (*found_blocks(), third))

    assert "were edited in different ways" in " ".join(foreign.lines())
    with pytest.raises(CheckFailed, match="edited in different ways"):
        carry_into_copies(foreign)


def test_a_copy_with_other_bytes_at_the_changed_place_is_not_overwritten() -> None:
    original = scene(second=memory_block(b"\x27" + OLD.spd[1:]))
    edited = with_bytes(original, {FIRST + 16: b"\x24"})

    with pytest.raises(CheckFailed, match="at 0x5000 holds other bytes at 0x5010"):
        take_in(explain_foreign(original, edited, found_blocks()), carry=True)


def test_an_ambiguous_check_is_not_repaired_by_guess() -> None:
    block = found_block(FIRST)
    assert block.check is not None
    unclear = replace(block, alternatives=(replace(block.check, kind=CheckKind.ADLER_32),))
    foreign = explain_foreign(scene(), edited_without_repair(FIRST), (unclear,))

    with pytest.raises(CheckFailed, match="can be read in 2 ways; it is not repaired by guess"):
        take_in(foreign)


def test_a_change_outside_every_block_has_to_be_named() -> None:
    foreign = explain_foreign(scene(), with_bytes(scene(), {64: b"\x00"}), found_blocks())

    with pytest.raises(CheckFailed, match=r"no edit file names them: 0x40 \(1 byte\)"):
        take_in(foreign)
    named = BytesEdit(at=64, expect=b"\xff", new=b"\x00")
    assert take_in(foreign, named=[named]) == foreign.edited


@pytest.mark.parametrize(
    ("place", "complaint"),
    [
        (BytesEdit(at=64, expect=b"\xfe", new=b"\x00"), "expects other bytes than this board"),
        (BytesEdit(at=64, expect=b"\xff", new=b"\x01"), "writes other bytes than the image"),
    ],
)
def test_a_place_that_names_other_bytes_is_refused(place: BytesEdit, complaint: str) -> None:
    foreign = explain_foreign(scene(), with_bytes(scene(), {64: b"\x00"}), found_blocks())

    with pytest.raises(CheckFailed, match=complaint):
        take_in(foreign, named=[place])


NUMBERS = (
    b"MAC 00-00-5E-00-53-2A\0\0SN WF2-0042-123456\0\0UUID 3f2b8c1e-7a4d-4e5f-9b60-112233445566\0"
    b"\0\0raw: \x00\x00\x5e\x00\x53\x2a"
)


def board_with_numbers() -> bytes:
    return with_bytes(scene(), {0x7000: NUMBERS})


def test_serials_addresses_and_uuids_are_found_written_and_raw() -> None:
    found = find_board_numbers(board_with_numbers())

    assert [(n.kind, n.text) for n in found] == [
        (NumberKind.NETWORK_ADDRESS, "00-00-5E-00-53-2A"),
        (NumberKind.SERIAL, "WF2-0042-123456"),
        (NumberKind.UUID, "3f2b8c1e-7a4d-4e5f-9b60-112233445566"),
        (NumberKind.NETWORK_ADDRESS, "00-00-5E-00-53-2A"),
    ]
    assert found[3].span == (0x7000 + NUMBERS.index(b"raw: ") + 5, 0x7000 + len(NUMBERS))


def test_replaced_numbers_are_listed_refused_and_kept_on_request() -> None:
    original = board_with_numbers()
    other = NUMBERS.replace(b"2A", b"77").replace(b"0042", b"0099")
    edited = with_bytes(original, {0x7000: other, FIRST + 20: b"\x16\x22"})
    foreign = explain_foreign(original, edited, found_blocks())

    assert [number.text for number in foreign.numbers] == ["00-00-5E-00-53-2A", "WF2-0042-123456"]
    with pytest.raises(CheckFailed, match="changes lie outside every recognised block"):
        take_in(foreign)
    image = take_in(foreign, own_numbers=True)
    assert image[0x7000:] == original[0x7000:]
    assert image[FIRST + 20] == 0x16


def test_a_number_inside_a_block_is_not_lost_silently() -> None:
    tail = b"SN WF2-0042-123456".ljust(64, b"\0")
    original = scene(memory_block(tail=tail), memory_block(tail=tail))
    new_tail = tail.replace(b"0042", b"0043")
    edited = scene(memory_block(tail=new_tail), memory_block(tail=new_tail))
    foreign = explain_foreign(original, edited, found_blocks())

    with pytest.raises(CheckFailed, match="own numbers would be lost: serial number WF2-0042-12"):
        take_in(foreign)
    assert take_in(foreign, own_numbers=True) == original
    assert unnamed_changes(foreign) == ()
    named = [
        BytesEdit(at=start, expect=original[start:end], new=edited[start:end])
        for start, end in unnamed_changes(foreign, numbers_too=True)
    ]
    assert take_in(foreign, named=named) == edited


def test_a_number_is_not_lost_where_an_edit_is_carried_to() -> None:
    serial, other = b"Serial Number: WF2-0042-123456\0", b"Serial Number: WF2-0042-999999\0"
    block, swapped = (memory_block(tail=text.ljust(64, b"\0")) for text in (serial, other))
    original = scene(block, block)
    foreign = explain_foreign(original, scene(swapped, block), found_blocks())

    assert take_in(foreign, carry=True, own_numbers=True) == original
    with pytest.raises(CheckFailed, match=r"own numbers would be lost: .* WF2-0042-123456, serial"):
        take_in(foreign, carry=True)


def test_a_broken_check_of_something_that_is_no_block_is_told_and_repaired() -> None:
    """Such as the sum of a firmware file around a block, which covers the block's check as well."""
    around = Check(
        kind=CheckKind.SUM_8,
        offset=0x10,
        order="little",
        covers=(Span(FIRST, FIRST + BLOCK_BYTES),),
    )
    original = with_repaired(scene(), (around,))
    edited = with_repaired(with_bytes(original, {FIRST + 20: b"\x16\x22"}), (around,))
    foreign = explain_foreign(original, edited, found_blocks(), other_checks=[around])

    told = explain_foreign(
        original, with_bytes(original, {0x10: b"\x01"}), found_blocks(), other_checks=[around]
    )
    assert told.broken_checks == (around,)
    assert around not in foreign.broken_checks
    repaired = repair_checks(foreign, foreign.edited)
    for check in (around, *foreign.broken_checks):
        assert judged(repaired, check).state is CheckState.RIGHT


def test_another_boards_image_is_refused() -> None:
    size = 1 << 18
    original = b"\xff" * size
    limit = b"\x00" * OUTSIDE_MAX + original[OUTSIDE_MAX:]
    explain_foreign(original, limit, ())

    with pytest.raises(CheckFailed, match="another board's image, or another firmware"):
        explain_foreign(original, b"\x00" * (OUTSIDE_MAX + 1) + original[OUTSIDE_MAX + 1 :], ())


def test_an_image_of_another_size_is_refused() -> None:
    with pytest.raises(CheckFailed, match="has 32768 bytes, the image edited elsewhere 4"):
        explain_foreign(scene(), b"abcd", ())


def test_a_change_over_the_end_of_a_block_is_cut_there() -> None:
    end = FIRST + 2 * BLOCK_BYTES
    edited = with_bytes(scene(), {end - 2: b"\x77" * 4})
    foreign = explain_foreign(scene(), edited, found_blocks())

    assert [(c.span, c.block is None) for c in foreign.changes] == [
        ((end - 2, end), False),
        ((end, end + 2), True),
    ]
