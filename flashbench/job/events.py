"""What a round's journal can say: one frozen dataclass for each kind of line.

`KIND` is the word in the line. `SYNCED` says whether the line must be on the medium before its
writer goes on; the others are synced at most once a second, because losing one only costs a unit
that is erased once more.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Annotated, ClassVar

import msgspec

from flashbench.job.journal import JOURNAL, Line, LineRefused
from flashbench.job.refusals import JobDamaged, JobForeign
from flashbench.wording import in_plain_words

Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
PlainName = Annotated[str, msgspec.Meta(pattern="^[A-Za-z0-9][A-Za-z0-9_.-]{0,79}$")]
Hex = Annotated[str, msgspec.Meta(pattern="^([0-9a-f]{2})+$", max_length=512)]
Count = Annotated[int, msgspec.Meta(ge=0, le=1 << 40)]
Number = Annotated[int, msgspec.Meta(ge=1, le=999_999)]
Opcode = Annotated[int, msgspec.Meta(ge=0, le=255)]
Registers = Mapping[str, Annotated[int, msgspec.Meta(ge=0, le=0xFFFFFFFF)]]
"""Register name to value, as the chip's own read instructions give them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnnouncedUnit:
    """A stretch of the array that is about to change."""

    start: Count
    size: Annotated[int, msgspec.Meta(ge=1, le=1 << 40)]  # bytes
    erase_opcode: Opcode | None  # None: programmed without an erase


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundCreated:
    """The first line of a journal.

    `after_sha256` is the hash of the last line that the round before had then; None in round 1.
    """

    KIND: ClassVar[str] = "round-created"
    SYNCED: ClassVar[bool] = True
    round_number: Number
    after_sha256: Sha256 | None = None  # older journals do not have it


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundOpened:
    """The next round of the job was made, and is whole on the disk."""

    KIND: ClassVar[str] = "round-opened"
    SYNCED: ClassVar[bool] = True
    round_number: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFileWritten:
    """The whole text of job.toml, so that it can be checked and made again."""

    KIND: ClassVar[str] = "job-file-written"
    SYNCED: ClassVar[bool] = True
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipFactsSaved:
    """The hashes of chip.json and of the files in registers/, by name."""

    KIND: ClassVar[str] = "chip-facts-saved"
    SYNCED: ClassVar[bool] = True
    chip_json: Sha256
    registers: Mapping[PlainName, Sha256]


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeSaved:
    """What was told when the board was booked in, or amended since, is in intake.toml."""

    KIND: ClassVar[str] = "intake-saved"
    SYNCED: ClassVar[bool] = True
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A file in photos/ as it was found. The time of change says when to hash it again."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=255)]
    sha256: Sha256
    size: Count
    modified_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotosListed:
    """All that photos/ held when the job was opened."""

    KIND: ClassVar[str] = "photos-listed"
    SYNCED: ClassVar[bool] = True
    photos: tuple[Photo, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilesTakenIn:
    """The job was opened from two equal dumps made with other equipment: from-files.bin.

    Only reads that equal it become the original of this round.
    """

    KIND: ClassVar[str] = "files-taken-in"
    SYNCED: ClassVar[bool] = True
    sha256: Sha256
    size: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCopyProven:
    """The round's original lies in this folder of another shelf too, read back and hashed."""

    KIND: ClassVar[str] = "second-copy-proven"
    SYNCED: ClassVar[bool] = True
    folder: Annotated[str, msgspec.Meta(min_length=1, max_length=4096)]
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalSaved:
    """Two agreeing reads are on disk as original.bin."""

    KIND: ClassVar[str] = "original-saved"
    SYNCED: ClassVar[bool] = True
    sha256: Sha256
    size: Count
    jedec_id: Hex
    unique_id: Hex | None
    ways: tuple[str, ...]  # how each of the reads was made
    size_sources: tuple[str, ...]
    size_doubt: str | None
    clock_hz: Count | None = None  # SCK of the faster read; older journals do not have it


@dataclass(frozen=True, slots=True, kw_only=True)
class BestReadingSaved:
    """Reads of the chip never agreed: what most of them said is on disk as best-reading.bin.

    `reads` numbers the doubtful-N.bin it was made of. Not proven, and no original.
    """

    KIND: ClassVar[str] = "best-reading-saved"
    SYNCED: ClassVar[bool] = True
    sha256: Sha256
    size: Count
    jedec_id: Hex
    unique_id: Hex | None
    reads: tuple[Number, ...]
    unstable_sha256: Sha256  # of best-reading.json, which lists the unstable addresses
    unstable_bytes: Count
    size_sources: tuple[str, ...]
    size_doubt: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardWrote:
    """What this round's original has that the last proven contents of an earlier one had not.

    `ranges` are (start, bytes), the first of them where there are very many.
    """

    KIND: ClassVar[str] = "board-wrote"
    SYNCED: ClassVar[bool] = True
    since_round: Number
    byte_count: Count
    range_count: Count
    ranges: tuple[tuple[Count, Count], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSaved:
    """image-N.bin and changes-N.json are on disk."""

    KIND: ClassVar[str] = "image-saved"
    SYNCED: ClassVar[bool] = True
    number: Number
    sha256: Sha256
    changes_sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtfulSaved:
    """doubtful-N.bin is a complete read that did not agree with another. Never evidence."""

    KIND: ClassVar[str] = "doubtful-saved"
    SYNCED: ClassVar[bool] = True
    STEM: ClassVar[str] = "doubtful"
    number: Number
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSaved:
    """found-N.bin is what recovery read from the chip. Never evidence."""

    KIND: ClassVar[str] = "found-saved"
    SYNCED: ClassVar[bool] = True
    STEM: ClassVar[str] = "found"
    number: Number
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundRemoved:
    """found-N.bin was deleted: the first and the newest of them are kept."""

    KIND: ClassVar[str] = "found-removed"
    SYNCED: ClassVar[bool] = True
    number: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptContents:
    """kept-N.bin is what a replacement chip held before this job wrote to it."""

    KIND: ClassVar[str] = "kept-contents"
    SYNCED: ClassVar[bool] = True
    STEM: ClassVar[str] = "kept"
    number: Number
    sha256: Sha256
    jedec_id: Hex
    unique_id: Hex | None
    marking: str | None = None  # as it was given for that chip


@dataclass(frozen=True, slots=True, kw_only=True)
class EditedBlock:
    """A kind of block, by its first bytes, and what was done to it, by a hash."""

    signature: Hex
    edit_sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class BlocksEdited:
    """Which blocks an image edits, so that the same edit is known again in other jobs."""

    KIND: ClassVar[str] = "blocks-edited"
    SYNCED: ClassVar[bool] = True
    image_sha256: Sha256
    blocks: tuple[EditedBlock, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareChosen:
    """The chip of kept-N.bin is a spare, for sale or stock: it never was, nor will be, the board's.

    What is written to it says nothing of the board.
    """

    KIND: ClassVar[str] = "spare-chosen"
    SYNCED: ClassVar[bool] = True
    kept_number: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadDisagreed:
    """Two reads of the chip differed, in so many bytes."""

    KIND: ClassVar[str] = "read-disagreed"
    SYNCED: ClassVar[bool] = True
    byte_count: Count
    first_address: Count
    ways: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteAnnounced:
    """The whole plan of a write, on disk before its first change.

    `kept_number` names the kept-N.bin of a replacement chip; None is the chip of this round.
    """

    KIND: ClassVar[str] = "write-announced"
    SYNCED: ClassVar[bool] = True
    target_sha256: Sha256
    target_name: str  # "image 1", "original"
    jedec_id: Hex
    unique_id: Hex | None
    kept_number: Number | None
    units: tuple[AnnouncedUnit, ...]
    session_id: str
    registers_before: Registers


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistersSaved:
    """Register values as they were, before any of them is changed."""

    KIND: ClassVar[str] = "registers-saved"
    SYNCED: ClassVar[bool] = True
    values: Registers


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistersChanged:
    """These registers are about to get other values."""

    KIND: ClassVar[str] = "registers-changed"
    SYNCED: ClassVar[bool] = True
    before: Registers
    after: Registers


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistersRestored:
    """These registers were put back, or set for good, and read back with these values."""

    KIND: ClassVar[str] = "registers-restored"
    SYNCED: ClassVar[bool] = True
    values: Registers


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitProven:
    """An announced unit was read back and equals the target."""

    KIND: ClassVar[str] = "unit-proven"
    SYNCED: ClassVar[bool] = False
    start: Count
    size: Annotated[int, msgspec.Meta(ge=1, le=1 << 40)]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFailed:
    """An announced unit did not hold its target after so many attempts."""

    KIND: ClassVar[str] = "unit-failed"
    SYNCED: ClassVar[bool] = True
    start: Count
    size: Annotated[int, msgspec.Meta(ge=1, le=1 << 40)]
    attempts: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcodeRefuted:
    """This erase opcode erased something else than the unit it was sent for.

    What it may have erased lies in the `size` bytes from `start` on.
    """

    KIND: ClassVar[str] = "opcode-refuted"
    SYNCED: ClassVar[bool] = True
    opcode: Opcode
    start: Count
    size: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class CellsProven:
    """Every byte of the array was read back and equals the target."""

    KIND: ClassVar[str] = "cells-proven"
    SYNCED: ClassVar[bool] = True
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteFinished:
    """Cells and registers are proven: the last announced write is done."""

    KIND: ClassVar[str] = "write-finished"
    SYNCED: ClassVar[bool] = True
    target_sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeTold:
    """What became of the board after the chip of a round was soldered down again.

    `round_number` may be an earlier round than the one whose journal this line is in: a board
    that stayed dark is often told of when its chip is back in the socket.
    """

    KIND: ClassVar[str] = "outcome-told"
    SYNCED: ClassVar[bool] = True
    round_number: Number
    target_sha256: Sha256  # what the chip was proven to hold when the board was tried
    boots: bool
    memory_shown_gbit: Annotated[int, msgspec.Meta(ge=1, le=1 << 20)] | None
    test_hours: Annotated[float, msgspec.Meta(gt=0, le=10_000)] | None
    test_errors: Count | None  # None where no memory test was run
    note: Annotated[str, msgspec.Meta(max_length=500)] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeUnreadable:
    """A line that tells an outcome which cannot be: an earlier flashbench wrote it, none can now.

    Its chain holds, and the line stays as it is. No safety rests on what was told of a board, so
    it does not keep the job shut; but what was told before it is not the last word any more.
    """

    line_number: int
    round_number: int | None  # None: not readable either
    why: str

    def sentence(self) -> str:
        """What is said of it, without an end: "line 31 of the journal, ... cannot be read"."""
        return (
            f"line {self.line_number} of the journal, which tells what became of the board, cannot"
            f" be read: {self.why}"
        )


Recorded = (
    RoundCreated
    | RoundOpened
    | JobFileWritten
    | ChipFactsSaved
    | IntakeSaved
    | PhotosListed
    | SecondCopyProven
    | FilesTakenIn
    | OriginalSaved
    | BoardWrote
    | BestReadingSaved
    | ImageSaved
    | DoubtfulSaved
    | FoundSaved
    | FoundRemoved
    | KeptContents
    | ReadDisagreed
    | WriteAnnounced
    | RegistersSaved
    | RegistersChanged
    | RegistersRestored
    | UnitProven
    | UnitFailed
    | OpcodeRefuted
    | CellsProven
    | WriteFinished
    | OutcomeTold
    | SpareChosen
    | BlocksEdited
)

"""What is written into a journal."""

Event = Recorded | OutcomeUnreadable
"""What is read in a journal."""

KINDS: Mapping[str, type[Recorded]] = {event.KIND: event for event in Recorded.__args__}


def encode(event: Recorded) -> dict[str, object]:
    """The facts of a journal line. `decode` gives the event back.

    Raises `LineRefused` if it would not: a line that nobody can read makes the whole job
    unreadable.
    """
    facts: dict[str, object] = asdict(event)
    if isinstance(event, WriteAnnounced):
        # Thousands of units: three numbers each instead of three names and three numbers.
        facts["units"] = [[unit.start, unit.size, unit.erase_opcode] for unit in event.units]
    try:
        _event_of(type(event), facts)
    except (msgspec.ValidationError, OverflowError) as error:
        raise LineRefused(str(error)) from error
    return facts


def decode(line: Line) -> Event:
    """The event of a verified line; of an outcome that cannot be, `OutcomeUnreadable`.

    Raises `JobForeign` for a line whose chain holds and which this flashbench could not have
    written.
    """
    event_type = KINDS.get(line.kind)
    if event_type is None:
        raise _foreign(line, f"of a kind unknown here, {line.kind[:40]!r}")
    try:
        return _event_of(event_type, line.facts)
    except (msgspec.ValidationError, KeyError) as error:
        if event_type is OutcomeTold:
            return _unreadable_outcome(line, why=str(error))
        raise _foreign(line, f"not understood: {error}") from error


def _unreadable_outcome(line: Line, *, why: str) -> OutcomeUnreadable:
    try:
        round_number = msgspec.convert(line.facts.get("round_number"), Number)
    except msgspec.ValidationError:
        round_number = None
    return OutcomeUnreadable(line_number=line.n, round_number=round_number, why=in_plain_words(why))


def _event_of(event_type: type[Recorded], told: Mapping[str, object]) -> Recorded:
    """Raises `msgspec.ValidationError`, or `KeyError` for a plan without units."""
    facts = dict(told)
    if event_type is WriteAnnounced:
        units = msgspec.convert(facts["units"], tuple[tuple[int, int, int | None], ...])
        facts["units"] = [
            {"start": start, "size": size, "erase_opcode": opcode} for start, size, opcode in units
        ]
    return msgspec.convert(facts, event_type)


def story_of_round(lines: Sequence[Line], *, round_number: int) -> list[Event]:
    """The events of a round's verified lines.

    Raises `JobDamaged` if the journal is another round's, `JobForeign` as `decode` does.
    """
    story = [decode(line) for line in lines]
    first = story[0] if story else None
    if not isinstance(first, RoundCreated) or first.round_number != round_number:
        raise JobDamaged(f"{JOURNAL} in round-{round_number} is not the journal of that round.")
    return story


def _foreign(line: Line, why: str) -> JobForeign:
    return JobForeign(
        f"Line {line.n} of journal.jsonl is {why}.",
        next_step="Open this job with the flashbench that wrote it, or a newer one.",
    )
