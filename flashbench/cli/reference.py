"""The reference page, made from the commands themselves: `python -m flashbench.cli.reference`.

Writes `reference.md` beside this file. Its texts are those of --help; the layout is our own, so
that the page does not change with a library's.
"""

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import typer.main

from flashbench.cli import app

PAGE: Final = Path(__file__).with_name("reference.md")
_HEAD: Final = """\
# Commands

Made from the program by `python -m flashbench.cli.reference`; its texts are what `--help` says.
What `--json` prints, key by key, is in [json_schema.json](json_schema.json) (JSON Schema 2020-12).
Tab completion: `flashbench --install-completion`, then open a new shell.
"""


def page() -> str:
    """The page as it should be."""
    group: Any = typer.main.get_group(app)
    return "\n".join([_HEAD, *_section(group), *_sections(group.commands)])


def _sections(commands: dict[str, Any]) -> Iterator[str]:
    for name, command in commands.items():
        yield f"## {name}\n"
        yield from _section(command)


def _section(command: Any) -> Iterator[str]:
    text = inspect.cleandoc(command.help).replace("\b\n", "").rstrip()
    yield f"```\n{text}\n```\n"
    params = [_param(param) for param in command.params if not param.hidden]
    params = [param for param in params if "completion" not in param]
    if params:
        yield "\n".join(["| | |", "|---|---|", *params]) + "\n"


def _param(param: Any) -> str:
    """A row of the table: how it is written, and what it is."""
    if param.param_type_name == "argument":
        names = param.metavar or param.name.upper()
    else:
        names = ", ".join([*param.opts, *param.secondary_opts])
        names += f" {param.metavar}" if param.metavar else ""
    what = " ".join((param.help or "").split()).replace("|", "\\|")
    return f"| `{names}` | {what}{' Required.' if param.required else ''} |"


def main() -> None:
    """Write the page."""
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
