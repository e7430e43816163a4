"""HTML as a tree: text goes in as text, so nothing that a file contains can become markup."""

import re
from typing import Final
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

_UNSHOWABLE: Final = re.compile(
    # Controls, halves of surrogates, characters that turn the direction of what follows.
    "[^\t\n\x20-\x7e\xa0-\u2029\u202f-\u2065\u206a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
)

Child = Element | str | None
Attribute = str | int | float | None


def el(tag: str, /, *children: Child, **attributes: Attribute) -> Element:
    """An element. `class_` gives class, `data_fact` data-fact; None leaves a child or name out."""
    made = Element(tag)
    for name, value in attributes.items():
        if value is not None:
            text = f"{value:g}" if isinstance(value, float) else str(value)
            made.set(name.rstrip("_").replace("_", "-"), shown(text))
    for child in children:
        if child is not None:
            _append(made, child)
    return made


def shown(text: str) -> str:
    """`text` with a replacement character for whatever a page cannot show."""
    return _UNSHOWABLE.sub("\ufffd", text)


def document(root: Element) -> str:
    """The whole page as text."""
    html = ElementTree.tostring(root, encoding="unicode", method="html")
    return f"<!DOCTYPE html>\n{html}\n"


def _append(parent: Element, child: Element | str) -> None:
    if isinstance(child, Element):
        parent.append(child)
    elif len(parent):
        parent[-1].tail = (parent[-1].tail or "") + shown(child)
    else:
        parent.text = (parent.text or "") + shown(child)
