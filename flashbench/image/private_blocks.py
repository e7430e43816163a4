"""Blocks that nobody documented: found by what agrees in them, and weighed against chance.

A candidate row (`chains`) is read with every check rule (`check_search`). What speaks for a
reading is counted in bits: stored lengths that lead from header to header, signatures met where
they were predicted, check values that come out right in blocks of different content. What was
tried to get there is taken off again. Only what is left decides, and an 8-bit sum that holds
once is worth next to nothing.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flashbench.image.chains import (
    BLOCKS_MAX,
    LONGEST_BLOCK,
    SHORTEST_BLOCK,
    Row,
    length_at,
    padding_end,
    padding_start,
    rows_by_letters,
    rows_by_shape,
    rows_by_signature,
    rows_in_copy,
    rows_in_island,
)
from flashbench.image.checks import Span, judged
from flashbench.image.copies import with_copies
from flashbench.image.finds import Block, Confidence
from flashbench.image.overlaps import Bounds, Covered
from flashbench.image.rule_choice import RuleChoice, RuleSearch
from flashbench.image.windows import Copy, Repeats, worth_of

SURE_BITS = 14.0  # left over when everything tried has been taken off
# Fewer will do if no reading with other bounds comes near.
CLEAR_BITS_AND_MARGIN = ((8.0, 8.0), (10.0, 6.0))
POSSIBLE_BITS = 3.0
CHECK_BITS = 8.0  # of them, those that the check of a row must give
ENOUGH_BITS = 64.0  # of a check: no row with fewer bits of its own will do better
LONE_CHECK_BITS = 24.0  # where no signature is met twice
COPY_CHECK_BITS = 0.5  # copies have a start and an end that need no check to be seen
SEARCHES_MAX = 40  # blocks searched for check rules, for each sort of row: bounds the time
COPIES_TRIED_MAX = 60
STRETCH_CELL = 1024  # bytes; stretches that begin so near are one
ISLANDS_TRIED_MAX = 20
ISLAND_MAX = 1 << 16  # bytes
OCCURRENCES_MAX = 64
EXTENSION_BITS = 8.0  # of a check, and of a signature, that make a block one of a known row
SAME_SHAPE_BITS = 12.0  # of a check where the signature is a known one
EXTENSION_MAX = 4096  # bytes searched before a row for a block that leads to it
ROWS_READ_MAX = 40  # of one signature
SIGNATURE_MIN, SIGNATURE_MAX = 4, 8
ALIKE = 0.75  # equal bytes of a block and a damaged or edited copy of it


@dataclass(frozen=True, slots=True)
class _Reading:
    """A row with the rule its blocks keep; `bits` is what is left after all costs."""

    row: Row
    choice: RuleChoice
    bits: float
    margin: float = 0.0  # to the best reading with other bounds

    @property
    def is_worth_naming(self) -> bool:
        """Code is full of rows that nothing speaks for but a check that came out right."""
        return self.row.copy_at is not None or self.row.common_signature

    @property
    def is_sure(self) -> bool:
        if self.row.copy_at is None and len(self.row.blocks) < 3:
            return False
        if self.row.copy_at is None:
            needed = CHECK_BITS if self.row.common_signature else LONE_CHECK_BITS
            return self.bits >= SURE_BITS and self.choice.bits >= needed
        clear = any(
            self.bits >= bits and self.margin >= margin for bits, margin in CLEAR_BITS_AND_MARGIN
        )
        return (self.bits >= SURE_BITS or clear) and self.choice.bits >= COPY_CHECK_BITS


def find_private_blocks(
    data: bytes,
    *,
    known: Sequence[Span] = (),
    repeats: Repeats | None = None,
    bounds: Bounds | None = None,
) -> tuple[Block, ...]:
    """Undocumented blocks outside the `known` stretches, by offset.

    `repeats` are those of `data`, if the caller has them already.

    Blocks are FOUND where chance is ruled out and POSSIBLE where it is not. Copies are told by
    `copy_of`, with the stretches in which they differ.
    """
    if len(data) < 64:
        return ()
    search = _Search(data, known)
    found = search.run(repeats or Repeats(data))
    return with_copies(data, tuple(sorted(found, key=lambda block: block.offset)), bounds)


class _Search:
    def __init__(self, data: bytes, known: Sequence[Span]) -> None:
        self._data = data
        self._taken = Covered(known)
        self._rules = RuleSearch(data)
        self._places: dict[bytes, list[int]] = {}

    def run(self, repeats: Repeats) -> list[Block]:
        blocks: list[Block] = []
        unsure: list[_Reading] = []
        for rows, tried in self._candidates(repeats):
            best = self._best_of(rows, math.log2(max(1, tried)))
            if best is None:
                continue
            if best.is_sure:
                blocks += self._blocks_of(best)
            elif best.bits >= POSSIBLE_BITS and best.is_worth_naming:
                unsure.append(best)
        for reading in sorted(unsure, key=lambda reading: -reading.bits):
            if self._is_free(reading.row.blocks):
                blocks += self._blocks_of(reading)
        return blocks

    def _candidates(self, repeats: Repeats) -> Iterator[tuple[list[Row], int]]:
        """Rows that exclude one another, and how many such lists there are of one sort."""
        for sort in (rows_by_signature, rows_by_letters):
            self._rules.allow(SEARCHES_MAX)
            yield from self._grouped(sort(self._data, repeats))
        self._rules.allow(SEARCHES_MAX)
        tried = _different_stretches(repeats.copies)
        for copy in repeats.copies[:COPIES_TRIED_MAX]:
            if self._is_free([copy.span]) and not self._rules.exhausted:
                yield rows_in_copy(self._data, repeats, copy), tried
        self._rules.allow(SEARCHES_MAX)
        islands = [
            span
            for span in repeats.islands
            if span.end - span.start <= ISLAND_MAX and self._is_free([span])
        ]
        for island in islands[:ISLANDS_TRIED_MAX]:
            yield rows_in_island(self._data, repeats, island), len(islands)
        self._rules.allow(SEARCHES_MAX)
        yield from self._grouped(rows_by_shape(self._data, repeats))

    def _grouped(self, found: Iterable[Row]) -> Iterator[tuple[list[Row], int]]:
        """Rows grouped by where they begin, those with the most agreement first.

        A signature is met at each of its bytes: starts a few bytes apart are one group.
        """
        rows = sorted(found, key=lambda row: -row.bits)
        groups: dict[int, list[Row]] = {}
        for row in rows:
            start = row.blocks[0].start
            near = (at for at in range(start - SIGNATURE_MAX + 1, start + SIGNATURE_MAX))
            key = next((at for at in near if at in groups), start)
            groups.setdefault(key, []).append(row)
        for readings in groups.values():
            yield readings[:ROWS_READ_MAX], len(rows)

    def _best_of(self, rows: Iterable[Row], price: float) -> _Reading | None:
        """The best reading among rows that exclude one another."""
        best: _Reading | None = None
        second = -math.inf
        for row in rows:
            if best is not None and best.choice.bits >= ENOUGH_BITS and row.bits < best.row.bits:
                break
            reading = self._read(row, price) if self._is_free(row.blocks) else None
            if reading is None:
                continue
            if best is None or reading.bits > best.bits:
                second = -math.inf if best is None else best.bits
                best = reading
            else:
                second = max(second, reading.bits)
        return best and replace(best, margin=best.bits - second)

    def _is_free(self, spans: Iterable[Span]) -> bool:
        return not any(self._taken.overlaps(span) for span in spans)

    def _read(self, row: Row, price: float) -> _Reading | None:
        spans = list(row.blocks)
        if row.copy_at is not None:
            spans += [Span(start + row.copy_at, end + row.copy_at) for start, end in row.blocks]
        choice = self._rules.choose(spans, row.length_field)
        if choice is not None and row.bits + choice.bits > price:
            spans = list(row.blocks)
            for distance in self._distances(row):
                spans += [Span(start + distance, end + distance) for start, end in row.blocks]
            choice = self._rules.choose(spans, row.length_field)
        if choice is None:
            return None
        return _Reading(row, choice, row.bits + choice.bits - price)

    def _distances(self, row: Row) -> Iterator[int]:
        """How far off the whole row occurs again with the same lengths."""
        first, last = row.blocks[0], row.blocks[-1]
        for at in self._occurrences(self._data[first.start : first.start + 4]):
            distance = at - first.start
            if at < last.end and distance > -(last.end - first.start):
                continue
            if last.end + distance <= len(self._data) and all(
                length_at(self._data, row.length_field, block.start + distance)
                == block.end - block.start
                for block in row.blocks
            ):
                yield distance

    def _blocks_of(self, reading: _Reading) -> list[Block]:
        """The blocks of a reading and all others of its shape in the image."""
        spans = self._vouched_for(reading)
        for span in spans:
            self._taken.add(span)
        for head in dict.fromkeys(self._data[span.start : span.start + 4] for span in spans):
            for start in self._occurrences(head):
                span = Span(start, start + length_at(self._data, reading.row.length_field, start))
                if self._belongs(span, spans, reading):
                    spans.append(span)
                    self._taken.add(span)
        self._extend(spans, reading)
        signatures = self._signatures(spans, reading)
        return [
            self._block(span, signature, reading)
            for span, signature in zip(spans, signatures, strict=True)
        ]

    def _vouched_for(self, reading: _Reading) -> list[Span]:
        """The blocks of a row, without ends that only seem to lead to it or on from it.

        An end whose check is wrong needs a right block of the same signature beside it.
        """
        row = list(reading.row.blocks)
        right = {span: reading.choice.rule.holds(self._data[span.start : span.end]) for span in row}
        heads = {self._data[span.start : span.start + 4] for span in row if right[span]}
        for end in (0, -1):
            while row and not right[row[end]]:
                if self._data[row[end].start : row[end].start + 4] in heads:
                    break
                row.pop(end)
        return row

    def _extend(self, spans: list[Span], reading: _Reading) -> None:
        """Add blocks of other signatures that lead up to, or follow, those of `spans`."""
        # The blocks of a row begin on multiples of one step, counted from any of them. Where they
        # are few it may be a larger one by chance: what lies off it needs a better check.
        first = reading.row.blocks[0].start
        step = _common_step(block.start - first for block in reading.row.blocks[1:])
        waiting = list(spans)
        while waiting and len(spans) < BLOCKS_MAX:
            span = waiting.pop()
            for start in self._starts_beside(span, reading):
                length = length_at(self._data, reading.row.length_field, start)
                found = Span(start, start + length)
                if not SHORTEST_BLOCK <= length <= LONGEST_BLOCK or found.end > len(self._data):
                    continue
                if not self._is_free([found]):
                    continue
                bits = reading.choice.rule.holding_bits(self._data[start : found.end])
                needed = SAME_SHAPE_BITS if (start - span.start) % step else EXTENSION_BITS
                if bits >= needed:
                    spans.append(found)
                    self._taken.add(found)
                    waiting.append(found)

    def _starts_beside(self, span: Span, reading: _Reading) -> Iterator[int]:
        """Where a block may begin that follows `span` or whose length leads to it."""
        solid = padding_start(self._data, span.start)
        nearest = max(0, span.start - EXTENSION_MAX)
        candidates = [span.end, padding_end(self._data, span.end)]
        candidates += [
            at
            for at in range(nearest, span.start - SHORTEST_BLOCK + 1)
            if solid <= at + length_at(self._data, reading.row.length_field, at) <= span.start
        ]
        for at in dict.fromkeys(candidates):
            if worth_of(self._data[at : at + 4]) >= EXTENSION_BITS:
                yield at

    def _occurrences(self, head: bytes) -> list[int]:
        if head not in self._places:
            found: list[int] = []
            at = self._data.find(head)
            while at >= 0 and len(found) < OCCURRENCES_MAX:
                found.append(at)
                at = self._data.find(head, at + 1)
            self._places[head] = found
        return self._places[head]

    def _belongs(self, span: Span, known: Sequence[Span], reading: _Reading) -> bool:
        """Whether the header at `span` begins a block of the same shape as the `known` ones."""
        size = span.end - span.start
        if not SHORTEST_BLOCK <= size <= LONGEST_BLOCK or span.end > len(self._data):
            return False
        if not self._is_free([span]):
            return False
        holding_bits = reading.choice.rule.holding_bits(self._data[span.start : span.end])
        if holding_bits >= SAME_SHAPE_BITS:
            return True
        touches = any(
            span.end == other.start
            or other.end == span.start
            or padding_end(self._data, other.end) == span.start
            or padding_end(self._data, span.end) == other.start
            for other in known
        )
        if holding_bits and touches:
            return True
        here = self._data[span.start : span.end]
        return any(
            other.end - other.start == size
            and _alike(here, self._data[other.start : other.end]) >= ALIKE
            for other in known
        )

    def _signatures(self, spans: Sequence[Span], reading: _Reading) -> list[bytes]:
        """What the blocks begin with, up to the first header field."""
        limit = reading.row.length_field.offset
        if reading.choice.rule.place >= SIGNATURE_MIN:
            limit = min(limit, reading.choice.rule.place)
        limit = min(max(limit, SIGNATURE_MIN), SIGNATURE_MAX)
        heads = [self._data[span.start : span.start + limit] for span in spans]
        shared = _common_prefix(set(heads))
        if len(shared) >= SIGNATURE_MIN and len(set(heads)) > 1:
            return [_letters(shared)] * len(heads)
        return [_letters(head) for head in heads]

    def _block(self, span: Span, signature: bytes, reading: _Reading) -> Block:
        rule = reading.choice.rule
        check = rule.check_at(span)
        others = [other.check_at(span) for other in reading.choice.others]
        return Block(
            offset=span.start,
            length=span.end - span.start,
            signature=signature,
            name="private block",
            confidence=Confidence.FOUND if reading.is_sure else Confidence.POSSIBLE,
            check=None if check is None else judged(self._data, check),
            alternatives=tuple(judged(self._data, other) for other in others if other is not None),
            length_field=replace(
                reading.row.length_field, offset=span.start + reading.row.length_field.offset
            ),
        )


def _different_stretches(copies: Sequence[Copy]) -> int:
    """How many stretches there are to try: one that occurs four times is one, not three."""
    targets: set[int] = set()
    count = 0
    for copy in copies:
        start, end = copy.span.start, copy.span.start + copy.distance
        cells = {at // STRETCH_CELL for at in (start, end)}
        count += not cells & targets
        targets |= cells
    return count


def _common_step(distances: Iterable[int]) -> int:
    """The largest power of two that divides all `distances`, up to 64; 1 if there are none."""
    joint = 64
    alone = True
    for distance in distances:
        joint |= distance
        alone = False
    return 1 if alone else joint & -joint


def _alike(one: bytes, other: bytes) -> float:
    """The share of equal bytes of two blocks of one length."""
    equal = np.frombuffer(one, np.uint8) == np.frombuffer(other, np.uint8)
    return int(np.count_nonzero(equal)) / max(1, len(one))


def _common_prefix(heads: set[bytes]) -> bytes:
    low, high = min(heads), max(heads)
    size = next((at for at, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), len(low))
    return low[:size]


def _letters(head: bytes) -> bytes:
    """The printable beginning of `head` if it has one, else its first four bytes."""
    size = next((at for at, byte in enumerate(head) if not 0x20 < byte < 0x7F), len(head))
    return head[:size] if size >= 3 else head[:SIGNATURE_MIN]
