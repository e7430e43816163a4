"""`python -m flashbench`."""

from flashbench.cli import main

main()
