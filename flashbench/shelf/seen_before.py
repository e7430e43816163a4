"""An edit made before: in how many jobs of the shelf, and how many of their boards boot."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from flashbench.image.edit_fingerprints import EditFingerprint
from flashbench.job.events import BlocksEdited, EditedBlock
from flashbench.job.folder import Job
from flashbench.job.outcome import outcome_in
from flashbench.shelf.entry import Entry, proven_on_chip


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenBefore:
    """How an edit of a block went elsewhere."""

    edit: EditFingerprint
    jobs: int
    booted: int

    def sentence(self) -> str:
        """ "Block 57 66 42 32: edited like this in 7 jobs, 6 booted."."""
        jobs = "1 job" if self.jobs == 1 else f"{self.jobs} jobs"
        signature = self.edit.signature.hex(" ").upper()
        return f"Block {signature}: edited like this in {jobs}, {self.booted} booted."


def note_edits(job: Job, image_sha256: str, edits: Sequence[EditFingerprint]) -> None:
    """Journal which blocks an image edits, so that the shelf can count. Raises as `record`."""
    if edits:
        blocks = tuple(
            EditedBlock(signature=edit.signature.hex(), edit_sha256=edit.edit_sha256)
            for edit in edits
        )
        job.record(BlocksEdited(image_sha256=image_sha256, blocks=blocks))


def seen_before(
    entries: Iterable[Entry], *, but: Path | None = None, jobs_min: int = 1
) -> tuple[SeenBefore, ...]:
    """Every edit of a block that was written in at least `jobs_min` jobs, most often made first.

    Only what was proven on a chip counts; `but` is a job to leave out. A board booted if the
    last that was told of it, with that image on its chip, is that it boots.
    """
    jobs: defaultdict[EditFingerprint, int] = defaultdict(int)
    booted: defaultdict[EditFingerprint, int] = defaultdict(int)
    for entry in entries:
        if but is not None and entry.folder.resolve() == but.resolve():
            continue
        booting = _booting_images(entry)
        made: dict[EditFingerprint, bool] = {}
        for edit, image_sha256 in _written_edits(entry):
            made[edit] = made.get(edit, False) or image_sha256 in booting
        for edit, boots in made.items():
            jobs[edit] += 1
            booted[edit] += boots
    found = [
        SeenBefore(edit=edit, jobs=count, booted=booted[edit])
        for edit, count in jobs.items()
        if count >= jobs_min
    ]
    return tuple(sorted(found, key=lambda one: (-one.jobs, one.edit)))


def _written_edits(entry: Entry) -> Iterator[tuple[EditFingerprint, str]]:
    for story in entry.stories.values():
        proven = proven_on_chip(story)
        for event in story:
            if isinstance(event, BlocksEdited) and event.image_sha256 in proven:
                for block in event.blocks:
                    signature = bytes.fromhex(block.signature)
                    yield EditFingerprint(signature, block.edit_sha256), event.image_sha256


def _booting_images(entry: Entry) -> set[str]:
    told = [outcome_in(entry.stories, number) for number in entry.stories]
    return {outcome.target_sha256 for outcome in told if outcome is not None and outcome.boots}
