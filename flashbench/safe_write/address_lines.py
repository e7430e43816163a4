"""Do addresses arrive as they are sent? Two whole reads alone cannot tell.

Where the same address bit of every frame is flipped or stuck, both reads of a chip begin at the
wrong place alike and agree on an image that is shifted. Short reads from places that have that
bit set do not fit into such an image.

The uppermost bit is different: flipped in every frame, it turns the chip by half for whatever
reads it, and no read of the array shows that. The chip's own tables (SFDP) lie at the start of
another space of 24 address bits, so that they are not found where they were; parts that do not
decode those bits leave it undetected.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from flashbench.chip import reading
from flashbench.chip._read_frames import SFDP_HZ_MAX, ReadKind, read_sfdp
from flashbench.chip.identity import Identified
from flashbench.chip.profile import Address

PLACE_BYTES: Final = 16
_CHUNK: Final = 1 << 20
_SFDP_BYTES: Final = 16
_TRIES_IF_UNSTABLE: Final = 3
_FAR_OFF_BYTES: Final = 4
_PLACES_MAX: Final = 256
_APART_BYTES: Final = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class OffAddress:
    """A place that reads otherwise than the whole reads have it; `bits` are those it was for."""

    place: Address
    bits: tuple[int, ...]

    def sentence(self, *, which_reads: str = "Both reads") -> str:
        """What was seen, in one sentence."""
        if len(self.bits) == 1:
            why = f"address bit {self.bits[0]} does not reach the chip as it is sent"
        elif self.bits:
            why = "an address bit does not reach the chip as it is sent"
        else:
            why = "bits or clocks are lost on the way"
        return (
            f"{which_reads} agree, but {PLACE_BYTES} bytes read again from {self.place:#08x} are"
            f" others: {why}, or the contact is not steady."
        )


def telling_places(image: bytes) -> dict[Address, tuple[int, ...]]:
    """Where to read again, each place with the address bits it tells of; empty for a blank image.

    At most two for each address bit: one that differs from what lies one step of that bit below
    it, where a stuck bit leads, and one that differs from what lies two steps below it, where a
    flipped bit leads if the image itself was read with that bit flipped.
    """
    data = np.frombuffer(image, np.uint8)
    places: dict[Address, tuple[int, ...]] = {}
    if not len(data) or bool((data == data[0]).all()):
        return places
    for bit in range((len(image) - 1).bit_length()):
        both = _first_telling(data, bit, (1, 2))
        found = [both] if both is not None else [_first_telling(data, bit, (n,)) for n in (1, 2)]
        for place in found:
            if place is not None:
                known = places.get(Address(place), ())
                places[Address(place)] = known if bit in known else (*known, bit)
    return places


def _first_telling(data: npt.NDArray[np.uint8], bit: int, steps: tuple[int, ...]) -> int | None:
    """The first address with `bit` set whose byte differs from each so many steps below it."""
    step = 1 << bit
    for start in range(0, len(data), _CHUNK):
        if step >= _CHUNK and not start & step:
            continue
        here = data[start : start + _CHUNK]
        telling = np.ones(len(here), bool)
        for n in steps:
            telling &= here != _from(data, start - n * step, len(here))
        if telling.any():
            telling &= ((start + np.arange(len(here))) & step) != 0
        if telling.any():
            return start + int(telling.argmax())
    return None


def _from(data: npt.NDArray[np.uint8], start: int, count: int) -> npt.NDArray[np.uint8]:
    """So many bytes from `start` on, which may lie below 0: addresses go round."""
    first = start % len(data)
    part = data[first : first + count]
    return part if len(part) == count else np.concatenate((part, data[: count - len(part)]))


def off_address(
    chip: Identified, image: bytes, *, sck_hz: int, is_unstable: bool = False
) -> OffAddress | None:
    """The first place that does not read as in `image`, or None: a few dozen short reads.

    Of a chip that `is_unstable` places all over it are asked, too, each three times. One is off
    if it reads alike each time and far off, as cells without a value do not.

    Raises:
        AdapterError: the bus failed; the chip was only read.
    """
    places = telling_places(image)
    if is_unstable:
        places = dict.fromkeys(_all_over(image), ()) | places
    with reading.address_mode(chip):
        for place, bits in places.items():
            expected = image[place : place + PLACE_BYTES]
            tries = [
                reading.read_bytes(chip, place, len(expected), kind=ReadKind.PLAIN, sck_hz=sck_hz)
                for _ in range(_TRIES_IF_UNSTABLE if is_unstable else 1)
            ]
            if _is_far_off(tries, expected) if is_unstable else tries != [expected]:
                return OffAddress(place=place, bits=bits)
    return None


def _all_over(image: bytes) -> list[Address]:
    return [
        Address(at) for at in range(0, len(image), max(_APART_BYTES, len(image) // _PLACES_MAX))
    ]


def _is_far_off(tries: Sequence[bytes], expected: bytes) -> bool:
    differing = sum(a != b for a, b in zip(tries[0], expected, strict=True))
    return len(set(tries)) == 1 and differing >= _FAR_OFF_BYTES


def tables_are_gone(chip: Identified) -> bool:
    """Whether the chip's own tables (SFDP), if it has any, do not read as before any more."""
    if chip.sfdp is None:
        return False
    known = chip.sfdp.raw[:_SFDP_BYTES]
    again = chip.run([read_sfdp(0, len(known))], sck_hz=min(chip.clock_hz, SFDP_HZ_MAX))
    return again != known
