"""What the bench file says of the socket that a command uses, and what it forbids."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flashbench.cli.options import BenchOptions
from flashbench.errors import WrongCall

if TYPE_CHECKING:
    from flashbench.adapter import Adapter, ExtraPins
    from flashbench.bench.bench_file import BenchAdapter, BenchFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Sockets:
    """The bench file of a command, and what the command itself declares."""

    file: "BenchFile"
    options: BenchOptions

    @classmethod
    def of(cls, options: BenchOptions) -> "Sockets":
        """Read the bench file. Raises what `read_bench` raises."""
        from flashbench.bench.on_disk import read_bench

        return cls(file=read_bench(options.bench), options=options)

    @property
    def url(self) -> str | None:
        """The adapter that was named; a name of the bench file becomes its URL.

        Raises WrongCall for what is neither a URL nor a name of the bench file.
        """
        wanted = self.options.adapter
        named = self.file.named(wanted) if wanted else None
        if named is None:
            if wanted and ":" not in wanted:
                raise self._no_such_name(wanted)
            return wanted
        return f"ftdi://ftdi::{named.serial}/{named.interface}"

    def _no_such_name(self, wanted: str) -> WrongCall:
        names = ", ".join(repr(adapter.name) for adapter in self.file.adapters)
        if not names:
            return WrongCall(
                f"{wanted!r} is no URL of an adapter, and no bench file gives it that name.",
                next_step="See the URLs: flashbench adapters. Names come from a bench file:"
                " flashbench adapters --write-bench",
            )
        return WrongCall(
            f"The bench file names no adapter {wanted!r}.",
            next_step=f"Its names are {names}. URLs are shown by: flashbench adapters",
        )

    def pins_of(self, serial: str, interface: int) -> "ExtraPins | None":
        """What else is wired to this port, if the file says so."""
        socket = self.file.adapter(serial, interface=interface)
        return None if socket is None else socket.extra_pins

    def socket(self, adapter: "Adapter") -> "BenchAdapter | None":
        """What the file says of an opened adapter."""
        return self.file.adapter(adapter.facts.serial, interface=adapter.facts.interface)

    def demand_supply(self) -> None:
        """Raises WrongCall, before anything is opened, if no supply can be known."""
        if self.options.supply is None and not self.file.adapters:
            raise _undeclared("")

    def supply_volts(self, adapter: "Adapter") -> float:
        """The supply: declared with the command or by the bench file. No pin is driven yet.

        Raises:
            WrongCall: neither says it, or they contradict each other.
        """
        socket, declared = self.socket(adapter), self.options.supply
        if socket is None:
            if declared is None:
                serial = adapter.facts.serial or "none"
                raise _undeclared(f" This adapter (serial {serial}) is not in the bench file.")
            return declared
        if declared is not None and not socket.is_declared(declared):
            raise WrongCall(
                f"--supply says {declared:g} V, but by the bench file {socket.sentence()}.",
                next_step="Measure it at the socket; then leave --supply out or correct the file.",
            )
        return socket.supply_volts

    @contextmanager
    def naming_the_right_one(self) -> Iterator[None]:
        """A part that another socket of the bench is made for is sent there.

        Raises:
            OtherSupply: as it was raised inside; its way on names the socket.
        """
        from flashbench.chip.supply import OtherSupply

        try:
            yield
        except OtherSupply as error:
            right = self.file.for_part(error.takes)
            if right is not None:
                error.next_step += (
                    f" This part needs {right.supply_volts:g} V: '{right.name}' (serial"
                    f" {right.serial}) is the bench for it."
                )
            raise


def _undeclared(why: str) -> WrongCall:
    return WrongCall(
        f"The supply is not declared, so no pin was driven.{why}",
        next_step="Read the chip's marking, look its supply up, set the bench to it, and say what"
        " the bench supplies: --supply 3.3 or --supply 1.8.",
    )
