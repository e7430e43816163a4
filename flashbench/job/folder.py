"""A job on disk: its rounds, their files, and what the journal says was done to the chip."""

import contextlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self, TypeVar

from flashbench.chip.profile import ChipProfile
from flashbench.job import events, job_file, journal, layout
from flashbench.job.disk import UNFINISHED_SUFFIX, Disk, Kind
from flashbench.job.events import Event
from flashbench.job.journal import Journal, Now, system_now
from flashbench.job.lock import LOCK, JobLock
from flashbench.job.refusals import (
    JobDamaged,
    JobExists,
    JobMissing,
    StepRefused,
    disk_refused,
)
from flashbench.job.round_files import NumberedFile, RoundFiles, SavedFile, read_whole
from flashbench.job.unfinished import (
    UnfinishedWrite,
    refuted_opcodes,
    registers_to_put_back,
    unfinished_on,
    unfinished_write,
)
from flashbench.wording import quoted

_E = TypeVar("_E", bound=Event)
_SPACE_KEPT_FREE = 16 << 20
_RESERVED_PER_UNIT = 384  # a "unit-proven" line, rounded up
_RESERVED_ONCE = 256 << 10


class ChipFacts(Protocol):
    """What a job needs of an identified chip."""

    @property
    def profile(self) -> ChipProfile: ...

    def facts(self) -> Mapping[str, object]:
        """JSON-able: `jedec_id` in hex, `unique_id` in hex or null, `registers`, `adapter`, ..."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An event, and when the machine's calendar had it: ISO 8601, UTC."""

    at: str
    event: Event


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """A round's original as it was saved: bytes, hash file and journal line agree."""

    data: bytes = field(repr=False)
    path: Path
    sha256: str
    jedec_id: bytes
    unique_id: bytes | None
    ways: tuple[str, ...]
    size_sources: tuple[str, ...]
    size_doubt: str | None


class Job:
    """An open, locked job. Made by `create` and `open`; close it, or use it in a `with`.

    Files go to and come from the newest round, unless a round is named. Whatever the disk
    refuses is raised as `ChipUntouched`, or `ChipHalfWritten` while a write is unfinished.
    """

    def __init__(
        self,
        folder: Path,
        lock: JobLock,
        *,
        disk: Disk,
        now: Now,
        round_number: int,
        file: job_file.JobFile,
        lines: Journal,
    ) -> None:
        self.folder = folder
        self.round_number = round_number
        self.file = file
        self._lock = lock
        self._disk = disk
        self._now = now
        self._journal = lines
        self._files = RoundFiles(disk, layout.round_folder(folder, round_number))
        self._events: list[Event] = [events.decode(line) for line in lines.lines]

    @classmethod
    def create(
        cls,
        folder: Path,
        chip: ChipFacts,
        *,
        label: str | None = None,
        disk: Disk | None = None,
        now: Now = system_now,
    ) -> Self:
        """Make a job in `folder`, whose parent exists, with round 1 for this chip.

        The folder is new, empty, or left by a creation that was interrupted. The label is the
        folder's name if none is given.

        Raises:
            JobExists: there is a job, or something else, in the folder.
            JobInUse: another process is making it.
            StepRefused: the label is no label.
            ChipUntouched: the disk refused, or has no room for this chip's files.
        """
        disk = disk or Disk()
        label = folder.name if label is None else label
        doubt = layout.label_doubt(label)
        if doubt is not None:
            raise StepRefused(f"{label!r} is no label: {doubt}.", next_step="Give another label.")
        with _disk_errors(f"making the job in {quoted(folder)}"):
            lock = _claim(disk, folder)
            try:
                _refuse_existing(disk, folder)
                _refuse_little_space(disk, folder, chip.profile.density_bytes)
                text = job_file.encode(_describe(chip, label=label, now=now))
                _make_round(disk, folder, number=1, chip=chip, text=text, now=now)
                disk.write_over(folder / layout.JOB_FILE, text.encode())
                return cls._opened(folder, lock, disk=disk, now=now)
            except BaseException:
                lock.release()
                raise

    @classmethod
    def open(cls, folder: Path, *, disk: Disk | None = None, now: Now = system_now) -> Self:
        """Open and lock the job in `folder`, with its newest round.

        Raises:
            JobMissing: no job there.
            JobInUse: another process has it open.
            JobForeign: written by another version.
            JobDamaged: job.toml or the journal is not what was written.
            ChipUntouched: the disk refused.
        """
        disk = disk or Disk()
        with _disk_errors(f"opening job {folder.name}"):
            if not _holds_a_job(disk, folder):
                raise JobMissing(
                    f"There is no job in {quoted(folder)}.",
                    next_step="Name the folder of a job, or make one by dumping its chip.",
                )
            lock = JobLock.take(disk, folder)
            try:
                return cls._opened(folder, lock, disk=disk, now=now)
            except BaseException:
                lock.release()
                raise

    @classmethod
    def _opened(cls, folder: Path, lock: JobLock, *, disk: Disk, now: Now) -> Self:
        number = max(_round_numbers(disk, folder))
        lines = Journal.open(disk, layout.round_folder(folder, number), now=now)
        texts = [
            event.text
            for event in events.story_of_round(lines.lines, round_number=number)
            if isinstance(event, events.JobFileWritten)
        ]
        return cls(
            folder,
            lock,
            disk=disk,
            now=now,
            round_number=number,
            file=_checked_job_file(disk, folder, texts),
            lines=lines,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Put the journal's last lines on the medium and release the lock."""
        try:
            with self._saying("closing the journal"):
                self._journal.close()
        finally:
            self._lock.release()

    @property
    def label(self) -> str:
        """What stands on the bag."""
        return self.file.label

    @property
    def story(self) -> tuple[Event, ...]:
        """What happened in the newest round, oldest first."""
        return tuple(self._events)

    def told(self, *, round_number: int | None = None) -> tuple[Told, ...]:
        """What happened in a round, each event with its time. Raises `JobDamaged`."""
        number = self.round_number if round_number is None else round_number
        return tuple(Told(at=line.at, event=events.decode(line)) for line in self._lines_of(number))

    @property
    def round_numbers(self) -> tuple[int, ...]:
        """The rounds of this job, ascending."""
        with self._saying("listing the rounds"):
            return _round_numbers(self._disk, self.folder)

    # The journal.

    def record(self, event: Event) -> None:
        """Write an event into the journal; unless it is one that may be lost, it is synced.

        Raises `ChipUntouched` (or `ChipHalfWritten`) if the disk refuses: go no further then.
        """
        with self._saying(f"journalling {event.KIND}"):
            try:
                self._journal.append(event.KIND, events.encode(event), sync=event.SYNCED)
            finally:
                if len(self._journal.lines) > len(self._events):
                    self._events.append(event)

    def record_or_remember(self, event: Event) -> None:
        """Write an event, and go on if the disk refuses: for after the first erase.

        `journal_failure` then says so until the disk has taken everything.
        """
        self._journal.append_or_remember(event.KIND, events.encode(event), sync=event.SYNCED)
        self._events.append(event)

    @property
    def journal_failure(self) -> str | None:
        """A sentence while lines are in memory that the disk refused, else None."""
        error = self._journal.failure
        if error is None:
            return None
        return (
            f"The journal of job {self.label} is incomplete on disk: {error.strerror or error}."
            " The write itself went on."
        )

    def announce(self, write: events.WriteAnnounced) -> None:
        """Reserve the journal's space for a write and put its announcement on the medium.

        Nothing may be changed on the chip before this has returned.

        Raises:
            StepRefused: the target is neither the original nor an image of this round.
            ChipUntouched, ChipHalfWritten: the disk refused.
        """
        if write.target_sha256 not in self._stored_hashes():
            raise StepRefused(
                f"The target of the write, {write.target_name}, is not stored in this round.",
                next_step="Save it as an image of this job first.",
            )
        with self._saying("reserving space for the journal"):
            self._journal.reserve(_RESERVED_ONCE + _RESERVED_PER_UNIT * len(write.units))
        self.record(write)

    def unfinished(self) -> UnfinishedWrite | None:
        """The last announced write of the newest round, if it is not known to be finished."""
        return unfinished_write(self._events)

    def unfinished_on(self, kept_number: int | None) -> UnfinishedWrite | None:
        """The unfinished write of one chip: the round's own (None), or replacement kept-N."""
        return unfinished_on(self._events, kept_number)

    @property
    def registers_to_put_back(self) -> dict[str, int]:
        """First journalled values of registers changed and not put back, finished or not."""
        return registers_to_put_back(self._events)

    @property
    def refuted_opcodes(self) -> frozenset[int]:
        """Erase opcodes that the chip last written has proved wrong."""
        return refuted_opcodes(self._events)

    # Files of the newest round.

    def save_original(
        self,
        data: bytes,
        *,
        chip_facts: Mapping[str, object],
        ways: Sequence[str] = (),
        size_sources: Sequence[str] = (),
        size_doubt: str | None = None,
    ) -> SavedFile:
        """Save what two agreeing reads gave as the round's one original, and its hash file.

        `ways` says how each read was made. On return the file was read back, and the journal has
        its hash. After an error the round has no original, or (if the journal's head could not
        be replaced) exactly this one.

        Raises:
            StepRefused: the round has an original, or was opened for another chip.
            ChipUntouched: the disk refused.
        """
        if self._last(events.OriginalSaved) is not None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has its original, which is never"
                " replaced.",
                next_step="Open a new round for another dump of this board's chip.",
            )
        jedec_id, unique_id = _chip_ids(chip_facts)
        self._refuse_other_chip(jedec_id, unique_id)
        with self._saying(f"saving {layout.ORIGINAL}"):
            saved = self._files.save_with_hash_file(layout.ORIGINAL, data)
        self.record(
            events.OriginalSaved(
                sha256=saved.sha256,
                size=len(data),
                jedec_id=jedec_id,
                unique_id=unique_id,
                ways=tuple(ways),
                size_sources=tuple(size_sources),
                size_doubt=size_doubt,
            )
        )
        return saved

    def load_original(self, *, round_number: int | None = None) -> Original:
        """A round's original, only if its bytes, its hash file and the journal agree.

        Raises:
            StepRefused: there is none.
            JobDamaged: one of the three is not as saved; the sentence names it, and what is good.
            ChipUntouched, ChipHalfWritten: the disk refused.
        """
        number = self.round_number if round_number is None else round_number
        files, story = self._round(number)
        saved = _last_of(story, events.OriginalSaved)
        if saved is None:
            raise StepRefused(
                f"Round {number} of job {self.label} has no original yet.",
                next_step="Dump the chip.",
            )
        with self._saying(f"reading {layout.ORIGINAL}"):
            try:
                data = files.load_with_hash_file(layout.ORIGINAL, saved.sha256)
            except JobDamaged as error:
                raise self._with_what_is_good(error, files, story) from error
        return Original(
            data=data,
            path=files.folder / layout.ORIGINAL,
            sha256=saved.sha256,
            jedec_id=bytes.fromhex(saved.jedec_id),
            unique_id=None if saved.unique_id is None else bytes.fromhex(saved.unique_id),
            ways=saved.ways,
            size_sources=saved.size_sources,
            size_doubt=saved.size_doubt,
        )

    def save_image(self, data: bytes, changes: Mapping[str, object]) -> int:
        """Save an edited image with its change sheet (JSON); its number.

        Raises:
            StepRefused: there is no original, a write is unfinished, or the size differs.
            ChipUntouched: the disk refused.
        """
        self._refuse_image(data)
        with self._saying("saving the image"):
            number = self._files.next_number("image")
            sheet = self._files.save(f"changes-{number}.json", _json_bytes(changes))
            saved = self._files.save_numbered("image", data)
        self.record(
            events.ImageSaved(number=saved.number, sha256=saved.sha256, changes_sha256=sheet.sha256)
        )
        return saved.number

    def load_image(self, number: int) -> bytes:
        """image-N.bin, if it is as saved. Raises `StepRefused` if there is none, `JobDamaged`."""
        saved = {image.number: image for image in self._all(events.ImageSaved)}.get(number)
        if saved is None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has no image {number}.",
                next_step="Name one of its images, or make one by editing.",
            )
        name = f"image-{number}.bin"
        with self._saying(f"reading {name}"):
            return self._files.load_with_hash_file(name, saved.sha256)

    def load_stored(self, sha256: str, *, round_number: int | None = None) -> bytes:
        """The original or image of a round that has this hash, if it is as saved.

        Raises `StepRefused` if there is none, `JobDamaged`.
        """
        number = self.round_number if round_number is None else round_number
        files, story = self._round(number)
        for event in story:
            match event:
                case events.OriginalSaved(sha256=saved) if saved == sha256:
                    name = layout.ORIGINAL
                case events.ImageSaved(number=image, sha256=saved) if saved == sha256:
                    name = f"image-{image}.bin"
                case _:
                    continue
            with self._saying(f"reading {name}"):
                return files.load(name, sha256)
        raise StepRefused(
            f"Round {number} of job {self.label} stores nothing with the sha256 {sha256[:16]}....",
            next_step="Name the original or one of its images.",
        )

    def load_doubtful(self, number: int) -> bytes:
        """doubtful-N.bin of the newest round. Raises `StepRefused` if none, `JobDamaged`."""
        for saved in self._all(events.DoubtfulSaved):
            if saved.number == number:
                name = f"{saved.STEM}-{number}.bin"
                with self._saying(f"reading {name}"):
                    return self._files.load(name, saved.sha256)
        raise StepRefused(
            f"Round {self.round_number} of job {self.label} has no doubtful read {number}.",
            next_step="Name one that it has.",
        )

    def load_changes(self, number: int) -> dict[str, object]:
        """The change sheet of image N, if it is as saved."""
        for saved in self._all(events.ImageSaved):
            if saved.number == number:
                name = f"changes-{number}.json"
                with self._saying(f"reading {name}"):
                    return _json_object(name, self._files.load(name, saved.changes_sha256))
        raise StepRefused(
            f"Round {self.round_number} of job {self.label} has no image {number}.",
            next_step="Name one of its images, or make one by editing.",
        )

    @property
    def has_original(self) -> bool:
        """Whether the newest round has its original on disk."""
        return self._last(events.OriginalSaved) is not None

    def newest_image(self) -> int | None:
        """The number of the image saved last in the newest round."""
        saved = self._last(events.ImageSaved)
        return None if saved is None else saved.number

    def image_number(self, sha256: str) -> int | None:
        """The number of the round's image with this hash."""
        return next(
            (image.number for image in self._all(events.ImageSaved) if image.sha256 == sha256),
            None,
        )

    def announced_images(self) -> tuple[bytes, ...]:
        """The images that a write of this round has announced, each once, oldest first."""
        return tuple(self.load_image(number) for number in self.announced_image_numbers())

    def announced_image_numbers(self) -> tuple[int, ...]:
        """The numbers of `announced_images`, whose files may be damaged."""
        hashes = dict.fromkeys(write.target_sha256 for write in self._all(events.WriteAnnounced))
        numbers = (self.image_number(sha256) for sha256 in hashes)
        return tuple(number for number in numbers if number is not None)

    def proven_images(self) -> frozenset[str]:
        """The hashes of all that a chip of this round was once proven to hold."""
        return frozenset(done.target_sha256 for done in self._all(events.WriteFinished))

    @property
    def target(self) -> bytes:
        """The image an unfinished write was last announced for, else the newest image.

        Raises:
            StepRefused: there is no image.
            JobDamaged: the image is not as saved.
        """
        unfinished = self.unfinished()
        announced = [] if unfinished is None else list(reversed(unfinished.targets))
        for _, sha256 in announced:
            number = self.image_number(sha256)
            if number is not None:
                return self.load_image(number)
        newest = self.newest_image()
        if newest is None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has no image.",
                next_step="Make one by editing the original.",
            )
        return self.load_image(newest)

    def save_doubtful(self, data: bytes) -> Path:
        """Keep a complete read that did not agree with another, as doubtful-N.bin."""
        saved = self._save_numbered(events.DoubtfulSaved.STEM, data)
        self.record(events.DoubtfulSaved(number=saved.number, sha256=saved.sha256))
        return saved.path

    def save_found(self, data: bytes) -> Path:
        """Keep what recovery read from the chip, as found-N.bin."""
        saved = self._save_numbered(events.FoundSaved.STEM, data)
        self.record(events.FoundSaved(number=saved.number, sha256=saved.sha256))
        return saved.path

    def save_kept(self, data: bytes, chip_facts: Mapping[str, object]) -> NumberedFile:
        """Keep what a replacement chip held, as kept-N.bin; the number names that chip."""
        jedec_id, unique_id = _chip_ids(chip_facts)
        saved = self._save_numbered(events.KeptContents.STEM, data)
        self.record(
            events.KeptContents(
                number=saved.number, sha256=saved.sha256, jedec_id=jedec_id, unique_id=unique_id
            )
        )
        return saved

    def save_report(self, html: str) -> Path:
        """Put the report into the folder, over an earlier one. It is no evidence of anything."""
        path = self.folder / layout.REPORT
        with self._saying(f"saving {layout.REPORT}"):
            self._disk.write_over(path, html.encode())
        return path

    def load_chip_facts(self, *, round_number: int | None = None) -> dict[str, object]:
        """chip.json of a round, if it is as saved. Raises `JobDamaged`."""
        files, story = self._round(self.round_number if round_number is None else round_number)
        saved = _last_of(story, events.ChipFactsSaved)
        if saved is None:
            raise JobDamaged(f"The journal of {files.folder.name} does not speak of chip.json.")
        with self._saying(f"reading {layout.CHIP_FACTS}"):
            data = files.load(layout.CHIP_FACTS, saved.chip_json)
        return _json_object(layout.CHIP_FACTS, data)

    def open_round(self, chip: ChipFacts) -> int:
        """Begin another round with the same board's chip; earlier rounds stay as they are.

        Raises:
            StepRefused: the newest round has no original yet, or an unfinished write.
            ChipUntouched: the disk refused.
        """
        if self.unfinished() is not None:
            raise StepRefused(
                f"Job {self.label} has an unfinished write.",
                next_step="Finish it, or restore the original, before a new round.",
            )
        if self._last(events.OriginalSaved) is None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has no original yet.",
                next_step="Dump the chip in this round.",
            )
        number = self.round_number + 1
        with self._saying(f"opening round {number}"):
            self._journal.close()
            text = job_file.encode(self.file)
            _make_round(self._disk, self.folder, number=number, chip=chip, text=text, now=self._now)
            folder = layout.round_folder(self.folder, number)
            self._journal = Journal.open(self._disk, folder, now=self._now)
        self._files = RoundFiles(self._disk, folder)
        self._events = [events.decode(line) for line in self._journal.lines]
        self.round_number = number
        return number

    def _save_numbered(self, what: str, data: bytes) -> NumberedFile:
        with self._saying(f"saving what was read as {what}"):
            return self._files.save_numbered(what, data)

    def _refuse_image(self, data: bytes) -> None:
        original = self._last(events.OriginalSaved)
        if original is None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has no original yet.",
                next_step="Dump the chip first.",
            )
        if self.unfinished() is not None:
            raise StepRefused(
                f"Job {self.label} has an unfinished write, and its images are not added to.",
                next_step="Finish it, or restore the original, and then edit.",
            )
        if len(data) != original.size:
            raise StepRefused(
                f"The image has {len(data)} bytes, the original {original.size}.",
                next_step="Make the image from this job's own original.",
            )

    def _refuse_other_chip(self, jedec_id: str, unique_id: str | None) -> None:
        known_id, known_unique_id = _chip_ids(self.load_chip_facts())
        other_unit = None not in (unique_id, known_unique_id) and unique_id != known_unique_id
        if jedec_id != known_id or other_unit:
            raise StepRefused(
                f"The dump is of another chip (ID {jedec_id}) than round {self.round_number} of"
                f" job {self.label} was opened for (ID {known_id}).",
                next_step="Put that chip in, or make another job for this one.",
            )

    def _with_what_is_good(
        self, error: JobDamaged, files: RoundFiles, story: Sequence[Event]
    ) -> JobDamaged:
        good = []
        for image in (event for event in story if isinstance(event, events.ImageSaved)):
            name = f"image-{image.number}.bin"
            with contextlib.suppress(JobDamaged, OSError):
                files.load(name, image.sha256)
                good.append(name)
        still_good = f"Still as saved: {', '.join(good)}." if good else "No image is as saved."
        next_step = error.next_step
        if not any(isinstance(event, events.WriteAnnounced) for event in story):
            next_step += " This job has never written to its chip: it can also be dumped again."
        return JobDamaged(f"{error.seen} {still_good}", next_step=next_step)

    def _round(self, number: int) -> tuple[RoundFiles, Sequence[Event]]:
        if number == self.round_number:
            return self._files, self._events
        lines = self._lines_of(number)
        folder = layout.round_folder(self.folder, number)
        return RoundFiles(self._disk, folder), events.story_of_round(lines, round_number=number)

    def _lines_of(self, number: int) -> Sequence[journal.Line]:
        if number == self.round_number:
            return self._journal.lines
        with self._saying(f"reading round {number}"):
            if number not in _round_numbers(self._disk, self.folder):
                raise StepRefused(
                    f"Job {self.label} has no round {number}.", next_step="Name one it has."
                )
            return journal.read_journal(self._disk, layout.round_folder(self.folder, number)).lines

    def _stored_hashes(self) -> set[str]:
        stored = {image.sha256 for image in self._all(events.ImageSaved)}
        return stored | {original.sha256 for original in self._all(events.OriginalSaved)}

    def _all(self, kind: type[_E]) -> Iterator[_E]:
        return (event for event in self._events if isinstance(event, kind))

    def _last(self, kind: type[_E]) -> _E | None:
        return _last_of(self._events, kind)

    @contextlib.contextmanager
    def _saying(self, doing: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            unfinished = self.unfinished() is not None
            raise disk_refused(
                f"{doing} (job {self.label})", error, unfinished=unfinished
            ) from error


@contextlib.contextmanager
def _disk_errors(doing: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise disk_refused(doing, error, unfinished=False) from error


def _last_of(story: Sequence[Event], kind: type[_E]) -> _E | None:
    return next((event for event in reversed(story) if isinstance(event, kind)), None)


def _claim(disk: Disk, folder: Path) -> JobLock:
    kind = disk.kind(folder)
    if kind is Kind.ABSENT:
        disk.make_folder(folder)
        disk.sync_folder(folder.parent)
    elif kind is not Kind.FOLDER:
        raise JobExists(
            f"{quoted(folder)} is not a folder.", next_step="Name a folder that is new."
        )
    else:
        _refuse_strange_names(disk, folder)
        disk.make_private(folder)
    return JobLock.take(disk, folder)


def _refuse_strange_names(disk: Disk, folder: Path) -> None:
    ours = {LOCK, layout.PHOTOS, layout.JOB_FILE, layout.JOB_FILE + UNFINISHED_SUFFIX}
    for name in disk.names(folder):
        if name in ours or layout.round_number(name.removesuffix(UNFINISHED_SUFFIX)):
            continue
        raise JobExists(
            f"{quoted(folder)} is not empty: it holds {name!r}.",
            next_step="Name a folder that is new or empty.",
        )


def _refuse_existing(disk: Disk, folder: Path) -> None:
    if _holds_a_job(disk, folder):
        raise JobExists(
            f"There is a job in {quoted(folder)} already.",
            next_step="Open that one, or name a folder that is new.",
        )


def _refuse_little_space(disk: Disk, folder: Path, density_bytes: int) -> None:
    # The original, one image, and what a recovery finds.
    needed = 3 * density_bytes + _SPACE_KEPT_FREE
    free = disk.free_bytes(folder)
    if free < needed:
        raise StepRefused(
            f"The disk of {quoted(folder)} has {free >> 20} MiB free; this chip's job needs"
            f" {needed >> 20} MiB.",
            next_step="Free some space on that disk, or use another folder.",
        )


def _holds_a_job(disk: Disk, folder: Path) -> bool:
    """Whether a creation in this folder got as far as job.toml, or to an original."""
    if disk.kind(folder) is not Kind.FOLDER:
        return False
    if disk.kind(folder / layout.JOB_FILE) is not Kind.ABSENT:
        return True
    first = layout.round_folder(folder, 1)
    return disk.kind(first / layout.ORIGINAL) is not Kind.ABSENT


def _round_numbers(disk: Disk, folder: Path) -> tuple[int, ...]:
    numbers = sorted(
        number
        for name in disk.names(folder)
        if (number := layout.round_number(name)) is not None
        and disk.kind(folder / name) is Kind.FOLDER
    )
    if not numbers or numbers != list(range(1, len(numbers) + 1)):
        missing = next(n for n in range(1, len(numbers) + 2) if n not in numbers)
        raise JobDamaged(f"The folder round-{missing} is missing from {quoted(folder)}.")
    return tuple(numbers)


def _checked_job_file(disk: Disk, folder: Path, texts: Sequence[str]) -> job_file.JobFile:
    """job.toml as the journal has it; one that is missing or was being replaced is made again."""
    if not texts:
        raise JobDamaged("The journal does not speak of job.toml.")
    path = folder / layout.JOB_FILE
    if disk.kind(path) is Kind.ABSENT:
        disk.write_over(path, texts[-1].encode())
    data = read_whole(disk, path, at_most=layout.JOB_FILE_BYTES_MAX)
    if data == texts[-1].encode():
        return job_file.decode(texts[-1])
    if data in [text.encode() for text in texts[:-1]]:
        disk.write_over(path, texts[-1].encode())
        return job_file.decode(texts[-1])
    with contextlib.suppress(UnicodeDecodeError):
        job_file.decode(data.decode())  # its own complaint, of a foreign version say, comes first
    raise JobDamaged(
        "job.toml was changed after it was written; the journal is intact and holds its text.",
        next_step="Move job.toml out of the folder: it is then made again from the journal.",
    )


def _make_round(
    disk: Disk, folder: Path, *, number: int, chip: ChipFacts, text: str, now: Now
) -> None:
    """Make a round's folder under another name, and give it its own when it is whole."""
    target = layout.round_folder(folder, number)
    making = target.with_name(target.name + UNFINISHED_SUFFIX)
    for left in (target, making):  # `target`: of a creation that did not get to job.toml
        _remove_unfinished_round(disk, left)
    disk.make_folder(making)
    lines = Journal.create(disk, making, now=now)
    story = (
        events.RoundCreated(round_number=number),
        events.JobFileWritten(text=text),
        _save_chip_facts(disk, making, chip.facts()),
    )
    try:
        for event in story:
            lines.append(event.KIND, events.encode(event), sync=event is story[-1])
    finally:
        lines.close()
    disk.move_new(making, target)
    disk.sync_folder(folder)


def _remove_unfinished_round(disk: Disk, folder: Path) -> None:
    if disk.kind(folder) is Kind.ABSENT:
        return
    ours = (journal.JOURNAL, journal.HEAD, layout.CHIP_FACTS, layout.REGISTERS)
    names = disk.names(folder)
    strange = [name for name in names if name.removesuffix(UNFINISHED_SUFFIX) not in ours]
    if strange:
        raise JobExists(
            f"{quoted(folder)} holds {strange[0]!r}, which no interrupted creation leaves.",
            next_step="Name a folder that is new.",
        )
    registers = folder / layout.REGISTERS
    if layout.REGISTERS in names:
        for name in disk.names(registers):
            disk.unlink(registers / name)
        disk.remove_folder(registers)
    for name in names:
        if name != layout.REGISTERS:
            disk.unlink(folder / name)
    disk.remove_folder(folder)


def _save_chip_facts(
    disk: Disk, folder: Path, facts: Mapping[str, object]
) -> events.ChipFactsSaved:
    _chip_ids(facts)
    chip_json = RoundFiles(disk, folder).save(layout.CHIP_FACTS, _json_bytes(facts))
    registers = facts.get("registers")
    hashes: dict[str, str] = {}
    if isinstance(registers, Mapping) and registers:
        disk.make_folder(folder / layout.REGISTERS)
        files = RoundFiles(disk, folder / layout.REGISTERS)
        for name, value in registers.items():
            data = _register_bytes(str(name), value)
            hashes[f"{name}.bin"] = files.save(f"{name}.bin", data).sha256
    return events.ChipFactsSaved(chip_json=chip_json.sha256, registers=hashes)


def _register_bytes(name: str, value: object) -> bytes:
    """A register's value as a file: an int is one byte or more, big-endian; a str is hex."""
    if not layout.is_plain(name):
        raise ValueError(f"a register's name becomes a file's: {name!r} cannot")
    if isinstance(value, int):
        return value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big")
    if isinstance(value, str):
        return bytes.fromhex(value)
    raise TypeError(f"register {name} is neither a number nor hex")


def _chip_ids(facts: Mapping[str, object]) -> tuple[str, str | None]:
    jedec_id, unique_id = facts.get("jedec_id"), facts.get("unique_id")
    if not isinstance(jedec_id, str) or not isinstance(unique_id, str | None):
        raise TypeError("chip facts have jedec_id in hex, and unique_id in hex or None")
    plain = bytes.fromhex(jedec_id).hex()
    return plain, bytes.fromhex(unique_id).hex() if unique_id else None


def _describe(chip: ChipFacts, *, label: str, now: Now) -> job_file.JobFile:
    profile = chip.profile
    times = [kind.ms_max for region in profile.regions for kind in region.kinds]
    if profile.chip_erase is not None:
        times.append(profile.chip_erase.ms_max)
    adapter = chip.facts().get("adapter")
    identity = {
        str(key): value
        for key, value in (adapter.items() if isinstance(adapter, Mapping) else ())
        if isinstance(value, str | int)
    }
    return job_file.JobFile(
        label=label,
        created=now().isoformat(timespec="seconds"),
        rehearsal=str(identity.get("url", "")).startswith("rehearsal:"),
        adapter=identity,
        limits=job_file.Limits(
            density_bytes=profile.density_bytes, longest_erase_ms=float(max(times, default=0.0))
        ),
    )


def _json_bytes(content: Mapping[str, object]) -> bytes:
    return json.dumps(content, indent=2, ensure_ascii=True, allow_nan=False).encode() + b"\n"


def _json_object(name: str, data: bytes) -> dict[str, object]:
    try:
        content = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise JobDamaged(f"{name} is not JSON: {error}.") from error
    if not isinstance(content, dict):
        raise JobDamaged(f"{name} is not a JSON object.")
    return content
