"""An HTML text as a browser would take it apart, with the standard library's parser."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "link", "img", "hr", "input"}


@dataclass
class Node:
    """An element; `text` is all that it holds, its children's text included."""

    tag: str
    attributes: dict[str, str]
    children: list["Node"] = field(default_factory=list)
    text: str = ""

    def all(self) -> list["Node"]:
        return [self, *(below for child in self.children for below in child.all())]

    def find(self, tag: str) -> list["Node"]:
        return [node for node in self.all() if node.tag == tag]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("document", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(node)
        if tag not in VOID:
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
            self.open.pop()

    def handle_data(self, data: str) -> None:
        for node in self.open:
            node.text += data


def read_html(html: str) -> Node:
    """The tree of a page. Fails if its tags do not nest."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert [node.tag for node in reader.open] == ["document"]
    return reader.root


def page_of(root: Node, name: str) -> Node:
    """The customer's or the shelf's page."""
    return next(node for node in root.all() if node.attributes.get("id") == name)


def fact(root: Node, key: str) -> str:
    """The text of the one place that bears this fact."""
    places = [node for node in root.all() if node.attributes.get("data-fact") == key]
    assert len(places) == 1, f"{key} stands {len(places)} times"
    return places[0].text


def shape(root: Node) -> list[tuple[str, tuple[str, ...]]]:
    """Every element with the names of its attributes, in the order of the page."""
    return [(node.tag, tuple(node.attributes)) for node in root.all()]
