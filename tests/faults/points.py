"""Every fault at every operation of a step, as values; and of the recovery, after an accident.

A `Point` is one run: a step, from a state that an accident may have left, with one thing wrong.
How far each counter goes is taken from a clean run of the same step.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from math import inf
from random import Random
from typing import Final, get_args

from flashbench.rehearsal import faults as f
from flashbench.rehearsal.faults import FrameGlitch, GlitchKind
from tests.builders.disk import DiskFault, Does
from tests.faults.scene import NOTHING, Damage, Ending, Interference


@dataclass(frozen=True, kw_only=True)
class Point:
    """One run. Its repr replays it: `python -m tests.faults --replay 'Point(...)'`."""

    family: str
    state: str
    step: str
    wrong: Interference


@dataclass(frozen=True, kw_only=True)
class Accident:
    """How a state came about: from which other state, by which step, with what wrong.

    With `new_chip`, the board's own chip is first taken out and another one put in.
    """

    before: str
    step: str | None
    wrong: Interference = NOTHING
    new_chip: bool = False


def _faults(*faults: f.Fault) -> Interference:
    return Interference(faults=faults)


def _on_a_new_chip(*faults: f.Fault, known: bool) -> Accident:
    state = "new chip of a known part" if known else "new chip"
    return Accident(before=state, step="to new chip", wrong=_faults(*faults))


NEW: Final = ("new", "new, known part", "new, unsteady cells")
"""Chips of which no job exists."""

ACCIDENTS: Final[dict[str, Accident]] = {
    "dumped": Accident(before="new", step="dump"),
    "dumped, known part": Accident(before="new, known part", step="dump"),
    "torn first erase": Accident(
        before="dumped", step="write", wrong=_faults(f.LosePower(at_operation=1, seed=1))
    ),
    "torn second erase": Accident(
        before="dumped", step="write", wrong=_faults(f.LosePower(at_operation=5, seed=2))
    ),
    "torn page": Accident(
        before="dumped", step="write", wrong=_faults(f.LosePower(at_operation=6, seed=3))
    ),
    "weak erase": Accident(
        before="dumped",
        step="write",
        wrong=_faults(f.LosePower(at_operation=5, seed=4), f.WeakAfterTear(reads_right=3)),
    ),
    "weak page": Accident(
        before="dumped",
        step="write",
        wrong=_faults(f.LosePower(at_operation=9, seed=5), f.WeakAfterTear(reads_right=3)),
    ),
    "unsteady erase": Accident(
        before="dumped",
        step="write",
        wrong=_faults(f.LosePower(at_operation=1, seed=6), f.WeakAfterTear(steady=False)),
    ),
    "between two units": Accident(
        before="dumped", step="write", wrong=_faults(f.LosePower(at_operation=4, between=True))
    ),
    "written, not proven": Accident(
        before="dumped", step="write", wrong=_faults(f.LosePower(at_operation=9, between=True))
    ),
    "restore cut off": Accident(
        before="torn second erase",
        step="restore",
        wrong=_faults(f.LosePower(at_operation=7, seed=7)),
    ),
    "new chip": Accident(before="dumped", step=None, new_chip=True),
    "new chip, the own one torn": Accident(before="torn page", step=None, new_chip=True),
    "new chip of a known part": Accident(before="dumped, known part", step=None, new_chip=True),
    "best reading": Accident(before="new, unsteady cells", step="best effort"),
    "new chip for a best reading": Accident(before="best reading", step=None, new_chip=True),
    "new chip for a best reading, torn page": Accident(
        before="new chip for a best reading",
        step="to new chip",
        wrong=_faults(f.LosePower(at_operation=6, seed=13)),
    ),
    "new chip, torn erase": _on_a_new_chip(f.LosePower(at_operation=1, seed=8), known=False),
    "new chip, weak page": _on_a_new_chip(
        f.LosePower(at_operation=6, seed=9), f.WeakAfterTear(reads_right=3), known=False
    ),
    "new chip, restore cut off": Accident(
        before="new chip, torn erase",
        step="restore",
        wrong=_faults(f.LosePower(at_operation=7, seed=10)),
    ),
    "new chip of a known part, torn page": _on_a_new_chip(
        f.LosePower(at_operation=4, seed=11), known=True
    ),
    "new chip of a known part, torn register": _on_a_new_chip(
        f.LosePower(at_operation=29, seed=12), known=True
    ),
    "new chip of a known part, written, not proven": _on_a_new_chip(
        f.LosePower(at_operation=30, between=True), known=True
    ),
}
"""Operations of the write: erase 1, pages 2 to 4, erase 5, pages 6 and 7, erase 8, page 9."""

FIRST: Final = {
    **dict.fromkeys(("new", "new, known part"), "dump"),
    "new, unsteady cells": "best effort",
    **{name: "to new chip" for name, how in ACCIDENTS.items() if how.new_chip},
    **dict.fromkeys(("dumped", "dumped, known part"), "write"),
}
"""The step that is due in a state that is not half-written."""

HALF_WRITTEN: Final = tuple(
    name for name in ACCIDENTS if name not in FIRST and name != "best reading"
)


@dataclass(frozen=True, kw_only=True)
class Trace:
    """How far a clean run of a step came, and the frames it sent: bits out, bits in."""

    ending: Ending
    operations: range
    frames: tuple[tuple[int, int], ...]
    files: dict[str, int]
    """The job's files before the step, and how long they are."""


Family = Callable[[Trace, Random], Iterator[Interference]]


def _at_transfers(
    make: Callable[[int], f.Fault], trace: Trace, _: Random
) -> Iterator[Interference]:
    for number in range(1, trace.ending.bulk_transfers + 1):
        yield _faults(make(number))


def _at_control_transfers(trace: Trace, _: Random) -> Iterator[Interference]:
    for number in range(1, trace.ending.control_transfers + 1):
        for by in ("adapter", "elsewhere"):
            yield _faults(f.Unplug(at_transfer=number, of="control", chip_powered_by=by))


def _at_operations(
    make: Callable[[int], tuple[f.Fault, ...]], trace: Trace, _: Random
) -> Iterator[Interference]:
    for number in trace.operations:
        yield _faults(*make(number))


def _at_frames(
    what: GlitchKind, lasting: bool, trace: Trace, random: Random
) -> Iterator[Interference]:
    """Once in the opcode, once in the address or dummy bytes, once in the data of each frame."""
    for number, (sent, received) in enumerate(trace.frames, start=1):
        for bit in _bits_of(what, sent, received, random):
            yield _faults(FrameGlitch(at_frame=number, what=what, at_bit=bit, lasting=lasting))


def _bits_of(what: GlitchKind, sent: int, received: int, random: Random) -> Iterator[int]:
    if what == "CS# stays low":
        yield 0
        return
    stretches = [(0, 8), (8, min(sent, 32)), (32, sent), (sent, sent + received)]
    if what == "MISO flips":
        stretches = stretches[-1:]
    for first, end in stretches:
        if first < end:
            yield random.randrange(first, end)


def _at_file_operations(
    does: Does, lasting: bool, lost: tuple[bool, bool] | None, trace: Trace, _: Random
) -> Iterator[Interference]:
    for number in range(1, trace.ending.file_operations + 1):
        yield Interference(
            disk=DiskFault(at=number, does=does, from_then_on=lasting), host_loses_power=lost
        )


def _process_ends(trace: Trace, _: Random) -> Iterator[Interference]:
    for number in range(1, trace.ending.transfers + 1):
        yield Interference(ends_at_transfer=number)


def _signals(trace: Trace, _: Random) -> Iterator[Interference]:
    for number in range(1, trace.ending.looks + 1):
        yield Interference(signal_at_look=number)


def _calendar(trace: Trace, _: Random) -> Iterator[Interference]:
    for number in range(1, trace.ending.calendar_looks + 1):
        for seconds in (-86400.0 * 400, -3600.0, 3600.0, 86400.0 * 400):
            yield Interference(calendar_jumps_at=number, calendar_jumps_s=seconds)


def _always(
    faults: Callable[[], Iterator[f.Fault]], _: Trace, __: Random
) -> Iterator[Interference]:
    for fault in faults():
        yield _faults(fault)


def _of_the_chip(
    faults: Callable[[], Iterator[f.Fault]], _: Trace, __: Random
) -> Iterator[Interference]:
    for fault in faults():
        yield Interference(chip=(fault,))


def _worn() -> Iterator[f.Fault]:
    for start in range(0, 1 << 16, 1 << 12):
        for bits in (1, 3, 40):
            yield f.WornSector(start=start, bits=bits, seed=start + bits)


def _stuck() -> Iterator[f.Fault]:
    for start in range(0, 1 << 16, 1 << 12):
        for offset in (0x10, 0x81, 0x300, 0xFFF):
            yield f.StuckBit(address=start + offset, bit=offset % 8, level=0)
            yield f.StuckBit(address=start + offset, bit=offset % 8, level=1)


def _unstable() -> Iterator[f.Fault]:
    for start in range(0, 1 << 16, 1 << 12):
        for bits in (1, 8):
            yield f.UnstableCells(start=start, length=0x1000, bits=bits, seed=start + bits)


def _wrong_units() -> Iterator[f.Fault]:
    for opcode in (0x20, 0x52):
        for shift in range(8, 17):
            if 1 << shift != {0x20: 0x1000, 0x52: 0x8000}[opcode]:
                yield f.WrongEraseUnit(opcode=opcode, size=1 << shift)


def _contacts() -> Iterator[f.Fault]:
    yield f.NoChip()
    yield f.MisoOnMosi()
    yield f.MirroredBits()
    for level in (0, 1):
        yield f.FloatingMiso(level=level)
    for direction in ("late", "early"):
        yield f.ShiftedBits(direction=direction)
    yield f.SecondMaster()
    for twentieths in range(1, 20, 2):
        yield f.SecondMaster(begins_s=twentieths / 20, frame_bytes=twentieths * 16)


def _rates(kind: type[f.MisoFlips | f.MosiFlips | f.IntermittentContact]) -> Iterator[f.Fault]:
    for power in range(-9, -1):
        for seed in range(6):
            yield kind(rate=10.0**power, seed=seed)


def _damage(trace: Trace, random: Random) -> Iterator[Interference]:
    """Every byte of what is short, some of what is long."""
    for path, size in trace.files.items():
        offsets = range(size) if size <= 4096 else sorted(random.sample(range(size), 400))
        for offset in offsets:
            mask = 1 << random.randrange(8)
            yield Interference(damage=Damage(path=path, offset=offset, mask=mask))


def _strangers(trace: Trace, _: Random) -> Iterator[Interference]:
    """Not within the transfers that carry the first change and its reply: no check fits there."""
    by = trace.ending.first_change_by
    for number in range(1, trace.ending.transfers + 1 if by is None else by - 2):
        yield Interference(stranger_at_transfer=number)


def _elsewhere(trace: Trace, _: Random) -> Iterator[Interference]:
    if trace.files:
        yield Interference(job_is_open_elsewhere=True)


def _address_bits() -> Iterator[f.Fault]:
    for bit in range(16):
        yield f.StuckAddressBit(bit=bit)


def _held_low() -> Iterator[f.Fault]:
    for line in ("SCK", "MOSI", "MISO", "CS#"):
        for until_s in (0.001, 0.5, inf):
            yield f.LineHeldLow(line=line, until_s=until_s)


def _slow_lines() -> Iterator[f.Fault]:
    """Right above and right below the clocks of both reads (30 and 15 MHz), and far below."""
    for above_hz in (29.9e6, 15.1e6, 14.9e6, 7e6, 3e6):
        for swing in (5, 6, 7, 8):
            for pulled_up in (False, True):
                yield f.MisoSettlesLate(above_hz=above_hz, swing=swing, pulled_up=pulled_up)


def _uneven() -> Iterator[f.Fault]:
    for of in ("programs", "erases"):
        for spread, share in ((0.2, 0.0), (0.0, 0.1), (0.5, 0.3)):
            yield f.UnevenTimes(of=of, spread=spread, slow_share=share, seed=1)


def _slow() -> Iterator[f.Fault]:
    for factor in (0.2, 2.0, 5.0, 10.0, 30.0):
        yield f.SlowChip(factor=factor)


def _left() -> Iterator[f.Fault]:
    for seconds in (0.01, 0.5, 2.0, 20.0, 100.0):
        yield f.LeftBusy(seconds=seconds)
    yield f.LeftIn4ByteMode()
    yield f.LeftPoweredDown()
    yield f.LeftInContinuousRead()


def _both(name: str, make: Callable[[int, bool], f.Fault]) -> dict[str, Family]:
    return {
        f"{name}, {'from then on' if lasting else 'once'}": partial(
            _at_transfers, partial(_with_lasting, make, lasting)
        )
        for lasting in (False, True)
    }


def _with_lasting(make: Callable[[int, bool], f.Fault], lasting: bool, at: int) -> f.Fault:
    return make(at, lasting)


def _disk(name: str, does: Does) -> dict[str, Family]:
    return {
        f"{name}, {'from then on' if lasting else 'once'}": partial(
            _at_file_operations, does, lasting, None
        )
        for lasting in (False, True)
    }


def _silent(lasting: bool) -> Family:
    return partial(_at_operations, lambda n: (f.SilentOperation(at_operation=n, lasting=lasting),))


def _power(*more: f.Fault, seeds: range = range(1, 2), between: bool = False) -> Family:
    def family(trace: Trace, _: Random) -> Iterator[Interference]:
        for number in trace.operations:
            for seed in seeds:
                lost = f.LosePower(at_operation=number, between=between, seed=seed)
                yield _faults(lost, *more)

    return family


FAMILIES: Final[dict[str, Family]] = {
    "power lost in an operation": _power(seeds=range(1, 9)),
    "power lost between operations": _power(between=True),
    "power lost, torn cells drift later": _power(f.WeakAfterTear(reads_right=3), seeds=range(1, 4)),
    "power lost, torn cells never read alike": _power(
        f.WeakAfterTear(steady=False), seeds=range(1, 4)
    ),
    "supply dips before an operation": partial(
        _at_operations, lambda n: (f.SupplyDip(at_operation=n),)
    ),
    "operation does nothing, once": _silent(lasting=False),
    "operation does nothing, from then on": _silent(lasting=True),
    "unplugged, chip powered by the adapter": partial(
        _at_transfers, lambda n: f.Unplug(at_transfer=n, part=n % 5 / 4, seed=n)
    ),
    "unplugged, chip powered elsewhere": partial(
        _at_transfers,
        lambda n: f.Unplug(at_transfer=n, chip_powered_by="elsewhere", part=n % 5 / 4),
    ),
    "unplugged before a control transfer": _at_control_transfers,
    **_both("mute reply", lambda n, lasting: f.MuteReply(at_transfer=n, lasting=lasting)),
    **_both(
        "short reply",
        lambda n, lasting: f.ShortReply(at_transfer=n, lost_bytes=1 + n % 3, lasting=lasting),
    ),
    **_both(
        "stale reply",
        lambda n, lasting: f.StaleReply(at_transfer=n, extra_bytes=1 + n % 3, lasting=lasting),
    ),
    **_both(
        "duplicated reply", lambda n, lasting: f.DuplicatedReply(at_transfer=n, lasting=lasting)
    ),
    "host sleeps, adapter stays": partial(_at_transfers, lambda n: f.HostSuspends(at_transfer=n)),
    "host sleeps, adapter enumerated anew": partial(
        _at_transfers, lambda n: f.HostSuspends(at_transfer=n, adapter="leaves")
    ),
    **{
        f"{what} in a frame, {'from then on' if lasting else 'once'}": partial(
            _at_frames, what, lasting
        )
        for what in get_args(GlitchKind)
        for lasting in (False, True)
    },
    "process killed at a transfer": _process_ends,
    "process killed at a file operation": partial(_at_file_operations, Does.KILL, False, None),
    "process killed half-way through a file operation": partial(
        _at_file_operations, Does.KILL_HALF_WAY, False, None
    ),
    "host loses power, only synced files are left": partial(
        _at_file_operations, Does.KILL, False, (True, True)
    ),
    "host loses power, only synced names are left": partial(
        _at_file_operations, Does.KILL, False, (True, False)
    ),
    "host loses power, only synced contents are left": partial(
        _at_file_operations, Does.KILL, False, (False, True)
    ),
    **_disk("disk full", Does.FULL),
    **_disk("disk fails", Does.FAIL),
    **_disk("folder turns read-only", Does.READ_ONLY),
    **_disk("file held by another program", Does.HELD),
    **_disk("disk does it and reports failure", Does.FAIL_AFTER),
    "disk stores something else": partial(_at_file_operations, Does.LIE, False, None),
    "signal to stop": _signals,
    "calendar jumps": _calendar,
    "slow chip": partial(_always, _slow),
    "one slow operation": partial(
        _at_operations, lambda n: (f.SlowOperation(at_operation=n, factor=20.0),)
    ),
    "uneven times": partial(_always, _uneven),
    "chip left busy or in another mode": partial(_always, _left),
    "bad contact": partial(_always, _contacts),
    "line held low": partial(_always, _held_low),
    "lines too slow for the clock": partial(_always, _slow_lines),
    "random flips on MISO": partial(_always, partial(_rates, f.MisoFlips)),
    "random flips on MOSI": partial(_always, partial(_rates, f.MosiFlips)),
    "contact that comes and goes": partial(_always, partial(_rates, f.IntermittentContact)),
    "worn sector": partial(_of_the_chip, _worn),
    "stuck bit": partial(_of_the_chip, _stuck),
    "stuck address bit": partial(_of_the_chip, _address_bits),
    "cells that never read alike": partial(_of_the_chip, _unstable),
    "erase unit other than stated": partial(_of_the_chip, _wrong_units),
    "file damaged at rest": _damage,
    "stranger's chip put in": _strangers,
    "another process has the job open": _elsewhere,
}
"""What is tried at every operation of a step, by name."""


def interferences(
    trace: Trace, *, seed: int, families: dict[str, Family] = FAMILIES
) -> Iterator[tuple[str, Interference]]:
    """Each family's faults at each operation that the clean run had."""
    for name, family in families.items():
        for wrong in family(trace, Random(f"{seed} {name}")):
            yield name, wrong
