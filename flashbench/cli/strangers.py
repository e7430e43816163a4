"""What a command says of a chip that is not the job's: whose it is, if the shelf knows."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from flashbench.cli.bench import AtBench
from flashbench.errors import OtherChip, StrangeContents

if TYPE_CHECKING:
    from flashbench.job.folder import Job


@contextmanager
def naming_strangers(at: AtBench, job: "Job") -> Iterator[None]:
    """A refusal of a stranger's chip inside names the job beside this one that it belongs to.

    Raises:
        OtherChip, StrangeContents: as raised inside, with that sentence where there is one.
    """
    try:
        yield
    except (OtherChip, StrangeContents) as error:
        from flashbench.shelf.owner import naming_owner

        at.progress.close()
        raise naming_owner(error, at.chip, job, progress=at.progress) from error
