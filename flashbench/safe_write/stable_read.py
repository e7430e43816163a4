"""Two whole reads of one chip, by two ways, that agree: the evidence `StableRead`."""

from collections.abc import Sequence
from dataclasses import InitVar, dataclass, field
from pathlib import Path
from typing import Final, Protocol, final

from flashbench.chip import reading
from flashbench.chip._read_frames import ReadKind
from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import FIRST_CONTACT_HZ, Identified
from flashbench.chip.profile import Address, AddressMode
from flashbench.errors import ChipUntouched
from flashbench.progress import Progress, silent
from flashbench.safe_write import screening
from flashbench.safe_write._following import Comparison, Digest, Following
from flashbench.safe_write.address_lines import off_address, tables_are_gone

_SEAL: Final = object()
_PROBE_BYTES: Final = 4096
_SWINGS_MIN: Final = 64
_SWINGS_MAX: Final = 512
_BYTES_A_SWING: Final = 4096


class ReadsDisagree(ChipUntouched):
    """Two complete reads of one chip were not the same. `kept` lists where they were saved.

    `difference` is None where they were the same and yet are no firmware; `ways` tells how each
    was read.
    """

    def __init__(
        self,
        seen: str,
        *,
        next_step: str,
        kept: tuple[Path, ...],
        difference: screening.Disagreement | None = None,
        ways: tuple[str, ...] = (),
    ) -> None:
        super().__init__(seen, next_step=next_step)
        self.kept = kept
        self.difference = difference
        self.ways = ways


class KeepsDoubtful(Protocol):
    """What takes a complete read that did not agree with another: a job."""

    def save_doubtful(self, data: bytes) -> Path: ...


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class StableRead(Evidence):
    """The chip's contents, read twice and equal. Has no public constructor: see `read_twice`."""

    chip: Identified
    image: bytes = field(repr=False)
    sha256: str
    clock_hz: int  # SCK of the faster read
    ways: tuple[str, str]
    notes: tuple[str, ...]
    size_sources: tuple[str, ...]
    size_doubt: str | None
    change_count: int
    seal: InitVar[object]

    def __post_init__(self, seal: object) -> None:
        if seal is not _SEAL:
            raise TypeError("StableRead has no public constructor: call read_twice()")

    @property
    def size_is_proven(self) -> bool:
        """At least two sources agree on the size and none contradicts."""
        return self.size_doubt is None and len(self.size_sources) >= 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _TwoReads:
    first: bytes
    second: bytes
    first_sha256: str
    equal: bool  # as compared while the second arrived
    faster_hz: int
    slower_hz: int
    ways: tuple[str, str]


def _read_two_ways(chip: Identified, progress: Progress) -> _TwoReads:
    full_hz = reading.read_hz(chip, ReadKind.FAST)
    half_hz = min(full_hz // 2, reading.read_hz(chip, ReadKind.PLAIN))
    middle = Address(chip.profile.density_bytes // 2 + _PROBE_BYTES)
    digest = Digest()
    with Following(digest.work) as following:
        first = reading.read_whole(
            chip,
            kind=ReadKind.FAST,
            sck_hz=full_hz,
            step="first read",
            progress=progress,
            arriving=following.arriving,
        )
    comparison = Comparison(first)
    with Following(comparison.work) as following:
        second = reading.read_whole(
            chip,
            kind=ReadKind.PLAIN,
            sck_hz=half_hz,
            step="second read",
            first=middle,
            progress=progress,
            arriving=following.arriving,
        )
    full_mhz, half_mhz = (chip.wire.true_hz(hz) / 1e6 for hz in (full_hz, half_hz))
    return _TwoReads(
        first=first,
        second=second,
        first_sha256=digest.sha256,
        equal=comparison.equal,
        faster_hz=chip.wire.true_hz(full_hz),
        slower_hz=half_hz,
        ways=(
            f"fast read at {full_mhz:g} MHz from 000000h",
            f"plain read at {half_mhz:g} MHz from {middle:06X}h",
        ),
    )


def read_twice(
    chip: Identified,
    *,
    keep_doubtful_in: KeepsDoubtful | None = None,
    progress: Progress = silent,
) -> StableRead:
    """Read the whole chip twice, the second time slower, by another opcode, from elsewhere.

    Raises:
        TypeError: `chip` is not an Identified.
        ReadsDisagree: the reads differ; both are kept if there is a job to keep them in.
        ReadsDisagree: they agree but a data bit never changes, addresses do not arrive as they
            are sent, or the steepest bytes read otherwise at a slow clock.
        ChipUntouched: another chip answers now than the one that was identified.
        AdapterError, Interrupted: the bus failed or the user stopped; the chip was only read.
    """
    if not isinstance(chip, Identified):
        raise TypeError("read_twice() takes the Identified that identify() made")
    chip.check_still_in_session()
    reads = _read_two_ways(chip, progress)
    if not reads.equal:
        found = screening.disagreement(reads.first, reads.second)
        _refuse_disagreement(found, reads, keep_doubtful_in)
    chip.demand_same_chip()
    _refuse_stuck_lanes(reads, keep_doubtful_in)
    _refuse_other_addresses(chip, reads, keep_doubtful_in)
    _refuse_late_bits(chip, reads, keep_doubtful_in)
    sources, doubt = prove_size(chip, reads.first)
    return StableRead(
        chip=chip,
        image=reads.first,
        sha256=reads.first_sha256,
        clock_hz=reads.faster_hz,
        ways=reads.ways,
        notes=screening.notes(reads.first),
        size_sources=sources,
        size_doubt=doubt,
        change_count=chip.adapter.session.change_count,
        seal=_SEAL,
    )


def read_twice_except(
    chip: Identified,
    suspect: Sequence[range],
    *,
    keep_doubtful_in: KeepsDoubtful,
    progress: Progress = silent,
) -> bytes:
    """As `read_twice`, for a chip whose `suspect` ranges may read differently each time.

    Not evidence: what comes back may be a half-written chip.
    """
    chip.check_still_in_session()
    reads = _read_two_ways(chip, progress)
    _refuse_disagreement(
        screening.differs_outside(reads.first, reads.second, list(suspect)),
        reads,
        keep_doubtful_in,
    )
    chip.demand_same_chip()
    return reads.first


def _keep(reads: _TwoReads, keeper: KeepsDoubtful | None) -> tuple[Path, ...]:
    if keeper is None:
        return ()
    return tuple(keeper.save_doubtful(read) for read in (reads.first, reads.second))


def _kept_sentence(kept: tuple[Path, ...]) -> str:
    return f" Both reads are kept ({', '.join(path.name for path in kept)})." if kept else ""


def _refuse_disagreement(
    found: screening.Disagreement | None, reads: _TwoReads, keeper: KeepsDoubtful | None
) -> None:
    if found is None:
        return
    kept = _keep(reads, keeper)
    raise ReadsDisagree(
        found.sentence() + _kept_sentence(kept),
        next_step=(
            "Press the chip into the socket again, shorten the leads or lower --clock,"
            " then dump again."
        ),
        kept=kept,
        difference=found,
        ways=reads.ways,
    )


def _refuse_stuck_lanes(reads: _TwoReads, keeper: KeepsDoubtful | None) -> None:
    stuck = screening.stuck_lanes(reads.first)
    if not stuck:
        return
    kept = _keep(reads, keeper)
    what = ", ".join(f"bit {bit} is always {value}" for bit, value in stuck)
    raise ReadsDisagree(
        f"Both reads agree, but over all non-blank data {what}: a stuck line, not a firmware."
        + _kept_sentence(kept),
        next_step="Clean and reseat the chip, check the MISO line, then dump again.",
        kept=kept,
    )


def _refuse_other_addresses(
    chip: Identified, reads: _TwoReads, keeper: KeepsDoubtful | None
) -> None:
    off = off_address(chip, reads.first, sck_hz=reads.slower_hz)
    if off is not None:
        what = off.sentence()
    elif tables_are_gone(chip):
        what = (
            "Both reads agree, but the chip's own tables (SFDP) do not read from 0x000000 as they"
            " did before: addresses do not reach the chip as they are sent."
        )
    elif _says_nothing_but_its_id(chip, reads.first):
        what = (
            "Both reads agree on a chip without contents, and it has shown no tables (SFDP),"
            f" which every {' or '.join(chip.profile.parts)} on record has: its ID may have been"
            " misread."
        )
    else:
        return
    kept = _keep(reads, keeper)
    raise ReadsDisagree(
        what + _kept_sentence(kept),
        next_step="Clean and reseat the chip, check the MOSI line, shorten the leads or lower"
        " --clock, then dump again.",
        kept=kept,
    )


def _refuse_late_bits(chip: Identified, reads: _TwoReads, keeper: KeepsDoubtful | None) -> None:
    """Both clocks may lie above what the lines bear; the steepest bytes, read slowly, tell."""
    if reads.slower_hz <= FIRST_CONTACT_HZ:
        return
    at_most = min(_SWINGS_MAX, max(_SWINGS_MIN, len(reads.first) // _BYTES_A_SWING))
    places = screening.largest_swings(reads.first, at_most=at_most)
    asked = [
        frame
        for place in places
        for frame in reading.array_frames(chip.profile, Address(place - 1), 2, kind=ReadKind.PLAIN)
    ]
    with reading.address_mode(chip):
        held = chip.run(asked, sck_hz=FIRST_CONTACT_HZ)
    late = [
        place
        for number, place in enumerate(places)
        if held[2 * number : 2 * number + 2] != reads.first[place - 1 : place + 1]
    ]
    if not late:
        return
    kept = _keep(reads, keeper)
    raise ReadsDisagree(
        f"Both reads agree, but {len(late)} of {len(places)} bytes that are least like the one"
        f" before them read otherwise at {FIRST_CONTACT_HZ // 1_000_000} MHz, first at"
        f" {min(late):#08x}: the lines are too slow for the clock.{_kept_sentence(kept)}",
        next_step="Shorten the leads or lower --clock, then dump again.",
        kept=kept,
    )


def _says_nothing_but_its_id(chip: Identified, image: bytes) -> bool:
    """Whether the ID alone tells that this part is there: a misread ID would look the same."""
    return chip.sfdp is None and chip.profile.sfdp_on_record and screening.is_constant(image)


def prove_size(chip: Identified, image: bytes) -> tuple[tuple[str, ...], str | None]:
    """(sources that agree on the size, or what contradicts them).

    Table row and SFDP were weighed by the profile. The array speaks for its size if it is not
    periodic at half of it and a read past the end returns the start; it speaks against it if a
    read past the end returns something else. In 3-byte mode nothing lies past 16 MiB, and a
    blank or constant array tells nothing.
    """
    profile = chip.profile
    three_byte = profile.address_mode is AddressMode.THREE_BYTE
    if three_byte and profile.density_bytes >= 1 << 24:
        return profile.density_sources, None
    probes = screening.telling_blocks(image, block=_PROBE_BYTES)
    if not probes:
        return profile.density_sources, None
    if profile.density_bytes > 1 << 24 and screening.has_equal_halves(image):
        return profile.density_sources, (
            "The two halves of the dump are equal: either the image is doubled, or 4-byte"
            " addresses do not reach the upper half."
        )
    with reading.address_mode(chip):
        past = [
            reading.read_bytes(chip, Address(profile.density_bytes + at), _PROBE_BYTES)
            for at in probes
        ]
    wrapped = [data == image[at : at + _PROBE_BYTES] for at, data in zip(probes, past, strict=True)]
    if not any(wrapped) and len({bytes(data) for data in past} - {b"\xff" * _PROBE_BYTES}) > 0:
        return profile.density_sources, (
            f"A read past {profile.density_bytes:#x} does not return to the start:"
            " the array is larger than the chip says."
        )
    if all(wrapped) and not screening.has_equal_halves(image):
        return (*profile.density_sources, "array"), None
    return profile.density_sources, None
