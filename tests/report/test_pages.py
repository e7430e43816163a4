"""The two pages as a reader, a screen reader and a printer get them."""

import itertools
import re
from dataclasses import fields, is_dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.job.events import KINDS, Event
from flashbench.job.folder import Told
from flashbench.rehearsal.demo_board import DEMO
from flashbench.report.build import build_view
from flashbench.report.render import render
from flashbench.report.story import OTHER, round_story
from flashbench.report.texts import english, parse_texts
from flashbench.report.view import Booking, JobView, Outcome, State
from tests.report import scene
from tests.report.reading_html import Node, fact, page_of, read_html, shape
from tests.report.views import JOBS, view_of


def plain(text: str) -> str:
    """Digits without the narrow spaces that group them."""
    return text.replace("\u202f", "")


@pytest.fixture(params=JOBS)
def root(request: pytest.FixtureRequest) -> Node:
    """The whole document of every kind of job."""
    return read_html(render(view_of(request.param)))


def test_numbers_on_the_pages_are_those_of_the_view() -> None:
    view = view_of("written")
    assert view.original and view.holds and view.changes and view.map_after
    tree = read_html(render(view))

    assert fact(tree, "label") == "board 17"
    assert plain(fact(tree, "changed-bytes")) == str(view.changes.changed_bytes) == "20"
    assert fact(tree, "original-code") == view.original.code
    assert fact(tree, "holds-code") == view.holds.code
    assert fact(tree, "round-1-original-sha256") == view.original.sha256
    assert fact(tree, "round-1-image-1-sha256") == view.holds.sha256
    assert plain(fact(tree, "changes")) == "image 1 changes 20 bytes in 6 places."
    assert fact(tree, "chip-size") == "128 Mbit (16 MiB), known from table, SFDP, array"
    assert fact(tree, "jedec-id") == "EF 40 18"
    assert (
        fact(tree, "supply") == "2.7 to 3.6 V; known from: datasheet; 3.3 V declared at the bench"
    )
    assert fact(tree, "registers") == "SR1 1Ch, SR2 02h, SR3 60h"
    assert "2 changed, 64 protected" in fact(tree, "map-after")


def test_the_change_sheet_lists_old_and_new_bytes() -> None:
    (listing,) = read_html(render(view_of("written"))).find("pre")

    assert "00a41660  23 10 13 0e 15 1a 95 08" in listing.text
    assert "SPD content" in listing.text


@pytest.mark.parametrize("booking", [None, scene.BOOKING])
@pytest.mark.parametrize("job", JOBS)
def test_the_customers_page_holds_no_hex_and_no_number_of_the_board(
    job: str, booking: Booking | None
) -> None:
    view = view_of(job, booking)
    page = page_of(read_html(render(view)), "customer")
    heard = page.text + " ".join(" ".join(node.attributes.values()) for node in page.all()
                                 if node.tag != "path")  # fmt: skip

    assert "0x" not in heard
    assert re.findall(r"\b[0-9A-Fa-f]{6,}h?\b", heard) == []
    identity = scene.original()[0x8_0000:0x8_0120].decode("latin1")
    numbers = re.findall(r"SN (\S+?)\0|MAC\d (\S+?)\0|UUID (\S+?)\0", identity)
    secrets = [part for found in numbers for part in found if part]
    assert len(secrets) == 4
    for secret in [*secrets, scene.UNIQUE_ID, "XB0001", "EF 40 18", "WF2-0417"]:
        assert secret.lower() not in heard.lower()


def test_the_customer_reads_about_data_warranty_and_updates() -> None:
    page = page_of(read_html(render(view_of("written"))), "customer")

    assert "Is my data safe?" in page.text
    assert "may end the maker's warranty" in page.text
    assert "An update of the firmware from the maker may undo the edit" in page.text
    assert "None of the bytes in question lies in a serial number" in page.text


def test_nothing_is_promised_about_a_board_that_was_not_seen_to_start() -> None:
    view = view_of("written")
    before = page_of(read_html(render(view)), "customer").text
    seen = Outcome(boots=True, memory_shown_gbit=64, test_hours=8, test_errors=0)
    after = page_of(read_html(render(replace(view, outcome=seen))), "customer").text

    assert "not yet proven" in before and "The board starts." not in before
    assert "The board starts. It shows 8 GB of memory." in after
    assert "tested for 8 h, with 0 errors" in after


@pytest.mark.parametrize("job", ["identified", "dumped", "edited", "half written"])
def test_nothing_is_called_verified_that_was_not_read_back(job: str) -> None:
    page = page_of(read_html(render(view_of(job))), "customer")

    assert not [node for node in page.all() if node.attributes.get("data-fact") == "verified"]
    assert not [node for node in page.all() if node.attributes.get("data-fact") == "holds-code"]
    assert "every byte is as intended" not in page.text.lower()


@pytest.mark.parametrize("job", ["edited", "half written"])
def test_what_is_only_planned_is_not_called_changed(job: str) -> None:
    page = page_of(read_html(render(view_of(job))), "customer")
    words = [node.text for node in page.find("svg")[0].find("text")]

    assert words[0] == "before" and "planned" in words and "now" not in words
    assert "bytes to be changed" in page.text
    assert "not on the chip, or not proven to be" in page.text
    assert "planned" not in page_of(read_html(render(view_of("written"))), "customer").text


def test_missing_facts_are_not_shown() -> None:
    tree = read_html(render(view_of("identified")))
    empty = [
        node for node in tree.all()
        if node.tag in ("dd", "td", "h1", "h2", "h3", "p", "li", "figcaption")
        and not node.text.strip() and not node.children
    ]  # fmt: skip

    assert empty == []
    assert "None" not in tree.text
    assert "Booked in" not in tree.text


def test_text_from_files_of_the_folder_is_only_text(tmp_path: Path) -> None:
    label = '<script>alert("1")</script> & \' " <svg onload=x>'
    name = "</td></table><img src=x onerror=y>"
    with scene.a_job(tmp_path / "job", label=label) as job:
        scene.dump(job, scene.original())
        scene.edit(job, scene.original(), scene.edited(), name=name)
        tree = read_html(render(build_view(job)))

    assert fact(tree, "label") == label
    assert name in tree.text
    assert tree.find("script") == [] and tree.find("img") == []


HOSTILE = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        [
            "<script>alert(1)</script>",
            "</style><script>x</script>",
            '"><img src=x onerror=alert(1)>',
            "' onload='x",
            "<!--",
            "]]>",
            "&lt;b&gt;",
            "{label} {0.__class__}",
            "\u202etxt.exe",
            "\ud800 \x00 \x1b[31m",
            "</title></svg><b>",
        ]
    ),
)


def with_every_text(view: Any, hostile: str) -> Any:
    """A copy of frozen facts in which every text but hashes and keys is the hostile one."""
    if isinstance(view, str):
        return hostile
    if isinstance(view, tuple):
        return tuple(with_every_text(item, hostile) for item in view)
    if is_dataclass(view) and not isinstance(view, type):
        changed = {
            each.name: with_every_text(getattr(view, each.name), hostile)
            for each in fields(view)
            if each.name not in ("sha256", "code", "kind", "facts", "misfits", "known_from")
        }
        return replace(view, **changed)
    return view


def filled() -> JobView:
    """A view in which everything is there, so that every text has its place on a page."""
    view = view_of("written", scene.BOOKING)
    doubtful = view_of("doubtful reads").read_differences
    return replace(view, read_differences=doubtful, chip=replace(view.chip, doubts=("one", "two")))


@given(HOSTILE)
@settings(max_examples=25, deadline=None)
def test_no_text_whatever_becomes_markup(hostile: str) -> None:
    seen = with_every_text(filled(), hostile or "x")
    harmless = with_every_text(filled(), "x")

    assert shape(read_html(render(seen))) == shape(read_html(render(harmless)))


@given(HOSTILE)
@settings(max_examples=25, deadline=None)
def test_no_text_turns_the_direction_or_hides_controls(hostile: str) -> None:
    html = render(with_every_text(filled(), hostile))

    assert not re.search(
        "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]", html
    )
    html.encode()


def test_the_document_needs_nothing_from_outside(root: Node) -> None:
    forbidden = {"script", "link", "iframe", "object", "embed", "img", "audio", "video", "form"}
    attributes = {name for node in root.all() for name in node.attributes}

    assert not forbidden & {node.tag for node in root.all()}
    assert not {"src", "href", "xlink:href", "srcset", "style"} & attributes
    assert not [name for name in attributes if name.startswith("on")]
    (style,) = root.find("style")
    assert "url(" not in style.text and "@import" not in style.text
    policy = [node.attributes["content"] for node in root.find("meta")
              if node.attributes.get("http-equiv") == "Content-Security-Policy"]  # fmt: skip
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_every_picture_has_a_name_and_a_description(root: Node) -> None:
    names = [node.attributes["id"] for node in root.all() if "id" in node.attributes]
    assert len(names) == len(set(names))
    by_name = {node.attributes["id"]: node for node in root.all() if "id" in node.attributes}

    for picture in root.find("svg"):
        if picture.attributes.get("aria-hidden") == "true":
            continue
        assert picture.attributes["role"] == "img"
        for attribute, tag in (("aria-labelledby", "title"), ("aria-describedby", "desc")):
            told = by_name[picture.attributes[attribute]]
            assert told.tag == tag and told.text.strip()


def test_headings_descend_without_a_gap(root: Node) -> None:
    for name in ("customer", "shelf"):
        levels = [int(node.tag[1]) for node in page_of(root, name).all()
                  if re.fullmatch("h[1-6]", node.tag)]  # fmt: skip
        assert levels[0] == 1 and levels.count(1) == 1
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_the_language_is_that_of_the_sentences() -> None:
    toml = resources.files("flashbench.report").joinpath("english.toml").read_text("utf-8")
    german = parse_texts(
        toml.replace('language = "en"', 'language = "de"').replace(
            "The chip holds its new contents.", "Der Chip trägt den neuen Inhalt."
        )
    )

    tree = read_html(render(view_of("written"), german))

    assert tree.find("html")[0].attributes["lang"] == "de"
    assert page_of(tree, "customer").find("h1")[0].text == "Der Chip trägt den neuen Inhalt."


def test_a_practice_job_bears_the_word_on_both_pages_and_a_real_job_nowhere() -> None:
    practice = read_html(render(view_of("practice")))
    for name in ("customer", "shelf"):
        page = page_of(practice, name)
        (ground,) = [n for n in page.all() if n.attributes.get("class") == "practice-ground"]
        assert "PRACTICE" in ground.text
        assert "No real chip was involved" in page.text

    real = read_html(render(view_of("written")))
    assert "PRACTICE" not in "".join(page_of(real, name).text for name in ("customer", "shelf"))


def test_an_event_without_a_sentence_is_shown_by_its_kind() -> None:
    view = view_of("written")
    story = view.story[0]
    strange = replace(story.moments[0], kind="weather-noted", facts=())
    view = replace(view, story=(replace(story, moments=(strange, *story.moments)),))

    assert "weather-noted" in page_of(read_html(render(view)), "shelf").text


def test_every_kind_of_event_has_a_sentence() -> None:
    told_apart = {"outcome-told": ("outcome-boots", "outcome-boots-not")}
    keys = [key for kind in KINDS for key in told_apart.get(kind, (kind,))]

    assert [key for key in keys if not english().has(f"moment.{key}")] == []


@settings(max_examples=60, deadline=None)
@given(event=st.one_of([st.from_type(kind) for kind in KINDS.values()]))
def test_the_sentence_of_an_event_has_all_that_it_speaks_of(event: Event) -> None:
    (moment,) = round_story(1, [Told(at="2026-01-02T03:04:05+00:00", event=event)]).moments

    sentence = english()(f"moment.{moment.kind}", **dict(moment.facts))

    assert moment.kind != OTHER
    assert "{" not in sentence or "{" in str(moment.facts)


def test_a_question_mark_is_explained_only_where_one_is_drawn() -> None:
    explained = "A question mark: not proven yet."
    view = view_of("written", scene.BOOKING)
    (change,) = view.packages
    settled = replace(view, packages=(replace(change, open=()),))

    assert explained in page_of(read_html(render(view)), "customer").text
    assert explained not in page_of(read_html(render(settled)), "customer").text


def test_the_practice_boards_name_is_on_its_page() -> None:
    tree = read_html(render(view_of("practice", scene.BOOKING)))

    assert fact(tree, "device") == DEMO.board
    assert fact(tree, "straps") == DEMO.straps


def test_each_state_has_a_headline_of_its_own() -> None:
    view = view_of("written")
    headlines = {
        page_of(read_html(render(replace(view, state=state))), "customer").find("h1")[0].text
        for state in State
    }

    assert len(headlines) == len(State)


def variables(css: str, *, dark: bool) -> dict[str, str]:
    root_block = r":root \{(.*?)\}"
    light, *others = re.findall(root_block, css, re.DOTALL)
    names = dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6});", light))
    return (
        {**names, **dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6});", others[0]))} if dark else names
    )


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (formula from memory)."""
    channels = [int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_the_contrast_formula_gives_the_known_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # widely quoted


@pytest.mark.parametrize("dark", [False, True])
def test_text_and_signs_stand_out_in_both_themes(dark: bool) -> None:
    """4.5 for text (WCAG 2.2, 1.4.3), 3 for signs (1.4.11)."""
    css = resources.files("flashbench.report").joinpath("report.css").read_text("utf-8")
    colors = variables(css, dark=dark)

    for ground in ("--paper", "--wash"):
        for text in ("--ink", "--quiet", "--changed"):
            assert contrast(colors[text], colors[ground]) >= 4.5, (text, ground)
    for sign in ("--cell", "--cell-blank", "--changed", "--board", "--protected"):
        assert contrast(colors[sign], colors["--paper"]) >= 3, sign
