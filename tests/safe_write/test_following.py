"""Hashing and comparing while a read is on the wire: the same result, on another thread."""

import hashlib
from itertools import pairwise
from threading import get_ident
from unittest.mock import Mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flashbench as fb
from flashbench.chip.profile import Address
from flashbench.rehearsal import in_memory_bench
from flashbench.safe_write._following import Comparison, Digest, Following
from tests.builders.bench import SMALL, firmware


@given(st.binary(max_size=2000), st.lists(st.integers(0, 2000), max_size=6))
def test_a_digest_of_parts_is_the_digest_of_the_whole(data: bytes, cuts: list[int]) -> None:
    digest = Digest()
    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    with Following(digest.work) as following:
        for start, end in pairwise(edges):
            following.arriving(Address(start), memoryview(data)[start:end])

    assert digest.sha256 == hashlib.sha256(data).hexdigest()


def test_a_digest_of_bytes_out_of_order_is_refused() -> None:
    with (
        pytest.raises(ValueError, match="0x10 after 0x0"),
        Following(Digest().work) as following,
    ):
        following.arriving(Address(16), memoryview(b"late"))


@given(st.binary(min_size=1, max_size=300), st.integers(0, 299), st.integers(0, 300))
def test_a_comparison_finds_any_one_wrong_byte(data: bytes, at: int, cut: int) -> None:
    """The read begins at `cut` and wraps, as a second read does."""
    cut, at = cut % len(data), at % len(data)
    wrong = bytearray(data)
    wrong[at] ^= 0x10
    for read, equal in ((data, True), (bytes(wrong), False)):
        comparison = Comparison(data)
        with Following(comparison.work) as following:
            following.arriving(Address(cut), memoryview(read)[cut:])
            following.arriving(Address(0), memoryview(read)[:cut])
        assert comparison.equal == equal


def test_a_read_that_ended_early_equals_nothing() -> None:
    comparison = Comparison(b"abcd")
    comparison.work(Address(0), memoryview(b"abc"))

    assert not comparison.equal


def test_the_reading_thread_does_not_do_the_work() -> None:
    seen = []
    with Following(lambda start, part: seen.append(get_ident())) as following:
        following.arriving(Address(0), memoryview(b"x"))

    assert seen and seen[0] != get_ident()


def test_an_error_of_the_read_is_not_hidden_by_one_of_the_work() -> None:
    work = Mock(side_effect=ValueError("the work"))
    with pytest.raises(OSError, match="the read"), Following(work) as following:
        following.arriving(Address(0), memoryview(b"x"))
        raise OSError("the read")


def test_two_reads_are_hashed_and_compared_before_the_second_is_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All but the last stretch are worked on while others are still to come."""
    contents = firmware(1 << 20)
    whole_work, parts = Digest.work, []

    def counted(self: Digest, start: Address, part: memoryview) -> None:
        parts.append(len(part))
        whole_work(self, start, part)

    monkeypatch.setattr(Digest, "work", counted)
    with (
        in_memory_bench(part=SMALL, contents=contents) as bench,
        fb.open_adapter(bench.device, clock_hz=30_000_000, time=bench.time) as adapter,
    ):
        read = fb.read_twice(fb.identify(adapter, supply_volts=1.8))

    assert len(parts) >= 4, "a MiB arrives in four requests"
    assert read.sha256 == hashlib.sha256(contents).hexdigest()
