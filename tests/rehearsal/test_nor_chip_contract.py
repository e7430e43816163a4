"""What every NOR chip does, run on our model and on QEMU's, through the same adapter.

Left out because QEMU 7.2 is known to differ from real chips there: busy times, page wrap, aligning
of erase addresses, frames of a wrong length, WEL after a program or erase, block protection of
erases, deep power-down, 50h, SR2 and SR3. `tests/rehearsal/test_nor_chip.py` holds those.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from flashbench.rehearsal import in_memory_bench
from tests.qemu_chip import QemuChip
from tests.rehearsal.hosts import WRDI, WREN, StreamHost, pattern


@dataclass(frozen=True)
class Subject:
    """A chip to hold against the contract, in one way of addressing it."""

    name: str
    jedec_id: str
    size: int
    addressing: str = "3-byte"  # or "B7h", "06h B7h", "4-byte opcodes", "C5h"
    fast_read_works: bool = True

    def __str__(self) -> str:
        return f"{self.name}, {self.addressing}"


_MODELS = (
    Subject("W25Q128JV", "ef4018", 1 << 24),
    Subject("MX25L12835F", "c22018", 1 << 24),
    Subject("GD25Q128C", "c84018", 1 << 24),
    Subject("IS25LP128", "9d6018", 1 << 24),
    Subject("TINY64K", "ef4010", 1 << 16),
    Subject("W25Q256JV", "ef4019", 1 << 25, "B7h"),
    Subject("W25Q256JV", "ef4019", 1 << 25, "4-byte opcodes"),
    Subject("W25Q256FV", "ef4019", 1 << 25, "B7h"),
    Subject("W25Q256FV", "ef4019", 1 << 25, "C5h"),
    Subject("MX25U25645G", "c22539", 1 << 25, "B7h"),
    Subject("MT25QU256A", "20bb19", 1 << 25, "06h B7h"),
    Subject("MT25QL256A", "20ba19", 1 << 25, "4-byte opcodes"),
)
_QEMU_CHIPS = (
    # QEMU's GigaDevice takes no dummy after 0Bh, its ISSI one byte, where the controller sends
    # eight for its eight dummy clocks: fast reads of these two come out early.
    Subject("gd25q64", "c84017", 1 << 23, fast_read_works=False),
    Subject("w25q64", "ef4017", 1 << 23),
    Subject("w25q256", "ef4019", 1 << 25, "B7h"),
    Subject("w25q256", "ef4019", 1 << 25, "C5h"),
    Subject("mx25l25635f", "c22019", 1 << 25, "B7h"),
    Subject("n25q256a", "20ba19", 1 << 25, "06h B7h"),
    Subject("is25wp256", "9d7019", 1 << 25, "4-byte opcodes", fast_read_works=False),
    Subject("mt25ql512ab", "20ba20", 1 << 26, "4-byte opcodes"),
)
_4BYTE_FORM = {0x03: 0x13, 0x0B: 0x0C, 0x02: 0x12, 0x20: 0x21, 0xD8: 0xDC}


class AddressedHost:
    """Adds the address of one way of addressing to each command."""

    def __init__(self, host: StreamHost, subject: Subject) -> None:
        self.host, self.subject = host, subject
        self.cells = bytearray(pattern(subject.size))
        if subject.addressing == "06h B7h":
            host.frame(WREN)
        if subject.addressing.endswith("B7h"):
            host.frame(b"\xb7")
            host.frame(WRDI)

    def _command(self, opcode: int, address: int) -> bytes:
        if self.subject.addressing == "4-byte opcodes":
            return bytes((_4BYTE_FORM[opcode],)) + address.to_bytes(4, "big")
        if self.subject.addressing.endswith("B7h"):
            return bytes((opcode,)) + address.to_bytes(4, "big")
        if self.subject.addressing == "C5h":
            self.host.frame(WREN)
            self.host.frame(bytes((0xC5, address >> 24)))
            self.host.frame(WRDI)
        return bytes((opcode,)) + (address & 0xFFFFFF).to_bytes(3, "big")

    def read(self, address: int, count: int) -> bytes:
        return self.host.frame(self._command(0x03, address), count)

    def fast_read(self, address: int, count: int) -> bytes:
        return self.host.frame(self._command(0x0B, address) + b"\0", count)

    def program(self, address: int, data: bytes) -> None:
        self.host.change(self._command(0x02, address) + data)
        for offset, byte in enumerate(data):
            self.cells[address + offset] &= byte

    def erase(self, opcode: int, address: int, size: int) -> None:
        self.host.change(self._command(opcode, address))
        self.cells[address : address + size] = b"\xff" * size

    def without_write_enable(self, opcode: int, address: int, data: bytes = b"") -> None:
        command = self._command(opcode, address) + data
        self.host.frame(WRDI)
        self.host.frame(command)
        self.host.wait_s(1)


class NorChipContract:
    """Subclasses give `chip`, blank nowhere: it holds `pattern(size)`."""

    def test_the_jedec_id_is_the_datasheets(self, chip: AddressedHost) -> None:
        assert chip.host.frame(b"\x9f", 3).hex() == chip.subject.jedec_id

    def test_reads_give_the_cells_from_any_address(self, chip: AddressedHost) -> None:
        for address in (0, 1, 0x1234, chip.subject.size // 2 - 3, chip.subject.size - 257):
            want = bytes(chip.cells[address : address + 257])
            assert chip.read(address, 257) == want
            if chip.subject.fast_read_works:
                assert chip.fast_read(address, 257) == want

    def test_a_read_past_the_end_returns_the_start(self, chip: AddressedHost) -> None:
        got = chip.read(chip.subject.size - 2, 6)

        assert got == bytes(chip.cells[-2:] + chip.cells[:4])

    def test_06h_sets_and_04h_clears_wel(self, chip: AddressedHost) -> None:
        chip.host.frame(WREN)
        assert chip.host.status() & 0x03 == 0x02
        chip.host.frame(WRDI)
        assert chip.host.status() & 0x03 == 0x00

    def test_without_wel_neither_program_nor_erase_does_anything(self, chip: AddressedHost) -> None:
        chip.without_write_enable(0x02, 0x3000, b"\0" * 16)
        chip.without_write_enable(0x20, 0x3000)
        chip.without_write_enable(0xD8, 0x0000)

        assert chip.read(0, 0x10000) == bytes(chip.cells[:0x10000])

    def test_an_erase_clears_exactly_its_unit(self, chip: AddressedHost) -> None:
        start = chip.subject.size - 0x8000
        chip.erase(0x20, start, 0x1000)

        around = chip.read(start - 0x1000, 0x3000)

        assert around == bytes(chip.cells[start - 0x1000 : start + 0x2000])
        assert around[0x1000:0x2000] == b"\xff" * 0x1000

    def test_d8h_clears_64_kib(self, chip: AddressedHost) -> None:
        if chip.subject.size == 0x10000:
            pytest.skip("this part has no 64 KiB erase")
        start = chip.subject.size // 2
        chip.erase(0xD8, start, 0x10000)

        around = chip.read(start - 16, 0x10020)

        assert around == bytes(chip.cells[start - 16 : start + 0x10010])
        assert around[16:-16] == b"\xff" * 0x10000

    def test_programming_ands(self, chip: AddressedHost) -> None:
        address = 0x5100
        chip.erase(0x20, 0x5000, 0x1000)
        chip.program(address, bytes(range(256)))
        assert chip.read(address, 256) == bytes(range(256))

        chip.program(address, b"\x0f" * 256)

        assert chip.read(address, 256) == bytes(byte & 0x0F for byte in range(256))
        assert chip.read(0x5000, 0x100) == b"\xff" * 0x100
        assert chip.read(0x5200, 0xE00) == b"\xff" * 0xE00

    def test_after_everything_all_other_cells_are_as_they_were(self, chip: AddressedHost) -> None:
        step = min(0x40000, chip.subject.size // 4)
        for start in range(0, chip.subject.size, chip.subject.size // 4):
            assert chip.read(start, step) == bytes(chip.cells[start : start + step])


class TestOurModel(NorChipContract):
    @pytest.fixture(scope="class", params=_MODELS, ids=str)
    @classmethod
    def chip(cls, request: pytest.FixtureRequest) -> Iterator[AddressedHost]:
        subject: Subject = request.param
        with in_memory_bench(part=subject.name, contents=pattern(subject.size)) as bench:
            yield AddressedHost(StreamHost(bench), subject)


class TestQemuChip(NorChipContract):
    @pytest.fixture(scope="class", params=_QEMU_CHIPS, ids=str)
    @classmethod
    def chip(cls, request: pytest.FixtureRequest) -> Iterator[AddressedHost]:
        subject: Subject = request.param
        foreign = QemuChip(subject.name, pattern(subject.size))
        with foreign, in_memory_bench(chip=foreign) as bench:
            yield AddressedHost(StreamHost(bench), subject)
