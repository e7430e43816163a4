"""Every frame that reads a chip. The closed list of opcodes that may be sent before a backup.

Opcodes and forms: SPI NOR datasheets, e.g. Winbond W25Q128JV Rev I, section 8; JESD216 for 5Ah.
None of these frames can change a cell or a non-volatile bit. 06h and 50h are not here.
"""

from enum import Enum
from typing import Final

from flashbench.adapter._frame import FRAME_SEAL, Frame
from flashbench.chip.profile import Address

READ_FRAME_BYTES_MAX: Final = 16 * 1024 * 1024
SFDP_HZ_MAX: Final = 50_000_000  # JESD216: 5Ah works at 50 MHz on every part [from memory]
RELEASE_US: Final = 500  # the longest tRES1 seen in the parts' own SFDP is 448 us (S25FS256T)
SETTLE_US: Final = 5


class ReadKind(Enum):
    """The two read instructions, so that two reads can go two ways."""

    PLAIN = "read"
    FAST = "fast read"


_ARRAY_OPCODES: Final = {
    (ReadKind.PLAIN, False): 0x03,
    (ReadKind.FAST, False): 0x0B,
    (ReadKind.PLAIN, True): 0x13,
    (ReadKind.FAST, True): 0x0C,
}


class Register(Enum):
    """A status or configuration register: its datasheet name and the opcode that reads it.

    Which of them a chip has is a matter of its layout: 35h asks an SR2 here and switches
    another maker's chip to four wires, so nothing is read on a guess.
    """

    STATUS_1 = ("status register 1", 0x05)
    STATUS_2 = ("status register 2", 0x35)
    STATUS_3 = ("status register 3", 0x15)
    CONFIGURATION = ("configuration register", 0x15)
    CONFIGURATION_1 = ("configuration register 1", 0x35)
    SECURITY = ("security register", 0x2B)
    FUNCTION = ("function register", 0x48)
    FLAG_STATUS = ("flag status register", 0x70)
    EXTENDED_ADDRESS = ("extended address register", 0xC8)

    @property
    def opcode(self) -> int:
        """The instruction that reads this register."""
        return self.value[1]


def read_id(id_bytes: int = 6) -> Frame:
    """Read `id_bytes` of the JEDEC ID (9Fh)."""
    return Frame(
        name="read JEDEC ID (9Fh)", out=b"\x9f", reply_size=id_bytes, wait_us=0, seal=FRAME_SEAL
    )


def release_power_down() -> Frame:
    """Release from deep power-down (ABh) and wait until the chip answers."""
    return Frame(
        name="release from deep power-down (ABh)",
        out=b"\xab",
        wait_us=RELEASE_US,
        seal=FRAME_SEAL,
    )


def enter_power_down() -> Frame:
    """Enter deep power-down (B9h): for a chip that was found there."""
    return Frame(name="enter deep power-down (B9h)", out=b"\xb9", seal=FRAME_SEAL)


def read_sfdp(offset: int, size: int) -> Frame:
    """Read `size` bytes of SFDP from `offset`: 3 address bytes always, 8 dummy clocks."""
    out = b"\x5a" + offset.to_bytes(3, "big") + b"\x00"
    return Frame(name="read SFDP (5Ah)", out=out, reply_size=size, seal=FRAME_SEAL)


def read_register(register: Register, samples: int = 1, *, wait_us: int = 0) -> Frame:
    """Read a register `samples` times in one chip-select period; each byte is fresh."""
    return Frame(
        name=f"read {register.value[0]} ({register.opcode:02X}h)",
        out=bytes([register.opcode]),
        reply_size=samples,
        wait_us=wait_us,
        seal=FRAME_SEAL,
    )


def read_unique_id(*, four_byte: bool) -> Frame:
    """Read the 64-bit factory number (4Bh), the form of Winbond and alike."""
    dummies = 5 if four_byte else 4
    return Frame(
        name="read unique ID (4Bh)", out=b"\x4b" + bytes(dummies), reply_size=8, seal=FRAME_SEAL
    )


def read_security_register(number: int, *, size: int, four_byte: bool) -> Frame:
    """Read `size` bytes of security register 1, 2 or 3 (48h), the form of Winbond and alike.

    On other makers' chips 48h is another instruction: see `chip/outside_array.py`.
    """
    address = (number << 12).to_bytes(4 if four_byte else 3, "big")
    return Frame(
        name=f"read security register {number} (48h)",
        out=b"\x48" + address + b"\x00",
        reply_size=size,
        seal=FRAME_SEAL,
    )


def read_any_register(address: int, *, address_bytes: int, wait_bytes: int) -> Frame:
    """Read the register at `address` (65h) over three bytes, which all say the same.

    Sent only where the chip's own sector map asks for it. S25FS-S and S25H; others ignore it.
    """
    out = b"\x65" + address.to_bytes(address_bytes, "big") + bytes(wait_bytes)
    return Frame(name=f"read register {address:#08x} (65h)", out=out, reply_size=3, seal=FRAME_SEAL)


def read_block_lock(start: Address, *, opcode: int, address_bytes: int) -> Frame:
    """Read whether the block at `start` is locked: 3Dh (Winbond) or 3Ch (Macronix).

    Raises:
        ValueError: another opcode.
    """
    if opcode not in (0x3D, 0x3C):
        raise ValueError(f"{opcode:02X}h reads no block lock here")
    out = bytes([opcode]) + start.to_bytes(address_bytes, "big")
    name = f"read block lock ({opcode:02X}h) at {start:#08x}"
    return Frame(name=name, out=out, reply_size=1, seal=FRAME_SEAL)


def read_array(
    start: Address, size: int, *, kind: ReadKind, address_bytes: int, dedicated: bool
) -> Frame:
    """Read `size` bytes of the array. `dedicated` picks the opcodes that always take 4 bytes.

    Raises:
        ValueError: the frame would cross a 16 MiB boundary.
    """
    if start // READ_FRAME_BYTES_MAX != (start + size - 1) // READ_FRAME_BYTES_MAX:
        raise ValueError(f"a read frame may not cross 16 MiB: {start:#x} + {size:#x}")
    opcode = _ARRAY_OPCODES[kind, dedicated]
    dummy = b"\x00" if kind is ReadKind.FAST else b""
    out = bytes([opcode]) + start.to_bytes(address_bytes, "big") + dummy
    name = f"{kind.value} ({opcode:02X}h) from {start:#08x}"
    return Frame(name=name, out=out, reply_size=size, seal=FRAME_SEAL)


def enter_4byte_mode() -> Frame:
    """Enter 4-byte address mode (B7h): a volatile mode, left again by `leave_4byte_mode`."""
    return Frame(name="enter 4-byte mode (B7h)", out=b"\xb7", wait_us=SETTLE_US, seal=FRAME_SEAL)


def leave_4byte_mode() -> Frame:
    """Leave 4-byte address mode (E9h)."""
    return Frame(name="leave 4-byte mode (E9h)", out=b"\xe9", wait_us=SETTLE_US, seal=FRAME_SEAL)
