"""An edit known again: the same change of the same block, wherever it stands, on any board."""

import hashlib
from pathlib import Path

from flashbench.image.checks import Check, CheckKind, Span
from flashbench.image.edit_fingerprints import EditFingerprint, edit_fingerprints
from flashbench.image.finds import Block, Confidence
from flashbench.job.folder import Job
from flashbench.job.outcome import record_outcome
from flashbench.shelf.listing import read_shelf
from flashbench.shelf.seen_before import SeenBefore, note_edits, seen_before
from tests.builders.shelf import contents, edited, stand_up, write

EDIT = EditFingerprint(b"WFB2", hashlib.sha256(b"an edit").hexdigest())
OTHER = EditFingerprint(b"WFB2", hashlib.sha256(b"another").hexdigest())


def _block(offset: int, length: int = 64, signature: bytes = b"WFB2") -> Block:
    check = Check(
        kind=CheckKind.CRC_32_ISO_HDLC,
        offset=offset + 4,
        order="little",
        covers=(Span(offset, offset + length),),
        zeroed=(Span(offset + 4, offset + 8),),
    )
    return Block(
        offset=offset,
        length=length,
        signature=signature,
        name="",
        confidence=Confidence.FOUND,
        check=check,
    )


def _changed(image: bytes, *places: int) -> bytes:
    changed = bytearray(image)
    for at in places:
        changed[at] ^= 0xFF
    return bytes(changed)


def test_the_same_edit_is_known_wherever_the_block_stands() -> None:
    image = bytes(512)

    here = edit_fingerprints(image, _changed(image, 64 + 20), [_block(64)])
    there = edit_fingerprints(image, _changed(image, 256 + 20), [_block(256)])
    both = edit_fingerprints(image, _changed(image, 84, 276), [_block(64), _block(256)])

    assert len(here) == 1
    assert here == there == both


def test_another_place_value_or_signature_is_another_edit() -> None:
    image = bytes(512)
    one = edit_fingerprints(image, _changed(image, 84), [_block(64)])

    assert edit_fingerprints(image, _changed(image, 85), [_block(64)]) != one
    assert edit_fingerprints(image, image[:84] + b"\x01" + image[85:], [_block(64)]) != one
    assert edit_fingerprints(image, _changed(image, 84), [_block(64, signature=b"WFB3")]) != one


def test_check_fields_and_what_lies_outside_blocks_make_no_edit() -> None:
    image = bytes(512)

    assert edit_fingerprints(image, _changed(image, 64 + 4, 64 + 7, 400), [_block(64)]) == ()
    assert edit_fingerprints(
        image, _changed(image, 70 + 14, 68), [_block(64)]
    ) == edit_fingerprints(image, _changed(image, 84), [_block(64)])


def test_a_change_counts_for_the_smallest_block_around_it() -> None:
    image = bytes(512)
    inner, outer = _block(128, 64, b"INNR"), _block(64, 256, b"OUTR")

    (edit,) = edit_fingerprints(image, _changed(image, 150), [outer, inner])

    assert edit.signature == b"INNR"


def _job(
    shelf: Path, board: int, edit: EditFingerprint, *, written: bool, boots: bool | None
) -> None:
    folder = stand_up(shelf, f"board-{board}", board=board)
    image = edited(contents(board))
    with Job.open(folder) as job:
        note_edits(job, hashlib.sha256(image).hexdigest(), [edit])
        if written:
            write(job, image)
        if boots is not None:
            record_outcome(job, boots=boots)


def test_jobs_and_booted_boards_are_counted(tmp_path: Path) -> None:
    for board in range(1, 8):
        _job(tmp_path, board, EDIT, written=True, boots=board != 4)
    _job(tmp_path, 8, OTHER, written=True, boots=None)
    _job(tmp_path, 9, EDIT, written=False, boots=None)  # never on a chip

    found = seen_before(read_shelf(tmp_path).entries)

    assert found == (
        SeenBefore(edit=EDIT, jobs=7, booted=6),
        SeenBefore(edit=OTHER, jobs=1, booted=0),
    )
    assert found[0].sentence() == "Block 57 46 42 32: edited like this in 7 jobs, 6 booted."
    assert seen_before(read_shelf(tmp_path).entries, but=tmp_path / "board-4")[0] == SeenBefore(
        edit=EDIT, jobs=6, booted=6
    )
