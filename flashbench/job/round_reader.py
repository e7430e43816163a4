"""What one round holds, loaded only as its journal says that it was saved."""

import contextlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from flashbench.job import events, layout
from flashbench.job.events import Event
from flashbench.job.refusals import JobDamaged, StepRefused
from flashbench.job.round_files import RoundFiles
from flashbench.wording import command_line

_E = TypeVar("_E", bound=Event)

Saying = Callable[[str], AbstractContextManager[None]]
"""Turns an `OSError` while doing what it is told into a sentence of the job."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class BestReadingFile:
    """A round's best reading as it was saved. Not proven, and no original."""

    data: bytes = field(repr=False)
    path: Path
    unstable: dict[str, object] = field(repr=False)
    saved: events.BestReadingSaved


class RoundReader:
    """Reads one round's files by its story; each `load_...` raises `JobDamaged`, and
    `StepRefused` if there is no such thing in the round."""

    def __init__(
        self,
        files: RoundFiles,
        story: Sequence[Event],
        *,
        number: int,
        label: str,
        saying: Saying,
    ) -> None:
        self._files = files
        self._story = story
        self._number = number
        self._label = label
        self._saying = saying

    @property
    def _job_folder(self) -> Path:
        return self._files.folder.parent

    def load_original(self) -> Original:
        """The round's original; see `Job.load_original`."""
        saved = last_of(self._story, events.OriginalSaved)
        if saved is None:
            raise StepRefused(
                f"Round {self._number} of job {self._label} has no original yet.",
                next_step="Dump the chip."
                if last_of(self._story, events.BestReadingSaved) is None
                else "It has a best reading, not proven, which goes to another chip only, or to one"
                f" that has it already: {command_line('write', self._job_folder, '--to-new-chip')}"
                f"  (unedited: {command_line('restore', self._job_folder, '--to-new-chip')})",
            )
        with self._saying(f"reading {layout.ORIGINAL}"):
            try:
                data = self._files.load_with_hash_file(layout.ORIGINAL, saved.sha256)
            except JobDamaged as error:
                raise self._with_what_is_good(error) from error
        return Original(
            data=data,
            path=self._files.folder / layout.ORIGINAL,
            sha256=saved.sha256,
            jedec_id=bytes.fromhex(saved.jedec_id),
            unique_id=None if saved.unique_id is None else bytes.fromhex(saved.unique_id),
            ways=saved.ways,
            size_sources=saved.size_sources,
            size_doubt=saved.size_doubt,
        )

    def load_image(self, number: int) -> bytes:
        """image-N.bin."""
        saved = self._image(number)
        name = f"image-{number}.bin"
        with self._saying(f"reading {name}"):
            return self._files.load_with_hash_file(name, saved.sha256)

    def load_changes(self, number: int) -> dict[str, object]:
        """The change sheet of image N."""
        saved = self._image(number)
        name = f"changes-{number}.json"
        with self._saying(f"reading {name}"):
            return json_object(name, self._files.load(name, saved.changes_sha256))

    def load_stored(self, sha256: str) -> bytes:
        """The original or image that has this hash."""
        for event in self._story:
            match event:
                case events.OriginalSaved(sha256=saved) if saved == sha256:
                    name = layout.ORIGINAL
                case events.BestReadingSaved(sha256=saved) if saved == sha256:
                    name = layout.BEST_READING
                case events.ImageSaved(number=image, sha256=saved) if saved == sha256:
                    name = f"image-{image}.bin"
                case _:
                    continue
            with self._saying(f"reading {name}"):
                return self._files.load(name, sha256)
        raise StepRefused(
            f"Round {self._number} of job {self._label} stores nothing with the sha256"
            f" {sha256[:16]}...",
            next_step="Name the original or one of its images.",
        )

    def load_best_reading(self) -> BestReadingFile:
        """best-reading.bin and its list of unstable addresses."""
        saved = last_of(self._story, events.BestReadingSaved)
        if saved is None:
            raise StepRefused(
                f"Round {self._number} of job {self._label} has no best reading.",
                next_step="Dump the chip.",
            )
        with self._saying(f"reading {layout.BEST_READING}"):
            return BestReadingFile(
                data=self._files.load_with_hash_file(layout.BEST_READING, saved.sha256),
                path=self._files.folder / layout.BEST_READING,
                unstable=json_object(
                    layout.UNSTABLE, self._files.load(layout.UNSTABLE, saved.unstable_sha256)
                ),
                saved=saved,
            )

    def load_kept(self, number: int) -> bytes:
        """kept-N.bin."""
        for saved in all_of(self._story, events.KeptContents):
            if saved.number == number:
                name = f"{saved.STEM}-{number}.bin"
                with self._saying(f"reading {name}"):
                    return self._files.load(name, saved.sha256)
        raise StepRefused(
            f"Round {self._number} of job {self._label} has no replacement chip {number}.",
            next_step="Name one that it has.",
        )

    def load_doubtful(self, number: int) -> bytes:
        """doubtful-N.bin."""
        for saved in all_of(self._story, events.DoubtfulSaved):
            if saved.number == number:
                name = f"{saved.STEM}-{number}.bin"
                with self._saying(f"reading {name}"):
                    return self._files.load(name, saved.sha256)
        raise StepRefused(
            f"Round {self._number} of job {self._label} has no doubtful read {number}.",
            next_step="Name one that it has.",
        )

    def load_chip_facts(self) -> dict[str, object]:
        """chip.json."""
        saved = last_of(self._story, events.ChipFactsSaved)
        if saved is None:
            raise JobDamaged(
                f"The journal of {self._files.folder.name} does not speak of chip.json."
            )
        with self._saying(f"reading {layout.CHIP_FACTS}"):
            data = self._files.load(layout.CHIP_FACTS, saved.chip_json)
        return json_object(layout.CHIP_FACTS, data)

    def _image(self, number: int) -> events.ImageSaved:
        for saved in all_of(self._story, events.ImageSaved):
            if saved.number == number:
                return saved
        raise StepRefused(
            f"Round {self._number} of job {self._label} has no image {number}.",
            next_step="Name one of its images, or make one by editing.",
        )

    def _with_what_is_good(self, error: JobDamaged) -> JobDamaged:
        good = []
        for image in all_of(self._story, events.ImageSaved):
            name = f"image-{image.number}.bin"
            with contextlib.suppress(JobDamaged, OSError):
                self._files.load(name, image.sha256)
                good.append(name)
        still_good = f"Still as saved: {', '.join(good)}." if good else "No image is as saved."
        next_step = error.next_step
        if last_of(self._story, events.WriteAnnounced) is None:
            next_step += " This job has never written to its chip: it can also be dumped again."
        return JobDamaged(f"{error.seen} {still_good}", next_step=next_step)


def all_of(story: Sequence[Event], kind: type[_E]) -> Iterator[_E]:
    """The events of one kind, oldest first."""
    return (event for event in story if isinstance(event, kind))


def last_of(story: Sequence[Event], kind: type[_E]) -> _E | None:
    """The newest event of one kind."""
    return next((event for event in reversed(story) if isinstance(event, kind)), None)


def json_object(name: str, data: bytes) -> dict[str, object]:
    """The JSON object in a file of a job. Raises `JobDamaged` if it is none."""
    try:
        content = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise JobDamaged(f"{name} is not JSON: {error}.") from error
    if not isinstance(content, dict):
        raise JobDamaged(f"{name} is not a JSON object.")
    return content
