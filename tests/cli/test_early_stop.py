"""Ctrl-C before a command has begun says so; a running command keeps its own words."""

import subprocess
import sys


def ended_by(program: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )


def test_ctrl_c_while_the_commands_are_imported_says_that_nothing_was_changed() -> None:
    ended = ended_by(
        "import builtins, os, signal, sys\n"
        "import_as_ever = builtins.__import__\n"
        "def interrupted(name, *rest, **more):\n"
        "    if name == 'flashbench.cli':\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "    return import_as_ever(name, *rest, **more)\n"
        "builtins.__import__ = interrupted\n"
        "from flashbench.__main__ import main\n"
        "main()\n"
    )

    assert ended.returncode == 130
    assert ended.stdout == ""
    assert ended.stderr.splitlines() == [
        "Nothing was changed by this command.",
        "Stopped on request.",
        "Run it again to start over.",
    ]


def test_once_a_command_has_begun_its_own_words_are_said_once() -> None:
    ended = ended_by(
        "import os, signal, sys\n"
        "from flashbench import early_stop\n"
        "from flashbench.cli.output import command\n"
        "early_stop.arm()\n"
        "with command(json=False):\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
    )

    assert ended.stderr.count("Stopped on request.") == 1
