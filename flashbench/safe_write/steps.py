"""The steps of the job as the command line and the guide call them: one function each."""

from dataclasses import dataclass
from pathlib import Path

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.identity import Identified
from flashbench.job.folder import Job
from flashbench.progress import Progress, silent
from flashbench.safe_write import screening
from flashbench.safe_write.backup import Backup, back_up, reload_backup
from flashbench.safe_write.found import read_for_recovery
from flashbench.safe_write.plan import Plan, plan_recovery, plan_rewrite
from flashbench.safe_write.rewrite import rewrite
from flashbench.safe_write.same_chip import refuse_other_chip
from flashbench.safe_write.stable_read import StableRead, read_twice
from flashbench.safe_write.verify import Verified, verify


@dataclass(frozen=True, slots=True, kw_only=True)
class Dumped:
    """A dump that is backed up: the evidence of both steps."""

    read: StableRead
    backup: Backup


def dump(chip: Identified, job: Job, *, progress: Progress = silent) -> Dumped:
    """Read the chip twice and back it up into `job`. Raises what the two steps raise."""
    read = read_twice(chip, keep_doubtful_in=job, progress=progress)
    return Dumped(read=read, backup=back_up(read, job))


def plan_write(
    chip: Identified, job: Job, *, image_number: int | None = None, progress: Progress = silent
) -> Plan:
    """The plan of `write`: to the image named, or the newest one of the job.

    Raises:
        ChipUntouched: there is no image, or whatever `plan_rewrite` refuses.
    """
    backup = reload_backup(job)
    image = job.target if image_number is None else job.load_image(image_number)
    return plan_rewrite(chip, backup, image, progress=progress)


def plan_finish(chip: Identified, job: Job, *, progress: Progress = silent) -> Plan:
    """The plan of `finish`: from whatever an accident left, on to the job's image."""
    backup = reload_backup(job)
    target = job.target
    found = read_for_recovery(chip, job, progress=progress)
    return plan_recovery(found, backup, target=target)


def plan_restore(chip: Identified, job: Job, *, progress: Progress = silent) -> Plan:
    """The plan of `restore`: from whatever the chip holds now, back to the original."""
    backup = reload_backup(job)
    found = read_for_recovery(chip, job, progress=progress)
    return plan_recovery(found, backup, target=backup.image)


def carry_out(plan: Plan, *, progress: Progress = silent) -> Verified:
    """Rewrite and verify. Raises what the two steps raise."""
    return verify(rewrite(plan, progress=progress), progress=progress)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What the chip in the socket holds, seen from one job. Nothing was changed.

    `equals` names what it equals: "original", "image 2"; None if neither. Then `nearest` is the
    one it resembles most, `differing_bytes` how much is different, first at `first_difference`.
    """

    equals: str | None
    nearest: str
    differing_bytes: int
    first_difference: int | None
    unfinished: bool
    sha256: str


def compare(chip: Identified, job: Job, *, progress: Progress = silent) -> Comparison:
    """Read the chip once and compare it with the job's original and images. Never writes.

    Raises:
        ChipUntouched: another chip, by its ID, size or unique ID.
    """
    original = job.load_original()
    refuse_other_chip(chip, original, density_bytes=len(original.data), label=job.label)
    held = reading.read_whole(
        chip,
        kind=ReadKind.PLAIN,
        sck_hz=reading.read_hz(chip, ReadKind.PLAIN),
        step="verify",
        progress=progress,
    )
    candidates = [("original", original.data)]
    newest = job.newest_image() or 0
    candidates += [(f"image {n}", job.load_image(n)) for n in range(newest, 0, -1)]
    found = [(name, screening.disagreement(data, held)) for name, data in candidates]
    nearest, difference = min(found, key=lambda item: item[1].byte_count if item[1] else 0)
    return Comparison(
        equals=nearest if difference is None else None,
        nearest=nearest,
        differing_bytes=difference.byte_count if difference else 0,
        first_difference=difference.first if difference else None,
        unfinished=job.unfinished() is not None,
        sha256=screening.sha256_hex(held),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What is proven of a job, line by line, and the one command that comes next."""

    proven: tuple[str, ...]
    command: str
    why: str


def next_step(job: Job) -> NextStep:
    """Where the job stands, from its folder alone."""
    folder: Path = job.folder
    unfinished = job.unfinished()
    backup = _backup_or_none(job)
    if backup is None:
        return NextStep(
            proven=(), command=f"flashbench dump {folder}", why="there is no original yet"
        )
    proven = [f"original of {len(backup.image)} bytes on disk, sha256 {backup.sha256[:16]}"]
    if unfinished is not None:
        return NextStep(
            proven=tuple(proven),
            command=f"flashbench finish {folder}",
            why=f"writing {unfinished.target_name} was begun and is not proven"
            f" (back instead: flashbench restore {folder})",
        )
    newest = job.newest_image()
    if newest is None:
        return NextStep(
            proven=tuple(proven),
            command=f"flashbench edit {folder} --from-image FILE",
            why="there is no edited image yet",
        )
    proven.append(f"image {newest} on disk with its change sheet")
    target_sha256 = screening.sha256_hex(job.load_image(newest))
    if target_sha256 not in job.proven_images():
        return NextStep(
            proven=tuple(proven),
            command=f"flashbench write {folder}",
            why=f"image {newest} was never written",
        )
    proven.append("a whole write was read back from the chip, byte for byte")
    return NextStep(
        proven=tuple(proven),
        command=f"flashbench verify {folder}",
        why="chip verified, board not yet proven",
    )


def _backup_or_none(job: Job) -> Backup | None:
    return reload_backup(job) if job.has_original else None
