"""Blocks of published formats that carry a check of their own, wherever they sit in an image.

Each function looks for one signature, checks lengths against the image, then sums. A signature
alone proves nothing: where it is short or common, the block is claimed only if its sum is right
or its other fields are such as no random bytes would be.

Sources stand beside the functions. "Memory" marks layouts for which no public text was at hand.
"""

import heapq
import itertools
import re
import struct
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np

from flashbench.image.checks import Check, CheckKind, CheckState, Order, Span, judged
from flashbench.image.finds import Block, Confidence
from flashbench.image.overlaps import DEPTH_MAX, FOUND_MAX, Admission, Bounds
from flashbench.image.stored_digests import places_beginning_like

HITS_MAX = 1 << 16  # of one signature
_PRINTABLE = re.compile(rb"[\x20-\x7e\x00]*\Z")


class Places:
    """Where each signature stands, ascending, and how many of the blocks there are looked at."""

    def __init__(self, data: bytes, bounds: Bounds) -> None:
        self._bounds = bounds
        by_head = defaultdict(list)
        for signature in _SIGNATURES:
            by_head[signature[:4]].append(signature)
        self._hits: dict[bytes, list[int]] = {signature: [] for signature in _SIGNATURES}
        for at in places_beginning_like(data, by_head):
            for signature in by_head[data[at : at + 4]]:
                if data.startswith(signature, at):
                    self._hits[signature].append(at)

    def __getitem__(self, signature: bytes) -> Iterator[int]:
        return self._some(iter(self._hits[signature]))

    def of_any(self, signatures: Iterable[bytes]) -> Iterator[int]:
        """Where any of some signatures stands."""
        return self._some(heapq.merge(*(self._hits[signature] for signature in signatures)))

    def _some(self, hits: Iterator[int]) -> Iterator[int]:
        yield from itertools.islice(hits, HITS_MAX)
        beyond = next(hits, None)
        if beyond is not None:
            self._bounds.leave_out("signatures of known blocks", beyond)

    def every(self, data: bytes, signature: bytes) -> Iterator[int]:
        """Where a signature stands that is none of `_SIGNATURES`."""
        return self._some(_each(data, signature))

    def admission(self, what: str, *, depth: int = DEPTH_MAX, most: int = FOUND_MAX) -> Admission:
        return self._bounds.admission(what, depth=depth, most=most)


def find_known_blocks(data: bytes, bounds: Bounds | None = None) -> tuple[Block, ...]:
    """Every block of a known format in `data`, by offset; `bounds` says which were left out."""
    places = Places(data, bounds or Bounds())
    found: dict[tuple[int, int, str], Block] = {}
    for finder in _FINDERS:
        for block in finder(data, places):
            found.setdefault((block.offset, block.length, block.name), block)
    return tuple(sorted(found.values(), key=lambda block: (block.offset, -block.length)))


def _each(data: bytes, signature: bytes) -> Iterator[int]:
    at = data.find(signature)
    while at >= 0:
        yield at
        at = data.find(signature, at + 1)


def _zero_sum_8(data: bytes, at: int, first: int, end: int) -> Check:
    check = Check(kind=CheckKind.ZERO_SUM_8, offset=at, order="little", covers=(Span(first, end),))
    return judged(data, check)


def _crc_32(
    data: bytes, at: int, covers: Span, *, order: Order, zeroed: tuple[Span, ...] = ()
) -> Check:
    check = Check(
        kind=CheckKind.CRC_32_ISO_HDLC, offset=at, order=order, covers=(covers,), zeroed=zeroed
    )
    return judged(data, check)


def _block(
    offset: int, end: int, signature: bytes, name: str, check: Check | None, *more: Check
) -> Block:
    return Block(
        offset=offset,
        length=end - offset,
        signature=signature,
        name=name,
        confidence=Confidence.DOCUMENTED,
        check=check,
        more_checks=more,
    )


# ---- PC firmware tables


def _rsdp(data: bytes, places: Places) -> Iterator[Block]:
    """ACPI root pointer (ACPI specification, 5.2.5)."""
    admission = places.admission("ACPI root pointers")
    for at in places[b"RSD PTR "]:
        if at + 20 > len(data):
            return
        if not admission.admits(at, at + 36):
            continue
        first = _zero_sum_8(data, at + 8, at, at + 20)
        if data[at + 15] < 2:
            yield _block(at, at + 20, b"RSD PTR ", "ACPI root pointer", first)
            continue
        if at + 36 > len(data):
            continue
        length = int.from_bytes(data[at + 20 : at + 24], "little")
        if length == 36:
            whole = _zero_sum_8(data, at + 32, at, at + 36)
            yield _block(at, at + 36, b"RSD PTR ", "ACPI root pointer", whole, first)


_ACPI_NAMES = (
    b"APICBERTBGRTBOOTCPEPDBG2DBGPDMARDSDTECDTEINJERSTFACPFPDTGTDTHESTHPETIORTIVRSLPITMCFGMPSTMSCT"
    b"MSDMNFITPCCTPPTTRSDTSBSTSLICSLITSPCRSPMISRATSSDTTCPATPM2UEFIWAETWDATWSMTXSDT"
)
_OEM_LETTERS = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ACPI_TABLES = frozenset(
    [_ACPI_NAMES[at : at + 4] for at in range(0, len(_ACPI_NAMES), 4)]
    + [b"OEM" + bytes([letter]) for letter in _OEM_LETTERS]
)
ACPI_LENGTH_MAX = 1 << 20


def _acpi_tables(data: bytes, places: Places) -> Iterator[Block]:
    """ACPI tables (ACPI specification, 5.2.6). In flash they are templates that firmware fills
    in, so a wrong sum may be what the maker shipped."""
    admission = places.admission("ACPI tables")
    for at in places.of_any(_ACPI_TABLES):
        yield from _acpi_table(data, at, data[at : at + 4], admission)


def _acpi_table(data: bytes, at: int, signature: bytes, admission: Admission) -> Iterator[Block]:
    header = data[at : at + 36]
    if len(header) < 36:
        return
    length, revision = struct.unpack_from("<IB", header, 4)
    if not 36 <= length <= ACPI_LENGTH_MAX or at + length > len(data) or revision > 16:
        return
    names = header[10:24]
    if not _PRINTABLE.match(names) or not names.strip(b"\0 "):
        return
    if not admission.admits(at, at + length):
        return
    check = _zero_sum_8(data, at + 9, at, at + length)
    creator = header[28:32]
    if check.state is CheckState.RIGHT or (_PRINTABLE.match(creator) and any(creator)):
        name = f"ACPI table {signature.decode()}"
        yield _block(at, at + length, signature, name, check)


def _smbios(data: bytes, places: Places) -> Iterator[Block]:
    """SMBIOS entry points (DMTF DSP0134, 5.2). Length 1Eh occurs beside 1Fh."""
    admission = places.admission("SMBIOS entry points")
    for at in places[b"_SM_"]:
        entry = data[at : at + 0x1F]
        fits = len(entry) == 0x1F and entry[5] in (0x1E, 0x1F) and entry[0x10:0x15] == b"_DMI_"
        if fits and admission.admits(at, at + 0x1F):
            whole = _unless_unfinished(data, _zero_sum_8(data, at + 4, at, at + entry[5]))
            inner = _zero_sum_8(data, at + 0x15, at + 0x10, at + 0x1F)
            inner = _unless_unfinished(data, inner)
            yield _block(at, at + 0x1F, b"_SM_", "SMBIOS entry point", whole, inner)
    admission = places.admission("SMBIOS 3 entry points")
    for at in places[b"_SM3_"]:
        entry = data[at : at + 0x18]
        if len(entry) == 0x18 and entry[6] == 0x18 and admission.admits(at, at + 0x18):
            check = _unless_unfinished(data, _zero_sum_8(data, at + 5, at, at + 0x18))
            yield _block(at, at + 0x18, b"_SM3_", "SMBIOS 3 entry point", check)


def _unless_unfinished(data: bytes, check: Check) -> Check:
    """Entry points in flash are mostly templates with a sum of zero still in them."""
    if check.state is CheckState.WRONG and not any(data[slice(*check.field)]):
        return replace(check, state=CheckState.ABSENT, why="the firmware fills it in as it runs")
    return check


def _older_pc_blocks(data: bytes, places: Places) -> Iterator[Block]:
    """Plug and Play, PCI routing, multiprocessor and 32-bit service blocks (memory). Their
    signatures turn up by chance, so only right ones are claimed."""
    for signature, name, size_at, size_width, unit, sum_at in (
        (b"$PnP", "Plug and Play header", 5, 1, 1, 8),
        (b"$PIR", "PCI interrupt routing table", 6, 2, 1, 0x1F),
        (b"_MP_", "multiprocessor pointer", 8, 1, 16, 0x0A),
        (b"_32_", "32-bit service directory", 9, 1, 16, 0x0A),
    ):
        admission = places.admission(f"blocks like a {name}")
        for at in places[signature]:
            size = unit * int.from_bytes(data[at + size_at : at + size_at + size_width], "little")
            fits = size > sum_at and at + size <= len(data)
            if fits and admission.admits(at, at + size):
                check = _zero_sum_8(data, at + sum_at, at, at + size)
                if check.state is CheckState.RIGHT:
                    yield _block(at, at + size, signature, name, check)


def _option_roms(data: bytes, places: Places) -> Iterator[Block]:
    """PCI expansion ROM images (PCI firmware specification; memory)."""
    admission = places.admission("PCI expansion ROMs")
    for at in places.every(data, b"\x55\xaa"):
        if at + 0x1A > len(data):
            return
        size = 512 * data[at + 2]
        pointer = at + int.from_bytes(data[at + 0x18 : at + 0x1A], "little")
        if not size or at + size > len(data) or data[pointer : pointer + 4] != b"PCIR":
            continue
        if not admission.admits(at, at + size):
            continue
        check = _zero_sum_8(data, at + size - 1, at, at + size)
        code_type = data[pointer + 0x14 : pointer + 0x15]
        if code_type == b"\x03" and check.state is CheckState.WRONG:
            check = replace(check, state=CheckState.ABSENT, why="an EFI image need not sum to zero")
        yield _block(at, at + size, b"\x55\xaa", "PCI expansion ROM", check)


# ---- processor makers' blocks


_MICROCODE = re.compile(
    # Version 1, revision, date (year, day, month in BCD), signature and sum, loader version 1.
    rb"\x01\0\0\0[\0-\xff]{4}[\0-\x99][\x19\x20][\x01-\x31][\x01-\x12][\0-\xff]{8}\x01\0\0\0"
)


def _microcode(data: bytes, places: Places) -> Iterator[Block]:
    """Processor microcode updates (Intel SDM volume 3, 9.11.1; memory)."""
    admission = places.admission("microcode updates")
    for match in _MICROCODE.finditer(data):
        at = match.start()
        header = data[at : at + 48]
        if len(header) < 48:
            return
        size = int.from_bytes(header[32:36], "little") or 2048
        if size % 1024 or not 2048 <= size <= 1 << 22 or at + size > len(data):
            continue
        if not admission.admits(at, at + size):
            continue
        check = Check(
            kind=CheckKind.ZERO_SUM_32,
            offset=at + 16,
            order="little",
            covers=(Span(at, at + size),),
        )
        yield _block(at, at + size, header[:4], "microcode update", judged(data, check))


def _firmware_interface_table(data: bytes, places: Places) -> Iterator[Block]:
    """Firmware Interface Table (memory): the first entry counts the entries."""
    admission = places.admission("firmware interface tables")
    for at in places[b"_FIT_   "]:
        count = int.from_bytes(data[at + 8 : at + 11], "little")
        end = at + 16 * count
        if not 1 <= count <= 1024 or end > len(data) or not admission.admits(at, end):
            continue
        check = _zero_sum_8(data, at + 15, at, end)
        if not data[at + 14] & 0x80:
            why = "the table says that its checksum is not used"
            check = replace(check, state=CheckState.ABSENT, why=why)
        yield _block(at, end, b"_FIT_   ", "firmware interface table", check)


def _descriptor_regions(data: bytes, _: Places) -> Iterator[Block]:
    """Flash descriptor at the image's start, and the network region it names (memory; the sum
    BABAh is NVM_SUM of the Linux network drivers). Some makers ship a wrong word."""
    if data[0x10:0x14] != b"\x5a\xa5\xf0\x0f" or len(data) < 0x1000:
        return
    yield _block(0, 0x1000, data[0x10:0x14], "flash descriptor", None)
    regions = (data[0x16] & 0xFF) << 4
    entry = data[regions + 12 : regions + 16]
    if len(entry) < 4:
        return
    base = (int.from_bytes(entry[:2], "little") & 0x7FFF) << 12
    limit = ((int.from_bytes(entry[2:], "little") & 0x7FFF) << 12) + 0x1000
    if not 0x1000 <= base < limit <= len(data):
        return
    for copy in (base, base + (limit - base) // 2):
        check = Check(
            kind=CheckKind.ZERO_SUM_16,
            offset=copy + 0x7E,
            order="little",
            covers=(Span(copy, copy + 0x80),),
            target=0xBABA,
        )
        if len(set(data[copy : copy + 0x80])) > 1:
            yield _block(copy, copy + 0x80, b"", "network controller settings", judged(data, check))


def _amd_directories(data: bytes, places: Places) -> Iterator[Block]:
    """Security-processor directories. The coreboot page on them says "32-bit CRC"; from memory
    it is Fletcher-32. The one that is right is named; else the Fletcher sum is called wrong."""
    for signature, entry_size in ((b"$PSP", 16), (b"$PL2", 16), (b"$BHD", 24), (b"$BL2", 24)):
        admission = places.admission(f"security processor directories {signature.decode()}")
        for at in places[signature]:
            count = int.from_bytes(data[at + 8 : at + 12], "little")
            end = at + 16 + entry_size * count
            if not 1 <= count <= 256 or end > len(data) or not admission.admits(at, end):
                continue
            readings = [
                judged(
                    data,
                    Check(kind=kind, offset=at + 4, order="little", covers=(Span(at + 8, end),)),
                )
                for kind in (CheckKind.FLETCHER_32_LE, CheckKind.CRC_32_ISO_HDLC)
            ]
            right = [check for check in readings if check.state is CheckState.RIGHT]
            yield _block(at, end, signature, "security processor directory", (right or readings)[0])


# ---- partitions, boot loaders


def _gpt(data: bytes, places: Places) -> Iterator[Block]:
    """GUID partition table header (UEFI specification, 5.3.2), in sectors of 512 bytes."""
    admission = places.admission("GUID partition tables")
    for at in places[b"EFI PART"]:
        header = data[at : at + 92]
        if len(header) < 92:
            return
        size = int.from_bytes(header[12:16], "little")
        if not 92 <= size <= 512 or at + size > len(data):
            continue
        own, entries_at = struct.unpack_from("<Q40xQ", header, 24)
        count, entry_size = struct.unpack_from("<II", header, 80)
        start = at + 512 * (entries_at - own)
        entries = Span(start, start + count * entry_size)
        # Entries may lie before the header: what is bounded is their number of bytes.
        reach = max(size, min(entries.end - start, len(data)))
        if not admission.admits(at, at + reach):
            continue
        zeroed = (Span(at + 16, at + 20),)
        check = _crc_32(data, at + 16, Span(at, at + size), order="little", zeroed=zeroed)
        if start >= 0 and entry_size >= 128 and count <= 4096:
            table = _crc_32(data, at + 88, entries, order="little")
            yield _block(at, at + size, b"EFI PART", "GUID partition table header", check, table)
        else:
            yield _block(at, at + size, b"EFI PART", "GUID partition table header", check)


def _u_boot_images(data: bytes, places: Places) -> Iterator[Block]:
    """U-Boot legacy images (U-Boot include/image.h): 64-byte header, everything big-endian."""
    admission = places.admission("U-Boot images")
    for at in places[b"\x27\x05\x19\x56"]:
        header = data[at : at + 64]
        if len(header) < 64:
            return
        head = _crc_32(data, at + 4, Span(at, at + 64), order="big", zeroed=(Span(at + 4, at + 8),))
        size = int.from_bytes(header[12:16], "big")
        if head.state is not CheckState.RIGHT and (
            size > len(data) - at - 64 or not _PRINTABLE.match(header[32:])
        ):
            continue
        end = min(at + 64 + size, len(data))
        if not admission.admits(at, end):
            continue
        body = _crc_32(data, at + 24, Span(at + 64, at + 64 + size), order="big")
        yield _block(at, end, header[:4], "U-Boot image", body, head)


ENVIRONMENT_SIZES = (0x1000, 0x2000, 0x4000, 0x8000, 0x10000, 0x20000, 0x40000)
ENVIRONMENTS_OVER_ONE = 256  # of the 1024 places within the largest size
ENVIRONMENT_LOOKED_AT = 0x2000  # bytes in which the first variable must end
_NAME = re.compile(rb"[A-Za-z_][\w.+#-]{0,63}=")
_NEXT = re.compile(rb"[A-Za-z_][\w.+#-]{0,63}=|\0")
_NO_VALUE = re.compile(rb"[^\x09-\x7e]")


def _u_boot_environments(data: bytes, places: Places) -> Iterator[Block]:
    """U-Boot environments (memory): CRC-32, in the redundant form a flag byte, then variables.
    The size is stored nowhere: the usual ones are tried."""
    found_at = -1
    summed = places.admission(
        "places like a U-Boot environment", depth=ENVIRONMENTS_OVER_ONE, most=HITS_MAX
    )
    unsummed = places.admission("U-Boot environments of unknown size")
    for at, first in _variables(data):
        if at == found_at:
            continue
        block = None
        if summed.admits(at, min(at + ENVIRONMENT_SIZES[-1], len(data))):
            block = _environment(data, at, first)
        if block is None:
            block = _environment_of_unknown_size(data, at, first, unsummed)
        if block is not None:
            found_at = at
            yield block


def _variables(data: bytes) -> Iterator[tuple[int, int]]:
    """Where a variable with its value stands, and another or the end of all behind it."""
    value_end = 0
    for at, first in sorted(_environment_starts(data)):
        limit = at + ENVIRONMENT_LOOKED_AT
        name = _NAME.match(data, at + first, limit)
        if name is None:
            continue
        # Long text has many such places: its end is looked for once.
        if value_end < name.end():
            behind = _NO_VALUE.search(data, name.end())
            value_end = len(data) if behind is None else behind.start()
        if (
            value_end < min(limit, len(data))
            and data[value_end] == 0
            and _NEXT.match(data, value_end + 1, limit)
        ):
            yield at, first


def _environment_starts(data: bytes) -> Iterator[tuple[int, int]]:
    """Where a letter stands behind a CRC, or behind that and a flag byte."""
    for first in (4, 5):
        behind = np.frombuffer(data, np.uint8)[first : max(first, len(data) - 16 + first) : 0x100]
        lower = behind | 0x20
        for index in np.flatnonzero((lower >= ord("a")) & (lower <= ord("z"))).tolist():
            yield 0x100 * index, first


def _environment(data: bytes, at: int, first: int) -> Block | None:
    stored = int.from_bytes(data[at : at + 4], "little")
    crc, summed_to = 0, at + first
    for size in ENVIRONMENT_SIZES:
        if at + size > len(data):
            break
        crc = zlib.crc32(data[summed_to : at + size], crc)
        summed_to = at + size
        if crc == stored:
            check = _crc_32(data, at, Span(at + first, at + size), order="little")
            return _block(at, at + size, b"", "U-Boot environment", check)
    return None


def _environment_of_unknown_size(
    data: bytes, at: int, first: int, admission: Admission
) -> Block | None:
    if data.startswith(
        (b"bootcmd=", b"baudrate", b"bootdela", b"bootargs"), at + first
    ) and admission.has_room(at):
        end = data.find(b"\0\0", at + first)
        end = len(data) if end < 0 else end + 2
        if not admission.admits(at, end):
            return None
        why = "its size is stored nowhere, and the CRC is right for none of the usual sizes"
        check = Check(
            kind=CheckKind.CRC_32_ISO_HDLC,
            offset=at,
            order="little",
            covers=(Span(at + first, end),),
            why=why,
        )
        return _block(at, end, b"", "U-Boot environment", check)
    return None


# ---- UEFI variables


_VARIABLE_STORES = (
    bytes.fromhex("782cf3aa7b949a43a1802e144ec37792"),  # authenticated variables (EDK II)
    bytes.fromhex("1636cfdd7532644198b6fe85707ffe7d"),  # variables without authentication
)


def _variable_stores(data: bytes, places: Places) -> Iterator[Block]:
    """UEFI variable stores (EDK II VariableFormat.h): no check over the whole."""
    for guid in _VARIABLE_STORES:
        admission = places.admission(f"UEFI variable stores {guid[:4].hex()}")
        for at in places[guid]:
            size = int.from_bytes(data[at + 16 : at + 20], "little")
            fits = size >= 28 and at + size <= len(data) and data[at + 20 : at + 21] == b"\x5a"
            if fits and admission.admits(at, at + size):
                yield _block(at, at + size, guid[:4], VARIABLE_STORE, None)


VARIABLE_STORE = "UEFI variable store"

_SIGNATURES = (
    b"RSD PTR ",
    *_ACPI_TABLES,
    *(b"_SM_", b"_SM3_"),
    *(b"$PnP", b"$PIR", b"_MP_", b"_32_"),
    b"_FIT_   ",
    *(b"$PSP", b"$PL2", b"$BHD", b"$BL2"),
    b"EFI PART",
    b"\x27\x05\x19\x56",
    *_VARIABLE_STORES,
)
"""Those of four bytes and more that the finders ask for."""

_FINDERS: tuple[Callable[[bytes, Places], Iterator[Block]], ...] = (
    _rsdp,
    _acpi_tables,
    _smbios,
    _older_pc_blocks,
    _option_roms,
    _microcode,
    _firmware_interface_table,
    _descriptor_regions,
    _amd_directories,
    _gpt,
    _u_boot_images,
    _u_boot_environments,
    _variable_stores,
)
