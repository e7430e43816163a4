"""The whole folder of a job, checked offline: what is not as it was written. Changes nothing."""

import contextlib
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from flashbench.errors import FlashbenchError
from flashbench.job import events, job_file, journal, layout
from flashbench.job.booking import booked_in, check_intake
from flashbench.job.disk import UNFINISHED_SUFFIX, Disk, Kind
from flashbench.job.events import Event
from flashbench.job.journal import Line, Verified
from flashbench.job.lock import CHIP_LOCK, LOCK, no_lock_file
from flashbench.job.photos import PHOTO_BYTES_MAX
from flashbench.job.refusals import JobDamaged, JobForeign, journal_lost, round_lost
from flashbench.job.round_chain import chain_doubts
from flashbench.job.round_files import read_whole
from flashbench.job.taken_files import taken_in

_OF_A_JOB = (
    LOCK,
    CHIP_LOCK,
    layout.JOB_FILE,
    layout.INTAKE,
    layout.GUIDE,
    layout.PHOTOS,
    layout.REPORT,
    layout.FROM_FILES,
    layout.FROM_FILES + layout.HASH_SUFFIX,
)
_SAVED_ONCE = (layout.ORIGINAL, layout.BEST_READING, layout.UNSTABLE)
_OF_A_ROUND = (journal.JOURNAL, journal.HEAD)
_MOVE_OUT = "move it out of the folder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing about one file that is worth knowing."""

    path: str  # within the job folder
    seen: str
    damaged: bool  # False: worth a look, and nothing that was saved is lost or doubtful


@dataclass(frozen=True, slots=True, kw_only=True)
class _Round:
    """A round's folder as it was found. `story` is None where its journal cannot be relied on, or
    is not this job's."""

    story: Sequence[Event] | None
    findings: Sequence[Finding]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Saved:
    """A file that the journal says was saved."""

    name: str  # within the round's folder
    sha256: str
    has_hash_file: bool


def can_be_checked(folder: Path, *, disk: Disk | None = None) -> bool:
    """Whether there is a job, damaged or not, or what is left of one; or one that was booked in
    or opened from files, and not dumped yet."""
    disk = disk or Disk()
    if disk.kind(folder) is not Kind.FOLDER:
        return False
    names = disk.names(folder)
    return _was_opened(names) or _was_dumped(names)


def _was_dumped(names: Sequence[str]) -> bool:
    return layout.JOB_FILE in names or any(layout.round_number(name) for name in names)


def _was_opened(names: Sequence[str]) -> bool:
    return layout.INTAKE in names or layout.FROM_FILES in names


def check_folder(folder: Path, *, disk: Disk | None = None) -> tuple[Finding, ...]:
    """Everything in a job folder that is not as the journals say it was saved.

    Takes no lock and writes nothing: while another process works on the job, what that one is
    just writing is among the findings. Raises `OSError` if the folder cannot be listed.
    """
    disk = disk or Disk()
    return tuple(_findings(disk, folder))


def way_back(folder: Path, damage: Sequence[Finding], *, disk: Disk | None = None) -> str:
    """What leads on from this damage, most of all where a journal or a round is lost."""
    paths = [one.path for one in damage]
    names = (disk or Disk()).names(folder)
    newest = layout.round_folder(folder, max(layout.round_number(name) or 1 for name in names))
    if any(f"{newest.name}/{name}" in paths for name in _OF_A_ROUND):
        lost = JobDamaged("The newest journal is lost.")
        return journal_lost(lost, original=newest / layout.ORIGINAL).next_step
    if all(layout.round_number(path) is not None for path in paths):
        if any(_MOVE_OUT in one.seen for one in damage):
            return (
                "Keep this folder otherwise as it is; what is moved out may be another job's own."
            )
        original = layout.round_folder(folder, 1) / layout.ORIGINAL
        return round_lost(paths[0], original=original).next_step
    return "Keep this folder as it is, and put what is damaged back from a second copy of the job."


def _findings(disk: Disk, folder: Path) -> Iterator[Finding]:
    if not disk.is_private(folder):
        yield Finding(path=".", seen="others than its owner can enter the folder", damaged=False)
    rounds = []
    names = disk.names(folder)
    for name in names:
        number = layout.round_number(name)
        if number is not None and disk.kind(folder / name) is Kind.FOLDER:
            rounds.append(number)
        elif name == LOCK and disk.kind(folder / name) is not Kind.FILE:
            seen = f"{no_lock_file(folder / name)}; delete it"
            yield Finding(path=name, seen=seen, damaged=True)
        elif name not in _OF_A_JOB and not layout.is_edit_file(name):
            yield _unrecorded(name)
    yield from _check_from_files(disk, folder)
    if _was_dumped(names) or not _was_opened(names):
        yield from _check_rounds(disk, folder, rounds)
    else:
        seen = "its chip was not dumped yet: there is no journal to compare with"
        yield Finding(path=".", seen=seen, damaged=False)
        yield from _check_unjournalled_intake(disk, folder)


def _check_rounds(disk: Disk, folder: Path, rounds: Sequence[int]) -> Iterator[Finding]:
    """The rounds, and what the newest of their journals says of the job as a whole."""
    for number in range(1, max(rounds, default=1) + 1):
        if number not in rounds:
            yield Finding(path=f"round-{number}", seen="the round is missing", damaged=True)
    newest: Sequence[Event] | None = None
    lines: dict[int, Sequence[Line]] = {}
    for number in sorted(rounds):
        lines[number] = ()
        with contextlib.suppress(JobDamaged, OSError):  # said by `_check_round`
            verified = journal.read_journal(disk, layout.round_folder(folder, number))
            lines[number] = verified.lines
        foreign = _foreign_round(number, lines)
        if foreign is not None:
            yield foreign
            del lines[number]
            continue
        found = _check_round(disk, layout.round_folder(folder, number), number=number)
        newest = found.story
        yield from found.findings
    yield from _check_chain(lines, max(rounds, default=1))
    yield from _check_job_file(disk, folder, newest)
    if newest is None:  # then nothing tells what these must be
        yield from _check_unjournalled_intake(disk, folder)
        return
    yield from _check_intake(disk, folder, newest)
    yield from _check_photos(disk, folder, newest)


def _foreign_round(number: int, rounds: Mapping[int, Sequence[Line]]) -> Finding | None:
    """What a round is that bears another number in its journal, beside all rounds below it."""
    if not rounds[number] or not all(rounds.get(below) for below in range(1, number)):
        return None
    try:
        events.story_of_round(rounds[number], round_number=number)
    except JobForeign:
        return None
    except JobDamaged:
        pass
    else:
        return None
    own = {lines[0].sha256: below for below, lines in rounds.items() if below < number and lines}
    original = own.get(rounds[number][0].sha256)
    whose = "belongs to another job" if original is None else f"is a copy of round-{original}"
    opened = any(
        isinstance(event, events.RoundOpened) and event.round_number == number
        for event in map(events.decode, rounds.get(number - 1, ()))
    )
    instead = ", and put this job's own there from a second copy" if opened else ""
    seen = f"{whose}: {_MOVE_OUT}{instead}"
    return Finding(path=f"round-{number}", seen=seen, damaged=True)


def _check_chain(rounds: Mapping[int, Sequence[Line]], newest: int) -> Iterator[Finding]:
    """What lies between the rounds; one missing below the newest is said already."""
    known = {number: lines for number, lines in rounds.items() if lines}
    try:
        for doubt in chain_doubts(known):
            if doubt.round_number in known or doubt.round_number > newest:
                path = f"round-{doubt.round_number}"
                yield Finding(path=path, seen=doubt.seen, damaged=True)
    except JobForeign:
        return  # said by `_check_round`


def _check_from_files(disk: Disk, folder: Path) -> Iterator[Finding]:
    try:
        taken_in(disk, folder)
    except (JobDamaged, OSError) as error:
        yield Finding(path=layout.FROM_FILES, seen=_said(error), damaged=True)


def _check_round(disk: Disk, folder: Path, *, number: int) -> _Round:
    try:
        verified = journal.read_journal(disk, folder)
        story = events.story_of_round(verified.lines, round_number=number)
    except (JobDamaged, JobForeign, OSError) as error:
        path = f"{folder.name}/{_at_fault(disk, folder)}"
        return _Round(story=None, findings=[Finding(path=path, seen=_said(error), damaged=True)])
    findings = _check_journalled(disk, folder, verified, story)
    return _Round(story=story, findings=list(findings))


def _at_fault(disk: Disk, folder: Path) -> str:
    """Which of the two files it is that a round's journal cannot be read for."""
    try:
        head = read_whole(disk, folder / journal.HEAD, at_most=journal.HEAD_BYTES_MAX)
    except (JobDamaged, OSError):
        return journal.HEAD
    return journal.HEAD if journal.decode_head(head) is None else journal.JOURNAL


def _said(error: JobDamaged | JobForeign | OSError | UnicodeDecodeError) -> str:
    """What was seen, to stand behind a path: without the full stop."""
    if isinstance(error, OSError):
        return f"cannot be read: {error.strerror or 'the disk refuses'}"
    return "is not text" if isinstance(error, UnicodeDecodeError) else error.seen.removesuffix(".")


def _check_journalled(
    disk: Disk, folder: Path, verified: Verified, story: Sequence[Event]
) -> Iterator[Finding]:
    journal_path = f"{folder.name}/{journal.JOURNAL}"
    if verified.torn_bytes:
        seen = f"its last {verified.torn_bytes} bytes were never finished and do not count"
        yield Finding(path=journal_path, seen=seen, damaged=False)
    for event in story:
        if isinstance(event, events.OutcomeUnreadable):
            seen = event.sentence().removesuffix(".")
            yield Finding(path=journal_path, seen=seen, damaged=False)
    saved = list(_saved_files(story))
    for file in saved:
        yield from _check_file(disk, folder, file)
    yield from _unrecorded_files(disk, folder, saved)


def _saved_files(story: Sequence[Event]) -> Iterator[_Saved]:
    removed = {event.number for event in story if isinstance(event, events.FoundRemoved)}
    for event in story:
        match event:
            case events.OriginalSaved():
                yield _Saved(name=layout.ORIGINAL, sha256=event.sha256, has_hash_file=True)
            case events.BestReadingSaved():
                yield _Saved(name=layout.BEST_READING, sha256=event.sha256, has_hash_file=True)
                sha256 = event.unstable_sha256
                yield _Saved(name=layout.UNSTABLE, sha256=sha256, has_hash_file=False)
            case events.FoundSaved() if event.number in removed:
                pass
            case events.ImageSaved():
                name = f"image-{event.number}.bin"
                yield _Saved(name=name, sha256=event.sha256, has_hash_file=True)
                name = f"changes-{event.number}.json"
                yield _Saved(name=name, sha256=event.changes_sha256, has_hash_file=False)
            case events.DoubtfulSaved() | events.FoundSaved() | events.KeptContents():
                name = f"{event.STEM}-{event.number}.bin"
                yield _Saved(name=name, sha256=event.sha256, has_hash_file=True)
            case events.ChipFactsSaved():
                name = layout.CHIP_FACTS
                yield _Saved(name=name, sha256=event.chip_json, has_hash_file=False)
                for register, sha256 in event.registers.items():
                    name = f"{layout.REGISTERS}/{register}"
                    yield _Saved(name=name, sha256=sha256, has_hash_file=False)
            case _:
                pass


def _check_file(disk: Disk, folder: Path, file: _Saved) -> Iterator[Finding]:
    path = f"{folder.name}/{file.name}"
    try:
        data = disk.read(folder / file.name, at_most=layout.IMAGE_BYTES_MAX)
    except OSError as error:
        yield Finding(path=path, seen=f"cannot be read: {error.strerror}", damaged=True)
        return
    if hashlib.sha256(data).hexdigest() != file.sha256:
        yield Finding(path=path, seen="was changed after it was saved", damaged=True)
    if file.has_hash_file:
        yield from _check_hash_file(disk, folder, file)


def _check_hash_file(disk: Disk, folder: Path, file: _Saved) -> Iterator[Finding]:
    name = file.name + layout.HASH_SUFFIX
    path = f"{folder.name}/{name}"
    if disk.kind(folder / name) is Kind.ABSENT:
        yield Finding(path=path, seen="is missing; the journal has the hash", damaged=False)
        return
    try:
        data = disk.read(folder / name, at_most=layout.HASH_BYTES_MAX)
    except OSError as error:
        yield Finding(path=path, seen=f"cannot be read: {error.strerror}", damaged=True)
        return
    if data != layout.hash_line(file.sha256, file.name):
        yield Finding(path=path, seen="was changed; the journal has the hash", damaged=True)


def _unrecorded_files(disk: Disk, folder: Path, saved: Sequence[_Saved]) -> Iterator[Finding]:
    recorded = {file.name for file in saved} | set(_OF_A_ROUND)
    recorded |= {
        file.name + suffix
        for file in saved
        if file.has_hash_file
        for suffix in (layout.HASH_SUFFIX, layout.SECTORS_SUFFIX)
    }
    for name in disk.names(folder):
        if name == layout.REGISTERS and disk.kind(folder / name) is Kind.FOLDER:
            names = [f"{name}/{register}" for register in disk.names(folder / name)]
        else:
            names = [name]
        yield from (_unrecorded(f"{folder.name}/{each}") for each in names if each not in recorded)


def _unrecorded(path: str) -> Finding:
    name = path.rpartition("/")[2]
    if name.endswith(UNFINISHED_SUFFIX) or name == journal.RESERVE:
        seen = "was left when a process was stopped or the disk refused; it may be deleted"
    elif layout.is_numbered(name) or name.removesuffix(layout.HASH_SUFFIX) in _SAVED_ONCE:
        seen = (
            "is not in the journal, and no evidence: its saving was interrupted, or it belongs to"
            f" another job: then {_MOVE_OUT}"
        )
    else:
        seen = "was not made by flashbench"
    return Finding(path=path, seen=seen, damaged=False)


def _check_job_file(disk: Disk, folder: Path, newest: Sequence[Event] | None) -> Iterator[Finding]:
    """job.toml, against the newest round's journal where that can be relied on."""
    texts = [event.text for event in newest or () if isinstance(event, events.JobFileWritten)]
    if texts and disk.kind(folder / layout.JOB_FILE) is Kind.ABSENT:
        seen = "is missing; the journal has its text, and the next command makes it again"
        yield Finding(path=layout.JOB_FILE, seen=seen, damaged=False)
        return
    try:
        data = disk.read(folder / layout.JOB_FILE, at_most=layout.JOB_FILE_BYTES_MAX)
        job_file.decode(data.decode())
    except (JobDamaged, JobForeign, OSError, UnicodeDecodeError) as error:
        yield Finding(path=layout.JOB_FILE, seen=_said(error), damaged=True)
    else:
        if newest is not None and (not texts or data != texts[-1].encode()):
            seen = "is not what the journal of the newest round has"
            yield Finding(path=layout.JOB_FILE, seen=seen, damaged=True)


def _check_intake(disk: Disk, folder: Path, newest: Sequence[Event]) -> Iterator[Finding]:
    hashes = [event.sha256 for event in newest if isinstance(event, events.IntakeSaved)]
    try:
        doubt = check_intake(disk, folder, hashes=hashes).doubt
    except OSError as error:
        doubt = _said(error)
    if doubt is not None:
        yield Finding(path=layout.INTAKE, seen=doubt.removesuffix("."), damaged=True)


def _check_unjournalled_intake(disk: Disk, folder: Path) -> Iterator[Finding]:
    """A job that was not dumped yet has no journal: its intake can only be read, or not."""
    try:
        booked_in(folder, disk=disk)
    except FlashbenchError as error:
        yield Finding(path=layout.INTAKE, seen=error.seen.removesuffix("."), damaged=True)


def _check_photos(disk: Disk, folder: Path, newest: Sequence[Event]) -> Iterator[Finding]:
    """Every photo that was ever listed in the newest round, as it was listed last."""
    listed = {
        photo.name: photo
        for event in newest
        if isinstance(event, events.PhotosListed)
        for photo in event.photos
    }
    for name, photo in listed.items():
        path = f"{layout.PHOTOS}/{name}"
        try:
            data = disk.read(folder / layout.PHOTOS / name, at_most=PHOTO_BYTES_MAX)
        except OSError as error:
            yield Finding(path=path, seen=f"cannot be read: {error.strerror}", damaged=True)
            continue
        if hashlib.sha256(data).hexdigest() != photo.sha256:
            yield Finding(path=path, seen="was changed after it was listed", damaged=True)
