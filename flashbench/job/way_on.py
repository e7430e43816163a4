"""What leads on from a half-written chip. Pure: from what the journal of its round says."""

from collections.abc import Sequence
from pathlib import Path

from flashbench.job import events
from flashbench.job.events import Event
from flashbench.job.unfinished import UnfinishedWrite
from flashbench.wording import command_line


def leads_back(story: Sequence[Event], write: UnfinishedWrite) -> bool:
    """Whether an unfinished write leads back to what its round dumped."""
    return any(
        write.target_sha256 == event.sha256
        for event in story
        if isinstance(event, events.OriginalSaved | events.BestReadingSaved)
    )


def verbs_on(story: Sequence[Event], write: UnfinishedWrite) -> tuple[str, ...]:
    """The commands that lead on from an unfinished write, the one that goes on with it first.

    Where it leads back and the round has no image, there is nothing to finish instead.
    """
    if not leads_back(story, write):
        return ("finish", "restore")
    has_image = any(isinstance(event, events.ImageSaved) for event in story)
    return ("restore", "finish") if has_image else ("restore",)


def ways_on(job: Path, story: Sequence[Event], write: UnfinishedWrite) -> str:
    """As `verbs_on`, to be copied: "flashbench restore JOB  (or: flashbench finish JOB)"."""
    begun, *others = (command_line(verb, job) for verb in verbs_on(story, write))
    return "".join([begun, *(f"  (or: {other})" for other in others)])
