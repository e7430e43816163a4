"""What both pages are made of: names and values, legends, the word PRACTICE."""

from collections.abc import Iterable
from typing import Final
from xml.etree.ElementTree import Element

from flashbench.report.drawings import Pictures, map_columns
from flashbench.report.elements import Child, el
from flashbench.report.texts import Texts
from flashbench.report.view import Cell, ChipMap, JobView
from flashbench.report.wording import number, short_size

Row = tuple[str, str | None, str | None]
"""A name, its value, and how tests and scripts find it. Without a value the row is left out."""

_WORD_Y: Final = 400


def facts(rows: Iterable[Row], *, class_: str = "facts") -> Element | None:
    """Names and values as a list; None if there is no value at all."""
    shown = [(name, value, key) for name, value, key in rows if value]
    if not shown:
        return None
    children: list[Child] = []
    for name, value, key in shown:
        children += [el("dt", name), el("dd", value, data_fact=key)]
    return el("dl", *children, class_=class_)


def part(title: str, *children: Child, class_: str | None = None) -> Element | None:
    """A section with its heading; None if there is nothing in it."""
    there = [child for child in children if child is not None]
    if not there:
        return None
    return el("section", el("h2", title), el("div", *there, class_="body"), class_=class_)


def page(view: JobView, texts: Texts, *children: Child, kind: str) -> Element:
    """One of the two pages. A practice job bears its word across all of it."""
    marks: list[Child] = []
    if view.practice:
        marks = [
            _practice_ground(texts("page.practice"), kind),
            el(
                "p",
                el("strong", texts("page.practice")),
                f" {texts('page.practice-note')}",
                class_="practice-note",
            ),
        ]
    return el("article", *marks, *children, class_=f"page {kind}", id=kind)


def legend(texts: Texts, pictures: Pictures, *maps: ChipMap | None) -> Element:
    """The signs that occur in `maps`, each with its name."""
    drawn = [one for one in maps if one is not None]
    names = [cell.value for cell in Cell if any(cell in one.cells for one in drawn)]
    if any(one.protected for one in drawn):
        names.append("protected")
    items = [el("li", pictures.sign(name), texts(f"cell.{name}")) for name in names]
    return el("ul", *items, class_="legend")


def map_summary(texts: Texts, drawn: ChipMap) -> str:
    """The map in one sentence, for those who hear it; counts are cells."""
    counts = {cell.value: drawn.cells.count(cell) for cell in Cell}
    counts["protected"] = len(drawn.protected)
    cell = texts(
        "shelf.map-cell",
        cell=short_size(drawn.cell_bytes),
        count=number(len(drawn.cells)),
        columns=map_columns(len(drawn.cells)),
    )
    summary = ", ".join(
        texts("shelf.map-count", count=number(many), name=texts(f"cell.{name}"))
        for name, many in counts.items()
        if many
    )
    return f"{cell} {summary}."


def _practice_ground(word: str, kind: str) -> Element:
    """The word, slanted, over and over: whatever sheet the page is printed on bears it."""
    name = f"practice-{kind}"
    text = el(
        "text",
        word,
        x=24,
        y=_WORD_Y,
        transform=f"rotate(-28 24 {_WORD_Y})",
        class_="practice-word",
    )
    pattern = el("pattern", text, id=name, width=900, height=480, patternUnits="userSpaceOnUse")
    return el(
        "svg",
        el("defs", pattern),
        el("rect", width="100%", height="100%", fill=f"url(#{name})"),
        class_="practice-ground",
        aria_hidden="true",
    )
