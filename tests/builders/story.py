"""Stories of a job, told into its folder without any chip: rounds, images, replacements."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flashbench.job.folder import Job
from flashbench.safe_write.between_rounds import EDIT_FILE_KEY, note_what_the_board_wrote
from tests.builders.job import IMAGE, ORIGINAL, AChip, a_dumped_job, a_job, announcement
from tests.builders.shelf import finish

OWN = "00112233445566aa"
OTHER = "5a5a5a5a5a5a5a5a"
EDIT_FILE = {EDIT_FILE_KEY: "flashbench_edit = 1"}


def changed(image: bytes, *places: int) -> bytes:
    """`image` with a bit flipped at each place."""
    data = bytearray(image)
    for place in places:
        data[place] ^= 1
    return bytes(data)


BY_THE_BOARD = changed(IMAGE, 100, 3000, 3001)
"""What comes back from a board that ran: the edit of IMAGE lies from 1024 on."""


@contextmanager
def with_image(folder: Path) -> Iterator[Job]:
    """A first round with its original and an image."""
    with a_dumped_job(folder) as job:
        job.save_image(IMAGE, EDIT_FILE)
        yield job


@contextmanager
def written(folder: Path) -> Iterator[Job]:
    """That, the image proven on the board's own chip."""
    with with_image(folder) as job:
        job.announce(announcement())
        finish(job, IMAGE)
        yield job


@contextmanager
def best_reading(folder: Path) -> Iterator[Job]:
    """A first round whose chip never read the same twice, and an image made from it."""
    with a_job(folder) as job:
        for _ in range(3):
            job.save_doubtful(ORIGINAL)
        job.save_best_reading(
            ORIGINAL,
            unstable={"unstable": [[16, 20]], "listed_to": len(ORIGINAL)},
            unstable_bytes=4,
            reads=(1, 2, 3),
            chip_facts=AChip().facts(),
            size_sources=("table",),
            size_doubt=None,
        )
        job.save_image(IMAGE, {})
        yield job


def back_again(job: Job, data: bytes, *, unique_id: str = OWN) -> None:
    """The chip in the socket again, in a new round, with these contents."""
    chip = AChip(unique_id=unique_id)
    job.open_round(chip)
    job.save_original(data, chip_facts=chip.facts(), ways=("one", "two"))
    note_what_the_board_wrote(job)


def keep_another(job: Job) -> int:
    """Take another chip in as a replacement."""
    chip = AChip(unique_id=OTHER)
    return job.save_kept(b"\xff" * len(IMAGE), chip.facts()).number
