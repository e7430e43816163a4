"""Names, sizes and small text forms of the files in a job folder. Pure.

Paths are made of the names below and of numbers, never of text that a job file contains.
"""

import re
from pathlib import Path
from typing import Final

JOB_FILE: Final = "job.toml"
INTAKE: Final = "intake.toml"
GUIDE: Final = "guide.toml"
PHOTOS: Final = "photos"
REPORT: Final = "report.html"
FROM_FILES: Final = "from-files.bin"
ORIGINAL: Final = "original.bin"
BEST_READING: Final = "best-reading.bin"
UNSTABLE: Final = "best-reading.json"
CHIP_FACTS: Final = "chip.json"
REGISTERS: Final = "registers"
HASH_SUFFIX: Final = ".sha256"
SECTORS_SUFFIX: Final = ".sectors"

IMAGE_BYTES_MAX: Final = 512 << 20  # twice the largest chip that 4-byte parts are sold as today
TEXT_BYTES_MAX: Final = 16 << 20
JOB_FILE_BYTES_MAX: Final = 1 << 16
INTAKE_BYTES_MAX: Final = 1 << 18
HASH_BYTES_MAX: Final = 256
LABEL_CHARS_MAX: Final = 120

_ROUND = re.compile(r"round-([1-9][0-9]{0,3})\Z")
_NUMBERED = re.compile(
    r"(image|found|doubtful|kept)-([1-9][0-9]{0,5})\.bin(?:\.sha256)?\Z|changes-([1-9][0-9]{0,5})\.json\Z"
)
_EDIT_FILE = re.compile(r"edit-[1-9][0-9]{0,5}\.toml\Z")
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}\Z")


def round_folder(job: Path, number: int) -> Path:
    """JOB/round-N."""
    return job / f"round-{number}"


def round_number(name: str) -> int | None:
    """N of a folder's name "round-N", or None."""
    match = _ROUND.match(name)
    return int(match[1]) if match else None


def next_number(names: tuple[str, ...], what: str) -> int:
    """The first N above every "what-N.bin" in a folder, finished or not."""
    taken = (match for name in names if (match := _NUMBERED.match(name)) and match[1] == what)
    return max((int(match[2]) for match in taken), default=0) + 1


def is_numbered(name: str) -> bool:
    """Whether a name is one that numbered files of a round bear."""
    return _NUMBERED.match(name) is not None


def is_edit_file(name: str) -> bool:
    """Whether a name is one that the guide gives the edit files it writes."""
    return _EDIT_FILE.match(name) is not None


def is_plain(name: str) -> bool:
    """Whether a name may become a file name: letters, digits, "-" and "_" only."""
    return _PLAIN.match(name) is not None


def hash_line(sha256: str, name: str) -> bytes:
    """The content of NAME.sha256, as `sha256sum -c` reads it."""
    return f"{sha256}  {name}\n".encode()


def label_doubt(label: str) -> str | None:
    """Why a text cannot be a label, or None."""
    if not label.strip():
        return "a label needs at least one visible character"
    if len(label) > LABEL_CHARS_MAX:
        return f"a label has at most {LABEL_CHARS_MAX} characters"
    if not label.isprintable():
        return "a label is one line of printable characters"
    return None
