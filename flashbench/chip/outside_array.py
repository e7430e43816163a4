"""What a chip holds beside its array: what a dump saves of it, and what is left out and why.

A copy of the array on another chip lacks what is left out; the user must know that beforehand.
Only instructions that the chip's own layout makes safe are sent: 48h reads a security register of
one maker and the function register of another (Winbond W25Q128JV Rev I, section 8.2.33; ISSI from
memory).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from flashbench.adapter._frame import Frame
from flashbench.chip import _read_frames as frames
from flashbench.chip.profile import ChipProfile

SECURITY_REGISTERS: Final = (1, 2, 3)
_SECURITY_LAYOUTS: Final = frozenset(
    {"Winbond", "Winbond 256 Mbit", "GigaDevice", "GigaDevice 256 Mbit"}
)
_SIZES: Final = (256, 512, 1024, 2048)
"""How large a security register may be: 256 bytes on Winbond, more on others [from memory]."""

_ONE_TIME_AREAS: Final = {
    "Macronix": "it is reached by a mode (B1h) that is not entered before a backup",
    "Macronix D": "it is reached by a mode (B1h) that is not entered before a backup",
    "ISSI": "its instructions share opcodes with others that change one-time bits",
    "Micron": "its instruction (4Bh) is the unique ID of other makers, so it is not sent",
    "Spansion": "its instruction (4Bh) is the unique ID of other makers, so it is not sent",
    "SST26": "its instruction (88h) is not known of every part with this ID",
}
"""What stands between a dump and the one-time area of these layouts. From memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotSaved:
    """One thing that a dump leaves out."""

    what: str
    why: str

    def sentence(self) -> str:
        """Both in one sentence."""
        return f"{self.what}: {self.why}."


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideArray:
    """`security_registers` by number, each as long as it was found to be."""

    security_registers: dict[int, bytes] = field(default_factory=dict)
    not_saved: tuple[NotSaved, ...] = ()


def read_outside_array(
    run: Callable[[Sequence[Frame]], bytes],
    profile: ChipProfile,
    *,
    four_byte: bool,
    has_sfdp: bool,
    has_unique_id: bool,
) -> OutsideArray:
    """Read what the layout makes safe to read, and say what is left out.

    `run` runs frames on the chip; `four_byte` says that it is in 4-byte address mode now.

    Raises:
        AdapterError: the bus failed.
    """
    registers: dict[int, bytes] = {}
    left_out: list[NotSaved] = []
    if profile.protection in _SECURITY_LAYOUTS:
        for number in SECURITY_REGISTERS:
            frame = frames.read_security_register(number, size=_SIZES[-1], four_byte=four_byte)
            reply = run([frame, frame])
            first, second = reply[: _SIZES[-1]], reply[_SIZES[-1] :]
            if first == second:
                registers[number] = _shortest(first)
            else:
                left_out.append(
                    NotSaved(what=f"security register {number}", why="two reads of it differ")
                )
    left_out += _never_read(profile, has_sfdp=has_sfdp, has_unique_id=has_unique_id)
    return OutsideArray(security_registers=registers, not_saved=tuple(left_out))


def _shortest(data: bytes) -> bytes:
    """A register read past its end repeats: cut to the first turn."""
    return next((data[:size] for size in _SIZES if data == data[:size] * (len(data) // size)), data)


def _never_read(profile: ChipProfile, *, has_sfdp: bool, has_unique_id: bool) -> list[NotSaved]:
    layout = profile.protection
    left_out = []
    if layout is None:
        left_out.append(
            NotSaved(
                what="registers other than status register 1",
                why="which this part has, and how they are read, is not known",
            )
        )
    if layout not in _SECURITY_LAYOUTS:
        left_out.append(
            NotSaved(
                what="one-time and security areas",
                why=_ONE_TIME_AREAS.get(layout or "", "how they are read is not known"),
            )
        )
    if layout == "Micron":
        left_out.append(
            NotSaved(
                what="non-volatile configuration register",
                why="its instruction (B5h) is not sent to a part that shares its ID",
            )
        )
    if not has_unique_id:
        left_out.append(NotSaved(what="unique ID", why="the chip is not known to have one"))
    if not has_sfdp:
        left_out.append(NotSaved(what="SFDP", why="the chip has none"))
    left_out.append(
        NotSaved(
            what="keys and counters of a part with replay protection (RPMC)",
            why="nobody can read them; on another chip the board may miss them",
        )
    )
    return left_out
