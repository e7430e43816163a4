"""Images made to be slow: the work is a multiple of the image, and what is left out is said.

Work is counted (bytes summed, fed and read, pairs compared), never timed.
"""

import itertools
import random
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.errors import CheckFailed
from flashbench.image import (
    apply_edit,
    checks,
    comparison,
    copies,
    flat_device_tree,
    memory_records,
    unpacking,
)
from flashbench.image.checks import Check, CheckKind, Span, with_repaired
from flashbench.image.comparison import compare
from flashbench.image.comparison_text import render_comparison
from flashbench.image.copies import with_copies
from flashbench.image.edit_file import parse_edit
from flashbench.image.finds import Block, Confidence
from flashbench.image.firmware_volumes import VOLUMES_OVER_ONE, find_volumes
from flashbench.image.flat_device_tree import find_device_trees
from flashbench.image.inspection import inspect
from flashbench.image.known_blocks import find_known_blocks
from flashbench.image.memory_records import find_records
from flashbench.image.overlaps import DEPTH_MAX, Bounds, Covered, SpanIndex
from flashbench.image.stored_digests import find_stored_digests
from flashbench.image.suggest_edit import _places_telling
from flashbench.image.unpacking import unpack_all
from tests.builders import nests

SIZE = 1 << 16


class Summed:
    """Counts the bytes that checks run over."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count = 0
        covered = checks.covered_bytes

        def counted(data: bytes | bytearray, check: Check) -> bytes:
            told = covered(data, check)
            self.count += len(told)
            return told

        monkeypatch.setattr(checks, "covered_bytes", counted)


def table(length: int) -> bytes:
    """An ACPI table's header that claims `length` bytes."""
    head = b"SSDT" + struct.pack("<I", length) + b"\x01\x00MAKER \0\0TABLE\0" + bytes(4) + b"TOOL"
    return head.ljust(36, b"\0")


NESTS: list[Callable[[int], bytes]] = [
    nests.acpi,
    nests.processor_directories,
    nests.interrupt_tables,
    nests.interface_tables,
    nests.option_roms,
    nests.microcode,
    nests.partition_tables,
    nests.boot_images,
]


@pytest.mark.parametrize("nest", NESTS, ids=lambda nest: nest.__name__)
def test_of_blocks_over_one_another_so_many_are_summed_and_it_is_said(
    nest: Callable[[int], bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    image, bounds, summed = nest(SIZE), Bounds(), Summed(monkeypatch)

    find_known_blocks(image, bounds)

    # Some kinds have two checks, or a second reading of one.
    assert summed.count <= 2 * DEPTH_MAX * len(image)
    assert bounds.sentences


pieces = st.sampled_from(
    [
        b"$PSP" + bytes(4) + struct.pack("<I", 200),
        b"$PIR\0\0\xff\x7f",
        b"_FIT_   \x00\x02\x00\x00\x00\x01\x80\x00",
        b"\x55\xaa\x20" + bytes(21) + b"\x1a\x00PCIR",
        b"_MP_\0\0\0\0\xff\0\0\0",
        nests.volume_header(0x4000) + nests.firmware_file(0x2000),
        bytes(40),
    ]
)


@settings(max_examples=15, deadline=None)
@given(
    nest=st.lists(pieces | st.integers(36, 1 << 14).map(table), min_size=20, max_size=80),
    times=st.integers(1, 6),
)
def test_any_nest_is_summed_a_bounded_number_of_times(nest: list[bytes], times: int) -> None:
    image = (b"".join(nest) * times).ljust(1 << 14, b"\xff")
    with pytest.MonkeyPatch.context() as patched:
        summed = Summed(patched)

        find_known_blocks(image)
        find_volumes(image)

    kinds = 6
    headers = 0x1000 * image.count(b"_FVH")
    assert summed.count <= kinds * 2 * DEPTH_MAX * len(image) + headers


def test_a_table_behind_a_nest_is_still_found() -> None:
    image = nests.acpi(SIZE).replace(struct.pack("<I", 0x100), bytes(4))
    behind = table(36)

    found = find_known_blocks(image + bytes(nests.MIB) + behind)

    assert found[-1].span == (len(image) + nests.MIB, len(image) + nests.MIB + 36)


def test_an_ordinary_image_leaves_nothing_out() -> None:
    image, bounds = (bytes(4000) + table(36)) * 12 + nests.volume_header(0x1000), Bounds()

    blocks = with_copies(image, find_known_blocks(image, bounds), bounds)
    find_volumes(image, bounds)
    find_records(image, bounds)

    assert len(blocks) == 12
    assert bounds.sentences == ()


def test_volumes_over_one_another_are_read_so_many_times() -> None:
    bounds = Bounds()

    found = find_volumes(nests.volumes(SIZE), bounds)

    assert len(found) == VOLUMES_OVER_ONE
    (said,) = bounds.sentences
    assert said.startswith("not everything was looked at: of firmware volumes, ")


def test_trees_inside_trees_are_read_so_many_times(monkeypatch: pytest.MonkeyPatch) -> None:
    image, bounds, counts = nests.device_trees(SIZE), Bounds(), []
    tree: Any = flat_device_tree._tree

    def counted(*where: Any) -> Any:
        root, read = tree(*where)
        counts.append(read)
        return root, read

    monkeypatch.setattr(flat_device_tree, "_tree", counted)

    assert not list(find_device_trees(image, bounds))

    assert sum(counts) <= (flat_device_tree.READ_MAX + 1) * len(image)
    assert "of places like a device tree" in bounds.sentences[0]


def test_one_image_is_hashed_for_so_many_of_its_hashes() -> None:
    bounds = Bounds()

    (tree,) = find_device_trees(nests.trees_of_hashes(SIZE), bounds)

    assert len(tree.notes) <= 2 * flat_device_tree.HASHED_MAX + 2
    assert "of hashes in FIT images" in bounds.sentences[0]


def test_broken_streams_are_fed_so_many_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    image, bounds, fed = nests.zlib_streams(1 << 18), Bounds(), []

    class Counting:
        def __init__(self) -> None:
            self._inner = zlib.decompressobj()

        def __getattr__(self, name: str) -> Any:
            return getattr(self._inner, name)

        def decompress(self, data: bytes, max_length: int = 0) -> bytes:
            fed.append(len(data))
            return self._inner.decompress(data, max_length)

    forms = [form for form in unpacking._FORMS if form.name == "zlib"]
    zlib_form = unpacking._Form("zlib", forms[0].pattern, Counting)
    monkeypatch.setattr(unpacking, "_FORMS", (zlib_form,))
    monkeypatch.setattr(unpacking, "READ_MIN", 0)

    unpack_all(image, (), len, bounds)

    assert sum(fed) <= (unpacking.READ_TIMES + 1) * len(image)
    assert "compressed" in bounds.sentences[0]


def test_a_part_that_becomes_too_large_is_left_closed_and_that_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(unpacking, "UNPACKED_MIN", 1 << 16)
    monkeypatch.setattr(unpacking, "UNPACKED_TIMES", 1)

    found = inspect(bytes(100) + zlib.compress(bytes(1 << 18)) + bytes(100))

    assert found.packed == ()
    assert any("of compressed data too long to unpack, 1 more" in one for one in found.doubts)


def test_what_parts_in_parts_hold_is_bounded_for_all_of_them_together() -> None:
    crowd = b"".join(table(36) for _ in range(3000))
    image = b"".join(zlib.compress(crowd + struct.pack("<I", n)) for n in range(4))

    found = inspect(image)

    assert len(found.packed) == 4
    assert sum(len(one.blocks) for one in found.packed) == 4096
    assert any("in compressed data, ACPI tables" in one for one in found.doubts)


def test_places_like_memory_records_are_read_so_many_times(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(memory_records, "CANDIDATES_MAX", 100)
    bounds = Bounds()

    find_records(nests.memory_records(4 * 200 + 128), bounds)

    assert "places like an SPD content, 101 more" in bounds.sentences[0]


def test_one_digest_stored_everywhere_is_listed_so_many_times() -> None:
    bounds = Bounds()
    image = nests.stored_digests(1 << 17)
    spans = [Span(at, at + 36) for at in range(0, 36 * 1000, 36)]

    assert len(find_stored_digests(image, spans, bounds)) == 4096
    assert "of stored digests" in bounds.sentences[0]


def block(offset: int, length: int, name: str = "block") -> Block:
    return Block(
        offset=offset,
        length=length,
        signature=b"SIGN",
        name=name,
        confidence=Confidence.DOCUMENTED,
    )


def unlike_blocks(count: int, seed: int) -> tuple[bytes, list[Block]]:
    """Blocks of one shape, each with bytes of its own, a byte between."""
    rng = random.Random(seed)
    data = b"".join(b"SIGN" + rng.randbytes(28) + b"\x01" for _ in range(count))
    return data, [block(33 * n, 32) for n in range(count)]


def test_blocks_of_one_shape_are_compared_so_many_times(monkeypatch: pytest.MonkeyPatch) -> None:
    data, blocks = unlike_blocks(200, 1)
    monkeypatch.setattr(copies, "COMPARISONS_MIN", 0)
    bounds = Bounds()

    told = with_copies(data + data[:33], [*blocks, block(len(data), 32)], bounds)

    assert "of blocks that may be copies" in bounds.sentences[0]
    # Whatever is left out: an equal one is known without a comparison.
    assert told[-1].copy_of == 0


def test_boards_with_many_blocks_of_one_shape_are_paired_with_bounded_work(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(comparison, "COMPARISONS_MAX", 20)
    one = b"".join(bytes(200) + table(36)[:-4] + struct.pack("<I", n + 1) for n in range(12))
    two = b"".join(bytes(200) + table(36)[:-4] + struct.pack("<I", n + 91) for n in range(13))

    found = compare(one, two + bytes(100))

    assert "of blocks of one shape compared to pair them" in found.doubts[0]
    assert found.pairs == 12
    assert "Not everything was looked at" in render_comparison(found, sizes=(len(one), len(two)))


EDIT_OF_ZEROS = """
flashbench_edit = 1
[[block]]
name = "zeros"
signature = "00"
length = 4096
copies = 1
check = [{ kind = "sum-8", at = 8, order = "little", covers = [[16, 4096]] }]
change = [{ at = 20, expect = "00", new = "01" }]
"""


def test_an_edit_file_whose_block_could_be_anywhere_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(apply_edit, "WORK_MIN", 1 << 20)
    monkeypatch.setattr(apply_edit, "WORK_TIMES", 1)
    summed = Summed(monkeypatch)

    with pytest.raises(CheckFailed, match="too many places of this image to try all, those of"):
        apply_edit.apply_edit(bytes(SIZE), parse_edit(EDIT_OF_ZEROS))

    assert summed.count <= 1 << 20


def test_an_edit_file_that_asks_for_too_many_changes_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(apply_edit, "CHANGES_MAX", 3)
    text = EDIT_OF_ZEROS.replace("copies = 1", "copies = 4").replace("4096", "32")

    with pytest.raises(CheckFailed, match="asks for 4 changes in all copies; at most 3 are made"):
        apply_edit.apply_edit(bytes(35), parse_edit(text))


def nested_checks(count: int) -> tuple[Check, ...]:
    """Each covers the value of the one before."""
    return tuple(
        Check(
            kind=CheckKind.BYTE_SUM_16,
            offset=2 * n,
            order="little",
            covers=(Span(2 * n - 2, 2 * n),) if n else (Span(2 * count, 2 * count + 8),),
        )
        for n in range(count)
    )


def test_checks_over_checks_are_computed_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    summed = Summed(monkeypatch)
    chain = nested_checks(300)
    data = bytes(600) + bytes(range(8))

    repaired = with_repaired(data, chain[::-1])

    assert summed.count == 8 + 2 * 299
    assert all(checks.judged(repaired, check).holds for check in chain)


spans = st.tuples(st.integers(0, 60), st.integers(1, 20)).map(lambda s: Span(s[0], s[0] + s[1]))


@settings(max_examples=50, deadline=None)
@given(known=st.lists(spans, max_size=12), added=st.lists(spans, max_size=5), place=spans)
def test_covered_bytes_and_indexed_stretches_are_those_of_a_plain_search(
    known: list[Span], added: list[Span], place: Span
) -> None:
    covered = Covered(known)
    for span in added:
        covered.add(span)
    index = SpanIndex([*known, *added])

    every = list(enumerate([*known, *added]))
    assert covered.overlaps(place) == any(place.overlaps(span) for _, span in every)
    assert list(index.over(place)) == [n for n, span in every if span.overlaps(place)]
    assert index.around(place) == [n for n, span in every if span.contains(place)]


@settings(max_examples=30, deadline=None)
@given(candidates=st.lists(spans, max_size=80), depth=st.integers(1, 4))
def test_no_byte_lies_under_more_candidates_than_are_admitted(
    candidates: list[Span], depth: int
) -> None:
    bounds = Bounds()
    admission = bounds.admission("things", depth=depth)

    taken = [span for span in sorted(candidates) if admission.admits(*span)]

    deepest = max((sum(s.start <= at < s.end for s in taken) for at in range(90)), default=0)
    assert deepest <= depth
    left = len(candidates) - len(taken)
    assert bool(bounds.sentences) == bool(left)
    assert not left or f"of things, {left} more were left out" in bounds.sentences[0]


def telling_one_by_one(
    image: bytes, own: Sequence[Block], rivals: Sequence[Block], barred: Sequence[Span]
) -> Iterator[int]:
    """The plain way: place after place, as long as there are rivals."""
    first, left = own[0], list(rivals)
    for at in range(len(first.signature), first.length):
        value = image[first.offset + at]
        apart = [other for other in left if image[other.offset + at] != value]
        free = not any(span.start <= at < span.end for span in barred)
        if apart and free and all(image[copy.offset + at] == value for copy in own):
            yield at
            left = [other for other in left if other not in apart]


@settings(max_examples=40, deadline=None)
@given(data=st.binary(min_size=12, max_size=12), rest=st.lists(st.binary(min_size=12, max_size=12)))
def test_blocks_are_told_apart_by_the_places_that_one_by_one_would_give(
    data: bytes, rest: list[bytes]
) -> None:
    few = bytes.maketrans(bytes(range(256)), bytes(n % 3 for n in range(256)))
    image = b"".join(itertools.chain([data], rest)).translate(few)
    blocks = [block(12 * n, 12) for n in range(len(rest) + 1)]
    barred = [Span(6, 8)]

    told = _places_telling(image, blocks[:1], blocks[1:], barred)

    assert told == list(telling_one_by_one(image, blocks[:1], blocks[1:], barred))
