"""The one clock of a bench, and what the host and the bus cost on it.

All figures are a model. Sources: USB 2.0 (bulk packets of 512 bytes, at most 13 in a microframe
of 125 us), FTDI AN_114 (0.2 us a command), pyftdi (0.5 us a command, latency timer 16 ms).
The 35 MB/s of a draining FIFO and the host gap of 60 to 1000 us are common practice, from memory.
"""

from dataclasses import dataclass
from typing import Protocol

PACKET_BYTES = 512
PAYLOAD_BYTES = 510  # a packet to the host begins with two status bytes
COMMAND_S = 0.5e-6
PACKET_S = PACKET_BYTES / 35e6
HOST_GAP_US_DEFAULT = 125.0


class VirtualTime:
    """A clock that stands still until somebody waits. Shaped like the adapter's time source."""

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        """Seconds since this bench was made."""
        return self._now_s

    def wait_s(self, seconds: float) -> None:
        """Let `seconds` pass; a negative wait is no wait."""
        if seconds > 0:
            self._now_s += seconds

    def reach(self, at_s: float) -> None:
        """Let time pass until `at_s`, if that is still to come."""
        self._now_s = max(self._now_s, at_s)


class HostGap(Protocol):
    """What passes on the host before a synchronous USB transfer reaches the bus.

    A measurement may answer with the CPU time its own code took since the last transfer ended.
    """

    def transfer_begins(self) -> float:
        """Seconds to charge before this transfer."""
        ...

    def transfer_ends(self) -> None:
        """The transfer is over and the host's code runs again."""
        ...


@dataclass(frozen=True, slots=True)
class FixedHostGap:
    """The same gap before every transfer."""

    gap_us: float = HOST_GAP_US_DEFAULT

    def transfer_begins(self) -> float:
        return self.gap_us * 1e-6

    def transfer_ends(self) -> None:
        pass
