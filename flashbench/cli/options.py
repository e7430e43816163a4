"""What commands take: arguments and options that several share, and how their values are read."""

import inspect
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from typing import Annotated, Any, Concatenate, NamedTuple, ParamSpec

import typer

FASTEST_HZ = 30_000_000
"""SCK of the adapter's engine (MPSSE, 60 MHz) with its smallest divisor."""

_CLOCK = re.compile(r"(?P<number>\d+(?:\.\d+)?)(?P<times>[kKM]?)(?:Hz)?")
_TIMES = {"": 1, "k": 10**3, "K": 10**3, "M": 10**6}
_VOLT_RANGE = re.compile(
    r"(?P<low>\d+(?:[.,]\d+)?) ?[Vv]? ?(?:-|\u2013|to) ?(?P<high>\d+(?:[.,]\d+)?) ?[Vv]?"
)
_P = ParamSpec("_P")
_VOLTS = re.compile(r"(?P<number>\d+(?:[.,]\d+)?) ?[Vv]?")


def clock_hz(text: str) -> int:
    """A clock as people write it, in whole Hz: "10M", "1.5M", "400k", "1000000", "10MHz"."""
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        raise typer.BadParameter(f"{text!r} is no clock. Write 10M, 1.5M, 400k or 1000000 (Hz).")
    hz = int(float(match["number"]) * _TIMES[match["times"]])
    if hz < 1:
        raise typer.BadParameter(f"{text!r} is no clock: it must be at least 1 Hz.")
    return hz


def supply_volts(text: str) -> float:
    """A supply as people write it, in volts: "3.3", "1.8V"."""
    match = _VOLTS.fullmatch(text.strip())
    volts = float(match["number"].replace(",", ".")) if match else math.nan
    if not 0 < volts < 100:
        raise typer.BadParameter(f"{text!r} is no supply. Write 3.3 or 1.8.")
    return volts


class SupplyRange(NamedTuple):
    """The supply a part takes, in volts."""

    low: float
    high: float


def supply_range(text: str) -> SupplyRange:
    """A range of supplies as datasheets give it, in volts: "2.7-3.6", "1.65 to 1.95 V"."""
    match = _VOLT_RANGE.fullmatch(text.strip())
    low, high = (
        (float(match[end].replace(",", ".")) for end in ("low", "high"))
        if match
        else (math.nan, math.nan)
    )
    if not 1.0 <= low < high <= 4.0:
        raise typer.BadParameter(
            f"{text!r} is no range of supplies. Write both ends as the datasheet gives them, such"
            " as 2.7-3.6."
        )
    return SupplyRange(low, high)


JobArgument = Annotated[
    Path, typer.Argument(metavar="JOB", show_default=False, help="The folder of the job.")
]
ImageOption = Annotated[
    int | None,
    typer.Option(
        "--image",
        metavar="N",
        min=1,
        show_default=False,
        help="Which image of the job. Default: the newest.",
    ),
]
AdapterOption = Annotated[
    str | None,
    typer.Option(
        "--adapter",
        metavar="URL",
        show_default=False,
        help="Which adapter: ftdi://ftdi:2232h/1, a name in the bench file, or rehearsal:DIR."
        " Default: the only one.",
    ),
]
BenchOption = Annotated[
    Path | None,
    typer.Option(
        "--bench",
        metavar="FILE",
        dir_okay=False,
        show_default=False,
        help="The bench file: supply, pins and name of each adapter. Default: your own, if"
        " there is one. Proposed by adapters --write-bench, described in bench-files.md.",
    ),
]
SupplyOption = Annotated[
    float | None,
    typer.Option(
        "--supply",
        metavar="VOLTS",
        parser=supply_volts,
        show_default=False,
        help="What your bench supplies to the chip, unless the bench file says it. It cannot be"
        " measured from here; no pin is driven before it is said.",
    ),
]
DatasheetSupplyOption = Annotated[
    SupplyRange | None,
    typer.Option(
        "--datasheet-supply",
        metavar="LOW-HIGH",
        parser=supply_range,
        show_default=False,
        help="The range you read in this part's own datasheet, such as 2.7-3.6, for a chip whose"
        " supply the table does not know. It can narrow what is known, never widen it.",
    ),
]
MarkingOption = Annotated[
    str | None,
    typer.Option(
        "--marking",
        metavar="TEXT",
        show_default=False,
        help="What is printed on the chip, as printed. It must fit the ID that is read.",
    ),
]


def _clock_option(default: str) -> object:
    return typer.Option(
        "--clock",
        metavar="HZ",
        parser=clock_hz,
        show_default=False,
        help=f"The clock (SCK) at most: 10M, 1.5M, 400k, 1000000. Default: {default}.",
    )


ClockOption = Annotated[int | None, _clock_option("10M")]
FastClockOption = Annotated[int | None, _clock_option("30M")]
"""Of commands that look for the fastest clock with a margin."""
WorkingClockOption = Annotated[int | None, _clock_option("the fastest that leaves a margin")]
"""Of commands that check the contact first, unless the clock is said."""
TraceOption = Annotated[
    Path | None,
    typer.Option(
        "--trace",
        metavar="FILE",
        dir_okay=False,
        show_default=False,
        help="Append to FILE what goes over the bus: opcodes, addresses, lengths, hashes,"
        " never contents.",
    ),
]
BagOption = Annotated[
    str | None,
    typer.Option(
        "--label",
        metavar="TEXT",
        show_default=False,
        help="The last three characters of the label on the bag, or all of it. Without this"
        " you are asked.",
    ),
]
YesOption = Annotated[bool, typer.Option("--yes", show_default=False, help="Do it without asking.")]
JsonOption = Annotated[
    bool,
    typer.Option("--json", show_default=False, help="One JSON object on stdout, for scripts."),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchOptions:
    """How to get at the chip: the options that every command at the bench takes, in their order."""

    adapter: AdapterOption = None
    bench: BenchOption = None
    supply: SupplyOption = None
    marking: MarkingOption = None
    datasheet_supply: DatasheetSupplyOption = None
    clock: ClockOption = None
    trace: TraceOption = None


def with_bench_options(
    *, before: str, clock: object = ClockOption
) -> Callable[[Callable[Concatenate[BenchOptions, _P], None]], Callable[_P, None]]:
    """Has the command line take each of `BenchOptions`, and hands the command all of them as one.

    In the signature, and so in --help, they stand right before the parameter named `before`.
    `clock` is the --clock of a command where its default is another.
    """
    annotations = {field.name: field.type for field in fields(BenchOptions)} | {"clock": clock}

    def decorated(command: Callable[Concatenate[BenchOptions, _P], None]) -> Callable[_P, None]:
        @wraps(command)
        def taking_each(*args: _P.args, **kwargs: _P.kwargs) -> None:
            each: dict[str, Any] = {name: kwargs.pop(name) for name in annotations}
            command(BenchOptions(**each), *args, **kwargs)

        signature = _with_each(inspect.signature(command), annotations, before)
        # typer looks at both.
        vars(taking_each)["__signature__"] = signature
        taking_each.__annotations__ = {
            one.name: one.annotation for one in signature.parameters.values()
        }
        return taking_each

    return decorated


def _with_each(
    signature: inspect.Signature, annotations: dict[str, Any], before: str
) -> inspect.Signature:
    """The signature with a keyword for each option, instead of the first parameter for all."""
    own = list(signature.parameters.values())[1:]
    place = [parameter.name for parameter in own].index(before)
    each = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=annotation)
        for name, annotation in annotations.items()
    ]
    after = [parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY) for parameter in own[place:]]
    return signature.replace(parameters=[*own[:place], *each, *after])
