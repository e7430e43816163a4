"""What else than the adapter sets the level of the SPI lines, in virtual time.

On a board the flash chip's own controller may be alive, and drive SCK, MOSI and CS# whenever it
likes; resistors, and parts without supply, hold lines low that nobody drives.
"""

from math import inf

from flashbench.rehearsal.faults import ArmedFaults, LineHeldLow, SecondMaster

SCK, MOSI, MISO, CS = 0x01, 0x02, 0x04, 0x08
_MASKS = {"SCK": SCK, "MOSI": MOSI, "MISO": MISO, "CS#": CS}
_MASTERS_LINES = SCK | MOSI | CS


class OtherDrivers:
    """The lines of one port as they are without the adapter."""

    def __init__(self, armed: ArmedFaults) -> None:
        self._masters: tuple[SecondMaster, ...] = armed.of(SecondMaster)
        self._held: tuple[LineHeldLow, ...] = armed.of(LineHeldLow)

    @property
    def steady(self) -> bool:
        """Whether no line changes by itself, ever."""
        return not self._masters and all(held.until_s == inf for held in self._held)

    def driven(self, at_s: float) -> int:
        """The lines that another chip's outputs hold at this moment, high or low."""
        alive = any(at_s >= master.begins_s for master in self._masters)
        return _MASTERS_LINES if alive else 0

    def level(self, at_s: float) -> int:
        """What all sixteen pins read while the adapter drives none: 1 by its pull-ups."""
        level = 0xFFFF
        for held in self._held:
            if at_s < held.until_s:
                level &= ~_MASKS[held.line]
        for master in self._masters:
            if at_s >= master.begins_s:
                level = level & ~_MASTERS_LINES | _level_of(master, at_s - master.begins_s)
        return level


def frame_under_way(master: SecondMaster, at_s: float) -> bool:
    """Whether this master holds CS# low at this moment."""
    alive_s = at_s - master.begins_s
    return alive_s >= 0 and not _level_of(master, alive_s) & CS


def _level_of(master: SecondMaster, alive_s: float) -> int:
    """SCK, MOSI and CS# of a master that has run so long: mode 0, SCK rests low."""
    since_frame_s = alive_s % (master.every_us * 1e-6)
    half_clocks = int(since_frame_s * 2 * master.sck_hz)
    if half_clocks >= 16 * master.frame_bytes:
        return CS
    bit = half_clocks // 2
    mosi = MOSI if (bit * 2654435761) >> 9 & 1 else 0
    return mosi | (SCK if half_clocks & 1 else 0)
