"""What an opened adapter can do, seen from the rooms above. Not public: see `_frame`."""

from collections.abc import Callable, Sequence
from typing import Protocol

from flashbench.adapter._frame import Frame
from flashbench.adapter.listening import Heard

Arrived = Callable[[int], None]
"""Called between USB transfers with the count of reply bytes that lie in the buffer so far.

An exception out of it stops the run: the stream is aborted, purge, sync and CS# high are done,
then the exception goes on to the caller of `run`.
"""


class Wire(Protocol):
    """Runs frames on the bus of one adapter."""

    @property
    def switches_supply(self) -> bool:
        """Whether the chip loses its supply when the pins are turned off."""
        ...

    def true_hz(self, limit_hz: int) -> int:
        """The fastest SCK the adapter can make that is not above `limit_hz`."""
        ...

    def listen(self, *, supply_on: bool) -> Heard | None:
        """Look at the lines while they are inputs, for some 30 ms; None if they are driven.

        With `supply_on` a supply that the adapter switches is on meanwhile, and stays on.

        Raises:
            AdapterError: the adapter does not answer as it must, or is gone.
        """
        ...

    def drive_pins(self) -> None:
        """Turn SCK, MOSI, CS# (high) and the held-high GPIOs into outputs. Idempotent."""
        ...

    def release_pins(self) -> None:
        """Turn every pin into an input again. Idempotent; never raises for a lost adapter."""
        ...

    def run(
        self,
        frames: Sequence[Frame],
        *,
        sck_hz: int,
        into: memoryview,
        arrived: Arrived | None = None,
    ) -> None:
        """Run `frames` in order and fill `into` with their replies, one behind the other.

        `len(into)` equals the sum of the frames' `reply_size`. `sck_hz` is rounded down to
        what the adapter can make. Returns only when the last frame has run and its `wait_us`
        has passed.

        Raises:
            AdapterError: names the first frame not known to have run, and how many surely and
                may have run. Purge, sync and CS# high are done by then, as far as the adapter
                still answers. An unplugged adapter is `AdapterGone`.
        """
        ...

    def resynchronise(self) -> None:
        """Drop everything queued, prove the engine is in step, raise CS#."""
        ...
