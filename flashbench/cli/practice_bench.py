"""The bench of a practice folder: made for `practice`, or alone with `practice --bench-only`."""

from pathlib import Path
from typing import Final

from flashbench.cli.output import Output, listed
from flashbench.wording import quoted

_SPARE: Final = "spare"
_SPARE_UNIQUE_ID: Final = bytes.fromhex("C0FFEE0123456790")  # invented, as the board chip's is


def make_bench(folder: Path) -> None:
    """A bench with the practice board's chip in the socket, and a blank one of that part."""
    from flashbench.rehearsal import DEFAULT_PART, add_chip, create_bench
    from flashbench.rehearsal.demo_board import demo_image

    create_bench(folder, contents=demo_image()).close()
    add_chip(folder, _SPARE, part=DEFAULT_PART, unique_id=_SPARE_UNIQUE_ID)


def bench_only_at(output: Output, folder: Path) -> None:
    """What `practice --bench-only` does."""
    bench = folder / "bench"
    make_bench(bench)
    chips = sorted(each.name for each in (bench / "chips").iterdir())
    output.facts = {"folder": str(folder), "bench": str(bench), "chips": chips}
    output.say(
        "A practice bench is made. In its socket lies the chip of the practice board, as it was"
        " lifted; nobody has dumped it yet."
    )
    output.rows(
        [
            ("use it", f"--adapter {quoted(f'rehearsal:{bench}')} --supply 3.3"),
            *listed("chips", [str(bench / "chips" / name) for name in chips]),
            ("in the socket", f"the one that {bench / 'socket'} names"),
            ("for another", f"write its name, such as {_SPARE}, into that file"),
        ]
    )
    typed = f"flashbench identify --adapter {quoted(f'rehearsal:{bench}')} --supply 3.3"
    output.say("Begin with:")
    output.block(f"  {typed}")
