"""What goes on upon the SPI lines while the adapter drives none of them. Pure arithmetic.

Pins that are inputs have weak pull-ups (about 75 kOhm in an FTDI H-series chip, from memory), so
a line that nobody drives reads a steady 1. The engine looks at its pins with 81h (AN_108), many
times in one transfer, in short bursts that lie apart unevenly: a clock is seen inside a burst, and
a frame that lasts longer than a gap is never missed. What is shorter may be.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from flashbench.adapter import mpsse

LOOKS_A_BURST: Final = 8
BURSTS: Final = 108  # their looks fit the reply FIFO of an FT232H, so the engine never waits
LISTENING_HZ: Final = 1_000_000
_GAP_OCTETS: Final = (9, 23, 13, 19, 11, 21)  # of SCK each; the pin is an input, nothing moves
LINES: Final = {"SCK": mpsse.SCK, "MOSI": mpsse.MOSI, "MISO": mpsse.MISO, "CS#": mpsse.CS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What some looks at the lines saw. `changes` is by line: looks unlike the one before.

    `held_low` are the lines that read 0 in every look.
    """

    looks: int
    changes: dict[str, int]
    held_low: tuple[str, ...]


def look_stream() -> tuple[bytes, int, float]:
    """The commands of one transfer, the replies they make, and the seconds the engine needs."""
    stream = bytearray()
    clocks = 0
    for number in range(BURSTS):
        octets = _GAP_OCTETS[number % len(_GAP_OCTETS)]
        stream += bytes([mpsse.GET_LOW_PINS]) * LOOKS_A_BURST + mpsse.idle_clocks(8 * octets)
        clocks += 8 * octets
    looks = BURSTS * LOOKS_A_BURST
    return bytes(stream), looks, clocks / LISTENING_HZ + (looks + BURSTS) * mpsse.COMMAND_S


def heard(levels: bytes) -> Heard:
    """What `levels`, the low byte of the port look by look, say of the four lines."""
    moved = dict.fromkeys(LINES, 0)
    if len(set(levels)) > 1:
        for before, after in pairwise(levels):
            for line, mask in LINES.items():
                moved[line] += bool((before ^ after) & mask)
    seen_high = 0
    for level in set(levels):
        seen_high |= level
    return Heard(
        looks=len(levels),
        changes={line: count for line, count in moved.items() if count},
        held_low=tuple(line for line, mask in LINES.items() if levels and not seen_high & mask),
    )
