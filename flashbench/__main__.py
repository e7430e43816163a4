"""`flashbench` and `python -m flashbench`."""

from flashbench import early_stop


def main() -> None:
    """The entry point; what takes time to import is imported once Ctrl-C is taken care of."""
    early_stop.arm()
    from flashbench.cli import main as commands

    commands()


if __name__ == "__main__":
    main()
