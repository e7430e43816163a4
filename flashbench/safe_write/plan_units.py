"""What to erase and program so that a chip goes from what it holds to what it shall hold.

**Cells.** Each erase region is cut into cells of its smallest usable erase kind. What such a kind
does not tile (the ends of an odd region, a region without a usable kind) makes cells of up to
64 KiB that can be programmed but not erased. A plan leaves a cell alone, programs it without
an erase, or erases it by itself or as part of a larger unit: aligned to its size, whole inside
its region. Or the chip is erased as a whole.

- A cell is *left alone* only if every byte of it already is as it shall be.
- It is *programmed without an erase* only on a part known to be free of on-die ECC, and only if
  no bit of it must go from 0 to 1. Its changed pages are programmed.
- Whatever is *erased* is programmed anew: every page whose target is not blank.

**Time.** Reading a byte takes 8 / SCK. A page takes its typical program time and, on the wire,
its bytes, opcode and address (4), write enable (1) and two looks at the status (4). An erase takes
its typical time.

- An erased unit is read three times: the picture before, the blank check, the proof.
- Cells programmed without an erase are read twice: the picture before, the proof.
- A chip erase needs one read of the whole chip before it; what is then programmed is read twice,
  as blank before and as proven after.

Time the USB and the host need is not in it. Ties go to the plan that erases fewer bystanders,
then to the larger unit.

**Bystanders** are bytes that shall not change, FF not counted, in a unit that is erased. A cell
that can neither be left alone nor be programmed without an erase is lost in every plan, so the
bystanders in it are nobody's choice. All others are *chosen*. The cheapest plan of all is taken
if it chooses none, or if against the cheapest plan that chooses none it saves at least a fifth of
the time and at least 2 s. Otherwise that other one is taken. The rule thus weighs whole plans:
what the whole write gains against whether it erases anything it could have spared. Where only a
chip erase reaches what must be erased, it is taken, and nothing in it was chosen.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flashbench.chip.profile import Address, ChipProfile, EraseKind, EraseRegion
from flashbench.errors import ChipUntouched, WrongCall
from flashbench.safe_write.page_facts import Counts, Flags, PageFacts, compare_pages

_LEAST_SAVING_PS = 2 * 10**12
_PROGRAM_SPAN = 1 << 16  # what one accident may leave half-done where nothing is erased
_PAGE_COMMAND_BYTES = 4 + 1 + 2 * 2
_READS_WHERE_ERASED = 3  # the picture before, the blank check, the proof
_READS_WHERE_PROGRAMMED = 2  # the picture before, the proof
_NOT_ERASED = -1


class NoErasePlan(ChipUntouched):
    """Some bytes must be erased and no usable erase reaches them. `out_of_reach` says which."""

    state = "This command has not changed the chip."

    def __init__(self, out_of_reach: range) -> None:
        self.out_of_reach = out_of_reach
        super().__init__(
            f"{out_of_reach.start:#08x} to {out_of_reach.stop - 1:#08x} would have to be erased,"
            " and no erase instruction that this chip may be given reaches there.",
            next_step="Check the part number printed on the chip against the one identified,"
            " or put another chip of the same part in and use write JOB --to-new-chip.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitPlan:
    """One unit, finished before the next begins: erase (or not), program, read back.

    `erase` None: cells are programmed as they are. `pages` are the starts of the pages to
    program, ascending; a page of an erased unit that stays blank is not in it.
    """

    start: Address
    size: int
    erase: EraseKind | None
    pages: tuple[Address, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTimes:
    """How long the parts of a unit take, in picoseconds.

    Whole numbers, so that equal plans cost the same in whatever order they are added up. For
    the model see the module.
    """

    byte_ps: int
    page_ps: int

    @classmethod
    def of(cls, profile: ChipProfile, *, sck_hz: int, change_hz: int | None = None) -> "UnitTimes":
        """At the clocks of reads and of pages, which are one unless `change_hz` is given."""
        wire_bytes = profile.page_size + _PAGE_COMMAND_BYTES
        page_wire_ps = wire_bytes * round(8e12 / (change_hz or sck_hz))
        return cls(
            byte_ps=round(8e12 / sck_hz),
            page_ps=round(profile.program_us_typ * 1e6) + page_wire_ps,
        )

    def unit_seconds(self, unit: UnitPlan) -> float:
        """What this unit adds to the duration of its plan."""
        erase_ps = 0 if unit.erase is None else _ms_as_ps(unit.erase.ms_typ)
        read_ps = _read_bytes(unit) * self.byte_ps
        return (erase_ps + read_ps + len(unit.pages) * self.page_ps) / 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsPlan:
    """Everything to erase and program, in the order of the addresses.

    With `chip_erase` the whole chip is read and erased first, and the units only program.
    `changed_ranges` are runs of whole pages. Untrusted bytes count as changed.
    """

    units: tuple[UnitPlan, ...]
    chip_erase: bool
    bystander_bytes: int  # erased although they shall not change, FF not counted
    chosen_bystander_bytes: int  # those of them that a slower plan would have spared
    erase_seconds: float  # cells' typical times
    program_seconds: float  # cells' typical times and the pages on the wire
    read_seconds: float  # pictures before, blank checks, proofs
    changed_bytes: int
    changed_ranges: tuple[range, ...]

    @property
    def seconds(self) -> float:
        """Model of the whole work on the cells, without USB and host time."""
        return self.erase_seconds + self.program_seconds + self.read_seconds

    @property
    def page_count(self) -> int:
        """Pages to program."""
        return sum(len(unit.pages) for unit in self.units)


def plan_units(
    current: bytes | memoryview,
    target: bytes | memoryview,
    profile: ChipProfile,
    *,
    sck_hz: int,
    change_hz: int | None = None,
    must_erase: Sequence[range] = (),
    refuted_opcodes: frozenset[int] = frozenset(),
) -> UnitsPlan:
    """The cheapest plan from `current` to `target` under the module's rules.

    `sck_hz` is the clock of reads, and of pages too unless theirs is another (`change_hz`).
    `must_erase` are byte ranges whose contents are never to be trusted, widened to whole pages:
    whatever they read, they are erased. Erase kinds (and a chip erase) with `refuted_opcodes`
    are not used.

    Raises:
        NoErasePlan: bytes that must be erased lie where no usable erase reaches.
        WrongCall: the lengths differ from the chip's, or a range lies outside it.
    """
    _check_call(current, target, profile, sck_hz, must_erase)
    facts = compare_pages(current, target, page_size=profile.page_size, untrusted=must_erase)
    times = UnitTimes.of(profile, sck_hz=sck_hz, change_hz=change_hz)
    ground = _Ground.survey(facts, profile, times, refuted_opcodes)
    return _as_units(_choose(ground), ground)


def _read_bytes(unit: UnitPlan) -> int:
    return unit.size * (_READS_WHERE_PROGRAMMED if unit.erase is None else _READS_WHERE_ERASED)


def _ms_as_ps(milliseconds: float) -> int:
    return round(milliseconds * 1e9)


def _check_call(
    current: bytes | memoryview,
    target: bytes | memoryview,
    profile: ChipProfile,
    sck_hz: int,
    must_erase: Sequence[range],
) -> None:
    size, page = profile.density_bytes, profile.page_size
    correct = "Plan with two whole pictures of one chip, and with that chip's profile."
    if not len(current) == len(target) == size:
        seen = f"The chip holds {size} bytes, the pictures {len(current)} and {len(target)}."
        raise WrongCall(seen, next_step=correct)
    if sck_hz <= 0:
        raise WrongCall(f"A clock of {sck_hz} Hz moves no bytes.", next_step=correct)
    for stretch in must_erase:
        if stretch.step != 1 or not 0 <= stretch.start <= stretch.stop <= size:
            seen = f"{stretch} is no range of bytes in a chip of {size} bytes."
            raise WrongCall(seen, next_step=correct)
    edges = [edge for region in profile.regions for edge in (region.start, region.length)]
    if any(edge % page for edge in (size, *edges)):
        seen = f"The erase regions do not fall on pages of {page} bytes."
        raise WrongCall(seen, next_step=correct)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """Cells of one size in a row; without `kinds` they cannot be erased by themselves."""

    start: int
    end: int
    cell_size: int
    kinds: tuple[EraseKind, ...]

    def cell_starts(self) -> Counts:
        starts = np.arange(self.start - self.start % self.cell_size, self.end, self.cell_size)
        starts[0] = self.start
        return starts


def _stretches(region: EraseRegion, page_size: int, refuted: frozenset[int]) -> Iterator[_Stretch]:
    start, end = int(region.start), region.start + region.length
    quickest: dict[int, EraseKind] = {}
    for kind in region.kinds:
        usable = kind.opcode not in refuted and kind.size % page_size == 0
        if usable and (kind.size not in quickest or kind.ms_typ < quickest[kind.size].ms_typ):
            quickest[kind.size] = kind
    kinds = tuple(quickest[size] for size in sorted(quickest))
    cell_size = kinds[0].size if kinds else region.length
    body_start = -(-start // cell_size) * cell_size
    body_end = end // cell_size * cell_size
    if not kinds or body_start >= body_end:
        yield _Stretch(start=start, end=end, cell_size=_PROGRAM_SPAN, kinds=())
        return
    if start < body_start:
        yield _Stretch(start=start, end=body_start, cell_size=_PROGRAM_SPAN, kinds=())
    yield _Stretch(start=body_start, end=body_end, cell_size=cell_size, kinds=kinds)
    if body_end < end:
        yield _Stretch(start=body_end, end=end, cell_size=_PROGRAM_SPAN, kinds=())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """The chip cut into cells; the arrays hold one entry a cell.

    `stretches` come with the slice of the cells that are theirs.
    """

    profile: ChipProfile
    times: UnitTimes
    facts: PageFacts
    chip_erase_ps: int | None
    stretches: tuple[tuple[slice, _Stretch], ...]
    stretch_of: Counts
    starts: Counts
    sizes: Counts
    changed_pages: Counts
    loaded_pages: Counts  # pages with something to program after an erase
    kept_bytes: Counts
    lost: Flags  # erased in every plan

    @classmethod
    def survey(
        cls, facts: PageFacts, profile: ChipProfile, times: UnitTimes, refuted: frozenset[int]
    ) -> "_Ground":
        page_size, stretches, starts = profile.page_size, [], []
        cell_count = 0
        for region in profile.regions:
            for stretch in _stretches(region, page_size, refuted):
                starts.append(stretch.cell_starts())
                cells = slice(cell_count, cell_count + len(starts[-1]))
                stretches.append((cells, stretch))
                cell_count = cells.stop
        cell_starts = np.concatenate(starts)
        first_pages = cell_starts // page_size
        needs_erase = facts.bits_rise if profile.ecc_free else facts.differs
        chip_erase = profile.chip_erase
        if chip_erase is not None and chip_erase.opcode in refuted:
            chip_erase = None
        return cls(
            profile=profile,
            times=times,
            facts=facts,
            chip_erase_ps=None if chip_erase is None else _ms_as_ps(chip_erase.ms_typ),
            stretches=tuple(stretches),
            stretch_of=np.repeat(np.arange(len(starts)), [len(part) for part in starts]),
            starts=cell_starts,
            sizes=np.diff(cell_starts, append=profile.density_bytes),
            changed_pages=np.add.reduceat(facts.differs, first_pages, dtype=np.int64),
            loaded_pages=np.add.reduceat(~facts.blank, first_pages, dtype=np.int64),
            kept_bytes=np.add.reduceat(facts.kept_bytes, first_pages),
            lost=np.logical_or.reduceat(needs_erase, first_pages),
        )

    @property
    def choosable_bytes(self) -> Counts:
        """Bystanders that an erase of the cell would choose to erase."""
        return np.where(self.lost, 0, self.kept_bytes)

    def out_of_reach(self) -> range | None:
        """The first run of cells that must be erased and that no unit contains."""
        erasable = np.array([bool(stretch.kinds) for _, stretch in self.stretches])
        beyond = np.flatnonzero(self.lost & ~erasable[self.stretch_of])
        if not len(beyond):
            return None
        run = np.split(beyond, np.flatnonzero(np.diff(beyond) != 1) + 1)[0]
        return range(int(self.starts[run[0]]), int(self.starts[run[-1]] + self.sizes[run[-1]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """One way to do it. `level` is, cell by cell, the index of the kind that erases it."""

    level: NDArray[np.int8]
    chip_erase: bool
    cost_ps: int
    chosen_bytes: int


def _choose(ground: _Ground) -> _Choice:
    """The plan that the rule about bystanders leaves."""
    whole = _with_chip_erase(ground)
    out_of_reach = ground.out_of_reach()
    if out_of_reach is not None:
        if whole is None:
            raise NoErasePlan(out_of_reach)
        return replace(whole, chosen_bytes=0)
    options = [_with_units(ground, may_choose_bystanders=may) for may in (True, False)]
    if whole is not None:
        options.append(whole)
    quickest = min(options, key=_cost_then_bystanders)
    sparing = min((c for c in options if not c.chosen_bytes), key=_cost_then_bystanders)
    saved_ps = sparing.cost_ps - quickest.cost_ps
    worth_it = saved_ps >= _LEAST_SAVING_PS and 5 * saved_ps >= sparing.cost_ps
    return quickest if worth_it else sparing


def _cost_then_bystanders(choice: _Choice) -> tuple[int, int]:
    return choice.cost_ps, choice.chosen_bytes


def _with_chip_erase(ground: _Ground) -> _Choice | None:
    if ground.chip_erase_ps is None:
        return None
    times, loaded = ground.times, ground.loaded_pages
    read_bytes = ground.profile.density_bytes
    read_bytes += _READS_WHERE_PROGRAMMED * int(ground.sizes[loaded > 0].sum())
    return _Choice(
        level=np.full(len(ground.starts), _NOT_ERASED, np.int8),
        chip_erase=True,
        cost_ps=ground.chip_erase_ps
        + read_bytes * times.byte_ps
        + int(loaded.sum()) * times.page_ps,
        chosen_bytes=int(ground.choosable_bytes.sum()),
    )


def _with_units(ground: _Ground, *, may_choose_bystanders: bool) -> _Choice:
    """The cheapest units, from the smallest kind of each stretch up to its largest.

    `cost` and `chosen` hold what is best so far in such a way that their sum over the cells of a
    unit is the unit's: a unit that beats its parts puts all of its own into its first cell.
    """
    times, changed = ground.times, ground.changed_pages
    read_ps = ground.sizes * (_READS_WHERE_PROGRAMMED * times.byte_ps)
    cost = changed * times.page_ps + np.where(changed > 0, read_ps, 0)
    chosen = np.zeros_like(cost)
    level = np.full(len(cost), _NOT_ERASED, np.int8)
    for cells, stretch in ground.stretches:
        for index, kind in enumerate(stretch.kinds):
            units = _cells_in_units(cells, stretch, kind)
            shape = (-1, kind.size // stretch.cell_size)
            loaded = ground.loaded_pages[units].reshape(shape).sum(axis=1)
            fixed_ps = _ms_as_ps(kind.ms_typ) + _READS_WHERE_ERASED * kind.size * times.byte_ps
            unit_cost = fixed_ps + loaded * times.page_ps
            unit_chosen = ground.choosable_bytes[units].reshape(shape).sum(axis=1)
            costs, chosens = cost[units].reshape(shape), chosen[units].reshape(shape)
            if index == 0:
                better = ground.lost[units]
            else:
                parts_cost, parts_chosen = costs.sum(axis=1), chosens.sum(axis=1)
                spares_as_much = unit_chosen <= parts_chosen
                better = unit_cost < parts_cost
                better |= (unit_cost == parts_cost) & spares_as_much
                if not may_choose_bystanders:
                    better &= unit_chosen == 0
            _put_into_first_cell(costs, better, unit_cost)
            _put_into_first_cell(chosens, better, unit_chosen)
            level[units].reshape(shape)[better] = index
    return _Choice(
        level=level, chip_erase=False, cost_ps=int(cost.sum()), chosen_bytes=int(chosen.sum())
    )


def _cells_in_units(cells: slice, stretch: _Stretch, kind: EraseKind) -> slice:
    """The cells of a stretch that lie in a unit of this kind which is whole inside it."""
    first = -(-stretch.start // kind.size) * kind.size
    last = max(first, stretch.end // kind.size * kind.size)
    before = (first - stretch.start) // stretch.cell_size
    first_cell = min(cells.start + before, cells.stop)
    return slice(first_cell, first_cell + (last - first) // stretch.cell_size)


def _put_into_first_cell(values: Counts, where: Flags, unit_values: Counts) -> None:
    values[where] = 0
    values[where, 0] = unit_values[where]


def _as_units(choice: _Choice, ground: _Ground) -> UnitsPlan:
    facts, page_size, times = ground.facts, ground.profile.page_size, ground.times
    erased_cells = np.full(len(choice.level), choice.chip_erase) | (choice.level != _NOT_ERASED)
    erased_pages = np.repeat(erased_cells, ground.sizes // page_size)
    programmed = np.flatnonzero(np.where(erased_pages, ~facts.blank, facts.differs)) * page_size
    starts, sizes, kinds = _units_of(choice, ground)
    units = _with_pages(starts, sizes, kinds, programmed)
    erase_ps = sum(_ms_as_ps(unit.erase.ms_typ) for unit in units if unit.erase is not None)
    read_bytes = sum(map(_read_bytes, units))
    if choice.chip_erase:
        erase_ps += ground.chip_erase_ps or 0
        read_bytes += ground.profile.density_bytes
    return UnitsPlan(
        units=units,
        chip_erase=choice.chip_erase,
        bystander_bytes=int(ground.kept_bytes[erased_cells].sum()),
        chosen_bystander_bytes=choice.chosen_bytes,
        erase_seconds=erase_ps / 1e12,
        program_seconds=len(programmed) * times.page_ps / 1e12,
        read_seconds=read_bytes * times.byte_ps / 1e12,
        changed_bytes=int(facts.changed_bytes.sum()),
        changed_ranges=_runs(facts.differs, page_size),
    )


def _units_of(choice: _Choice, ground: _Ground) -> tuple[Counts, Counts, list[EraseKind | None]]:
    """Start, size and erase of every unit, ascending."""
    active = ground.loaded_pages > 0 if choice.chip_erase else ground.changed_pages > 0
    starts, sizes = _program_only_units(active & (choice.level == _NOT_ERASED), ground)
    all_starts, all_sizes = [starts], [sizes]
    kinds: list[EraseKind | None] = [None]
    which = [np.zeros(len(starts), np.int64)]
    for cells, stretch in ground.stretches:
        for index, kind in enumerate(stretch.kinds):
            erased = ground.starts[cells][choice.level[cells] == index]
            starts = erased[erased % kind.size == 0]
            all_starts.append(starts)
            all_sizes.append(np.full(len(starts), kind.size))
            which.append(np.full(len(starts), len(kinds)))
            kinds.append(kind)
    starts = np.concatenate(all_starts)
    order = np.argsort(starts)
    kind_of = np.concatenate(which)[order].tolist()
    return starts[order], np.concatenate(all_sizes)[order], [kinds[k] for k in kind_of]


def _program_only_units(active: Flags, ground: _Ground) -> tuple[Counts, Counts]:
    """Neighbouring cells become one unit, within a stretch and a block of `_PROGRAM_SPAN`."""
    cells = np.flatnonzero(active)
    block = ground.starts[cells] // _PROGRAM_SPAN
    stretch = ground.stretch_of[cells]
    breaks = (np.diff(cells) != 1) | (np.diff(block) != 0) | (np.diff(stretch) != 0)
    first = np.concatenate(([0], np.flatnonzero(breaks) + 1)) if len(cells) else cells
    sizes = np.add.reduceat(ground.sizes[cells], first) if len(cells) else cells
    return ground.starts[cells][first], sizes


def _with_pages(
    starts: Counts, sizes: Counts, kinds: list[EraseKind | None], programmed: Counts
) -> tuple[UnitPlan, ...]:
    """Every page to program lies in exactly one unit."""
    pages: list[Address] = programmed.tolist()
    first = np.searchsorted(programmed, starts).tolist()
    behind = np.searchsorted(programmed, starts + sizes).tolist()
    return tuple(
        UnitPlan(start=start, size=size, erase=kind, pages=tuple(pages[a:b]))
        for start, size, kind, a, b in zip(
            starts.tolist(), sizes.tolist(), kinds, first, behind, strict=True
        )
    )


def _runs(flags: Flags, page_size: int) -> tuple[range, ...]:
    """Where the flags of pages are set, as ranges of bytes."""
    edges = np.diff(flags.astype(np.int8), prepend=0, append=0)
    starts = (np.flatnonzero(edges == 1) * page_size).tolist()
    ends = (np.flatnonzero(edges == -1) * page_size).tolist()
    return tuple(map(range, starts, ends))
