"""Job folders from strangers: whatever is in them, the answer is a job or a sentence.

Chains and hashes are made to hold here, because who forges a folder can compute them too.
"""

import json
import math
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flashbench.errors import FlashbenchError
from flashbench.job import events
from flashbench.job.check import check_folder
from flashbench.job.disk import Disk
from flashbench.job.events import KINDS, decode, encode
from flashbench.job.journal import EMPTY_HEAD, Head, Line, encode_head, encode_line
from flashbench.job.refusals import JobDamaged, JobForeign, StepRefused
from tests.builders.disk import FaultyDisk
from tests.builders.job import IMAGE, ORIGINAL, a_dumped_job, announcement, opened

AT = "2026-01-02T03:04:05.000+00:00"

json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=8,
)


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job as flashbench leaves it, to be spoiled in copies."""
    root = tmp_path_factory.mktemp("pattern")
    with a_dumped_job(root / "job", disk=FaultyDisk(root)) as job:
        job.save_image(IMAGE, {})
        job.announce(announcement())
    return root / "job"


def forge(folder: Path, content: list[tuple[str, dict[str, object]]]) -> None:
    """Give a round a journal of these lines, chain and head in order."""
    data, last = b"", None
    for kind, facts in content:
        last, line = encode_line(kind, facts, at=AT, after=last)
        data += line
    head = Head(count=last.n, sha256=last.sha256) if last else EMPTY_HEAD
    (folder / "round-1" / "journal.jsonl").write_bytes(data)
    (folder / "round-1" / "journal.head").write_bytes(encode_head(head))


def use_all(folder: Path) -> None:
    """Everything that reads; only our own sentences may come out."""
    disk = FaultyDisk(folder.parent)
    check_folder(folder, disk=disk)
    with opened(folder, disk=disk) as job:
        for ask in (
            job.load_original,
            job.load_chip_facts,
            job.announced_images,
            lambda: job.load_image(1),
            lambda: job.load_changes(1),
            lambda: job.target,
            job.unfinished,
        ):
            try:
                ask()
            except FlashbenchError as refusal:
                assert len(str(refusal).splitlines()) == 3


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(kind=st.sampled_from([*sorted(KINDS), "unknown"]), facts=json_values, at=st.integers(0, 6))
def test_forged_events_give_a_job_or_a_sentence(
    pattern: Path, tmp_path: Path, kind: str, facts: object, at: int
) -> None:
    folder = tmp_path / "forged"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pattern, folder)
    lines = (folder / "round-1" / "journal.jsonl").read_text().splitlines()
    content = [(line["kind"], line["facts"]) for line in map(json.loads, lines)]
    forged = facts if isinstance(facts, dict) else {"round_number": facts}
    try:
        forge(folder, [*content[:at], (kind, forged), *content[at:]])
    except ValueError:
        return  # a float that JSON does not have
    try:
        use_all(folder)
    except FlashbenchError as refusal:
        assert len(str(refusal).splitlines()) == 3


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(
        ["job.toml", "round-1/journal.jsonl", "round-1/journal.head", "round-1/chip.json"]
    ),
    data=st.binary(max_size=300)
    | json_values.map(lambda value: repr(value).encode("utf-8", "replace")),
)
def test_any_bytes_in_any_file_give_a_job_or_a_sentence(
    pattern: Path, tmp_path: Path, name: str, data: bytes
) -> None:
    folder = tmp_path / "spoiled"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pattern, folder)
    (folder / name).unlink()
    (folder / name).write_bytes(data)
    try:
        use_all(folder)
    except FlashbenchError as refusal:
        assert len(str(refusal).splitlines()) == 3


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("chip-facts-saved", {"chip_json": "0" * 64, "registers": {"../../../x": "0" * 64}}),
        ("chip-facts-saved", {"chip_json": "0" * 64, "registers": {"a/b": "0" * 64}}),
        ("image-saved", {"number": "../1", "sha256": "0" * 64, "changes_sha256": "0" * 64}),
        ("image-saved", {"number": -1, "sha256": "0" * 64, "changes_sha256": "0" * 64}),
        ("unit-proven", {"start": 0, "size": 2**80}),
        ("unit-proven", {"start": True, "size": 1}),
        ("original-saved", {"sha256": "x"}),
    ],
)
def test_an_event_flashbench_cannot_have_written_is_refused(
    kind: str, facts: dict[str, object]
) -> None:
    line = Line(n=4, at=AT, kind=kind, facts=facts, prev="0" * 64, sha256="0" * 64)

    with pytest.raises(JobForeign, match=r"Line 4 of journal\.jsonl is not understood"):
        decode(line)


def test_a_line_of_a_newer_flashbench_says_what_to_open_it_with() -> None:
    line = Line(n=9, at=AT, kind="warp", facts={}, prev="0" * 64, sha256="0" * 64)

    with pytest.raises(JobForeign, match="of a kind unknown here, 'warp'") as refusal:
        decode(line)
    assert "or a newer one" in refusal.value.next_step


def test_an_original_of_before_its_clock_was_kept_is_read_and_so_is_one_with_more_to_say() -> None:
    event = events.OriginalSaved(
        sha256="0" * 64,
        size=4096,
        jedec_id="ef4018",
        unique_id=None,
        ways=("fast read", "plain read"),
        size_sources=(),
        size_doubt=None,
        clock_hz=15_000_000,
    )
    facts = encode(event)
    before = {name: value for name, value in facts.items() if name != "clock_hz"}

    def told(facts: dict[str, object]) -> events.Event:
        line = Line(n=1, at=AT, kind=event.KIND, facts=facts, prev="", sha256="")
        return decode(line)

    assert told(before) == replace(event, clock_hz=None)
    assert told({**facts, "said_by_a_newer_one": 1}) == event


@pytest.mark.parametrize("event_type", KINDS.values(), ids=lambda each: each.KIND)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_every_event_comes_back_as_it_went_in(
    event_type: type[events.Recorded], data: st.DataObject
) -> None:
    event = data.draw(EXAMPLES[event_type])
    _, text = encode_line(event.KIND, encode(event), at=AT, after=None)
    body = json.loads(text)
    line = Line(n=1, at=AT, kind=body["kind"], facts=body["facts"], prev="", sha256="")

    assert decode(line) == event


@pytest.mark.parametrize(
    "event",
    [
        events.RoundCreated(round_number=0),
        events.CellsProven(sha256="no hash"),
        events.UnitProven(start=-1, size=0),
        events.JobFileWritten(text="\udc80"),
        events.RegistersSaved(values={"SR1": 1 << 40}),
        events.OutcomeTold(
            round_number=1,
            target_sha256="0" * 64,
            boots=True,
            memory_shown_gbit=None,
            test_hours=math.inf,
            test_errors=1 << 90,
            note=None,
        ),
        announcement(events.AnnouncedUnit(start=0, size=0, erase_opcode=0x20)),
    ],
    ids=lambda each: each.KIND,
)
def test_an_event_that_could_not_be_read_back_is_never_written(
    tmp_path: Path, event: events.Recorded
) -> None:
    journal = tmp_path / "job" / "round-1" / "journal.jsonl"
    with a_dumped_job(tmp_path / "job") as job:
        before = journal.read_bytes()
        for write in (job.record, job.record_or_remember):
            with pytest.raises(StepRefused, match="that could not be read back"):
                write(event)
        story = job.story

    assert journal.read_bytes() == before
    with opened(tmp_path / "job") as job:
        assert job.story == story


hashes = st.binary(min_size=32, max_size=32).map(bytes.hex)
ids = st.binary(min_size=3, max_size=6).map(bytes.hex)
unique_ids = st.none() | st.binary(min_size=8, max_size=16).map(bytes.hex)
numbers = st.integers(1, 999_999)
counts = st.integers(0, 1 << 30)
ways = st.lists(st.text(max_size=9), max_size=2).map(tuple)
registers = st.dictionaries(st.sampled_from(["SR1", "SR2", "CR1"]), st.integers(0, 255))
lengths = st.integers(1, 1 << 20)
unit = st.builds(
    events.AnnouncedUnit, start=counts, size=lengths, erase_opcode=st.none() | st.integers(0, 255)
)
EXAMPLES: dict[type[events.Recorded], st.SearchStrategy[events.Recorded]] = {
    events.RoundCreated: st.builds(
        events.RoundCreated, round_number=numbers, after_sha256=st.none() | hashes
    ),
    events.RoundOpened: st.builds(events.RoundOpened, round_number=numbers),
    events.JobFileWritten: st.builds(events.JobFileWritten, text=st.text()),
    events.ChipFactsSaved: st.builds(
        events.ChipFactsSaved,
        chip_json=hashes,
        registers=st.dictionaries(st.sampled_from(["SR1.bin", "SR2.bin"]), hashes),
    ),
    events.SecondCopyProven: st.builds(
        events.SecondCopyProven, folder=st.text(min_size=1, max_size=60), sha256=hashes
    ),
    events.FilesTakenIn: st.builds(events.FilesTakenIn, sha256=hashes, size=counts),
    events.BoardWrote: st.builds(
        events.BoardWrote,
        since_round=numbers,
        byte_count=counts,
        range_count=counts,
        ranges=st.lists(st.tuples(counts, counts), max_size=3).map(tuple),
    ),
    events.OriginalSaved: st.builds(
        events.OriginalSaved,
        sha256=hashes,
        size=counts,
        jedec_id=ids,
        unique_id=unique_ids,
        ways=ways,
        size_sources=ways,
        size_doubt=st.none() | st.text(),
    ),
    events.BestReadingSaved: st.builds(
        events.BestReadingSaved,
        sha256=hashes,
        size=counts,
        jedec_id=ids,
        unique_id=unique_ids,
        reads=st.lists(numbers, max_size=5).map(tuple),
        unstable_sha256=hashes,
        unstable_bytes=counts,
        size_sources=ways,
        size_doubt=st.none() | st.text(),
    ),
    events.FoundRemoved: st.builds(events.FoundRemoved, number=numbers),
    events.UnitFailed: st.builds(
        events.UnitFailed, start=counts, size=lengths, attempts=st.integers(1, 9)
    ),
    events.ImageSaved: st.builds(
        events.ImageSaved, number=numbers, sha256=hashes, changes_sha256=hashes
    ),
    events.DoubtfulSaved: st.builds(events.DoubtfulSaved, number=numbers, sha256=hashes),
    events.FoundSaved: st.builds(events.FoundSaved, number=numbers, sha256=hashes),
    events.KeptContents: st.builds(
        events.KeptContents, number=numbers, sha256=hashes, jedec_id=ids, unique_id=unique_ids
    ),
    events.ReadDisagreed: st.builds(
        events.ReadDisagreed, byte_count=counts, first_address=counts, ways=ways
    ),
    events.WriteAnnounced: st.builds(
        events.WriteAnnounced,
        target_sha256=hashes,
        target_name=st.text(),
        jedec_id=ids,
        unique_id=unique_ids,
        kept_number=st.none() | numbers,
        units=st.lists(unit, max_size=3).map(tuple),
        session_id=st.text(),
        registers_before=registers,
    ),
    events.RegistersSaved: st.builds(events.RegistersSaved, values=registers),
    events.RegistersChanged: st.builds(events.RegistersChanged, before=registers, after=registers),
    events.RegistersRestored: st.builds(events.RegistersRestored, values=registers),
    events.UnitProven: st.builds(events.UnitProven, start=counts, size=lengths),
    events.OpcodeRefuted: st.builds(
        events.OpcodeRefuted, opcode=st.integers(0, 255), start=counts, size=lengths
    ),
    events.CellsProven: st.builds(events.CellsProven, sha256=hashes),
    events.WriteFinished: st.builds(events.WriteFinished, target_sha256=hashes),
    events.IntakeSaved: st.builds(events.IntakeSaved, sha256=hashes),
    events.PhotosListed: st.builds(
        events.PhotosListed,
        photos=st.lists(
            st.builds(
                events.Photo,
                name=st.text(min_size=1, max_size=255),
                sha256=hashes,
                size=counts,
                modified_ns=st.integers(0, 1 << 62),
            ),
            max_size=2,
        ).map(tuple),
    ),
    events.BlocksEdited: st.builds(
        events.BlocksEdited,
        image_sha256=hashes,
        blocks=st.lists(
            st.builds(events.EditedBlock, signature=ids, edit_sha256=hashes), max_size=2
        ).map(tuple),
    ),
    events.SpareChosen: st.builds(events.SpareChosen, kept_number=numbers),
    events.OutcomeTold: st.builds(
        events.OutcomeTold,
        round_number=numbers,
        target_sha256=hashes,
        boots=st.booleans(),
        memory_shown_gbit=st.none() | st.integers(1, 1 << 20),
        test_hours=st.none() | st.floats(0.125, 10_000),
        test_errors=st.none() | counts,
        note=st.none() | st.text(max_size=500),
    ),
}


@pytest.mark.skipif(os.name != "posix", reason="sparse files and pipes as POSIX has them")
def test_a_huge_file_is_not_read_into_memory(pattern: Path, tmp_path: Path) -> None:
    folder = tmp_path / "job"
    shutil.copytree(pattern, folder)
    original = folder / "round-1" / "original.bin"
    original.chmod(0o600)
    with original.open("r+b") as file:
        file.truncate(1 << 40)

    with opened(folder) as job, pytest.raises(JobDamaged, match="at most 536870912 are expected"):
        job.load_original()
    assert any(finding.path == "round-1/original.bin" for finding in check_folder(folder))


@pytest.mark.skipif(os.name != "posix", reason="pipes are POSIX's")
@pytest.mark.parametrize("name", ["job.toml", "round-1/journal.head", "round-1/journal.jsonl"])
def test_a_pipe_in_the_folder_does_not_hang(pattern: Path, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "job"
    shutil.copytree(pattern, folder)
    (folder / name).unlink()
    os.mkfifo(folder / name)

    with pytest.raises(JobDamaged, match="is not a plain file"):
        opened(folder)
    assert any(finding.damaged for finding in check_folder(folder))


def test_the_pattern_itself_is_whole(pattern: Path, tmp_path: Path) -> None:
    assert check_folder(pattern, disk=Disk()) == ()
    shutil.copytree(pattern, tmp_path / "job")
    with opened(tmp_path / "job") as job:
        assert job.load_original().data == ORIGINAL
