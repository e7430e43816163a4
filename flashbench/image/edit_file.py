"""Edit files: what is to be changed in an image, and how to know that it is the right image.

An edit file is TOML. All positions inside a block count from the block's first byte; bytes are
written as hex pairs. Nothing is optional that protects the image: each change says what it
expects to find, each block how it is recognised and how many copies there are.

    flashbench_edit = 1
    about = "Board WF2, 2 GB packages replaced by 4 GB"
    packages_on_board = 2             # for the capacity of the board; may be left out

    [[block]]
    name = "memory table"
    signature = "57 66 42 32"         # the block's first bytes
    length = 4128                     # of the whole block
    copies = 2                        # in the whole image
    also = [{ at = 4, bytes = "03 00" }]           # further bytes that tell it from others
    copies_may_differ = false         # true: the same change in each copy, the rest left alone

      [[block.check]]                 # one table for each check, or instead: no_check = true
      kind = "CRC-32/ISO-HDLC"        # a name of flashbench.image.checks.CheckKind
      at = 12
      order = "little"
      covers = [[0, 4128]]            # [first byte, byte after the last]
      zeroed = [[12, 16]]             # taken as 00 while computing
      target = 0                      # of a zero-sum

      [[block.change]]                # bytes ...
      at = 1060
      expect = "15 1a"
      new = "16 22"
      why = "density and rows of the fitted package"

      [[block.memory]]                # ... or a memory package, from which bytes are computed
      at = 1056                       # the SPD content's first byte
      length = 512
      expect_sha256 = "..."           # of the stored content; needed where a block has no check
      wrong_crc = "keep"              # only if the stored CRC was wrong: "keep" or "recompute"
      [block.memory.package]          # as flashbench.image.memory_package describes it
      part = "..."
      # or, instead of the package:
      twice_by = "larger dies"        # twice the capacity, and in which way; "don't know" shows
                                      # the bytes of each way and refuses

    [[place]]                         # bytes outside every block; positions are the image's own
    at = 524288
    expect = "53 4e"
    new = "53 4f"
    why = "..."

    [answers]                         # what no SPD content says: "done", "not needed",
    straps = "not needed"             # "don't know"; unanswered ones are asked for
"""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import msgspec

from flashbench.errors import CheckFailed
from flashbench.image.checks import Check, CheckKind, Order, Span
from flashbench.image.memory_edit import Answer, Doubling, Unsaid, WrongCrc
from flashbench.image.memory_package import MemoryPackage, parse_package
from flashbench.image.overlaps import Covered
from flashbench.toml_text import parse
from flashbench.wording import in_plain_words

FORMAT = 1
EDIT_FILE_BYTES_MAX = 1 << 20

_Offset = Annotated[int, msgspec.Meta(ge=0, le=1 << 31)]


@dataclass(frozen=True, slots=True, kw_only=True)
class BytesEdit:
    """`expect` becomes `new`, of equal length. `at` counts from the block, or from the image."""

    at: int
    expect: bytes
    new: bytes
    why: str = ""

    @property
    def span(self) -> Span:
        return Span(self.at, self.at + len(self.expect))


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryRecordEdit:
    """The SPD content at `at` shall describe `package`, or, where that is None, twice as much
    as it does, reached by `twice_by` (None: nobody knows in which way)."""

    at: int
    length: int
    package: MemoryPackage | None
    twice_by: Doubling | None = None
    expect_sha256: str | None = None
    wrong_crc: WrongCrc | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBytes:
    """Bytes by which a block is recognised besides its signature."""

    at: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockEdit:
    """How a block is recognised, and the changes to make in each of its copies.

    The offsets of `checks` count from the block's first byte.
    """

    name: str
    signature: bytes
    length: int
    copies: int
    checks: tuple[Check, ...]
    also: tuple[KnownBytes, ...] = ()
    copies_may_differ: bool = False
    changes: tuple[BytesEdit, ...] = ()
    memories: tuple[MemoryRecordEdit, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EditFile:
    """A parsed edit file."""

    about: str
    blocks: tuple[BlockEdit, ...]
    places: tuple[BytesEdit, ...] = ()
    answers: Mapping[Unsaid, Answer]
    packages_on_board: int | None = None


class _Document(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    flashbench_edit: int
    about: str = ""
    packages_on_board: Annotated[int, msgspec.Meta(ge=1, le=64)] | None = None
    block: list["_Block"] = []
    place: list["_Change"] = []
    answers: dict[str, str] = {}


class _Block(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    name: str = ""
    signature: str
    length: Annotated[int, msgspec.Meta(ge=1, le=1 << 31)]
    copies: Annotated[int, msgspec.Meta(ge=1, le=1024)]
    also: list["_Known"] = []
    copies_may_differ: bool = False
    no_check: bool = False
    check: list["_Check"] = []
    change: list["_Change"] = []
    memory: list["_Memory"] = []


class _Known(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    at: _Offset
    bytes: str


class _Check(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    kind: CheckKind
    at: _Offset
    order: Order
    covers: list[tuple[_Offset, _Offset]]
    zeroed: list[tuple[_Offset, _Offset]] = []
    target: _Offset = 0


class _Change(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    at: _Offset
    expect: str
    new: str
    why: str = ""


class _Memory(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    at: _Offset
    length: Annotated[int, msgspec.Meta(ge=128, le=1024)]
    expect_sha256: str | None = None
    wrong_crc: WrongCrc | None = None
    package: dict[str, Any] | None = None
    twice_by: str | None = None


def parse_edit(text: str) -> EditFile:
    """The edit that a TOML text describes; the module's text documents the form.

    Raises `CheckFailed` with a sentence for anything that is missing, unknown or impossible.
    """
    if len(text) > EDIT_FILE_BYTES_MAX:
        raise refused(f"It is larger than {EDIT_FILE_BYTES_MAX >> 20} MiB.")
    try:
        document = msgspec.convert(parse(text), _Document)
    except (msgspec.MsgspecError, UnicodeEncodeError, RecursionError, ValueError) as error:
        kind = "" if isinstance(error, msgspec.ValidationError) else "It is not TOML: "
        said = in_plain_words(str(error))
        raise refused(f"{kind}{said[:1].upper() + said[1:] if not kind else said}.") from error
    if document.flashbench_edit != FORMAT:
        raise refused(f"It is of form {document.flashbench_edit}; form {FORMAT} is known here.")
    edit = EditFile(
        about=document.about,
        blocks=tuple(_block(i, block) for i, block in enumerate(document.block, start=1)),
        places=tuple(_bytes_edit(f"place {place.at:#x}", place) for place in document.place),
        answers=_answers(document.answers),
        packages_on_board=document.packages_on_board,
    )
    if not edit.places and not any(block.changes or block.memories for block in edit.blocks):
        raise refused("It changes nothing.")
    return edit


def refused(why: str) -> CheckFailed:
    """The refusal of an edit file for a reason that is a sentence."""
    return CheckFailed(
        f"The edit file cannot be used. {why}",
        next_step="Correct the edit file; the image was not changed.",
    )


def _block(number: int, block: _Block) -> BlockEdit:
    name = block.name or f"block {number}"
    if bool(block.check) == block.no_check:
        raise refused(
            f"{name} must name its check, or say no_check = true; nothing is repaired by guess."
        )
    whole = Span(0, block.length)
    edit = BlockEdit(
        name=name,
        signature=_hex(f"signature of {name}", block.signature),
        length=block.length,
        copies=block.copies,
        also=tuple(
            KnownBytes(at=known.at, data=_hex(f"also of {name}", known.bytes))
            for known in block.also
        ),
        copies_may_differ=block.copies_may_differ,
        checks=tuple(_check(name, check) for check in block.check),
        changes=tuple(_bytes_edit(name, change) for change in block.change),
        memories=tuple(_memory(name, memory, bool(block.check)) for memory in block.memory),
    )
    spans = [Span(0, len(edit.signature))]
    spans += [Span(known.at, known.at + len(known.data)) for known in edit.also]
    spans += [change.span for change in edit.changes]
    spans += [Span(memory.at, memory.at + memory.length) for memory in edit.memories]
    for check in edit.checks:
        spans += [check.field, *check.covers, *check.zeroed]
    for span in spans:
        if not whole.contains(span) or span.end < span.start:
            raise refused(
                f"{name} is {block.length} bytes long, and bytes {span.start} to {span.end} of"
                " it are meant."
            )
    _refuse_overlaps(name, edit)
    return edit


def _refuse_overlaps(name: str, edit: BlockEdit) -> None:
    spans = sorted(
        [change.span for change in edit.changes]
        + [Span(memory.at, memory.at + memory.length) for memory in edit.memories]
    )
    for first, second in itertools.pairwise(spans):
        if first.overlaps(second):
            raise refused(
                f"Two changes of {name} overlap: bytes {first.start} to {first.end} and"
                f" {second.start} to {second.end}."
            )
    fields = Covered(check.field for check in edit.checks)
    for span in spans:
        if fields.overlaps(span):
            check = next(check for check in edit.checks if span.overlaps(check.field))
            raise refused(
                f"A change of {name} overlaps the stored check at byte {check.offset}, which is"
                " recomputed anyway."
            )


def _check(name: str, check: _Check) -> Check:
    if not check.covers:
        raise refused(f"The check of {name} covers nothing.")
    return Check(
        kind=check.kind,
        offset=check.at,
        order=check.order,
        covers=tuple(Span(*span) for span in check.covers),
        zeroed=tuple(Span(*span) for span in check.zeroed),
        target=check.target,
    )


def _bytes_edit(name: str, change: _Change) -> BytesEdit:
    edit = BytesEdit(
        at=change.at,
        expect=_hex(f"expect of {name}", change.expect),
        new=_hex(f"new of {name}", change.new),
        why=change.why,
    )
    if len(edit.expect) != len(edit.new):
        raise refused(
            f"A change of {name} at {change.at} expects {len(edit.expect)} bytes and writes"
            f" {len(edit.new)}; nothing in an image may move."
        )
    return edit


def _memory(name: str, memory: _Memory, has_check: bool) -> MemoryRecordEdit:
    if memory.expect_sha256 is None and not has_check:
        raise refused(
            f"{name} has no check, so its memory change must say expect_sha256 of the stored"
            " SPD content."
        )
    if (memory.package is None) == (memory.twice_by is None):
        raise refused(f"The memory change of {name} names the fitted package, or says twice_by.")
    return MemoryRecordEdit(
        at=memory.at,
        length=memory.length,
        package=None if memory.package is None else parse_package(memory.package),
        twice_by=_way(memory.twice_by),
        expect_sha256=memory.expect_sha256,
        wrong_crc=memory.wrong_crc,
    )


def _way(given: str | None) -> Doubling | None:
    if given in (None, Answer.UNKNOWN.value):
        return None
    try:
        return Doubling(given)
    except ValueError as error:
        choices = ", ".join(f'"{way.value}"' for way in Doubling)
        raise refused(
            f'twice_by is one of {choices}, or "{Answer.UNKNOWN.value}" to see the bytes of each.'
        ) from error


def _answers(given: Mapping[str, str]) -> dict[Unsaid, Answer]:
    by_key = {question.key: question for question in Unsaid}
    answers = {}
    for key, text in given.items():
        if key not in by_key:
            raise refused(f"There is no question {key!r}; there are {', '.join(by_key)}.")
        try:
            answers[by_key[key]] = Answer(text)
        except ValueError as error:
            choices = ", ".join(f'"{answer.value}"' for answer in Answer)
            raise refused(f"The answer to {key} is one of {choices}.") from error
    return answers


def _hex(what: str, text: str) -> bytes:
    try:
        data = bytes.fromhex(text)
    except ValueError as error:
        raise refused(f"The {what}, {text[:40]!r}, is not written as hex pairs.") from error
    if not data:
        raise refused(f"The {what} is empty.")
    return data
