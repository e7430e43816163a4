"""Where could undocumented blocks lie? Rows of headers that lead to one another, and copies.

Two traces give a row away, whatever its format:

- one signature that occurs several times, at distances that a field behind each signature gives
  (the block's own length, in some unit, perhaps without its header);
- a stretch that occurs twice, which a walk along such a length field crosses exactly.

What comes out are candidates: places and lengths that agree with each other. Whether they are
blocks is for their checks to say.
"""

import bisect
import itertools
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from flashbench.image.checks import Order, Span
from flashbench.image.finds import LengthField
from flashbench.image.repeated_windows import Positions, words_at
from flashbench.image.windows import LETTERS, WORTH, Copy, Repeats, Triples, worth_of

SHORTEST_BLOCK = 12
LONGEST_BLOCK = 1 << 17
LONGEST_PADDING = 4096
FIELD_REACH = 40  # a length field begins within so many bytes of the block
HEADER_USUAL, HEADER_MAX = 32, 64  # bytes that a stored length may leave out
UNITS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096)
FIELD_FORMS: tuple[tuple[int, Order], ...] = (
    (2, "little"),
    (2, "big"),
    (4, "little"),
    (4, "big"),
    (3, "little"),
    (3, "big"),
)
TRIPLES_MAX = 30_000
LINKS_MAX = 20_000  # fields that link some triple, all in all
BLOCKS_MAX = 64  # of one row

BLANK = (0x00, 0xFF)


@dataclass(frozen=True, slots=True)
class Row:
    """Blocks that lie one behind the other, all read by one length field.

    `copy_at` is the distance to another place with (nearly) the same bytes, if that is how the
    row was found; `common_signature` says that all blocks begin with the same bytes. `bits` says
    how unlikely this agreement is by chance, before any check.
    """

    blocks: tuple[Span, ...]
    length_field: LengthField
    bits: float
    copy_at: int | None = None
    common_signature: bool = False


def length_at(data: bytes, field: LengthField, start: int) -> int:
    """The length that a block at `start` gives for itself; 0 where it is cut off."""
    at = start + field.offset
    stored = data[at : at + field.width]
    if at < 0 or len(stored) < field.width:
        return 0
    return int.from_bytes(stored, field.order) * field.unit + field.extra


def padding_end(data: bytes, start: int) -> int:
    """Where the run of equal blank bytes that begins at `start` ends; `start` if there is none."""
    if start >= len(data) or data[start] not in BLANK:
        return start
    window = data[start : start + LONGEST_PADDING]
    return start + len(window) - len(window.lstrip(window[:1]))


def padding_start(data: bytes, end: int) -> int:
    """Where the run of equal blank bytes that ends at `end` begins; `end` if there is none."""
    if end < 1 or data[end - 1] not in BLANK:
        return end
    window = data[max(0, end - LONGEST_PADDING) : end]
    return end - len(window) + len(window.rstrip(window[-1:]))


@dataclass(frozen=True, slots=True)
class Starts:
    """Where blocks of one sort may begin, and what it is worth in bits to meet such a place."""

    bits: float
    is_start: Callable[[int], bool]
    before: Callable[[int], int]  # the last such place before another, -1 if there is none


# ---- rows by signature


def rows_by_signature(data: bytes, repeats: Repeats) -> Iterator[Row]:
    """Three or more blocks in a row whose first four bytes are the same."""
    triples = repeats.triples
    if len(triples) > TRIPLES_MAX:
        likeliest = np.argsort(-_likeness(data, triples), kind="stable")
        triples = triples[likeliest[:TRIPLES_MAX]]
    rows = triples.astype(np.int64)

    def starts_of(first: int) -> Starts:
        signature = data[first : first + 4]
        return Starts(
            bits=worth_of(signature),
            is_start=lambda at: data[at : at + 4] == signature,
            before=lambda at: data.rfind(signature, max(0, at - LONGEST_BLOCK), at),
        )

    yield from _rows_through(data, repeats, rows, starts_of)


def rows_by_letters(data: bytes, repeats: Repeats) -> Iterator[Row]:
    """Three or more blocks in a row that each begin with a signature of letters of its own."""
    places = repeats.lettered
    if not 3 <= len(places) <= LETTERED_MAX:
        return
    starts = _starts_among(data, places)
    yield from _rows_through(data, repeats, _near_triples(places), lambda first: starts)


def rows_by_shape(data: bytes, repeats: Repeats) -> Iterator[Row]:
    """Three or more blocks in a row whose headers have no signature in common.

    A header stands out by the small numbers in it: lengths, versions, flags. It is tried to
    walk from each such place to another with every usual length field. In large images too
    many places look like that: only those up to `SHAPE_IMAGE_MAX` bytes are searched.
    """
    if len(data) > SHAPE_IMAGE_MAX:
        return
    places = repeats.headerlike
    if not 3 <= len(places) <= HEADERLIKE_MAX:
        return
    starts = _starts_among(data, places)
    walked = (
        (_walk_both_ways(data, field, first, starts), field, starts.bits)
        for field, first in itertools.islice(_shape_links(data, repeats.data, places), LINKS_MAX)
    )
    yield from sorted(_best_rows(data, walked), key=lambda row: -row.bits)[:SHAPE_ROWS_MAX]


HEADERLIKE_MAX = 20_000
SHAPE_ROWS_MAX = 60
SHAPE_IMAGE_MAX = 8 << 20
SHAPE_FIELDS = tuple(
    (unit, extra)
    for unit in UNITS[:9]
    for extra in ((0, *range(8, HEADER_USUAL + 1, 2)) if unit == 1 else (0,))
)


def _shape_links(
    raw: bytes, data: npt.NDArray[np.uint8], places: Positions
) -> Iterator[tuple[LengthField, int]]:
    """Fields with a place from which they lead to another place, and on to a third."""
    padded_from = np.array([padding_start(raw, place) for place in places.tolist()])
    for offset, (width, order) in itertools.product(range(2, HEADER_USUAL, 2), FIELD_FORMS[:4]):
        values = _values(data, places + offset, width, order)
        for unit, extra in SHAPE_FIELDS:
            if 0 < extra < offset + width:
                continue
            lengths = unit * values + extra
            usable = np.flatnonzero(
                (lengths >= SHORTEST_BLOCK) & (lengths <= LONGEST_BLOCK) & (values > 0)
            )
            end = places[usable] + lengths[usable]
            following = np.minimum(np.searchsorted(places, end), len(places) - 1)
            meets = (padded_from[following] <= end) & (end <= places[following])
            onward = np.full(len(places), -1)
            onward[usable[meets]] = following[meets]
            linked = usable[meets]
            field = LengthField(offset=offset, width=width, order=order, unit=unit, extra=extra)
            for at in linked[onward[onward[linked]] >= 0]:
                yield field, int(places[at])


def _starts_among(data: bytes, places: Positions) -> Starts:
    """Starts at any of `places`, ascending; the fewer they are, the more it is worth."""
    listed = places.tolist()

    def before(at: int) -> int:
        index = bisect.bisect_left(listed, at) - 1
        return int(listed[index]) if index >= 0 else -1

    return Starts(
        bits=math.log2(len(data) / len(listed)),
        is_start=frozenset(listed).__contains__,
        before=before,
    )


LETTERED_MAX = 20_000
SKIPPED_MAX = 3  # chance signatures inside one block


def _near_triples(places: Positions) -> Positions:
    """Triples of ascending places with at most a few others skipped between them."""
    rows = []
    for one in range(1, SKIPPED_MAX + 1):
        for two in range(one + 1, one + SKIPPED_MAX + 1):
            if two < len(places):
                rows.append(
                    np.stack([places[:-two], places[one : one - two], places[two:]], axis=1)
                )
    triples = np.concatenate(rows) if rows else np.empty((0, 3), dtype=np.int64)
    steps = np.diff(triples, axis=1)
    near = ((steps >= SHORTEST_BLOCK) & (steps <= LONGEST_BLOCK)).all(axis=1)
    kept: Positions = triples[near][:TRIPLES_MAX]
    return kept


def _rows_through(
    data: bytes, repeats: Repeats, triples: Positions, starts_of: Callable[[int], Starts]
) -> Iterator[Row]:
    if not len(triples):
        return
    walked = []
    for field, index in itertools.islice(_linking_fields(repeats.data, triples), LINKS_MAX):
        first = int(triples[index, 0])
        starts = starts_of(first)
        walked.append((_walk_both_ways(data, field, first, starts), field, starts.bits))
    for row in _best_rows(data, walked):
        heads = {data[block.start : block.start + 4] for block in row.blocks}
        yield replace(row, common_signature=len(heads) == 1)


def _likeness(data: bytes, triples: Triples) -> npt.NDArray[np.int8]:
    """How much a triple looks like headers: printable signature, aligned places."""
    signatures = words_at(data, triples[:, 0])
    score = np.zeros(len(triples), dtype=np.int8)
    for shift in range(0, 32, 8):
        score += _IS_SIGNATURE_LIKE[signatures >> np.uint32(shift) & np.uint32(0xFF)]
    joint = triples[:, 0] | triples[:, 1] | triples[:, 2]
    score += 2 * (joint % 4 == 0).view(np.int8)
    return score


_IS_SIGNATURE_LIKE = ((np.arange(256) >= 0x24) & (np.arange(256) <= 0x7A)).astype(np.int8)


def _linking_fields(
    data: npt.NDArray[np.uint8], triples: Positions
) -> Iterator[tuple[LengthField, int]]:
    """Length fields that explain both steps of a triple, with the triple's index."""
    first, second, third = triples.T
    step_one, step_two = second - first, third - second
    joint = first | second | third
    alignment = np.where(joint == 0, LONGEST_PADDING, np.minimum(joint & -joint, LONGEST_PADDING))
    # Blank bytes before a header may be padding; otherwise the blocks must touch.
    room_one = np.where(np.isin(data[second - 1], BLANK), alignment - 1, 0)
    room_two = np.where(np.isin(data[third - 1], BLANK), alignment - 1, 0)
    heads_one, heads_two = _heads(data, first), _heads(data, second)
    units = np.array(UNITS)[:, np.newaxis]
    longest = step_one.astype(np.uint32)
    for offset, (width, order) in itertools.product(range(FIELD_REACH), FIELD_FORMS):
        values = _numbers(heads_one, offset, width, order)
        usable = np.flatnonzero((values > 0) & (values <= longest))
        left = step_one[usable] - units * values[usable].astype(np.int64)
        unit, near = np.nonzero((left >= 0) & (left <= HEADER_MAX + room_one[usable]))
        index, left_one = usable[near], left[unit, near]
        value_two = _numbers(heads_two[:, index], offset, width, order).astype(np.int64)
        left_two = step_two[index] - units[unit, 0] * value_two
        room = np.maximum(room_one[index], room_two[index])
        fits = (left_two >= 0) & (left_two <= HEADER_MAX + room_two[index])
        fits &= (value_two > 0) & (np.abs(left_one - left_two) <= room)
        for at in np.flatnonzero(fits):
            triple = int(index[at])
            tightest = int(min(room_one[triple], room_two[triple]))
            largest = int(min(left_one[at], left_two[at]))
            for extra in _extras(largest, offset + width, tightest):
                field = LengthField(
                    offset=offset, width=width, order=order, unit=UNITS[unit[at]], extra=extra
                )
                yield field, triple


def _heads(data: npt.NDArray[np.uint8], places: Positions) -> npt.NDArray[np.uint32]:
    """The bytes behind each place in which a length field may lie, a row for each distance."""
    reach = np.arange(FIELD_REACH + 4)[:, np.newaxis]
    heads: npt.NDArray[np.uint32] = data[np.minimum(places + reach, len(data) - 1)].astype(
        np.uint32
    )
    return heads


def _numbers(
    heads: npt.NDArray[np.uint32], offset: int, width: int, order: Order
) -> npt.NDArray[np.uint32]:
    """The numbers stored at `offset` of each of the heads."""
    rows = heads[offset : offset + width]
    total = np.zeros(heads.shape[1], dtype=np.uint32)
    for row in rows[::-1] if order == "little" else rows:
        total <<= np.uint32(8)
        total |= row
    return total


def _extras(largest: int, header_min: int, room: int) -> Iterator[int]:
    """What a stored length may leave out: nothing, or a header of a plausible size."""
    if room == 0:
        if largest <= HEADER_MAX:
            yield largest
        return
    for extra in range(min(largest, HEADER_MAX), max(-1, largest - room - 1), -1):
        if extra == 0 or (extra >= header_min and extra % 2 == 0):
            yield extra


def _values(
    data: npt.NDArray[np.uint8], at: Positions, width: int, order: Order
) -> npt.NDArray[np.int64]:
    """The numbers stored at `at`; what would lie behind the image is read as its last byte."""
    last = len(data) - 1
    total = np.zeros(at.shape, dtype=np.int64)
    for index in range(width):
        shift = 8 * (index if order == "little" else width - 1 - index)
        total |= data[np.minimum(at + index, last)].astype(np.int64) << shift
    return total


def _walk_both_ways(
    data: bytes, field: LengthField, first: int, starts: Starts
) -> tuple[Span, ...]:
    row = list(_walk(data, field, first, starts))
    if len(row) < 3:
        return ()
    while len(row) < BLOCKS_MAX:
        start = row[0].start
        before = starts.before(start)
        if before < 0:
            break
        end = before + length_at(data, field, before)
        if end - before < SHORTEST_BLOCK or start not in (end, padding_end(data, end)):
            break
        row.insert(0, Span(before, end))
    return tuple(row)


def _walk(data: bytes, field: LengthField, start: int, starts: Starts) -> Iterator[Span]:
    for _ in range(BLOCKS_MAX):
        length = length_at(data, field, start)
        if not SHORTEST_BLOCK <= length <= LONGEST_BLOCK or start + length > len(data):
            return
        yield Span(start, start + length)
        following = start + length
        if not starts.is_start(following):
            following = padding_end(data, following)
            if not starts.is_start(following):
                return
        start = following


def _best_rows(
    data: bytes, walked: Iterable[tuple[tuple[Span, ...], LengthField, float]]
) -> list[Row]:
    """Rows of three blocks or more, each read by the field that most speaks for.

    `walked` are blocks, the field that they were read by, and what meeting a start is worth.
    """
    rows = [(blocks, field, bits) for blocks, field, bits in walked if len(blocks) >= 3]
    if not rows:
        return []
    fields = [(field.offset, field.width, field.unit, field.extra) for _, field, _ in rows]
    costs = _costs(*np.array(fields).T)
    best: dict[tuple[Span, ...], Row] = {}
    for (blocks, field, start_bits), cost in zip(rows, costs.tolist(), strict=True):
        bits = _agreement(data, blocks, field, start_bits) - cost
        known = best.get(blocks)
        if known is None or known.bits < bits:
            best[blocks] = Row(blocks, field, bits)
    return list(best.values())


def _agreement(
    data: bytes, blocks: tuple[Span, ...], field: LengthField, start_bits: float
) -> float:
    """Bits of agreement among the blocks of a row, before what was tried to find it."""
    stored = {
        data[block.start + field.offset : block.start + field.offset + field.width]
        for block in blocks[:-1]
    }
    # Equal stored lengths agree once, however many blocks have them: any table of records has
    # like bytes at equal distances.
    links = len(blocks) - 1 if len(stored) > 1 else 1
    return sum(map(worth_of, stored)) + start_bits * links


def _costs(
    offset: Positions, width: Positions, unit: Positions, extra: Positions
) -> npt.NDArray[np.float64]:
    """Logarithm of the number of length fields like each one that are tried at one place.

    Odd places and sizes are many, and rare in practice.
    """
    cost = np.full(len(offset), math.log2(FIELD_REACH / 2 * 4))
    cost += np.where(offset % np.minimum(width, 4) == 0, 0.0, 8.0)
    cost += np.where((width == 2) | (width == 4), 0.0, 4.0)
    cost += np.where(unit == 1, 0.0, math.log2(len(UNITS)))
    extra_cost = np.where(extra % 4 == 0, 4.0, np.where(extra % 2 == 0, 7.0, 12.0))
    cost += np.where(extra == 0, 0.0, extra_cost) + np.where(extra > HEADER_USUAL, 3.0, 0.0)
    return cost


# ---- rows by copy


def rows_in_copy(data: bytes, repeats: Repeats, copy: Copy) -> list[Row]:
    """Blocks that fill a stretch which occurs twice: the likeliest readings, best first."""
    readings: dict[tuple[Span, ...], Row] = {}
    for start, penalty in _row_starts(data, copy):
        begin_bits = _begin_bits(data, start, copy.distance) - penalty
        for row in _rows_across(repeats.data, data, start, copy.span):
            reading = replace(row, bits=row.bits + begin_bits, copy_at=copy.distance)
            known = readings.get(row.blocks)
            if known is None or known.bits < reading.bits:
                readings[row.blocks] = reading
    return sorted(readings.values(), key=lambda row: -row.bits)[:READINGS_MAX]


def rows_in_island(data: bytes, repeats: Repeats, island: Span) -> list[Row]:
    """Three or more blocks that fill a stretch between blank ones, best reading first."""
    begin_bits = _begin_bits(data, island.start, 0)
    rows = [
        replace(row, bits=row.bits + begin_bits)
        for row in _rows_across(repeats.data, data, island.start, island)
        if len(row.blocks) >= 3
    ]
    return sorted(rows, key=lambda row: -row.bits)[:ISLAND_READINGS_MAX]


def _begin_bits(data: bytes, start: int, distance: int) -> float:
    """What speaks for a block at `start` in itself: letters for a signature, an even place."""
    letters = 0
    for byte in data[start : start + 4]:
        if byte not in LETTERS:
            break
        letters += 1
    place = start | distance | 16
    return (2.5 * letters if letters >= 3 else 0.0) + math.log2(place & -place)


READINGS_MAX = 24
ISLAND_READINGS_MAX = 6
HITS_MAX = 120  # of one start, looked at closely
DEPTH_BITS = 4.0  # what a further block may add by its place and header
UNEQUAL_TAIL = 256  # bytes at the end of two copies in which they may differ here and there
CHANCE_BYTES = 3  # so many bytes beside a copied stretch may be equal by chance


def _row_starts(data: bytes, copy: Copy) -> Iterator[tuple[int, float]]:
    """Where the first block may begin, and the bits that each further guess costs."""
    start = copy.span.start
    behind_blank = padding_end(data, start)
    if behind_blank - start >= 2 and behind_blank < copy.span.end:
        start = behind_blank
    for extra in range(CHANCE_BYTES):
        yield start + extra, 8.0 * extra
    # A check value early in the header, unequal in the two copies, parts the signature from the
    # rest of the stretch.
    for signature in range(max(0, start - HEADER_MAX), start - 3):
        there = signature + copy.distance
        piece = data[signature : signature + 4]
        if piece == data[there : there + 4] and piece[0] not in BLANK:
            yield signature, 5.0
            return


@dataclass(frozen=True, slots=True)
class _Guesses:
    """Every length field worth trying, as columns."""

    offset: Positions
    form: Positions
    unit: Positions
    extra: Positions
    cost: npt.NDArray[np.float64]


def _all_guesses() -> _Guesses:
    rows = []
    for offset in range(FIELD_REACH):
        for form, (width, _) in enumerate(FIELD_FORMS):
            for unit in UNITS:
                header_min = offset + width
                step = 1 if unit == 1 else 2 if unit < 16 else 4
                extras = range(-(-header_min // step) * step, HEADER_MAX + 1, step)
                rows += [(offset, form, unit, extra) for extra in (0, *extras)]
    offset_, form_, unit_, extra_ = np.array(rows, dtype=np.int64).T
    width_ = np.array([width for width, _ in FIELD_FORMS])[form_]
    cost = _costs(offset_, width_, unit_, extra_)
    return _Guesses(offset_, form_, unit_, extra_, cost)


_GUESSES = _all_guesses()


def _rows_across(
    array: npt.NDArray[np.uint8], data: bytes, start: int, span: Span
) -> Iterator[Row]:
    """Walk from `start` with every length field at once; keep those that end where `span` does."""
    solid_end = _solid_end(data, span)
    lowest = solid_end - CHANCE_BYTES - start
    highest = min(max(span.end, solid_end + UNEQUAL_TAIL), len(data)) - start
    window = array[start : start + highest + HEADER_MAX + 8]
    beyond_blank = _beyond_blanks(window)
    alive = np.arange(len(_GUESSES.offset))
    at = np.zeros(len(alive), dtype=np.int64)
    steps: list[_Step] = []
    hits: list[tuple[float, int, int]] = []
    for depth in range(BLOCKS_MAX):
        lengths = _lengths(window, at, alive)
        end = at + lengths
        usable = (lengths >= SHORTEST_BLOCK) & (end <= highest)
        alive, at, end = alive[usable], at[usable], end[usable]
        steps.append(_Step(alive, at, end))
        done = end >= lowest
        worth = _stored_worth(window, alive[done]) - _GUESSES.cost[alive[done]]
        worth -= np.minimum(
            _distance_bits(end[done] - (solid_end - start)),
            _distance_bits(end[done] - (span.end - start)) + 1.0,
        )
        top = np.argsort(-worth, kind="stable")[:HITS_MAX]
        guesses = alive[done]
        hits += [(float(worth[index]), int(guesses[index]), depth) for index in top]
        behind = beyond_blank[np.minimum(end[~done], len(window) - 1)]
        alive, at = alive[~done], behind.astype(np.int64)
        if not len(alive):
            break
    hits.sort(key=lambda hit: hit[0] + DEPTH_BITS * min(hit[2], 3), reverse=True)
    for worth_bits, guess, depth in hits[:HITS_MAX]:
        blocks = _blocks_of(steps[: depth + 1], guess, start)
        bits = worth_bits + _shared_header_bits(data, blocks)
        yield Row(blocks, _field_of(guess), bits)


@dataclass(frozen=True, slots=True)
class _Step:
    """One block further with every guess that is still possible; `guess` ascends."""

    guess: Positions
    at: Positions
    end: Positions


def _stored_worth(window: npt.NDArray[np.uint8], guesses: Positions) -> npt.NDArray[np.float64]:
    """Bits that the first stored length of each guess is worth."""
    bits = np.zeros(len(guesses))
    forms = _GUESSES.form[guesses]
    for index in range(4):
        wide = np.array([width > index for width, _ in FIELD_FORMS])[forms]
        bits += wide * WORTH[window[_GUESSES.offset[guesses] + index]]
    return bits


def _distance_bits(beyond: Positions) -> npt.NDArray[np.float64]:
    """What it costs a reading to end elsewhere than where the copied stretch ends.

    Short of the end each byte must be equal by chance; beyond it the bytes are blank.
    """
    short = -8.0 * np.minimum(beyond, 0)
    bits: npt.NDArray[np.float64] = short + 2.0 * np.log2(1 + np.maximum(beyond, 0))
    return bits


def _blocks_of(steps: list[_Step], guess: int, start: int) -> tuple[Span, ...]:
    blocks = []
    for step in steps:
        index = int(np.searchsorted(step.guess, guess))
        blocks.append(Span(start + int(step.at[index]), start + int(step.end[index])))
    return tuple(blocks)


def _field_of(guess: int) -> LengthField:
    width, order = FIELD_FORMS[int(_GUESSES.form[guess])]
    return LengthField(
        offset=int(_GUESSES.offset[guess]),
        width=width,
        order=order,
        unit=int(_GUESSES.unit[guess]),
        extra=int(_GUESSES.extra[guess]),
    )


def _solid_end(data: bytes, span: Span) -> int:
    """The end of `span` without the run of blank bytes that may be filler behind it."""
    piece = data[span.start : span.end]
    if piece[-1] not in BLANK:
        return span.end
    solid = len(piece.rstrip(piece[-1:]))
    return span.start + solid if len(piece) - solid >= 2 else span.end


def _beyond_blanks(window: npt.NDArray[np.uint8]) -> npt.NDArray[np.int32]:
    """For each place the next one that is not blank, itself if it is not."""
    last = np.int32(len(window) - 1)
    blank = (window == BLANK[0]) | (window == BLANK[1])
    nearest = np.where(blank, last, np.arange(len(window), dtype=np.int32))
    np.minimum.accumulate(nearest[::-1], out=nearest[::-1])
    return nearest


def _lengths(window: npt.NDArray[np.uint8], at: Positions, guesses: Positions) -> Positions:
    lengths = np.zeros(len(at), dtype=np.int64)
    forms = _GUESSES.form[guesses]
    places = at + _GUESSES.offset[guesses]
    for form, (width, order) in enumerate(FIELD_FORMS):
        these = np.flatnonzero(forms == form)
        lengths[these] = _values(window, places[these], width, order)
    return lengths * _GUESSES.unit[guesses] + _GUESSES.extra[guesses]


def _shared_header_bits(data: bytes, blocks: tuple[Span, ...]) -> float:
    """What the headers of a row have in common; starts on multiples of a power of two as well."""
    if len(blocks) < 2:
        return 0.0
    heads = [data[block.start : block.start + 16] for block in blocks]
    shared = bytes(values[0] for values in zip(*heads, strict=False) if len(set(values)) == 1)
    each = worth_of(shared)
    joint = 64
    for block in blocks:
        joint |= block.start
    aligned = math.log2(joint & -joint)
    return (min(each, 32.0) + aligned) * (len(blocks) - 1)
