"""Whose chip is in the socket: asked from the bag it came out of, before a chip is changed."""

from typing import Final

from flashbench.cli.output import Output
from flashbench.cli.terminal import someone_can_be_asked
from flashbench.errors import ChipUntouched, WrongCall

_CHARACTERS: Final = 3


class OtherBag(ChipUntouched):
    """What was read from the bag is not enough of the end of this job's label."""


def demand_bag(
    output: Output,
    label: str,
    *,
    read: str | None,
    whose: str = "this job",
    bag: str = "the bag",
    option: str = "--label",
) -> None:
    """Return if `read`, or what is answered now, ends the label as it stands on the bag.

    At least the last three characters count, or the whole of a shorter label; case and spaces
    do not. The question does not bear the label: it shall be read from the bag.

    Raises:
        WrongCall: nothing was said, and nobody can be asked.
        OtherBag: it is the end of another label, or too short an end.
    """
    if read is None and not someone_can_be_asked(output):
        raise WrongCall(
            "Before a chip is changed, the label on its bag is asked for, and nobody can be asked.",
            next_step=f'Read {bag}, and say its last three characters: {option} "d17". --yes does'
            " not answer this.",
        )
    if read is None:
        question = f"The last three characters of the label on {bag}, spaces not counted?"
        read = output.ask_text(question, labelled=False) or ""
    if not ends_label(label, read):
        if _compact(label).endswith(_compact(read)):
            raise OtherBag(
                f"{read.strip()!r} is too little of a label to tell its bag from another.",
                next_step=f"Say its last {_CHARACTERS} characters, spaces not counted.",
            )
        raise OtherBag(
            f"The label of {whose} does not end in {read.strip()!r}.",
            next_step="Look at the bag and at the folder that was named: one of them is another"
            " job's.",
        )


def ends_label(label: str, read: str) -> bool:
    """Whether `read` is the end of a label, and enough of it."""
    whole, end = _compact(label), _compact(read)
    return len(end) >= min(_CHARACTERS, len(whole)) and whole.endswith(end)


def label_end(label: str) -> str:
    """What is asked for of a label: its last three characters, spaces not counted."""
    return "".join(label.split())[-_CHARACTERS:]


def _compact(text: str) -> str:
    return "".join(text.split()).casefold()
