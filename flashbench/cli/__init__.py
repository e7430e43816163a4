"""The command line. Commands are registered here, in the order of the job."""

from importlib.metadata import version
from typing import Annotated

import typer

from flashbench.cli import (
    adapters,
    check_contact,
    editing,
    guide,
    inspecting,
    intake,
    job_commands,
    lookup,
    outcome,
    practice,
    reading,
    report,
    shelf,
    spare,
    whose,
    writing,
)
from flashbench.cli.wrong_calls import Commands

app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help"]},
)

app.command()(practice.practice)
app.command()(adapters.adapters)
app.command()(lookup.lookup)
app.command()(intake.intake)
app.command()(check_contact.check_contact)
app.command()(reading.identify)
app.command()(whose.whose)
app.command()(reading.dump)
app.command()(inspecting.inspect)
app.command()(editing.edit)
app.command()(writing.write)
app.command()(reading.verify)
app.command()(writing.finish)
app.command()(writing.restore)
app.command("next")(job_commands.next_)
app.command()(outcome.outcome)
app.command()(report.report)
app.command()(shelf.shelf)
app.command()(spare.spare)
app.command()(guide.guide)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"flashbench {version('flashbench')}")
        raise typer.Exit


@app.callback()
def flashbench(
    show_version: Annotated[
        bool,
        typer.Option(
            "--version",
            callback=_show_version,
            is_eager=True,
            show_default=False,
            help="Say the version, and end.",
        ),
    ] = False,
) -> None:
    """Dump, edit, rewrite and prove SPI NOR flash chips on FTDI adapters.

    \b
    Try it without hardware:
      flashbench practice
    The whole job, step by step:
      flashbench guide board-17
    A board is booked in:
      flashbench intake board-17
    A chip in the socket, from dump to proof:
      flashbench adapters
      flashbench lookup 25Q128JVSQ
      flashbench check-contact --supply 3.3
      flashbench identify --supply 3.3
      flashbench dump board-17 --supply 3.3
      flashbench edit board-17 larger-memory.toml
      flashbench write board-17 --supply 3.3
      flashbench outcome board-17 --boots --memory 16GB --test-hours 4 --errors 0
    After any accident:
      flashbench next board-17

    \b
    Exit status:
      0    done
      1    an offline check failed
      2    wrong call
      3    refused, nothing was changed
      4    half-written: run finish or restore
      5    adapter or bus, nothing was changed
      130  interrupted, nothing was changed
      141  only told something, and nobody read it to its end
    """


def main() -> None:
    """The commands, for the entry point in `flashbench/__main__.py`."""
    app(prog_name="flashbench")
