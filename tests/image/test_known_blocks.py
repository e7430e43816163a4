"""Blocks of published formats, built here by the standards' layouts and worked examples."""

import hashlib
import random
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashbench.image.checks import CheckState, with_repaired
from flashbench.image.finds import Block
from flashbench.image.flat_device_tree import find_device_trees
from flashbench.image.known_blocks import find_known_blocks

RIGHT, WRONG, ABSENT = CheckState.RIGHT, CheckState.WRONG, CheckState.ABSENT


def the_block(data: bytes, name: str) -> Block:
    (block,) = [block for block in find_known_blocks(data) if block.name == name]
    return block


def states(block: Block) -> list[CheckState]:
    return [check.state for check in block.checks]


def set_zero_sum(block: bytearray, at: int) -> bytes:
    block[at] = 0
    block[at] = -sum(block) % 256
    return bytes(block)


def in_filler(piece: bytes, *, at: int = 4096, size: int = 1 << 16) -> bytes:
    image = bytearray(random.Random(1).randbytes(size))
    image[at : at + len(piece)] = piece
    return bytes(image)


def test_an_acpi_root_pointer_of_an_emulator_is_right() -> None:
    """The 20 bytes QEMU's SeaBIOS tables begin with: checksum 30h."""
    pointer = bytes.fromhex("525344205054522030424f434853200090 15fe7f".replace(" ", ""))

    block = the_block(in_filler(pointer), "ACPI root pointer")

    assert (block.offset, block.length) == (4096, 20)
    assert states(block) == [RIGHT]


def test_an_acpi_table_is_named_and_its_wrong_sum_told() -> None:
    table = bytearray(b"SSDT" + struct.pack("<IBB", 60, 2, 0) + b"FLSHBN" + b"INVENTED")
    table += struct.pack("<I", 1) + b"TEST" + struct.pack("<I", 1) + bytes(range(24))
    good = set_zero_sum(table, 9)

    assert states(the_block(in_filler(good), "ACPI table SSDT")) == [RIGHT]
    assert states(the_block(in_filler(good[:-1] + b"\x99"), "ACPI table SSDT")) == [WRONG]


def test_the_letters_of_an_acpi_table_alone_are_not_one() -> None:
    assert find_known_blocks(in_filler(b"SSDT" + bytes(100))) == ()


def test_smbios_entry_points_by_the_worked_example() -> None:
    """DSP0134's 64-bit entry point of 24 bytes; the checksum 24h is recomputed by hand."""
    entry = bytes.fromhex("5f534d335f241803000001000010000000100f0000000000")

    block = the_block(in_filler(entry), "SMBIOS 3 entry point")

    assert (block.length, states(block)) == (24, [RIGHT])


def test_an_unfinished_entry_point_has_no_check_yet() -> None:
    entry = bytearray.fromhex("5f534d335f001803000001000010000000100f0000000000")

    block = the_block(in_filler(bytes(entry)), "SMBIOS 3 entry point")

    assert states(block) == [ABSENT]
    assert block.check is not None
    assert block.check.why == "the firmware fills it in as it runs"


def test_a_gpt_header_and_its_table_are_checked_apart() -> None:
    """UEFI specification, 5.3.2: header at LBA 1, 128 empty entries of 128 bytes at LBA 2."""
    header = bytearray(b"EFI PART" + struct.pack("<IIII", 0x10000, 92, 0, 0))
    header += struct.pack("<QQQQ", 1, 127, 34, 94) + bytes(range(16))
    header += struct.pack("<QIII", 2, 128, 128, 0xAB54D286)
    header[16:20] = struct.pack("<I", zlib.crc32(header))
    disk = bytearray(64 * 1024)
    disk[512 : 512 + 92] = header

    block = the_block(bytes(disk), "GUID partition table header")
    disk[1024 + 5] = 1
    broken = the_block(bytes(disk), "GUID partition table header")

    assert states(block) == [RIGHT, RIGHT]
    assert states(broken) == [RIGHT, WRONG]


def u_boot_image(body: bytes) -> bytes:
    head = bytearray(
        struct.pack(
            ">7I4B32s", 0x27051956, 0, 1, len(body), 0, 0, zlib.crc32(body), 5, 2, 2, 0, b"test"
        )
    )
    head[4:8] = struct.pack(">I", zlib.crc32(head))
    return bytes(head) + body


def test_a_u_boot_image_has_two_checks_and_both_are_repaired() -> None:
    """Layout of struct legacy_img_hdr; the body's CRC is the catalogue's check value."""
    good = u_boot_image(b"123456789")
    assert good[24:28].hex() == "cbf43926"
    image = in_filler(good)
    block = the_block(image, "U-Boot image")
    assert (block.length, states(block)) == (64 + 9, [RIGHT, RIGHT])
    edited = bytearray(image)
    edited[block.offset + 64] = ord("9")
    assert states(the_block(bytes(edited), "U-Boot image")) == [WRONG, RIGHT]

    repaired = with_repaired(bytes(edited), block.checks)

    assert repaired[4096 : 4096 + 73] == u_boot_image(b"923456789")


@pytest.mark.parametrize("flag", [b"", b"\x01"])
@pytest.mark.parametrize("size", [0x1000, 0x20000])
def test_a_u_boot_environment_gives_away_its_size(size: int, flag: bytes) -> None:
    text = b"bootcmd=run it\0baudrate=115200\0\0"
    rest = text.ljust(size - 4 - len(flag), b"\xff")
    environment = struct.pack("<I", zlib.crc32(rest)) + flag + rest

    block = the_block(in_filler(environment, at=0x10000, size=1 << 18), "U-Boot environment")

    assert (block.offset, block.length, states(block)) == (0x10000, size, [RIGHT])


def test_an_environment_amid_long_text_is_found() -> None:
    """Every 256 bytes of the text a variable may begin, none of which ends in it."""
    rest = b"bootcmd=run\0baudrate=115200\0".ljust(0x1000 - 4, b"\0")
    environment = struct.pack("<I", zlib.crc32(rest)) + rest
    text = (b"note=%s;" % (b"text " * 50)) * 0x200

    image = text[:0x10000] + environment + text[:0x8000] + environment
    found = [block.offset for block in find_known_blocks(image)]

    assert found == [0x10000, 0x19000]


def test_an_environment_of_unknown_size_cannot_be_checked() -> None:
    text = b"\1\2\3\4bootcmd=run it\0baudrate=115200\0\0"

    block = the_block(in_filler(text), "U-Boot environment")

    assert states(block) == [CheckState.UNCHECKABLE]


def test_a_microcode_update_sums_to_zero() -> None:
    """Intel SDM volume 3, 9.11.1 (from memory): 48-byte header, total size 2048."""
    update = bytearray(struct.pack("<12I", 1, 7, 0x01022019, 0x306A9, 0, 1, 2, 2000, 2048, 0, 0, 0))
    update += random.Random(2).randbytes(2000)
    total = sum(struct.unpack("<512I", update))
    update[16:20] = struct.pack("<I", -total % (1 << 32))

    block = the_block(in_filler(bytes(update)), "microcode update")

    assert (block.length, states(block)) == (2048, [RIGHT])


def test_an_expansion_rom_of_efi_type_need_not_sum() -> None:
    rom = bytearray(b"\x55\xaa\x02".ljust(0x18, b"\0") + b"\x1c\x00\x00\x00PCIR")
    rom = rom.ljust(1024, b"\x07")
    legacy = set_zero_sum(rom, 1023)
    rom[0x1C + 0x14] = 3

    assert states(the_block(in_filler(legacy), "PCI expansion ROM"))[0] is not ABSENT
    assert states(the_block(in_filler(bytes(rom)), "PCI expansion ROM")) == [ABSENT]


def test_network_settings_sum_to_baba() -> None:
    """NVM_SUM of the Linux network drivers: 64 words sum to BABAh, 63 zero words need BABA."""
    image = bytearray(b"\xff" * 0x10000)
    image[0x10:0x18] = b"\x5a\xa5\xf0\x0f" + b"\x00\x00\x04\x00"
    image[0x40 + 12 : 0x40 + 16] = struct.pack("<HH", 2, 3)  # region 3: 2000h to 3FFFh
    image[0x2000:0x2080] = bytes(0x7E) + b"\xba\xba"
    image[0x3000:0x3080] = bytes(0x7E) + b"\xba\xbb"

    blocks = [b for b in find_known_blocks(bytes(image)) if b.name == "network controller settings"]

    assert [(block.offset, states(block)) for block in blocks] == [
        (0x2000, [RIGHT]),
        (0x3000, [WRONG]),
    ]


def test_an_amd_directory_names_the_sum_that_is_right() -> None:
    directory = bytearray(b"$PSP" + bytes(4) + struct.pack("<II", 1, 0) + bytes(range(16)))
    crc, fletcher = bytearray(directory), bytearray(directory)
    crc[4:8] = struct.pack("<I", zlib.crc32(directory[8:]))
    first = second = 0
    for word in struct.unpack("<12H", directory[8:]):
        first = (first + word) % 65535
        second = (second + first) % 65535
    fletcher[4:8] = struct.pack("<HH", first, second)

    kinds = []
    for one in (crc, fletcher):
        block = the_block(in_filler(bytes(one)), "security processor directory")
        assert states(block) == [RIGHT]
        assert block.check is not None
        kinds.append(block.check.kind.value)

    assert kinds == ["CRC-32/ISO-HDLC", "Fletcher-32, little-endian words"]


def device_tree(body: bytes, *, crc: int, sha256: bytes) -> bytes:
    """A FIT image by the Devicetree specification, chapter 5."""
    names = b"data\0algo\0value\0"
    at = {name: names.index(name) for name in (b"data", b"algo", b"value")}

    def node(name: bytes) -> bytes:
        return struct.pack(">I", 1) + (name + b"\0").ljust((len(name) + 4) // 4 * 4, b"\0")

    def prop(name: bytes, value: bytes) -> bytes:
        return struct.pack(">3I", 3, len(value), at[name]) + value.ljust(
            -(-len(value) // 4) * 4, b"\0"
        )

    end = struct.pack(">I", 2)
    structure = node(b"") + node(b"images") + node(b"kernel") + prop(b"data", body)
    structure += (
        node(b"hash-1") + prop(b"algo", b"crc32\0") + prop(b"value", struct.pack(">I", crc))
    )
    structure += end + node(b"hash-2") + prop(b"algo", b"sha256\0") + prop(b"value", sha256)
    structure += end * 4 + struct.pack(">I", 9)
    header = struct.pack(
        ">10I",
        0xD00DFEED,
        56 + len(structure) + len(names),
        56,
        56 + len(structure),
        40,
        17,
        16,
        0,
        len(names),
        len(structure),
    )
    return header + bytes(16) + structure + names


def test_a_fit_image_has_a_check_for_each_stored_crc() -> None:
    body = b"123456789"
    tree = device_tree(body, crc=0xCBF43926, sha256=hashlib.sha256(body).digest())

    (block,) = find_device_trees(in_filler(tree))
    (broken,) = find_device_trees(in_filler(tree.replace(body, b"123456780")))

    assert (block.name, block.offset, block.length) == ("FIT image", 4096, len(tree))
    assert states(block) == [RIGHT]
    assert block.notes == ("SHA256 of kernel is right",)
    assert states(broken) == [WRONG]
    assert broken.notes == ("SHA256 of kernel is wrong",)


SIGNATURES = (
    b"RSD PTR ", b"SSDT", b"_SM_", b"_SM3_", b"$PIR", b"\x55\xaa", b"\x01\0\0\0", b"_FIT_   ",
    b"$PSP", b"EFI PART", b"\x27\x05\x19\x56", b"\xd0\x0d\xfe\xed", b"x=1\0bootcmd=1\0",
    b"\x5a\xa5\xf0\x0f",
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(pieces=st.lists(st.one_of(st.sampled_from(SIGNATURES), st.binary(max_size=40)), max_size=30))
def test_any_bytes_are_survived(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    for block in (*find_known_blocks(data), *find_device_trees(data)):
        assert 0 <= block.offset <= block.span.end <= len(data)
