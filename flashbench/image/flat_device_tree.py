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

MAGIC = b"\xd0\x0d\xfe\xed"
BEGIN_NODE, END_NODE, PROPERTY, NOP, END = 1, 2, 3, 4, 9
TOKENS_MAX = 100_000
DIGESTS = ("sha1", "sha256", "sha384", "sha512")


@dataclass(slots=True)
class _Node:
    name: str
    properties: dict[str, Span] = field(default_factory=dict)
    children: list["_Node"] = field(default_factory=list)


def find_device_trees(data: bytes) -> Iterator[Block]:
    """Every flat device tree; those of FIT images with a check for each stored CRC-32."""
    at = data.find(MAGIC)
    while at >= 0:
        header = data[at : at + 40]
        if len(header) < 40:
            return
        size, structure, strings, _, version, oldest = struct.unpack_from(">6I", header, 4)
        sane = 16 <= version <= 32 and oldest <= version and 40 <= size <= len(data) - at
        if sane and structure < size and strings < size:
            root = _tree(data, at, structure, strings, at + size)
            if root is not None:
                yield _fit_block(data, at, size, root)
        at = data.find(MAGIC, at + 1)


def _tree(data: bytes, base: int, structure: int, strings: int, end: int) -> _Node | None:
    """The root node; None where the structure block is broken."""
    root = _Node("")
    stack = [root]
    at = base + structure
    for _ in range(TOKENS_MAX):
        token = int.from_bytes(data[at : at + 4], "big")
        at += 4
        if token == BEGIN_NODE:
            stop = data.find(b"\0", at, end)
            if stop < 0:
                return None
            node = _Node(data[at:stop].decode("ascii", "replace"))
            stack[-1].children.append(node)
            stack.append(node)
            at = stop + 1 + (base - stop - 1) % 4
        elif token == PROPERTY and at + 8 <= end:
            size, name_at = struct.unpack_from(">II", data, at)
            at += 8
            if at + size > end:
                return None
            name = data[base + strings + name_at : end].split(b"\0", 1)[0][:64]
            stack[-1].properties[name.decode("ascii", "replace")] = Span(at, at + size)
            at += size + (base - at - size) % 4
        elif token == END_NODE and len(stack) > 1:
            stack.pop()
        elif token == END:
            return root if len(stack) == 1 else None
        elif token != NOP:
            return None
    return None


def _fit_block(data: bytes, at: int, size: int, root: _Node) -> Block:
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
    return None if span is None else int.from_bytes(data[slice(*span)], "big")


def _text(data: bytes, span: Span | None) -> str:
    if span is None:
        return ""
    return data[slice(*span)].rstrip(b"\0").decode("ascii", "replace")
