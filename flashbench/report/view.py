"""What the report says, as frozen facts. What is None or empty is not known, and not shown."""

from dataclasses import dataclass
from enum import Enum

from flashbench.image.memory_package import MemoryPackage


class State(Enum):
    """Where the job stands. The value is the key of its sentences."""

    UNREAD = "unread"
    KEPT = "kept"  # the original is on disk, nothing else
    PREPARED = "prepared"  # an edited image is on disk and was never written
    HALF_WRITTEN = "half-written"
    PROVEN = "proven"  # the chip was read back and holds an edited image
    RESTORED = "restored"  # the chip was read back and holds the original


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """What the bench was told of the board, and measured on it."""

    device: str | None = None
    board_number: str | None = None
    fault: str | None = None
    note: str | None = None
    condition: str | None = None  # as it came in
    entitled: bool | None = None
    packages_on_board: int | None = None
    straps: str | None = None  # as measured, most significant first
    was_marking: str | None = None
    was: MemoryPackage | None = None
    fitted_marking: str | None = None
    fitted_known_from: str | None = None
    fitted: MemoryPackage | None = None
    disk_encrypted: bool | None = None
    recovery_key_at_hand: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of the board when it was whole again."""

    boots: bool
    memory_shown_gbit: int | None = None
    test_hours: float | None = None
    test_errors: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """The flash chip as it was identified."""

    jedec_id: str
    unique_id: str | None
    parts: tuple[str, ...]
    marking: str | None
    size_bytes: int
    size_sources: tuple[str, ...]
    size_doubt: str | None
    supply_volts: tuple[float, float] | None  # what the part takes
    supply_known_from: str | None
    declared_volts: float | None  # what the bench was said to supply
    registers: tuple[tuple[str, int], ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """The original or an image of the round, as it lies on the disk."""

    name: str  # "original", "image 1"
    size: int
    sha256: str
    code: str  # short, for people


@dataclass(frozen=True, slots=True, kw_only=True)
class BestRead:
    """What most reads of a chip say that never read the same twice. Not proven."""

    stored: Stored
    read_count: int
    unstable_bytes: int
    unstable: tuple[range, ...]  # addresses at which the reads differed, ascending


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """A file with contents of the chip in any round: evidence or not."""

    round_number: int
    name: str  # "original", "image 1", "found 1"
    sha256: str
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A file of the job's photos/, as it was listed."""

    name: str
    sha256: str


class Cell(Enum):
    """What one cell of the chip's map shows. The value is the key of its name."""

    BLANK = "blank"
    UNCHANGED = "unchanged"
    CHANGED = "changed"
    BOARD_WROTE = "board-wrote"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipMap:
    """The array as equal cells of `cell_bytes`; `protected` counts cells, ascending."""

    cell_bytes: int
    cells: tuple[Cell, ...]
    protected: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedStretch:
    """A row of the change sheet."""

    offset: int
    length: int
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What an image changes against the original."""

    image_name: str
    changed_bytes: int
    stretch_count: int
    stretches: tuple[ChangedStretch, ...]  # the first of them
    listing: str  # old and new bytes side by side
    numbers_touched: tuple[str, ...] | None  # kinds of board numbers that changed bytes lie in
    about: str  # as the edit file says
    doubts: tuple[str, ...]
    questions: tuple[str, ...]  # what no memory record says and nobody has answered


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardWrote:
    """What differs between this round's original and what the last round left on the chip."""

    round_number: int  # the round that left it
    byte_count: int
    stretch_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """What one SPD content says of a package."""

    type: str
    capacity_gbit: int
    capacity_of: str
    density_gbit: int
    dies: int | None
    ranks: int
    width_bits: int
    speed_mtps: int
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryRow:
    """One row of a table of SPD contents, before and (if another) after the edit."""

    index: int
    index_text: str
    offset: int
    before: Described | None
    after: Described | None
    changed: bool
    chosen_by_straps: bool
    fits_was: bool | None
    misfits: tuple[str, ...]
    describes_fitted: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryTable:
    """A table of SPD contents of which the straps of the board choose one row."""

    offset: int
    stride: int
    copies: tuple[int, ...]
    rows: tuple[MemoryRow, ...]
    notes: tuple[str, ...]
    verdict: str


class Open(Enum):
    """What nobody has proven of the packages. The value is the key of its sentence."""

    BOARD = "board"
    COUNT = "count"
    ROW = "row"
    UNIT = "unit"
    SELLER = "seller"


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageChange:
    """What the memory description said of the packages, and what it says now."""

    index_text: str
    before: Described
    after: Described
    count: int | None  # packages on the board
    part: str | None  # of the fitted package
    open: tuple[Open, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadDifference:
    """Two complete reads of the chip that did not agree, or agree and cannot be right."""

    names: tuple[str, str]
    byte_count: int
    first: int | None
    rising_bits: int
    falling_bits: int
    lanes: tuple[int, ...]  # flips of each bit, bit 0 first
    cell_bytes: int
    cells: tuple[int, ...]  # differing bytes in each cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One entry of the timeline: the key of its sentence and what stands in it."""

    at: str
    kind: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundStory:
    """What happened in one round, oldest first."""

    round_number: int
    moments: tuple[Moment, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What is proven, and the one command that comes next."""

    proven: tuple[str, ...]
    command: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    """Everything both pages say of a job."""

    label: str
    created: str
    as_of: str  # the time of the journal's last line
    practice: bool
    round_number: int
    state: State
    holds: Stored | None  # what the chip was last proven to hold
    on_new_chip: bool
    adapter: tuple[tuple[str, str], ...]
    chip: Chip
    read_ways: tuple[str, ...]
    original: Stored | None
    best_reading: BestRead | None  # in place of an original
    images: tuple[Stored, ...]
    files: tuple[StoredFile, ...]  # of all rounds
    photos: tuple[Photo, ...]
    changes: Changes | None
    map_before: ChipMap | None
    map_after: ChipMap | None
    board_wrote: BoardWrote | None
    tables: tuple[MemoryTable, ...]
    tables_left_out: int
    packages: tuple[PackageChange, ...]
    read_differences: tuple[ReadDifference, ...]
    story: tuple[RoundStory, ...]
    next: Next
    booking: Booking
    outcome: Outcome | None

    @property
    def state_key(self) -> str:
        """The section of the sentences of this state; a best reading has its own."""
        return f"{'state' if self.best_reading is None else 'best'}.{self.state.value}"
