"""Edit files: read, made in every copy, or refused whole."""

import hashlib
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.errors import CheckFailed
from flashbench.image.apply_edit import CopiesDiffer, apply_edit
from flashbench.image.change_sheet import change_sheet, changed_ranges
from flashbench.image.checks import Check, CheckKind, CheckState, Span
from flashbench.image.edit_file import parse_edit
from flashbench.image.finds import Confidence
from flashbench.image.memory_edit import Answer, Unsaid, WayNeeded
from flashbench.image.memory_package import parse_package
from flashbench.image.memory_records import find_records
from flashbench.image.stored_digests import StoredDigest
from flashbench.image.suggest_edit import suggest_edit
from flashbench.rehearsal.demo_board import demo_image
from tests.image.edit_scene import (
    BLOCK_BYTES,
    CHANGE,
    COPIES,
    EDIT,
    MEMORY,
    NEW,
    OLD,
    found_block,
    found_blocks,
    memory_block,
    scene,
    sealed,
)


def refusal(image: bytes, text: str) -> CheckFailed:
    with pytest.raises(CheckFailed) as caught:
        apply_edit(image, parse_edit(text))
    return caught.value


def crc_is_right(image: bytes, offset: int) -> bool:
    """Oracle: zlib, over the block with the CRC's own bytes as zero."""
    block = image[offset : offset + BLOCK_BYTES]
    stored = int.from_bytes(block[12:16], "little")
    return zlib.crc32(block[:12] + bytes(4) + block[16:]) == stored


def test_bytes_are_changed_in_every_copy_and_each_check_is_recomputed() -> None:
    result = apply_edit(scene(), parse_edit(EDIT + CHANGE))

    assert result.image == scene(
        *2 * [sealed(3, OLD.spd[:4] + b"\x16\x22" + OLD.spd[6:] + bytes(range(64)))]
    )
    assert all(crc_is_right(result.image, offset) for offset in COPIES)
    assert [c.state for c in result.checks] == [CheckState.RIGHT] * 2
    assert [(c.offset, c.old.hex(), c.new.hex()) for c in result.changes] == [
        (COPIES[0] + 20, "151a", "1622"),
        (COPIES[1] + 20, "151a", "1622"),
    ]


def test_a_memory_package_becomes_bytes_in_every_copy() -> None:
    result = apply_edit(scene(), parse_edit(EDIT + MEMORY))

    assert result.image == scene(*2 * [memory_block(NEW.spd)])
    assert len(result.memory) == 2
    assert result.changes[0].name == f"memory table at {COPIES[0]:#x}: SPD byte 4, density"
    assert "densityPerDieGb = 16 (datasheet)" in result.changes[0].why


def test_names_of_the_changes_go_into_the_change_sheet() -> None:
    result = apply_edit(scene(), parse_edit(EDIT + MEMORY))
    sheet = change_sheet(scene(), result.image, names=result.names)

    named = {name for row in sheet["ranges"] for name in row["names"]}
    assert "check (CRC-32/ISO-HDLC)" in named
    assert all(row["names"] for row in sheet["ranges"])


def test_what_no_spd_says_is_asked_until_answered() -> None:
    answers = (
        '\n[answers]\nstraps = "done"\nrank_masks = "not needed"\nspd_copies = "don\'t know"\n'
    )
    result = apply_edit(scene(), parse_edit(EDIT + MEMORY + answers))

    assert Unsaid.STRAPS not in result.questions
    assert Unsaid.RANK_MASKS not in result.questions
    assert Unsaid.SPD_COPIES in result.questions
    assert parse_edit(EDIT + MEMORY + answers).answers[Unsaid.STRAPS] is Answer.DONE


def test_unexpected_bytes_are_refused() -> None:
    error = refusal(scene(), EDIT + CHANGE.replace("15 1a", "15 1b"))

    assert "At 0x1014 (memory table at 0x1000) the edit file expects 15 1b" in error.seen
    assert "the image holds 15 1a" in error.seen
    assert error.exit_status == 1


def test_an_edit_made_twice_is_refused_the_second_time() -> None:
    once = apply_edit(scene(), parse_edit(EDIT + CHANGE)).image

    assert "expects 15 1a and the image holds 16 22" in refusal(once, EDIT + CHANGE).seen


def test_a_memory_edit_made_twice_finds_nothing_to_do() -> None:
    once = apply_edit(scene(), parse_edit(EDIT + MEMORY)).image

    assert (
        "Everything that it asks for is in the image already" in refusal(once, EDIT + MEMORY).seen
    )


def test_a_missing_copy_is_refused() -> None:
    image = bytearray(scene())
    image[COPIES[1] : COPIES[1] + BLOCK_BYTES] = b"\xff" * BLOCK_BYTES

    assert "expects 2 copies of memory table; with right checks there are 1 (0x1000)" in (
        refusal(bytes(image), EDIT + CHANGE).seen
    )


def test_a_copy_too_many_is_refused() -> None:
    image = bytearray(scene())
    image[0x3000 : 0x3000 + BLOCK_BYTES] = memory_block()

    assert "there are 3" in refusal(bytes(image), EDIT + CHANGE).seen


def test_a_copy_whose_check_is_wrong_is_named() -> None:
    image = bytearray(scene())
    image[COPIES[1] + 300] ^= 1

    error = refusal(bytes(image), EDIT + CHANGE)
    assert "Its signature is also at 0x5000, where the check is wrong" in error.seen


def test_another_block_of_the_same_signature_and_length_is_not_taken_for_a_copy() -> None:
    error = refusal(scene(), EDIT.replace("also =", "# also =") + CHANGE)

    assert "there are 4" in error.seen


def test_unequal_copies_are_shown_and_not_edited_unasked() -> None:
    image = scene(second=memory_block(tail=b"\x01" + bytes(range(1, 64))))

    with pytest.raises(CopiesDiffer) as caught:
        apply_edit(image, parse_edit(EDIT + CHANGE))
    assert "at 0x1000 and 0x5000 differ in their bytes 12 to 16, 528 to 529" in caught.value.seen
    assert "the checks of both are right" in caught.value.seen
    assert "copies_may_differ = true" in caught.value.next_step


def test_the_same_change_is_made_in_unequal_copies_and_their_difference_stays() -> None:
    other_tail = b"\x01" + bytes(range(1, 64))
    image = scene(second=memory_block(tail=other_tail))
    text = EDIT.replace("copies = 2", "copies = 2\ncopies_may_differ = true") + MEMORY

    assert apply_edit(image, parse_edit(text)).image == scene(
        memory_block(NEW.spd), memory_block(NEW.spd, tail=other_tail)
    )


PLACE = '\n[[place]]\nat = {at}\nexpect = "ff"\nnew = "00"\n'


def test_a_named_place_outside_every_block_is_changed() -> None:
    result = apply_edit(scene(), parse_edit("flashbench_edit = 1" + PLACE.format(at=64)))

    assert [(r.offset, r.length) for r in changed_ranges(scene(), result.image)] == [(64, 1)]


def test_a_place_beyond_the_image_is_refused() -> None:
    text = "flashbench_edit = 1" + PLACE.format(at=0x8000)

    assert "At 0x8000 (place) the edit file expects ff and the image holds nothing" in (
        refusal(scene(), text).seen
    )


def test_a_place_that_overlaps_a_change_of_a_block_is_refused() -> None:
    place = PLACE.format(at=COPIES[0] + 21).replace("ff", "1a")

    assert "Two changes overlap at 0x1015" in refusal(scene(), EDIT + CHANGE + place).seen


def test_a_place_on_a_stored_check_is_refused() -> None:
    stored = scene()[COPIES[0] + 12]
    place = PLACE.format(at=COPIES[0] + 12).replace('"ff"', f'"{stored:02x}"')

    assert "overlaps the stored check at 0x100c" in refusal(scene(), EDIT + CHANGE + place).seen


def test_a_right_check_elsewhere_that_the_edit_would_break_is_refused() -> None:
    image = bytearray(scene())
    image[-4:] = zlib.crc32(image[:-4]).to_bytes(4, "little")
    whole = Check(
        kind=CheckKind.CRC_32_ISO_HDLC,
        offset=len(image) - 4,
        order="little",
        covers=(Span(0, len(image) - 4),),
    )

    with pytest.raises(CheckFailed, match=r"It would break the check \(CRC-32/ISO-HDLC\) at 0x7ff"):
        apply_edit(bytes(image), parse_edit(EDIT + CHANGE), other_checks=[whole])


def test_an_edit_that_removes_the_signature_is_refused() -> None:
    change = '[[block.change]]\nat = 0\nexpect = "54"\nnew = "55"\n'

    assert "would no longer be recognised" in refusal(scene(), EDIT + change).seen


TARGET = [offset + i for offset in COPIES for i in range(BLOCK_BYTES)]


@settings(max_examples=300)
@given(st.sampled_from(TARGET), st.integers(1, 255), st.sampled_from([CHANGE, MEMORY]))
def test_any_single_byte_corruption_of_the_target_is_refused(
    place: int, flip: int, change: str
) -> None:
    image = bytearray(scene())
    image[place] ^= flip

    assert "The image was not changed" in refusal(bytes(image), EDIT + change).next_step


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("flashbench_edit = 1", "flashbench_edit = 2", "It is of form 2; form 1 is known"),
        ("copies = 2", "", "In block 1: it lacks the key copies"),
        ("copies = 2", "copies = 0", "copies: expected a whole number >= 1"),
        ("copies = 2", "copies = 2\ncolour = 1", "In block 1: there is no key colour"),
        ("at = 12", "at = 2000", "592 bytes long, and bytes 2000 to 2004 of it are meant"),
        ("CRC-32/ISO-HDLC", "CRC-99", "there is no such choice as 'CRC-99'"),
        ('expect = "15 1a"', 'expect = "15"', "expects 1 bytes and writes 2"),
        ('expect = "15 1a"', 'expect = "zz"', "'zz', is not written as hex pairs"),
        ("at = 20", "at = 14", "overlaps the stored check at byte 12"),
        ("at = 20", "at = 591", "bytes 591 to 593 of it are meant"),
        ("[[block.check]]", "no_check = true\n[[block.check]]", "must name its check, or say"),
        ('why = "density and rows"', CHANGE, "Two changes of memory table overlap"),
        ("[[block]]", "[[block", "It is not TOML: expected ']]'"),
    ],
)
def test_an_edit_file_that_cannot_be_meant_is_refused_with_a_sentence(
    old: str, new: str, complaint: str
) -> None:
    text = EDIT + CHANGE
    assert old in text

    with pytest.raises(
        CheckFailed, match=r"^No chip was involved.\nThe edit file cannot be used"
    ) as e:
        parse_edit(text.replace(old, new, 1))
    assert complaint in e.value.seen


def test_an_edit_file_without_changes_is_refused() -> None:
    with pytest.raises(CheckFailed, match="It changes nothing"):
        parse_edit(EDIT)


def test_a_block_without_a_check_pins_its_spd_content_by_hash() -> None:
    without = EDIT[: EDIT.index("[[block.check]]")] + "no_check = true\n" + MEMORY

    with pytest.raises(CheckFailed, match="must say expect_sha256"):
        parse_edit(without)
    pinned = without.replace("length = 512", f'length = 512\nexpect_sha256 = "{"0" * 64}"')
    held = hashlib.sha256(OLD.spd).hexdigest()
    assert f"has the SHA-256 {held}, and the edit file expects {'0' * 64}." in (
        refusal(scene(), pinned).seen
    )


@settings(max_examples=200)
@given(st.text(max_size=400))
def test_random_text_as_an_edit_file_never_crashes(text: str) -> None:
    with pytest.raises(CheckFailed):
        parse_edit(text)


@settings(max_examples=200)
@given(st.integers(0, len(EDIT + MEMORY) - 1), st.characters(max_codepoint=0x2FF))
def test_a_damaged_edit_file_never_crashes(place: int, letter: str) -> None:
    text = EDIT + MEMORY
    try:
        apply_edit(scene(), parse_edit(text[:place] + letter + text[place + 1 :]))
    except CheckFailed as refused:
        assert refused.next_step


@settings(max_examples=100)
@given(st.binary(max_size=2000))
def test_random_bytes_as_an_image_are_refused(image: bytes) -> None:
    refusal(image, EDIT + MEMORY)


def test_a_suggested_edit_file_makes_the_edit() -> None:
    package = parse_package(
        {
            "part": NEW.part,
            "type": NEW.type,
            "known_from": "datasheet",
            "attributes": NEW.attributes,
        }
    )
    blocks = found_blocks()
    record = find_records(scene())[0]

    text = suggest_edit(scene(), blocks[0], blocks=blocks, records=[record], package=package)

    result = apply_edit(scene(), parse_edit(text))
    assert result.image == scene(*2 * [memory_block(NEW.spd)])
    assert len(result.questions) == len(Unsaid)
    assert 'also = [{ at = 4, bytes = "03" }]' in text


def test_a_suggestion_without_a_package_says_what_is_missing() -> None:
    blocks = found_blocks()
    text = suggest_edit(scene(), blocks[0], blocks=blocks, records=find_records(scene())[:1])

    assert "# Memory record at byte 16 of the block: LPDDR5, 16 Gbit = 2 GB per package" in text
    with pytest.raises(WayNeeded) as refusal:
        apply_edit(scene(), parse_edit(text))
    assert "larger dies: 4: 15 > 16" in refusal.value.seen


def test_a_suggestion_for_an_ambiguous_check_chooses_none() -> None:
    block = found_block(COPIES[0])
    assert block.check is not None
    unclear = replace(block, alternatives=(replace(block.check, kind=CheckKind.ADLER_32),))

    text = suggest_edit(scene(), unclear, blocks=[unclear])

    assert "can be read in 2 ways" in text
    assert '#   kind = "Adler-32"' in text
    with pytest.raises(CheckFailed, match="must name its check"):
        parse_edit(text)


def test_the_example_of_the_documentation_works_on_the_practice_board() -> None:
    page = (Path(__file__).parents[2] / "flashbench" / "image" / "edit-files.md").read_text()
    example = page.partition("```toml\n")[2].partition("```")[0]
    image = demo_image()

    result = apply_edit(image, parse_edit(example))

    assert len(result.changes) == 2 * (1 + 6) + 1
    assert Unsaid.STRAPS not in result.questions
    assert Unsaid.STORED_TRAINING in result.questions
    assert "ranksPerChannel is known from the seller only" in result.doubts


def test_the_documentation_lists_every_kind_of_check() -> None:
    page = (Path(__file__).parents[2] / "flashbench" / "image" / "edit-files.md").read_text()

    assert {kind.value for kind in CheckKind} <= set(page.splitlines())


def test_what_a_stored_digest_covers_changes_only_with_the_digest() -> None:
    first = COPIES[0]
    covered = Span(first, first + BLOCK_BYTES)

    def stored(image: bytes) -> bytes:
        return hashlib.sha256(image[slice(*covered)]).digest()

    image = bytearray(scene())
    image[0x7000:0x7020] = stored(scene())
    digest = StoredDigest("SHA-256", 0x7000, covered)
    other = apply_edit(scene(), parse_edit(EDIT + CHANGE)).image

    with pytest.raises(CheckFailed, match="Then the SHA-256 of 0x1000 to 0x1250, stored at 0x7000"):
        apply_edit(bytes(image), parse_edit(EDIT + CHANGE), digests=[digest])
    place = f'[[place]]\nat = 0x7000\nexpect = "{stored(scene()).hex()}"\n'
    place += f'new = "{stored(other).hex()}"\n'
    made = apply_edit(bytes(image), parse_edit(EDIT + CHANGE + place), digests=[digest])
    assert made.image[0x7000:0x7020] == stored(made.image)


def test_a_suggestion_for_a_possible_block_says_that_it_may_be_chance() -> None:
    likely = found_blocks()[0]
    possible = replace(likely, confidence=Confidence.POSSIBLE)

    assert "may hold by chance" in suggest_edit(scene(), possible, blocks=[possible])
    assert "may hold by chance" not in suggest_edit(scene(), likely, blocks=[likely])


def test_a_suggestion_tells_blocks_apart_that_differ_behind_their_headers_only() -> None:
    image = bytearray(scene())
    for copy in COPIES:
        image[copy + BLOCK_BYTES : copy + 2 * BLOCK_BYTES] = sealed(3, bytes(512 + 64))
    record = find_records(bytes(image))[0]

    text = suggest_edit(
        bytes(image),
        found_blocks()[0],
        blocks=found_blocks(),
        records=[record],
        package=NEW.package(),
    )

    made = apply_edit(bytes(image), parse_edit(text))
    assert {made.image[copy + 16 : copy + 16 + 512] for copy in COPIES} == {NEW.spd}
    assert made.image[COPIES[0] + BLOCK_BYTES :][:BLOCK_BYTES] == sealed(3, bytes(512 + 64))
