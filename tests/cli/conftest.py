"""Two workplaces, removed after use: each holds several images of 16 MiB."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from flashbench.rehearsal import create_bench
from tests.cli.workplace import PART, Workplace, contents, copied, make_template


@pytest.fixture(scope="session")
def template() -> Iterator[Workplace]:
    with TemporaryDirectory() as folder:
        yield make_template(Path(folder) / "template")


@pytest.fixture
def place(template: Workplace) -> Iterator[Workplace]:
    """A job that was dumped and edited, and never written."""
    with TemporaryDirectory() as folder:
        yield copied(template, Path(folder) / "w")


@pytest.fixture
def fresh() -> Iterator[Workplace]:
    """A chip in the socket, and no job."""
    with TemporaryDirectory() as folder:
        fresh = Workplace(Path(folder))
        create_bench(fresh.bench, part=PART, contents=contents()).close()
        fresh.write_edited()
        yield fresh
