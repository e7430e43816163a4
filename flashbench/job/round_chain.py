"""What ties the rounds of a job to each other, so that a lost or a strange one is noticed. Pure.

A round's journal says that the next one was opened; the next one's first line bears the hash of
the last line that this journal had then. Jobs of before have neither, and are taken as they are.

What this cannot tell: whether the newest round's journal and its head were both put back to an
earlier state, or every file of a job replaced by another job's. Only a second copy tells that.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from flashbench.job.events import RoundCreated, RoundOpened, decode
from flashbench.job.journal import Line


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainDoubt:
    """Why one round cannot be the one that belongs there; `seen` ends no sentence."""

    round_number: int
    seen: str


def chain_doubts(rounds: Mapping[int, Sequence[Line]]) -> Iterator[ChainDoubt]:
    """The rounds that are missing or of another job, by the lines of those whose journal verifies.

    Raises `JobForeign` as `decode` does.
    """
    for number, lines in rounds.items():
        for line in lines:
            if line.kind == RoundOpened.KIND:
                opened = decode(line)
                if isinstance(opened, RoundOpened) and opened.round_number not in rounds:
                    yield ChainDoubt(
                        round_number=opened.round_number,
                        seen=f"is missing: by the journal of round-{number} it was opened on"
                        f" {line.at[:10]}",
                    )
        created = decode(lines[0]) if lines else None
        before = rounds.get(number - 1)
        told = created.after_sha256 if isinstance(created, RoundCreated) else None
        if told and before is not None and told not in {line.sha256 for line in before}:
            yield ChainDoubt(
                round_number=number,
                seen=f"does not follow the round-{number - 1} that is here: one of the two is"
                " another job's, or of another state of this one",
            )
