"""What can go wrong on the bench, as values, and what may come of it.

The fault model
===============

A fault is a frozen value; its `repr` (or its table in `fault.toml`) replays it. What is random
about it follows from a seed inside the value. Faults are armed for a whole bench. One that has a
moment names it by a number: `at_operation` counts the programs, erases and register writes the
chip has accepted, from 1, over its whole life; `at_transfer` counts bulk transfers since the
adapter was opened, from 1; `at_frame` counts falls of CS#. It fires once, or with `lasting=True`
from then on. `OUTCOMES` gives each kind its one allowed outcome, judged after it is lifted.

Always, whatever happens: the original is on disk, and nothing is called done that is not so.

Survived (one command brings the chip to the target or back to the original):

* power lost inside a page program (any prefix of its bytes, any subset of the next one's bits) or
  an erase (each cell anywhere on the way from its old value over 00h, for the chip programs before
  it erases, to FFh), or between two operations. Cells of the interrupted one may also read right a
  few times and then drift, or read differently each time: only an erase that runs to its end mends
  them, so a recovery that leaves out what reads right fails (`WeakAfterTear`);
* the adapter unplugged in any transfer, with the chip powered by it (power fails in the same
  instant) or elsewhere (CS# rises, a page cut in mid-data is programmed as far as it came), or
  enumerated anew after the host slept; a host that sleeps while an erase runs;
* replies that never come, come short, carry stale bytes or come twice;
* a program or erase that reports success and does nothing; a supply that dips before an operation
  or inside any frame with the adapter alive (what was under way is torn; WEL, volatile registers
  and the address mode are lost); a slow chip, one left busy or in another mode;
* flips on MISO, lines that settle too late for the clock (alike each time), or are held low;
  contacts that float, are shorted, shift or mirror the bits, or come and go; another
  master on the lines of a clip (never driven against while it is seen, and it spoils reads only);
  CS# that stays high from any clock on, so that the chip gets a part of a frame;
* the process killed at any transfer or file operation, a signal to stop at any look at the
  progress; the host's power lost with only the synced names, or contents, or both left; a disk
  that is full, fails, turns read-only, or holds a file for another program, once or from then on;
  one byte of any file of the job damaged at rest (refused until it is put back, or of no account);
* another process with the job open; another customer's chip put in at any transfer before the first
  change: it is never touched; a calendar set back or ahead at any question.

Declared (as survived; or refused with the bad place named, and nothing called done):

* flips on MOSI, lost and extra clocks, CS# that rises in mid-frame or stays low between two: the
  chip may obey a command that nobody sent, at an address that nobody named;
* a worn sector, a stuck bit or address bit, cells that read differently each time, an erase that
  clears another unit than stated: they stay, so what lies on them cannot be written. A replacement
  chip leads on;
* a disk that reports success and stores something else.

Limits, known and not closed:

* One flipped bit makes 05h of 01h. Behind 06h that writes the status register, and a chip whose
  lock bits are one-time might lock for good. The register is read back and named.
* Errors above some clock that depend on the data repeat alike in two reads, if both are above it.
  The proof of the clock before a dump excludes it, and a slow look at the bytes of the image least
  like the one before them; an error of another pattern, at both clocks and in neither look, stays.
* A flip on MOSI that hits the same address bit of every frame shifts both whole reads alike; short
  reads from telling places show it. The uppermost bit turns the chip by half for every read; only
  the chip's own tables (SFDP) tell then, so that a part without them, or one that does not decode
  the upper address bits of theirs, hides it.
* Hands that swap the chip between the last look at it and the first changing frame, which follows
  in the next transfer.
* One cell that reads differently each time reads alike in two reads every other time.
* Without a factory number only its contents tell a chip. What differs from a half-written one in
  nothing but the one unit that was under way (one for each interrupted write, up to 64 KiB) is not
  told from it: a sister board's serial number may lie just there. So its bag is asked, which no
  `--yes` answers, the jobs beside it are, and what is strange there is shown as a doubt.
* Without one, a chip is taken for a new one if under a quarter of its sectors are as the job has
  them: the own one would be, if its board had rewritten that much of it. And one that was dumped
  into another job, out of a bag with that label, is believed to be that board's.
* Without one, a replacement that holds just what the own chip does is taken for the own one:
  nothing is erased on it then, and its write stays unproven.

Left out, because nothing on this side of the socket can see or cause it: faults of the host's
memory and processor; a drive that loses what it said it had synced; a supply dip in mid-erase
after which the cells read right and drift a month later, with the adapter alive and the same chip
(no bit tells that the erase was cut short); a chip that lies consistently; electrical damage; an
adapter whose firmware spoils what it sends without spoiling what it reads (that is flips on MOSI).
"""

import tomllib
from collections.abc import Callable, Iterable
from dataclasses import MISSING, dataclass, fields
from enum import Enum
from math import inf
from pathlib import Path
from random import Random
from typing import Any, Final, Literal, TypeVar

Stage = Literal["begun", "part", "done"]
GlitchKind = Literal[
    "MOSI flips",
    "MISO flips",
    "clock lost",
    "clock twice",
    "CS# rises",
    "CS# stays high",
    "CS# stays low",
    "supply dips",
]


class Outcome(Enum):
    """What may come of a fault; nothing else may. Always: the original is on disk."""

    SURVIVED = "with the fault lifted, one command brings the chip to the target or the original"
    DECLARED = "as survived; or refused with the bad place named, and nothing called done"


OUTCOMES: Final[dict[str, Outcome]] = {
    "power lost in an operation": Outcome.SURVIVED,
    "power lost between operations": Outcome.SURVIVED,
    "power lost, torn cells drift later": Outcome.SURVIVED,
    "power lost, torn cells never read alike": Outcome.SURVIVED,
    "supply dips before an operation": Outcome.SURVIVED,
    "supply dips in a frame": Outcome.SURVIVED,
    "operation does nothing": Outcome.SURVIVED,
    "unplugged, chip powered by the adapter": Outcome.SURVIVED,
    "unplugged, chip powered elsewhere": Outcome.SURVIVED,
    "unplugged before a control transfer": Outcome.SURVIVED,
    "mute reply": Outcome.SURVIVED,
    "short reply": Outcome.SURVIVED,
    "stale reply": Outcome.SURVIVED,
    "duplicated reply": Outcome.SURVIVED,
    "host sleeps, adapter stays": Outcome.SURVIVED,
    "host sleeps, adapter enumerated anew": Outcome.SURVIVED,
    "MISO flips in a frame": Outcome.SURVIVED,
    "MOSI flips in a frame": Outcome.DECLARED,
    "clock lost in a frame": Outcome.DECLARED,
    "clock twice in a frame": Outcome.DECLARED,
    "CS# rises in a frame": Outcome.DECLARED,
    "CS# stays high in a frame": Outcome.SURVIVED,
    "CS# stays low in a frame": Outcome.DECLARED,
    "process killed at a transfer": Outcome.SURVIVED,
    "process killed at a file operation": Outcome.SURVIVED,
    "process killed half-way through a file operation": Outcome.SURVIVED,
    "host loses power, only synced files are left": Outcome.SURVIVED,
    "host loses power, only synced names are left": Outcome.SURVIVED,
    "host loses power, only synced contents are left": Outcome.SURVIVED,
    "disk full": Outcome.SURVIVED,
    "disk fails": Outcome.SURVIVED,
    "folder turns read-only": Outcome.SURVIVED,
    "file held by another program": Outcome.SURVIVED,
    "disk does it and reports failure": Outcome.SURVIVED,
    "disk stores something else": Outcome.DECLARED,
    "signal to stop": Outcome.SURVIVED,
    "calendar jumps": Outcome.SURVIVED,
    "slow chip": Outcome.SURVIVED,
    "one slow operation": Outcome.SURVIVED,
    "uneven times": Outcome.SURVIVED,
    "chip left busy or in another mode": Outcome.SURVIVED,
    "bad contact": Outcome.SURVIVED,
    "line held low": Outcome.SURVIVED,
    "lines too slow for the clock": Outcome.SURVIVED,
    "random flips on MISO": Outcome.SURVIVED,
    "random flips on MOSI": Outcome.DECLARED,
    "contact that comes and goes": Outcome.SURVIVED,
    "worn sector": Outcome.DECLARED,
    "stuck bit": Outcome.DECLARED,
    "stuck address bit": Outcome.DECLARED,
    "cells that never read alike": Outcome.DECLARED,
    "erase unit other than stated": Outcome.DECLARED,
    "file damaged at rest": Outcome.SURVIVED,
    "stranger's chip put in": Outcome.SURVIVED,
    "another process has the job open": Outcome.SURVIVED,
}
"""The one outcome allowed for each fault, judged after it is lifted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KillProcess:
    """SIGKILL to the own process at operation N: announced, a part of the bits done, or done.

    With `power="lost"` the bench loses power together with the process.
    """

    at_operation: int
    stage: Stage = "begun"
    power: Literal["stays", "lost"] = "stays"
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LosePower:
    """Power fails inside operation N; USB is gone with it. `between` means right after N."""

    at_operation: int
    between: bool = False
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplug:
    """The adapter leaves the USB inside bulk transfer N, after `part` of its bytes.

    With `of="control"` right before the Nth control transfer, of which there are some at opening
    and closing.
    """

    at_transfer: int
    chip_powered_by: Literal["adapter", "elsewhere"] = "adapter"
    part: float = 0.5
    seed: int = 0
    of: Literal["bulk", "control"] = "bulk"


@dataclass(frozen=True, slots=True, kw_only=True)
class MuteReply:
    """The reply of bulk transfer N never comes."""

    at_transfer: int
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortReply:
    """The last `lost_bytes` of the reply of bulk transfer N are lost."""

    at_transfer: int
    lost_bytes: int = 1
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StaleReply:
    """Bytes of an earlier reply come in front of that of bulk transfer N and push it back."""

    at_transfer: int
    extra_bytes: int = 1
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DuplicatedReply:
    """The reply of bulk transfer N comes twice; the second copy as far as there is room."""

    at_transfer: int
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MisoFlips:
    """Each bit read is flipped with probability `rate`, at clocks above `above_hz` only."""

    rate: float
    seed: int = 0
    above_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MisoSettlesLate:
    """Above `above_hz` a byte unlike the one before in `swing` bits or more keeps its old bit 7.

    It depends on the data alone, so that two reads at one clock agree. MISO is `pulled_up` between
    frames; without that the first byte of a frame never errs.
    """

    above_hz: float
    swing: int = 6
    pulled_up: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MosiFlips:
    """Each bit sent is flipped with probability `rate`, at clocks above `above_hz` only."""

    rate: float
    seed: int = 0
    above_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HostSuspends:
    """The host sleeps right before bulk transfer N; the adapter `stays`, or is enumerated anew.

    Sleeping is not losing power: the engine runs what it holds, the chip finishes.
    """

    at_transfer: int
    seconds: float = 3600.0
    adapter: Literal["stays", "leaves"] = "stays"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameGlitch:
    """The wires err once in frame N, counted by falls of CS# since the bench was made, from 1.

    `at_bit` counts the host's clocks in the frame from 0: 0 to 7 are the opcode. A frame shorter
    than that is spared, as is one without CS# edges to lose. "CS# rises" lets it fall again 100 ns
    later, in mid-frame; "CS# stays high" keeps it high from `at_bit` on, so that what the chip
    has of a page is programmed; "CS# stays low" makes one frame of this and the next;
    "supply dips" restarts the chip and tears what it was busy with.
    """

    at_frame: int
    what: GlitchKind
    at_bit: int = 0
    lasting: bool = False
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WeakAfterTear:
    """What a torn erase or program leaves is weak until an erase of it runs to its end.

    The torn cells read right `reads_right` times, then some of them drift for good; or with
    `steady=False` they differ from read to read.
    """

    reads_right: int = 3
    steady: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentOperation:
    """Operation N reports success and changes nothing."""

    at_operation: int
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongEraseUnit:
    """Erases with `opcode` clear `size` bytes, aligned to that, instead of what is stated."""

    opcode: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckBit:
    """One cell that is always `level`."""

    address: int
    bit: int
    level: Literal[0, 1]


@dataclass(frozen=True, slots=True, kw_only=True)
class WornSector:
    """Erases of this stretch report success but leave about `bits` cells at 0."""

    start: int
    length: int = 4096
    bits: int = 3
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnstableCells:
    """About `bits` cells of this stretch read differently each time."""

    start: int
    length: int
    bits: int = 2
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckAddressBit:
    """Address bit `bit` is 0 for the array whatever is sent: it reads the same twice over."""

    bit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowChip:
    """Every busy time is `factor` times the typical one."""

    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowOperation:
    """Operation N takes `factor` times as long as it would."""

    at_operation: int
    factor: float
    lasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnevenTimes:
    """No two pages (or erases) take as long: up to `spread` longer than the typical time.

    A `slow_share` of them takes `slow_factor` times as long on top.
    """

    of: Literal["programs", "erases"] = "programs"
    spread: float = 0.0
    slow_share: float = 0.0
    slow_factor: float = 4.0
    seed: int = 0

    def factor(self, number: int) -> float:
        """How many times the typical time operation `number` takes."""
        random = random_for(self.seed, number)
        longer = 1 + self.spread * random.random()
        return longer * (self.slow_factor if random.random() < self.slow_share else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyDip:
    """Right before operation N the chip restarts: WEL, volatile state and N itself are lost."""

    at_operation: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatingMiso:
    """MISO reaches nobody and reads the pull."""

    level: Literal[0, 1] = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MisoOnMosi:
    """MISO and MOSI are bridged: the host reads what it sent last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftedBits:
    """Every bit read comes one clock `late` or `early`."""

    direction: Literal["late", "early"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MirroredBits:
    """Each byte read has its bits in reverse order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IntermittentContact:
    """CS# does not reach the chip in a share `rate` of all frames."""

    rate: float
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NoChip:
    """The socket is empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondMaster:
    """Another chip is awake on the board: it drives SCK, MOSI and CS# from `begins_s` on.

    It sends a frame of `frame_bytes` every `every_us`; commands of ours that begin in one of its
    frames do not reach the flash chip.
    """

    sck_hz: float = 12e6
    every_us: float = 400.0
    frame_bytes: int = 64
    begins_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineHeldLow:
    """A resistor, or a part without supply, holds a line low that nobody drives, until `until_s`.

    The adapter's outputs are stronger.
    """

    line: Literal["SCK", "MOSI", "MISO", "CS#"]
    until_s: float = inf


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftIn4ByteMode:
    """Whoever had the chip before left it in 4-byte address mode."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftPoweredDown:
    """Whoever had the chip before left it in deep power-down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftInContinuousRead:
    """Whoever had the chip before left it in a read mode that takes no opcode.

    The next frame is taken for an address and ends the mode (W25Q128JV Rev I, section 6.2.4).
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftBusy:
    """The chip is still busy for `seconds` with what another host began; no cell changes."""

    seconds: float


OperationFault = KillProcess | LosePower | SilentOperation | SupplyDip | SlowOperation
TransferFault = Unplug | HostSuspends
ReplyFault = MuteReply | ShortReply | StaleReply | DuplicatedReply
ContactFault = (
    MisoFlips
    | MisoSettlesLate
    | MosiFlips
    | FloatingMiso
    | MisoOnMosi
    | ShiftedBits
    | MirroredBits
    | IntermittentContact
    | NoChip
    | SecondMaster
)
CellFault = (
    WrongEraseUnit
    | StuckBit
    | WornSector
    | UnstableCells
    | StuckAddressBit
    | SlowChip
    | UnevenTimes
    | WeakAfterTear
)
LeftState = LeftIn4ByteMode | LeftPoweredDown | LeftInContinuousRead | LeftBusy
Fault = (
    OperationFault
    | TransferFault
    | ReplyFault
    | FrameGlitch
    | ContactFault
    | LineHeldLow
    | CellFault
    | LeftState
)

_KINDS: dict[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        *(KillProcess, LosePower, SilentOperation, SupplyDip, SlowOperation, UnevenTimes),
        *(Unplug, HostSuspends, FrameGlitch, WeakAfterTear),
        *(MuteReply, ShortReply, StaleReply, DuplicatedReply),
        *(MisoFlips, MisoSettlesLate, MosiFlips, FloatingMiso, MisoOnMosi, ShiftedBits),
        *(MirroredBits, IntermittentContact, NoChip, SecondMaster, LineHeldLow),
        *(WrongEraseUnit, StuckBit, WornSector, UnstableCells, StuckAddressBit, SlowChip),
        *(LeftIn4ByteMode, LeftPoweredDown, LeftInContinuousRead, LeftBusy),
    )
}

_Wanted = TypeVar("_Wanted")


class ArmedFaults:
    """The faults of one bench, and which of them have fired."""

    def __init__(self, faults: Iterable[Fault], *, already_fired: Iterable[str] = ()) -> None:
        self.faults = tuple(faults)
        self.fired: list[str] = list(already_fired)
        self.on_chip_power_lost: Callable[[float, int], None] = lambda at_s, seed: None
        self.on_supply_dip: Callable[[float, int], None] = lambda at_s, seed: None
        self._last_reply = b"\xa5"
        self._reply_faults = self.of(ReplyFault)
        self._unplugs = self.of(Unplug)
        self._suspends = self.of(HostSuspends)
        self._glitches = self.of(FrameGlitch)
        self._operation_faults = self.of(OperationFault)

    def of(self, kind: Any) -> tuple[Any, ...]:
        """All armed faults of one kind, a class or a union of classes."""
        return tuple(fault for fault in self.faults if isinstance(fault, kind))

    def note_fired(self, fault: Fault) -> None:
        """Remember that `fault` happened; a `lasting` one may be noted once only."""
        if repr(fault) not in self.fired:
            self.fired.append(repr(fault))

    def _due(self, fault: Any, at: int, now: int) -> bool:
        if getattr(fault, "lasting", False):
            due = now >= at
        else:
            due = now == at and repr(fault) not in self.fired
        if due:
            self.note_fired(fault)
        return due

    def at_operation(self, number: int) -> tuple[OperationFault, ...]:
        """What happens at the operation with this number."""
        return tuple(
            fault
            for fault in self._operation_faults
            if self._due(fault, fault.at_operation, number)
        )

    def bytes_before_unplug(self, transfer: int, length: int) -> int | None:
        """How much of this bulk transfer gets through before the plug is out; None if all."""
        for fault in self._unplugs:
            if fault.of == "bulk" and self._due(fault, fault.at_transfer, transfer):
                return int(length * fault.part)
        return None

    def unplugs_before_control(self, transfer: int) -> bool:
        """Whether the plug is out right before this control transfer."""
        return any(
            fault.of == "control" and self._due(fault, fault.at_transfer, transfer)
            for fault in self._unplugs
        )

    def suspend_before(self, transfer: int) -> HostSuspends | None:
        """The sleep of the host that comes right before this bulk transfer, if any."""
        for fault in self._suspends:
            if self._due(fault, fault.at_transfer, transfer):
                suspend: HostSuspends = fault
                return suspend
        return None

    def glitch_in_frame(self, number: int) -> FrameGlitch | None:
        """What the wires are to do in this frame; note it as fired when they have done it."""
        for fault in self._glitches:
            glitch: FrameGlitch = fault
            due = number >= glitch.at_frame if glitch.lasting else number == glitch.at_frame
            if due:
                return glitch
        return None

    def tell_unplugged(self, at_s: float) -> None:
        """An `Unplug` fired at `at_s`: the chip may lose its power."""
        for fault in self._unplugs:
            if repr(fault) in self.fired and fault.chip_powered_by == "adapter":
                self.on_chip_power_lost(at_s, fault.seed)

    def spoil_reply(self, transfer: int, payload: bytes) -> bytes:
        """The reply bytes of this bulk transfer as they reach the host."""
        for fault in self._reply_faults:
            if self._due(fault, fault.at_transfer, transfer):
                payload = self._spoiled(fault, payload)
        if payload and self._reply_faults:
            self._last_reply = payload
        return payload

    def _spoiled(self, fault: ReplyFault, payload: bytes) -> bytes:
        match fault:
            case MuteReply():
                return b""
            case ShortReply():
                return payload[: max(0, len(payload) - fault.lost_bytes)]
            case StaleReply():
                stale = (self._last_reply * fault.extra_bytes)[-fault.extra_bytes :]
                return stale + payload
            case DuplicatedReply():
                return payload + payload


def random_for(seed: int, number: int) -> Random:
    """The random numbers of one torn operation: the same for the same seed and number."""
    return Random(seed * 1_000_003 + number)


def load(path: Path) -> tuple[Fault, ...]:
    """Read the faults armed in a TOML file of `[[fault]]` tables, each with its `kind`.

    Raises:
        ValueError: names the table and what is wrong with it.
    """
    tables = tomllib.loads(path.read_text(encoding="utf-8")).get("fault", [])
    return tuple(_from_table(index, table) for index, table in enumerate(tables, start=1))


def _from_table(index: int, table: dict[str, Any]) -> Fault:
    kind = _KINDS.get(str(table.get("kind")))
    if kind is None:
        raise ValueError(f"fault {index}: kind must be one of {', '.join(sorted(_KINDS))}")
    values = {key: value for key, value in table.items() if key != "kind"}
    known = {field.name: field for field in fields(kind)}
    unknown = sorted(values.keys() - known.keys())
    missing = sorted(
        name
        for name, field in known.items()
        if name not in values and field.default is MISSING and field.default_factory is MISSING
    )
    if unknown or missing:
        raise ValueError(
            f"fault {index} ({kind.__name__}): unknown keys {unknown}, missing keys {missing}"
        )
    fault: Fault = kind(**values)
    return fault


def dump(faults: Iterable[Fault]) -> str:
    """The TOML text that `load` reads back."""
    lines: list[str] = []
    for fault in faults:
        lines += ["[[fault]]", f'kind = "{type(fault).__name__}"']
        for field in fields(fault):
            value = getattr(fault, field.name)
            if isinstance(value, str):
                lines.append(f'{field.name} = "{value}"')
            else:
                lines.append(f"{field.name} = {str(value).lower()}")
        lines.append("")
    return "\n".join(lines)
