"""The small job that everything is thrown at, and how one step of it is played with a fault.

A chip of 64 KiB, and an edit of three of its 4 KiB units; the same edit on a chip of 256 KiB whose
registers are known. A new chip holds another image than the board's own in a few units and has
other registers. Nothing here judges.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Literal

import flashbench as fb
from flashbench.chip.identity import Identified
from flashbench.errors import FlashbenchError
from flashbench.progress import StopRequest
from flashbench.rehearsal import Bench, NorChip, NorPart, VirtualTime
from flashbench.rehearsal.faults import ArmedFaults, Fault, UnstableCells
from flashbench.rehearsal.spi_target import SpiTarget
from flashbench.safe_write.found import CannotTell, WhichChip
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.screening import sha256_hex
from tests.builders.bench import CLOCK_HZ, SMALL, TINY, Board, edited, firmware
from tests.builders.disk import DiskFault, Does, FaultyDisk, Killed

KNOWN: Final = replace(SMALL, name="W25Q20BW", rdid=bytes.fromhex("ef5012"), density_bytes=1 << 18)
"""256 KiB, a factory number, registers in the table."""


def original_of(part: NorPart) -> bytes:
    """What the job's own chip holds at first."""
    contents = firmware(part.density_bytes)
    return edited(contents, (0x5300, b"\xff" * 0xD00), (0xA200, b"\xff" * 0xE00))


def image_of(original: bytes) -> bytes:
    """Three units of 4 KiB to erase, of three, two and one page to program: nine operations."""
    return edited(
        original, (0x5010, b"a new memory"), (0xA000, bytes(0x100)), (0xE100, b"\xff" * 0xF00)
    )


ORIGINAL: Final = original_of(TINY)


UNSTEADY: Final = UnstableCells(start=0x7000, length=0x40, bits=8, seed=1)
"""Some cells that read differently each time, in a unit that the image leaves as it is."""


def own_board(part: NorPart, *, unsteady: bool = False) -> Board:
    """The job's own chip; where its registers are known, protected, quad enable, weak drivers."""
    board = Board(part, original_of(part), lasting=(UNSTEADY,) if unsteady else ())
    if part.name == KNOWN.name:
        board.chip.preset_register("SR1", 0x1C)
        board.chip.preset_register("SR2", 0x02)
        board.chip.preset_register("SR3", 0x20)
    return board


def new_board(part: NorPart) -> Board:
    """Another chip of the part: older firmware, and where known protected, a one-time bit set."""
    older = edited(original_of(part), (0x5000, b"\xff" * 0x100), (0x9000, bytes(0x80)))
    if part.name != KNOWN.name:
        return Board(part, older)
    board = Board(replace(part, unique_id=bytes.fromhex("DECAFBAD00000001")), older)
    board.chip.preset_register("SR1", 0x24)
    board.chip.preset_register("SR2", 0x08)
    return board


HOST_GAP_S: Final = 125e-6


@dataclass
class Process:
    """One run of flashbench, which may end at any transfer or file operation: `HostGap`, too."""

    disk: FaultyDisk
    chip: NorChip
    ends_at_transfer: int | None = None
    stranger: "Stranger | None" = None
    transfers: int = 0
    first_change_by: int | None = None  # the transfer before which the chip was first changed

    def __post_init__(self) -> None:
        self._changes = self.chip.change_count

    def transfer_begins(self) -> float:
        """The host's side of a USB transfer, control transfers included."""
        self.transfers += 1
        if self.first_change_by is None and self.chip.change_count != self._changes:
            self.first_change_by = self.transfers
        if self.stranger is not None and self.first_change_by is None:
            self.stranger.watch(self.transfers)
        if self.transfers == self.ends_at_transfer:
            self.disk.end_process()
        if self.disk.is_dead:
            raise Killed
        return HOST_GAP_S

    def transfer_ends(self) -> None:
        """Nothing is measured."""


@dataclass
class Calendar:
    """The machine's calendar, which somebody sets at its Nth question."""

    jumps_at: int | None = None
    by: timedelta = timedelta()
    asked: int = 0
    _now: datetime = field(default_factory=lambda: datetime(2025, 3, 1, tzinfo=UTC))

    def __call__(self) -> datetime:
        self.asked += 1
        self._now += self.by if self.asked == self.jumps_at else timedelta(milliseconds=20)
        return self._now


@dataclass
class Signal:
    """A SIGHUP that arrives right before the Nth look at the progress."""

    at_look: int | None = None
    looks: int = 0
    request: StopRequest = field(default_factory=StopRequest)

    def __call__(self, step: str, done: int, total: int, left_s: float | None, /) -> None:
        self.looks += 1
        self.request.requested |= self.looks == self.at_look
        self.request.check()


@dataclass(frozen=True, kw_only=True)
class Damage:
    """One byte of one file of the job that is not as it was written."""

    path: str
    offset: int
    mask: int

    def do(self, folder: Path) -> int:
        """Damage the file; the byte as it is now."""
        data = bytearray((folder / self.path).read_bytes())
        data[self.offset] ^= self.mask
        self._put(folder, data)
        return data[self.offset]

    def undo(self, folder: Path, left: int) -> None:
        """Put the byte back, if it is still the one that `do` left."""
        data = bytearray((folder / self.path).read_bytes())
        if self.offset < len(data) and data[self.offset] == left:
            data[self.offset] ^= self.mask
            self._put(folder, data)

    def _put(self, folder: Path, data: bytearray) -> None:
        path = folder / self.path
        mode = path.stat().st_mode
        path.chmod(0o600)
        path.write_bytes(data)
        path.chmod(mode)


@dataclass(frozen=True, kw_only=True)
class Interference:
    """Everything that can be wrong with one run of one step. Its repr replays it."""

    faults: tuple[Fault, ...] = ()
    disk: DiskFault | None = None
    ends_at_transfer: int | None = None
    signal_at_look: int | None = None
    calendar_jumps_at: int | None = None
    calendar_jumps_s: float = 0.0
    host_loses_power: tuple[bool, bool] | None = None
    """With the process: whether then only synced names, only synced contents are on the medium."""
    chip: tuple[Fault, ...] = ()
    """What is wrong with the chip itself, from this step on: it is never lifted."""
    damage: Damage | None = None
    stranger_at_transfer: int | None = None
    """Hands put a stranger's chip into the socket, unless this one is half-written by then."""
    job_is_open_elsewhere: bool = False


NOTHING: Final = Interference()


@dataclass
class At:
    """What one step works with."""

    bench: Bench
    adapter: fb.Adapter
    folder: Path
    disk: FaultyDisk
    calendar: Calendar
    signal: Signal
    supply_volts: float

    def identify(self) -> Identified:
        return fb.identify(
            self.adapter, supply_volts=self.supply_volts, supply_confirmed_by_user=True
        )

    def job(self) -> fb.Job:
        return fb.Job.open(self.folder, disk=self.disk, now=self.calendar)

    def job_for(self, chip: Identified) -> fb.Job:
        """The job that is there, or a new one for this chip."""
        if (self.folder / "job.toml").exists():
            return self.job()
        return fb.Job.create(self.folder, chip, disk=self.disk, now=self.calendar)


def dump(at: At) -> None:
    """Make the job and its backup; where an accident left a job behind, go on with it."""
    chip = at.identify()
    with at.job_for(chip) as job:
        if job.has_original:
            return
        read = fb.read_twice(chip, keep_doubtful_in=job, progress=at.signal)
        fb.back_up(read, job)


def best_effort(at: At) -> None:
    """Make the job and what most of three reads say, where no two of them agree."""
    chip = at.identify()
    with at.job_for(chip) as job:
        if job.dumped is None:
            fb.read_best_effort(chip, job, reads=3, progress=at.signal)


def write(at: At) -> None:
    """The first write of the image."""
    chip = at.identify()
    with at.job() as job:
        backup = fb.reload_backup(job)
        target = image_of(backup.image)
        _carry_out(at, fb.plan_rewrite(chip, backup, target, progress=at.signal))


def to_new_chip(at: At) -> None:
    """The image, taken in before, onto another chip, which is read twice and kept first."""
    chip = at.identify()
    with at.job() as job:
        source = source_of(job)
        target = image_of(source.image)
        if job.image_number(sha256_hex(target)) is None:
            job.save_image(target, {})
        read = fb.read_twice(chip, keep_doubtful_in=job, progress=at.signal)
        with _job_of_new_chip(at) as other:
            kept = fb.keep_contents(read, job, chip_of=other)
        _carry_out(at, fb.plan_replacement(kept, source, target=target))


GIVEN_UP: Final = "given-up"
"""The folder, beside the job's, of the job that the new chip was dumped into from its own bag."""


@contextmanager
def _job_of_new_chip(at: At) -> Iterator[fb.Job | None]:
    """A new chip without a factory number holds much of what the board's own does."""
    folder = at.folder.with_name(GIVEN_UP)
    if not folder.exists():
        yield None
        return
    with fb.Job.open(folder) as other:
        yield other


def finish(at: At) -> None:
    """From whatever an accident left, on to the job's image."""
    chip = at.identify()
    with at.job() as job:
        source = source_of(job)
        target = job.target
        found = _found(at, chip, job)
        _carry_out(at, fb.plan_recovery(found, source, target=target))


def restore(at: At) -> None:
    """From whatever the chip holds, back to the original."""
    chip = at.identify()
    with at.job() as job:
        source = source_of(job)
        found = _found(at, chip, job)
        _carry_out(at, fb.plan_recovery(found, source, target=source.image))


def _found(at: At, chip: Identified, job: fb.Job) -> fb.Found:
    """Where nothing tells two half-written chips apart, the bag says that it is the new one."""
    try:
        return fb.read_for_recovery(chip, job, progress=at.signal)
    except CannotTell as error:
        newest = max(number for number in error.numbers if number is not None)
        which = WhichChip(kept_number=newest)
        return fb.read_for_recovery(chip, job, which=which, progress=at.signal)


def _carry_out(at: At, plan: fb.Plan) -> None:
    fb.verify(fb.rewrite(plan, progress=at.signal), progress=at.signal)


Step = Callable[[At], None]
STEPS: Final[dict[str, Step]] = {
    "dump": dump,
    "best effort": best_effort,
    "write": write,
    "to new chip": to_new_chip,
    "finish": finish,
    "restore": restore,
}


DUMPS: Final = ("dump", "best effort")
"""The steps that only read the chip."""


def wanted(step: str, original: bytes) -> bytes:
    """What the chip holds when this changing step says that it is done."""
    return original if step == "restore" else image_of(original)


class Stranger:
    """Another customer's chip of the same part, and hands that swap it in at one transfer.

    They do so before the job's own chip has been changed in this run.
    """

    def __init__(self, own: NorChip, at_transfer: int) -> None:
        self._at_transfer = at_transfer
        self.contents = edited(
            firmware(own.part.density_bytes, 2), (0, original_of(own.part)[:0x1000])
        )
        self.chip = NorChip(own.part, contents=self.contents)
        self.bench: Bench | None = None
        self.was_in = False

    def watch(self, number: int) -> None:
        """Called before every transfer."""
        if number == self._at_transfer and self.bench is not None:
            self.was_in = True
            self.bench.swap_chip(self.chip)

    @property
    def was_touched(self) -> bool:
        """Whether anything of the stranger's chip was changed."""
        return bool(self.chip.change_count) or self.chip.contents != self.contents


@dataclass(frozen=True, kw_only=True)
class Ending:
    """How one run of a step ended, and how far it came."""

    error: FlashbenchError | None
    killed: bool
    fired: bool
    bulk_transfers: int
    control_transfers: int
    transfers: int
    first_change_by: int | None
    frames: int
    stranger: Stranger | None
    looks: int
    calendar_looks: int
    file_operations: int

    @property
    def is_done(self) -> bool:
        """Whether the step said that it is done."""
        return self.error is None and not self.killed


class _Listening:
    """Passes everything on to the chip and notes how long the frames are."""

    def __init__(self, target: SpiTarget, frames: list[list[int]]) -> None:
        self._target = target
        self._frames = frames

    @property
    def answering(self) -> bool:
        return self._target.answering

    def select(self, at_s: float) -> None:
        self._frames.append([0, 0])
        self._target.select(at_s)

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        self._frames[-1][0] += 8 * len(data)
        self._target.shift_out(data, at_s, byte_s)

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        self._frames[-1][1] += 8 * count
        return self._target.shift_in(count, at_s, byte_s)

    def deselect(self, at_s: float, stray_bits: int) -> None:
        self._target.deselect(at_s, stray_bits)


@contextmanager
def _power_of_host(bench: Bench, wrong: Interference) -> Iterator[None]:
    """If host and bench hang on one mains, the chip's operation is torn when the process ends."""
    yield
    disk_killed = wrong.disk is not None and wrong.disk.does in (Does.KILL, Does.KILL_HALF_WAY)
    if disk_killed and wrong.host_loses_power is not None:
        bench.power_fails(bench.time.now_s(), seed=1)


@contextmanager
def _open_elsewhere(folder: Path, wrong: Interference) -> Iterator[None]:
    """Another process, which has taken the job's lock and keeps it."""
    if not wrong.job_is_open_elsewhere:
        yield
        return
    with fb.Job.open(folder):
        yield


def _leave_what_was_synced(disk: FaultyDisk, root: Path, names: bool, contents: bool) -> None:
    left = root.with_name(root.name + "-left")
    disk.leave_after_power_loss(left, names_synced=names, contents_synced=contents)
    shutil.rmtree(root)
    left.rename(root)


def play(
    step: str | Step,
    board: Board,
    folder: Path,
    wrong: Interference = NOTHING,
    *,
    listen: list[list[int]] | None = None,
    adapter_chip: Literal["FT232H", "FT2232H"] = "FT232H",
) -> Ending:
    """One run of a step on this chip and job, with what is wrong. `folder`'s parent is its own.

    `listen` is given the bits sent and received of each frame.
    """
    board.lasting = (*board.lasting, *wrong.chip)
    damaged = 0 if wrong.damage is None else wrong.damage.do(folder)
    disk = FaultyDisk(folder.parent, wrong.disk)
    process = Process(disk, board.chip, wrong.ends_at_transfer)
    calendar = Calendar(wrong.calendar_jumps_at, timedelta(seconds=wrong.calendar_jumps_s))
    signal = Signal(wrong.signal_at_look)
    armed = ArmedFaults((*board.lasting, *wrong.faults))
    board.chip._faults = armed
    bench = Bench(
        board.chip,
        time=VirtualTime(board.chip.last_s),
        adapter_chip=adapter_chip,
        host_gap=process,
        armed=armed,
    )
    stranger = None
    if wrong.stranger_at_transfer is not None:
        stranger = Stranger(board.chip, wrong.stranger_at_transfer)
        stranger.bench, process.stranger = bench, stranger
    if listen is not None:
        bench.contacts.target = _Listening(board.chip, listen)
    error: FlashbenchError | None = None
    killed = True
    with (
        bench,
        _power_of_host(bench, wrong),
        _open_elsewhere(folder, wrong),
        suppress(Killed),
    ):
        try:
            with fb.open_adapter(bench.device, clock_hz=CLOCK_HZ, time=bench.time) as adapter:
                volts = board.part.supply_volts[1] if board.part is not TINY else 3.3
                at = At(bench, adapter, folder, disk, calendar, signal, volts)
                (STEPS[step] if isinstance(step, str) else step)(at)
        except FlashbenchError as refusal:
            error = refusal
        killed = False
    if not board.chip.powered:
        board.chip.restore_power()
    disk.end_process()
    if wrong.damage is not None:
        wrong.damage.undo(folder, damaged)
    if killed and wrong.host_loses_power is not None:
        _leave_what_was_synced(disk, folder.parent, *wrong.host_loses_power)
    return Ending(
        error=error,
        killed=killed,
        fired=bool(armed.fired)
        or disk.fault_fired
        or wrong.damage is not None
        or wrong.job_is_open_elsewhere
        or (stranger is not None and stranger.was_in)
        or _reached(wrong.ends_at_transfer, process.transfers)
        or _reached(wrong.signal_at_look, signal.looks)
        or _reached(wrong.calendar_jumps_at, calendar.asked),
        stranger=stranger,
        bulk_transfers=bench.adapter.bulk_transfers,
        control_transfers=bench.adapter.control_transfers,
        transfers=process.transfers,
        first_change_by=process.first_change_by,
        frames=bench.contacts.frames,
        looks=signal.looks,
        calendar_looks=calendar.asked,
        file_operations=len(disk.operations),
    )


def _reached(at: int | None, count: int) -> bool:
    return at is not None and count >= at
