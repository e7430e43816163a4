"""What else of a port is wired than the four lines of SPI: WP#, HOLD#, a switch for the supply.

Pins are numbered as the engine has them: 0 to 7 are xDBUS0 to 7, 8 to 15 are xCBUS0 to 7.
"""

import re
from dataclasses import dataclass
from typing import Final

_NAME: Final = re.compile(r"([DC])([0-7])")
_FREE: Final = 0xFFF0  # the first four are SCK, MOSI, MISO and CS#
_LOW: Final = 0xFF


def pin_mask(name: str) -> int | None:
    """The bit of a free pin, named D4 to D7 (xDBUS) or C0 to C7 (xCBUS); None for no such pin."""
    match = _NAME.fullmatch(name)
    if match is None:
        return None
    mask = 1 << int(match[2]) << (8 if match[1] == "C" else 0)
    return mask if mask & _FREE else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraPins:
    """Masks of the pins that a driven port holds beside SPI.

    `held_high` are WP# and HOLD#. `power` is the one pin that switches the chip's supply, 0 if
    there is none; it is on before any other pin is driven and off after the others are inputs.
    """

    held_high: int = 0
    power: int = 0
    power_on_high: bool = True
    settle_s: float = 0.05  # from on to the first signal, and from off to the end

    def __post_init__(self) -> None:
        if (self.held_high | self.power) & ~_FREE:
            raise ValueError("only xDBUS4 to 7 and xCBUS0 to 7 are free")
        if self.power & (self.power - 1) or self.power & self.held_high:
            raise ValueError("one pin switches the supply, and it does nothing else")
        if not 0 <= self.settle_s <= 5:
            raise ValueError("a supply settles within 5 s")

    @property
    def outputs(self) -> int:
        """All of them."""
        return self.held_high | self.power

    @property
    def high(self) -> int:
        """Those that are high while the supply is on."""
        return self.held_high | (self.power if self.power_on_high else 0)

    @property
    def needs_wide_port(self) -> bool:
        """Whether an xCBUS pin is among them, which an FT4232H does not have."""
        return bool(self.outputs & ~_LOW)


AS_WIRED_WITHOUT_A_WORD: Final = ExtraPins(held_high=0xF0)
"""xDBUS4 to 7 high: what `hardware_notes/wiring.md` wires, for a bench that says nothing."""
