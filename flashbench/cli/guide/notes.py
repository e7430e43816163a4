"""guide.toml: what the guide was told and no other file of the job holds.

What is proven stands in the journal, what was told of the board in intake.toml; here are the
steps that only a person can know to be done, and answers that the guide would else ask again.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Final, Self

import msgspec
import tomli_w

from flashbench.job import layout
from flashbench.job.disk import Disk, Kind
from flashbench.job.refusals import JobDamaged, JobForeign, JobInUse, disk_refused
from flashbench.toml_text import parse
from flashbench.wording import command_line, quoted

FORMAT: Final = 1
BYTES_MAX: Final = 1 << 18
NOT_KNOWN: Final = "?"
"""The answer that says so."""
_Text = Annotated[str, msgspec.Meta(max_length=2000)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """The content of guide.toml.

    `visit` counts how often the chip came to the bench; `passed` are keys of steps, those of a
    visit preceded by its number. An answer `NOT_KNOWN` was asked for and is not known.
    """

    visit: Annotated[int, msgspec.Meta(ge=1, le=9999)] = 1
    passed: tuple[_Text, ...] = ()
    answers: Mapping[_Text, _Text] = field(default_factory=dict)

    def passing(self, key: str) -> Self:
        """With one more step done."""
        return self if key in self.passed else replace(self, passed=(*self.passed, key))

    def without(self, *keys: str) -> Self:
        """With these steps to be done again."""
        return replace(self, passed=tuple(key for key in self.passed if key not in keys))

    def answering(self, key: str, answer: str | None) -> Self:
        """With one more answer; None is "not known"."""
        return replace(self, answers={**self.answers, key: NOT_KNOWN if answer is None else answer})

    def answer(self, key: str) -> str | None:
        """What was answered; None if it was not asked or is not known."""
        given = self.answers.get(key)
        return None if given == NOT_KNOWN else given


def load_notes(folder: Path, *, disk: Disk | None = None) -> Notes:
    """What guide.toml holds; nothing if there is none.

    Raises:
        JobDamaged, JobForeign: it is not what this flashbench writes.
        ChipUntouched: the disk refused.
    """
    disk = disk or Disk()
    path = folder / layout.GUIDE
    try:
        if disk.kind(path) is Kind.ABSENT:
            return Notes()
        data = disk.read(path, at_most=BYTES_MAX)
    except OSError as error:
        raise disk_refused(f"reading {layout.GUIDE}", error, unfinished=False) from error
    return decode(data)


def decode(data: bytes) -> Notes:
    """Read guide.toml. Raises as `load_notes` does."""
    try:
        content = parse(data.decode())
    except (ValueError, RecursionError) as error:
        raise _damaged(f"it is not a TOML file: {error}") from error
    found = content.pop("flashbench_guide", None)
    if found != FORMAT or isinstance(found, bool):
        raise JobForeign(
            f"guide.toml states format {str(found)[:20]}; this flashbench knows {FORMAT}.",
            next_step="Use the flashbench that wrote it, or a newer one.",
        )
    try:
        return msgspec.convert(content, Notes)
    except msgspec.ValidationError as error:
        raise _damaged(str(error)) from error


def save_notes(folder: Path, notes: Notes, *, disk: Disk | None = None) -> None:
    """Replace guide.toml in one step; the folder is made if it is new. Raises `ChipUntouched`."""
    disk = disk or Disk()
    text = tomli_w.dumps(
        {
            "flashbench_guide": FORMAT,
            "visit": notes.visit,
            "passed": list(notes.passed),
            "answers": dict(notes.answers),
        }
    )
    try:
        if disk.kind(folder) is Kind.ABSENT:
            disk.make_folder(folder)
            disk.sync_folder(folder.parent)
        disk.write_over(folder / layout.GUIDE, text.encode())
    except OSError as error:
        raise disk_refused(f"saving {layout.GUIDE}", error, unfinished=False) from error


def replace_notes(folder: Path, old: Notes, new: Notes, *, disk: Disk | None = None) -> None:
    """Replace `old` in guide.toml by `new`.

    Raises:
        JobInUse: it holds something else than `old` by now: another guide is at this job.
        JobDamaged, JobForeign, ChipUntouched: as loading and saving do.
    """
    if load_notes(folder, disk=disk) != old:
        raise JobInUse(
            f"Another guide is at work on the job in {quoted(folder)}: guide.toml is not what this"
            " one left.",
            next_step="Go on in one of the two and leave the other. To take it up here:"
            f" {command_line('guide', folder)}",
            state="What the steps before did is done and kept.",
        )
    save_notes(folder, new, disk=disk)


def _damaged(why: str) -> JobDamaged:
    return JobDamaged(
        f"guide.toml is not what the guide writes: {why}.",
        next_step="Move guide.toml out of the folder: the guide then asks its questions again.",
    )
