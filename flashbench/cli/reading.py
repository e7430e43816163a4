"""The commands that only read the chip: `identify`, `dump`, `verify`."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flashbench.cli.bench import chip_at_bench, is_rehearsal
from flashbench.cli.best_effort import BestEffortOption, ReadsOption, dump_best_effort_at
from flashbench.cli.chip_to_dump import chip_to_dump
from flashbench.cli.identifying import any_chip
from flashbench.cli.jobs import opened_job
from flashbench.cli.options import (
    FASTEST_HZ,
    BenchOptions,
    FastClockOption,
    JobArgument,
    JsonOption,
    WorkingClockOption,
    with_bench_options,
)
from flashbench.cli.output import (
    Output,
    bytes_text,
    command,
    hz_text,
    listed,
    many,
    size_text,
    the_target,
    time_text,
)
from flashbench.cli.strangers import naming_strangers
from flashbench.cli.taking_files import FromFilesOption, take_files_at
from flashbench.cli.working_clock import own_chip_to_work_on
from flashbench.errors import ChipUntouched

if TYPE_CHECKING:
    from flashbench.chip.identity import Identified
    from flashbench.chip.profile import EraseRegion
    from flashbench.job.folder import Job
    from flashbench.safe_write.dump import Dumped

_RANGES_SHOWN = 12


@with_bench_options(before="as_row")
def identify(
    options: BenchOptions,
    as_row: Annotated[
        bool,
        typer.Option(
            "--as-row",
            show_default=False,
            help="Print ID and SFDP as a row for the chip table, to send in what it lacks.",
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Say which chip is in the socket. Changes nothing.

    \b
      flashbench identify --supply 3.3
      flashbench identify --supply 1.8 --marking "W25Q64JWSSIQ"
      flashbench identify --supply 3.3 --adapter rehearsal:practice/bench
      flashbench identify --supply 3.3 --as-row > row.toml

    First contact sends only what is safe on every chip, at 1 MHz. A part that shares its ID
    with others is told apart by --marking. For a part that the table does not know, say the
    range its own datasheet gives: --datasheet-supply 2.7-3.6.

    With --json: jedec_id (hex), parts, density_bytes, size_sources, supply (volts,
    known_from, declared_volts), marking, unique_id, sfdp, registers, protected, doubts,
    adapter, bench (its name in the bench file, or null); with --as-row also row.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        identify_at(output, options, as_row=as_row)


def identify_at(output: Output, options: BenchOptions, *, as_row: bool = False) -> None:
    """What `identify` does."""
    from flashbench.chip.protection import explain, protected_ranges

    with chip_at_bench(output, options, any_chip(options)) as at:
        chip, profile, registers = at.chip, at.chip.profile, at.chip.registers
        protected = protected_ranges(registers, profile)
        output.facts = chip.facts() | {
            "protected": [[stretch.start, stretch.stop] for stretch in protected],
            "bench": at.socket.name if at.socket is not None else None,
        }
        if as_row:
            _print_row(output, chip)
            return
        low, high = profile.supply_volts
        output.say(" or ".join(profile.parts) or "A chip that the table does not know")
        output.rows(
            [
                ("JEDEC ID", profile.jedec_id.hex(" ").upper()),
                ("size", f"{size_text(profile.density_bytes)}, says {_sources(chip)}"),
                (
                    "supply",
                    f"{low:.2f} to {high:.2f} V ({_known_from(chip)}); you declared"
                    f" {chip.supply_volts:g} V",
                ),
                *([("bench", at.socket.sentence())] if at.socket is not None else []),
                ("marking", chip.marking or "not given"),
                ("unique ID", chip.unique_id.hex() if chip.unique_id else "not read"),
                ("SFDP", f"{len(chip.sfdp.raw)} bytes" if chip.sfdp else "none"),
                ("clock", f"{hz_text(at.chip.clock_hz)}"),
                ("addresses", profile.address_mode.value),
                *_erase_rows(chip),
                *listed(
                    "registers",
                    [f"{register.value[0]} {value:02X}h" for register, value in registers.items()],
                ),
                *listed("protection", explain(registers, profile)),
                *listed("doubts", chip.doubts or ("none",)),
            ]
        )


def _known_from(chip: "Identified") -> str:
    told = {"user": "your word"}
    if chip.datasheet_volts is not None:
        told["user"] = "your word (datasheet)"
    return told.get(chip.profile.supply_known_from, chip.profile.supply_known_from)


def _print_row(output: Output, chip: "Identified") -> None:
    from importlib.metadata import version

    from chipdb.as_row import as_row

    if chip.sfdp is None:
        raise ChipUntouched(
            "This chip has no SFDP that can be read, so there is nothing to make a row of.",
            next_step="Send in its marking and its datasheet instead.",
        )
    facts = chip.adapter.facts
    by = "from a model in a rehearsal" if is_rehearsal(chip.adapter) else f"on {facts.chip}"
    row = as_row(
        chip.jedec_id,
        chip.sfdp,
        part=chip.marking or (chip.profile.parts[0] if chip.profile.parts else "?"),
        read_by=f"ID and SFDP read by flashbench {version('flashbench')} {by}",
    )
    output.facts["row"] = row
    output.stdout_is_a_file = True
    output.block(row)


def _sources(chip: "Identified") -> str:
    return " and ".join(chip.profile.density_sources) or "nothing"


def _where(region: "EraseRegion") -> str:
    return f" in {region.start:06X}h to {region.start + region.length - 1:06X}h"


def _erase_rows(chip: "Identified") -> list[tuple[str, str]]:
    regions = chip.profile.regions
    texts = [
        f"{bytes_text(kind.size)} by {kind.opcode:02X}h"
        f" ({time_text(kind.ms_typ / 1000)}, at most {time_text(kind.ms_max / 1000)})"
        f"{_where(region) if len(regions) > 1 else ''}"
        for region in regions
        for kind in region.kinds
    ]
    return listed("erases", texts or ["none known"])


@with_bench_options(before="json", clock=FastClockOption)
def dump(
    options: BenchOptions,
    job: JobArgument,
    label: Annotated[
        str | None,
        typer.Option(
            "--label",
            metavar="TEXT",
            show_default=False,
            help="What stands on the bag. Default: as booked in, or the folder's name.",
        ),
    ] = None,
    again: Annotated[
        bool,
        typer.Option(
            "--again",
            show_default=False,
            help="A new round of a job that has its original: the board ran, the chip is back.",
        ),
    ] = False,
    best_effort: BestEffortOption = False,
    reads: ReadsOption = None,
    from_files: FromFilesOption = None,
    json: JsonOption = False,
) -> None:
    """Read the chip twice, and keep what both reads agree on.

    \b
      flashbench dump board-17 --supply 3.3
      flashbench dump board-17 --supply 3.3 --label "Miller, bag 17"
      flashbench dump board-17 --supply 3.3 --again
      flashbench dump board-17 --from-files first.bin second.bin
      flashbench dump board-17 --supply 3.3 --best-effort --reads 7

    The second read runs at half the clock, by another instruction, from another start. Reads
    that differ are kept as doubtful-N.bin and count as nothing. What they agree on becomes
    the job's original: written, read back from the disk, hashed, and never replaced.

    With --from-files no adapter is needed: two equal dumps made with other equipment open the
    job, to be inspected (from-files.bin). They are no backup: edit and write need a dump of our
    own, and that has to equal them.

    With --best-effort every read is kept, and what most of them say of each bit, with a list
    of the unstable addresses. That is no original: this chip is never erased from it. It reads
    at --clock (10 MHz unless said), since cells that differ each time show no clock.

    The contact is checked first, and the fastest clock found that leaves a margin, up to
    --clock (default 30M).

    With --again it is said what the board itself wrote since this job last wrote: then its
    processor ran; if it wrote nothing, nothing proves that. It is not said of another chip than
    the one last written, nor of contents that this job itself made.

    With --json: label, folder, round, original, sha256, bytes, clock_hz, stable_hz, ways,
    size_sources, size_proven, size_doubt, notes, board_wrote (since_round, bytes, ranges; or
    null); with --best-effort instead best_reading, proven (false), reads, unstable_bytes,
    unstable.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        if from_files is not None:
            take_files_at(output, job, from_files, label=label, again=again)
            return
        if best_effort:
            dump_best_effort_at(output, job, options, label=label, again=again, reads=reads)
            return
        dump_at(output, job, options, label=label, again=again)


def dump_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    label: str | None = None,
    again: bool = False,
) -> None:
    """What `dump` does."""
    from flashbench.safe_write.dump import dump as dump_chip

    if options.clock is None:
        options = replace(options, clock=FASTEST_HZ)
    with chip_to_dump(output, folder, options, label=label, again=again) as (at, job):
        dumped = dump_chip(at.chip, job, progress=at.progress)
        at.progress.close()
        _tell_dump(output, at.chip, job, dumped)
        if label is None and job.round_number == 1 and job.label == job.folder.resolve().name:
            output.say(
                f"No label was given, so the folder's name is the label: {job.label}. Write it on"
                " the bag; before the chip is changed, its end is asked for."
            )
        _tell_what_the_board_wrote(output, job)


def _tell_dump(output: Output, chip: "Identified", job: "Job", dumped: "Dumped") -> None:
    read, backup, clock = dumped.read, dumped.backup, dumped.clock
    output.facts = {
        "label": job.label,
        "folder": str(job.folder),
        "round": job.round_number,
        "original": str(backup.path),
        "sha256": backup.sha256,
        "bytes": backup.density_bytes,
        "clock_hz": clock.clock_hz if clock is not None else None,
        "stable_hz": clock.stable_hz if clock is not None else None,
        "ways": list(read.ways),
        "size_sources": list(read.size_sources),
        "size_proven": read.size_is_proven,
        "size_doubt": read.size_doubt,
        "notes": list(read.notes),
    }
    output.say(f"{job.label}: two reads agree, and are kept.")
    output.rows(
        [
            ("chip", " or ".join(chip.profile.parts) or "not in the table"),
            ("size", f"{size_text(backup.density_bytes)}, says {_and(read.size_sources)}"),
            *listed("clock", clock.sentences() if clock is not None else ("the slowest",)),
            ("first", read.ways[0]),
            ("second", read.ways[1]),
            ("original", str(backup.path)),
            ("sha256", backup.sha256),
        ]
    )
    if not read.size_is_proven:
        why = read.size_doubt or " ".join(chip.profile.doubts)
        output.say(f"The size is not proven, so nothing will be written to it. {why}".rstrip())
    for note in read.notes:
        output.say(f"Note: {note}")


def _tell_what_the_board_wrote(output: Output, job: "Job") -> None:
    """In a round after the first: what is on the chip that this job did not put there."""
    from flashbench.safe_write.between_rounds import (
        board_wrote_sentence,
        note_what_the_board_wrote,
        ranges_of,
        why_not_the_board,
    )

    output.facts["board_wrote"] = None
    if job.round_number == 1:
        return
    wrote = note_what_the_board_wrote(job)
    if wrote is None:
        why = why_not_the_board(job) or (
            "what the board wrote is not known: no earlier dump of this chip is there to compare"
        )
        output.facts["notes"] = [*output.facts["notes"], f"{why}."]
        output.say(f"{job.label}: {why}.")
        return
    output.facts["board_wrote"] = {
        "since_round": wrote.since_round,
        "bytes": wrote.byte_count,
        "ranges": [list(stretch) for stretch in wrote.ranges],
    }
    output.say(f"{job.label}: {board_wrote_sentence(wrote)}.")
    stretches = [
        f"{stretch.offset:08x}"
        + (f" to {stretch.end - 1:08x}" if stretch.length > 1 else "")
        + f", {bytes_text(stretch.length)}"
        for stretch in ranges_of(wrote)[:_RANGES_SHOWN]
    ]
    if wrote.range_count > _RANGES_SHOWN:
        stretches.append(f"and {wrote.range_count - _RANGES_SHOWN} more")
    if stretches:
        output.rows(listed("written by the board", stretches))


def _and(names: tuple[str, ...]) -> str:
    return " and ".join(names) or "nothing"


@with_bench_options(before="json", clock=WorkingClockOption)
def verify(
    options: BenchOptions,
    job: JobArgument,
    json: JsonOption = False,
) -> None:
    """Say what the chip holds: original, image, or neither. Never writes.

    \b
      flashbench verify board-17 --supply 3.3

    Ends with status 0 if it holds the original or an image of the job, 3 if it holds neither
    or is another chip, 4 if a write was begun and is not proven.

    Without --clock the contact is checked first, as dump does, and the clock is the fastest that
    leaves a margin, never above the one the dump was read at.

    With --json: label, chip, doubts, equals ("original", "image 1" or null), nearest,
    differing_bytes, first_difference, unfinished, sha256, clock_hz.
    """
    with command(json=json, traceback=options.trace is not None) as output:
        verify_at(output, job, options)


def verify_at(output: Output, folder: Path, options: BenchOptions) -> None:
    """What `verify` does."""
    from dataclasses import asdict

    from flashbench.safe_write.comparison import compare, demand_known
    from flashbench.safe_write.steps import outranked_by_unfinished

    with (
        opened_job(output, folder) as job,
        outranked_by_unfinished(job),
        own_chip_to_work_on(output, options, job, to_change=False) as at,
    ):
        with naming_strangers(at, job):
            held = compare(at.chip, job, progress=at.progress)
        at.progress.close()
        clock = hz_text(at.chip.clock_hz)
        output.facts = {"label": job.label, **asdict(held), "clock_hz": at.chip.clock_hz}
        if held.equals is not None:
            held_text = the_target(held.equals, round_number=job.round_number)
            output.say(f"{job.label}: the chip holds {held_text}, byte for byte.")
            rows = [("chip", held.chip)] if job.kept_chips else []
            rows += [("clock", clock), ("sha256", held.sha256), *listed("doubts", held.doubts)]
            output.rows(rows)
        elif held.first_difference is not None:
            output.say(f"{job.label}: the chip holds nothing that this job knows.")
            output.rows(
                [
                    ("nearest", the_target(held.nearest, round_number=job.round_number)),
                    ("differing", many(held.differing_bytes, "byte")),
                    ("first at", f"{held.first_difference:08x}"),
                    ("clock", clock),
                    *listed("doubts", held.doubts),
                ]
            )
        with naming_strangers(at, job):
            demand_known(held, job)
