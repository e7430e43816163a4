"""A job on disk: its rounds, their files, and what the journal says was done to the chip."""

import contextlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from flashbench.errors import FlashbenchError
from flashbench.job import events, job_file, journal, layout
from flashbench.job.booking import (
    NotedIntake,
    booked_in,
    check_intake,
    form_bytes,
    intake_event,
    refuse_other_label,
)
from flashbench.job.disk import Disk
from flashbench.job.events import Event, Recorded
from flashbench.job.intake import Intake
from flashbench.job.journal import Journal, LineRefused, Now, system_now
from flashbench.job.lock import JobLock
from flashbench.job.making import (
    ChipFacts,
    checked_job_file,
    chip_ids,
    claim,
    describe,
    holds_a_job,
    json_bytes,
    make_round,
    refuse_existing,
    refuse_little_space,
    refuse_lost_round,
    round_numbers,
)
from flashbench.job.photos import PhotoStock, take_stock
from flashbench.job.refusals import (
    JobDamaged,
    JobForeign,
    StepRefused,
    also_not_closed,
    disk_refused,
    disk_refused_after_write,
    disk_refused_during_write,
    journal_lost,
    line_refused,
)
from flashbench.job.round_chain import ChainDoubt, chain_doubts
from flashbench.job.round_files import NumberedFile, RoundFiles, SavedFile
from flashbench.job.round_reader import BestReadingFile, Original, RoundReader, all_of, last_of
from flashbench.job.spares import spare_numbers, without_spares
from flashbench.job.taken_files import (
    is_what_files_hold,
    missing_job,
    taken_in,
    unlike_files,
)
from flashbench.job.unfinished import (
    UnfinishedWrite,
    failed_units_on,
    half_written_in,
    last_written_chip,
    proven_on,
    refuted_opcodes_on,
    registers_to_put_back,
    targets_on,
    unfinished_on,
    unfinished_write,
)
from flashbench.job.way_on import leads_back
from flashbench.wording import quoted

_E = TypeVar("_E", bound=Event)
_RESERVED_PER_UNIT = 384  # a "unit-proven" line, rounded up
_RESERVED_ONCE = 256 << 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An event, and when the machine's calendar had it: ISO 8601, UTC."""

    at: str
    event: Event


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
        self._closed = False
        self._written_here: events.WriteAnnounced | None = None

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

        The folder is new, empty, booked in, or left by a creation that was interrupted. The
        label is the booked one, or the folder's name, if none is given.

        Raises:
            JobExists: there is a job, or something else, in the folder.
            JobInUse: another process is making it.
            StepRefused: the label is no label, or not the one that was booked in.
            ChipUntouched: the disk refused, or has no room for this chip's files.
        """
        disk = disk or Disk()
        booked = booked_in(folder, disk=disk)
        if label is None:
            label = folder.name if booked is None else booked.label
        refuse_other_label(booked, label)
        doubt = layout.label_doubt(label)
        if doubt is not None:
            raise StepRefused(f"{label!r} is no label: {doubt}.", next_step="Give another label.")
        with _disk_errors(f"making the job in {quoted(folder)}"):
            lock = claim(disk, folder)
            try:
                refuse_existing(disk, folder)
                refuse_little_space(disk, folder, chip.profile.density_bytes)
                text = job_file.encode(describe(chip, label=label, now=now))
                carried: list[Recorded] = []
                if booked is not None:
                    disk.write_over(folder / layout.INTAKE, form_bytes(booked))
                    carried.append(intake_event(booked))
                taken = taken_in(disk, folder)
                if taken is not None:
                    carried.append(taken)
                make_round(disk, folder, number=1, chip=chip, text=text, carried=carried, now=now)
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
            if not holds_a_job(disk, folder):
                raise missing_job(disk, folder)
            lock = JobLock.take(disk, folder)
            try:
                return cls._opened(folder, lock, disk=disk, now=now)
            except BaseException:
                lock.release()
                raise

    @classmethod
    def _opened(cls, folder: Path, lock: JobLock, *, disk: Disk, now: Now) -> Self:
        number = max(round_numbers(disk, folder))
        try:
            lines = Journal.open(disk, layout.round_folder(folder, number), now=now)
        except JobDamaged as error:
            original = layout.round_folder(folder, number) / layout.ORIGINAL
            raise journal_lost(error, original=original) from error
        story = events.story_of_round(lines.lines, round_number=number)
        refuse_lost_round(folder, number, lines.lines)
        texts = [event.text for event in story if isinstance(event, events.JobFileWritten)]
        return cls(
            folder,
            lock,
            disk=disk,
            now=now,
            round_number=number,
            file=checked_job_file(disk, folder, texts),
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
        try:
            self.close()
        except FlashbenchError as closing:
            if error is None:
                raise
            told = also_not_closed(error, closing)
            if told is not error:
                raise told from error

    def close(self) -> None:
        """Put the journal's last lines on the medium and release the lock; again: nothing.

        Raises:
            ChipHalfWritten: the disk refused, and this job's last write is proven or not, but on
                the disk it counts as unfinished.
            ChipUntouched: the disk refused, and no chip was written through this object.
        """
        if self._closed:
            return
        self._closed = True
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
            return round_numbers(self._disk, self.folder)

    def chain_doubts(self) -> tuple[ChainDoubt, ...]:
        """The rounds that do not follow the one before; what the newest says holds all the same.

        A round whose journal cannot be read is passed over. Raises `ChipUntouched` if the disk
        refuses.
        """
        rounds: dict[int, Sequence[journal.Line]] = {}
        for number in self.round_numbers:
            with contextlib.suppress(JobDamaged, JobForeign):
                lines = self._lines_of(number)
                events.story_of_round(lines, round_number=number)
                rounds[number] = lines
        return tuple(doubt for doubt in chain_doubts(rounds) if doubt.round_number in rounds)

    # The journal.

    def record(self, event: Recorded) -> None:
        """Write an event into the journal; unless it is one that may be lost, it is synced.

        Raises `ChipUntouched` (or `ChipHalfWritten`) if the disk refuses, or the event could not
        be read back: go no further then.
        """
        with self._writing(f"journalling {event.KIND}"), self._refusing_lines(event):
            try:
                self._journal.append(event.KIND, events.encode(event), sync=event.SYNCED)
            finally:
                if len(self._journal.lines) > len(self._events):
                    self._events.append(event)

    def record_or_remember(self, event: Recorded) -> None:
        """Write an event, and go on if the disk refuses: for after the first erase.

        `journal_failure` then says so until the disk has taken everything. Raises
        `ChipHalfWritten` for an event that could not be read back.
        """
        self._refuse_closed()
        with self._refusing_lines(event):
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
        with self._writing("reserving space for the journal"):
            self._lock.demand_held()
            self._journal.reserve(_RESERVED_ONCE + _RESERVED_PER_UNIT * len(write.units))
        self.record(write)
        self._written_here = write

    def lost_files(self) -> str | None:
        """Why this round's dump, journal or head is not on the disk as it was saved, or None.

        While lines are in memory that the disk refused, `journal_failure` speaks of the journal.
        """
        folder = layout.round_folder(self.folder, self.round_number)
        try:
            if self.has_best_reading:
                self.load_best_reading()
            elif self.has_original:
                self.load_original()
            if self._journal.failure is None:
                journal.read_journal(self._disk, folder)
        except FlashbenchError as error:
            return error.seen
        except OSError as error:
            return f"{quoted(folder)} cannot be read: {error.strerror or error}."
        return None

    def unfinished(self) -> UnfinishedWrite | None:
        """The last announced write of the newest round, if it is not known to be finished."""
        return unfinished_write(self._events)

    @property
    def is_going_back(self) -> bool:
        """Whether the unfinished write leads back to what the newest round dumped."""
        unfinished = self.unfinished()
        return unfinished is not None and leads_back(self._events, unfinished)

    def unfinished_on(self, kept_number: int | None) -> UnfinishedWrite | None:
        """The unfinished write of one chip: the round's own (None), or replacement kept-N."""
        return unfinished_on(self._events, kept_number)

    @property
    def registers_to_put_back(self) -> dict[str, int]:
        """First journalled values of registers changed and not put back, finished or not."""
        return registers_to_put_back(self._events)

    @property
    def half_written_chips(self) -> tuple[int | None, ...]:
        """The chips with an unfinished write: the round's own (None), replacements by number."""
        return half_written_in(self._events)

    @property
    def last_written_chip(self) -> int | None:
        """The chip last written: the round's own (None, also if none was), or kept-N's."""
        return last_written_chip(self._events)

    @property
    def spare_chips(self) -> frozenset[int]:
        """The numbers of those kept chips that are spares: no board's."""
        return spare_numbers(self._events)

    @property
    def last_written_chip_of_board(self) -> int | None:
        """As `last_written_chip`, of the board's own chip and its replacements: no spare."""
        return last_written_chip(without_spares(self._events))

    def refuted_opcodes_on(self, kept_number: int | None) -> frozenset[int]:
        """Erase opcodes that one chip has proved wrong: the round's own (None), or kept-N's."""
        return refuted_opcodes_on(self._events, kept_number)

    def failed_units_on(self, kept_number: int | None) -> Counter[range]:
        """In how many writes each unit of one chip failed, since it was last proven."""
        return failed_units_on(self._events, kept_number)

    # Files of the newest round.

    def save_original(
        self,
        data: bytes,
        *,
        chip_facts: Mapping[str, object],
        ways: Sequence[str] = (),
        size_sources: Sequence[str] = (),
        size_doubt: str | None = None,
        clock_hz: int | None = None,
    ) -> SavedFile:
        """Save what two agreeing reads gave as the round's one original, and its hash file.

        `ways` says how each read was made, `clock_hz` the SCK of the faster one. On return the file
        was read back, and the journal has its hash. After an error the round has no original, or
        (if the journal's head could not be replaced) exactly this one.

        Raises:
            StepRefused: the round has an original, was opened for another chip, or the job from
                files that hold something else (then this is kept as a doubtful read).
            ChipUntouched: the disk refused.
        """
        self.demand_nothing_dumped()
        jedec_id, unique_id = chip_ids(chip_facts)
        self._refuse_other_chip(jedec_id, unique_id)
        self._refuse_unlike_files(data)
        with self._writing(f"saving {layout.ORIGINAL}"):
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
                clock_hz=clock_hz,
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
        return self._round(round_number).load_original()

    def save_image(self, data: bytes, changes: Mapping[str, object]) -> int:
        """Save an edited image with its change sheet (JSON); its number.

        Raises:
            StepRefused: there is no original, a write is unfinished, or the size differs.
            ChipUntouched: the disk refused.
        """
        self._refuse_image(data)
        with self._writing("saving the image"):
            number = self._files.next_number("image")
            sheet = self._files.save(f"changes-{number}.json", json_bytes(changes))
            saved = self._files.save_numbered("image", data)
        self.record(
            events.ImageSaved(number=saved.number, sha256=saved.sha256, changes_sha256=sheet.sha256)
        )
        return saved.number

    def load_image(self, number: int) -> bytes:
        """image-N.bin, if it is as saved. Raises `StepRefused` if there is none, `JobDamaged`."""
        return self._round().load_image(number)

    def load_stored(self, sha256: str, *, round_number: int | None = None) -> bytes:
        """The original or image of a round that has this hash, if it is as saved.

        Raises `StepRefused` if there is none, `JobDamaged`.
        """
        return self._round(round_number).load_stored(sha256)

    def load_doubtful(self, number: int) -> bytes:
        """doubtful-N.bin of the newest round. Raises `StepRefused` if none, `JobDamaged`."""
        return self._round().load_doubtful(number)

    def load_kept(self, number: int) -> bytes:
        """kept-N.bin: what a replacement chip held before. `StepRefused` if none, `JobDamaged`."""
        return self._round().load_kept(number)

    def load_best_reading(self, *, round_number: int | None = None) -> BestReadingFile:
        """best-reading.bin of a round. Raises `StepRefused` if there is none, `JobDamaged`."""
        return self._round(round_number).load_best_reading()

    def load_changes(self, number: int, *, round_number: int | None = None) -> dict[str, object]:
        """The change sheet of image N of a round, if it is as saved."""
        return self._round(round_number).load_changes(number)

    @property
    def dumped(self) -> events.OriginalSaved | events.BestReadingSaved | None:
        """What the newest round has of its chip: an original, a best reading, or nothing yet."""
        return self._last(events.OriginalSaved) or self._last(events.BestReadingSaved)

    @property
    def has_best_reading(self) -> bool:
        """Whether reads of the newest round's chip never agreed, and the best is kept."""
        return self._last(events.BestReadingSaved) is not None

    @property
    def kept_chips(self) -> tuple[events.KeptContents, ...]:
        """The replacement chips of the newest round, in the order they were first read."""
        return tuple(self._all(events.KeptContents))

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
        """The images that a write to the own chip has announced, each once, oldest first."""
        return tuple(self.load_image(number) for number in self.announced_image_numbers())

    def announced_image_numbers(self, kept_number: int | None = None) -> tuple[int, ...]:
        """The numbers of the images announced for one chip; their files may be damaged."""
        numbers = (self.image_number(sha256) for sha256 in targets_on(self._events, kept_number))
        return tuple(number for number in numbers if number is not None)

    def proven_images(self, kept_number: int | None = None) -> frozenset[str]:
        """The hashes of all that one chip of this round was once proven to hold."""
        return proven_on(self._events, kept_number)

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
        return self.save_doubtful_numbered(data).path

    def save_doubtful_numbered(self, data: bytes) -> NumberedFile:
        """As `save_doubtful`, with the number it got."""
        saved = self._save_numbered(events.DoubtfulSaved.STEM, data)
        self.record(events.DoubtfulSaved(number=saved.number, sha256=saved.sha256))
        return saved

    def save_found(self, data: bytes) -> Path:
        """Keep what recovery read from the chip, as found-N.bin."""
        saved = self._save_numbered(events.FoundSaved.STEM, data)
        self.record(events.FoundSaved(number=saved.number, sha256=saved.sha256))
        self._remove_found_between()
        return saved.path

    def _remove_found_between(self) -> None:
        """The first shows what the accident left, the newest what there is; others may go."""
        removed = {event.number for event in self._all(events.FoundRemoved)}
        numbers = [event.number for event in self._all(events.FoundSaved)]
        for number in numbers[1:-1]:
            if number not in removed:
                self.record(events.FoundRemoved(number=number))
            with self._writing("deleting an older found-N.bin"):
                self._files.remove(f"{events.FoundSaved.STEM}-{number}.bin")

    def save_kept(self, data: bytes, chip_facts: Mapping[str, object]) -> NumberedFile:
        """Keep what a replacement chip held, as kept-N.bin; the number names that chip."""
        jedec_id, unique_id = chip_ids(chip_facts)
        marking = chip_facts.get("marking")
        saved = self._save_numbered(events.KeptContents.STEM, data)
        self.record(
            events.KeptContents(
                number=saved.number,
                sha256=saved.sha256,
                jedec_id=jedec_id,
                unique_id=unique_id,
                marking=marking if isinstance(marking, str) else None,
            )
        )
        return saved

    def save_intake(self, intake: Intake) -> None:
        """Amend what was told of the board. Raises `StepRefused` for another label."""
        refuse_other_label(intake, self.label)
        data = form_bytes(intake)
        self.record(intake_event(intake))
        with self._writing(f"saving {layout.INTAKE}"):
            self._disk.write_over(self.folder / layout.INTAKE, data)

    def load_intake(self) -> NotedIntake:
        """What was told of the board, and whether the file is as it was saved."""
        hashes = [noted.sha256 for noted in self._all(events.IntakeSaved)]
        with self._saying(f"reading {layout.INTAKE}"):
            return check_intake(self._disk, self.folder, hashes=hashes)

    @property
    def photos(self) -> tuple[events.Photo, ...]:
        """The photos as they were listed last."""
        listed = self._last(events.PhotosListed)
        return () if listed is None else listed.photos

    def list_photos(self) -> PhotoStock:
        """List and hash what lies in photos/; journalled if it is not what was listed before."""
        known = self.photos
        with self._saying(f"listing {layout.PHOTOS}"):
            stock = take_stock(self._disk, self.folder, known=known)
        if stock.photos != known:
            self.record(events.PhotosListed(photos=stock.photos))
        return stock

    def save_best_reading(
        self,
        data: bytes,
        *,
        unstable: Mapping[str, object],
        unstable_bytes: int,
        reads: Sequence[int],
        chip_facts: Mapping[str, object],
        size_sources: Sequence[str],
        size_doubt: str | None,
    ) -> SavedFile:
        """Save what most reads of a chip said as the round's best reading, which is no original.

        `reads` are the numbers of the doubtful reads it was made of.

        Raises:
            StepRefused: the round has its original or a best reading, or is of another chip.
            ChipUntouched: the disk refused.
        """
        self.demand_nothing_dumped()
        jedec_id, unique_id = chip_ids(chip_facts)
        self._refuse_other_chip(jedec_id, unique_id)
        with self._writing(f"saving {layout.BEST_READING}"):
            sheet = self._files.save(layout.UNSTABLE, json_bytes(unstable))
            saved = self._files.save_with_hash_file(layout.BEST_READING, data)
        self.record(
            events.BestReadingSaved(
                sha256=saved.sha256,
                size=len(data),
                jedec_id=jedec_id,
                unique_id=unique_id,
                reads=tuple(reads),
                unstable_sha256=sheet.sha256,
                unstable_bytes=unstable_bytes,
                size_sources=tuple(size_sources),
                size_doubt=size_doubt,
            )
        )
        return saved

    def save_report(self, html: str) -> Path:
        """Put the report into the folder, over an earlier one. It is no evidence of anything."""
        path = self.folder / layout.REPORT
        with self._writing(f"saving {layout.REPORT}"):
            self._disk.write_over(path, html.encode())
        return path

    def load_chip_facts(self, *, round_number: int | None = None) -> dict[str, object]:
        """chip.json of a round, if it is as saved. Raises `JobDamaged`."""
        return self._round(round_number).load_chip_facts()

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
        if self.dumped is None:
            raise StepRefused(
                f"Round {self.round_number} of job {self.label} has no original yet.",
                next_step="Dump the chip in this round.",
            )
        number = self.round_number + 1
        with self._writing(f"opening round {number}"):
            self._journal.flush()
            text = job_file.encode(self.file)
            make_round(
                self._disk,
                self.folder,
                number=number,
                chip=chip,
                text=text,
                carried=self._of_the_job(),
                now=self._now,
                after_sha256=self._journal.lines[-1].sha256,
            )
            opened = events.RoundOpened(round_number=number)
            self._journal.append(opened.KIND, events.encode(opened), sync=True)
            self._journal.close()
            folder = layout.round_folder(self.folder, number)
            self._journal = Journal.open(self._disk, folder, now=self._now)
        self._files = RoundFiles(self._disk, folder)
        self._events = [events.decode(line) for line in self._journal.lines]
        self.round_number = number
        return number

    def _save_numbered(self, what: str, data: bytes) -> NumberedFile:
        with self._writing(f"saving what was read as {what}"):
            return self._files.save_numbered(what, data)

    def demand_nothing_dumped(self) -> None:
        """Raise `StepRefused` if the newest round has its original or a best reading."""
        if self.dumped is None:
            return
        what = "its original" if self.has_original else "its best reading"
        raise StepRefused(
            f"Round {self.round_number} of job {self.label} has {what}, which is never replaced.",
            next_step="Open a new round for another dump of this board's chip.",
        )

    def _refuse_image(self, data: bytes) -> None:
        original = self.dumped
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

    def _refuse_unlike_files(self, data: bytes) -> None:
        """A job opened from files has no other original; what was read instead is kept."""
        taken = self._last(events.FilesTakenIn)
        if taken is not None and not is_what_files_hold(data, taken):
            raise unlike_files(data, taken, kept_as=self.save_doubtful(data))

    def _refuse_other_chip(self, jedec_id: str, unique_id: str | None) -> None:
        known_id, known_unique_id = chip_ids(self.load_chip_facts())
        other_unit = None not in (unique_id, known_unique_id) and unique_id != known_unique_id
        if jedec_id == known_id and not other_unit:
            return
        here, known = f"ID {jedec_id}", f"ID {known_id}"
        if other_unit:
            here += f", factory number {unique_id}"
            known += f", factory number {known_unique_id}"
        raise StepRefused(
            f"The dump is of another chip ({here}) than round {self.round_number} of job"
            f" {self.label} was opened for ({known}).",
            next_step="Put that chip in. If it is in, then its ID was misread when the round was"
            " opened, of which nothing was saved: dump it into a new folder, as you would dump"
            " another chip: flashbench dump NEWJOB",
        )

    def _round(self, number: int | None = None) -> RoundReader:
        if number is None or number == self.round_number:
            number, files, story = self.round_number, self._files, self._events
        else:
            lines = self._lines_of(number)
            files = RoundFiles(self._disk, layout.round_folder(self.folder, number))
            story = events.story_of_round(lines, round_number=number)
        return RoundReader(files, story, number=number, label=self.label, saying=self._saying)

    def _lines_of(self, number: int) -> Sequence[journal.Line]:
        if number == self.round_number:
            return self._journal.lines
        with self._saying(f"reading round {number}"):
            if number not in round_numbers(self._disk, self.folder):
                raise StepRefused(
                    f"Job {self.label} has no round {number}.", next_step="Name one it has."
                )
            return journal.read_journal(self._disk, layout.round_folder(self.folder, number)).lines

    def _of_the_job(self) -> list[Recorded]:
        """What the next round's journal shall say too, so that the newest one knows it all."""
        said = (self._last(events.IntakeSaved), self._last(events.PhotosListed))
        return [event for event in said if event is not None]

    def _stored_hashes(self) -> set[str]:
        stored = {image.sha256 for image in self._all(events.ImageSaved)}
        return stored | ({self.dumped.sha256} if self.dumped is not None else set())

    def _all(self, kind: type[_E]) -> Iterator[_E]:
        return all_of(self._events, kind)

    def _last(self, kind: type[_E]) -> _E | None:
        return last_of(self._events, kind)

    @contextlib.contextmanager
    def _writing(self, doing: str) -> Iterator[None]:
        """As `_saying`, for what changes the folder: nothing does once the lock is gone."""
        self._refuse_closed()
        with self._saying(doing):
            yield

    def _refuse_closed(self) -> None:
        if self._closed:
            raise StepRefused(
                f"Job {self.label} was closed, and its lock given back.",
                next_step="Open the job again.",
            )

    @contextlib.contextmanager
    def _refusing_lines(self, event: Recorded) -> Iterator[None]:
        try:
            yield
        except LineRefused as error:
            unfinished = self.unfinished() is not None
            raise line_refused(event.KIND, error, unfinished=unfinished) from error

    @contextlib.contextmanager
    def _saying(self, doing: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            doing = f"{doing} (job {self.label})"
            if self.unfinished() is None and self._written_here is not None:
                name = self._written_here.target_name
                raise disk_refused_after_write(
                    doing, error, target_name=name, folder=self.folder
                ) from error
            if self._written_here is not None:
                raise disk_refused_during_write(doing, error, folder=self.folder) from error
            unfinished = self.unfinished() is not None
            raise disk_refused(doing, error, unfinished=unfinished) from error


@contextlib.contextmanager
def _disk_errors(doing: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise disk_refused(doing, error, unfinished=False) from error
