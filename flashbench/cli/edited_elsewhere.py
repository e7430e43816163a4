"""Taking in an image that was edited elsewhere: `edit JOB --from-image FILE`."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flashbench.cli.edited_image import facts_of, say_changes
from flashbench.cli.given_files import read_bytes, read_edit_file, write_new
from flashbench.cli.output import Output, many
from flashbench.cli.seen_before import tell_seen_before
from flashbench.cli.terminal import someone_can_be_asked
from flashbench.errors import CheckFailed, WrongCall

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flashbench.image.board_numbers import BoardNumber
    from flashbench.image.edit_file import BytesEdit
    from flashbench.image.foreign_edit import ForeignEdit
    from flashbench.image.inspection import Inspection


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """What was said to the offers; None is asked at the terminal, and refused without one."""

    into_copies: bool | None = None
    repair_checks: bool | None = None
    own_numbers: bool | None = None


def from_image_at(
    output: Output,
    folder: Path,
    *,
    from_image: Path,
    edit_file: Path | None = None,
    accepted: Accepted = Accepted(),
    suggest_edit: Path | None = None,
    listing: Path | None = None,
) -> None:
    """What `edit --from-image` does."""
    from flashbench.image.foreign_edit import explain_foreign, take_in
    from flashbench.image.inspection import inspect
    from flashbench.job.folder import Job
    from flashbench.job.layout import IMAGE_BYTES_MAX
    from flashbench.safe_write import steps
    from flashbench.safe_write.new_chip import source_of

    named = _named_places(edit_file)
    with Job.open(folder) as job:
        output.label = job.label
        original = source_of(job).image
        image = read_bytes(from_image, bytes_max=IMAGE_BYTES_MAX)
        steps.demand_new_image(job, original, image)
        found = inspect(original)
        foreign = explain_foreign(
            original,
            image,
            found.sure_blocks,
            places=found.places,
            other_checks=found.checks,
        )
        output.facts["elsewhere"] = _facts(foreign)
        output.say(f"{output.label}: what the image edited elsewhere changes:")
        output.rows([("", line) for line in foreign.lines()])
        if suggest_edit is not None:
            _suggest(output, foreign, named, accepted, into=suggest_edit)
            return
        answers = _settled(output, foreign, accepted)
        output.facts["elsewhere"]["accepted"] = _accepted_facts(answers)
        taken = take_in(
            foreign,
            named=named,
            carry=bool(answers.into_copies),
            own_numbers=bool(answers.own_numbers),
            repair=answers.repair_checks is not False,
        )
        _refuse_stale_digests(taken, found, allowed=answers.repair_checks is False)
        steps.demand_new_image(job, original, taken)
        final = explain_foreign(original, taken, found.sure_blocks, places=found.places)
        edited = steps.take_in(
            job, taken, names=final.names, told={"elsewhere": output.facts["elsewhere"]}
        )
        output.facts = facts_of(job.label, edited) | {"elsewhere": output.facts["elsewhere"]}
        _say_done(output, foreign, answers)
        tell_seen_before(output, job, edited, found.sure_blocks)
        say_changes(output, edited, names=final.names, listing=listing)


def _named_places(edit_file: Path | None) -> "tuple[BytesEdit, ...]":
    if edit_file is None:
        return ()
    wanted = read_edit_file(edit_file)
    if wanted.blocks:
        raise WrongCall(
            "With --from-image an edit file only names places outside blocks, and this one"
            " changes blocks.",
            next_step="Use the edit file alone, or the image alone.",
        )
    return wanted.places


def _suggest(
    output: Output,
    foreign: "ForeignEdit",
    named: "tuple[BytesEdit, ...]",
    accepted: Accepted,
    *,
    into: Path,
) -> None:
    """Name what lies outside blocks; this board's own numbers only where new ones are meant."""
    from flashbench.image.foreign_edit import unnamed_changes
    from flashbench.image.suggest_edit import suggest_places

    new_numbers = accepted.own_numbers is False
    kept = [] if new_numbers else list(foreign.numbers)
    unnamed = unnamed_changes(foreign, named, numbers_too=new_numbers)
    spans = [span for span in unnamed if not any(number.span.contains(span) for number in kept)]
    if not spans:
        raise _nothing_to_name(kept if unnamed else [])
    write_new(into, suggest_places(foreign.original, foreign.edited, spans))
    output.facts["edit_file"] = str(into)
    output.say(
        f"{output.label}: what changes outside every block, in {many(len(spans), 'place')}, is"
        f" named in {into}. Strike out what is not meant and give the file along with the image."
        " Nothing was taken in."
    )
    if kept:
        output.say(
            "This board's own numbers are not named: keep them with --own-numbers. If the new ones"
            " are meant, have them named, too, with --new-numbers."
        )


def _nothing_to_name(kept: "Sequence[BoardNumber]") -> CheckFailed:
    """`kept` are the board's own numbers in which everything lies that no place names."""
    if not kept:
        return CheckFailed(
            "Every change lies in a recognised block or is named: there is nothing to name.",
            next_step="Take the image in without --suggest-edit.",
        )
    numbers = ", ".join(dict.fromkeys(number.text for number in kept))
    return CheckFailed(
        f"Outside blocks nothing but this board's own numbers ({numbers}) would change, and those"
        " are not named unless the new ones are meant.",
        next_step="Take the image in with --own-numbers to keep them. If the new ones are meant,"
        " have them named: --suggest-edit FILE --new-numbers.",
    )


def _settled(output: Output, foreign: "ForeignEdit", accepted: Accepted) -> Accepted:
    """Every offer answered. Raises `CheckFailed` where nobody can be asked."""
    left = [copy for group in foreign.groups for copy in group.untouched]
    if left:
        places = ", ".join(f"{block.offset:#x}" for block in left)
        answer = _asked(
            output,
            accepted.into_copies,
            seen=f"The edit is not in the copies at {places}.",
            question=f"Make the same change in the copies at {places}?",
            options="--into-copies or --not-into-copies",
        )
        accepted = replace(accepted, into_copies=answer)
    broken = [check.offset for check in foreign.broken_checks]
    if accepted.into_copies:
        broken += [check.offset for block in left for check in block.checks]
    if broken:
        places = ", ".join(f"{offset:#x}" for offset in broken)
        answer = _asked(
            output,
            accepted.repair_checks,
            seen=f"The edit broke the checks at {places}.",
            question=f"Recompute the checks at {places}?",
            options="--repair-checks or --leave-checks",
        )
        accepted = replace(accepted, repair_checks=answer)
    if foreign.numbers:
        numbers = ", ".join(dict.fromkeys(number.text for number in foreign.numbers))
        answer = _asked(
            output,
            accepted.own_numbers,
            seen=f"The image would replace this board's own numbers: {numbers}.",
            question=f"Keep this board's own numbers ({numbers})?",
            options="--own-numbers, or --new-numbers and name each new one in an edit file",
        )
        accepted = replace(accepted, own_numbers=answer)
    return accepted


def _asked(output: Output, answer: bool | None, *, seen: str, question: str, options: str) -> bool:
    if answer is not None:
        return answer
    if someone_can_be_asked(output):
        return output.ask(question)
    raise CheckFailed(seen, next_step=f"Decide, and say it with {options}.")


def _refuse_stale_digests(image: bytes, found: "Inspection", *, allowed: bool) -> None:
    from flashbench.image.stored_digests import stale_digests

    for stored, value in stale_digests(image, found.digests):
        if not allowed:
            raise CheckFailed(
                f"After the edit {stored}, would no longer fit.",
                next_step="If nothing signs it, write its new value there, too:"
                f" {value.hex(' ')}. To leave it wrong, say so with --leave-checks.",
            )


def _say_done(output: Output, foreign: "ForeignEdit", answers: Accepted) -> None:
    if answers.into_copies:
        output.say("The same change was made in the copies that did not have it.")
    if answers.repair_checks:
        output.say("The checks were recomputed, each is right now.")
    elif foreign.broken_checks:
        output.say(
            f"{many(len(foreign.broken_checks), 'check')} left wrong, as you said: the firmware"
            " may refuse its blocks."
        )
    if answers.own_numbers:
        output.say("This board's own numbers were kept.")
    output.say()


def _accepted_facts(answers: Accepted) -> dict[str, Any]:
    return {
        "into_copies": answers.into_copies,
        "repair_checks": answers.repair_checks,
        "own_numbers": answers.own_numbers,
    }


def _facts(foreign: "ForeignEdit") -> dict[str, Any]:
    return {
        "changes": [
            {
                "offset": change.span.start,
                "length": change.span.end - change.span.start,
                "block": None if change.block is None else change.block.offset,
                "is_check": change.is_check,
                "inside": change.inside,
            }
            for change in foreign.changes
        ],
        "copies": [
            {
                "edited": [block.offset for block in group.edited],
                "untouched": [block.offset for block in group.untouched],
                "edited_alike": group.edited_alike,
            }
            for group in foreign.groups
        ],
        "broken_checks": [
            {"kind": check.kind.value, "offset": check.offset} for check in foreign.broken_checks
        ],
        "numbers": [
            {"kind": one.kind.value, "offset": one.span.start, "text": one.text}
            for one in foreign.numbers
        ],
    }
