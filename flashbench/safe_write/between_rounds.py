"""Between two visits of a chip to the socket: what the board wrote, and what carries over."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from flashbench.image.change_sheet import ChangedRange, change_sheet, changed_ranges
from flashbench.job import events
from flashbench.job.chips_left import ChipLeft, chips_left
from flashbench.job.folder import Job
from flashbench.job.refusals import StepRefused
from flashbench.safe_write.new_chip import source_of
from flashbench.safe_write.screening import sha256_hex
from flashbench.wording import command_line

RANGES_KEPT_MAX: Final = 1000
EDIT_FILE_KEY: Final = "edit_file"
"""The key of a change sheet under which the edit file lies, as it was given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftBehind:
    """What was on the chip when a round ended, and which chip of that round it is."""

    round_number: int
    data: bytes = field(repr=False)
    chip: ChipLeft


def left_by_last_round(job: Job) -> LeftBehind | None:
    """What the round before left on the chip that it wrote last, if that one came back.

    None if the newest round's chip is another one, or holds other contents that this job made:
    then what differs is not the board's writing. `why_not_the_board` says which.

    Raises `JobDamaged` if that file is not as it was saved.
    """
    left = _left_on_this_chip(job)
    if left is None or not left.chip.written_last or _other_known_contents(job, left) is not None:
        return None
    return left


def why_not_the_board(job: Job) -> str | None:
    """Why what is on the newest round's chip tells nothing of the board's last run, or None."""
    before = job.round_number - 1
    if before < 1 or not job.has_original or not _has_original(job, before):
        return None
    left = _left_on_this_chip(job)
    if left is None:
        return (
            f"this is not the chip this job last wrote in round {before}, nor another that it"
            " dumped then: what the board wrote is not known (if it is not this board's, put that"
            f" in: {command_line('dump', job.folder, '--again')})"
        )
    known = _other_known_contents(job, left)
    if not left.chip.written_last:
        name = name_of_chip_left(left.chip)
        held = "left untouched" if not left.chip.written else "wrote, but not last"
        held = "left half-written" if left.chip.half_written else held
        holds = _differing_text(left.data, job.load_original().data) if known is None else known
        return (
            f"this is {name}, which this job {held} in round {before}, not the chip this job last"
            f" wrote: it holds {holds}; what the board wrote is not known"
        )
    if known is None:
        return None
    return (
        f"the chip holds {known}, which is not what this job last proved on it: another program or"
        " job wrote it, and nothing proves that its processor ran"
    )


def name_of_chip_left(chip: ChipLeft) -> str:
    """ "the board's own chip" of its round, or the replacement's number."""
    if chip.kept_number is None:
        return "the board's own chip"
    return f"replacement chip {chip.kept_number}"


def _differing_text(left: bytes, held: bytes) -> str:
    differing = _differing(left, held)
    return "what it held then" if not differing else f"{differing} bytes that it did not hold then"


def _left_on_this_chip(job: Job) -> LeftBehind | None:
    """What the newest round's chip was left with in the round before; of several, the likest."""
    number, dumped = job.round_number - 1, job.dumped
    if number < 1 or not isinstance(dumped, events.OriginalSaved):
        return None
    story = [one.event for one in job.told(round_number=number)]
    found = [
        LeftBehind(
            round_number=number, data=job.load_stored(chip.sha256, round_number=number), chip=chip
        )
        for chip in chips_left(story)
        if chip.can_be(dumped)
    ]
    held = job.load_original().data
    alike = [left for left in found if len(left.data) == len(held)]
    if dumped.unique_id is None:  # only what it holds tells it from others of its kind
        alike = [left for left in alike if 2 * _differing(left.data, held) <= len(held)]
    return min(
        alike,
        key=lambda left: (_differing(left.data, held), not left.chip.written_last),
        default=None,
    )


def _differing(one: bytes, other: bytes) -> int:
    return sum(changed.length for changed in changed_ranges(one, other))


def _other_known_contents(job: Job, left: LeftBehind) -> str | None:
    """The file of this job that the chip equals, if it is not what that chip was left with."""
    dumped = job.dumped
    if dumped is None or dumped.sha256 == left.chip.sha256:
        return None
    for number in range(left.round_number, 0, -1):
        for one in reversed(job.told(round_number=number)):
            match one.event:
                case events.ImageSaved(number=image, sha256=sha256) if sha256 == dumped.sha256:
                    return f"image {image} of round {number}, byte for byte"
                case events.OriginalSaved(sha256=sha256) if sha256 == dumped.sha256:
                    return f"the original of round {number}, byte for byte"
                case _:
                    pass
    return None


def _left_in(job: Job, number: int) -> bytes | None:
    """What round `number` left on the chip that the round after it dumped; else on its last."""
    left = chips_left([one.event for one in job.told(round_number=number)])
    after = [one.event for one in job.told(round_number=number + 1)]
    dumped = [event for event in after if isinstance(event, events.OriginalSaved)]
    of_this = [chip for chip in left if dumped and chip.can_be(dumped[-1])] or left
    last = next((chip for chip in of_this if chip.written_last), of_this[0] if of_this else None)
    return None if last is None else job.load_stored(last.sha256, round_number=number)


def note_what_the_board_wrote(job: Job) -> events.BoardWrote | None:
    """Compare a new round's original with what was left on the chip, and journal the difference.

    None in the first round, and where `left_by_last_round` knows nothing to compare with.

    Raises:
        JobDamaged: one of the two is not as it was saved.
        ChipUntouched: the disk refused.
    """
    left = left_by_last_round(job)
    if left is None:
        return None
    ranges = changed_ranges(left.data, job.load_original().data)
    wrote = events.BoardWrote(
        since_round=left.round_number,
        byte_count=sum(changed.length for changed in ranges),
        range_count=len(ranges),
        ranges=tuple((changed.offset, changed.length) for changed in ranges[:RANGES_KEPT_MAX]),
    )
    job.record(wrote)
    return wrote


def what_the_board_wrote(job: Job) -> events.BoardWrote | None:
    """What was journalled of it in the newest round, or None."""
    noted = [event for event in job.story if isinstance(event, events.BoardWrote)]
    return noted[-1] if noted else None


def board_wrote_sentence(wrote: events.BoardWrote) -> str:
    """What it proves, and what it does not."""
    if not wrote.byte_count:
        return (
            f"the board wrote nothing since round {wrote.since_round}: nothing proves that its"
            " processor ran"
        )
    noun = "byte" if wrote.byte_count == 1 else "bytes"
    where = "1 range" if wrote.range_count == 1 else f"{wrote.range_count} ranges"
    return (
        f"the board wrote {wrote.byte_count} {noun} in {where} since round"
        f" {wrote.since_round}: its processor ran"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Unedited:
    """A round's original with the edits of earlier rounds taken out, where they still stand.

    An edit made from this is made afresh, on what the board wrote since. `kept` are ranges of
    an earlier edit that the board itself has written since: they stay as the board left them.
    """

    image: bytes = field(repr=False)
    put_back_bytes: int
    kept: tuple[ChangedRange, ...]


def start_of_edit(job: Job) -> Unedited:
    """What an edit of the newest round starts from.

    Raises:
        StepRefused: the newest round has nothing to edit.
        JobDamaged: a file of one of the rounds is not as it was saved.
    """
    if job.round_number == 1 or not all(_has_original(job, n) for n in job.round_numbers):
        return Unedited(image=source_of(job).image, put_back_bytes=0, kept=())
    base = job.load_original(round_number=1).data
    for number in range(2, job.round_number):
        base = _taken_out(job, number, base).image
    return _taken_out(job, job.round_number, base)


def demand_another_edit(job: Job, image: bytes) -> None:
    """Return unless `image` is what a later round's chip holds already, the edit in it."""
    if job.round_number > 1 and image == source_of(job).image:
        raise StepRefused(
            f"The chip of job {job.label} holds this very edit already, with what the board"
            " wrote since.",
            next_step="Solder it down as it is, or make another edit file; it starts from the"
            f" bytes before this edit. Back to the start: {command_line('restore', job.folder)}"
            " --round 1",
        )


def _has_original(job: Job, number: int) -> bool:
    told = job.told(round_number=number)
    return any(isinstance(one.event, events.OriginalSaved) for one in told)


def _taken_out(job: Job, number: int, base_before: bytes) -> Unedited:
    """Round `number`'s original without the edit that round `number` - 1 left on the chip."""
    dump = job.load_original(round_number=number).data
    left = _left_in(job, number - 1)
    if left is None or not len(left) == len(dump) == len(base_before):
        return Unedited(image=dump, put_back_bytes=0, kept=())
    image, put_back, kept = bytearray(dump), 0, []
    for changed in changed_ranges(base_before, left):
        where = slice(changed.offset, changed.end)
        if dump[where] == left[where]:
            image[where] = base_before[where]
            put_back += changed.length
        elif dump[where] != base_before[where]:
            kept.append(changed)
    return Unedited(image=bytes(image), put_back_bytes=put_back, kept=tuple(kept))


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEdit:
    """An edit file as it lies in the change sheet of an image."""

    text: str = field(repr=False)
    round_number: int
    image_number: int


def stored_edit(job: Job) -> StoredEdit | None:
    """The edit file of the newest image, of this round or an earlier one, that was made by one.

    Raises `JobDamaged` if a change sheet is not as it was saved.
    """
    for number, image in _images(job):
        text = job.load_changes(image.number, round_number=number).get(EDIT_FILE_KEY)
        if isinstance(text, str):
            return StoredEdit(text=text, round_number=number, image_number=image.number)
    return None


def demand_stored_edit(job: Job) -> StoredEdit:
    """`stored_edit`, or `StepRefused` if there is none."""
    found = stored_edit(job)
    if found is None:
        raise StepRefused(
            f"No image of job {job.label} was made by an edit file, so there is none to apply"
            " afresh.",
            next_step="Name an edit file, or edit a copy of this round's own original:"
            f" {command_line('edit', job.folder)} --from-image FILE",
        )
    return found


def has_earlier_image(job: Job) -> bool:
    """Whether an earlier round has an edited image."""
    return any(number < job.round_number for number, _ in _images(job))


def take_in_original_of(job: Job, round_number: int) -> int | None:
    """The original of another round as an image of the newest one; its number.

    None if it is the newest round's own original.

    Raises:
        StepRefused: no such round, another size, or a write is unfinished.
        JobDamaged: one of the two is not as it was saved.
        ChipUntouched: the disk refused.
    """
    own = job.load_original()
    wanted = job.load_original(round_number=round_number)
    if wanted.sha256 == own.sha256:
        return None
    known = job.image_number(sha256_hex(wanted.data))
    if known is not None:
        return known
    sheet = {"original_of_round": round_number, **change_sheet(own.data, wanted.data)}
    return job.save_image(wanted.data, sheet)


def ranges_of(wrote: events.BoardWrote) -> tuple[ChangedRange, ...]:
    """The first of the ranges, as many as are kept."""
    return tuple(ChangedRange(offset, length) for offset, length in wrote.ranges)


def _images(job: Job) -> Iterator[tuple[int, events.ImageSaved]]:
    """(round, image), the newest first."""
    for number in reversed(job.round_numbers):
        for one in reversed(job.told(round_number=number)):
            if isinstance(one.event, events.ImageSaved):
                yield number, one.event
