"""What `open_adapter` returns: a handle with no way to send bytes."""

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from flashbench.adapter._wire import Wire
from flashbench.adapter.time_source import TimeSource
from flashbench.errors import AdapterError, FlashbenchError


@dataclass(slots=True)
class Session:
    """One opening of one adapter. Evidence made in one session is refused in another.

    `change_count` goes up with every frame sent that can change a cell or a register, so that
    evidence also knows whether anything has been changed since it was made.
    """

    id: str = field(default_factory=lambda: secrets.token_hex(8))
    change_count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterFacts:
    """What the adapter says of itself over USB, for job files and sentences."""

    chip: str  # "FT232H", "FT2232H", "FT4232H"
    interface: int
    product: str
    serial: str
    url: str
    port_numbers: tuple[int, ...] = ()  # the USB sockets from the root hub on


class Adapter:
    """An opened adapter; close it, or use it in a `with`. Made by `open_adapter` only.

    Its pins are inputs until a chip is identified on it with its supply declared, and inputs
    again after `close`. `clock_hz` is the SCK it really makes, in whole Hz rounded down.
    """

    def __init__(
        self,
        wire: Wire,
        *,
        facts: AdapterFacts,
        clock_hz: int,
        time: TimeSource,
        give_back: Callable[[], None] | None = None,
    ) -> None:
        """`give_back` is called once, last, when the adapter is closed."""
        self._wire = wire
        self._give_back = give_back
        self._closed = False
        self._last_words: list[Callable[[], None]] = []
        self.facts = facts
        self.clock_hz = wire.true_hz(clock_hz)
        self._change_hz_max: int | None = None
        self.time = time
        self.session = Session()

    def before_release(self, last_words: Callable[[], None]) -> None:
        """Have `last_words` called when the adapter is closed, right before its pins go off.

        It may run frames. A bus that fails there is let go in silence: nothing depends on it.
        """
        self._last_words.append(last_words)

    @contextmanager
    def clock_limited_to(self, hz: int) -> Iterator[None]:
        """`clock_hz` is at most `hz` while this lasts: for a look before the clock is proven."""
        before = self.clock_hz
        self.clock_hz = min(before, self._wire.true_hz(hz))
        try:
            yield
        finally:
            self.clock_hz = before

    @property
    def change_clock_hz(self) -> int:
        """SCK of frames that can change a chip: `clock_hz`, or less while that is limited."""
        return min(self.clock_hz, self._change_hz_max or self.clock_hz)

    @contextmanager
    def changes_limited_to(self, hz: int) -> Iterator[None]:
        """`change_clock_hz` is at most `hz` while this lasts."""
        before = self._change_hz_max
        self._change_hz_max = self._wire.true_hz(hz)
        try:
            yield
        finally:
            self._change_hz_max = before

    @property
    def closed(self) -> bool:
        """True once `close` was called; nothing made with this adapter is good any more."""
        return self._closed

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self.close()
        except AdapterError:
            if error is None:
                raise
            # What went wrong first says what became of the chip, and must be heard.

    def close(self) -> None:
        """Make every pin an input and give the device back. Idempotent.

        Raises:
            AdapterReplyWrong: the adapter is there but does not turn its pins off. The device
                is given back all the same. A lost adapter raises nothing.
        """
        if self._closed:
            return
        self._closed = True
        for last_words in self._last_words:
            with suppress(FlashbenchError):  # also where its pins are inputs by now
                last_words()
        try:
            self._wire.release_pins()
        except AdapterError as error:
            error.state = "What was done is done, but the adapter's pins may still be on."
            raise
        finally:
            if self._give_back is not None:
                self._give_back()
