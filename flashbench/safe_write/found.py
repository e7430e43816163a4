"""What an accident left on the chip, read twice, kept on disk and explained: `Found`."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, final

import numpy as np

from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.errors import ChipHalfWritten, ChipUntouched, OtherChip, StrangeContents
from flashbench.job.events import (
    Event,
    OpcodeRefuted,
    UnitProven,
    WriteAnnounced,
    WriteFinished,
)
from flashbench.job.folder import Job
from flashbench.job.refusals import JobDamaged
from flashbench.job.unfinished import UnfinishedWrite, merged, targets_on
from flashbench.progress import Progress, silent
from flashbench.safe_write.screening import sha256_hex
from flashbench.safe_write.stable_read import read_twice_except
from flashbench.safe_write.under_way import (
    PAGE,
    Explanation,
    InterruptedWrite,
    equals_any,
    explained,
)
from flashbench.safe_write.which_chip import chips_it_can_be, name_of_chip, told_by_contents
from flashbench.wording import command_line

_SEAL: Final = object()


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class WhichChip:
    """What somebody read from a bag: the number of a replacement; None: the board's own chip.

    It is believed only of chips that are half-written and that nothing else tells apart. Where it
    does not fit what was found, nothing is done.
    """

    kept_number: int | None


class CannotTell(ChipHalfWritten):
    """Several chips of the job can be this one, a half-written one among them."""

    state = "The chip may be half-written from before; this command changed nothing."

    def __init__(self, job: Job, numbers: Sequence[int | None]) -> None:
        names = " or ".join(name_of_chip(job, number) for number in numbers)
        ways = " or ".join(
            f"--chip-is {'original' if number is None else number}"
            for number in numbers
            if number is not None or not job.has_best_reading
        )
        why, said = "can have left on each", "Read its bag, and say which it is, with the same"
        if job.has_best_reading and None in numbers:
            why = "can have left, but also what the board's own held"
            said = "Its own is never written by this job, which has only a best reading of it. If"
            said += " the bag says that this is the replacement, say so with the same"
        verb = "restore" if job.newest_image() is None else "write"
        super().__init__(
            f"The chip in the socket can be {names} of job {job.label}: it has no factory number,"
            f" and holds what an interrupted write {why}.",
            next_step=f"{said} command: {ways}. If nobody knows, leave both as they are, and write"
            f" to another one: {command_line(verb, job.folder, '--to-new-chip')}",
        )
        self.numbers = tuple(numbers)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Found(Evidence):
    """A chip as an accident left it. Has no public constructor: see `read_for_recovery`.

    Every page equals the original or an image of the job, or lies where the job was writing.
    `suspect` is what must be erased in full, whatever it reads. `doubts` are sentences on images
    of the job that are damaged and explain nothing.
    """

    chip: Identified
    job: Job
    kept_number: int | None  # of a replacement; None: the board's own chip
    image: bytes = field(repr=False)
    suspect: tuple[range, ...]
    path: Path
    doubts: tuple[str, ...]
    change_count: int
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("Found has no public constructor: call read_for_recovery()")


def read_for_recovery(
    chip: Identified, job: Job, *, which: WhichChip | None = None, progress: Progress = silent
) -> Found:
    """Read the chip twice, keep what was found as `found-N.bin`, and explain every page.

    The journal is never believed that cells are good and always that they are suspect: a unit
    announced and not recorded as read back counts as unknown, whatever it reads now. One that
    was read back may still have drifted: of a chip known by its factory number it is explained,
    and planned by what it reads.

    Raises:
        TypeError: `chip` is not an Identified.
        ChipUntouched: two reads differ outside suspect units, or a page is neither the
            original's nor an image's and lies in no unit that the job announced: not this job's
            chip, or the board has run since. Without a factory number also where more is strange
            than the one unit that each interrupted write had under way.
        CannotTell: several chips of the job can be this one, and `which` does not say it.
        OtherChip, ChipHalfWritten: it is another one than `which` says, whole or half-written.
    """
    if not isinstance(chip, Identified):
        raise TypeError("read_for_recovery() takes the Identified that identify() made")
    possible = chips_it_can_be(chip, job)
    suspect = suspect_on(job, possible)
    image = read_twice_except(chip, suspect, keep_doubtful_in=job, progress=progress)
    path = job.save_found(image)
    found = explained_by(
        image, job, possible, unique_id=None if chip.unique_id is None else chip.unique_id.hex()
    )
    if not found.torn:
        raise _strange_contents(job, found)
    told = told_by_contents(chip, job, tuple(found.torn), sha256_hex(image))
    number = _chip_of(job, {one: found.torn[one] for one in told}, which)
    if which is not None and which.kept_number != number:
        raise _not_as_said(job, number, which)
    _demand_source(job, number)
    doubtful = job.unfinished_on(number) is not None or len(told) < len(found.torn)
    return Found(
        chip=chip,
        job=job,
        kept_number=number,
        image=image,
        suspect=suspect_on(job, tuple(found.torn) if doubtful else ()),
        path=path,
        doubts=(*found.doubts, *_doubts_of_whose(job, number, found)),
        change_count=chip.adapter.session.change_count,
        seal=_SEAL,
    )


def _strange_contents(job: Job, found: "Explained") -> StrangeContents:
    what = "neither the original's nor an image's of job"
    if found.out_of_place:
        what = "not what can be left there by what the journal has of job"
    return StrangeContents(
        f"The page at {found.strange:#08x} is {what} {job.label}: not this job's chip, or it has"
        " run since." + "".join(f" {doubt}" for doubt in found.doubts),
        next_step=(
            "Put that job's chip in. If this is the chip, leave it as it is, and write to"
            f" another one: {command_line('write', job.folder, '--to-new-chip')}"
        ),
    )


def _not_as_said(job: Job, number: int | None, which: WhichChip) -> OtherChip | ChipHalfWritten:
    seen = (
        f"The chip in the socket was said to be {name_of_chip(job, which.kept_number)} of job"
        f" {job.label}. By what it answers and holds it is {name_of_chip(job, number)}."
    )
    next_step = "Read its bag again. If that is the chip in the socket, leave --chip-is out."
    if job.unfinished_on(number) is None:
        return OtherChip(seen, next_step=next_step)
    return ChipHalfWritten(
        seen,
        next_step=next_step,
        state="The chip is half-written from before; this command changed nothing.",
    )


def _doubts_of_whose(job: Job, number: int | None, found: "Explained") -> Iterator[str]:
    """What nobody can see of a chip without a factory number, and who says yes shall know."""
    torn = sorted(found.torn[number])
    if torn:
        how_many = "1 page there" if len(torn) == 1 else f"{len(torn)} pages from there on"
        yield (
            f"What it holds at {torn[0]:#08x} ({how_many}) is taken for what the accident left: no"
            " factory number tells this chip from another board's that differs only there."
        )
    if number is not None and None in found.torn and job.unfinished_on(None) is None:
        yield (
            f"It is taken for {name_of_chip(job, number)} because that was said. It holds what the"
            " board's own chip could hold, too, and that one must never be written."
        )
    others = [n for n in found.torn if n != number and job.unfinished_on(n) is not None]
    if others and job.unfinished_on(number) is None:
        names = " and ".join(name_of_chip(job, other) for other in others)
        yield (
            f"It is taken for {name_of_chip(job, number)}. It could also be {names}, half-written:"
            " if it is, write to another chip instead."
        )


def suspect_on(job: Job, numbers: Iterable[int | None]) -> tuple[range, ...]:
    """What must be erased in full on a chip that can be any of these."""
    writes = (job.unfinished_on(number) for number in numbers)
    return tuple(merged(part for write in writes if write is not None for part in write.suspect))


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """Which of the possible chips' stories explain what is held, each with its torn pages.

    `strange` is the first page that the first other one's story does not explain, `out_of_place`
    whether the job knows what it holds. `doubts` are sentences on damaged images of the job.
    """

    torn: Mapping[int | None, frozenset[int]]
    strange: int | None
    out_of_place: bool
    doubts: tuple[str, ...]


def explained_by(
    image: bytes, job: Job, possible: Sequence[int | None], *, unique_id: str | None
) -> Explained:
    """Those of the possible chips whose story explains `image`.

    `unique_id` is the factory number that the chip in the socket told, in hex. If it is that of the
    possible chip, units that were under way may hold anything.
    """
    torn: dict[int | None, frozenset[int]] = {}
    strange, out_of_place, all_doubts = None, False, []
    for one in possible:
        if unique_id is not None and unique_id in _journalled_numbers(job, one):
            known, doubts = _known_contents(job, one)
            page = _unexplained(image, job, one, known)
            story = Explanation(strange=page, out_of_place=False, torn=frozenset())
        else:
            story, doubts = _told_by_contents_alone(image, job, one)
        all_doubts += doubts
        if story.strange is None:
            torn[one] = story.torn
        elif strange is None:
            strange, out_of_place = story.strange, story.out_of_place
    doubts = list(dict.fromkeys(all_doubts))
    return Explained(torn=torn, strange=strange, out_of_place=out_of_place, doubts=tuple(doubts))


def _unexplained(image: bytes, job: Job, number: int | None, known: Sequence[bytes]) -> int | None:
    if sha256_hex(image) in job.proven_images(number):
        return None  # the journal's hash tells it, even if its file is damaged
    unfinished = job.unfinished_on(number)
    return unexplained_page(image, known, unfinished.announced if unfinished is not None else ())


def _told_by_contents_alone(
    image: bytes, job: Job, number: int | None
) -> tuple[Explanation, list[str]]:
    """How the story of one chip explains `image`, and a sentence on each image that is damaged."""
    doubts: list[str] = []

    def picture(sha256: str) -> bytes | None:
        try:
            return stored_picture(job, sha256)
        except JobDamaged as error:
            doubts.append(f"Image {job.image_number(sha256)} is set aside: {error.seen}")
            return None

    before = [_source(job) if number is None else job.load_kept(number)]
    before += [held for sha256 in job.proven_images(number) if (held := picture(sha256))]
    if sha256_hex(image) in job.proven_images(number):
        before.append(image)  # the journal's hash tells it, even if its file is damaged
    writes, reached = interrupted_writes(job.story, number)
    told = explained(
        image,
        before=before,
        writes=[
            InterruptedWrite(units=units, proven=frozenset(proven), target=picture(sha256))
            for sha256, units, proven in writes
        ],
        reached=reached,
    )
    return told, doubts


def stored_picture(job: Job, sha256: str) -> bytes:
    """What an image of the newest round, or its dump, holds. Raises what loading it raises."""
    number = job.image_number(sha256)
    return _source(job) if number is None else job.load_image(number)


def interrupted_writes(
    story: Iterable[Event], kept_number: int | None
) -> tuple[list[tuple[str, tuple[range, ...], set[range]]], list[range]]:
    """(target, units, those proven) of every write of one chip since it was last finished.

    And where a refuted erase instruction may have reached since.
    """
    writes: list[tuple[str, tuple[range, ...], set[range]]] = []
    reached: list[range] = []
    is_it: bool = kept_number is None
    for event in story:
        match event:
            case WriteAnnounced():
                is_it = event.kept_number == kept_number
                if is_it:
                    units = tuple(range(u.start, u.start + u.size) for u in event.units)
                    writes.append((event.target_sha256, units, set()))
            case UnitProven(start=start, size=size) if is_it and writes:
                writes[-1][2].add(range(start, start + size))
            case OpcodeRefuted(start=start, size=size) if is_it:
                reached.append(range(start, start + size))
            case WriteFinished() if is_it:
                writes.clear()
                reached.clear()
            case _:
                pass
    return writes, reached


def _journalled_numbers(job: Job, number: int | None) -> set[str | None]:
    """The factory numbers under which the job met one of its chips; a write may know it first."""
    found = {one.unique_id for one in job.kept_chips if one.number == number}
    if number is None and job.dumped is not None:
        found.add(job.dumped.unique_id)
    unfinished = job.unfinished_on(number)
    return found if unfinished is None else found | {unfinished.unique_id}


def _chip_of(
    job: Job, torn: Mapping[int | None, frozenset[int]], which: WhichChip | None
) -> int | None:
    """Which of several chips without a factory number this one is.

    If it can be the board's own chip and that one was left whole, it is taken for that: so the
    own chip is never erased for the sake of a half-written replacement. Of others it is the one
    that alone explains a page by what it was known to hold.

    Raises:
        CannotTell: nothing tells, and a write would be closed that may not be this chip's.
    """
    if None in torn and job.unfinished_on(None) is None:
        return _own_unless_said(job, torn, which)
    if len(torn) == 1 or all(job.unfinished_on(number) is None for number in torn):
        return next(iter(torn))
    written = [n for n in torn if n is None or targets_on(job.story, n)]
    telling = [n for n in written if _alone_explains_a_page(torn, n)]
    if len(written) == 1 or len(telling) == 1:
        return (telling or written)[0]
    if which is not None and which.kept_number in written:
        return which.kept_number
    raise CannotTell(job, written)


def _own_unless_said(
    job: Job, possible: Iterable[int | None], which: WhichChip | None
) -> int | None:
    """The own chip, which was left whole; but one of which there is a best reading is written by
    no command, so there the bag may say that this is the half-written replacement.

    Raises `CannotTell` where it has to.
    """
    left = [n for n in possible if n is not None and job.unfinished_on(n) is not None]
    if not job.has_best_reading or not left or which == WhichChip(kept_number=None):
        return None
    if which is not None and which.kept_number in left:
        return which.kept_number
    raise CannotTell(job, [None, *left])


def _alone_explains_a_page(torn: Mapping[int | None, frozenset[int]], number: int | None) -> bool:
    others = [pages for other, pages in torn.items() if other != number]
    return bool(frozenset.intersection(*others) - torn[number])


def _demand_source(job: Job, number: int | None) -> None:
    """The own chip of a round without an original is never changed, not even to finish."""
    if number is None and job.has_best_reading:
        raise OtherChip(
            "The chip in the socket is, or may be, the board's own: job"
            f" {job.label} has no original of that, only a best reading, and never writes to it.",
            next_step="Put the new chip in. If this is the new one, it holds the best reading"
            f" already: {command_line('verify', job.folder)} says what it holds.",
        )
    if number is None:
        job.load_original()


def half_written_it_can_be(image: bytes, chip: Identified, job: Job) -> tuple[UnfinishedWrite, ...]:
    """The unfinished writes of the job that can have left `image` on this chip."""
    try:
        possible = chips_it_can_be(chip, job)
    except ChipUntouched:
        return ()
    told = told_by_contents(chip, job, possible, sha256_hex(image))
    left = [number for number in told if job.unfinished_on(number) is not None]
    unique_id = None if chip.unique_id is None else chip.unique_id.hex()
    torn = explained_by(image, job, left, unique_id=unique_id).torn
    writes = (job.unfinished_on(number) for number in torn)
    return tuple(write for write in writes if write is not None)


def could_be_own_chip(image: bytes, job: Job, *, unstable: Sequence[range] = ()) -> bool:
    """Whether the board's own chip could hold `image`, as far as this job knows it."""
    known, _ = _known_contents(job, None)
    unfinished = job.unfinished_on(None)
    announced = unfinished.announced if unfinished is not None else ()
    return unexplained_page(image, known, [*announced, *unstable]) is None


def _source(job: Job) -> bytes:
    return job.load_best_reading().data if job.has_best_reading else job.load_original().data


def _known_contents(job: Job, kept_number: int | None) -> tuple[list[bytes], list[str]]:
    """What pages of one chip may equal, and a sentence on each image that is damaged."""
    images, doubts = [_source(job)], []
    if kept_number is not None:
        images.append(job.load_kept(kept_number))
    for number in job.announced_image_numbers(kept_number):
        try:
            images.append(job.load_image(number))
        except JobDamaged as error:
            doubts.append(f"Image {number} is set aside: {error.seen}")
    return images, doubts


def unexplained_page(
    image: bytes, known: Sequence[bytes], announced: Sequence[range]
) -> int | None:
    """The first page that equals no known image there and lies in no announced range, or None.

    All of `known` are as long as `image`. Pages are 256 bytes.
    """
    fine = equals_any(image, known)
    for stretch in announced:
        fine[stretch.start // PAGE : -(-stretch.stop // PAGE)] = True
    strange = np.flatnonzero(~fine)
    return int(strange[0]) * PAGE if len(strange) else None
