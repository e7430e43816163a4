"""What the bench was told when a board was booked in, and its text form, intake.toml. Pure.

Everything may be unknown but the label. What the customer said and what was measured is no
evidence of anything; it is kept because it is asked for later.
"""

from dataclasses import asdict, dataclass, fields
from typing import Annotated, Final, Literal

import msgspec
import tomli_w

from flashbench.job import layout
from flashbench.job.refusals import JobDamaged, JobForeign
from flashbench.toml_text import parse

FORMAT: Final = 1
TEXT_CHARS_MAX: Final = 2000
DESCRIPTION_CHARS_MAX: Final = 16_000

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=TEXT_CHARS_MAX)]
Description = Annotated[str, msgspec.Meta(min_length=1, max_length=DESCRIPTION_CHARS_MAX)]
Count = Annotated[int, msgspec.Meta(ge=1, le=64)]
DataKnownFrom = Literal["datasheet", "marking", "seller only"]
"""How the data of a package are known: the words of an edit file's `known_from`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """The content of intake.toml. None: not known, or not asked."""

    label: str
    note: Text | None = None  # for the customer's page
    device: Text | None = None
    board_number: Text | None = None
    fault: Text | None = None
    condition: Text | None = None  # what it looked like when it came
    old_package: Text | None = None  # marking of the packages that were on the board
    old_count: Count | None = None
    straps: Text | None = None  # as measured, most significant first
    new_package: Text | None = None  # marking of the packages fitted
    new_known_from: DataKnownFrom | None = None
    disk_encrypted: bool | None = None
    recovery_key_at_hand: bool | None = None  # in the customer's hands
    entitled: bool | None = None  # the customer may have the board worked on
    old_description: Description | None = None  # a package description, TOML, as it was given
    new_description: Description | None = None


def doubt(intake: Intake) -> str | None:
    """Why an intake cannot be kept, or None. Texts are single printable lines."""
    label_doubt = layout.label_doubt(intake.label)
    if label_doubt is not None:
        return label_doubt
    for name, value in asdict(intake).items():
        if isinstance(value, str) and not name.endswith("_description"):
            if not value.strip() or not value.isprintable():
                return f"{name} is one line of printable characters"
            if len(value) > TEXT_CHARS_MAX:
                return f"{name} has at most {TEXT_CHARS_MAX} characters"
    return None


def encode(intake: Intake) -> str:
    """The text of intake.toml: what is not known is left out."""
    known = {name: value for name, value in asdict(intake).items() if value is not None}
    return tomli_w.dumps({"format": FORMAT, **known}, multiline_strings=True)


def decode(text: str) -> Intake:
    """Read intake.toml. Raises `JobForeign` for another format, `JobDamaged` for no such file."""
    try:
        content = parse(text)
    except (ValueError, RecursionError) as error:
        raise damaged(f"it is not a TOML file: {error}") from error
    found_format = content.pop("format", None)
    if found_format != FORMAT or isinstance(found_format, bool):
        raise JobForeign(
            f"intake.toml states format {str(found_format)[:20]}; this flashbench knows {FORMAT}.",
            next_step="Use the flashbench that wrote it, or a newer one.",
        )
    unknown = sorted(set(content) - {field.name for field in fields(Intake)})
    if unknown:
        raise damaged(f"a key {unknown[0][:40]!r} is not known")
    try:
        intake = msgspec.convert(content, Intake)
    except msgspec.ValidationError as error:
        raise damaged(str(error)) from error
    why = doubt(intake)
    if why is not None:
        raise damaged(why)
    return intake


def damaged(why: str) -> JobDamaged:
    """The refusal of an intake.toml that is none."""
    return JobDamaged(
        f"intake.toml is not what flashbench writes: {why}.",
        next_step="Correct it, or move it out of the folder and book the board in anew.",
    )
