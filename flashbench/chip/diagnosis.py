"""What a contact check saw, and what that means. Pure: observations in, one diagnosis out.

The pictures follow from how the bus works; which cause is the likely one is bench experience,
from memory. `hardware_notes/contact.md` explains each finding under the same name.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from chipdb.table import rows_for_id
from flashbench.adapter.listening import Heard
from flashbench.chip.flips import Flips, flips_among, same_places
from flashbench.chip.other_master import held_low_sentence, next_step, other_master_sentence
from flashbench.chip.status import BUSY

READ_ID: Final = 0x9F
_SFDP: Final = b"SFDP"
_MIRRORED: Final = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_HEAT: Final = "If the chip gets warm, cut its supply first."


class Finding(StrEnum):
    """The names of the pictures, as the bench notes use them."""

    GOOD = "good"
    FLOATING = "floating"
    SHORTED = "shorted"
    BIT_SHIFTED = "bit-shifted"
    BIT_REVERSED = "bit-reversed"
    MIRRORED = "mirrored"
    INTERMITTENT = "intermittent"
    WEAK_CELLS = "weak cells"
    FOUR_BYTE_MODE = "4-byte mode left on"
    POWER_DOWN = "deep power-down"
    CONTINUOUS_READ = "continuous read"
    BUSY = "chip busy"
    OTHER_KIND = "chip of another kind"
    TURNED_ROUND = "chip turned round"
    OTHER_MASTER = "another master"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observations:
    """What one contact check saw. Whatever it did not come to is empty or None.

    `tries` are reads of one stretch at a slow clock, one tuple a try, all of the same addresses;
    `fast_reads` are of that stretch at `fast_hz`.
    """

    heard: Heard | None = None  # the lines before any was driven; None if they were driven already
    id_reads: tuple[bytes, ...] = ()  # 9Fh; the first is the first command the chip heard
    status_reads: tuple[int, ...] = ()  # 05h
    sfdp_reads: tuple[bytes, ...] = ()
    id_reads_after_wake: tuple[bytes, ...] = ()  # 9Fh after ABh, where nothing had answered
    adapter_lost: bool = False
    empty_socket_level: int | None = None  # what every bit read before this chip went in
    unsteady: str | None = None  # what identification met: reads that differ
    tries: tuple[tuple[bytes, ...], ...] = ()
    stretch_start: int = 0
    fast_reads: tuple[bytes, ...] = ()
    fast_hz: int = 0
    in_4byte_mode: bool | None = None
    repeats_every_bytes: int | None = None  # the array looks the same again after so many
    size_bytes: int | None = None  # what the chip claims


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """One finding. `stable` says that the chip can be read as it is.

    `sentences` say what was seen and what is likely, `next_action` the one thing to do next.
    """

    name: Finding
    sentences: tuple[str, ...]
    next_action: str
    stable: bool = False
    flips: Flips | None = None
    wrong_reads: int = 0

    @property
    def wrong(self) -> int:
        """How much went wrong, for comparing with another try: bytes, else whole reads."""
        return self.flips.wrong_bytes if self.flips is not None else self.wrong_reads

    def compared_with(self, before: "Diagnosis") -> str:
        """The count against the last try: "312 wrong bytes at the last try, 4 now.".

        Where one of the two read nothing that could be counted, the findings are compared.
        """
        counted = [found.flips is not None or found.stable for found in (before, self)]
        if not all(counted) or not (before.wrong or self.wrong):
            return f"{before.name} at the last try, {self.name} now."
        what = "byte" if before.wrong == 1 else "bytes"
        return f"{before.wrong} wrong {what} at the last try, {self.wrong} now."


def diagnose(seen: Observations) -> Diagnosis:
    """The one finding that explains most, dangers first."""
    for look in (
        _adapter_lost,
        _other_master,
        _silent,
        _echo,
        _id_unsteady,
        _bits_out_of_place,
        _other_kind,
        _no_maker,
        _reads_unsteady,
        _cells_unsteady,
        _state_left_behind,
        _mirrored,
    ):
        found = look(seen)
        if found is not None:
            return found
    return _good(seen)


def other_kind(jedec_id: bytes) -> str | None:
    """Why a chip with this ID (6 bytes) is none that can be handled, as a sentence, or None.

    By the table, and by the shape of the ID where the table has no row.
    """
    refusal = next((row.refusal for row in rows_for_id(jedec_id) if row.refusal), None)
    if refusal is not None:
        return refusal
    first, rest = jedec_id[0], jedec_id[1:]
    if set(jedec_id) == {0x7F}:
        return "The ID is all continuation codes (7Fh), as that of a ferroelectric RAM begins."
    if first in (0x00, 0xFF):
        nand = next((row.refusal for row in rows_for_id(b"\x00" + rest) if row.refusal), None)
        return nand or (
            f"The ID comes after a dummy byte ({jedec_id[:4].hex(' ').upper()}), as that of a"
            " SPI NAND does."
        )
    # AT45 data sheets: 1Fh, then family code 001 in the upper three bits.
    if first == 0x1F and jedec_id[1] >> 5 == 0b001:
        return (
            f"{_three(jedec_id)} is an AT45 DataFlash, with a command set and page size of its own."
        )
    return None


def answering_id(seen: Observations) -> bytes | None:
    """The ID if the chip gave the same one every time (the very first read aside)."""
    reads = seen.id_reads_after_wake or seen.id_reads[1:]
    if not reads or len(set(reads)) > 1 or _is_level(reads[0]):
        return None
    return reads[0]


def _is_level(read: bytes) -> bool:
    return len(set(read)) == 1 and read[0] in (0x00, 0xFF)


def _adapter_lost(seen: Observations) -> Diagnosis | None:
    if not seen.adapter_lost:
        return None
    return Diagnosis(
        name=Finding.TURNED_ROUND,
        sentences=(
            "The adapter dropped off the USB when the chip was tried.",
            "Unless somebody pulled its plug, something draws far too much current:"
            " a chip turned by half has its supply reversed, and may be too hot to touch.",
        ),
        next_action="Cut the supply at once. Then check where pin 1 is, with the chip out.",
    )


def _other_master(seen: Observations) -> Diagnosis | None:
    sentence = other_master_sentence(seen.heard)
    if sentence is None:
        return None
    return Diagnosis(
        name=Finding.OTHER_MASTER,
        sentences=(sentence, "No line was driven against it."),
        next_action=next_step(seen.heard),
    )


def _silent(seen: Observations) -> Diagnosis | None:
    """Nothing answers 9Fh."""
    if not seen.id_reads or not all(_is_level(read) for read in seen.id_reads):
        return None
    if answering_id(seen) is None and not all(map(_is_level, seen.id_reads_after_wake)):
        return None  # ABh woke something whose answers differ
    levels = {read[0] for read in seen.id_reads}
    if levels == {0xFF}:
        return _busy(seen) or _woken(seen) or _bridged(seen) or _all_ones(seen)
    if levels == {0x00}:
        return _woken(seen) or _all_zeros(seen)
    return Diagnosis(
        name=Finding.FLOATING,
        sentences=("SO reads all ones at one time and all zeros at another: nobody drives it.",),
        next_action=f"Measure VCC at the contacts, then clean and reseat the chip. {_HEAT}",
        wrong_reads=len(seen.id_reads),
    )


def _busy(seen: Observations) -> Diagnosis | None:
    status = set(seen.status_reads)
    if len(status) != 1 or 0xFF in status or not min(status) & BUSY:
        return None
    return Diagnosis(
        name=Finding.BUSY,
        sentences=(
            f"The chip hears nothing but the status read, and says busy ({min(status):02X}h).",
            "An erase or a program begun before goes on, or was suspended.",
        ),
        next_action="Leave it powered until it is done: some seconds, for a chip erase minutes.",
    )


def _woken(seen: Observations) -> Diagnosis | None:
    """Silence that ABh ended; what else may be wrong is looked at first."""
    if answering_id(seen) is None:
        return None
    rest = _after_silence(seen)
    if rest is not None:
        return rest
    return Diagnosis(
        name=Finding.POWER_DOWN,
        sentences=(
            "The chip was silent until it was released from deep power-down (ABh); now it answers"
            " the same each time.",
        ),
        next_action="Nothing: it can be read, and is put back to sleep afterwards.",
        stable=True,
    )


def _after_silence(seen: Observations) -> Diagnosis | None:
    for look in (_bits_out_of_place, _other_kind, _no_maker, _reads_unsteady, _cells_unsteady):
        found = look(seen)
        if found is not None:
            return found
    return None


def _bridged(seen: Observations) -> Diagnosis | None:
    """SO follows SI: high behind 9Fh, whose last bit is 1, and low behind the zeros of 5Ah."""
    if not seen.sfdp_reads or any(set(read) != {0x00} for read in seen.sfdp_reads):
        return None
    return Diagnosis(
        name=Finding.SHORTED,
        sentences=(
            "SO stands where SI stood last: ones behind 9Fh, zeros behind an address of zeros.",
            "SI and SO are bridged, or SO floats beside SI.",
        ),
        next_action="Supply off, chip out; meter SI against SO on the socket, then on the chip.",
        wrong_reads=len(seen.id_reads),
    )


def _all_ones(seen: Observations) -> Diagnosis:
    if seen.empty_socket_level == 0:
        return Diagnosis(
            name=Finding.SHORTED,
            sentences=(
                "SO is high whatever is sent, and was low with the socket empty: it is shorted"
                " to VCC.",
            ),
            next_action="Supply off, chip out; meter SO against VCC on the socket and the chip.",
            wrong_reads=len(seen.id_reads),
        )
    return Diagnosis(
        name=Finding.FLOATING,
        sentences=(
            "All reads are FFh, also after ABh: nobody drives SO.",
            "No chip, no supply, SO or CS# open, HOLD# or RESET# low; more rarely SO at VCC.",
        ),
        next_action=f"Measure VCC at the contacts, then clean and reseat the chip. {_HEAT}",
        wrong_reads=len(seen.id_reads),
    )


def _all_zeros(seen: Observations) -> Diagnosis:
    if seen.empty_socket_level == 1:
        return Diagnosis(
            name=Finding.TURNED_ROUND,
            sentences=(
                "With the socket empty SO was high; since the chip is in, every line is dead.",
                "A chip turned by half has its supply reversed, and may be too hot to touch.",
            ),
            next_action="Cut the supply at once. Then check where pin 1 is, with the chip out.",
            wrong_reads=len(seen.id_reads),
        )
    return Diagnosis(
        name=Finding.SHORTED,
        sentences=(
            "All reads are 00h, also after ABh: SO is held low.",
            "SO shorted to GND, or VCC missing.",
        ),
        next_action=f"Supply off, chip out; meter SO against GND, then VCC. {_HEAT}",
        wrong_reads=len(seen.id_reads),
    )


def _echo(seen: Observations) -> Diagnosis | None:
    if not seen.id_reads or any(set(read) != {READ_ID} for read in seen.id_reads):
        return None
    return Diagnosis(
        name=Finding.SHORTED,
        sentences=("What comes back is what was sent (9Fh): SI and SO are bridged.",),
        next_action="Supply off, chip out; meter SI against SO on the socket, then on the chip.",
        wrong_reads=len(seen.id_reads),
    )


def _id_unsteady(seen: Observations) -> Diagnosis | None:
    reads = seen.id_reads_after_wake or seen.id_reads[1:]
    if len(set(reads)) <= 1:
        return None
    flips = flips_among(reads)
    unheard = sum(_is_level(read) for read in reads)
    shown = ", ".join(sorted({read[:3].hex(" ").upper() for read in reads})[:3])
    sentences = [f"{len(reads)} reads of the ID differ: {shown}."]
    if unheard:
        sentences.append(
            f"{unheard} of them were not answered at all: CS# or SCK comes and goes, or the supply."
        )
    elif flips is not None:
        sentences += [flips.sentence(), *_direction(flips)]
    return _intermittent(sentences, flips)


def _intermittent(sentences: Sequence[str], flips: Flips | None) -> Diagnosis:
    return Diagnosis(
        name=Finding.INTERMITTENT,
        sentences=tuple(sentences),
        next_action="Clean the legs and the socket, press the chip in again, then check again.",
        flips=flips,
        wrong_reads=1,
    )


def _direction(flips: Flips) -> Iterator[str]:
    rose, fell = flips.rising_bits, flips.falling_bits
    if rose + fell >= 8 and (not rose or not fell):
        way = "0 to 1" if rose else "1 to 0"
        yield f"All flips go from {way}: a level or a pull."


def _bits_out_of_place(seen: Observations) -> Diagnosis | None:
    """The ID makes no sense, and makes sense one bit on, one bit back, or bit 0 first."""
    jedec_id = answering_id(seen)
    sfdp = seen.sfdp_reads[0] if seen.sfdp_reads else b""
    if jedec_id is None or sfdp.startswith(_SFDP) or rows_for_id(jedec_id):
        return None
    for meant, meant_sfdp in zip(_one_bit_on(jedec_id), _one_bit_on(sfdp), strict=True):
        if rows_for_id(meant) or meant_sfdp.startswith(_SFDP):
            return _shifted(jedec_id, meant, "late")
    for meant, meant_sfdp in zip(_one_bit_back(jedec_id), _one_bit_back(sfdp), strict=True):
        if rows_for_id(meant) or meant_sfdp.startswith(_SFDP):
            return _shifted(jedec_id, meant, "early")
    meant = jedec_id.translate(_MIRRORED)
    if rows_for_id(meant) or sfdp.translate(_MIRRORED).startswith(_SFDP):
        return Diagnosis(
            name=Finding.BIT_REVERSED,
            sentences=(
                f"Each byte comes with its bits in reverse: {_three(meant)} arrives as"
                f" {_three(jedec_id)}.",
                "No bad contact does that: other equipment on the lines, or a wrong adapter.",
            ),
            next_action="Look for other equipment on the lines; if there is none, send in a trace.",
            wrong_reads=len(seen.id_reads),
        )
    return None


def _one_bit_on(read: bytes) -> tuple[bytes, ...]:
    """What was sent if it arrived one clock late; the last byte is not whole and is left out."""
    value = int.from_bytes(read, "big") << 1
    return ((value & ((1 << 8 * len(read)) - 1)).to_bytes(len(read), "big")[:-1],)


def _one_bit_back(read: bytes) -> tuple[bytes, ...]:
    """What was sent if its first bit was lost, for both values of that bit."""
    rest = int.from_bytes(read, "big") >> 1
    first = 1 << max(0, 8 * len(read) - 1)
    return tuple((rest | top).to_bytes(max(1, len(read)), "big") for top in (0, first))


def _shifted(jedec_id: bytes, meant: bytes, way: str) -> Diagnosis:
    return Diagnosis(
        name=Finding.BIT_SHIFTED,
        sentences=(
            f"Every bit comes one clock {way}: {_three(meant)} arrives as {_three(jedec_id)}.",
            "The clock is too fast for leads or shifter, or an edge of SCK is lost or doubled.",
        ),
        next_action="Halve the clock; if that does not help, shorten the leads, GND beside SCK.",
        wrong_reads=1,
    )


def _three(jedec_id: bytes) -> str:
    return jedec_id[:3].hex(" ").upper()


def _other_kind(seen: Observations) -> Diagnosis | None:
    """Chips that answer 9Fh and are no SPI NOR flash of the kind handled here."""
    jedec_id = answering_id(seen)
    if jedec_id is None:
        return None
    refusal = other_kind(jedec_id)
    if refusal is None:
        return None
    return Diagnosis(
        name=Finding.OTHER_KIND,
        sentences=(refusal, "The contact is good: the ID is the same each time."),
        next_action="Take it out: only SPI NOR flash with page program can be handled here.",
    )


def _no_maker(seen: Observations) -> Diagnosis | None:
    """JEP106: every maker's code has an odd number of ones."""
    jedec_id = answering_id(seen)
    if jedec_id is None or rows_for_id(jedec_id):
        return None
    if seen.sfdp_reads and seen.sfdp_reads[0].startswith(_SFDP):
        return None
    code = jedec_id.lstrip(b"\x7f")[:1]
    if not code or code[0].bit_count() % 2:
        return None
    return Diagnosis(
        name=Finding.BIT_SHIFTED,
        sentences=(
            f"The ID is {_three(jedec_id)} each time, but {code[0]:02X}h is no maker's code:"
            " those have an odd number of ones.",
            "Bits are lost or added on the way.",
        ),
        next_action="Halve the clock; if that does not help, shorten the leads, GND beside SCK.",
        wrong_reads=1,
    )


def _reads_unsteady(seen: Observations) -> Diagnosis | None:
    if seen.unsteady is not None:
        return _intermittent([seen.unsteady], None)
    if len(set(seen.sfdp_reads)) <= 1:
        return None
    flips = flips_among(seen.sfdp_reads)
    sentences = [f"{len(seen.sfdp_reads)} reads of the chip's own tables (SFDP) differ."]
    if flips is not None:
        sentences += [flips.sentence(), *_direction(flips)]
    return _intermittent(sentences, flips)


def _cells_unsteady(seen: Observations) -> Diagnosis | None:
    tried = [flips_among(reads) for reads in seen.tries]
    if not any(tried):
        return None
    everything = flips_among([read for reads in seen.tries for read in reads])
    assert everything is not None  # a try whose reads differ makes all of them differ
    stretch_bytes = len(seen.tries[0][0])
    if same_places(tried, stretch_bytes=stretch_bytes):
        where = ", ".join(f"{seen.stretch_start + place:06X}h" for place in everything.places[:4])
        return Diagnosis(
            name=Finding.WEAK_CELLS,
            sentences=(
                everything.sentence(),
                f"It is the same addresses at each try ({where}): weak cells in the chip, not the"
                " contact.",
            ),
            next_action="Dump at once. If two reads never agree: flashbench dump JOB --best-effort"
            " keeps what most of several say, for another chip.",
            flips=everything,
        )
    return _intermittent(
        [
            everything.sentence(),
            "They lie at other addresses at each try: contact, supply or clock, not the cells.",
            *_direction(everything),
        ],
        everything,
    )


def _state_left_behind(seen: Observations) -> Diagnosis | None:
    """The contact is good; whoever had the chip before left it in a mode."""
    if seen.id_reads and seen.id_reads[0] != seen.id_reads[-1]:
        return Diagnosis(
            name=Finding.CONTINUOUS_READ,
            sentences=(
                f"The first command got {_three(seen.id_reads[0])}, every later one the chip's ID:"
                " it had been left in a read mode that takes no opcode.",
            ),
            next_action="Nothing: the mode is over. To be sure, switch the supply off and on.",
            stable=True,
        )
    if seen.in_4byte_mode:
        return Diagnosis(
            name=Finding.FOUR_BYTE_MODE,
            sentences=(
                "The chip is in 4-byte address mode: the board, or a run that was cut off, left it"
                " so. The contact is good.",
            ),
            next_action="Switch the supply off and on, so that the board gets it back as it wants.",
            stable=True,
        )
    return None


def _mirrored(seen: Observations) -> Diagnosis | None:
    period = seen.repeats_every_bytes
    if period is None:
        return None
    claimed = f" of {seen.size_bytes:,} claimed" if seen.size_bytes else ""
    return Diagnosis(
        name=Finding.MIRRORED,
        sentences=(
            f"The array repeats itself every {period:,} bytes{claimed}, wherever it was looked at.",
            "The chip is smaller than believed, an address bit is stuck, or the image truly is"
            " stored more than once.",
        ),
        next_action="Check the marking, and write nothing until the size is proven.",
        stable=True,
    )


def _good(seen: Observations) -> Diagnosis:
    reads = len(seen.id_reads) + len(seen.sfdp_reads) + sum(len(reads) for reads in seen.tries)
    sentences = [f"All {reads} repeated reads agree."]
    held_low = held_low_sentence(seen.heard)
    if held_low is not None:
        sentences.append(held_low)
    flips = None
    if seen.tries and seen.fast_reads:
        flips = flips_among(seen.fast_reads, truth=seen.tries[0][0])
    if flips is None:
        return Diagnosis(
            name=Finding.GOOD,
            sentences=tuple(sentences),
            next_action="Nothing: go on.",
            stable=True,
        )
    sentences += [
        f"At {seen.fast_hz / 1e6:g} MHz they do not: the clock is too fast for these leads.",
        flips.sentence(),
    ]
    return Diagnosis(
        name=Finding.GOOD,
        sentences=tuple(sentences),
        next_action="Work at a lower clock, or shorten the leads.",
        stable=True,
        flips=flips,
    )
