"""`dump --best-effort`: for a chip of which no two reads agree."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flashbench.cli.chip_to_dump import chip_to_dump
from flashbench.cli.options import BenchOptions
from flashbench.cli.output import Output, listed, many, size_text

if TYPE_CHECKING:
    from flashbench.job.folder import Job
    from flashbench.safe_write.best_reading import BestReading

_RANGES_SHOWN = 12
_READS_DEFAULT = 5

BestEffortOption = Annotated[
    bool,
    typer.Option(
        "--best-effort",
        show_default=False,
        help="For a chip that never reads the same twice: keep several reads and what most of"
        " them say. No original: it can be written to another chip only.",
    ),
]
ReadsOption = Annotated[
    int | None,
    typer.Option(
        "--reads",
        metavar="N",
        min=3,
        max=31,
        show_default=False,
        help=f"With --best-effort: how many reads, an odd number. Default: {_READS_DEFAULT}.",
    ),
]


def dump_best_effort_at(
    output: Output,
    folder: Path,
    options: BenchOptions,
    *,
    label: str | None = None,
    again: bool = False,
    reads: int | None = None,
) -> None:
    """What `dump --best-effort` does."""
    from flashbench.safe_write.best_reading import demand_odd, read_best_effort

    reads = _READS_DEFAULT if reads is None else reads
    demand_odd(reads)
    with chip_to_dump(output, folder, options, label=label, again=again) as (at, job):
        best = read_best_effort(at.chip, job, reads=reads, progress=at.progress)
        at.progress.close()
        _tell(output, job, best)


def _tell(output: Output, job: "Job", best: "BestReading") -> None:
    output.facts = {
        "label": job.label,
        "folder": str(job.folder),
        "round": job.round_number,
        "best_reading": str(best.path),
        "proven": False,
        "sha256": best.sha256,
        "bytes": best.density_bytes,
        "reads": best.read_count,
        "unstable_bytes": best.unstable_bytes,
        "unstable": [[one.start, one.stop] for one in best.unstable],
        "size_sources": list(best.size_sources),
        "size_doubt": best.size_doubt,
    }
    output.say(f"{job.label}: best reading, not proven. What most of {best.read_count} reads say.")
    shown = [
        f"{one.start:08x}" if len(one) == 1 else f"{one.start:08x} to {one.stop - 1:08x}"
        for one in best.unstable[:_RANGES_SHOWN]
    ]
    if len(best.unstable) > _RANGES_SHOWN:
        shown.append(f"and {len(best.unstable) - _RANGES_SHOWN} more, in best-reading.json")
    output.rows(
        [
            ("size", size_text(best.density_bytes)),
            ("best reading", str(best.path)),
            ("sha256", best.sha256),
            ("unstable", many(best.unstable_bytes, "byte")),
            *listed("", shown),
        ]
    )
    if not best.unstable_bytes:
        output.say("All reads agree now: dump --again may give an original that is proven.")
    output.say(
        "It may be edited, and written to another chip (write --to-new-chip; as it is: restore"
        " --to-new-chip). This chip is never erased from it."
    )
