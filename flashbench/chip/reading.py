"""The array read in whole, in one of two ways."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from flashbench.adapter._frame import Frame
from flashbench.chip import _read_frames as frames
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.profile import Address, AddressMode, ChipProfile
from flashbench.errors import ChipUntouched
from flashbench.progress import Progress, silent

if TYPE_CHECKING:
    from flashbench.chip.identity import Identified

_MODES_ENTERED: Final = {AddressMode.ENTER_4BYTE}

START: Final = Address(0)

Arriving = Callable[[Address, memoryview], None]
"""Told where in the array the bytes come from that have just arrived, while others still do."""


def unheard(start: Address, part: memoryview) -> None:
    """Nobody waits for the bytes of a read before all of them are there."""


def address_bytes(profile: ChipProfile) -> int:
    """How many address bytes the array commands of this chip take, once its mode is entered."""
    return 3 if profile.address_mode is AddressMode.THREE_BYTE else 4


def uses_dedicated_reads(profile: ChipProfile) -> bool:
    """True where 13h and 0Ch are sent, which take 4 address bytes in every mode.

    Parts that want 06h before B7h can be read above 16 MiB in no other way, since 06h is not
    sent before a backup.
    """
    return profile.address_mode in (
        AddressMode.DEDICATED_4BYTE,
        AddressMode.ENTER_4BYTE_WITH_WEL,
    )


def refuse_unreadable(profile: ChipProfile) -> None:
    """Raise ChipUntouched for a part whose upper part cannot be read without a write enable.

    Reading C8h would tell which 16 MiB answer now, but to see the others takes C5h, and that
    takes 06h; a dump of one half is none.
    """
    mode = profile.address_mode
    by_register = mode is AddressMode.EXTENDED_REGISTER
    by_wel = mode is AddressMode.ENTER_4BYTE_WITH_WEL and not profile.read_4byte_opcodes
    if not by_register and not by_wel:
        return
    way = "an extended address register (C5h)" if by_register else "a 4-byte mode (B7h)"
    raise ChipUntouched(
        f"{' / '.join(profile.parts) or 'This chip'} shows what lies above 16 MiB only by {way}"
        " that takes a write enable (06h) first, and none is sent before a backup exists.",
        next_step="Look in its datasheet for reads with 4 address bytes of their own (13h, 0Ch): if"
        " it has them, send its row in (identify --as-row shows the form). If not, fit another part"
        " of the same size and write the board's image to that.",
    )


def entering_4byte_mode() -> list[Frame]:
    """The frames that enter 4-byte mode, for parts that want nothing before."""
    return [frames.enter_4byte_mode()]


def leaving_4byte_mode() -> list[Frame]:
    """The frames that leave 4-byte mode, for parts that want nothing before."""
    return [frames.leave_4byte_mode()]


@contextmanager
def address_mode(chip: "Identified") -> Iterator[None]:
    """The chip in the address mode its profile asks for; left as it was found.

    Where a register tells the mode, it is read before and after.

    Raises:
        ChipUntouched: the chip does not enter the mode, or does not leave it.
    """
    if chip.profile.address_mode not in _MODES_ENTERED or chip.is_in_4byte_mode():
        yield
        return
    chip.run(entering_4byte_mode())
    try:
        if chip.tells_its_address_mode and not chip.is_in_4byte_mode():
            raise ChipUntouched(
                "The chip was sent B7h and says that it is not in 4-byte address mode.",
                next_step="Check the contact; if it is good, give the chip's marking.",
            )
        yield
    finally:
        chip.run(leaving_4byte_mode())
    if chip.is_in_4byte_mode():
        raise ChipUntouched(
            "The chip was sent E9h and says that it is still in 4-byte address mode.",
            next_step="Switch the supply off and on before the chip goes back to its board.",
        )


def array_frames(profile: ChipProfile, start: Address, size: int, *, kind: ReadKind) -> list[Frame]:
    """The frames that read `size` bytes from `start`; none crosses 16 MiB or a die."""
    step = min(frames.READ_FRAME_BYTES_MAX, profile.die_bytes)
    cuts = [start, *range((start // step + 1) * step, start + size, step), start + size]
    return [
        frames.read_array(
            Address(here),
            there - here,
            kind=kind,
            address_bytes=address_bytes(profile),
            dedicated=uses_dedicated_reads(profile),
        )
        for here, there in pairwise(cuts)
    ]


def read_hz(chip: "Identified", kind: ReadKind) -> int:
    """The SCK of this way of reading: the adapter's, or what it makes of the chip's lower limit."""
    limit = chip.profile.read_hz_max if kind is ReadKind.PLAIN else chip.profile.fast_read_hz_max
    return chip.wire.true_hz(min(chip.adapter.clock_hz, limit))


def read_into(
    chip: "Identified",
    into: memoryview,
    *,
    start: Address,
    kind: ReadKind,
    sck_hz: int,
    step: str,
    progress: Progress = silent,
    arriving: Arriving = unheard,
) -> None:
    """Fill `into` with the array from `start` on. The address mode must have been entered.

    Raises:
        AdapterError: the bus failed; the chip was only read.
        Interrupted: the progress callable asked to stop.
    """
    total = len(into)
    byte_s = 8 / chip.wire.true_hz(sck_hz)
    told = 0

    def arrived(done: int) -> None:
        nonlocal told
        if done > told:
            arriving(Address(start + told), into[told:done])
            told = done
        progress(step, done, total, (total - done) * byte_s)

    chip.run(
        array_frames(chip.profile, start, total, kind=kind),
        sck_hz=sck_hz,
        into=into,
        arrived=arrived,
    )


def read_whole(
    chip: "Identified",
    *,
    kind: ReadKind,
    sck_hz: int,
    step: str,
    first: Address = START,
    progress: Progress = silent,
    arriving: Arriving = unheard,
) -> bytes:
    """The whole array as bytes, read in two stretches: from `first` to the end, then from 0.

    `first` lets a second read begin elsewhere, so that an error that sits at a place in the
    stream does not sit at the same place in the array.
    """
    size = chip.profile.density_bytes
    data = bytearray(size)
    view = memoryview(data)

    def at(offset: int) -> Progress:
        def shifted(_: str, done: int, __: int, left_s: float | None) -> None:
            progress(step, offset + done, size, left_s)

        return shifted

    tail = size - first
    with address_mode(chip):
        read_into(
            chip,
            view[first:],
            start=first,
            kind=kind,
            sck_hz=sck_hz,
            step=step,
            progress=at(0),
            arriving=arriving,
        )
        if first:
            read_into(
                chip,
                view[:first],
                start=Address(0),
                kind=kind,
                sck_hz=sck_hz,
                step=step,
                progress=at(tail),
                arriving=arriving,
            )
    return bytes(data)


def read_bytes(
    chip: "Identified",
    start: Address,
    size: int,
    *,
    kind: ReadKind = ReadKind.FAST,
    sck_hz: int | None = None,
) -> bytes:
    """A short stretch of the array, in the entered mode, at the clock for `kind` unless told."""
    data = bytearray(size)
    read_into(
        chip,
        memoryview(data),
        start=start,
        kind=kind,
        sck_hz=sck_hz or read_hz(chip, kind),
        step="reading",
    )
    return bytes(data)
