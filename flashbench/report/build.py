"""From a job folder to the facts of its report."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec

from flashbench.image.board_numbers import find_board_numbers
from flashbench.image.change_sheet import ChangedRange, NamedRange, change_sheet
from flashbench.image.hex_listing import hex_listing
from flashbench.job import events
from flashbench.job.folder import Job, Told
from flashbench.job.outcome import outcome_of
from flashbench.job.spares import without_spares
from flashbench.job.unfinished import unfinished_write
from flashbench.report.chip_facts import read_chip, read_protected
from flashbench.report.chip_map import map_after, map_before
from flashbench.report.memory import describe_memory
from flashbench.report.reads import compare_reads, pairs_of_doubtful
from flashbench.report.short_code import short_code
from flashbench.report.story import round_story
from flashbench.report.view import (
    BestRead,
    BoardWrote,
    Booking,
    ChangedStretch,
    Changes,
    JobView,
    Next,
    Outcome,
    Photo,
    ReadDifference,
    RoundStory,
    State,
    Stored,
    StoredFile,
)
from flashbench.safe_write.best_reading import BestReading, reload_best_reading
from flashbench.safe_write.between_rounds import LeftBehind, left_by_last_round
from flashbench.safe_write.next_step import next_step

STRETCHES_MAX: Final = 100
LISTING_LINES_MAX: Final = 300
READ_PAIRS_MAX: Final = 3

_AROUND_A_CHANGE: Final = 64  # bytes in which a number written as text is looked for
_LOOKED_AT_MAX: Final = 4 << 20
_NOT_BOOKED: Final = Booking()


def told_outcome(job: Job) -> Outcome | None:
    """What was told of the board in the newest round, as the report says it."""
    told = outcome_of(job)
    if told is None:
        return None
    return Outcome(
        boots=told.boots,
        memory_shown_gbit=told.memory_shown_gbit,
        test_hours=told.test_hours,
        test_errors=told.test_errors,
    )


def build_view(
    job: Job, *, booking: Booking = _NOT_BOOKED, outcome: Outcome | None = None
) -> JobView:
    """Everything the report says of `job`. Reads its files, changes nothing.

    Raises:
        JobDamaged: a file is not as the journal says it was saved.
        ChipUntouched, ChipHalfWritten: the disk refused.
    """
    told = job.told()
    facts = job.load_chip_facts()
    protected = read_protected(facts)
    saved = job.load_original() if job.has_original else None
    original = saved.data if saved else None
    best = reload_best_reading(job) if job.has_best_reading else None
    source = best.image if best else original
    standing = _standing(job, told)
    image = job.load_stored(standing.image.sha256) if standing.image else None
    left = left_by_last_round(job) if original is not None else None
    left_data = left.data if left and original and len(left.data) == len(original) else None
    memory = describe_memory(source, image, booking=booking, outcome=outcome) if source else None
    coming = next_step(job)
    dumped = best or saved
    return JobView(
        label=job.label,
        created=job.file.created,
        as_of=told[-1].at,
        practice=job.file.rehearsal,
        round_number=job.round_number,
        state=standing.state,
        holds=standing.holds,
        on_new_chip=standing.on_new_chip,
        adapter=tuple((name, str(value)) for name, value in job.file.adapter.items()),
        chip=read_chip(
            facts,
            size_bytes=job.file.limits.density_bytes,
            size_sources=dumped.size_sources if dumped else None,
            size_doubt=dumped.size_doubt if dumped else None,
        ),
        read_ways=saved.ways if saved else (),
        original=None if best else standing.source,
        best_reading=_best_read(best) if best else None,
        images=standing.images,
        files=tuple(_files(job)),
        photos=tuple(Photo(name=photo.name, sha256=photo.sha256) for photo in job.photos),
        changes=_changes(job, standing.image, source, image, memory.places)
        if source and image and memory
        else None,
        map_before=map_before(original, left_by_last_round=left_data, protected=protected)
        if original
        else None,
        map_after=map_after(original, image, protected=protected) if original and image else None,
        board_wrote=_board_wrote(left, original) if left and left_data and original else None,
        tables=memory.tables if memory else (),
        tables_left_out=memory.tables_left_out if memory else 0,
        packages=memory.packages if memory else (),
        read_differences=_read_differences(job),
        story=_story(job),
        next=Next(proven=coming.proven, command=coming.command, why=coming.why),
        booking=booking,
        outcome=outcome,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Standing:
    """What the newest round's journal says of the chip and the files."""

    state: State
    source: Stored | None  # the original, or the best reading in its place
    images: tuple[Stored, ...]
    image: Stored | None  # the one the report is about
    holds: Stored | None
    on_new_chip: bool


def _standing(job: Job, told: Sequence[Told]) -> _Standing:
    source: Stored | None = None
    images: list[Stored] = []
    proven: str | None = None
    on_new_chip = False
    of_board = without_spares([one.event for one in told])
    for event in of_board:
        match event:
            case events.OriginalSaved():
                source = _stored("original", event.size, event.sha256)
            case events.BestReadingSaved():
                source = _stored("best reading", event.size, event.sha256)
            case events.ImageSaved() if source is not None:
                name = f"image {event.number}"
                images.append(_stored(name, source.size, event.sha256))
            case events.WriteAnnounced():
                on_new_chip = event.kept_number is not None
            case events.WriteFinished():
                proven = event.target_sha256
            case _:
                pass
    unfinished = unfinished_write(of_board)
    wanted = unfinished.target_sha256 if unfinished else proven
    by_hash = {image.sha256: image for image in images}
    known = {**by_hash, **({source.sha256: source} if source else {})}
    holds = known.get(proven) if proven and not unfinished else None
    newest = images[-1] if images else None
    return _Standing(
        state=_state(source, newest, holds, half_written=unfinished is not None),
        source=source,
        images=tuple(images),
        image=by_hash.get(wanted, newest) if wanted else newest,
        holds=holds,
        on_new_chip=on_new_chip,
    )


def _state(
    source: Stored | None, newest: Stored | None, holds: Stored | None, *, half_written: bool
) -> State:
    if half_written:
        return State.HALF_WRITTEN
    if source is None:
        return State.UNREAD
    if holds is not None:
        return State.RESTORED if holds.sha256 == source.sha256 else State.PROVEN
    return State.KEPT if newest is None else State.PREPARED


def _best_read(best: BestReading) -> BestRead:
    return BestRead(
        stored=_stored("best reading", best.density_bytes, best.sha256),
        read_count=best.read_count,
        unstable_bytes=best.unstable_bytes,
        unstable=best.unstable,
    )


def _stored(name: str, size: int, sha256: str) -> Stored:
    return Stored(name=name, size=size, sha256=sha256, code=short_code(sha256))


def _files(job: Job) -> Iterator[StoredFile]:
    for number in job.round_numbers:
        for event in (one.event for one in job.told(round_number=number)):
            match event:
                case events.OriginalSaved():
                    name = "original"
                case events.BestReadingSaved():
                    name = "best reading"
                case events.ImageSaved():
                    name = f"image {event.number}"
                case events.DoubtfulSaved() | events.FoundSaved() | events.KeptContents():
                    name = f"{event.STEM} {event.number}"
                case _:
                    continue
            code = short_code(event.sha256)
            yield StoredFile(round_number=number, name=name, sha256=event.sha256, code=code)


def _board_wrote(left: LeftBehind, original: bytes) -> BoardWrote:
    sheet = change_sheet(left.data, original)
    return BoardWrote(
        round_number=left.round_number,
        byte_count=sheet["changed_bytes"],
        stretch_count=len(sheet["ranges"]),
    )


def _changes(
    job: Job,
    stored: Stored | None,
    original: bytes,
    image: bytes,
    places: Sequence[NamedRange],
) -> Changes | None:
    """The change sheet; a sheet without names gets those of the memory records."""
    if stored is None:
        return None
    number = job.image_number(stored.sha256)
    told = _sheet(job.load_changes(number)) if number is not None else _Sheet()
    names = _names(told) or places
    sheet = change_sheet(original, image, names=names)
    stretches = [
        ChangedStretch(offset=row["offset"], length=row["length"], names=tuple(row["names"]))
        for row in sheet["ranges"]
    ]
    return Changes(
        image_name=stored.name,
        changed_bytes=sheet["changed_bytes"],
        stretch_count=len(stretches),
        stretches=tuple(stretches[:STRETCHES_MAX]),
        listing=hex_listing(original, image, names=names, lines_max=LISTING_LINES_MAX),
        numbers_touched=_numbers_touched(original, stretches),
        about=told.about,
        doubts=tuple(told.doubts),
        questions=tuple(told.questions.values()),
    )


class _SheetRow(msgspec.Struct):
    """As much of a row of changes-N.json as gives a place its name."""

    offset: int
    length: int
    names: list[str] = []


class _Sheet(msgspec.Struct):
    """What changes-N.json says besides the bytes; an image from elsewhere says less."""

    ranges: list[_SheetRow] = []
    about: str = ""
    doubts: list[str] = []
    questions: dict[str, str] = {}


def _sheet(content: dict[str, object]) -> _Sheet:
    """A change sheet of the folder; an empty one if it is of another shape."""
    try:
        return msgspec.convert(content, _Sheet)
    except msgspec.ValidationError:
        return _Sheet()


def _names(sheet: _Sheet) -> Sequence[NamedRange]:
    return tuple(
        NamedRange(offset=row.offset, length=row.length, name=name)
        for row in sheet.ranges
        for name in row.names
    )


def _numbers_touched(
    original: bytes, stretches: Sequence[ChangedStretch]
) -> tuple[str, ...] | None:
    """Kinds of board numbers in which something changes; None where too much is to be looked at."""
    around = _AROUND_A_CHANGE
    if sum(stretch.length + 2 * around for stretch in stretches) > _LOOKED_AT_MAX:
        return None
    kinds = []
    for stretch in stretches:
        changed = ChangedRange(stretch.offset, stretch.length)
        start = max(0, changed.offset - around)
        for number in find_board_numbers(original[start : changed.end + around]):
            if number.span.start + start < changed.end and changed.offset < number.span.end + start:
                kinds.append(number.kind.value)
    return tuple(dict.fromkeys(kinds))


def _read_differences(job: Job) -> tuple[ReadDifference, ...]:
    pairs = list(pairs_of_doubtful(job.story))[-READ_PAIRS_MAX:]
    found = (
        compare_reads(pair, job.load_doubtful(pair[0]), job.load_doubtful(pair[1]))
        for pair in pairs
    )
    return tuple(one for one in found if one is not None)


def _story(job: Job) -> tuple[RoundStory, ...]:
    return tuple(round_story(number, job.told(round_number=number)) for number in job.round_numbers)
