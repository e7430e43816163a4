"""A replacement chip is half-written, and whatever chip is in the socket: what each command says.

The label on the bag cannot tell these chips: the bags of one job's chips end in the same label.
"""

from pathlib import Path

import pytest

from tests.builders.job import a_job
from tests.cli.workplace import Workplace, run, three_lines


@pytest.mark.parametrize("words", [("write",), ("restore",), ("write", "--to-new-chip")])
def test_the_bag_is_asked_only_where_the_supply_is_declared(
    place: Workplace, words: tuple[str, ...]
) -> None:
    verb, *more = words
    refused = run(verb, str(place.job), *more, "--yes", "--adapter", f"rehearsal:{place.bench}")

    assert refused.exit_code == 2
    assert three_lines(refused)[1] == "The supply is not declared, so no pin was driven."
    assert refused.stdout == ""


@pytest.mark.parametrize(
    "words", [("write",), ("restore",), ("write", "--to-new-chip"), ("restore", "--to-new-chip")]
)
def test_the_bag_is_asked_only_of_a_job_that_has_an_original(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    place = Workplace(tmp_path)
    a_job(place.job).close()
    verb, *more = words

    refused = run(verb, str(place.job), *more, "--yes", *place.at_bench)

    assert three_lines(refused) == (
        "This command did not touch the chip.",
        "Round 1 of job job has no original yet.",
        "Dump the chip.",
    )
    assert (refused.exit_code, refused.stdout) == (3, "")
