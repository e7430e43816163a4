"""Hashing and comparing while a read is on the wire: the same result, on another thread."""

import hashlib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from threading import Event, get_ident
from typing import Any
from unittest.mock import Mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flashbench as fb
from flashbench.chip.profile import Address
from flashbench.safe_write._following import Comparison, Digest, Following
from flashbench.safe_write.comparison import compare
from flashbench.safe_write.plan import _NewImage
from tests.builders.bench import SMALL, Board, edited


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


@given(st.binary(min_size=1, max_size=300), st.binary(min_size=300, max_size=300))
def test_a_comparison_counts_what_differs_and_says_where_first(data: bytes, other: bytes) -> None:
    """In parts that arrive in any order, as those of a read that wraps do."""
    read = other[: len(data)]
    wrong = [at for at, (one, two) in enumerate(zip(data, read, strict=True)) if one != two]
    half = len(data) // 2
    comparison = Comparison(data)
    comparison.work(Address(half), memoryview(read)[half:])
    comparison.work(Address(0), memoryview(read)[:half])

    assert comparison.differing_bytes == len(wrong)
    assert comparison.first_difference == (wrong[0] if wrong else None)
    assert comparison.equal == (not wrong)


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


class Overlap:
    """Holds a read up at its middle until what arrived before has been worked on.

    So a reader that begins its work when the read is over never comes to its end.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.worked = {kind: Event() for kind in (Digest, Comparison)}
        self.held_up: list[str] = []
        for kind, event in self.worked.items():
            monkeypatch.setattr(kind, "work", _telling(kind.work, event))

    def progress(self, step: str, done: int, total: int, left_s: float | None) -> None:
        if done == total or done < total // 2 or step == "writing" or step in self.held_up:
            return
        self.held_up.append(step)
        for kind in _WORK_DONE_IN[step]:
            assert self.worked[kind].wait(10), f"{kind.__name__} waits for the end of: {step}"
        for event in self.worked.values():
            event.clear()


_WORK_DONE_IN: dict[str, list[type[Digest] | type[Comparison]]] = {
    "first read": [Digest],
    "second read": [Comparison],
    "read before writing": [Digest, Comparison],
    "verify": [Digest, Comparison],
}


def _telling(work: Callable[[Any, Address, memoryview], None], done: Event) -> Any:
    def told(self: Any, start: Address, part: memoryview) -> None:
        work(self, start, part)
        done.set()

    return told


def test_every_whole_read_is_worked_on_while_the_wire_is_still_busy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    overlap = Overlap(monkeypatch)
    board = Board(SMALL)
    with board.visit() as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip, progress=overlap.progress), job)
            image = edited(board.original, (0x5000, b"\xff" * 16))
            plan = fb.plan_rewrite(chip, backup, image, progress=overlap.progress)
            proof = fb.verify(fb.rewrite(plan), progress=overlap.progress)
            written = overlap.held_up[:]
            overlap.held_up.clear()
            held = compare(chip, job, progress=overlap.progress)

    assert written == ["first read", "second read", "read before writing", "verify"]
    assert overlap.held_up == ["verify"]
    assert proof.sha256 == held.sha256 == hashlib.sha256(image).hexdigest()
    assert held.equals == "image 1"


def test_the_hash_of_the_new_image_is_made_by_another_thread(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    makers: list[int] = []
    whole_prepare = _NewImage.prepare

    def noted(self: _NewImage) -> None:
        makers.append(get_ident())
        whole_prepare(self)

    monkeypatch.setattr(_NewImage, "prepare", noted)
    board = Board(SMALL)
    with board.visit() as visit:
        chip = visit.identify()
        with fb.Job.create(tmp_path / "job", chip) as job:
            backup = fb.back_up(fb.read_twice(chip), job)
            image = edited(board.original, (0x5000, b"\xff" * 16))
            plan = fb.plan_rewrite(chip, backup, image)

    assert len(makers) == 1 and makers[0] != get_ident()
    assert plan.target_sha256 == hashlib.sha256(image).hexdigest()
