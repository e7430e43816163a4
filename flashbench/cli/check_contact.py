"""`flashbench check-contact`: what the contact is like, and how fast the clock may be."""

import os
import sys
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flashbench.cli.bars import Bars
from flashbench.cli.bench import is_rehearsal, opened_adapter
from flashbench.cli.options import (
    FASTEST_HZ,
    BenchOptions,
    FastClockOption,
    JsonOption,
    with_bench_options,
)
from flashbench.cli.output import COLUMNS, Output, command, hz_text, listed
from flashbench.cli.sockets import Sockets
from flashbench.cli.stopping import Stopping
from flashbench.cli.streams import STANDING_LINE, drawing_on_stderr

if TYPE_CHECKING:
    from flashbench.adapter import Adapter
    from flashbench.chip.contact import ContactCheck, Look

_REFUSED: Final = 3
_ADAPTER_LOST: Final = 5


def array_address(text: str) -> int:
    """An address as listings print it, in hex: "1F0000", "0x1F0000", "1F0000h"."""
    try:
        return int(text.strip().removesuffix("h"), 16)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no address. Write 1F0000 or 0x1F0000.") from error


@with_bench_options(before="json", clock=FastClockOption)
def check_contact(
    options: BenchOptions,
    watch: Annotated[
        bool,
        typer.Option(
            "--watch",
            show_default=False,
            help="Look again and again while you seat the chip, until it was good for a while.",
        ),
    ] = False,
    good_for: Annotated[
        float,
        typer.Option(
            "--good-for",
            metavar="SECONDS",
            min=0.0,
            help="With --watch: how long the contact must be good without a break.",
        ),
    ] = 3.0,
    around: Annotated[
        int | None,
        typer.Option(
            "--around",
            metavar="ADDRESS",
            parser=array_address,
            show_default=False,
            help="Look closely at this address (hex), such as one at which two reads differed.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Say whether contact is good, and find the fastest clock. Only reads.

    \b
      flashbench check-contact --supply 3.3
      flashbench check-contact --supply 3.3 --watch
      flashbench check-contact --supply 3.3 --around 1F0000

    Listens to the bus before it drives a line, and drives none while another master is on it.
    Then reads the ID, the chip's own tables and a stretch of the array many times, slow and fast.
    --clock is the fastest clock wanted (default 30M). --watch ends with a whole check.

    Ends with status 0 if the chip can be read, 3 if not, 5 if the adapter was lost.

    With --json: diagnosis, stable, sentences, next_action, wrong, flips (rising_bits,
    falling_bits, lanes, places), jedec_id, parts, clock (clock_hz, stable_hz, tried).
    """
    with command(json=json, traceback=options.trace is not None) as output:
        check_contact_at(output, options, watching=watch, good_for=good_for, around=around)


def check_contact_at(
    output: Output,
    options: BenchOptions,
    *,
    watching: bool = False,
    good_for: float = 3.0,
    around: int | None = None,
) -> None:
    """What `check-contact` does."""
    if options.clock is None:
        options = replace(options, clock=FASTEST_HZ)
    sockets = Sockets.of(options)
    sockets.demand_supply()
    stopping = Stopping(output.warn)
    with (
        stopping.on_signals(),
        opened_adapter(output, options, sockets) as opened,
        sockets.naming_the_right_one(),
    ):
        volts = sockets.supply_volts(opened)
        output.pins_driven = True
        if watching:
            _watch(opened, volts, options, good_for, stopping)
        with Bars(label="", stop=stopping.request, model_time=is_rehearsal(opened)) as bars:
            check = _check(opened, volts, options, around, bars)
        _tell(output, check)


def _check(
    opened: "Adapter", volts: float, options: BenchOptions, around: int | None, bars: Bars
) -> "ContactCheck":
    from flashbench.chip.contact import check_contact as check
    from flashbench.chip.profile import Address

    return check(
        opened,
        supply_volts=volts,
        marking=options.marking,
        datasheet_volts=options.datasheet_supply,
        around=None if around is None else Address(around),
        progress=bars,
    )


def _watch(
    opened: "Adapter", volts: float, options: BenchOptions, good_s: float, stopping: Stopping
) -> None:
    from flashbench.chip.contact import watch

    line = LiveLine()
    try:
        for look in watch(
            opened,
            supply_volts=volts,
            marking=options.marking,
            datasheet_volts=options.datasheet_supply,
            good_s=good_s,
        ):
            line.show(look)
            stopping.request.check()
    finally:
        line.close()


class LiveLine:
    """One large line on stderr, drawn anew at each look; nothing where no person can see it."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._plain = bool(os.environ.get("NO_COLOR"))
        self._drawn = False

    def show(self, look: "Look") -> None:
        """Replace the line."""
        if not self._shown:
            return
        text = live_text(look)
        if not self._plain:
            text = f"\x1b[1m{text}\x1b[0m"
        with drawing_on_stderr():
            sys.stderr.write(f"\r{text}\x1b[K")
            sys.stderr.flush()
        self._drawn = True
        STANDING_LINE.stands(_wipe)

    def close(self) -> None:
        """Leave the line as it is and go to the next one."""
        if self._drawn:
            with drawing_on_stderr():
                sys.stderr.write("\n")
                sys.stderr.flush()
            self._drawn = False
            STANDING_LINE.ended()


def _wipe() -> None:
    sys.stderr.write("\r\x1b[K")
    sys.stderr.flush()


def live_text(look: "Look") -> str:
    """The finding in spaced capitals and behind it what helps the hand, in one line."""
    name = " ".join(str(look.diagnosis.name).upper())
    if look.diagnosis.stable:
        jedec_id = look.jedec_id[:3].hex(" ").upper() if look.jedec_id else ""
        behind = f"{look.good_for_s:.1f} s  {jedec_id}"
    elif look.compared is not None:
        behind = look.compared
    else:
        behind = f"{look.diagnosis.wrong} wrong" if look.diagnosis.flips is not None else ""
    return f"{name}   {behind}".rstrip()[: COLUMNS - 1]


def _tell(output: Output, check: "ContactCheck") -> None:
    from flashbench.chip.diagnosis import answering_id

    diagnosis, clock = check.diagnosis, check.clock
    jedec_id = answering_id(check.seen)
    parts = check.chip.profile.parts if check.chip is not None else ()
    output.facts = {
        "diagnosis": str(diagnosis.name),
        "stable": diagnosis.stable,
        "sentences": list(diagnosis.sentences),
        "next_action": diagnosis.next_action,
        "wrong": diagnosis.wrong,
        "flips": asdict(diagnosis.flips) if diagnosis.flips is not None else None,
        "jedec_id": jedec_id.hex() if jedec_id is not None else None,
        "parts": list(parts),
        "clock": asdict(clock) if clock is not None else None,
    }
    output.say(f"Contact: {diagnosis.name}")
    rows = listed("seen", diagnosis.sentences)
    if jedec_id is not None:
        rows.append(("JEDEC ID", jedec_id[:3].hex(" ").upper()))
    if parts:
        rows.append(("part", " or ".join(parts)))
    if clock is not None:
        rows += listed("clock", (*clock.sentences(), f"Work at {hz_text(clock.clock_hz)}."))
    output.rows([*rows, ("do", diagnosis.next_action)])
    if not diagnosis.stable:
        output.status = _ADAPTER_LOST if check.seen.adapter_lost else _REFUSED
