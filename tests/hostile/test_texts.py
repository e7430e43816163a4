"""Edit files, images and chip tables from strangers: an answer or a sentence, and nothing else."""

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import Any

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from chipdb import table
from chipdb.row import TableError, read_rows
from flashbench.bench.bench_file import parse_bench
from flashbench.cli.guide import notes
from flashbench.errors import FlashbenchError
from flashbench.image.apply_edit import apply_edit
from flashbench.image.edit_file import parse_edit
from flashbench.image.inspection import inspect
from flashbench.image.inspection_text import render
from flashbench.image.memory_package import parse_package_file
from flashbench.job import intake, job_file
from flashbench.rehearsal.demo_board import demo_edited_image, demo_image
from flashbench.report.texts import parse_texts
from flashbench.toml_text import parse
from tests.builders.fuzz import controls, fuzzed
from tests.cli.workplace import run
from tests.image.edit_scene import EDIT, scene

EVIL = "\x1b]0;owned\x07\x1b[2J\x9b31m<script>alert(1)</script>\u202e\r\n\x00"

words = st.sampled_from(
    ("block", "name", "at", "length", "check", "change", "offset", "old", "new", "why", "memory")
) | st.sampled_from(("copies", "signature", "kind", "place", "answers", "/etc/passwd", "../x"))
values = st.recursive(
    st.none().map(lambda _: "x")
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | words
    | st.sampled_from([EVIL, "00" * 40, "0x10", "ff" * 3, "9" * 400])
    | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(words | st.text(min_size=1, max_size=6), inner, max_size=5)
    ),
    max_leaves=14,
)


def one_of_the_trees(document: Any, draw: st.DrawFn) -> Any:
    """`document` with one thing in it replaced or left out."""
    if isinstance(document, dict) and document and draw(st.integers(0, 3)):
        key = draw(st.sampled_from(sorted(document)))
        changed = dict(document)
        if draw(st.integers(0, 5)):
            changed[key] = one_of_the_trees(document[key], draw)
        else:
            del changed[key]
        return changed
    if isinstance(document, list) and document and draw(st.integers(0, 3)):
        at = draw(st.integers(0, len(document) - 1))
        return [*document[:at], one_of_the_trees(document[at], draw), *document[at + 1 :]]
    return draw(values)


@st.composite
def spoiled(draw: st.DrawFn, document: dict[str, Any]) -> dict[str, Any]:
    changed = one_of_the_trees(document, draw)
    return changed if isinstance(changed, dict) else document


EDIT_FILE: dict[str, Any] = tomllib.loads(EDIT)


@fuzzed(60)
@given(document=spoiled(EDIT_FILE) | st.dictionaries(words, values, max_size=5))
def test_an_edit_file_gives_an_edit_or_three_lines(document: dict[str, Any]) -> None:
    try:
        apply_edit(scene(), parse_edit(tomli_w.dumps(document)))
    except FlashbenchError as refusal:
        assert refusal.exit_status in (1, 2)


@fuzzed(60)
@given(text=st.text(max_size=300) | st.binary(max_size=300).map(lambda b: b.decode("latin-1")))
def test_any_text_is_an_edit_file_or_refused(text: str) -> None:
    try:
        parse_edit(text)
    except FlashbenchError as refusal:
        assert refusal.exit_status in (1, 2)


@pytest.mark.parametrize("text", ["[" * 100_000, "a = " + "{b = " * 20_000, "a.b" * 50_000])
def test_a_deeply_nested_edit_file_is_refused(text: str) -> None:
    with pytest.raises(FlashbenchError):
        parse_edit(text)


DOTTED = [
    ".".join(["a"] * 300_000) + " = 1",
    "[" + ".".join(['"a,b"'] * 100_000) + "]",
    "a = {" + " . ".join(["'x y'"] * 100_000) + " = 1}",
    "[" + ".".join(["a"] * 2000) + "]\n" + "".join(f"b{n}=1\n" for n in range(60_000)),
    "".join(f"{'a.' * 200}b{n} = 1\n" for n in range(2000)),
]
READERS: list[Callable[[str], object]] = [
    parse_edit,
    parse_bench,
    parse_package_file,
    parse_texts,
    intake.decode,
    job_file.decode,
    lambda text: notes.decode(text.encode()),
]


@pytest.mark.parametrize("read", READERS)
def test_no_number_of_dots_keeps_a_reader_busy(read: Callable[[str], object]) -> None:
    """`tomllib` needs minutes to hours for each of these; here all together take seconds."""
    begun = process_time()

    for text in DOTTED:
        with pytest.raises(FlashbenchError, match="dots"):
            read(text)

    assert process_time() - begun < 2


@fuzzed(60)
@given(
    parts=st.lists(st.sampled_from(["a", '"b.c"', "'d,e'", " f ", "1"]), min_size=1, max_size=40),
    heading=st.booleans(),
)
def test_a_key_of_a_few_dozen_names_is_read_as_toml_has_it(parts: list[str], heading: bool) -> None:
    key = ".".join(parts)
    text = f"[{key}]\nx = 1\n" if heading else f"{key} = 1\n"

    assert parse(text) == tomllib.loads(text)


def test_dots_in_what_somebody_told_are_no_key() -> None:
    """A note of the length that intake allows, with a dotted line through it."""
    note = (("price " + "." * 70 + "\n") * 200) + "." * 1500

    assert parse(f"note = '''{note}'''") == {"note": note}


def test_no_control_character_of_an_edit_file_reaches_the_terminal(tmp_path: Path) -> None:
    for document in ({"flashbench_edit": 1, EVIL: 1}, {**EDIT_FILE, "about": EVIL}):
        path = tmp_path / "evil.toml"
        path.write_text(tomli_w.dumps(document))
        told = run("edit", str(tmp_path / "nowhere"), str(path))
        assert told.exit_code != 0
        assert not controls(told.output)


@fuzzed(4)
@given(data=st.data())
def test_spliced_images_are_inspected_without_a_fault(data: st.DataObject) -> None:
    """Pieces of a real-looking image at wrong places, cut, doubled and spoiled."""
    pieces = [demo_image(), demo_edited_image(demo_image())]
    image = bytearray(b"\xff" * 0x10000)
    for _ in range(data.draw(st.integers(1, 6))):
        source = data.draw(st.sampled_from(pieces))
        anchor = data.draw(st.sampled_from([0, 0xA40000, 0xA41000, 0xE03000, 0x10000]))
        start = anchor + data.draw(st.integers(0, 0x3000))
        length = data.draw(st.integers(1, 0x3000))
        at = data.draw(st.integers(0, len(image) - length))
        image[at : at + length] = source[start : start + length]
    for at, value in data.draw(
        st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 255)), max_size=30)
    ):
        image[at] = value

    found = inspect(bytes(image))

    assert not controls(render(found))
    json.dumps(found.to_json())


@fuzzed(60)
@given(
    document=st.sampled_from(sorted(table.FIRST_BYTES)).flatmap(
        lambda name: spoiled(cut_table(name))
    )
)
def test_a_chip_table_gives_rows_or_an_error_that_names_the_file(document: dict[str, Any]) -> None:
    try:
        read_rows(document, "stranger.toml")
    except TableError as refusal:
        assert "stranger.toml" in str(refusal)


def cut_table(name: str) -> dict[str, Any]:
    """The first rows of one maker's file."""
    document = tomllib.loads((Path(table.__file__).parent / "chips" / f"{name}.toml").read_text())
    return {key: value[:2] if isinstance(value, list) else value for key, value in document.items()}
