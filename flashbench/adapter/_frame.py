"""The narrow waist: one chip-select-low period as data.

A `Frame` can only be made with the seal, and the seal is handed to two modules: the reading
frames of `chip/_read_frames.py` and the changing frames of `safe_write/_change_frames.py`.
`tests/test_house.py` walks the imports and fails if any other module takes it.
"""

from dataclasses import InitVar, dataclass
from typing import Final

FRAME_SEAL: Final = object()


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Chip select low, `out` shifted out, `reply_size` bytes shifted in, chip select high.

    `wait_us` is time with chip select high that must pass before the next frame begins; the
    adapter may spend it clocking (the chip is deselected) or waiting. `name` is for sentences,
    in the datasheet's words and with the opcode: "read JEDEC ID (9Fh)".
    """

    name: str
    out: bytes
    reply_size: int = 0
    wait_us: int = 0
    seal: InitVar[object] = None

    def __post_init__(self, seal: object) -> None:
        if seal is not FRAME_SEAL:
            raise TypeError("Frame has no public constructor: identify a chip and read it instead")
        if not 1 <= len(self.out) <= 65536:
            raise ValueError(f"a frame sends 1 to 65536 bytes, not {len(self.out)}")
        if self.reply_size < 0 or self.wait_us < 0:
            raise ValueError("reply_size and wait_us are counts")
