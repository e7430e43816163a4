"""job.toml: what a job is called and what recovery must know before it asks the chip. Pure."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Annotated

import msgspec
import tomli_w

from flashbench.job import layout
from flashbench.job.refusals import JobDamaged, JobForeign
from flashbench.toml_text import parse

FORMAT = 1

Milliseconds = Annotated[float, msgspec.Meta(ge=0, le=86_400_000)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What recovery has to know of the chip while it cannot be asked."""

    density_bytes: Annotated[int, msgspec.Meta(ge=1, le=layout.IMAGE_BYTES_MAX)]
    longest_erase_ms: Milliseconds  # the largest maximum of any erase, chip erase included


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFile:
    """The content of job.toml."""

    label: str
    created: str  # ISO 8601, UTC
    rehearsal: bool  # no real chip was involved
    adapter: Mapping[str, str | int]  # what the adapter said of itself; empty if unknown
    limits: Limits


def encode(job_file: JobFile) -> str:
    """The text of job.toml."""
    return tomli_w.dumps({"format": FORMAT, **asdict(job_file)})


def decode(text: str) -> JobFile:
    """Read job.toml. Raises `JobForeign` for another format, `JobDamaged` for no such file."""
    try:
        content = parse(text)
    except (ValueError, RecursionError) as error:
        raise JobDamaged(f"job.toml is not a TOML file: {error}.") from error
    found_format = content.pop("format", None)
    if found_format != FORMAT or isinstance(found_format, bool):
        raise JobForeign(
            f"job.toml states format {str(found_format)[:20]}; this flashbench knows {FORMAT}.",
            next_step="Open this job with the flashbench that wrote it, or a newer one.",
        )
    try:
        job_file = msgspec.convert(content, JobFile)
    except msgspec.ValidationError as error:
        raise JobDamaged(f"job.toml is not what flashbench writes: {error}.") from error
    doubt = layout.label_doubt(job_file.label)
    if doubt is not None:
        raise JobDamaged(f"job.toml is not what flashbench writes: {doubt}.")
    return job_file
