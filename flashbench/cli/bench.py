"""The way from options to an identified chip, and back to an adapter with its pins off."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from flashbench.cli.bars import Bars
from flashbench.cli.options import FASTEST_HZ, BenchOptions
from flashbench.cli.output import Output, hz_text
from flashbench.cli.sockets import Sockets
from flashbench.cli.stopping import Stopping
from flashbench.cli.terminal import someone_can_be_asked
from flashbench.errors import AdapterError, Declined, WrongCall
from flashbench.wording import quoted

if TYPE_CHECKING:
    from flashbench.adapter import Adapter
    from flashbench.bench.bench_file import BenchAdapter
    from flashbench.chip.identity import Identified

Identify = Callable[["Adapter", float], "Identified"]
"""Identifies the chip on an adapter, at a supply in volts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AtBench:
    """An identified chip, and what long work on it needs."""

    chip: "Identified"
    progress: Bars
    stopping: Stopping
    model_time: bool
    socket: "BenchAdapter | None"  # what the bench file says of it

    def settle(self, output: Output, question: str, *, yes: bool) -> None:
        """Ask before something that cannot be taken back.

        Raises:
            Declined: the answer was not yes.
        """
        self.progress.close()
        if yes:
            return
        with self.stopping.at_a_prompt():
            agreed = output.ask(question)
        if not agreed:
            raise Declined("You did not say yes.", next_step="Nothing more was done.")


def demand_someone_to_ask(output: Output, *, yes: bool) -> None:
    """Raises WrongCall where a question could not be answered."""
    if yes or someone_can_be_asked(output):
        return
    why = "with --json nobody is asked" if output.json else "there is no terminal to ask at"
    raise WrongCall(
        f"This command asks before it changes the chip, and {why}.",
        next_step="Run it at a terminal, or say yes beforehand with --yes.",
    )


@contextmanager
def opened_adapter(output: Output, options: BenchOptions, sockets: Sockets) -> Iterator["Adapter"]:
    """The adapter that was named, or the only one; what goes over it is traced if wanted.

    Raises:
        AdapterUnavailable: none, several, or something stands in the way.
        WrongCall: the URL is not understood, or the trace file does not open.
        AdapterError: all went well, but afterwards the pins did not turn off.
    """
    from flashbench.adapter import open_only_adapter, open_url
    from flashbench.adapter.find import DEFAULT_CLOCK_HZ
    from flashbench.adapter.trace import record

    clock_hz = DEFAULT_CLOCK_HZ if options.clock is None else options.clock
    with ExitStack() as open_files:
        trace = _trace_file(options, open_files)
        if sockets.url is None:
            adapter = open_only_adapter(clock_hz=clock_hz, pins_of=sockets.pins_of)
        else:
            adapter = open_url(sockets.url, clock_hz=clock_hz, pins_of=sockets.pins_of)
        if trace is not None:
            record(adapter, trace)
        _warn_of_a_slower_clock(output, adapter, options.clock)
        try:
            yield adapter
        except BaseException:
            # What went wrong first is what the user must hear.
            with suppress(AdapterError):
                _close(adapter, output)
            raise
        _close(adapter, output)


@contextmanager
def chip_at_bench(output: Output, options: BenchOptions, identify: Identify) -> Iterator[AtBench]:
    """The chip, identified; afterwards the pins are inputs again.

    Raises whatever opening and identifying raise, and WrongCall without a supply.
    """
    from flashbench.safe_write.steps import longest_stop_s

    sockets = Sockets.of(options)
    sockets.demand_supply()
    stopping = Stopping(output.warn)
    with ExitStack() as stack:
        stack.enter_context(stopping.on_signals())
        adapter = stack.enter_context(opened_adapter(output, options, sockets))
        volts = sockets.supply_volts(adapter)
        output.pins_driven = True
        with sockets.naming_the_right_one():
            chip = identify(adapter, volts)
        stopping.seconds_at_most = longest_stop_s(chip)
        stopping.request.check()
        model_time = is_rehearsal(adapter)
        bars = Bars(label=output.label, stop=stopping.request, model_time=model_time)
        stack.enter_context(bars)
        yield AtBench(
            chip=chip,
            progress=bars,
            stopping=stopping,
            model_time=model_time,
            socket=sockets.socket(adapter),
        )


def is_rehearsal(adapter: "Adapter") -> bool:
    """Whether this is a bench without hardware, whose seconds are a model's."""
    return adapter.facts.url.startswith("rehearsal:")


def _warn_of_a_slower_clock(output: Output, adapter: "Adapter", wanted_hz: int | None) -> None:
    """A clock beyond the adapter's fastest is not taken in silence."""
    if wanted_hz is not None and wanted_hz > FASTEST_HZ:
        output.warn(
            f"{hz_text(wanted_hz)} is more than the adapter can: {hz_text(adapter.clock_hz)} is its"
            " fastest clock, and is used."
        )


def _close(adapter: "Adapter", output: Output) -> None:
    try:
        adapter.close()
    except AdapterError as error:
        output.pins_may_be_on = True
        raise AdapterError(
            error.seen,
            next_step="Unplug the adapter before you touch the chip.",
            state="The work was done, but the adapter's pins may still be on.",
        ) from error


def _trace_file(options: BenchOptions, open_files: ExitStack) -> TextIO | None:
    if options.trace is None:
        return None
    try:
        return open_files.enter_context(options.trace.open("a", encoding="utf-8"))
    except OSError as error:
        raise WrongCall(
            f"The trace file {quoted(options.trace)} does not open: {error.strerror}.",
            next_step="Name a file that you may write to.",
        ) from error
