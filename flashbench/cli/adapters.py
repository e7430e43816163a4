"""`flashbench adapters`: what is plugged in, what stands in the way, and the loopback proof."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flashbench.cli.bars import Bars
from flashbench.cli.bench import is_rehearsal, opened_adapter
from flashbench.cli.options import (
    AdapterOption,
    BenchOption,
    BenchOptions,
    ClockOption,
    JsonOption,
)
from flashbench.cli.output import Output, command, hz_text
from flashbench.cli.sockets import Sockets
from flashbench.cli.stopping import Stopping
from flashbench.errors import AdapterReplyWrong, WrongCall

if TYPE_CHECKING:
    from flashbench.adapter import FoundAdapter
    from flashbench.bench.bench_file import BenchAdapter, BenchFile


def adapters(
    loopback: Annotated[
        bool,
        typer.Option(
            "--loopback",
            show_default=False,
            help="Prove one adapter by its own loopback. Take the chip out of the socket first.",
        ),
    ] = False,
    write_bench: Annotated[
        bool,
        typer.Option(
            "--write-bench",
            show_default=False,
            help="Propose a bench file with the adapters that are plugged in, to be filled in."
            " One that exists is never overwritten.",
        ),
    ] = False,
    udev_rule: Annotated[
        bool,
        typer.Option(
            "--udev-rule",
            show_default=False,
            help="Print the rule by which Linux lets the person at the screen open an adapter.",
        ),
    ] = False,
    adapter: AdapterOption = None,
    bench: BenchOption = None,
    clock: ClockOption = None,
    json: JsonOption = False,
) -> None:
    """List the adapters, and what stands in the way of using one.

    \b
      flashbench adapters
      flashbench adapters --write-bench
      flashbench adapters --loopback
      flashbench adapters --loopback --adapter ftdi://ftdi:2232h/1 --clock 30M

    --loopback sends data round inside the adapter and times its clock. Every pin stays an
    input. It proves USB, engine and clock; it says nothing of wiring and socket.

    With --json: bench_problem, and adapters, each with url, chip, product, serial, bus, address,
    interfaces, opens, bench (name, interface, supply_volts), and hindrances (seen, mend, blocks);
    with --loopback: passed, bytes_compared, bytes_wrong, claimed_hz, measured_hz, adapter;
    with --write-bench: bench_file, serials; with --udev-rule: udev_rule.
    """
    with command(json=json, only_tells=not (write_bench or loopback)) as output:
        if udev_rule:
            _print_rule(output)
        elif write_bench:
            _propose_bench(output, bench)
        elif loopback:
            _prove(output, BenchOptions(adapter=adapter, bench=bench, clock=clock))
        else:
            adapters_at(output, bench)


def _print_rule(output: Output) -> None:
    from flashbench.adapter.hindrance import UDEV_RULE

    output.facts = {"udev_rule": UDEV_RULE}
    output.block(UDEV_RULE)


def adapters_at(output: Output, bench: Path | None = None) -> None:
    """What `adapters` does without --loopback. `bench` is the bench file, if one was named."""
    from flashbench.adapter import find_adapters

    found = find_adapters()
    file, problem = _bench_file(bench)
    output.facts = {
        "adapters": [_facts(each, file) for each in found],
        "bench_problem": problem,
    }
    if not found:
        output.say("No FT232H, FT2232H or FT4232H is on the USB.")
    for each in found:
        output.say(f"{each.chip} {each.product}".rstrip())
        output.rows(_rows(each, file))
    if problem is not None:
        output.say(f"{problem} Until then no command uses it.")
    output.say(f"Next: {_next_step(found)}")


def _bench_file(path: Path | None) -> tuple["BenchFile", str | None]:
    """The bench file, an empty one if there is none or it cannot be used, and then why not."""
    from flashbench.bench.bench_file import BenchFile
    from flashbench.bench.on_disk import read_bench

    try:
        return read_bench(path), None
    except WrongCall as error:
        return BenchFile(), f"{error.seen} {error.next_step.rstrip('.')}."


def _rows(each: "FoundAdapter", file: "BenchFile") -> list[tuple[str, str]]:
    place = ".".join(str(number) for number in each.port_numbers) or "not known"
    rows = [
        ("url", each.url or "none"),
        ("serial", each.serial or ("none" if each.opens else "not read")),
        ("place", f"bus {each.bus}, socket {place}"),
        ("ports", ", ".join(str(number) for number in each.interfaces) or "none"),
        ("opens", "yes" if each.opens else "no"),
    ]
    for socket in _sockets(each, file):
        port = f"port {socket.interface}: " if len(each.interfaces) > 1 else ""
        rows.append(("bench", f"{port}{socket.name}, supplies {socket.supply_volts:g} V"))
    for hindrance in each.hindrances:
        rows += [("seen", hindrance.seen), ("do", hindrance.mend)]
    return rows


def _sockets(found: "FoundAdapter", file: "BenchFile") -> list["BenchAdapter"]:
    """What the bench file has on the ports of this adapter."""
    if not found.serial:
        return []
    each = (file.adapter(found.serial, interface=interface) for interface in found.interfaces)
    return [socket for socket in each if socket is not None]


def _next_step(found: Sequence["FoundAdapter"]) -> str:
    opening = [each for each in found if each.opens]
    if not found:
        return "plug one in, by a cable that carries data, then: flashbench adapters"
    if not opening:
        return "do what stands behind 'do', then: flashbench adapters"
    if len(found) > 1:
        return f"name one in every command, as --adapter {opening[0].url}"
    return "with the socket empty, flashbench adapters --loopback"


def _propose_bench(output: Output, path: Path | None) -> None:
    from flashbench.adapter import find_adapters
    from flashbench.bench.on_disk import propose_bench

    found = find_adapters()
    at = propose_bench(path, found)
    serials = [each.serial for each in found if each.serial]
    output.facts = {"bench_file": str(at), "serials": serials}
    output.say(f"Proposed a bench file for {', '.join(serials)}: {at}")
    output.say(
        "Measure each supply at its socket, and write down what you see there. Until then no"
        " command uses it."
    )


def _facts(found: "FoundAdapter", file: "BenchFile") -> dict[str, Any]:
    return {
        "url": found.url,
        "chip": found.chip,
        "product": found.product,
        "serial": found.serial,
        "bus": found.bus,
        "address": found.address,
        "interfaces": list(found.interfaces),
        "opens": found.opens,
        "bench": [
            {"name": each.name, "interface": each.interface, "supply_volts": each.supply_volts}
            for each in _sockets(found, file)
        ],
        "hindrances": [asdict(hindrance) for hindrance in found.hindrances],
    }


def _prove(output: Output, options: BenchOptions) -> None:
    from flashbench.adapter import prove_by_loopback

    stopping = Stopping(output.warn)
    sockets = Sockets.of(options)
    with stopping.on_signals(), opened_adapter(output, options, sockets) as opened:
        with Bars(label="", stop=stopping.request, model_time=is_rehearsal(opened)) as bars:
            proof = prove_by_loopback(opened, progress=bars)
        output.facts = {
            "passed": proof.passed,
            "bytes_compared": proof.bytes_compared,
            "bytes_wrong": proof.bytes_wrong,
            "claimed_hz": proof.claimed_hz,
            "measured_hz": proof.measured_hz,
            "adapter": asdict(proof.adapter),
        }
        output.say(f"{proof.adapter.chip} {proof.adapter.product}, {proof.adapter.url}")
        for sentence in proof.sentences():
            output.say(sentence)
        if not proof.passed:
            raise AdapterReplyWrong(
                f"The loopback at {hz_text(proof.claimed_hz)} was not passed.",
                next_step="Try another cable and USB socket, then a lower --clock.",
            )
        output.say("Loopback passed.")
