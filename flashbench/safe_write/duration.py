"""How long a plan will take, said before it is carried out.

The planner's own model knows cells and wire. What is added here is the rest of `rewrite` and
`verify`: the look beside the first erase with each opcode, the pages that are watched one by
one, the proof of the whole chip, and what every run of frames and every frame costs on this
host and adapter. That cost is measured, on the chip in the socket, by reading its status.
"""

from dataclasses import dataclass
from typing import Final

from flashbench.adapter._frame import Frame
from flashbench.chip import _read_frames as frames
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind, Register
from flashbench.chip.identity import Identified
from flashbench.safe_write._cells import NEIGHBOURHOOD_BYTES
from flashbench.safe_write._pages import PAGES_MEASURED, PAGES_PER_RUN, WAIT_SLACK
from flashbench.safe_write.plan import Plan
from flashbench.safe_write.plan_units import UnitPlan

_LOOKS: Final = 3
_MANY: Final = 33
_FRAMES_A_PAGE: Final = 4  # write enable, status, program, status
_RUNS_AROUND: Final = 10  # the ID again, the registers, the latch; about that many
_STATUS_BITS: Final = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class BusTimes:
    """What the host, the USB and the adapter take, beyond the bits of the frames."""

    run_s: float  # for a run of frames, however short
    frame_s: float  # more for every frame in it


def measure_bus(chip: Identified) -> BusTimes:
    """Time some status reads. The quickest of a few counts: whatever slowed the others was not
    the bus.

    Raises:
        AdapterError: the bus failed; the chip was only read.
    """
    look = frames.read_register(Register.STATUS_1)
    bits_s = _STATUS_BITS / chip.wire.true_hz(chip.clock_hz)
    one_s, many_s = (_quickest_s(chip, [look] * count) for count in (1, _MANY))
    frame_s = max(0.0, (many_s - one_s) / (_MANY - 1) - bits_s)
    return BusTimes(run_s=max(0.0, one_s - frame_s - bits_s), frame_s=frame_s)


def expected_seconds(plan: Plan) -> float:
    """Model of `rewrite` and `verify` of this plan, with the bus as it is now.

    Raises:
        AdapterError: the bus failed; the chip was only read.
    """
    chip, cells = plan.chip, plan.cells
    bus = measure_bus(chip)
    verify_s = 8 * len(plan.target) / chip.wire.true_hz(reading.read_hz(chip, ReadKind.PLAIN))
    runs = _RUNS_AROUND + sum(map(_runs_of, cells.units))
    return (
        cells.seconds
        + verify_s
        + _beside_first_erases_s(plan)
        + _pages_s(plan, bus)
        + runs * bus.run_s
    )


def _quickest_s(chip: Identified, looks: list[Frame]) -> float:
    time, taken = chip.adapter.time, []
    for _ in range(_LOOKS):
        begun_s = time.now_s()
        chip.run(looks)
        taken.append(time.now_s() - begun_s)
    return min(taken)


def _runs_of(unit: UnitPlan) -> int:
    """The picture and the proof; the erase, a poll and the blank check; the pages."""
    page_runs = -(-len(unit.pages) // PAGES_PER_RUN)
    return 2 + page_runs + (3 if unit.erase is not None else 0)


def _beside_first_erases_s(plan: Plan) -> float:
    """The reads either side of the first unit that each erase opcode clears."""
    size, read_bytes = plan.chip.profile.density_bytes, 0
    opcodes: set[int] = set()
    for unit in plan.cells.units:
        if unit.erase is not None and unit.erase.opcode not in opcodes:
            opcodes.add(unit.erase.opcode)
            end = unit.start + unit.size
            read_bytes += min(NEIGHBOURHOOD_BYTES, unit.start)
            read_bytes += min(NEIGHBOURHOOD_BYTES, size - end)
    return 8 * read_bytes / plan.chip.wire.true_hz(reading.read_hz(plan.chip, ReadKind.FAST))


def _pages_s(plan: Plan, bus: BusTimes) -> float:
    """What pages cost beyond their program time and their bits: a margin, and single looks."""
    count = plan.cells.page_count
    margin_s = (WAIT_SLACK - 1) * plan.chip.profile.program_us_typ / 1e6
    return (
        count * (_FRAMES_A_PAGE * bus.frame_s + margin_s) + min(PAGES_MEASURED, count) * bus.run_s
    )
