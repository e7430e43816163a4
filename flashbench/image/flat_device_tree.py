"""U-Boot FIT images: flat device trees whose images carry hashes of themselves.

Sources: Devicetree specification, chapter 5 (flattened format); U-Boot's description of FIT
(memory): under /images/NAME a property `data`, or `data-offset` or `data-position` with
`data-size`, and nodes `hash...` with `algo` and `value`.
"""

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from flashbench.image.checks import Check, CheckKind, Span, judged
from flashbench.image.finds import Block, Confidence
from flashbench.image.overlaps import Bounds

MAGIC = b"\xd0\x0d\xfe\xed"
BEGIN_NODE, END_NODE, PROPERTY, NOP, END = 1, 2, 3, 4, 9
TOKENS_MAX = 100_000
DIGESTS = ("sha1", "sha256", "sha384", "sha512")
NAME_MAX = 64  # bytes of a name that are kept
READ_MAX = 8  # times the image; trees inside trees are read again
HASHED_MAX = 16  # times the image


@dataclass(slots=True)
class _Node:
    name: str
    properties: dict[str, Span] = field(default_factory=dict)
    children: list["_Node"] = field(default_factory=list)


@dataclass(slots=True)
class _Work:
    """Bytes of trees that may still be read, and bytes that may still be hashed."""

    read_left: int
    hashed_left: int
    bounds: Bounds

    def may_hash(self, content: Span, *, at: int, size: int) -> bool:
        """Whether `content` of the tree `at` may be hashed, in an image of `size` bytes."""
        self.hashed_left -= max(0, min(content.end, size) - content.start)
        if self.hashed_left < 0:
            self.bounds.leave_out("hashes in FIT images", at)
        return self.hashed_left >= 0


def find_device_trees(data: bytes, bounds: Bounds | None = None) -> Iterator[Block]:
    """Every flat device tree; those of FIT images with a check for each stored CRC-32.

    `bounds` says how many were left out.
    """
    bounds = bounds or Bounds()
    work = _Work(READ_MAX * len(data), HASHED_MAX * len(data), bounds)
    admission = bounds.admission("device trees")
    at = data.find(MAGIC)
    while at >= 0:
        header = data[at : at + 40]
        if len(header) < 40:
            return
        size, structure, strings, _, version, oldest = struct.unpack_from(">6I", header, 4)
        sane = 16 <= version <= 32 and oldest <= version and 40 <= size <= len(data) - at
        if sane and structure < size and strings < size:
            root = None
            if work.read_left < 0:
                bounds.leave_out("places like a device tree", at)
            else:
                root, read = _tree(data, at, structure, strings, at + size)
                work.read_left -= read
            if root is not None and admission.admits(at, at + size):
                yield _fit_block(data, at, size, root, work)
        at = data.find(MAGIC, at + 1)


def _tree(
    data: bytes, base: int, structure: int, strings: int, end: int
) -> tuple[_Node | None, int]:
    """The root node, None where the structure block is broken; and how many bytes were read."""
    reader = _Reader(data, base, strings, end, base + structure)
    root = reader.root()
    return root, reader.at - base - structure


@dataclass(slots=True)
class _Reader:
    """Reads the structure block of one tree, from `at` on."""

    data: bytes
    base: int
    strings: int
    end: int
    at: int

    def root(self) -> _Node | None:
        root = _Node("")
        stack = [root]
        for _ in range(TOKENS_MAX):
            token = int.from_bytes(self.data[self.at : self.at + 4], "big")
            self.at += 4
            if token == BEGIN_NODE:
                node = self._node()
                if node is None:
                    return None
                stack[-1].children.append(node)
                stack.append(node)
            elif token == PROPERTY and self.at + 8 <= self.end:
                if not self._property(stack[-1]):
                    return None
            elif token == END_NODE and len(stack) > 1:
                stack.pop()
            elif token == END:
                return root if len(stack) == 1 else None
            elif token != NOP:
                return None
        return None

    def _node(self) -> _Node | None:
        start = self.at
        stop = self.data.find(b"\0", start, self.end)
        if stop < 0:
            self.at = self.end
            return None
        self.at = stop + 1 + (self.base - stop - 1) % 4
        return _Node(self.data[start : min(stop, start + NAME_MAX)].decode("ascii", "replace"))

    def _property(self, node: _Node) -> bool:
        """Read one into `node`; False where it leaves the tree."""
        size, name_at = struct.unpack_from(">II", self.data, self.at)
        start = self.at + 8
        if start + size > self.end:
            return False
        name_at += self.base + self.strings
        name = self.data[name_at : min(self.end, name_at + NAME_MAX)].split(b"\0", 1)[0]
        node.properties[name.decode("ascii", "replace")] = Span(start, start + size)
        self.at = start + size + (self.base - start - size) % 4
        return True


def _fit_block(data: bytes, at: int, size: int, root: _Node, work: _Work) -> Block:
    checks: list[Check] = []
    notes: list[str] = []
    end = at + size
    for image in _images(root):
        content = _content(data, at, size, image)
        if content is None:
            continue
        end = max(end, min(content.end, len(data)))
        for node in image.children:
            value = node.properties.get("value")
            if not node.name.startswith("hash") or value is None:
                continue
            algorithm = _text(data, node.properties.get("algo"))
            if not work.may_hash(content, at=at, size=len(data)):
                continue
            if algorithm == "crc32" and value.end - value.start == 4:
                checks.append(
                    judged(
                        data,
                        Check(
                            kind=CheckKind.CRC_32_ISO_HDLC,
                            offset=value.start,
                            order="big",
                            covers=(content,),
                        ),
                    )
                )
            elif algorithm in DIGESTS:
                right = (
                    hashlib.new(algorithm, data[slice(*content)]).digest() == data[slice(*value)]
                )
                state = "right" if right else "wrong"
                notes.append(f"{algorithm.upper()} of {image.name} is {state}")
    return Block(
        offset=at,
        length=end - at,
        signature=MAGIC,
        name="FIT image" if checks or notes else "device tree",
        confidence=Confidence.DOCUMENTED,
        check=None,
        more_checks=tuple(checks),
        notes=tuple(notes),
    )


def _images(root: _Node) -> Iterator[_Node]:
    for top in root.children:
        for node in top.children:
            if node.name == "images":
                yield from node.children


def _content(data: bytes, at: int, size: int, image: _Node) -> Span | None:
    """The bytes that an image's hashes cover, inside the tree or behind it."""
    if "data" in image.properties:
        return image.properties["data"]
    length = _number(data, image.properties.get("data-size"))
    position = _number(data, image.properties.get("data-position"))
    offset = _number(data, image.properties.get("data-offset"))
    if length is None:
        return None
    if position is not None:
        return Span(at + position, at + position + length)
    if offset is not None:
        start = at + (size + 3) // 4 * 4 + offset
        return Span(start, start + length)
    return None


def _number(data: bytes, span: Span | None) -> int | None:
    if span is None or span.end - span.start > 8:
        return None  # a number has one or two cells
    return int.from_bytes(data[slice(*span)], "big")


def _text(data: bytes, span: Span | None) -> str:
    if span is None:
        return ""
    return (
        data[span.start : min(span.end, span.start + NAME_MAX)]
        .rstrip(b"\0")
        .decode("ascii", "replace")
    )
