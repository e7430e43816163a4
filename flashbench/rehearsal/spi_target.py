"""What stands at the end of the four wires: our own NOR model, or another one in its place."""

from typing import Protocol


class SpiTarget(Protocol):
    """One SPI device, mode 0, most significant bit first, clocked in whole bytes.

    Times are seconds on the bench's clock; `byte_s` is how long one byte takes on the wire, so
    byte `i` of a call lies at `at_s + i * byte_s`.
    """

    @property
    def answering(self) -> bool:
        """Whether the device drives MISO from the next clock on, whatever MOSI says."""
        ...

    def select(self, at_s: float) -> None:
        """CS# falls."""
        ...

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        """The host clocks `data` out on MOSI and does not look at MISO."""
        ...

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        """The host clocks `count` bytes in from MISO."""
        ...

    def deselect(self, at_s: float, stray_bits: int) -> None:
        """CS# rises, `stray_bits` (0 to 7) clocks after the last whole byte."""
        ...


class EmptySocket:
    """Nobody drives MISO: the pull-up of the adapter reads as ones."""

    answering = True

    def select(self, at_s: float) -> None:
        pass

    def shift_out(self, data: bytes, at_s: float, byte_s: float) -> None:
        pass

    def shift_in(self, count: int, at_s: float, byte_s: float) -> bytes:
        return b"\xff" * count

    def deselect(self, at_s: float, stray_bits: int) -> None:
        pass
