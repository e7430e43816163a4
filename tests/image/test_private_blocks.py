"""Blocks that nobody documented: what is found, and above all what is not claimed."""

import random
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flashbench.image.checks import CheckState
from flashbench.image.finds import Block, Confidence, repair_check
from flashbench.image.private_blocks import find_private_blocks
from tests.builders.boards import OVMF, board
from tests.image.edit_scene import BLOCK_BYTES, COPIES, scene
from tests.image.seeds import tally

OVMF_IMAGES = sorted(path for path in OVMF.glob("*.fd") if not path.is_symlink())
needs_ovmf = pytest.mark.skipif(not OVMF_IMAGES, reason="the ovmf package is not installed")


def crc_block(rng: random.Random, size: int, *, signature: bytes = b"QzB7") -> bytes:
    """Signature, u16 length of the whole, CRC-32 with its field as zero, payload."""
    head = signature + size.to_bytes(2, "little") + b"\x01\x00"
    payload = rng.randbytes(size - 12)
    crc = zlib.crc32(head + bytes(4) + payload)
    return head + crc.to_bytes(4, "little") + payload


def sure(data: bytes) -> list[Block]:
    return [block for block in find_private_blocks(data) if block.confidence is Confidence.FOUND]


def image_with(*pieces: tuple[int, bytes], size: int = 1 << 16, seed: int = 1) -> bytes:
    image = bytearray(random.Random(seed).randbytes(size))
    for at, piece in pieces:
        image[at : at + len(piece)] = piece
    return bytes(image)


def test_three_blocks_in_a_row_are_found_with_their_check() -> None:
    rng = random.Random(2)
    row = [crc_block(rng, size) for size in (100, 64, 300)]

    found = sure(image_with((5000, b"".join(row))))

    assert [(block.offset, block.length) for block in found] == [
        (5000, 100),
        (5100, 64),
        (5164, 300),
    ]
    assert {block.signature for block in found} == {b"QzB7"}
    assert {block.check.kind.value for block in found if block.check} == {"CRC-32/ISO-HDLC"}
    assert [block.check.offset for block in found if block.check] == [5008, 5108, 5172]
    assert not any(block.ambiguous for block in found)


def test_one_block_that_occurs_once_is_not_claimed() -> None:
    found = find_private_blocks(image_with((5000, crc_block(random.Random(3), 200))))

    assert not [block for block in found if block.confidence is Confidence.FOUND]


def test_the_second_copy_is_told_from_the_first() -> None:
    block = crc_block(random.Random(4), 200)

    found = sure(image_with((4096, block), (32768, block)))

    assert [(one.offset, one.copy_of, one.unequal) for one in found] == [
        (4096, None, ()),
        (32768, 4096, ()),
    ]


def test_copies_that_differ_say_where_and_which_check_is_right() -> None:
    rng = random.Random(5)
    row = b"".join(crc_block(rng, size) for size in (100, 64, 300))
    damaged = bytearray(row)
    damaged[250] ^= 0x40

    found = sure(image_with((4096, row), (32768, bytes(damaged))))

    third = found[-1]
    assert len(found) == 6
    assert third.copy_of == 4096 + 164
    assert third.unequal == ((32768 + 250, 32768 + 251),)
    states = [block.check.state for block in found if block.check]
    assert states == [CheckState.RIGHT] * 5 + [CheckState.WRONG]


def test_rows_of_unlike_length_are_no_copies_but_their_equal_blocks_are() -> None:
    rng = random.Random(15)
    blocks = [crc_block(rng, size) for size in (100, 64, 300, 88)]

    found = sure(image_with((4096, b"".join(blocks)), (32768, b"".join(blocks[1:]))))

    assert [block.copy_of for block in found] == [None] * 4 + [4196, 4260, 4560]


def test_a_length_that_leads_out_of_the_image_makes_no_block() -> None:
    rng = random.Random(16)
    row = b"".join(crc_block(rng, size) for size in (100, 64, 300))
    image = image_with((65536 - len(row) - 12, row))

    assert all(block.span.end <= len(image) for block in find_private_blocks(image))


def test_an_ambiguous_check_is_not_repaired_by_guess() -> None:
    rng = random.Random(6)
    row = b""
    for size in (80, 96, 120, 64):
        block = bytearray(b"QzB7" + size.to_bytes(2, "little") + rng.randbytes(size - 6))
        block[9] = (block[9] - sum(block)) % 256
        row += block
    image = image_with((4096, row))

    found = sure(image)

    assert len(found) == 4
    assert all(block.ambiguous for block in found)
    first = found[0]
    assert first.check is not None
    readings = [first.check, *first.alternatives]
    assert {reading.kind.value for reading in readings} == {"zero-sum-8"}
    assert 4096 + 9 in {reading.offset for reading in readings}
    with pytest.raises(ValueError, match=r"can be read in \d+ ways"):
        repair_check(image, first)


def test_a_repaired_block_is_right_again_and_nothing_else_changed() -> None:
    rng = random.Random(7)
    row = b"".join(crc_block(rng, size) for size in (100, 64, 300))
    image = image_with((4096, row))
    block = sure(image)[1]
    edited = bytearray(image)
    edited[block.offset + 40] ^= 0x81

    repaired = repair_check(bytes(edited), block)

    assert block.check is not None
    changed = {at for at in range(len(image)) if repaired[at] != edited[at]}
    assert changed <= set(range(block.check.field.start, block.check.field.end))
    inner = repaired[block.offset : block.offset + 64]
    assert zlib.crc32(inner[:8] + bytes(4) + inner[12:]).to_bytes(4, "little") == inner[8:12]


def test_known_stretches_are_left_out() -> None:
    rng = random.Random(8)
    row = b"".join(crc_block(rng, size) for size in (100, 64, 300))
    image = image_with((4096, row))
    spans = [block.span for block in sure(image)]
    assert len(spans) == 3

    assert find_private_blocks(image, known=spans) == ()


@needs_ovmf
@pytest.mark.parametrize("path", OVMF_IMAGES, ids=lambda path: path.name)
def test_no_private_block_is_claimed_in_real_firmware(path: Path) -> None:
    assert sure(path.read_bytes()) == []


@pytest.mark.parametrize("seed", range(3))
def test_no_private_block_is_claimed_in_random_data(seed: int) -> None:
    assert find_private_blocks(random.Random(seed).randbytes(1 << 20)) == ()


def test_nearly_all_planted_blocks_are_found_and_none_is_invented() -> None:
    """The quick form; `python -m tests.image.seeds` does 500 larger boards."""
    total = tally(range(1000, 1040), size=1 << 16)

    assert total.planted > 300
    assert total.false_claims == 0, total.lines
    assert total.share_found >= 0.97, total.lines


def test_boards_of_one_seed_are_equal_and_of_two_are_not() -> None:
    assert board(9, size=1 << 16) == board(9, size=1 << 16)
    assert board(9, size=1 << 16).image != board(10, size=1 << 16).image


def test_every_block_of_a_board_keeps_its_own_check() -> None:
    """The builder itself, by a rule written out here: CRC-32 over the block, field zeroed."""
    boards = [board(seed, size=1 << 16) for seed in range(200)]
    chosen = [
        one
        for one in boards
        if one.layout.check_kind == "CRC-32/ISO-HDLC" and one.layout.check_field == "zeroed"
    ]

    assert chosen
    for one in chosen:
        for planted in one.blocks:
            block = bytearray(one.image[planted.offset : planted.offset + planted.length])
            at = planted.check_offset - planted.offset
            stored = int.from_bytes(block[at : at + 4], one.layout.check_order)
            block[at : at + 4] = bytes(4)
            assert zlib.crc32(block) == stored


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(
    pieces=st.lists(
        st.one_of(
            st.binary(min_size=1, max_size=60),
            st.tuples(st.binary(min_size=1, max_size=8), st.integers(1, 60)).map(
                lambda pair: pair[0] * pair[1]
            ),
        ),
        max_size=20,
    )
)
def test_any_bytes_are_survived(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    for block in find_private_blocks(data):
        assert 0 <= block.offset < block.span.end <= len(data)


def test_blocks_that_are_mostly_blank_are_no_copies_of_one_another() -> None:
    """Two blocks of one length, mostly blank, in a row that lies twice in the image."""
    blocks = find_private_blocks(scene())

    first, second = COPIES
    assert {block.offset: block.copy_of for block in blocks} == {
        first: None,
        first + BLOCK_BYTES: None,
        second: first,
        second + BLOCK_BYTES: first + BLOCK_BYTES,
    }
