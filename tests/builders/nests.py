"""Images from somebody who wants a look at them to take hours: blocks over blocks over blocks.

python -m tests.builders.nests            CPU seconds of each kind at 1, 2 and 4 MiB
python -m tests.builders.nests acpi 8     of one kind, at 8 MiB
"""

import hashlib
import random
import struct
import sys
import zlib
from collections.abc import Callable
from time import process_time

from flashbench.image.inspection import inspect

MIB = 1 << 20


def overlapping(block: Callable[[int], bytes], size: int) -> bytes:
    """`block(room)`, a header that claims so many bytes, again and again without a gap."""
    out = bytearray()
    while len(out) < size:
        out += block(size - len(out))
    return bytes(out[:size])


def acpi(size: int) -> bytes:
    """Tables that each reach to the end of the image, as far as a table may."""

    def table(room: int) -> bytes:
        length = struct.pack("<I", min(room, MIB))
        return b"SSDT" + length + b"\x01\x00" + b"MAKER \0\0" + b"TABLE\0" + bytes(4) + b"TOOL"

    return overlapping(table, size)


def processor_directories(size: int) -> bytes:
    return overlapping(lambda room: b"$PSP" + bytes(4) + struct.pack("<I", 256), size)


def smbios(size: int) -> bytes:
    return overlapping(lambda room: b"_SM_\x00\x1f\x1f" + bytes(9) + b"_DMI_" + bytes(3), size)


def interrupt_tables(size: int) -> bytes:
    return overlapping(lambda room: b"$PIR\0\0" + struct.pack("<H", min(0xFFFF, room)), size)


def interface_tables(size: int) -> bytes:
    return overlapping(lambda room: b"_FIT_   \x00\x04\x00\x00\x00\x01\x80\x00", size)


def option_roms(size: int) -> bytes:
    def rom(room: int) -> bytes:
        return b"\x55\xaa" + bytes([min(255, room // 512)]) + bytes(21) + b"\x1a\x00PCIR"

    return overlapping(rom, size)


def microcode(size: int) -> bytes:
    header = struct.pack("<II", 1, 7) + b"\x05\x20\x01\x01" + bytes(8) + b"\x01\0\0\0" + bytes(8)

    def update(room: int) -> bytes:
        return header + struct.pack("<I", min(room, 1 << 22) // 1024 * 1024) + bytes(12)

    return overlapping(update, size)


def partition_tables(size: int) -> bytes:
    def header(room: int) -> bytes:
        entries = struct.pack("<QIII", 1, 4096, max(128, room // 4096), 0)
        return (
            b"EFI PART\0\0\1\0" + struct.pack("<I", 92) + bytes(8) + struct.pack("<Q", 1)
            + bytes(40) + entries
        )  # fmt: skip

    return overlapping(header, size)


def boot_images(size: int) -> bytes:
    def image(room: int) -> bytes:
        head = b"\x27\x05\x19\x56" + bytes(8) + struct.pack(">I", max(0, room - 64)) + bytes(16)
        return head + b"image".ljust(32, b"\0")

    return overlapping(image, size)


def plain_variables(size: int) -> bytes:
    return ((b"a=b" * 85) + b"\0") * (size // 256)


def boot_commands(size: int) -> bytes:
    return (b"\1\2\3\4bootcmd=" + b"x" * 200 + b"\0a=b" + bytes([1]) * 39)[:256] * (size // 256)


def variable_stores(size: int) -> bytes:
    guid = bytes.fromhex("782cf3aa7b949a43a1802e144ec37792")
    return overlapping(lambda room: guid + struct.pack("<I", max(28, room)) + b"\x5a\xfe\0\0", size)


def device_trees(size: int) -> bytes:
    """Trees that share one long structure, which says nothing and never ends."""

    def tree(at: int) -> bytes:
        return struct.pack(">10I", 0xD00DFEED, size - at, size // 2 - at, 40, 40, 17, 16, 0, 0, 0)

    pieces = b"".join(tree(at) for at in range(0, size // 2 - 40, 40))
    return pieces.ljust(size // 2, b"\xff") + struct.pack(">I", 4) * (size // 8)


def trees_of_hashes(size: int) -> bytes:
    """One tree with one image, and hash after hash of all of it."""

    def prop(name: int, value: bytes) -> bytes:
        return struct.pack(">3I", 3, len(value), name) + value + bytes(-len(value) % 4)

    def node(name: bytes, body: bytes) -> bytes:
        padded = name + bytes(4 - len(name) % 4)
        return struct.pack(">I", 1) + padded + body + struct.pack(">I", 2)

    names = b"data\0algo\0value\0"
    hashes = b"".join(
        node(b"hash%d" % n, prop(5, b"sha512\0") + prop(10, bytes(64))) for n in range(size // 256)
    )
    image = prop(0, bytes(size // 2 - 1024)) + hashes
    structure = node(b"", node(b"images", node(b"kernel", image))) + struct.pack(">I", 9)
    total = 40 + len(names) + len(structure)
    head = struct.pack(
        ">10I", 0xD00DFEED, total, 40 + len(names), 40, 40, 17, 16, 0, len(names), len(structure)
    )
    return (head + names + structure).ljust(size, b"\xff")[:size]


def volume_header(length: int) -> bytes:
    guid = bytes.fromhex("78e58c8c3d8a1c4f9935896185c32dd3")
    header = bytearray(
        bytes(16) + guid + struct.pack("<Q", length) + b"_FVH" + struct.pack("<IHH", 0x800, 0x48, 0)
        + struct.pack("<BBBB", 0, 0, 0, 2) + struct.pack("<IIII", 1, length, 0, 0)
    )  # fmt: skip
    struct.pack_into("<H", header, 0x32, -sum(struct.unpack("<36H", header)) % 0x10000)
    return bytes(header)


def firmware_file(length: int, *, summed: bool = True, kind: int = 2) -> bytes:
    header = bytearray(bytes(range(16)) + bytes(2) + bytes([kind, 0x40 if summed else 0]))
    header += length.to_bytes(3, "little") + b"\0"
    header[0x10] = -sum(header) % 256
    header[0x17] = 0xF8
    return bytes(header)


def volumes(size: int) -> bytes:
    """Volumes one inside the other, each with a summed file that holds the next."""

    def nest(room: int) -> bytes:
        inner = max(24, min(room - 0x48, (1 << 24) - 1))
        return volume_header(room) + firmware_file(inner) if room > 0x80 else b"\xff" * 0x80

    return overlapping(nest, size)


def volumes_of_files(size: int) -> bytes:
    """Volumes on top of one another, all of which have the same thousands of files."""
    heads = b"".join(volume_header(size - at) + firmware_file(24) for at in range(0, size // 4, 96))
    return (heads + firmware_file(24) * (size // 24))[:size]


def zlib_streams(size: int) -> bytes:
    """Stored blocks that begin inside one another, none of which ends."""
    return (b"\x78\x01\x00\xff\xff\x00\x00" * (size // 7 + 1))[:size]


def packed_in_packed(size: int) -> bytes:
    """A part that unpacks to tables full of parts, as large as the bounds let it become."""
    inner = zlib.compress(acpi(4 * MIB), 9)
    part = zlib.compress((inner + acpi(MIB))[:MIB] * 12, 9)
    out = bytearray()
    while len(out) + len(part) + 8 <= size:
        out += struct.pack("<Q", len(out)) + zlib.compress(struct.pack("<Q", len(out)) * 9) + part
    return bytes(out).ljust(size, b"\xff")


def memory_records(size: int) -> bytes:
    return overlapping(lambda room: bytes([0x23, 0x11, 0x11, 0x0E]), size)


def whole_memory_records(size: int) -> bytes:
    """Contents that hold together, each another one, side by side."""
    rng = random.Random(1)
    head = bytearray(bytes([0x23, 0x11, 0x11, 0x0E]) + bytes(124))
    head[4:8], head[12:13], head[18], head[125] = b"\x15\x21\xb5\x08", b"\x02", 5, 0
    head[26:29], head[29:31] = bytes([144, 168, 144]), (2240).to_bytes(2, "little")
    return overlapping(lambda room: bytes(head) + rng.randbytes(40) + bytes(88), size)


def unequal_tables(size: int) -> bytes:
    """Small tables of one size, each another one, with a byte between."""
    rng = random.Random(2)

    def table(room: int) -> bytes:
        names = b"SSDT" + struct.pack("<I", 60) + b"\x01\x00MAKER \0\0TABLE\0" + bytes(4) + b"TOOL"
        return names.ljust(36, b"\0") + rng.randbytes(24) + b"\x01"

    return overlapping(table, size)


def stored_digests(size: int) -> bytes:
    """Equal tables, and the digest of one of them over and over."""
    body = b"SSDT" + struct.pack("<I", 36) + b"\x01\x00MAKER \0\0TABLE\0" + bytes(4) + b"TOOL"
    table = body.ljust(36, b"\1")
    half = table * (size // 2 // 36)
    return (half + hashlib.sha1(table).digest() * (size // 40 + 1))[:size]


def texts(size: int) -> bytes:
    return (b"version 1\0S/N: 1234567\0" * (size // 23 + 1))[:size]


def texts_of_code(size: int) -> bytes:
    return (b"(){};*&^%$#@!<>?version;;;;\0" * (size // 28 + 1))[:size]


def rows_of_headers(size: int) -> bytes:
    """Signatures at every step that a length field may have, so that everything links."""
    return overlapping(lambda room: b"QzB7" + struct.pack("<HHII", 16, 16, 16, 16), size)


def random_rows(size: int) -> bytes:
    rng = random.Random(3)

    def block(room: int) -> bytes:
        length = rng.choice((16, 20, 24, 48, 64))
        return (b"QzB7" + struct.pack("<HH", length, 1) + rng.randbytes(56))[:length]

    return overlapping(block, size)


def half_copies(size: int) -> bytes:
    rng = random.Random(4)
    pieces = [rng.randbytes(12) for _ in range(341)]
    return b"".join(
        b"".join(pieces[(n * 7 + slot) % 341] for n in range(341)) + rng.randbytes(4)
        for slot in range(size // 4096)
    )


KINDS: dict[str, Callable[[int], bytes]] = {
    maker.__name__: maker
    for maker in (
        acpi,
        processor_directories,
        smbios,
        interrupt_tables,
        interface_tables,
        option_roms,
        microcode,
        partition_tables,
        boot_images,
        plain_variables,
        boot_commands,
        variable_stores,
        device_trees,
        trees_of_hashes,
        volumes,
        volumes_of_files,
        zlib_streams,
        packed_in_packed,
        memory_records,
        whole_memory_records,
        unequal_tables,
        stored_digests,
        texts,
        texts_of_code,
        rows_of_headers,
        random_rows,
        half_copies,
    )
}


def main() -> None:
    names = sys.argv[1:2] or list(KINDS)
    sizes = [int(size) for size in sys.argv[2:]] or [1, 2, 4]
    for name in names:
        told = []
        for size in sizes:
            image = KINDS[name](size * MIB)
            start = process_time()
            inspect(image)
            told.append(f"{process_time() - start:8.2f}")
            sys.stdout.write(f"{name:24}{''.join(told)}\r")
            sys.stdout.flush()
        sys.stdout.write("\n")


if __name__ == "__main__":
    main()
