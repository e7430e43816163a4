"""The practice board's image, read by code that shares nothing with it."""

import re
import tomllib
import zlib
from collections import Counter

import pytest

from flashbench.image.apply_edit import apply_edit
from flashbench.image.change_sheet import changed_ranges
from flashbench.image.checks import Check, CheckKind, Span
from flashbench.image.edit_file import parse_edit
from flashbench.image.finds import Block, Confidence
from flashbench.image.memory_edit import compute_edit
from flashbench.image.memory_package import parse_package
from flashbench.image.memory_records import find_records
from flashbench.image.strap_table import already_described, choose_row, find_strap_tables
from flashbench.image.suggest_edit import suggest_edit
from flashbench.rehearsal.demo_board import (
    BLOCK_SIGNATURE,
    DEMO,
    GROUP_OFFSETS,
    IMAGE_BYTES,
    demo_edited_image,
    demo_image,
)
from tests.image.spd_data import entry


def test_the_image_depends_on_the_seed_alone() -> None:
    assert len(demo_image()) == IMAGE_BYTES
    assert demo_image(seed=3) == demo_image(seed=3)
    assert demo_image(seed=3) != demo_image(seed=4)


def test_the_rows_are_the_contents_that_public_part_lists_hold() -> None:
    """Byte for byte, against tests/data/spd (source in its README)."""
    image = demo_image()
    records = find_records(image)
    parts = [
        "MT62F1G32D4DR-031 WT:B",
        "K3KL6L60GM-MGCT",
        "MT62F512M32D2DR-031 WT:B",
        "H58G66BK8BX067",
        "H58G66AK6BX070",
        "MT62F2G32D8DR-031 WT:B",
    ]

    assert len(records) == 2 * len(parts)
    for record, part in zip(records, 2 * parts, strict=True):
        assert image[record.offset : record.end] == entry(part, "lp5/set-0").spd


def test_every_private_block_holds_a_crc_of_itself_with_its_field_as_zero() -> None:
    image = demo_image()
    for group in GROUP_OFFSETS:
        start, kinds = group, []
        while image[start : start + 4] == BLOCK_SIGNATURE:
            length = int.from_bytes(image[start + 8 : start + 12], "little")
            block = image[start : start + length]
            stored = int.from_bytes(block[12:16], "little")
            assert zlib.crc32(block[:12] + bytes(4) + block[16:]) == stored
            kinds.append(block[4])
            start += length
        assert kinds == [1, 2, 3, 4, 5]


def test_the_volume_headers_sum_to_zero() -> None:
    """UEFI PI specification, volume 3: 16-bit words of the header."""
    image = demo_image()
    found = [m.start() - 40 for m in re.finditer(b"_FVH", image)]

    assert len(found) == 2
    for start in found:
        length = int.from_bytes(image[start + 48 : start + 50], "little")
        words = [
            int.from_bytes(image[i : i + 2], "little") for i in range(start, start + length, 2)
        ]
        assert sum(words) % 0x10000 == 0


def test_network_addresses_are_those_for_documentation() -> None:
    addresses = re.findall(rb"(?:[0-9A-F]{2}-){5}[0-9A-F]{2}", demo_image())

    assert len(addresses) == 6
    assert all(address.startswith(b"00-00-5E-00-53-") for address in addresses)


def test_the_edited_image_changes_the_chosen_row_and_the_crc_of_both_tables() -> None:
    image = demo_image()
    edited = demo_edited_image(image)
    records = find_records(image)
    chosen = [records[2], records[8]]

    per_row = Counter(
        next((r.offset for r in chosen if r.offset <= c.offset < r.end), None)
        for c in changed_ranges(image, edited)
        for _ in range(c.length)
    )
    new = entry(DEMO.new_part, "lp5/set-0").spd
    assert all(edited[r.offset : r.end] == new for r in chosen)
    assert [per_row[r.offset] for r in chosen] == [6, 6]
    assert 0 < per_row[None] <= 8


def test_an_image_of_another_board_is_not_edited() -> None:
    with pytest.raises(ValueError, match="not the image of a practice board"):
        demo_edited_image(bytes(IMAGE_BYTES))


def test_the_facts_name_packages_that_the_rows_hold() -> None:
    old = parse_package(tomllib.loads(DEMO.old_package_toml))
    new = parse_package(tomllib.loads(DEMO.new_package_toml))
    row = entry(DEMO.old_part, "lp5/set-0").spd

    assert old.capacity_gbit * 2 == new.capacity_gbit == 32
    assert compute_edit(row, old).changes == ()
    assert compute_edit(row, new).new_content == entry(DEMO.new_part, "lp5/set-0").spd


def test_a_suggested_edit_file_makes_the_edit_that_the_scene_makes_by_itself() -> None:
    """Two codes that share nothing arrive at the same 16 MiB."""
    image = demo_image()
    records = find_records(image)
    package = parse_package(tomllib.loads(DEMO.new_package_toml))
    old = parse_package(tomllib.loads(DEMO.old_package_toml))
    (table,) = find_strap_tables(image, records)
    choice = choose_row(image, table, was=old, straps=DEMO.straps)
    assert choice.the_row is not None
    assert choice.the_row.record is not None
    blocks = [
        memory_table_block(image, group, copy_of=GROUP_OFFSETS[0] if i else None)
        for i, group in enumerate(GROUP_OFFSETS)
    ]

    text = suggest_edit(
        image, blocks[0], blocks=blocks, records=[choice.the_row.record], package=package
    )

    assert already_described(image, table, package) is None
    assert apply_edit(image, parse_edit(text)).image == demo_edited_image(image)


def memory_table_block(image: bytes, group: int, *, copy_of: int | None) -> Block:
    """The third block of a group, as a finder would report it."""
    start, starts = group, []
    while image[start : start + 4] == BLOCK_SIGNATURE:
        starts.append(start)
        start += int.from_bytes(image[start + 8 : start + 12], "little")
    offset, end = starts[2], starts[3]
    return Block(
        offset=offset,
        length=end - offset,
        signature=BLOCK_SIGNATURE,
        name="memory table",
        confidence=Confidence.FOUND,
        check=Check(
            kind=CheckKind.CRC_32_ISO_HDLC,
            offset=offset + 12,
            order="little",
            covers=(Span(offset, end),),
            zeroed=(Span(offset + 12, offset + 16),),
        ),
        copy_of=None if copy_of is None else copy_of + offset - group,
    )
