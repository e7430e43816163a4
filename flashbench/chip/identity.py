"""Which chip is on the adapter, and what may be done with it: the evidence `Identified`.

First contact sends only what is safe on every chip: 05h, 9Fh, 5Ah, and ABh where nothing answers.
Registers and the unique ID are read afterwards, where the chip's own layout says with what.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import InitVar, dataclass, field, replace
from functools import partial
from typing import Any, Final, final

from chipdb import sfdp as sfdp_tables
from chipdb.sfdp import Sfdp, SfdpError
from chipdb.table import find_by_marking, rows_for_id
from flashbench.adapter._frame import Frame
from flashbench.adapter._wire import Arrived, Wire
from flashbench.adapter.adapter import Adapter
from flashbench.chip import _read_frames as frames
from flashbench.chip._read_frames import Register
from flashbench.chip.diagnosis import other_kind
from flashbench.chip.evidence import Evidence
from flashbench.chip.other_master import (
    held_low_sentence,
    listen_before_driving,
    refuse_other_master,
)
from flashbench.chip.outside_array import OutsideArray, read_outside_array
from flashbench.chip.profile import ChipProfile, reconcile
from flashbench.chip.protection import protected_ranges, registers_to_read
from flashbench.chip.reading import refuse_unreadable
from flashbench.chip.sector_layout import choose_layout
from flashbench.chip.status import BUSY, WRITE_ENABLED
from flashbench.chip.supply import stop_before_driving
from flashbench.errors import AdapterError, ChipUntouched, ReadsUnsteady

_SEAL: Final = object()

ID_BYTES: Final = 6
ID_READS: Final = 16
FIRST_CONTACT_HZ: Final = 1_000_000
SFDP_READS: Final = 3
SFDP_BYTES_MAX: Final = 4096
_SFDP_START_BYTES: Final = 16  # the header and the first parameter header
_UNIQUE_ID_LAYOUTS: Final = {"Winbond", "Winbond 256 Mbit", "GigaDevice", "GigaDevice 256 Mbit"}
"""Where 4Bh reads a 64-bit number. GigaDevice: from memory."""

BUSY_MS_MAX: Final = 10_000.0
"""How long a chip found busy is waited for when no job says how long its erases take."""


@final
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Identified(Evidence):
    """A chip that answered the same ID every time, fits its supply, and has a known profile.

    Has no public constructor: see `identify`. Bound to one opening of one adapter.
    """

    adapter: Adapter
    session_id: str
    jedec_id: bytes
    sfdp: Sfdp | None
    profile: ChipProfile
    supply_volts: float
    marking: str | None
    datasheet_volts: tuple[float, float] | None
    unique_id: bytes | None
    registers: dict[Register, int] = field(repr=False)
    outside_array: OutsideArray = field(repr=False)
    woken: bool
    held_low: str | None  # the doubt about lines that stood low before any was driven
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Identified has no public constructor: call identify()")

    @property
    def wire(self) -> Wire:
        """The way to the chip, for the rooms that may send frames."""
        return self.adapter._wire

    @property
    def doubts(self) -> tuple[str, ...]:
        """Those about the part, and that about the lines it hangs on."""
        return (*self.profile.doubts, *([self.held_low] if self.held_low else []))

    @property
    def clock_hz(self) -> int:
        """SCK of all but plain reads: the adapter's, or what it makes of the chip's lower limit."""
        return self.wire.true_hz(min(self.adapter.clock_hz, self.profile.fast_read_hz_max))

    @property
    def change_clock_hz(self) -> int:
        """SCK for what can change a cell or a register: the same, or less where that is limited."""
        return min(self.adapter.change_clock_hz, self.clock_hz)

    def run(
        self,
        to_run: Sequence[Frame],
        *,
        sck_hz: int | None = None,
        into: memoryview | None = None,
        arrived: Arrived | None = None,
    ) -> bytes:
        """Run frames on this chip; the replies, unless they went `into` a buffer."""
        return _run(self.wire, to_run, sck_hz or self.clock_hz, into, arrived)

    def check_still_in_session(self) -> None:
        """Raise ChipUntouched if the adapter was opened anew since this chip was identified."""
        if self.adapter.session.id != self.session_id or self.adapter.closed:
            raise ChipUntouched(
                "The chip was identified in another session of the adapter.",
                next_step="Identify it again: another chip may lie in the socket.",
            )

    def demand_same_chip(self) -> None:
        """Read the ID and the unique ID again, right before something that depends on them.

        Raises:
            ChipUntouched: another chip, or none, answers now.
        """
        again = self.run([frames.read_id()] * 2)
        if again != self.jedec_id * 2:
            raise ChipUntouched(
                f"The chip answers {again[:ID_BYTES].hex(' ')} now; it was"
                f" {self.jedec_id.hex(' ')} before.",
                next_step="Do not touch the socket between the steps. Start the command over.",
            )
        unique_id = _read_unique_id(
            self.wire, self.profile, four_byte=self.is_in_4byte_mode(), hz=self.clock_hz
        )
        if unique_id != self.unique_id:
            raise ChipUntouched(
                f"A chip of the same part but with the unique ID {_hex(unique_id)} answers now;"
                f" it was {_hex(self.unique_id)} before.",
                next_step="Do not touch the socket between the steps. Start the command over.",
            )

    def read_registers(self) -> dict[Register, int]:
        """The registers of the chip's layout, each read twice and equal.

        Raises:
            ChipUntouched: two reads of a register differ although the chip is idle.
        """
        return _read_registers(self.wire, self.profile, self.clock_hz)

    def is_in_4byte_mode(self) -> bool:
        """Whether the chip is in 4-byte address mode now; False where no bit is known to tell."""
        return _mode_bit(self.profile) is not None and _shows_4byte_mode(
            self.profile, self.read_registers()
        )

    @property
    def tells_its_address_mode(self) -> bool:
        """Whether a register bit of this chip is known that says which mode it is in."""
        return _mode_bit(self.profile) is not None

    def shows_4byte_mode(self, registers: Mapping[Register, int]) -> bool:
        """Whether register values of this chip say that it is in 4-byte address mode."""
        return _shows_4byte_mode(self.profile, registers)

    def facts(self) -> dict[str, Any]:
        """What is known of the chip, as plain data for the job folder and for JSON."""
        low, high = self.profile.supply_volts
        return {
            "jedec_id": self.jedec_id.hex(),
            "parts": list(self.profile.parts),
            "density_bytes": self.profile.density_bytes,
            "size_sources": list(self.profile.density_sources),
            "supply": {
                "volts": [low, high],
                "known_from": self.profile.supply_known_from,
                "declared_volts": self.supply_volts,
            }
            | ({"datasheet_volts": list(self.datasheet_volts)} if self.datasheet_volts else {}),
            "marking": self.marking,
            "unique_id": self.unique_id.hex() if self.unique_id is not None else None,
            "sfdp": self.sfdp.raw.hex() if self.sfdp is not None else None,
            "registers": {register.name: value for register, value in self.registers.items()}
            | {
                f"SECURITY_REGISTER_{number}": held.hex()
                for number, held in self.outside_array.security_registers.items()
            },
            "not_saved": [left_out.sentence() for left_out in self.outside_array.not_saved],
            "protected": [
                [stretch.start, stretch.stop]
                for stretch in protected_ranges(self.registers, self.profile)
            ],
            "was_in_power_down": self.woken,
            "erase_ms_max": max(
                (kind.ms_max for region in self.profile.regions for kind in region.kinds),
                default=0.0,
            ),
            "doubts": list(self.doubts),
            "adapter": {
                "chip": self.adapter.facts.chip,
                "product": self.adapter.facts.product,
                "serial": self.adapter.facts.serial,
                "interface": self.adapter.facts.interface,
                "url": self.adapter.facts.url,
                "clock_hz": self.adapter.clock_hz,
            },
        }


def identify(
    adapter: Adapter,
    *,
    supply_volts: float,
    marking: str | None = None,
    supply_confirmed_by_user: bool = False,
    datasheet_volts: tuple[float, float] | None = None,
    busy_ms_max: float = BUSY_MS_MAX,
) -> Identified:
    """Find out which chip is on the adapter. Changes nothing on it.

    `supply_volts` is what the bench supplies; nobody here can measure it. `marking` is the text
    printed on the package. `supply_confirmed_by_user` says that the user read in the part's own
    datasheet that it takes that supply, `datasheet_volts` is the range read there. No pin is
    driven before the marking and that range, if given, were found to allow the supply, and no SPI
    line while another chip moves it. A chip found busy is waited for, at most `busy_ms_max`, with
    nothing but 05h.

    Raises:
        ChipUntouched: no chip answers, its ID is not stable, the supply or the marking does not
            fit it, it is of a kind that cannot be handled, or it stays busy.
        BusInUse: something else moves the bus; nothing was driven.
        AdapterError: the bus failed.
    """
    wire = adapter._wire
    printed = find_by_marking(marking) if marking is not None else None
    stop_before_driving(printed, datasheet_volts, supply_volts)
    hz, woken = min(FIRST_CONTACT_HZ, adapter.clock_hz), False
    try:
        held_low = _drive_unless_in_use(wire)
        _wait_until_idle(adapter, hz, busy_ms_max)
        jedec_id, woken = _stable_id(wire, hz)
        _demand_id_at_clock(wire, jedec_id, adapter.clock_hz)
        _refuse_other_kind(jedec_id)
        sfdp = _read_sfdp(wire, min(adapter.clock_hz, frames.SFDP_HZ_MAX))
        chosen = choose_layout(partial(_run, wire, sck_hz=hz), sfdp)
        profile = reconcile(
            jedec_id,
            rows_for_id(jedec_id),
            sfdp,
            declared_volts=supply_volts,
            supply_confirmed_by_user=supply_confirmed_by_user,
            datasheet_volts=datasheet_volts,
            marking=printed,
            layout=chosen.layout,
        )
        if chosen.doubt is not None:
            profile = replace(profile, doubts=(*profile.doubts, chosen.doubt))
        refuse_unreadable(profile)
        registers = _read_registers(wire, profile, hz)
        in_4byte_mode = _shows_4byte_mode(profile, registers)
        unique_id = _read_unique_id(wire, profile, four_byte=in_4byte_mode, hz=hz)
        outside_array = read_outside_array(
            partial(_run, wire, sck_hz=min(adapter.clock_hz, profile.fast_read_hz_max)),
            profile,
            four_byte=in_4byte_mode,
            has_sfdp=sfdp is not None,
            has_unique_id=unique_id is not None,
        )
        _arrange_last_words(adapter, hz, profile, woken=woken)
        return Identified(
            adapter=adapter,
            session_id=adapter.session.id,
            jedec_id=jedec_id,
            sfdp=sfdp,
            profile=profile,
            supply_volts=supply_volts,
            marking=marking,
            datasheet_volts=datasheet_volts,
            unique_id=unique_id,
            registers=registers,
            outside_array=outside_array,
            woken=woken,
            held_low=held_low,
            seal=_SEAL,
        )
    except BaseException:
        if woken:
            with suppress(AdapterError):
                _back_to_power_down(wire, hz)
        wire.release_pins()
        raise


def _drive_unless_in_use(wire: Wire) -> str | None:
    """Turn the outputs on; the doubt about lines that stood low before, if there is one."""
    heard = listen_before_driving(wire)
    refuse_other_master(heard)
    wire.drive_pins()
    return held_low_sentence(heard)


def _run(
    wire: Wire,
    to_run: Sequence[Frame],
    sck_hz: int,
    into: memoryview | None = None,
    arrived: Arrived | None = None,
) -> bytes:
    if into is not None:
        wire.run(to_run, sck_hz=sck_hz, into=into, arrived=arrived)
        return b""
    reply = bytearray(sum(frame.reply_size for frame in to_run))
    wire.run(to_run, sck_hz=sck_hz, into=memoryview(reply), arrived=arrived)
    return bytes(reply)


def _wait_until_idle(adapter: Adapter, hz: int, busy_ms_max: float) -> None:
    """A chip that an accident left erasing ignores everything but 05h: wait for it."""
    time = adapter.time
    deadline_s = time.now_s() + busy_ms_max / 1000
    while True:
        status = _run(adapter._wire, [frames.read_register(Register.STATUS_1)], hz)[0]
        if status == 0xFF or not status & BUSY:
            return
        if time.now_s() > deadline_s:
            raise ChipUntouched(
                f"The chip reports busy (status {status:02X}h) for longer than"
                f" {busy_ms_max / 1000:g} s.",
                next_step="Leave it powered for a minute, or switch its supply off and on.",
            )
        time.wait_s(0.01)


def _stable_id(wire: Wire, hz: int) -> tuple[bytes, bool]:
    """(ID, whether the chip had to be woken). The ID is the same in every one of 16 reads."""
    reads = _id_reads(wire, hz)
    woken = False
    if set(reads) <= {b"\xff" * ID_BYTES, b"\x00" * ID_BYTES}:
        _run(wire, [frames.release_power_down()], hz)
        reads = _id_reads(wire, hz)
        woken = True
    if len(set(reads)) > 1:
        shown = ", ".join(sorted({read.hex(" ") for read in reads})[:3])
        raise ReadsUnsteady(
            f"The ID is not stable over {ID_READS} reads: {shown}.",
            next_step="Press the chip into the socket again, shorten the leads, lower --clock.",
        )
    if set(reads[0]) <= {0x00, 0xFF}:
        raise ChipUntouched(
            f"No chip answers: the ID reads {reads[0].hex(' ')}.",
            next_step=(
                "Check pin 1 and that the chip is seated; cut the power first if it gets warm."
            ),
        )
    return reads[0], woken


def _id_reads(wire: Wire, hz: int) -> list[bytes]:
    reply = _run(wire, [frames.read_id(ID_BYTES)] * ID_READS, hz)
    return [reply[at : at + ID_BYTES] for at in range(0, len(reply), ID_BYTES)]


def _demand_id_at_clock(wire: Wire, jedec_id: bytes, hz: int) -> None:
    reads = set(_id_reads(wire, hz))
    if reads != {jedec_id}:
        wrong = next(iter(reads - {jedec_id}))
        raise ReadsUnsteady(
            f"At {wire.true_hz(hz) / 1e6:g} MHz the ID reads {wrong.hex(' ')}; at"
            f" {FIRST_CONTACT_HZ / 1e6:g} MHz it is {jedec_id.hex(' ')}.",
            next_step="Lower --clock or shorten the leads.",
        )


def _refuse_other_kind(jedec_id: bytes) -> None:
    reason = other_kind(jedec_id)
    if reason is not None:
        raise ChipUntouched(
            reason, next_step="flashbench handles SPI NOR flash only; use another way."
        )


def _read_sfdp(wire: Wire, hz: int) -> Sfdp | None:
    """The chip's SFDP if it has one. A chip without answers anything but the signature.

    Raises:
        ChipUntouched: reads of it differ.
    """
    data = _agreeing(wire, hz, _SFDP_START_BYTES)
    if data[:4] != b"SFDP":
        return None
    try:
        while (needed := min(sfdp_tables.bytes_needed(data), SFDP_BYTES_MAX)) > len(data):
            data = _agreeing(wire, hz, needed)
        return sfdp_tables.parse(data)
    except SfdpError:
        return None


def _agreeing(wire: Wire, hz: int, size: int) -> bytes:
    reads = {_run(wire, [frames.read_sfdp(0, size)], hz) for _ in range(SFDP_READS)}
    if len(reads) > 1:
        raise ReadsUnsteady(
            f"{SFDP_READS} reads of the chip's own tables (SFDP) differ.",
            next_step="Press the chip into the socket again, shorten the leads, lower --clock.",
        )
    return reads.pop()


_MODE_BITS: Final = {
    "Winbond 256 Mbit": (Register.STATUS_3, 0),  # ADS
    "Macronix": (Register.CONFIGURATION, 5),
    "Micron": (Register.FLAG_STATUS, 0),
}
_PASSING_BITS: Final = {
    Register.STATUS_1: BUSY | WRITE_ENABLED,
    Register.STATUS_2: 0x80,  # an operation is suspended
    Register.SECURITY: 0x6C,  # Macronix: the last erase or program failed, or is suspended
    Register.FLAG_STATUS: 0xFE,  # all but the address mode
}
"""Bits that come and go by themselves; those of SR2, Macronix and Micron from memory."""
_AT25DF_PASSING: Final = 0x30
"""AT25DF, SR1: the last erase or program failed; the level of the WP# pin. From memory."""


def _read_registers(wire: Wire, profile: ChipProfile, hz: int) -> dict[Register, int]:
    """The registers of the layout and of the address mode, without the bits that come and go."""
    values: dict[Register, int] = {}
    mode = _mode_bit(profile)
    mode_register = () if mode is None else (mode[0],)
    for register in dict.fromkeys((*registers_to_read(profile), *mode_register)):
        reply = _run(wire, [frames.read_register(register)] * 2, hz)
        if reply[0] != reply[1]:
            raise ReadsUnsteady(
                f"Two reads of {register.value[0]} differ: {reply[0]:02X}h, {reply[1]:02X}h.",
                next_step="Press the chip into the socket again, shorten the leads, lower --clock.",
            )
        if register is Register.STATUS_1 and reply[0] & BUSY:
            raise ReadsUnsteady(
                f"The chip answers its ID and yet reports busy (status {reply[0]:02X}h): one of"
                " the two is misread.",
                next_step="Press the chip into the socket again, shorten the leads, lower --clock.",
            )
        passing = _PASSING_BITS.get(register, 0)
        if register is Register.STATUS_1 and profile.protection == "AT25DF":
            passing |= _AT25DF_PASSING
        values[register] = reply[0] & ~passing
    return values


def _mode_bit(profile: ChipProfile) -> tuple[Register, int] | None:
    """Where a chip above 16 MiB shows that it is in 4-byte address mode, if that is known."""
    if profile.density_bytes <= frames.READ_FRAME_BYTES_MAX:
        return None
    return _MODE_BITS.get(profile.protection or "")


def _shows_4byte_mode(profile: ChipProfile, registers: Mapping[Register, int]) -> bool:
    mode = _mode_bit(profile)
    return mode is not None and bool(registers.get(mode[0], 0) >> mode[1] & 1)


def _arrange_last_words(adapter: Adapter, hz: int, profile: ChipProfile, *, woken: bool) -> None:
    """What is owed to the chip before the pins go off."""
    if woken:
        adapter.before_release(partial(_back_to_power_down, adapter._wire, hz))
    if adapter._wire.switches_supply:
        # What an error left erasing would be torn when the pins go off, and the supply too.
        adapter.before_release(partial(_wait_until_idle, adapter, hz, profile.longest_erase_ms))


def _back_to_power_down(wire: Wire, hz: int) -> None:
    """Leave a chip that had to be woken the way it was found."""
    _run(wire, [frames.enter_power_down()], hz)


def _read_unique_id(wire: Wire, profile: ChipProfile, *, four_byte: bool, hz: int) -> bytes | None:
    """The factory number, where the layout says that 4Bh is one; None if nothing answers."""
    if profile.protection not in _UNIQUE_ID_LAYOUTS:
        return None
    reply = _run(wire, [frames.read_unique_id(four_byte=four_byte)] * 2, hz)
    first, second = reply[:8], reply[8:]
    if first != second or set(first) <= {0x00, 0xFF}:
        return None
    return first


def _hex(unique_id: bytes | None) -> str:
    return "none" if unique_id is None else unique_id.hex(" ")
