"""`edit` and `shelf` say how often the same edit of a block was made, and how those boards went."""

from pathlib import Path
from typing import Any

from flashbench.job.folder import Job
from flashbench.job.outcome import record_outcome
from tests.builders.job import announcement
from tests.builders.shelf import finish
from tests.cli.small_board import small_board
from tests.cli.workplace import run, told
from tests.image.edit_scene import EDIT, MEMORY, SIGNATURE


def _edited_board(shelf: Path, number: int, *, boots: bool) -> dict[str, Any]:
    """A board of the model on the shelf: edited by the same file, written, tried."""
    elsewhere = shelf.parent / f"made-{number}"
    elsewhere.mkdir()
    job_folder = small_board(elsewhere).job.rename(shelf / f"board-{number}")
    edit_file = elsewhere / "edit.toml"
    edit_file.write_text(EDIT + MEMORY)
    facts = told(run("edit", str(job_folder), str(edit_file), "--json"))
    with Job.open(job_folder) as job:
        image = job.load_image(1)
        job.announce(announcement(target=image))
        finish(job, image)
        record_outcome(job, boots=boots)
    return facts


def test_the_same_edit_of_a_block_is_counted(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    shelf.mkdir()

    first = _edited_board(shelf, 1, boots=True)
    second = _edited_board(shelf, 2, boots=False)
    third = _edited_board(shelf, 3, boots=True)
    listed = run("shelf", str(shelf))

    assert first["seen_before"] == []
    (before_second,) = second["seen_before"]
    (before_third,) = third["seen_before"]
    assert (before_second["jobs"], before_second["booted"]) == (1, 1)
    assert (before_third["jobs"], before_third["booted"]) == (2, 1)
    signature = bytes.fromhex(before_third["signature"])
    assert signature == SIGNATURE
    assert (
        f"Block {signature.hex(' ').upper()}: edited like this in 3 jobs, 2 booted."
        in listed.stdout
    )
