"""From the fitted package to the bytes of an SPD content that must change, each with its reason.

Only fields that depend on an attribute in which the stored content and the package differ are
written, and only their own bits; all else stays as found. A convention is never left: the
content is read in the one it is stored in and written in the same.

Sources: codes and positions as in `spd`; which byte depends on which attribute, the latencies
and refresh times were read off the public SPD data of `tests/data/spd/`, where they hold for
every pair of contents that differ in one attribute.
"""

from dataclasses import dataclass, replace
from enum import Enum

from flashbench.errors import CheckFailed
from flashbench.image.checks import CheckState, compute_check
from flashbench.image.memory_fields import (
    PackageField,
    cas_mask,
    fields_to_write,
    refuse,
    stored_trfc_ps,
)
from flashbench.image.memory_package import (
    KnownFrom,
    MemoryPackage,
    MemoryType,
    attribute_names,
    capacity_text,
)
from flashbench.image.spd import (
    Convention,
    SpdContent,
    decode_spd,
    time_ps,
)


class AnswerNeeded(CheckFailed):
    """The edit is possible in more than one way, and only the technician knows which."""


class WayNeeded(AnswerNeeded):
    """Twice the capacity, and nobody said in which way. `ways` has a line for each."""

    def __init__(self, ways: tuple[str, ...]) -> None:
        self.ways = ways
        super().__init__(
            "Twice the capacity can be reached in several ways, with other SPD bytes for each: "
            + "; ".join(ways)
            + ".",
            next_step="Find out from the marking and the data sheet which way the fitted package"
            " goes, and name it; nothing is chosen for you.",
        )


class WrongCrc(Enum):
    """What to do with a CRC that was wrong before the edit."""

    KEEP = "keep"
    RECOMPUTE = "recompute"


class Doubling(Enum):
    """The ways in which a package can hold twice as much. The value is for sentences."""

    LARGER_DIES = "larger dies"
    SECOND_RANK = "second rank"
    BYTE_WIDE_CHANNELS = "byte-wide channels"
    MORE_CHANNELS = "more channels"


class Unsaid(Enum):
    """What no SPD content can say and a board may still need. The value is the question."""

    STRAPS = "Do the strap resistors select the record that was edited?"
    WIRED_RANKS = "Are the chip selects of all ranks of the fitted package wired on this board?"
    WIRED_CHANNELS = "Are all channels of the fitted package wired, and enabled by the firmware?"
    RANK_MASKS = "Does the firmware keep rank masks or channel masks of its own?"
    SIZE_LIMITS = "Does the firmware limit the memory size, or compare a size kept elsewhere?"
    SPD_COPIES = "Does the firmware keep further copies of this SPD content, one a channel?"
    STORED_TRAINING = "Is stored training data of the old packages still in the flash?"

    @property
    def key(self) -> str:
        return self.name.lower()


class Answer(Enum):
    """What the technician says to a question of `Unsaid`."""

    DONE = "done"
    NOT_NEEDED = "not needed"
    UNKNOWN = "don't know"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteChange:
    """One byte of the SPD content. `rests_on` names the attributes that decided it, with where
    each is known from; empty for what follows from other bytes (the CRC)."""

    at: int
    old: int
    new: int
    field: str
    reason: str
    rests_on: tuple[str, ...]

    def __str__(self) -> str:
        basis = f" (rests on {', '.join(self.rests_on)})" if self.rests_on else ""
        return (
            f"byte {self.at}: {self.old:02x} > {self.new:02x}, {self.field}: {self.reason}{basis}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryEdit:
    """The changes that make one SPD content describe the fitted package."""

    convention: Convention
    before: SpdContent
    after: SpdContent
    package: MemoryPackage
    changes: tuple[ByteChange, ...]
    doubts: tuple[str, ...]
    new_content: bytes

    def capacity_lines(self, *, packages_on_board: int | None = None) -> tuple[str, ...]:
        """Capacity before and after, per package and, if their number is known, of the board."""
        package = self.package
        lines = [
            f"before: {capacity_text(self.before.capacity_gbit)} per {self.before.capacity_of}",
            f"after: {capacity_text(self.after.capacity_gbit)} per {self.after.capacity_of}",
            f"fitted: {capacity_text(package.capacity_gbit)} per package",
        ]
        if packages_on_board is not None:
            before = self.before.capacity_gbit * packages_on_board
            after = package.capacity_gbit * packages_on_board
            was = (
                capacity_text(before)
                if self.before.capacity_of == "package"
                else "not told by this SPD content"
            )
            lines.append(f"board before: {was}")
            lines.append(
                f"board after: {capacity_text(after)} in {packages_on_board} package(s), if all"
                " their channels are wired"
            )
        return tuple(lines)


def compute_edit(
    content: bytes, package: MemoryPackage, *, wrong_crc: WrongCrc | None = None
) -> MemoryEdit:
    """The edit that makes `content`, one stored SPD content, describe `package`.

    Raises `CheckFailed` where the content cannot be read, its convention is unknown, or the
    package is of another memory type or beyond the sourced tables; `AnswerNeeded` where the
    stored CRC is wrong and `wrong_crc` does not say what shall become of it.
    """
    before = decode_spd(content)
    _refuse_crossing(before, package)
    differing = _differing(before, package, content)
    edited = bytearray(content)
    written: dict[int, list[PackageField]] = {}
    for field in fields_to_write(content, before, package, differing):
        for bits in field.bits:
            new = edited[bits.at] & ~bits.mask | bits.value & bits.mask
            if new != edited[bits.at]:
                edited[bits.at] = new
                written.setdefault(bits.at, []).append(field)
    changes = [
        _byte_change(content, bytes(edited), at, fields, package)
        for at, fields in sorted(written.items())
    ]
    if changes:
        changes += _crc_changes(before, edited, wrong_crc)
    after = decode_spd(bytes(edited))
    _prove(after, package, bytes(edited))
    return MemoryEdit(
        convention=before.convention,
        before=before,
        after=after,
        package=package,
        changes=tuple(changes),
        doubts=(*before.doubts, *_package_doubts(before, package)),
        new_content=bytes(edited),
    )


def ways_to_double(
    content: bytes, *, wrong_crc: WrongCrc | None = None
) -> dict[Doubling, MemoryEdit | CheckFailed]:
    """The bytes for each way in which the described package can hold twice as much.

    Where a way cannot be computed, the refusal stands in its place.
    """
    described = package_described(decode_spd(content))
    ways: dict[Doubling, MemoryEdit | CheckFailed] = {}
    for way in Doubling:
        try:
            ways[way] = compute_edit(content, doubled(described, way), wrong_crc=wrong_crc)
        except CheckFailed as refusal:
            ways[way] = refusal
    return ways


def double_capacity(
    content: bytes, how: Doubling | None, *, wrong_crc: WrongCrc | None = None
) -> MemoryEdit:
    """The edit for twice the capacity, reached in the way `how`.

    Raises `WayNeeded` with the bytes of each way if `how` is None: capacity alone does not
    decide them. Raises `CheckFailed` as `compute_edit` does.
    """
    if how is not None:
        described = package_described(decode_spd(content))
        return compute_edit(content, doubled(described, how), wrong_crc=wrong_crc)
    offers = []
    for way, edit in ways_to_double(content, wrong_crc=wrong_crc).items():
        if isinstance(edit, CheckFailed):
            offers.append(f"{way.value}: {edit.seen.rstrip('.')}")
        else:
            changed = ", ".join(f"{c.at}: {c.old:02x} > {c.new:02x}" for c in edit.changes)
            offers.append(f"{way.value}: {changed or 'no byte changes'}")
    raise WayNeeded(tuple(offers))


def package_described(content: SpdContent) -> MemoryPackage:
    """The package that an SPD content describes; where it describes a unit, one such unit."""
    dies = content.dies
    if dies is None:
        dies = max(1, content.channels * content.ranks // content.channels_per_die)
    return MemoryPackage(
        type=content.type,
        density_gbit=content.density_gbit,
        dies=dies,
        ranks=content.ranks,
        width_bits=content.width_bits,
        speed_mtps=content.speed_mtps,
        channels_per_die=content.channels_per_die,
    )


def doubled(package: MemoryPackage, way: Doubling) -> MemoryPackage:
    """`package` with twice the capacity, reached in the way `way`.

    Raises `CheckFailed` where that way does not exist for the memory type.
    """
    if way is Doubling.LARGER_DIES:
        return replace(package, density_gbit=2 * package.density_gbit)
    if way is Doubling.SECOND_RANK:
        return replace(package, dies=2 * package.dies, ranks=2 * package.ranks)
    if package.type in (MemoryType.DDR4, MemoryType.DDR5):
        refuse(f"{package.type.value} packages do not grow by {way.value}.")
    if way is Doubling.MORE_CHANNELS:
        return replace(package, dies=2 * package.dies)
    if package.width_bits != 16:
        refuse("The channels are byte-wide already.")
    if package.type.is_lpddr4:
        return replace(package, width_bits=8, channels_per_die=2 * package.channels_per_die)
    return replace(package, width_bits=8, dies=2 * package.dies)


def differences(content: bytes, package: MemoryPackage) -> frozenset[str]:
    """The attributes (field names of `MemoryPackage`) in which `content` does not fit `package`.

    Only what the stored convention can say is compared. Raises `SpdError` for unreadable bytes.
    """
    return frozenset(_differing(decode_spd(content), package, content))


def _differing(before: SpdContent, package: MemoryPackage, content: bytes) -> set[str]:
    names = ["type", "density_gbit", "ranks", "width_bits", "speed_mtps", "channels_per_die"]
    if before.dies is not None:
        names.append("dies")
    if before.convention is Convention.AMD_WCK and package.type.is_lpddr5:
        names.remove("type")  # this convention writes LPDDR5 for LPDDR5X too
    differing = {name for name in names if getattr(before, name) != getattr(package, name)}
    if package.tck_max_ps is not None and package.tck_max_ps != time_ps(content, 19, 124):
        differing.add("tck_max_ps")
    if package.cas_latencies is not None and cas_mask(package.cas_latencies) != content[20:24]:
        differing.add("cas_latencies")
    if package.trfc_ps is not None and package.trfc_ps != stored_trfc_ps(before, content):
        differing.add("trfc_ps")
    if package.cas_latency is not None and package.type is MemoryType.DDR4:
        stored = round(time_ps(content, 24, 123) / before.tck_ps)
        if stored != package.cas_latency:
            differing.add("cas_latency")
    return differing


def _refuse_crossing(before: SpdContent, package: MemoryPackage) -> None:
    if before.convention is Convention.UNKNOWN:
        refuse("The convention of this SPD content is not known: " + "; ".join(before.doubts) + ".")
    if before.convention is Convention.DDR5:
        refuse(
            "DDR5 contents are read here but not computed: the refresh and row timings of other"
            " densities are not among the sourced tables."
        )
    both_lpddr5 = before.type.is_lpddr5 and package.type.is_lpddr5
    if before.type is not package.type and not both_lpddr5:
        raise CheckFailed(
            f"This board's SPD content describes {before.type.value} and the fitted package is"
            f" {package.type.value}.",
            next_step="These types differ in supply, pins or training and cannot replace each"
            " other; check the package's marking.",
        )


def _byte_change(
    old: bytes, new: bytes, at: int, fields: list[PackageField], package: MemoryPackage
) -> ByteChange:
    needs = frozenset[str]().union(*(field.needs for field in fields))
    return ByteChange(
        at=at,
        old=old[at],
        new=new[at],
        field=" and ".join(field.name for field in fields),
        reason="; ".join(field.reason for field in fields),
        rests_on=_rests_on(package, needs),
    )


def _rests_on(package: MemoryPackage, needs: frozenset[str]) -> tuple[str, ...]:
    """The attributes in the words of the TOML: "ranksPerChannel = 2 (datasheet)"."""
    toml_names = {field: name for name, field in attribute_names(package.type).items()}
    answers = []
    for need in sorted(needs):
        name = toml_names.get(need, need)
        value = getattr(package, need)
        value = value.value if isinstance(value, MemoryType) else value
        origin = package.known_from.get(name)
        answers.append(f"{name} = {value}" + (f" ({origin.value})" if origin else ""))
    return tuple(answers)


def _crc_changes(
    before: SpdContent, edited: bytearray, wrong_crc: WrongCrc | None
) -> list[ByteChange]:
    """Keep an absent CRC absent, recompute a right one, ask about a wrong one."""
    crc = before.crc
    if crc.state in (CheckState.ABSENT, CheckState.UNCHECKABLE):
        return []
    if crc.state is CheckState.WRONG:
        if wrong_crc is None:
            raise AnswerNeeded(
                f"The CRC at byte {crc.offset} of this SPD content was wrong before the edit.",
                next_step="Say whether to keep it as it is (the firmware then does not look at"
                ' it) or to recompute it: wrong_crc = "keep" or "recompute".',
            )
        if wrong_crc is WrongCrc.KEEP:
            return []
    value = compute_check(bytes(edited), crc).to_bytes(crc.width, crc.order)
    changes = []
    for at, new in enumerate(value, start=crc.offset):
        if edited[at] != new:
            changes.append(
                ByteChange(
                    at=at,
                    old=edited[at],
                    new=new,
                    field="CRC",
                    reason="recomputed over the changed bytes",
                    rests_on=(),
                )
            )
            edited[at] = new
    return changes


def _prove(after: SpdContent, package: MemoryPackage, edited: bytes) -> None:
    left = _differing(after, package, edited)
    if left:
        refuse(f"The edited SPD content would still differ in {', '.join(sorted(left))}.")


def changed_type_doubt(before: SpdContent, package: MemoryPackage) -> str | None:
    """What to say loudly where an edit changes the stored memory type, None where it does not.

    A stored LPDDR5 of the AMD convention stands for LPDDR5X, too.
    """
    if before.type is package.type or before.convention is Convention.AMD_WCK:
        return None
    return (
        f"the edit changes the memory type from {before.type.value} to {package.type.value}: is"
        " the package's marking read right, is this the board's record, and does its processor"
        " take that type"
    )


def _package_doubts(before: SpdContent, package: MemoryPackage) -> list[str]:
    changed_type = changed_type_doubt(before, package)
    doubts = [changed_type] if changed_type is not None else []
    doubts += [
        f"{name} is known from the seller only"
        for name, origin in package.known_from.items()
        if origin is KnownFrom.SELLER_ONLY
    ]
    if package.ranks > before.ranks:
        doubts.append(
            f"{package.ranks} ranks need {package.ranks} chip selects wired to every channel;"
            " no edit repairs a board that has fewer"
        )
    if before.dies is None and package.channels > before.channels:
        doubts.append(
            f"this convention describes one {before.capacity_of}: the firmware's own settings"
            f" say how many of the package's {package.channels} channels are used"
        )
    if package.speed_mtps < before.speed_mtps:
        doubts.append(f"the fitted package is slower than the {before.speed_mtps} Mbps stored")
    return doubts
