"""Job folders from strangers: nothing outside is read or written, nothing shown raw."""

import os
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from flashbench.errors import FlashbenchError
from flashbench.job import events
from flashbench.job.events import Event, encode
from flashbench.job.folder import Job
from flashbench.job.journal import Head, encode_head, encode_line
from tests.builders.fuzz import THOROUGH, controls, fuzzed
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, announcement, opened
from tests.cli.workplace import run

AT = "2026-01-02T03:04:05.000+00:00"
EVIL = "\x1b]0;owned\x07\x1b[2J\x9b31m<script>alert(1)</script>\u202e\r\x00\"'>&"
SECRET = b"a stranger's secret that no command may show\n"


def a_used_job(folder: Path) -> Path:
    """A job with something of everything that has a file."""
    with a_dumped_job(folder) as job:
        job.save_image(IMAGE, {})
        job.save_doubtful(IMAGE)
        job.save_found(IMAGE)
        job.save_kept(IMAGE, AChip().facts())
        job.announce(announcement())
        job.record(events.WriteFinished(target_sha256=announcement().target_sha256))
    return folder


def forge(folder: Path, story: list[Event]) -> None:
    """A round's journal that says `story`, chain and head in order."""
    data, last = b"", None
    for event in story:
        assert not isinstance(event, events.OutcomeUnreadable)
        last, line = encode_line(event.KIND, encode(event), at=AT, after=last)
        data += line
    assert last is not None
    (folder / "journal.jsonl").write_bytes(data)
    (folder / "journal.head").write_bytes(encode_head(Head(count=last.n, sha256=last.sha256)))


_MADE_IN_A_ROUND = (
    *("journal.reserve", "image-2.bin", "image-2.bin.unfinished", "changes-2.json", "found-2.bin"),
    *("doubtful-2.bin", "kept-2.bin", "best-reading.bin", "original.bin.sectors"),
    "image-1.bin.sectors",
)


def every_name(folder: Path) -> list[str]:
    """What is in the folder, and what flashbench would make there."""
    there = [str(path.relative_to(folder)) for path in sorted(folder.rglob("*"))]
    made = ["report.html", "intake.toml", "photos", "round-2", "round-2.unfinished"]
    made += [f"{name}.unfinished" for name in ("job.toml", "report.html", "round-1/journal.head")]
    made += [f"round-1/{name}" for name in _MADE_IN_A_ROUND]
    return there + made


def use_and_write(folder: Path) -> None:
    """Everything that reads or writes in a job; sentences are fine, other faults are not."""
    deeds: tuple[Callable[[Job], object], ...] = (
        lambda job: job.load_original(),
        lambda job: job.load_image(1),
        lambda job: job.load_kept(1),
        lambda job: job.load_chip_facts(),
        lambda job: job.save_image(ORIGINAL[::-1], {}),
        lambda job: job.save_found(IMAGE),
        lambda job: job.save_doubtful(IMAGE),
        lambda job: job.save_kept(IMAGE, AChip().facts()),
        lambda job: job.save_report("<p>"),
        lambda job: job.list_photos(),
        lambda job: job.announce(announcement()),
        lambda job: job.record(events.WriteFinished(target_sha256=announcement().target_sha256)),
        lambda job: job.open_round(AChip()),
    )
    for deed in deeds:
        try:
            with opened(folder) as job:
                deed(job)
        except FlashbenchError as refusal:
            assert len(str(refusal).splitlines()) == 3


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_used_job(tmp_path_factory.mktemp("used") / "job")


@pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")
@pytest.mark.parametrize("kind", ["file", "folder", "nothing"])
def test_no_planted_link_leads_out_of_the_folder(used: Path, tmp_path: Path, kind: str) -> None:
    """Names a job has or makes, once as a link to a file, a folder, to nowhere yet.

    Each name with each kind where somebody waits for it, every eighth name of a kind otherwise.
    """
    names = every_name(used)
    if not THOROUGH:
        names = names[len(kind) % 8 :: 8]
    for number, name in enumerate(names):
        place = tmp_path / str(number)
        outside = place / "outside"
        outside.mkdir(parents=True)
        victim = outside / "victim"
        victim.write_bytes(SECRET)
        shutil.copytree(used, place / "job")
        planted = place / "job" / name
        if planted.is_dir():
            shutil.rmtree(planted)
        elif planted.exists():
            planted.unlink()
        target = {"file": victim, "folder": outside, "nothing": outside / "not yet"}[kind]
        planted.symlink_to(target)

        use_and_write(place / "job")
        said = run("next", str(place / "job"), "--check").output

        assert [path.name for path in outside.iterdir()] == ["victim"], name
        assert victim.read_bytes() == SECRET, name
        assert "secret" not in said
        for path in (place / "job").rglob("*"):
            if path.is_file() and not path.is_symlink():
                assert SECRET.strip() not in path.read_bytes(), f"{name} let {path.name} take it in"
        shutil.rmtree(place)


class Tags(HTMLParser):
    """The tags and attributes of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts = 0
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


evil_texts = st.sampled_from([EVIL, EVIL * 20]) | st.text(max_size=40)


@fuzzed(15)
@given(texts=st.lists(evil_texts, min_size=6, max_size=6))
def test_what_a_forged_folder_says_is_shown_escaped(
    used: Path, tmp_path: Path, texts: list[str]
) -> None:
    folder = tmp_path / "job"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(used, folder)
    with opened(used) as job:
        story = [with_texts(event, texts) for event in job.story]
        text = job.file
    assert text is not None
    forge(folder / "round-1", story)
    (folder / "round-1" / "<b>\x1b[2J.bin").write_bytes(b"")

    for words in (("next",), ("next", "--check"), ("report",), ("next", "--json")):
        shown = run(words[0], str(folder), *words[1:]).output
        assert not controls(shown), words
    page = folder / "report.html"
    if page.exists():
        tags = Tags()
        tags.feed(page.read_text())
        assert "<script>alert" not in page.read_text()
        assert tags.handlers == []


def with_texts(event: Event, texts: list[str]) -> Event:
    """The same event with free texts of somebody who means harm."""
    match event:
        case events.OriginalSaved():
            return events.OriginalSaved(
                sha256=event.sha256,
                size=event.size,
                jedec_id=event.jedec_id,
                unique_id=event.unique_id,
                ways=(texts[0], texts[1]),
                size_sources=(texts[2], "table"),
                size_doubt=texts[3],
            )
        case events.WriteAnnounced():
            return announcement(target_name=texts[4])
        case _:
            return event


def test_an_evil_label_is_refused_and_not_shown_raw(used: Path, tmp_path: Path) -> None:
    folder = tmp_path / "job"
    shutil.copytree(used, folder)
    with opened(used) as job:
        story = [event for event in job.story if not isinstance(event, events.JobFileWritten)]
        limits = {"density_bytes": 4096, "longest_erase_ms": 400.0}
    text = tomli_w.dumps(
        {
            "format": 1,
            "label": EVIL,
            "created": EVIL,
            "rehearsal": True,
            "adapter": {EVIL: EVIL},
            "limits": limits,
        }
    )
    forge(folder / "round-1", [story[0], events.JobFileWritten(text=text), *story[1:]])
    (folder / "job.toml").write_text(text)

    for words in (("next", str(folder)), ("next", str(folder), "--check")):
        told = run(*words)
        assert told.exit_code in (1, 3)
        assert not controls(told.output)
