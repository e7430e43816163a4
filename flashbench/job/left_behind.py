"""Half-written chips that another one took the place of: which of them one is not. Pure.

A chip without a factory number is told by what it holds. One that was left half-written stays
suspect whatever it reads, so it would be a candidate for ever; but once another chip took its
place, was proven, and the half-written one went into its bag, a chip that holds byte for byte
what that other was proven to hold is the other. Anything else may still be the half-written one.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from flashbench.job import events
from flashbench.job.events import Event
from flashbench.job.spares import without_spares


@dataclass(slots=True)
class _Writes:
    """Where in the story the chips were last written, and proven; None is the round's own."""

    announced: dict[int | None, int] = field(default_factory=dict)
    proven: dict[int | None, tuple[int, str]] = field(default_factory=dict)  # and the hash
    registers: dict[int | None, dict[str, int]] = field(default_factory=dict)  # as last told
    proven_with: dict[int | None, dict[str, int]] = field(default_factory=dict)

    def is_unfinished(self, chip: int | None) -> bool:
        return self.announced.get(chip, -1) > self.proven.get(chip, (-1, ""))[0]


def left_behind(
    story: Sequence[Event],
    possible: Collection[int | None],
    held_sha256: str,
    *,
    registers: Mapping[str, int],
) -> frozenset[int | None]:
    """Those of the possible chips that one which holds what has this hash is not.

    They are half-written, and another of the possible ones was written since, and last proven to
    hold just that. `registers` are what the chip in question reads there: one whose protection is
    not what that other was proven with can have been cut off before it was put back. The
    round's own chip takes nobody's place.
    """
    writes = _writes(story)
    proven_at = [
        at
        for chip, (at, sha256) in writes.proven.items()
        if chip is not None
        and chip in possible
        and sha256 == held_sha256
        and not writes.is_unfinished(chip)
        and _agree(writes.proven_with[chip], registers)
    ]
    if not proven_at:
        return frozenset()
    return frozenset(
        chip
        for chip in possible
        if writes.is_unfinished(chip) and writes.announced[chip] < max(proven_at)
    )


def _agree(proven: Mapping[str, int], read: Mapping[str, int]) -> bool:
    """Whether no register that both know reads otherwise than it was proven."""
    return all(read.get(name, value) == value for name, value in proven.items())


def was_replaced(story: Sequence[Event], chip: int) -> bool:
    """Whether a half-written replacement lost its place: another one was since written and proven.

    The round's own chip takes nobody's place, and neither does a spare.
    """
    writes = _writes(without_spares(story))
    begun = writes.announced.get(chip)
    return (
        begun is not None
        and writes.is_unfinished(chip)
        and any(
            at > begun and not writes.is_unfinished(other)
            for other, (at, _) in writes.proven.items()
            if other not in (None, chip)
        )
    )


def _writes(story: Sequence[Event]) -> _Writes:
    writes = _Writes()
    current: int | None = None
    for at, event in enumerate(story):
        match event:
            case events.WriteAnnounced(kept_number=current, registers_before=values):
                writes.announced[current] = at
                writes.registers[current] = dict(values)
            case events.RegistersSaved(values=values) | events.RegistersRestored(values=values):
                writes.registers.setdefault(current, {}).update(values)
            case events.WriteFinished(target_sha256=sha256):
                writes.proven[current] = (at, sha256)
                writes.proven_with[current] = dict(writes.registers.get(current, {}))
            case _:
                pass
    return writes
