"""A job's folder and its rounds made, and found again: what exists before there is a `Job`."""

import contextlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

from flashbench.chip.profile import ChipProfile
from flashbench.errors import WrongCall
from flashbench.job import events, job_file, journal, layout
from flashbench.job.disk import UNFINISHED_SUFFIX, Disk, Kind
from flashbench.job.journal import Journal, Now
from flashbench.job.lock import LOCK, JobLock
from flashbench.job.refusals import JobDamaged, JobExists, StepRefused, round_lost
from flashbench.job.round_chain import chain_doubts
from flashbench.job.round_files import RoundFiles, read_whole
from flashbench.wording import quoted

_SPACE_KEPT_FREE = 16 << 20


class ChipFacts(Protocol):
    """What a job needs of an identified chip."""

    @property
    def profile(self) -> ChipProfile: ...

    def facts(self) -> Mapping[str, object]:
        """JSON-able: `jedec_id` in hex, `unique_id` in hex or null, `registers`, `adapter`, ..."""
        ...


def refuse_missing_parent(folder: Path, *, disk: Disk | None = None) -> None:
    """Raises `WrongCall` if a job's folder cannot be made, as the one around it is not there."""
    disk = disk or Disk()
    parent = folder.parent
    if disk.kind(parent) in (Kind.ABSENT, Kind.FILE):
        raise _no_place(folder)


def _no_place(folder: Path) -> WrongCall:
    return WrongCall(
        f"There is no folder {quoted(folder.parent)} for the job {quoted(folder.name)} to be in.",
        next_step="Make that folder first, or look at how the job's path is spelled.",
    )


def claim(disk: Disk, folder: Path) -> JobLock:
    """Make the folder if it is missing, and lock it. Raises `JobExists` if it is somebody's, and
    `WrongCall` if there is no place for it."""
    kind = disk.kind(folder)
    if kind is Kind.ABSENT:
        try:
            disk.make_folder(folder)
        except FileNotFoundError as error:
            raise _no_place(folder) from error
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
    ours = {LOCK, layout.PHOTOS}
    hash_file = layout.FROM_FILES + layout.HASH_SUFFIX
    for own in (layout.JOB_FILE, layout.INTAKE, layout.GUIDE, layout.FROM_FILES, hash_file):
        ours |= {own, own + UNFINISHED_SUFFIX}
    for name in disk.names(folder):
        if name in ours or layout.round_number(name.removesuffix(UNFINISHED_SUFFIX)):
            continue
        raise JobExists(
            f"{quoted(folder)} is not empty: it holds {name!r}.",
            next_step="Name a folder that is new or empty.",
        )


def refuse_existing(disk: Disk, folder: Path) -> None:
    """Raise `JobExists` if there is a job."""
    if holds_a_job(disk, folder):
        raise JobExists(
            f"There is a job in {quoted(folder)} already.",
            next_step="Open that one, or name a folder that is new.",
        )


def refuse_little_space(disk: Disk, folder: Path, density_bytes: int) -> None:
    """Raise `StepRefused` if the files of a job with this chip do not find room."""
    # The original, one image, and what a recovery finds.
    needed = 3 * density_bytes + _SPACE_KEPT_FREE
    free = disk.free_bytes(folder)
    if free < needed:
        raise StepRefused(
            f"The disk of {quoted(folder)} has {free >> 20} MiB free; this chip's job needs"
            f" {needed >> 20} MiB.",
            next_step="Free some space on that disk, or use another folder.",
        )


def holds_a_job(disk: Disk, folder: Path) -> bool:
    """Whether a creation in this folder got as far as job.toml, or to an original."""
    if disk.kind(folder) is not Kind.FOLDER:
        return False
    if disk.kind(folder / layout.JOB_FILE) is not Kind.ABSENT:
        return True
    first = layout.round_folder(folder, 1)
    return disk.kind(first / layout.ORIGINAL) is not Kind.ABSENT


def round_numbers(disk: Disk, folder: Path) -> tuple[int, ...]:
    """The rounds of a job, 1 to the newest. Raises `JobDamaged` if one is missing."""
    numbers = rounds_there(disk, folder)
    if not numbers or numbers != tuple(range(1, len(numbers) + 1)):
        missing = next(n for n in range(1, len(numbers) + 2) if n not in numbers)
        raise JobDamaged(
            f"The folder round-{missing} is missing from {quoted(folder)}.",
            next_step="Keep what is there as it is, and put that folder back from a second copy of"
            " the job.",
        )
    return numbers


def rounds_there(disk: Disk, folder: Path) -> tuple[int, ...]:
    """The rounds that have a folder, ascending, whether one is missing or not."""
    found = (
        number
        for name in disk.names(folder)
        if (number := layout.round_number(name)) is not None
        and disk.kind(folder / name) is Kind.FOLDER
    )
    return tuple(sorted(found))


def refuse_lost_round(folder: Path, newest: int, lines: Sequence[journal.Line]) -> None:
    """Raise `JobDamaged` if the journal of the `newest` round there tells of a newer one."""
    for doubt in chain_doubts({newest: lines}):
        if doubt.round_number > newest:
            raise round_lost(
                f"The folder round-{doubt.round_number} {doubt.seen}.",
                original=layout.round_folder(folder, 1) / layout.ORIGINAL,
            )


def checked_job_file(disk: Disk, folder: Path, texts: Sequence[str]) -> job_file.JobFile:
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


def make_round(
    disk: Disk,
    folder: Path,
    *,
    number: int,
    chip: ChipFacts,
    text: str,
    carried: Sequence[events.Recorded],
    now: Now,
    after_sha256: str | None = None,
) -> None:
    """Make a round's folder under another name, and give it its own when it is whole.

    `after_sha256` is the last line's of the round before; `carried` is what the journal of every
    round says of the job as a whole.
    """
    target = layout.round_folder(folder, number)
    making = target.with_name(target.name + UNFINISHED_SUFFIX)
    for left in (target, making):  # `target`: of a creation that did not get to job.toml
        _remove_unfinished_round(disk, left)
    disk.make_folder(making)
    lines = Journal.create(disk, making, now=now)
    story = (
        events.RoundCreated(round_number=number, after_sha256=after_sha256),
        events.JobFileWritten(text=text),
        *carried,
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
    chip_ids(facts)
    chip_json = RoundFiles(disk, folder).save(layout.CHIP_FACTS, json_bytes(facts))
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


def chip_ids(facts: Mapping[str, object]) -> tuple[str, str | None]:
    jedec_id, unique_id = facts.get("jedec_id"), facts.get("unique_id")
    if not isinstance(jedec_id, str) or not isinstance(unique_id, str | None):
        raise TypeError("chip facts have jedec_id in hex, and unique_id in hex or None")
    plain = bytes.fromhex(jedec_id).hex()
    return plain, bytes.fromhex(unique_id).hex() if unique_id else None


def describe(chip: ChipFacts, *, label: str, now: Now) -> job_file.JobFile:
    profile = chip.profile
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
            density_bytes=profile.density_bytes, longest_erase_ms=profile.longest_erase_ms
        ),
    )


def json_bytes(content: Mapping[str, object]) -> bytes:
    return json.dumps(content, indent=2, ensure_ascii=True, allow_nan=False).encode() + b"\n"
