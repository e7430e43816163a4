"""Is the contact good, and how fast may the clock be? Found by reads alone: no 06h is sent here.

`check_contact` looks once and thoroughly, `watch` looks again and again while a chip is seated,
`find_clock` finds the clock for a chip whose contact is good.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from chipdb.table import find_by_marking
from flashbench.adapter._frame import Frame
from flashbench.adapter.adapter import Adapter
from flashbench.chip import _read_frames as frames
from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind, Register
from flashbench.chip.diagnosis import Diagnosis, Finding, Observations, answering_id, diagnose
from flashbench.chip.flips import flips_among
from flashbench.chip.identity import FIRST_CONTACT_HZ, ID_BYTES, ID_READS, Identified, identify
from flashbench.chip.other_master import listen_before_driving, other_master_sentence
from flashbench.chip.profile import Address
from flashbench.chip.supply import stop_before_driving
from flashbench.errors import AdapterGone, ReadsUnsteady, WrongCall
from flashbench.progress import Progress, silent

STRETCH_BYTES: Final = 64 * 1024
WATCH_STRETCH_BYTES: Final = 4 * 1024
SLOW_HZ: Final = 3_000_000
READS_A_TRY: Final = 3
SECOND_LOOK_READS: Final = 5  # of each further try, once reads have differed
WATCH_PAUSE_S: Final = 0.2

_SHARE_TO_SETTLE: Final = 512  # of the array, so that a dump spends little before it begins
_STATUS_READS: Final = 4
_SFDP_READS: Final = 3
_SFDP_BYTES: Final = 64
_PIECE_BYTES: Final = 1024  # a frame of its own each, so that CS# is tried often
_SAMPLES: Final = 16
_SAMPLE_BYTES: Final = 256
_PAIR_BYTES_MAX: Final = 4096
_TELLING_PAIRS_MIN: Final = 2
_ELSEWHERE_COUNT: Final = 256  # 8,192 bits of opcode and address, in each of the reads of a try
_ELSEWHERE_BYTES: Final = 4
_ELSEWHERE_STEP: Final = 0x9E3779B1  # the golden ratio of 2**32: no two fall near each other
_ENGINE_HZ: Final = 30_000_000
_CLOCK_DIVISORS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 40, 60)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTry:
    """One clock, and how many bytes were read wrong at it."""

    clock_hz: int
    wrong_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockProof:
    """The clock to work at, and the faster one at which every read was still right.

    `tried` goes from fast to slow. `told_by_array` is False where the array is blank or constant,
    so that ID and SFDP alone speak for the clock.
    """

    clock_hz: int
    stable_hz: int
    tried: tuple[ClockTry, ...]
    compared_bytes: int
    told_by_array: bool

    def sentences(self) -> tuple[str, ...]:
        """What was tried and what follows."""
        failed = [step for step in self.tried if step.wrong_bytes]
        said = [
            f"At {step.clock_hz / 1e6:.4g} MHz {step.wrong_bytes} bytes were read wrong."
            for step in failed
        ]
        said.append(
            f"At {self.stable_hz / 1e6:.4g} MHz all {self.compared_bytes:,} bytes compared were"
            f" right; {self.clock_hz / 1e6:.4g} MHz leaves a margin."
        )
        if not self.told_by_array:
            said.append("The array is blank there: only the ID and SFDP speak for the clock.")
        return tuple(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactCheck:
    """What a whole contact check saw and found. `chip` and `clock` are there if it is stable."""

    seen: Observations
    diagnosis: Diagnosis
    chip: Identified | None = None
    clock: ClockProof | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One of the quick looks of `watch`. `good_for_s` counts from the first good one on."""

    diagnosis: Diagnosis
    jedec_id: bytes | None
    good_for_s: float
    compared: str | None  # with the last look that went wrong, where the count changed


def check_contact(
    adapter: Adapter,
    *,
    supply_volts: float,
    marking: str | None = None,
    supply_confirmed_by_user: bool = False,
    datasheet_volts: tuple[float, float] | None = None,
    around: Address | None = None,
    empty_socket_level: int | None = None,
    progress: Progress = silent,
) -> ContactCheck:
    """Look at everything reads can tell about the contact. Changes nothing on the chip.

    `around` is an address to look at closely, such as one at which two dumps differed; by
    default one with telling data. `empty_socket_level` is what the empty socket read: 0, 1, or
    None if it was not tried. The pins are inputs again unless the chip can be read.

    Raises:
        ChipUntouched: the marking, the supply or the kind of the chip forbids to go on.
        AdapterError: the bus failed in another way than by the adapter dropping off the USB.
    """
    printed = find_by_marking(marking) if marking is not None else None
    stop_before_driving(printed, datasheet_volts, supply_volts)
    seen = Observations(empty_socket_level=empty_socket_level)
    chip = clock = None
    try:
        seen = _first_look(adapter, seen)
        if diagnose(seen).stable:
            seen, chip = _identified(
                adapter,
                seen,
                supply_volts=supply_volts,
                marking=marking,
                supply_confirmed_by_user=supply_confirmed_by_user,
                datasheet_volts=datasheet_volts,
            )
        if chip is not None:
            seen = _look_at_array(chip, seen, around, progress)
        if chip is not None and diagnose(seen).stable:
            seen, clock = _clocked(chip, seen, progress)
    except AdapterGone:
        seen = replace(seen, adapter_lost=True)
        return ContactCheck(seen=seen, diagnosis=diagnose(seen))
    except ReadsUnsteady as error:
        seen = replace(seen, unsteady=error.seen)
    diagnosis = diagnose(seen)
    if not diagnosis.stable:
        adapter._wire.release_pins()
        return ContactCheck(seen=seen, diagnosis=diagnosis)
    return ContactCheck(seen=seen, diagnosis=diagnosis, chip=chip, clock=clock)


def watch(
    adapter: Adapter,
    *,
    supply_volts: float,
    marking: str | None = None,
    supply_confirmed_by_user: bool = False,
    datasheet_volts: tuple[float, float] | None = None,
    good_s: float = 3.0,
) -> Iterator[Look]:
    """Quick looks while somebody seats a chip, until the contact was good for `good_s`.

    Waits by the adapter's time source between them. Ends after a look that lost the adapter.

    Raises:
        ChipUntouched: as `check_contact`.
        AdapterError: as `check_contact`.
    """
    printed = find_by_marking(marking) if marking is not None else None
    stop_before_driving(printed, datasheet_volts, supply_volts)
    looking = _Watching(
        adapter=adapter,
        identify_chip=lambda: identify(
            adapter,
            supply_volts=supply_volts,
            marking=marking,
            supply_confirmed_by_user=supply_confirmed_by_user,
            datasheet_volts=datasheet_volts,
        ),
    )
    while True:
        look = looking.look()
        yield look
        if look.good_for_s >= good_s or looking.lost:
            return
        adapter.time.wait_s(WATCH_PAUSE_S)


def settle_clock(
    chip: Identified,
    *,
    avoiding: Sequence[range] = (),
    sent_too: bool = False,
    progress: Progress = silent,
) -> ClockProof | None:
    """The clock to read the whole chip at, found on a small part of it; the contact is good then.

    `avoiding` are the ranges that an accident left half-done: what they read is no measure. With
    `sent_too` the way to the chip is tried as well, by many short reads from all over the array:
    for a chip that is about to be changed.
    None where there is none to find: read slowly. Then single weak cells err at every clock though
    the contact is good, or there was nowhere to look.

    Raises:
        ReadsUnsteady: the contact is not good; it says what was seen and what to do.
        AdapterError, Interrupted: the bus failed or the user stopped; the chip was only read.
    """
    density = chip.profile.density_bytes
    size = min(STRETCH_BYTES, max(WATCH_STRETCH_BYTES, density // _SHARE_TO_SETTLE))
    places = [
        place
        for place in _places(chip)
        if not _overlaps(_start_around(chip, place, size), size, avoiding)
    ]
    if not places:
        return None
    with reading.address_mode(chip):
        start = Address(_telling_start(chip, size, places))
    elsewhere = _spread(chip, avoiding) if sent_too else ()
    try:
        return find_clock(
            chip, around=start, stretch_bytes=size, elsewhere=elsewhere, progress=progress
        )
    except ReadsUnsteady as error:
        seen = look_closer(chip, start)
        if seen.name is Finding.WEAK_CELLS:
            return None
        if seen.stable:
            raise
        raise ReadsUnsteady(" ".join(seen.sentences), next_step=seen.next_action) from error


def look_closer(chip: Identified, around: Address) -> Diagnosis:
    """Read what lies around one address again and again, slow and fast: cells, contact or clock.

    Raises:
        AdapterError: the bus failed; the chip was only read.
    """
    with reading.address_mode(chip):
        size = min(STRETCH_BYTES, chip.profile.density_bytes)
        start = _stretch_at(chip, around, size)
        slow_hz = min(SLOW_HZ, chip.clock_hz)
        seen = Observations(
            tries=tuple(
                _reads(chip, start, size, SECOND_LOOK_READS, slow_hz) for _ in range(READS_A_TRY)
            ),
            stretch_start=start,
            fast_reads=_reads(chip, start, size, READS_A_TRY, chip.clock_hz),
            fast_hz=chip.wire.true_hz(chip.clock_hz),
        )
    return diagnose(seen)


def find_clock(
    chip: Identified,
    *,
    hz_max: int | None = None,
    around: Address | None = None,
    stretch_bytes: int = STRETCH_BYTES,
    elsewhere: Sequence[Address] = (),
    progress: Progress = silent,
) -> ClockProof:
    """Find the fastest SCK at which every read is right, and settle one step below it.

    `hz_max` is the clock somebody wants to work at, the adapter's by default: what comes out is
    never faster. The search begins one step above it where chip and adapter allow that, so that
    the clock wanted can have its margin. `around` is an address to read `stretch_bytes` at; by
    default one with telling data. A few bytes are read from each address in `elsewhere` too.

    Raises:
        ReadsUnsteady: reads differ even at the slowest clock.
        AdapterError, Interrupted: the bus failed or the user stopped; the chip was only read.
    """
    wanted = chip.wire.true_hz(hz_max if hz_max is not None else chip.adapter.clock_hz)
    with reading.address_mode(chip):
        size = min(stretch_bytes, chip.profile.density_bytes)
        proving = _ClockProving(chip, _stretch_at(chip, around, size), size, elsewhere)
        tried: list[ClockTry] = []
        steps = _clock_steps(chip, wanted)
        for number, hz in enumerate(steps):
            progress("finding the clock", number, len(steps), None)
            tried.append(ClockTry(clock_hz=hz, wrong_bytes=proving.wrong_bytes(hz)))
            below = min(wanted, steps[number + 1] if number + 1 < len(steps) else hz // 2)
            if not tried[-1].wrong_bytes and not proving.wrong_bytes(below):
                return ClockProof(
                    clock_hz=chip.wire.true_hz(below),
                    stable_hz=hz,
                    tried=tuple(tried),
                    compared_bytes=proving.compared_bytes,
                    told_by_array=len(set(proving.truth)) > 1,
                )
    raise ReadsUnsteady(
        f"Even at {tried[-1].clock_hz / 1e6:g} MHz {tried[-1].wrong_bytes} bytes read wrong.",
        next_step="Press the chip into the socket again and shorten the leads.",
    )


def _clocked(
    chip: Identified, seen: Observations, progress: Progress
) -> tuple[Observations, ClockProof | None]:
    """The clock; if there is none although all seemed well, a second look at the same cells."""
    try:
        return seen, find_clock(chip, around=Address(seen.stretch_start), progress=progress)
    except ReadsUnsteady as error:
        with reading.address_mode(chip):
            seen = _read_again(chip, seen)
        if diagnose(seen).stable:
            seen = replace(seen, unsteady=error.seen)
        return seen, None


def _clock_steps(chip: Identified, wanted: int) -> list[int]:
    """The clocks to try, fast to slow, from one step above the one wanted."""
    limit = chip.profile.fast_read_hz_max
    steps = [hz for n in _CLOCK_DIVISORS if (hz := chip.wire.true_hz(_ENGINE_HZ // n)) <= limit]
    above = [hz for hz in steps if hz > wanted]
    return steps[max(0, len(above) - 1) :]


class _ClockProving:
    """Reads one stretch, the ID and the SFDP at clocks, and compares with slow reads."""

    def __init__(
        self, chip: Identified, start: Address, size: int, elsewhere: Sequence[Address]
    ) -> None:
        self._chip = chip
        self._array = _pieces(chip, start, size)
        self._known = [frames.read_id()] * ID_READS
        self._known += [frames.read_sfdp(0, _SFDP_BYTES)] * _SFDP_READS
        for place in elsewhere:
            self._known += reading.array_frames(
                chip.profile, place, _ELSEWHERE_BYTES, kind=ReadKind.FAST
            )
        first, second = (
            chip.run([*self._known, *self._array], sck_hz=FIRST_CONTACT_HZ) for _ in range(2)
        )
        if first != second:
            raise ReadsUnsteady(
                f"Two reads at {FIRST_CONTACT_HZ / 1e6:g} MHz differ.",
                next_step="Press the chip into the socket again and shorten the leads.",
            )
        self._all = first
        self.truth = first[-size:]
        self.compared_bytes = READS_A_TRY * len(first)

    def wrong_bytes(self, hz: int) -> int:
        """Over as many reads as a try has."""
        reads = [
            self._chip.run([*self._known, *self._array], sck_hz=hz) for _ in range(READS_A_TRY)
        ]
        flips = flips_among(reads, truth=self._all)
        return flips.wrong_bytes if flips is not None else 0


def _first_look(adapter: Adapter, seen: Observations) -> Observations:
    """What is safe to ask any chip, the ID first; a chip that had to be woken sleeps again.

    Nothing is driven, and so nothing asked, while another master is on the bus.
    """
    seen = replace(seen, heard=listen_before_driving(adapter._wire))
    if other_master_sentence(seen.heard) is not None:
        return seen
    hz = min(FIRST_CONTACT_HZ, adapter.clock_hz)
    adapter._wire.drive_pins()
    ids = _id_reads(adapter, hz)
    status = _run(adapter, [frames.read_register(Register.STATUS_1)] * _STATUS_READS, hz)
    after_wake: tuple[bytes, ...] = ()
    if all(len(set(read)) == 1 and read[0] in (0x00, 0xFF) for read in ids):
        _run(adapter, [frames.release_power_down()], hz)
        after_wake = _id_reads(adapter, hz)
    tables = _run(adapter, [frames.read_sfdp(0, _SFDP_BYTES)] * _SFDP_READS, hz)
    seen = replace(
        seen,
        id_reads=ids,
        status_reads=tuple(status),
        sfdp_reads=_cut(tables, _SFDP_BYTES),
        id_reads_after_wake=after_wake,
    )
    if after_wake and answering_id(seen) is not None:
        _run(adapter, [frames.enter_power_down()], hz)
    return seen


def _identified(
    adapter: Adapter,
    seen: Observations,
    *,
    supply_volts: float,
    marking: str | None,
    supply_confirmed_by_user: bool,
    datasheet_volts: tuple[float, float] | None,
) -> tuple[Observations, Identified | None]:
    with adapter.clock_limited_to(FIRST_CONTACT_HZ):
        try:
            chip = identify(
                adapter,
                supply_volts=supply_volts,
                marking=marking,
                supply_confirmed_by_user=supply_confirmed_by_user,
                datasheet_volts=datasheet_volts,
            )
        except ReadsUnsteady as error:
            return replace(seen, unsteady=error.seen), None
    return replace(seen, in_4byte_mode=chip.shows_4byte_mode(chip.registers)), chip


def _look_at_array(
    chip: Identified, seen: Observations, around: Address | None, progress: Progress
) -> Observations:
    size = min(STRETCH_BYTES, chip.profile.density_bytes)
    with reading.address_mode(chip):
        start = _stretch_at(chip, around, size)
        progress("reading the same again", 0, 2 * READS_A_TRY * size, None)
        slow = _reads(chip, start, size, READS_A_TRY, min(SLOW_HZ, chip.clock_hz))
        progress("reading the same again", len(slow) * size, 2 * READS_A_TRY * size, None)
        fast = _reads(chip, start, size, READS_A_TRY, chip.clock_hz)
        seen = replace(
            seen,
            tries=(slow,),
            stretch_start=start,
            fast_reads=fast,
            fast_hz=chip.wire.true_hz(chip.clock_hz),
            in_4byte_mode=seen.in_4byte_mode or _takes_4_address_bytes(chip, start),
            repeats_every_bytes=_period(chip),
            size_bytes=chip.profile.density_bytes,
        )
        return _read_again(chip, seen) if len({*slow, *fast}) > 1 else seen


def _read_again(chip: Identified, seen: Observations) -> Observations:
    """Two more tries at the same addresses: weak cells err there again, contacts elsewhere."""
    start, size = Address(seen.stretch_start), len(seen.tries[0][0])
    more = [
        _reads(chip, start, size, SECOND_LOOK_READS, min(SLOW_HZ, chip.clock_hz)) for _ in range(2)
    ]
    return replace(seen, tries=(*seen.tries, *more))


def _reads(chip: Identified, start: Address, size: int, count: int, hz: int) -> tuple[bytes, ...]:
    to_read = _pieces(chip, start, size)
    return tuple(chip.run(to_read, sck_hz=hz) for _ in range(count))


def _stretch_at(chip: Identified, around: Address | None, size: int) -> Address:
    """Where to read `size` bytes. Raises WrongCall if `around` is not on the chip."""
    density = chip.profile.density_bytes
    if around is None:
        return Address(_telling_start(chip, size))
    if around not in range(density):
        raise WrongCall(
            f"Address {around:#x} is not on this chip, which has {density:,} bytes.",
            next_step="Give an address below that.",
        )
    return Address(around // size * size)


def _telling_start(chip: Identified, size: int, among: Sequence[int] | None = None) -> int:
    """Where a stretch of `size` has the most different bytes, by a few samples at `among`.

    By default they are spread over the array.
    """
    places = _places(chip) if among is None else among
    reply = chip.run(
        [
            frame
            for place in places
            for frame in reading.array_frames(
                chip.profile, Address(place), _SAMPLE_BYTES, kind=ReadKind.FAST
            )
        ],
        sck_hz=min(SLOW_HZ, chip.clock_hz),
    )
    samples = _cut(reply, _SAMPLE_BYTES)
    best = max(range(len(samples)), key=lambda number: len(set(samples[number])))
    return _start_around(chip, places[best], size)


def _places(chip: Identified) -> range:
    density = chip.profile.density_bytes
    return range(0, density, max(density // _SAMPLES, _SAMPLE_BYTES))


def _spread(chip: Identified, avoiding: Sequence[range]) -> list[Address]:
    """Addresses all over the array, each bit of them 0 in about half and 1 in the others."""
    count = chip.profile.density_bytes // _ELSEWHERE_BYTES
    places = (
        (number * _ELSEWHERE_STEP % 2**32) * count // 2**32 * _ELSEWHERE_BYTES
        for number in range(1, _ELSEWHERE_COUNT + 1)
    )
    return [Address(at) for at in places if not _overlaps(at, _ELSEWHERE_BYTES, avoiding)]


def _overlaps(start: int, size: int, ranges: Sequence[range]) -> bool:
    return any(part.start < start + size and start < part.stop for part in ranges)


def _start_around(chip: Identified, place: int, size: int) -> int:
    """Where a stretch of `size` that has `place` in it begins."""
    density = chip.profile.density_bytes
    return min(place // size * size, density - min(size, density))


def _takes_4_address_bytes(chip: Identified, place: Address) -> bool:
    """Whether 03h takes a fourth address byte, found by comparing with 13h.

    For parts that have 13h and no known register bit for the mode. Sent three bytes in 4-byte
    mode, a chip takes the first clocks of its reply for the fourth: the data come one byte late
    and from 256 times the address. A part that powers up so was not left so.
    """
    profile = chip.profile
    has_13h = profile.read_4byte_opcodes or reading.uses_dedicated_reads(profile)
    if not has_13h or chip.tells_its_address_mode or "power-up" in profile.quirks:
        return False
    place = Address(place % frames.READ_FRAME_BYTES_MAX)

    def read(at: int, address_bytes: int) -> bytes:
        frame = frames.read_array(
            Address(at),
            _SAMPLE_BYTES,
            kind=ReadKind.PLAIN,
            address_bytes=address_bytes,
            dedicated=address_bytes == 4,
        )
        return chip.run([frame], sck_hz=min(SLOW_HZ, chip.clock_hz))

    late = read(place, 3)
    if late == read(place, 4) or len(set(late[1:])) == 1:
        return False
    scaled = ((place << 8) % profile.density_bytes, (place << 8 | 0xFF) % profile.density_bytes)
    return any(late[1:] == read(at, 4)[:-1] for at in scaled)


def _period(chip: Identified) -> int | None:
    """The shortest half, quarter, ... of the size after which the array looks the same again.

    Tried by pairs of places. One pair that differs disproves a period; blank ones prove nothing.
    """
    period = None
    candidate = chip.profile.density_bytes // 2
    while candidate >= _SAMPLE_BYTES * _SAMPLES and _looks_periodic(chip, candidate):
        period = candidate
        candidate //= 2
    return period


def _looks_periodic(chip: Identified, period: int) -> bool:
    size = min(_PAIR_BYTES_MAX, period // _SAMPLES)
    telling = 0
    for place in range(0, period, period // _SAMPLES):
        here, there = (
            reading.read_bytes(chip, Address(at), size) for at in (place, place + period)
        )
        if here != there:
            return False
        telling += len(set(here)) > 1
    return telling >= _TELLING_PAIRS_MIN


def _pieces(chip: Identified, start: Address, size: int) -> list[Frame]:
    """Frames that read a stretch in pieces, with CS# high between them."""
    return [
        frame
        for at in range(start, start + size, _PIECE_BYTES)
        for frame in reading.array_frames(
            chip.profile, Address(at), min(_PIECE_BYTES, start + size - at), kind=ReadKind.FAST
        )
    ]


class _Watching:
    """What `watch` remembers from look to look."""

    def __init__(self, *, adapter: Adapter, identify_chip: Callable[[], Identified]) -> None:
        self._adapter = adapter
        self._identify = identify_chip
        self._chip: Identified | None = None
        self._telling_start = 0
        self._good_since_s: float | None = None
        self._empty_level: int | None = None
        self._wrong: Diagnosis | None = None
        self.lost = False

    def look(self) -> Look:
        """One quick look."""
        seen = Observations(empty_socket_level=self._empty_level)
        try:
            seen = _first_look(self._adapter, seen)
            if diagnose(seen).stable:
                seen = self._read_a_little(seen)
        except AdapterGone:
            self.lost = True
            seen = replace(seen, adapter_lost=True)
        return self._judged(seen)

    def _read_a_little(self, seen: Observations) -> Observations:
        try:
            with self._adapter.clock_limited_to(FIRST_CONTACT_HZ):
                if self._chip is None or self._chip.jedec_id != answering_id(seen):
                    self._chip = self._identify()
                    with reading.address_mode(self._chip):
                        self._telling_start = _telling_start(self._chip, WATCH_STRETCH_BYTES)
        except ReadsUnsteady as error:
            return replace(seen, unsteady=error.seen)
        chip, start = self._chip, Address(self._telling_start)
        with reading.address_mode(chip):
            hz = min(SLOW_HZ, chip.clock_hz)
            reads = _reads(chip, start, WATCH_STRETCH_BYTES, READS_A_TRY, hz)
        return replace(seen, tries=(reads,), stretch_start=self._telling_start)

    def _judged(self, seen: Observations) -> Look:
        diagnosis = diagnose(seen)
        now_s = self._adapter.time.now_s()
        if not diagnosis.stable:
            self._good_since_s = None
            self._chip = None
            # Hands are at the chip, or a clip goes on a board: listen again before driving again.
            self._adapter._wire.release_pins()
        elif self._good_since_s is None:
            self._good_since_s = now_s
        if diagnosis.name is Finding.FLOATING:
            self._empty_level = 1
        compared = None
        if self._wrong is not None and self._wrong.wrong != diagnosis.wrong:
            compared = diagnosis.compared_with(self._wrong)
        self._wrong = diagnosis if diagnosis.wrong else None
        return Look(
            diagnosis=diagnosis,
            jedec_id=answering_id(seen),
            good_for_s=0.0 if self._good_since_s is None else now_s - self._good_since_s,
            compared=compared,
        )


def _id_reads(adapter: Adapter, hz: int) -> tuple[bytes, ...]:
    return _cut(_run(adapter, [frames.read_id(ID_BYTES)] * ID_READS, hz), ID_BYTES)


def _cut(reply: bytes, size: int) -> tuple[bytes, ...]:
    return tuple(reply[at : at + size] for at in range(0, len(reply), size))


def _run(adapter: Adapter, to_run: list[Frame], hz: int) -> bytes:
    reply = bytearray(sum(frame.reply_size for frame in to_run))
    adapter._wire.run(to_run, sck_hz=hz, into=memoryview(reply))
    return bytes(reply)
