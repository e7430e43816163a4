"""The differences between two boards as an edit file: what makes the first like the second."""

from collections.abc import Sequence

from flashbench.errors import CheckFailed
from flashbench.image.checks import Span
from flashbench.image.comparison import BlockDifference, Comparison
from flashbench.image.finds import Block
from flashbench.image.suggest_edit import block_lines, copies_of, edit_file_text, inline


def suggest_from_comparison(
    image: bytes, comparison: Comparison, *, blocks: Sequence[Block]
) -> str:
    """An edit file, as TOML text, that makes every told difference in `image`, the first board's.

    `blocks` are those found in `image`. Copies that differ alike become one block of the file.
    Raises `CheckFailed` where no paired block differs.
    """
    groups: dict[tuple[int, tuple[object, ...]], list[BlockDifference]] = {}
    for difference in comparison.differences:
        if difference.changes:
            block = difference.first
            first = block.offset if block.copy_of is None else block.copy_of
            groups.setdefault((first, difference.changes), []).append(difference)
    if not groups:
        raise CheckFailed(
            "No block that both boards have differs in more than its own numbers, so there is"
            " nothing to make an edit file of.",
            next_step="Look at the differences outside blocks, or compare with another board.",
        )
    comments = ["What makes this board like the other in all blocks that both have."]
    lines: list[str] = []
    for (_, _), alike in groups.items():
        block = alike[0].first
        copies = copies_of(block, blocks)
        if len(alike) != len(copies):
            comments.append(
                f"Of the {len(copies)} copies of the block at {copies[0].offset:#x} only"
                f" {len(alike)} differ in this way: look before you edit."
            )
        changing = [Span(one.at, one.at + len(one.old)) for one in alike[0].changes]
        told, doubts = block_lines(image, block, blocks, changing=changing)
        comments += doubts
        lines += ["", *told]
        for change in alike[0].changes:
            lines += ["", "[[block.change]]"]
            lines += inline(
                at=change.at,
                expect=change.old.hex(" "),
                new=change.new.hex(" "),
                why="as the other board has it",
            )
    return edit_file_text(comments, lines)
