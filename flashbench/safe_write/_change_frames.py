"""Every frame that can change a chip. Built nowhere else, and only with a Plan in hand.

06h and 50h are built here too, so they cannot be sent before a Backup exists. Not built at all:
one-time bits (security-register locks, WPSEL 68h, B1h), C4h and every other erase of a die.
Forms: SPI NOR datasheets, e.g. Winbond W25Q128JV Rev I, section 8.2.
"""

from typing import Final

from flashbench.adapter._frame import FRAME_SEAL, Frame
from flashbench.chip import _read_frames as read_frames
from flashbench.chip._read_frames import Register
from flashbench.chip.profile import Address, AddressMode, EraseKind
from flashbench.chip.reading import address_bytes
from flashbench.safe_write.plan import Plan

_PROGRAM_4BYTE: Final = 0x12
_PROGRAM_3BYTE: Final = 0x02
_REGISTER_WRITES: Final = {0x01: (1, 2), 0x31: (1,), 0x11: (1,), 0x98: (0,), 0x7E: (0,)}
_BLOCK_LOCKS: Final = {0x36: "lock", 0x39: "unlock"}
_SETTLE_US: Final = 1


class ChangeFrames:
    """Makes the changing frames of one Plan, for the chip the Plan is bound to."""

    def __init__(self, plan: Plan) -> None:
        plan.demand_running()
        self._profile = plan.chip.profile
        self._address_bytes = address_bytes(self._profile)

    def write_enable(self) -> Frame:
        """Set the write enable latch (06h)."""
        return Frame(name="write enable (06h)", out=b"\x06", seal=FRAME_SEAL)

    def write_disable(self) -> Frame:
        """Clear the write enable latch (04h)."""
        return Frame(name="write disable (04h)", out=b"\x04", seal=FRAME_SEAL)

    def volatile_write_enable(self) -> Frame:
        """Open the status registers' volatile copies for one write (50h)."""
        return Frame(name="volatile write enable (50h)", out=b"\x50", seal=FRAME_SEAL)

    def status(self, samples: int = 1, *, wait_us: int = 0) -> Frame:
        """Read status register 1, for the evidence before and after a change."""
        return read_frames.read_register(Register.STATUS_1, samples, wait_us=wait_us)

    def erase(self, kind: EraseKind, start: Address) -> Frame:
        """Erase the unit at `start`, which must be aligned to the unit's size.

        Raises:
            ValueError: the address is not the start of a unit, or lies outside the array.
        """
        if start % kind.size or not 0 <= start < self._profile.density_bytes:
            raise ValueError(f"{start:#x} is not the start of a {kind.size}-byte erase unit")
        out = bytes([kind.opcode]) + start.to_bytes(self._address_bytes, "big")
        return Frame(name=f"erase ({kind.opcode:02X}h) at {start:#08x}", out=out, seal=FRAME_SEAL)

    def chip_erase(self) -> Frame:
        """Erase the whole array; only for profiles that allow it (one die, proven size)."""
        erase = self._profile.chip_erase
        if erase is None:
            raise ValueError("this chip is never erased as a whole")
        out = bytes([erase.opcode])
        return Frame(name=f"chip erase ({erase.opcode:02X}h)", out=out, seal=FRAME_SEAL)

    def program(self, start: Address, data: bytes, *, wait_us: int) -> Frame:
        """Program `data`, which must not cross a page, and wait `wait_us` afterwards."""
        page = self._profile.page_size
        if not data or start // page != (start + len(data) - 1) // page:
            raise ValueError(f"{len(data)} bytes at {start:#x} do not lie in one page")
        dedicated = self._profile.address_mode is AddressMode.DEDICATED_4BYTE
        opcode = _PROGRAM_4BYTE if dedicated else _PROGRAM_3BYTE
        out = bytes([opcode]) + start.to_bytes(self._address_bytes, "big") + data
        name = f"page program ({opcode:02X}h) at {start:#08x}"
        return Frame(name=name, out=out, wait_us=wait_us, seal=FRAME_SEAL)

    def write_register(self, opcode: int, data: bytes) -> Frame:
        """Write a status register (01h, 31h, 11h) or all volatile block locks (98h, 7Eh).

        Raises:
            ValueError: any other opcode, or a length that none of them takes.
        """
        lengths = _REGISTER_WRITES.get(opcode, ())
        if len(data) not in lengths:
            raise ValueError(f"{opcode:02X}h with {len(data)} bytes writes no register here")
        name = f"register write ({opcode:02X}h)"
        return Frame(name=name, out=bytes([opcode]) + data, wait_us=_SETTLE_US, seal=FRAME_SEAL)

    def block_lock(self, opcode: int, start: Address) -> Frame:
        """Lock (36h) or unlock (39h) the one block at `start` until the next power-up.

        Raises:
            ValueError: any other opcode, or a block that 3 address bytes do not reach.
        """
        if opcode not in _BLOCK_LOCKS or not 0 <= start < 1 << 24:
            raise ValueError(f"{opcode:02X}h at {start:#x} locks or unlocks no block here")
        out = bytes([opcode]) + start.to_bytes(3, "big")
        name = f"{_BLOCK_LOCKS[opcode]} block ({opcode:02X}h) at {start:#08x}"
        return Frame(name=name, out=out, wait_us=_SETTLE_US, seal=FRAME_SEAL)
