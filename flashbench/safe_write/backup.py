"""A chip's contents on disk, hashed and read back: the evidence `Backup`."""

from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

from flashbench.chip.evidence import Evidence
from flashbench.errors import ChipUntouched
from flashbench.job.folder import Job
from flashbench.safe_write.stable_read import StableRead

_SEAL: Final = object()


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Backup(Evidence):
    """The original of one round, on disk and proven there.

    Has no public constructor: `back_up` makes one from a StableRead, `reload_backup` from a
    job. It is the only evidence that crosses sessions; planning then reads the chip again.
    """

    job: Job
    round_number: int
    image: bytes = field(repr=False)
    path: Path
    sha256: str
    jedec_id: bytes
    unique_id: bytes | None
    density_bytes: int
    size_sources: tuple[str, ...]
    size_doubt: str | None
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Backup has no public constructor: call back_up() or reload_backup()")


def back_up(read: StableRead, job: Job) -> Backup:
    """Save what was read as the round's original: written, fsynced, read back, hashed.

    Raises:
        TypeError: `read` is not a StableRead; one read is no evidence.
        ChipUntouched: the round already has an original, the disk failed, or the chip is not
            the one that the job was opened for.
    """
    if not isinstance(read, StableRead):
        raise TypeError("back_up() takes the StableRead that read_twice() made")
    read.chip.check_still_in_session()
    if read.chip.adapter.session.change_count != read.change_count:
        raise ChipUntouched(
            "The chip was changed after it was read twice.", next_step="Dump it again."
        )
    job.save_original(
        read.image,
        chip_facts=read.chip.facts(),
        ways=read.ways,
        size_sources=read.size_sources,
        size_doubt=read.size_doubt,
        clock_hz=read.clock_hz,
    )
    return reload_backup(job)


def reload_backup(job: Job) -> Backup:
    """The backup of the job's current round, its bytes, hash file and journal line compared.

    Raises:
        ChipUntouched: there is no original yet, or it is not what was saved.
    """
    original = job.load_original()
    return Backup(
        job=job,
        round_number=job.round_number,
        image=original.data,
        path=original.path,
        sha256=original.sha256,
        jedec_id=original.jedec_id,
        unique_id=original.unique_id,
        density_bytes=len(original.data),
        size_sources=original.size_sources,
        size_doubt=original.size_doubt,
        seal=_SEAL,
    )
