"""How many planted blocks are found, over many invented boards.

    python -m tests.image.seeds                  500 boards of 256 KiB, a few minutes
    python -m tests.image.seeds 40 65536 1000    fewer, smaller, from another seed on

Prints every board with a miss, another check kind or a false claim, then the totals.
"""

import sys
from dataclasses import dataclass, field

from flashbench.image.finds import Confidence
from flashbench.image.private_blocks import find_private_blocks
from tests.builders.boards import Board, board


@dataclass
class Tally:
    """Counts over boards: `planted` counts blocks with enough evidence."""

    boards: int = 0
    planted: int = 0
    found: int = 0
    false_claims: int = 0
    lines: list[str] = field(default_factory=list)

    @property
    def share_found(self) -> float:
        return self.found / self.planted


def tally(seeds: range, *, size: int) -> Tally:
    total = Tally()
    for seed in seeds:
        _count(board(seed, size=size), total)
    return total


def _count(subject: Board, total: Tally) -> None:
    """A block counts as found with the right bounds and the right check kind."""
    truth = {(block.offset, block.length): block.check_kind for block in subject.blocks}
    claimed = {
        (block.offset, block.length): block.check.kind.value if block.check else ""
        for block in find_private_blocks(subject.image)
        if block.confidence is Confidence.FOUND
    }
    false_claims = sum(bounds not in truth for bounds in claimed)
    right = sum(claimed.get(bounds) == kind for bounds, kind in truth.items())
    total.boards += 1
    total.false_claims += false_claims
    if subject.has_enough_evidence:
        total.planted += len(truth)
        total.found += right
    if false_claims or (subject.has_enough_evidence and right < len(truth)):
        total.lines.append(
            f"seed {subject.seed}: {right} of {len(truth)} found, {false_claims} false;"
            f" {subject.filler}, {subject.copies} copies, {subject.layout}"
        )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    size = int(sys.argv[2]) if len(sys.argv) > 2 else 1 << 18
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    total = tally(range(first, first + count), size=size)
    report = [
        *total.lines,
        f"{total.boards} boards: {total.found} of {total.planted} blocks found"
        f" ({100 * total.share_found:.2f} %), {total.false_claims} false claims",
    ]
    sys.stdout.write("\n".join(report) + "\n")


if __name__ == "__main__":
    main()
