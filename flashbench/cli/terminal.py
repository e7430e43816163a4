"""Is there somebody at a terminal? The one place that decides it."""

import sys

from flashbench.cli.output import Output


def someone_can_be_asked(output: Output) -> bool:
    """Whether a person sits at the terminal that answers come from; with --json nobody is asked."""
    return sys.stdin.isatty() and not output.json


def someone_reads_and_answers() -> bool:
    """Whether what is said goes to that terminal, too: for a conversation."""
    return sys.stdin.isatty() and sys.stdout.isatty()
