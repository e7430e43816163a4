"""Which of the layouts in a chip's own sector map is in force, found by the reads the map asks for.

The map (JESD216, table FF81) is the chip's word, and a misread table must not become a strange
command: only 65h and 05h are sent on it. A layout that is not certain is not chosen; what erases
then is what works in every layout.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from chipdb.sfdp import MapSelection, SectorLayout, Sfdp
from flashbench.adapter._frame import Frame
from flashbench.chip import _read_frames as frames
from flashbench.chip._read_frames import Register

_READ_ANY_REGISTER: Final = 0x65
_READ_STATUS: Final = 0x05
_USUAL_WAIT_STATES: Final = 8
_LATENCY_REGISTER: Final = 0x800003
"""CR2V of S25FS-S and S25H: bits 3:0 the wait states, bit 7 4-byte addresses. From memory."""
_USUAL_LATENCY: Final = 0x08
_LATENCY_BITS: Final = 0x8F

Run = Callable[[Sequence[Frame]], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenLayout:
    """The layout in force, or None and why it is not known."""

    layout: SectorLayout | None = None
    doubt: str | None = None


def choose_layout(run: Run, sfdp: Sfdp | None) -> ChosenLayout:
    """Ask the chip which layout of its sector map is in force. `run` runs frames on it.

    Raises:
        AdapterError: the bus failed.
    """
    found = sfdp.sector_map if sfdp is not None else None
    if found is None or not found.selections:
        return ChosenLayout(layout=found.fixed if found is not None else None)
    strange = [s.opcode for s in found.selections if _frame(s) is None]
    if strange:
        return ChosenLayout(
            doubt=f"The sector map would be chosen by {strange[0]:02X}h in a form that is not sent"
            " on a chip's own word: its layout is not known."
        )
    if any(s.wait_states is None for s in found.selections) and not _has_usual_latency(run):
        return ChosenLayout(
            doubt="How register reads of this chip are timed is not known, so which layout of its"
            " sector map is in force is not known."
        )
    answers = [_steady(run, selection) for selection in found.selections]
    if None in answers:
        return ChosenLayout(
            doubt="Reads of the registers that choose the sector map differ: its layout is not"
            " known."
        )
    layout = found.chosen([answer for answer in answers if answer is not None])
    if layout is None:
        return ChosenLayout(doubt="The sector map has no layout for the settings of this chip.")
    return ChosenLayout(layout=layout)


def _frame(selection: MapSelection) -> Frame | None:
    """The frame of a selection; None where it is not one that may be sent."""
    if selection.opcode == _READ_STATUS and selection.address_bytes == 0:
        return frames.read_register(Register.STATUS_1, 3)
    waits = _USUAL_WAIT_STATES if selection.wait_states is None else selection.wait_states
    if selection.opcode != _READ_ANY_REGISTER or waits % 8 or selection.address_bytes == 0:
        return None
    address_bytes = selection.address_bytes or 3
    if selection.address >> 8 * address_bytes:
        return None
    return frames.read_any_register(
        selection.address, address_bytes=address_bytes, wait_bytes=waits // 8
    )


def _steady(run: Run, selection: MapSelection) -> int | None:
    frame = _frame(selection)
    if frame is None:
        return None
    reply = run([frame, frame])
    return reply[0] if len(set(reply)) == 1 else None


def _has_usual_latency(run: Run) -> bool:
    """Whether the register that holds the wait states reads as 8, when read after 8 of them.

    Read after another number it would come shifted, and in 4-byte mode from another address.
    """
    frame = frames.read_any_register(
        _LATENCY_REGISTER, address_bytes=3, wait_bytes=_USUAL_WAIT_STATES // 8
    )
    reply = run([frame, frame])
    return len(set(reply)) == 1 and reply[0] & _LATENCY_BITS == _USUAL_LATENCY
