"""What is said where a command line cannot be read at all: no such option, a value that is none."""

import errno
import io
import json
import sys
from collections.abc import Sequence
from typing import Any

import typer
from typer.core import TyperGroup

from flashbench.cli.output import hanging_lines
from flashbench.cli.streams import READER_GONE, Stream, let_go
from flashbench.errors import WrongCall

_WRONG_CALL = WrongCall.exit_status
_OUTPUT_LOST = 1


class Commands(TyperGroup):
    """The commands; what is wrong with how one is called fits 80 columns, or is JSON."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run one command and end the process with its status."""
        words = sys.argv[1:] if args is None else list(args)
        try:
            status = super().main(
                args=args,
                prog_name=prog_name,
                complete_var=complete_var,
                standalone_mode=False,
                windows_expand_args=windows_expand_args,
                **extra,
            )
        except typer.TyperException as error:
            sys.exit(_refuse(error, as_json="--json" in words))
        except SystemExit as ended:
            if _nobody_reads(ended):
                sys.exit(READER_GONE)
            raise
        except OSError as error:  # of --help and --version; a command deals with it itself
            let_go(sys.stdout)
            typer.echo(f"stdout cannot be printed on: {error.strerror}.", err=True)
            sys.exit(_OUTPUT_LOST)
        if not standalone_mode:
            return status
        sys.exit(status or 0)


def _nobody_reads(ended: SystemExit) -> bool:
    """Whether typer ended the process because the pipe that --help goes into was closed."""
    cause = ended.__context__
    return isinstance(cause, OSError) and cause.errno == errno.EPIPE


def _refuse(error: Any, *, as_json: bool) -> int:
    """Say what is wrong with the call; the status it ends with."""
    text = io.StringIO()
    error.show(file=text)
    status = int(getattr(error, "exit_code", _WRONG_CALL))
    if as_json:
        context = getattr(error, "ctx", None)
        verb = context.info_name if context is not None and context.parent is not None else ""
        path = f"flashbench {verb}".rstrip()
        said = {
            "state": WrongCall.state,
            "seen": error.format_message(),
            "next_step": f"See how it is called: {path} --help",
            "exit_status": status,
        }
        Stream(err=False).put(json.dumps({"error": said}, indent=2))
    lines = text.getvalue().rstrip("\n").split("\n")
    Stream(err=True).put("\n".join(short for line in lines for short in hanging_lines(line)))
    return status
