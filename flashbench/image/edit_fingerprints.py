"""What an edit does to blocks, wherever in an image they stand: to know it again elsewhere."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flashbench.image.change_sheet import changed_ranges
from flashbench.image.finds import Block


@dataclass(frozen=True, slots=True, order=True)
class EditFingerprint:
    """One edit of one kind of block: equal for the same change of the same block on any board.

    `edit_sha256` is of the changed positions, counted from the block's first byte, with their
    new bytes; the fields of the block's checks are left out, since they follow from the rest.
    """

    signature: bytes
    edit_sha256: str


def edit_fingerprints(
    original: bytes, image: bytes, blocks: Iterable[Block]
) -> tuple[EditFingerprint, ...]:
    """Every edit of a block with a signature, each once however many copies got it, sorted.

    A change counts for the smallest block around it. Raises `CheckFailed` if the sizes differ.
    """
    signed = sorted((block for block in blocks if block.signature), key=lambda one: one.length)
    changes: defaultdict[tuple[bytes, int], list[str]] = defaultdict(list)
    for changed in changed_ranges(original, image):
        for at in range(changed.offset, changed.end):
            block = _smallest_around(signed, at)
            if block is not None and not _is_of_a_check(block, at):
                place = (block.signature, block.offset)
                changes[place].append(f"{at - block.offset}:{image[at]:02x}")
    return tuple(
        sorted(
            {
                EditFingerprint(signature, hashlib.sha256(" ".join(made).encode()).hexdigest())
                for (signature, _), made in changes.items()
            }
        )
    )


def _smallest_around(blocks: Sequence[Block], at: int) -> Block | None:
    return next((one for one in blocks if one.offset <= at < one.offset + one.length), None)


def _is_of_a_check(block: Block, at: int) -> bool:
    checks = (*block.more_checks, *(() if block.check is None else (block.check,)))
    return any(check.offset <= at < check.offset + check.width for check in checks)
