"""One job on the shelf, read from its folder without opening it.

Takes no lock and writes nothing. Every journal is verified; images are not read. What cannot be
read, or is not what a job writes, makes the entry a damaged one and never an exception. What the
journals that verify tell stays in it: a chip is known by that, whatever else is lost.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from flashbench.errors import FlashbenchError
from flashbench.job import events, job_file, journal, layout
from flashbench.job.booking import check_intake
from flashbench.job.disk import Disk, Kind
from flashbench.job.events import Event, OutcomeTold
from flashbench.job.intake import Intake
from flashbench.job.making import rounds_there
from flashbench.job.outcome import outcome_in
from flashbench.job.refusals import JobDamaged
from flashbench.job.round_chain import chain_doubts
from flashbench.job.round_files import read_whole
from flashbench.job.spares import spare_numbers, without_spares
from flashbench.job.unfinished import half_written_in, proven_on, unfinished_write
from flashbench.wording import quoted

_T = TypeVar("_T")
_CHIP_FACTS_BYTES_MAX: Final = 1 << 20


class Standing(Enum):
    """Where a job stands. The value is what the list says."""

    BOOKED = "booked in"
    UNREAD = "no original yet"
    BEST_READING = "best reading, not proven"  # and no original
    KEPT = "original kept"
    PREPARED = "image made"
    HALF_WRITTEN = "half-written"
    VERIFIED = "chip verified"  # and what became of the board nobody has told yet
    RESTORED = "original back"
    BOOTS = "boots"
    TESTED = "boots, tested"
    ERRORS = "memory errors"
    DARK = "does not boot"
    DAMAGED = "damaged"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipId:
    """What tells one chip from another; hex, lower case. Many parts have no unique ID."""

    jedec_id: str
    unique_id: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredImage:
    """An original or an edited image, by the journal: its file was not read."""

    round_number: int
    name: str  # "original", "image 2"
    file: str  # within the round's folder
    size: int  # bytes
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One folder on the shelf.

    Of a damaged one `stories`, `chips` and `images` are of the rounds whose journal verifies;
    with `has_gaps` there is, or was, another round, or one of them is not this job's.
    """

    folder: Path
    label: str
    standing: Standing
    damage: str | None = None
    has_gaps: bool = False
    created: str = ""  # ISO 8601, UTC
    last_at: str = ""  # of the newest journal line
    parts: tuple[str, ...] = ()
    marking: str | None = None
    size_bytes: int | None = None
    intake: Intake | None = None
    chips: tuple[ChipId, ...] = ()  # the board's chip, and what replaced it
    images: tuple[StoredImage, ...] = ()  # of all rounds, oldest first
    stories: Mapping[int, Sequence[Event]] = field(default_factory=dict, repr=False)
    unfinished: bool = False
    outcome: OutcomeTold | None = None

    @property
    def round_count(self) -> int:
        """How often the board's chip was dumped, or was to be."""
        return len(self.stories)

    @property
    def chip_text(self) -> str:
        """The part as the table names it, else its marking, else its ID."""
        if self.parts:
            return self.parts[0]
        return self.marking or (self.chips[0].jedec_id if self.chips else "")

    @property
    def second_copies(self) -> tuple[str, ...]:
        """Where the journal says that originals lie a second time."""
        told = (event for story in self.stories.values() for event in story)
        copies = (event.folder for event in told if isinstance(event, events.SecondCopyProven))
        return tuple(dict.fromkeys(copies))

    @property
    def chips_of_board(self) -> frozenset[ChipId]:
        """The chips that were dumped from the board, and those that a write put in their place."""
        found: set[ChipId] = set()
        for story in self.stories.values():
            written = {e.kept_number for e in story if isinstance(e, events.WriteAnnounced)}
            written -= spare_numbers(story)
            for event in story:
                match event:
                    case events.OriginalSaved() | events.BestReadingSaved():
                        found.add(ChipId(jedec_id=event.jedec_id, unique_id=event.unique_id))
                    case events.KeptContents() if event.number in written:
                        found.add(ChipId(jedec_id=event.jedec_id, unique_id=event.unique_id))
                    case _:
                        pass
        return frozenset(found)

    @property
    def spare_chips(self) -> frozenset[ChipId]:
        """The chips that were made spares from this job, and are no board's."""
        spares = {
            ChipId(jedec_id=event.jedec_id, unique_id=event.unique_id)
            for story in self.stories.values()
            for event in story
            if isinstance(event, events.KeptContents) and event.number in spare_numbers(story)
        }
        return frozenset(spares - self.chips_of_board)

    @property
    def held_by_spares(self) -> frozenset[str]:
        """The hashes of all that spare chips were made to hold."""
        return frozenset(
            sha256
            for story in self.stories.values()
            for number in spare_numbers(story)
            for sha256 in proven_on(story, number)
        )

    @property
    def held_by_board(self) -> frozenset[str]:
        """The hashes of all that the board's chips are known to have held, by dump or proof."""
        dumped = {image.sha256 for image in self.images if image.name == "original"}
        return frozenset(dumped).union(*map(proven_on_chip, self.stories.values()))

    @property
    def half_written_count(self) -> int:
        """How many chips of the job are half-written: of any round, replaced since or not."""
        return sum(len(half_written_in(story)) for story in self.stories.values())

    @property
    def note(self) -> str:
        """What the list shows of the board: device and fault as told, or nothing."""
        told = () if self.intake is None else (self.intake.device, self.intake.fault)
        return ", ".join(text for text in told if text)


def proven_on_chip(story: Sequence[Event]) -> frozenset[str]:
    """The hashes of all that the board's chip was once proven to hold, in one round."""
    done = (event for event in without_spares(story) if isinstance(event, events.WriteFinished))
    return frozenset(event.target_sha256 for event in done)


def read_entry(folder: Path, *, disk: Disk | None = None) -> Entry | None:
    """The job in `folder`; None if no job was ever begun there. Raises nothing."""
    disk = disk or Disk()
    try:
        if disk.kind(folder) is not Kind.FOLDER or not _was_begun(disk, folder):
            return None
        return _read(disk, folder)
    except FlashbenchError as error:
        return _damaged(folder, error.seen)
    except (OSError, ValueError, RecursionError) as error:
        return _damaged(folder, _cannot_be_read(error))


def _damaged(folder: Path, why: str, *, has_gaps: bool = True) -> Entry:
    return Entry(
        folder=folder,
        label=folder.name,
        standing=Standing.DAMAGED,
        damage=why,
        has_gaps=has_gaps,
    )


def _cannot_be_read(error: Exception) -> str:
    return f"It cannot be read: {error}."


def _unless_damaged(read: Callable[[], _T], damage: list[str]) -> _T | None:
    """What `read` returns, or None with a sentence more in `damage`."""
    try:
        return read()
    except FlashbenchError as error:
        damage.append(error.seen)
    except (OSError, ValueError, RecursionError) as error:
        damage.append(_cannot_be_read(error))
    return None


def _was_begun(disk: Disk, folder: Path) -> bool:
    places = (folder / layout.JOB_FILE, folder / layout.INTAKE)
    return any(disk.kind(place) is not Kind.ABSENT for place in places) or any(
        layout.round_number(name) is not None for name in disk.names(folder)
    )


def _read(disk: Disk, folder: Path) -> Entry:
    there = rounds_there(disk, folder)
    if not there and disk.kind(folder / layout.JOB_FILE) is Kind.ABSENT:
        return _only_booked(disk, folder)
    damage: list[str] = []
    lines = _sound_rounds(disk, folder, there, damage)
    if not lines:
        return _damaged(folder, damage[0])
    has_gaps = bool(damage)
    stories = {
        number: tuple(events.story_of_round(of_round, round_number=number))
        for number, of_round in lines.items()
    }
    number, newest = max(stories), stories[max(stories)]
    file = _unless_damaged(lambda: _job_file(disk, folder, newest), damage)
    facts = _unless_damaged(lambda: _chip_facts(disk, folder, number, newest), damage) or {}
    hashes = [event.sha256 for event in newest if isinstance(event, events.IntakeSaved)]
    noted = _unless_damaged(lambda: check_intake(disk, folder, hashes=hashes), damage)
    outcome = outcome_in(stories, number)
    unfinished = unfinished_write(newest) is not None
    standing = _standing(newest, unfinished=unfinished, outcome=outcome)
    return Entry(
        folder=folder,
        label=folder.name if file is None else file.label,
        standing=Standing.DAMAGED if damage else standing,
        damage=damage[0] if damage else None,
        has_gaps=has_gaps,
        created="" if file is None else file.created,
        last_at=lines[number][-1].at,
        parts=tuple(text for text in _list(facts.get("parts")) if isinstance(text, str)),
        marking=_text(facts.get("marking")),
        size_bytes=None if file is None else file.limits.density_bytes,
        intake=None if noted is None else noted.intake,
        chips=_chips(stories, facts),
        images=tuple(_images(stories)),
        stories=stories,
        unfinished=unfinished,
        outcome=outcome,
    )


def _sound_rounds(
    disk: Disk, folder: Path, there: Sequence[int], damage: list[str]
) -> dict[int, Sequence[journal.Line]]:
    """The lines of the rounds whose journal verifies; of the others a sentence in `damage` each."""
    sound: dict[int, Sequence[journal.Line]] = {}

    def read(number: int) -> Sequence[journal.Line]:
        lines = journal.read_journal(disk, layout.round_folder(folder, number)).lines
        events.story_of_round(lines, round_number=number)
        return lines

    missing = next(number for number in range(1, len(there) + 2) if number not in there)
    if missing <= max(there, default=1):
        damage.append(f"The folder round-{missing} is missing from {quoted(folder)}.")
    for number in there:
        lines = _unless_damaged(partial(read, number), damage)
        if lines is not None:
            sound[number] = lines
    for doubt in chain_doubts(sound):
        if doubt.round_number in sound or doubt.round_number > max(there):
            damage.append(f"The folder round-{doubt.round_number} {doubt.seen}.")
    return sound


def _only_booked(disk: Disk, folder: Path) -> Entry:
    noted = check_intake(disk, folder, hashes=())
    if noted.intake is None:
        return _damaged(folder, noted.doubt or "intake.toml is missing.", has_gaps=False)
    return Entry(
        folder=folder, label=noted.intake.label, standing=Standing.BOOKED, intake=noted.intake
    )


def _job_file(disk: Disk, folder: Path, newest: Sequence[Event]) -> job_file.JobFile:
    """job.toml as the journal has it. A missing one is made again when the job is opened."""
    texts = [event.text for event in newest if isinstance(event, events.JobFileWritten)]
    if not texts:
        raise JobDamaged("The journal does not speak of job.toml.")
    path = folder / layout.JOB_FILE
    if disk.kind(path) is not Kind.ABSENT:
        data = read_whole(disk, path, at_most=layout.JOB_FILE_BYTES_MAX)
        if data not in [text.encode() for text in texts]:
            raise JobDamaged("job.toml was changed after it was written.")
    return job_file.decode(texts[-1])


def _chip_facts(
    disk: Disk, folder: Path, number: int, newest: Sequence[Event]
) -> Mapping[str, object]:
    """chip.json of the newest round. Its hash is for `--check`: the list needs names alone."""
    path = layout.round_folder(folder, number) / layout.CHIP_FACTS
    facts = json.loads(read_whole(disk, path, at_most=_CHIP_FACTS_BYTES_MAX))
    if not isinstance(facts, dict):
        raise JobDamaged(f"{layout.CHIP_FACTS} is not a JSON object.")
    return facts


def _chips(
    stories: Mapping[int, Sequence[Event]], facts: Mapping[str, object]
) -> tuple[ChipId, ...]:
    found = [
        ChipId(jedec_id=event.jedec_id, unique_id=event.unique_id)
        for story in stories.values()
        for event in story
        if isinstance(event, events.OriginalSaved | events.KeptContents)
    ]
    jedec_id = _text(facts.get("jedec_id"))
    if not found and jedec_id is not None:
        found = [ChipId(jedec_id=jedec_id, unique_id=_text(facts.get("unique_id")))]
    return tuple(dict.fromkeys(found))


def _images(stories: Mapping[int, Sequence[Event]]) -> list[StoredImage]:
    found: list[StoredImage] = []
    for number, story in stories.items():
        size = 0
        for event in story:
            match event:
                case events.OriginalSaved():
                    size, name, file = event.size, "original", layout.ORIGINAL
                case events.ImageSaved():
                    name, file = f"image {event.number}", f"image-{event.number}.bin"
                case _:
                    continue
            found.append(
                StoredImage(
                    round_number=number, name=name, file=file, size=size, sha256=event.sha256
                )
            )
    return found


def _standing(
    newest: Sequence[Event], *, unfinished: bool, outcome: OutcomeTold | None
) -> Standing:
    if unfinished:
        return Standing.HALF_WRITTEN
    if outcome is not None:
        return _of_board(outcome)
    original: str | None = None
    standing = Standing.UNREAD
    for event in without_spares(newest):
        match event:
            case events.OriginalSaved():
                original, standing = event.sha256, Standing.KEPT
            case events.BestReadingSaved():
                standing = Standing.BEST_READING
            case events.ImageSaved():
                standing = Standing.PREPARED
            case events.WriteFinished(target_sha256=held):
                standing = Standing.RESTORED if held == original else Standing.VERIFIED
            case _:
                pass
    return standing


def _of_board(outcome: OutcomeTold) -> Standing:
    if not outcome.boots:
        return Standing.DARK
    if outcome.test_errors is None:
        return Standing.BOOTS
    return Standing.ERRORS if outcome.test_errors else Standing.TESTED


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []
