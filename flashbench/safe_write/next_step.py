"""What comes next for a job, told from its folder alone: what is proven, and one command."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from flashbench.job.dark_board import dark_board
from flashbench.job.events import DoubtfulSaved, ImageSaved, ReadDisagreed, WriteFinished
from flashbench.job.folder import Job
from flashbench.job.outcome import outcome_of, remark_on_outcome
from flashbench.job.refusals import JobDamaged, StepRefused
from flashbench.job.spares import without_spares
from flashbench.job.unfinished import UnfinishedWrite
from flashbench.safe_write._cells import WRITES_TILL_WORN
from flashbench.safe_write.backup import Backup
from flashbench.safe_write.between_rounds import (
    board_wrote_sentence,
    has_earlier_image,
    start_of_edit,
    stored_edit,
    what_the_board_wrote,
    why_not_the_board,
)
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.which_chip import bagged_sentence, name_of_chip
from flashbench.wording import command_line, quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What is proven of a job, line by line, and the one command that comes next.

    `checks` are what to look at on a board that does not boot, in order; else there are none.
    """

    proven: tuple[str, ...]
    command: str
    why: str
    checks: tuple[str, ...] = ()


def next_when_booked_in(folder: Path) -> NextStep:
    """What comes next for a board that was booked in and whose chip was never read."""
    return NextStep(
        proven=(),
        command=command_line("dump", folder),
        why="the board is booked in, and its chip was not read yet",
    )


def next_step(job: Job) -> NextStep:
    """Where the job stands, from its folder alone."""
    coming = _next_step(job)
    if job.unfinished() is not None:
        return coming
    dark = dark_board(job)
    return coming if dark is None else replace(coming, checks=dark.checks)


def said_of_older_rounds(job: Job) -> tuple[str, ...]:
    """Whether round 1's original, never to be replaced, is as saved, whether the rounds follow each
    other, and what was not looked at.

    Nothing in the first round. The rounds between are left to `next --check`.
    """
    if job.round_number == 1:
        return ()
    said = [
        f"damaged: the folder round-{doubt.round_number} {doubt.seen}. The way on goes by round"
        f" {job.round_number}; put the wrong one back from a second copy"
        for doubt in job.chain_doubts()
    ]
    try:
        job.load_original(round_number=1)
        between = (2, job.round_number - 1)
    except StepRefused:  # a best reading, which is no original
        between = (1, job.round_number - 1)
    except JobDamaged as error:
        said.append(
            f"damaged: the original of round 1. {error.seen} Put it back from a second copy"
        )
        between = (2, job.round_number - 1)
    first, last = between
    if first <= last:
        rounds = f"round {first}" if first == last else f"rounds {first} to {last}"
        check = command_line("next", job.folder, "--check")
        said.append(f"the files of {rounds} were not checked: {check}")
    return tuple(said)


def _next_step(job: Job) -> NextStep:
    folder = quoted(job.folder)
    unfinished = job.unfinished()
    if job.dumped is None:
        return _dump_it(job)
    proven = [_source_text(job)]
    wrote = what_the_board_wrote(job)
    if wrote is not None:
        proven.append(board_wrote_sentence(wrote))
    elif (why := why_not_the_board(job)) is not None:
        proven.append(why)
    if unfinished is not None:
        return _way_on(job, proven, unfinished)
    newest = job.newest_image()
    if newest is not None and not _is_intact(job, newest):
        proven.append(f"image {newest} is not on disk as it was saved")
    elif newest is not None:
        proven.append(_image_text(job, newest))
    done = _proven_since_newest_image(job)
    if done is not None:
        held = _name_of(job, done.target_sha256)
        last = job.last_written_chip_of_board
        chip = "the chip" if last is None else "the replacement chip"
        proven.append(f"{chip} last held {held}, read back byte for byte")
        proven += _left_half_written(job, but=last)
        return _after_proof(job, proven, held=held)
    if newest is None and (afresh := _edit_afresh(job, proven)) is not None:
        return afresh
    if newest is None or not _is_intact(job, newest):
        return NextStep(
            proven=tuple(proven),
            command=f"flashbench edit {folder} --from-image FILE",
            why=_no_image_yet(job) if newest is None else "the image is damaged",
        )
    return _write_it(job, proven, newest)


def _dump_it(job: Job) -> NextStep:
    """Nothing is dumped: after reads that did not agree twice, by a best effort."""
    again = command_line("dump", job.folder)
    disagreed = sum(isinstance(event, ReadDisagreed) for event in job.story)
    kept = [f"doubtful-{one.number}.bin" for one in job.story if isinstance(one, DoubtfulSaved)]
    if not disagreed:
        return NextStep(proven=(), command=again, why="there is no original yet")
    best = command_line("dump", job.folder, "--best-effort")
    where = f" (kept, and no evidence: {', '.join(kept)})" if kept else ""
    if disagreed == 1:
        why = (
            f"there is no original yet: two reads did not agree{where}; clean the contact first"
            f" (if two reads never agree, keep what most of several say: {best})"
        )
        return NextStep(proven=(), command=again, why=why)
    why = (
        f"there is no original yet: reads did not agree at {disagreed} dumps{where}; keep what most"
        f" of several say, for another chip (or clean the contact and try once more: {again})"
    )
    return NextStep(proven=(), command=best, why=why)


def _no_image_yet(job: Job) -> str:
    if not job.has_best_reading:
        return "there is no edited image yet"
    as_it_is = command_line("restore", job.folder, "--to-new-chip")
    return f"there is no edited image yet (or put what was read onto another chip: {as_it_is})"


def _write_it(job: Job, proven: Sequence[str], newest: int) -> NextStep:
    """The newest image goes onto the board's own chip, unless that one is not to be written."""
    more: tuple[str, ...] = ()
    if job.has_best_reading:
        more = ("--to-new-chip",)
        where = "another chip yet, and a best reading goes to no other"
    elif None in job.half_written_chips:
        more = ("--to-new-chip",)
        where = "the chip yet that took the place of the board's own"
    else:
        where = "the chip yet"
    return NextStep(
        proven=(*proven, *_left_half_written(job, but=job.last_written_chip)),
        command=command_line("write", job.folder, *more),
        why=f"image {newest} is not on {where}",
    )


def _edit_afresh(job: Job, proven: Sequence[str]) -> NextStep | None:
    """In a new round: the edit of an earlier one once more, on what the chip holds now."""
    if not has_earlier_image(job):
        return None
    stored = stored_edit(job)
    if stored is None:
        return NextStep(
            proven=tuple(proven),
            command=command_line("edit", job.folder, "--from-image", "FILE"),
            why="the image of an earlier round was edited elsewhere: make the same change in a"
            f" copy of round {job.round_number}'s own original.bin, which holds what the board"
            " wrote",
        )
    if start_of_edit(job).put_back_bytes:
        return NextStep(
            proven=(*proven, f"the edit of round {stored.round_number} is still on the chip"),
            command=command_line("edit", job.folder, "EDITFILE"),
            why="the chip holds that edit, and what the board wrote: solder it down as it is, or"
            " make another edit, which starts from the bytes before that one (back to the start:"
            f" {command_line('restore', job.folder, '--round', '1')})",
        )
    return NextStep(
        proven=tuple(proven),
        command=command_line("edit", job.folder, "--again"),
        why=f"the edit file of round {stored.round_number} is applied afresh to this round's"
        " original, which holds what the board wrote",
    )


def _source_text(job: Job) -> str:
    source = source_of(job)
    of = f" of round {job.round_number}" if job.round_number > 1 else ""
    size = f"{len(source.image)} bytes on disk, sha256 {source.sha256[:16]}..."
    if isinstance(source, Backup):
        return f"original{of} of {size}"
    return (
        f"best reading{of}, not proven, of {size}: {source.unstable_bytes} bytes read differently"
        f" over {source.read_count} reads"
    )


def _left_half_written(job: Job, *, but: int | None) -> list[str]:
    """Chips of the job that nobody may mistake for whole ones."""
    left = [number for number in job.half_written_chips if number != but]
    return [bagged_sentence(job, number) for number in left]


def _worn_unit(job: Job, kept_number: int | None) -> range | None:
    """The unit of a chip that failed in as many writes as are tried, or None."""
    failed = job.failed_units_on(kept_number)
    return next((unit for unit, count in failed.items() if count >= WRITES_TILL_WORN), None)


def _way_on(job: Job, proven: list[str], unfinished: UnfinishedWrite) -> NextStep:
    """What leads on from a half-written chip, and which chip that is."""
    which = name_of_chip(job, unfinished.kept_number)
    proven += _left_half_written(job, but=unfinished.kept_number)
    back = job.is_going_back
    damage = None if back else _damage_of_target(job)
    worn = _worn_unit(job, unfinished.kept_number)
    restore = command_line("restore", job.folder)
    if worn is not None:
        command = command_line("restore" if back else "write", job.folder, "--to-new-chip")
        writes = job.failed_units_on(unfinished.kept_number)[worn]
        why = (
            f"{which} is worn: the unit at {worn.start:#08x} did not hold what was written in"
            f" {writes} writes"
        )
    elif back:
        command = restore
        best = job.has_best_reading
        what = "writing the best reading to" if best else "putting the original back on"
        why = f"{what} {which} was begun and is not proven" + (
            ""
            if job.newest_image() is None
            else f" (on to the new image instead: {command_line('finish', job.folder)})"
        )
    elif damage is not None:
        command = restore
        why = f"a write to {which} was begun and is not proven, and it cannot be finished: {damage}"
    else:
        command = command_line("finish", job.folder)
        why = (
            f"writing {unfinished.target_name} to {which} was begun and is not proven (back"
            f" instead: {restore})"
        )
    return NextStep(proven=tuple(proven), command=command, why=why)


def _after_proof(job: Job, proven: Sequence[str], *, held: str) -> NextStep:
    """The chip is proven: what comes next is up to the board, and to what was told of it."""
    told = outcome_of(job)
    report = command_line("report", job.folder)
    if told is None:
        command = command_line("outcome", job.folder)
        why = (
            f"chip verified, board not yet proven: {held} is on the chip; solder it down, try the"
            f" board, then tell what became of it (what was done tells: {report})"
        )
    elif not told.boots:
        dark = dark_board(job)
        command = dark.command if dark is not None else command_line("outcome", job.folder)
        why = "the board does not boot"
    elif told.test_errors:
        proven = [*proven, "the board boots"]
        command = command_line("outcome", job.folder)
        why = (
            f"the memory test found {told.test_errors} errors: look at the memory joints, at ranks"
            " and straps, test again, and tell what came of it"
        )
    elif told.test_hours is None:
        proven = [*proven, "the board boots"]
        command = command_line("outcome", job.folder)
        why = f"no memory test was told yet; run one, then tell its hours (or go on: {report})"
    else:
        proven = [
            *proven,
            f"the board boots, and {told.test_hours:g} h of a memory test found no error",
        ]
        command, why = report, "the report tells what was done"
    remark = remark_on_outcome(job)
    if remark is not None:
        proven = [*proven, remark]
    return NextStep(proven=tuple(proven), command=command, why=why)


def _proven_since_newest_image(job: Job) -> WriteFinished | None:
    """The last write that was finished, unless an image was made after it."""
    for event in reversed(without_spares(job.story)):
        if isinstance(event, WriteFinished):
            return event
        if isinstance(event, ImageSaved):
            return None
    return None


def _name_of(job: Job, sha256: str) -> str:
    number = job.image_number(sha256)
    dumped = "best reading (not proven)" if job.has_best_reading else "original"
    name = f"the {dumped}" if number is None else f"image {number}"
    return name if job.round_number == 1 else f"{name} of round {job.round_number}"


def _image_text(job: Job, number: int) -> str:
    """What is on disk of an image that is as it was saved."""
    try:
        job.load_changes(number)
    except JobDamaged:
        check = command_line("next", job.folder, "--check")
        return f"image {number} on disk, its change sheet not as it was saved: {check}"
    return f"image {number} on disk with its change sheet"


def _is_intact(job: Job, number: int) -> bool:
    try:
        job.load_image(number)
    except JobDamaged:
        return False
    return True


def _damage_of_target(job: Job) -> str | None:
    """Why the image of an unfinished write cannot be written on, or None."""
    try:
        _ = job.target
    except JobDamaged as error:
        return error.seen
    return None
