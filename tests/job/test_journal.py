"""The journal: what it notices, what it forgives, when it syncs, what it remembers."""

import hashlib
import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.job.disk import Disk
from flashbench.job.journal import (
    EMPTY_HEAD,
    LINE_BYTES_MAX,
    Head,
    Journal,
    Line,
    LineRefused,
    decode_head,
    encode_head,
    encode_line,
    read_journal,
    verify,
)
from flashbench.job.refusals import JobDamaged
from tests.builders.disk import DiskFault, Does, FaultyDisk
from tests.builders.job import Calendar

AT = "2026-01-02T03:04:05.000+00:00"


def chain(count: int) -> tuple[bytes, Head, list[Line]]:
    """A whole journal of `count` lines, its head, and the lines."""
    data, last, lines = b"", None, []
    for n in range(count):
        last, line = encode_line("unit-proven", {"start": n, "size": 1}, at=AT, after=last)
        data += line
        lines.append(last)
    return data, Head(count=count, sha256=lines[-1].sha256) if lines else EMPTY_HEAD, lines


def test_a_line_is_json_that_any_program_can_check() -> None:
    data, _, _ = chain(2)
    first, second = data.splitlines()
    body = first[: first.index(b',"sha256"')]

    assert json.loads(first)["facts"] == {"start": 0, "size": 1}
    assert json.loads(first)["sha256"] == hashlib.sha256(body).hexdigest()
    assert json.loads(second)["prev"] == json.loads(first)["sha256"]


def test_a_line_has_the_bytes_that_its_hash_was_always_taken_of() -> None:
    """As hashed by `sha256sum`: a line that is written in another way is still the same JSON."""
    _, line = encode_line("note", {"text": "ä", "hours": [1, None]}, at=AT, after=None)

    body = (
        '{"n":1,"at":"2026-01-02T03:04:05.000+00:00","kind":"note",'
        r'"facts":{"text":"\u00e4","hours":[1,null]},'
        f'"prev":"{"0" * 64}"'
    )
    assert line.decode() == f'{body},"sha256":"{hashlib.sha256(body.encode()).hexdigest()}"}}\n'


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(min_size=1, max_size=8),
            st.dictionaries(
                st.text(max_size=6),
                st.one_of(st.integers(-(2**63), 2**63 - 1), st.text(), st.none(), st.booleans()),
                max_size=3,
            ),
        ),
        max_size=4,
    )
)
def test_what_was_encoded_is_read_back(content: list[tuple[str, dict[str, object]]]) -> None:
    data, last = b"", None
    for kind, facts in content:
        last, line = encode_line(kind, facts, at=AT, after=last)
        data += line
    head = Head(count=last.n, sha256=last.sha256) if last else EMPTY_HEAD

    found = verify(data, head)

    assert [(line.kind, line.facts) for line in found.lines] == content
    assert found.torn_bytes == 0


def test_every_changed_byte_of_a_closed_journal_is_noticed() -> None:
    data, head, _ = chain(4)
    for at in range(len(data)):
        for flip in (0x01, 0x20, 0x80):
            changed = data[:at] + bytes([data[at] ^ flip]) + data[at + 1 :]
            with pytest.raises(JobDamaged, match=r"journal\.jsonl is damaged"):
                verify(changed, head)


def test_every_cut_of_a_closed_journal_is_noticed() -> None:
    data, head, _ = chain(4)
    for size in range(len(data)):
        with pytest.raises(JobDamaged, match="4 lines were written, and only the first"):
            verify(data[:size], head)


def test_reordered_missing_and_repeated_lines_are_noticed() -> None:
    data, head, _ = chain(4)
    a, b, c, d = data.splitlines(keepends=True)
    for wrong in (b + a + c + d, a + c + b + d, a + b + d, b + c + d, a + a + b + c, a + b + c + c):
        with pytest.raises(JobDamaged, match=r"journal\.jsonl is damaged"):
            verify(wrong, head)


def test_another_journal_of_the_same_length_is_noticed_by_the_head() -> None:
    data, _, _ = chain(3)
    line, other = encode_line("x", {}, at=AT, after=None)
    _, head, _ = chain(1)

    with pytest.raises(JobDamaged, match="contradict each other at line 1"):
        verify(other, head)
    assert verify(data, Head(count=0, sha256="0" * 64)).lines[0].n == line.n


@given(st.integers(0, 3), st.data())
def test_a_torn_end_that_the_head_does_not_cover_is_ignored(
    covered: int, data: st.DataObject
) -> None:
    whole, _, lines = chain(4)
    ends = [0, *(match.end() for match in re.finditer(b"\n", whole))]
    size = data.draw(st.integers(ends[covered], len(whole)))
    head = Head(count=covered, sha256=lines[covered - 1].sha256) if covered else EMPTY_HEAD

    found = verify(whole[:size], head)

    assert len(found.lines) == sum(end <= size for end in ends[1:])
    assert found.size + found.torn_bytes == size


def test_zeros_where_the_medium_never_got_a_page_are_ignored() -> None:
    whole, _, lines = chain(4)
    end_of_two = whole.index(b"\n", whole.index(b"\n") + 1) + 1
    head = Head(count=2, sha256=lines[1].sha256)

    found = verify(whole[:end_of_two] + bytes(50) + whole[end_of_two + 50 :], head)

    assert [line.n for line in found.lines] == [1, 2]
    assert found.torn_bytes == len(whole) - end_of_two


def test_every_changed_byte_of_the_head_is_noticed() -> None:
    data, head, _ = chain(12)
    good = encode_head(head)
    for at in range(len(good)):
        for value in range(256):
            if value == good[at]:
                continue
            changed = decode_head(good[:at] + bytes([value]) + good[at + 1 :])
            if changed is not None:
                with pytest.raises(JobDamaged):
                    verify(data, changed)
    assert decode_head(good) == head


@pytest.mark.parametrize(
    "bad",
    [b"", b"{}", b"[]", b"{" * 300, b'{"count":-1,"sha256":""}\n', b'{"count":1e3,"sha256":"0"}\n'],
)
def test_what_is_no_head_is_damaged(bad: bytes, tmp_path: Path) -> None:
    Journal.create(Disk(), tmp_path, now=Calendar()).close()
    (tmp_path / "journal.head").write_bytes(bad)

    with pytest.raises(JobDamaged, match=r"journal\.head (in .* is not what was saved|is damaged)"):
        read_journal(Disk(), tmp_path)


def a_journal(root: Path) -> tuple[Journal, FaultyDisk, Calendar]:
    disk, calendar = FaultyDisk(root), Calendar()
    return Journal.create(disk, root, now=calendar), disk, calendar


def syncs(disk: FaultyDisk) -> int:
    return disk.operations.count("sync")


def test_lines_that_can_wait_are_synced_at_most_once_a_second(tmp_path: Path) -> None:
    lines, disk, calendar = a_journal(tmp_path)
    before = syncs(disk)
    for n in range(40):
        lines.append("unit-proven", {"n": n}, sync=False)
        calendar.advance(0.1)

    # Each sync is one of the journal and one of its head.
    assert (syncs(disk) - before) // 2 == 3

    lines.flush()
    assert (syncs(disk) - before) // 2 == 4
    assert len(read_journal(disk, tmp_path).lines) == 40


def test_a_calendar_set_back_does_not_put_syncs_off(tmp_path: Path) -> None:
    lines, disk, calendar = a_journal(tmp_path)
    calendar.advance(-3600)
    before = syncs(disk)

    lines.append("unit-proven", {}, sync=False)

    assert syncs(disk) > before


def test_a_torn_end_is_cut_off_before_the_next_line(tmp_path: Path) -> None:
    lines, disk, calendar = a_journal(tmp_path)
    lines.append("a", {}, sync=True)
    lines.close()
    with (tmp_path / "journal.jsonl").open("ab") as file:
        file.write(b'{"n":2,"at')

    again = Journal.open(disk, tmp_path, now=calendar)
    again.append("b", {}, sync=True)
    again.close()

    assert [line.kind for line in read_journal(disk, tmp_path).lines] == ["a", "b"]
    assert read_journal(disk, tmp_path).torn_bytes == 0


@pytest.mark.parametrize("does", [Does.FAIL, Does.FULL])
@pytest.mark.parametrize("operation", ["write", "sync"])
def test_a_line_its_writer_was_told_had_failed_is_not_in_the_file(
    tmp_path: Path, does: Does, operation: str
) -> None:
    lines, disk, _ = a_journal(tmp_path)
    lines.append("a", {}, sync=True)
    after = {"write": 1, "sync": 2}[operation]
    disk.fault = DiskFault(at=len(disk.operations) + after, does=does)

    with pytest.raises(OSError, match="refuse it"):
        lines.append("b", {}, sync=True)

    # At once, because the process may end here.
    assert operation in disk.operations[-4:]
    left = read_journal(disk, tmp_path)
    assert ([line.kind for line in left.lines], left.torn_bytes) == (["a"], 0)
    lines.append("c", {}, sync=True)
    assert [line.kind for line in read_journal(disk, tmp_path).lines] == ["a", "c"]


def test_closing_puts_every_line_under_the_head(tmp_path: Path) -> None:
    lines, disk, _ = a_journal(tmp_path)
    lines.append("a", {}, sync=False)
    assert read_journal(disk, tmp_path).head.count == 0

    lines.close()

    assert read_journal(disk, tmp_path).head.count == 1


def test_lines_a_killed_process_left_beyond_the_head_are_covered_by_the_next_one(
    tmp_path: Path,
) -> None:
    lines, disk, calendar = a_journal(tmp_path)
    lines.append("a", {}, sync=True)
    lines.append("b", {}, sync=False)
    disk.end_process()
    disk = FaultyDisk(tmp_path)
    assert read_journal(disk, tmp_path).head.count == 1

    Journal.open(disk, tmp_path, now=calendar).close()

    assert read_journal(disk, tmp_path).head.count == 2


def test_after_a_failed_sync_the_lines_are_written_again_and_not_only_synced(
    tmp_path: Path,
) -> None:
    lines, disk, _ = a_journal(tmp_path)
    lines.append("a", {}, sync=True)
    disk.fault = DiskFault(at=len(disk.operations) + 2, does=Does.FAIL)  # write, then sync

    lines.append_or_remember("b", {}, sync=True)

    assert disk.operations[-1] == "sync"
    assert lines.failure is not None
    seen = len(disk.operations)
    lines.append_or_remember("c", {}, sync=True)
    assert disk.operations[seen : seen + 3] == ["truncate", "write", "sync"]
    assert lines.failure is None
    assert [line.kind for line in read_journal(disk, tmp_path).lines] == ["a", "b", "c"]


def test_a_disk_that_keeps_refusing_is_asked_once_a_second(tmp_path: Path) -> None:
    lines, disk, calendar = a_journal(tmp_path)
    lines.append("a", {}, sync=True)
    disk.fault = DiskFault(at=len(disk.operations) + 1, does=Does.FAIL, from_then_on=True)
    lines.append_or_remember("b", {}, sync=False)
    asked = len(disk.operations)
    for _ in range(9):
        calendar.advance(0.1)
        lines.append_or_remember("c", {}, sync=False)

    assert len(disk.operations) == asked

    calendar.advance(0.2)
    lines.append_or_remember("d", {}, sync=False)
    assert len(disk.operations) > asked
    disk.fault = None
    lines.flush()
    assert len(read_journal(disk, tmp_path).lines) == 12


def test_the_reserve_is_real_space_and_is_given_back(tmp_path: Path) -> None:
    lines, _, _ = a_journal(tmp_path)
    lines.reserve(300_000)

    assert (tmp_path / "journal.reserve").stat().st_size == 300_000
    assert (tmp_path / "journal.reserve").stat().st_blocks * 512 >= 300_000

    lines.close()
    assert not (tmp_path / "journal.reserve").exists()


@pytest.mark.parametrize("bad", [float("nan"), "\udc80", "x" * LINE_BYTES_MAX, b"bytes"])
def test_a_line_that_could_not_be_read_back_is_not_written(tmp_path: Path, bad: object) -> None:
    lines, disk, _ = a_journal(tmp_path)
    lines.append("a", {}, sync=True)

    with pytest.raises(LineRefused):
        lines.append("b", {"bad": bad}, sync=True)
    with pytest.raises(LineRefused):
        lines.append_or_remember("b", {"bad": bad}, sync=True)

    assert [line.kind for line in read_journal(disk, tmp_path).lines] == ["a"]
