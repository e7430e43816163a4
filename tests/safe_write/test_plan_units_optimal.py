"""The planner against brute force: every way to erase a small chip, priced one by one.

The brute force below restates the rules from their wording, page by page and byte by byte, and
shares no code with the planner. Times are whole microseconds, so that both are exact.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flashbench.chip.profile import ChipProfile, EraseKind
from flashbench.safe_write.plan_units import NoErasePlan, UnitPlan, UnitsPlan, plan_units
from tests.safe_write.cell_model import a_kind, a_profile, apply_plan

PAGE = 16
SCK_HZ = 8_000_000  # a byte in one microsecond
PROGRAM_US = 300
PAGE_US = PROGRAM_US + PAGE + 4 + 1 + 2 * 2


@dataclass(frozen=True)
class Case:
    profile: ChipProfile
    current: bytes
    target: bytes
    must_erase: list[range]
    refuted: frozenset[int]


# Erases that take seconds, so that the rule about bystanders has something to weigh, and erases
# that take no longer than reading and programming what they destroy.
slow_ms = st.integers(1, 40).map(lambda n: n * 100.0)
quick_ms = st.integers(1, 20).map(lambda n: n * 50 / 1000)


@st.composite
def kinds(draw: st.DrawFn, ms: st.SearchStrategy[float]) -> list[EraseKind]:
    some = st.sampled_from([[32], [32, 64], [32, 128], [64, 128], [32, 64, 128], [128], []])
    sizes = list(draw(some))
    if max(sizes, default=0) > 32 and draw(st.booleans()):
        sizes.append(max(sizes))  # two instructions for one size
    return [
        a_kind(size, ms=draw(ms), opcode=0x20 + 16 * n + size.bit_length())
        for n, size in enumerate(sizes)
    ]


def pages(count: int) -> st.SearchStrategy[bytes]:
    """Pages that are blank, uniform, or of two parts; few values, so that they often agree."""
    byte = st.sampled_from([0xFF, 0xFF, 0x5A, 0x0A, 0xF5])
    page = st.tuples(byte, byte).map(lambda two: bytes([two[0]] * 9 + [two[1]] * (PAGE - 9)))
    return st.lists(page, min_size=count, max_size=count).map(b"".join)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    lengths = draw(
        st.sampled_from([[256], [128, 128], [64, 192], [48, 208], [32, 96, 96], [16, 160, 32]])
    )
    ms = draw(st.sampled_from([slow_ms, slow_ms, quick_ms]))
    profile = a_profile(
        *[(length, draw(kinds(ms))) for length in lengths],
        page_size=PAGE,
        program_us=PROGRAM_US,
        chip_erase_ms=draw(st.none() | ms.map(lambda one: 5 * one)),
        ecc_free=draw(st.booleans()),
    )
    size = profile.density_bytes
    current = draw(pages(size // PAGE))
    fresh = draw(pages(size // PAGE))
    target = b"".join(
        (fresh if draw(st.booleans()) else current)[at : at + PAGE] for at in range(0, size, PAGE)
    )
    edges = st.tuples(st.integers(0, size), st.integers(0, size))
    ranges = edges.map(lambda two: range(min(two), max(two)))
    must_erase = draw(st.lists(ranges, max_size=2)) if draw(st.booleans()) else []
    opcodes = sorted({k.opcode for r in profile.regions for k in r.kinds} | {0xC7})
    refuted = draw(st.sets(st.sampled_from(opcodes), max_size=1)) if draw(st.booleans()) else set()
    return Case(profile, current, target, must_erase, frozenset(refuted))


@dataclass(frozen=True)
class Erase:
    start: int
    end: int
    microseconds: int
    reads: int


def all_units(case: Case) -> list[Erase]:
    return [
        Erase(start, start + kind.size, round(kind.ms_typ * 1000), 3)
        for region in case.profile.regions
        for kind in region.kinds
        if kind.opcode not in case.refuted
        for start in range(0, case.profile.density_bytes, kind.size)
        if region.start <= start and start + kind.size <= region.start + region.length
    ]


def every_choice(units: list[Erase], size: int, at: int = 0) -> Iterator[list[Erase]]:
    """Every set of units of which no two overlap."""
    if at >= size:
        yield []
        return
    yield from every_choice(units, size, at + PAGE)
    for unit in units:
        if unit.start == at:
            for rest in every_choice(units, size, unit.end):
                yield [unit, *rest]


def cell_of_each_page(case: Case) -> dict[int, range]:
    """The smallest unit a page is in; else the run of its neighbours in no smallest unit."""
    cells: dict[int, range] = {}
    for region in case.profile.regions:
        end = region.start + region.length
        sizes = [kind.size for kind in region.kinds if kind.opcode not in case.refuted]
        for start in range(0, end, min(sizes, default=end)):
            unit = range(start, start + min(sizes, default=0))
            if region.start <= unit.start and unit.stop <= end:
                cells |= dict.fromkeys(unit[::PAGE], unit)
        left = [page for page in range(region.start, end, PAGE) if page not in cells]
        for page in left:
            first, last = page, page
            while first - PAGE in left:
                first -= PAGE
            while last + PAGE in left:
                last += PAGE
            cells[page] = range(first, last + PAGE)
    return cells


@dataclass(frozen=True)
class Priced:
    microseconds: int
    lost_pages: frozenset[int]


class BruteForce:
    """Every plan that reaches the target, and which of them the rules choose."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.size = case.profile.density_bytes
        self.page_starts = range(0, self.size, PAGE)
        self.cells = cell_of_each_page(case)
        self.untrusted = {byte // PAGE * PAGE for stretch in case.must_erase for byte in stretch}
        self.plans = [
            priced
            for choice in every_choice(all_units(case), self.size)
            if (priced := self.price(choice)) is not None
        ]
        chip = case.profile.chip_erase
        if chip is not None and chip.opcode not in case.refuted:
            whole = self.price([Erase(0, self.size, round(chip.ms_typ * 1000), 1)], proofs=2)
            assert whole is not None
            self.plans.append(whole)

    def price(self, choice: list[Erase], *, proofs: int = 0) -> Priced | None:
        """`proofs`: extra reads of the cells that an erase is followed by programming in."""
        lost = {p for e in choice for p in range(e.start, e.end, PAGE)}
        cost = sum(e.microseconds + e.reads * (e.end - e.start) for e in choice)
        programmed = {p for p in lost if set(self.page(self.case.target, p)) != {0xFF}}
        cost += proofs * sum(len(cell) for cell in {self.cells[p] for p in programmed})
        in_place = {p for p in self.page_starts if p not in lost and self.differs(p)}
        if any(not self.can_be_programmed(p) for p in in_place):
            return None
        cost += 2 * sum(len(cell) for cell in {self.cells[p] for p in in_place})
        return Priced(cost + PAGE_US * len(programmed | in_place), frozenset(lost))

    def page(self, image: bytes, start: int) -> bytes:
        return image[start : start + PAGE]

    def differs(self, page: int) -> bool:
        now, then = self.page(self.case.current, page), self.page(self.case.target, page)
        return page in self.untrusted or now != then

    def can_be_programmed(self, page: int) -> bool:
        now, then = self.page(self.case.current, page), self.page(self.case.target, page)
        only_fall = all(a & b == b for a, b in zip(now, then, strict=True))
        return only_fall and self.case.profile.ecc_free and page not in self.untrusted

    def bystanders(self, lost_pages: frozenset[int]) -> int:
        trusted = [p for p in lost_pages if p not in self.untrusted]
        return sum(
            a == b != 0xFF
            for p in trusted
            for a, b in zip(
                self.page(self.case.current, p), self.page(self.case.target, p), strict=True
            )
        )

    def best(self) -> tuple[int, int, int]:
        """Microseconds, bystanders, chosen bystanders of the plan that the rules choose."""
        in_every_plan = frozenset.intersection(*[plan.lost_pages for plan in self.plans])
        ranked = sorted(
            (
                plan.microseconds,
                self.bystanders(plan.lost_pages - in_every_plan),
                self.bystanders(plan.lost_pages),
            )
            for plan in self.plans
        )
        quickest = ranked[0]
        sparing = next((row for row in ranked if row[1] == 0), None)
        assert sparing is not None or len(self.plans) == 1
        if sparing is None:
            best = quickest
        else:
            saved = sparing[0] - quickest[0]
            worth_it = saved >= 2_000_000 and saved * 5 >= sparing[0]
            best = quickest if worth_it else sparing
        return best[0], best[2], best[1]


def planned(case: Case) -> UnitsPlan | None:
    """The planner's plan, or None where it finds none."""
    try:
        return plan_units(
            case.current,
            case.target,
            case.profile,
            sck_hz=SCK_HZ,
            must_erase=case.must_erase,
            refuted_opcodes=case.refuted,
        )
    except NoErasePlan:
        return None


@settings(max_examples=300, deadline=None)
@given(cases())
def test_the_plan_is_the_one_that_brute_force_finds(case: Case) -> None:
    brute = BruteForce(case)
    plan = planned(case)

    if plan is None:
        assert brute.plans == []
    else:
        microseconds = round(plan.seconds * 1e6)
        found = (microseconds, plan.bystander_bytes, plan.chosen_bystander_bytes)
        assert found == brute.best()


@settings(max_examples=200, deadline=None)
@given(cases(), st.randoms(use_true_random=False))
def test_every_plan_reaches_the_target_whatever_suspect_bytes_hold(
    case: Case, garbage: random.Random
) -> None:
    plan = planned(case)
    assume(plan is not None)
    assert plan is not None

    held = bytearray(case.current)
    for stretch in case.must_erase:
        held[stretch.start : stretch.stop] = garbage.randbytes(len(stretch))
    assert apply_plan(bytes(held), case.target, plan, case.profile) == case.target
    erased = {byte for unit in plan.units if unit.erase for byte in range(*bounds(unit))}
    suspect = {byte for stretch in case.must_erase for byte in stretch}
    assert plan.chip_erase or suspect <= erased
    assert not case.refuted & {unit.erase.opcode for unit in plan.units if unit.erase}


def bounds(unit: UnitPlan) -> tuple[int, int]:
    return unit.start, unit.start + unit.size


@settings(max_examples=100, deadline=None)
@given(cases())
def test_the_duration_is_that_of_the_plan_as_it_stands(case: Case) -> None:
    """Priced from the units alone, whatever the planner believes it chose."""
    plan = planned(case)
    assume(plan is not None)
    assert plan is not None

    total_us = 0.0
    if plan.chip_erase and case.profile.chip_erase is not None:
        total_us += case.profile.chip_erase.ms_typ * 1000 + case.profile.density_bytes
    for unit in plan.units:
        total_us += PAGE_US * len(unit.pages) + 2 * unit.size
        if unit.erase is not None:
            total_us += unit.erase.ms_typ * 1000 + unit.size
    assert round(plan.seconds * 1e6) == round(total_us)
