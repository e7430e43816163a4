"""What a journal says about a write that was announced and not finished. Pure functions.

The journal is never believed that cells are good and always that they are suspect: a stretch
stays suspect from the announcement on, until a unit that covers it has been read back. Once a
later announcement finds it still open, only a unit that was *erased* in full clears it, because
cells of an interrupted erase may read right and drift later.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from flashbench.job.events import (
    AnnouncedUnit,
    CellsProven,
    Event,
    OpcodeRefuted,
    RegistersChanged,
    RegistersRestored,
    RegistersSaved,
    UnitFailed,
    UnitProven,
    WriteAnnounced,
    WriteFinished,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnfinishedWrite:
    """A write that began and is not known to have ended well.

    Ranges are byte addresses, ascending and apart from each other.
    """

    target_sha256: str  # of the last announcement
    target_name: str
    targets: tuple[tuple[str, str], ...]  # (name, sha256) of every announcement, oldest first
    kept_number: int | None  # of the replacement chip being written; None: the round's own chip
    jedec_id: str
    unique_id: str | None
    suspect: tuple[range, ...]  # to be erased in full, whatever they read
    announced: tuple[range, ...]  # named since the last finish, or reached by a refuted opcode
    proven: tuple[range, ...]  # announced and not suspect
    registers_before: Mapping[str, int]  # the first values journalled since the last finish
    registers_to_put_back: Mapping[str, int]  # those of them that were changed and not restored
    refuted_opcodes: frozenset[int]
    cells_proven: bool


@dataclass(slots=True)
class _Chip:
    """The story of one chip of the round so far."""

    announcements: list[WriteAnnounced] = field(default_factory=list)  # since the last finish
    open_units: dict[tuple[int, int], AnnouncedUnit] = field(default_factory=dict)
    must_erase: list[range] = field(default_factory=list)  # suspect when last announced
    erased: list[range] = field(default_factory=list)  # and proven since
    reached: list[range] = field(default_factory=list)  # perhaps, by a refuted opcode
    first_values: dict[str, int] = field(default_factory=dict)
    changed: set[str] = field(default_factory=set)
    refuted: set[int] = field(default_factory=set)
    targets: dict[str, None] = field(default_factory=dict)  # hashes ever announced, in order
    proven: set[str] = field(default_factory=set)  # hashes it once held
    failed: list[range] = field(default_factory=list)
    cells_proven: bool = False

    def announce(self, event: WriteAnnounced) -> None:
        self.must_erase = self.suspect()
        self.erased = []
        self.open_units = {(unit.start, unit.size): unit for unit in event.units}
        self.announcements.append(event)
        self.targets[event.target_sha256] = None
        self.cells_proven = False
        self.note_first(event.registers_before)

    def prove(self, event: UnitProven) -> None:
        unit = self.open_units.pop((event.start, event.size), None)
        if unit is not None and unit.erase_opcode is not None:
            self.erased.append(_stretch(unit))

    def suspect(self) -> list[range]:
        still_open = map(_stretch, self.open_units.values())
        return merged([*without(self.must_erase, self.erased), *still_open])

    def refute(self, event: OpcodeRefuted) -> None:
        reached = range(event.start, event.start + event.size)
        # What was proven before may have been erased by it.
        self.must_erase = merged([*without(self.must_erase, self.erased), reached])
        self.erased = []
        self.reached.append(reached)
        self.refuted.add(event.opcode)

    def note_first(self, values: Mapping[str, int]) -> None:
        self.first_values = {**values, **self.first_values}

    def finish(self, target_sha256: str) -> None:
        self.proven.add(target_sha256)
        # Refuted opcodes stay: they are a property of the chip, not of the write.
        self.announcements = []
        self.open_units = {}
        self.must_erase = []
        self.erased = []
        self.reached = []
        self.first_values = {}
        self.changed = set()
        self.failed = []
        self.cells_proven = False


def unfinished_write(events: Iterable[Event]) -> UnfinishedWrite | None:
    """The last announced write of a round, if its journal does not say that it was finished."""
    chips, last = _stories(events)
    chip = chips[last]
    return _told(chip) if chip.announcements else None


def unfinished_on(events: Iterable[Event], kept_number: int | None) -> UnfinishedWrite | None:
    """Like `unfinished_write`, for one chip: the round's own (None) or a replacement."""
    chip = _stories(events)[0].get(kept_number)
    return _told(chip) if chip is not None and chip.announcements else None


def half_written_in(events: Iterable[Event]) -> tuple[int | None, ...]:
    """The chips of a round with an unfinished write: its own (None) first, then by number."""
    chips = _stories(events)[0]
    left = (number for number, chip in chips.items() if chip.announcements)
    return tuple(sorted(left, key=lambda number: number or 0))


def registers_to_put_back(events: Iterable[Event]) -> dict[str, int]:
    """First journalled values of the registers that were changed and not restored since."""
    chips, last = _stories(events)
    return _to_put_back(chips[last])


def refuted_opcodes_on(events: Iterable[Event], kept_number: int | None) -> frozenset[int]:
    """Erase opcodes that one chip has proved wrong: the round's own (None) or a replacement."""
    chip = _stories(events)[0].get(kept_number)
    return frozenset(chip.refuted if chip is not None else ())


def failed_units_on(events: Iterable[Event], kept_number: int | None) -> Counter[range]:
    """How many writes each unit of one chip failed in, since it was last proven."""
    chip = _stories(events)[0].get(kept_number)
    return Counter(chip.failed if chip is not None else ())


def targets_on(events: Iterable[Event], kept_number: int | None) -> tuple[str, ...]:
    """The hashes that were ever announced for one chip, each once, oldest first."""
    chip = _stories(events)[0].get(kept_number)
    return tuple(chip.targets if chip is not None else ())


def proven_on(events: Iterable[Event], kept_number: int | None) -> frozenset[str]:
    """The hashes of all that one chip was once proven to hold."""
    chip = _stories(events)[0].get(kept_number)
    return frozenset(chip.proven if chip is not None else ())


def last_written_chip(events: Iterable[Event]) -> int | None:
    """The chip that the last announcement is about; None also if there is none."""
    return _stories(events)[1]


def merged(ranges: Iterable[range]) -> list[range]:
    """The same addresses as ascending ranges that neither overlap nor touch."""
    result: list[range] = []
    for one in sorted(ranges, key=lambda each: each.start):
        if not one:
            continue
        if result and one.start <= result[-1].stop:
            result[-1] = range(result[-1].start, max(result[-1].stop, one.stop))
        else:
            result.append(one)
    return result


def without(ranges: Iterable[range], holes: Iterable[range]) -> list[range]:
    """The addresses of `ranges` that are in none of `holes`, as `merged` gives them."""
    result: list[range] = []
    left = merged(holes)
    first_near = 0
    for one in merged(ranges):
        start = one.start
        while first_near < len(left) and left[first_near].stop <= one.start:
            first_near += 1
        for hole in left[first_near:]:
            if hole.start >= one.stop:
                break
            result.append(range(start, hole.start))
            start = hole.stop
        result.append(range(start, one.stop))
    return [part for part in result if part]


def _stories(events: Iterable[Event]) -> tuple[dict[int | None, _Chip], int | None]:
    """Each chip's story by kept number, and the chip that lines are about at the end."""
    current: int | None = None
    chips: dict[int | None, _Chip] = {None: _Chip()}
    for event in events:
        if isinstance(event, WriteAnnounced):
            current = event.kept_number
            chips.setdefault(current, _Chip())
        _tell(chips[current], event)
    return chips, current


def _tell(chip: _Chip, event: Event) -> None:
    match event:
        case WriteAnnounced():
            chip.announce(event)
        case UnitProven():
            chip.prove(event)
        case RegistersSaved():
            chip.note_first(event.values)
        case RegistersChanged():
            chip.note_first(event.before)
            chip.changed |= event.before.keys() | event.after.keys()
        case RegistersRestored():
            chip.changed -= {
                name
                for name, value in event.values.items()
                if value == chip.first_values.get(name, value)
            }
        case OpcodeRefuted():
            chip.refute(event)
        case UnitFailed():
            chip.failed.append(range(event.start, event.start + event.size))
        case CellsProven():
            chip.cells_proven = True
        case WriteFinished():
            chip.finish(event.target_sha256)
        case _:
            pass


def _told(chip: _Chip) -> UnfinishedWrite:
    last = chip.announcements[-1]
    named = [_stretch(unit) for each in chip.announcements for unit in each.units]
    named += chip.reached
    suspect = chip.suspect()
    return UnfinishedWrite(
        target_sha256=last.target_sha256,
        target_name=last.target_name,
        targets=tuple((each.target_name, each.target_sha256) for each in chip.announcements),
        kept_number=last.kept_number,
        jedec_id=last.jedec_id,
        unique_id=last.unique_id,
        suspect=tuple(suspect),
        announced=tuple(merged(named)),
        proven=tuple(without(named, suspect)),
        registers_before=dict(chip.first_values),
        registers_to_put_back=_to_put_back(chip),
        refuted_opcodes=frozenset(chip.refuted),
        cells_proven=chip.cells_proven,
    )


def _to_put_back(chip: _Chip) -> dict[str, int]:
    return {name: chip.first_values[name] for name in sorted(chip.changed & set(chip.first_values))}


def _stretch(unit: AnnouncedUnit) -> range:
    return range(unit.start, unit.start + unit.size)
