"""An invented bench: two sockets, boards of six models with their chips, and a technician.

Everything is typed at the command line; what the test knows of a chip it reads from the model's
own files, which flashbench never opens. Boards, numbers and contents are invented.
"""

import hashlib
import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from typer.testing import Result

from flashbench.rehearsal import add_chip, arm, create_bench, power_cycle, swap_chip
from flashbench.rehearsal.faults import LosePower
from tests.cli.workplace import places_text, run

SECTOR = 4096
SMALL = "TINY64K"


@dataclass(frozen=True, kw_only=True)
class Socket:
    """One of the two sockets: an adapter in a folder, and the supply it is wired for."""

    folder: Path
    serial: str
    volts: float

    @property
    def adapter(self) -> tuple[str, ...]:
        return ("--adapter", f"rehearsal:{self.folder}")


@dataclass(frozen=True, kw_only=True)
class Model:
    """What all boards of one model share."""

    name: str
    part: str
    size: int
    identify: tuple[str, ...]  # how its chip is made known: marking, or the datasheet's supply
    edit_at: int

    @property
    def common(self) -> bytes:
        return random.Random(self.name).randbytes(self.size // 2)


def factory_contents(model: Model, number: int) -> bytes:
    """What the chip of a board holds when it comes: firmware, its own numbers, its settings."""
    own = random.Random(f"board {number}")
    numbers = f"S/N: XB{number:06d} MAC 02:00:00:00:00:{number % 256:02X}".encode()
    return b"".join(
        (
            model.common,
            numbers.ljust(SECTOR, b"\x00"),
            own.randbytes(model.size // 8 - SECTOR),
            b"\xff" * (model.size * 3 // 8),
        )
    )


SMALL_MODEL = Model(
    name="WF2",
    part=SMALL,
    size=64 << 10,
    identify=("--datasheet-supply", "2.7-3.6"),
    edit_at=0x1100,
)
"""A model whose chip the table does not know and that is quick to read."""


@dataclass(kw_only=True)
class Chip:
    """A flash chip, wherever it is: in a socket, in a bag, or dead in the bin."""

    name: str
    part: str
    folder: Path  # moves with the chip from one socket's folder to the other's

    @property
    def cells(self) -> bytes:
        return (self.folder / "cells").read_bytes()

    @property
    def operation_count(self) -> int:
        """Programs, erases and register writes accepted in its whole life."""
        return len((self.folder / "operations").read_bytes().splitlines())

    def board_runs(self, offset: int, data: bytes) -> None:
        """The board writes to its own chip, as boards do when they start."""
        with (self.folder / "cells").open("r+b") as cells:
            cells.seek(offset)
            cells.write(data)


@dataclass(kw_only=True)
class Board:
    """A customer's board. `holds` is what its chip must hold, by all that was done to it."""

    number: int
    model: Model
    job: Path
    label: str
    chip: Chip
    dumped: bytes = b""  # of the newest round
    holds: bytes = b""

    @property
    def bag(self) -> str:
        """The end of the label, as it is read from the bag."""
        return "".join(self.label.split())[-3:]

    def factory_contents(self) -> bytes:
        return factory_contents(self.model, self.number)

    def unedited(self, dump: bytes) -> bytes:
        """`dump` with the memory record that the board came with."""
        at = self.model.edit_at
        return dump[:at] + self.factory_contents()[at : at + 12] + dump[at + 12 :]

    def edited(self, dump: bytes, *, other: bool = False) -> bytes:
        """`dump` with this model's memory record changed, to another one in a second round."""
        at = self.model.edit_at
        factory = self.factory_contents()[at : at + 12]
        record = bytes(byte ^ (0xA5 if other else 0x5A) for byte in factory)
        return dump[:at] + record + dump[at + 12 :]


@dataclass
class InventedBench:
    """The bench, its shelf, and every chip that ever came near it."""

    folder: Path
    sockets: dict[str, Socket] = field(default_factory=dict)
    chips: dict[str, Chip] = field(default_factory=dict)
    touched: dict[str, set[str]] = field(default_factory=dict)
    """Chip name to the jobs whose commands changed anything on it."""
    commands: int = 0

    def __post_init__(self) -> None:
        for name, serial, volts in (("left", "FB0033", 3.3), ("right", "FB0018", 1.8)):
            socket = Socket(folder=self.folder / name, serial=serial, volts=volts)
            create_bench(socket.folder, part=SMALL, serial=serial).close()
            self.sockets[name] = socket
        for folder in (self.shelf, self.second_shelf, self.files):
            folder.mkdir()
        self.bench_file.write_text(
            f'second_shelf = "{self.second_shelf}"\n'
            + "".join(
                f'[[adapter]]\nserial = "{socket.serial}"\nname = "{socket.volts:g} V socket"\n'
                f'supply_volts = {socket.volts}\nlevel_shifter = "on the socket board"\n'
                for socket in self.sockets.values()
            )
        )

    @property
    def shelf(self) -> Path:
        return self.folder / "boards"

    @property
    def second_shelf(self) -> Path:
        """As if on another disk."""
        return self.folder / "second shelf"

    @property
    def bench_file(self) -> Path:
        return self.folder / "bench.toml"

    @property
    def files(self) -> Path:
        """Edit files and images made elsewhere."""
        return self.folder / "files"

    def socket_for(self, part: str) -> Socket:
        """The socket with the supply that this part takes."""
        return self.sockets["right" if part == "W25Q64JW" else "left"]

    def new_chip(self, name: str, *, part: str, contents: bytes | None, socket: Socket) -> Chip:
        unique_id = hashlib.sha256(name.encode()).digest()[:8]
        add_chip(socket.folder, name, part=part, contents=contents, unique_id=unique_id)
        chip = Chip(name=name, part=part, folder=socket.folder / "chips" / name)
        self.chips[name] = chip
        self.touched[name] = set()
        return chip

    def new_board(self, number: int, model: Model) -> Board:
        label = f"{model.name} bag {number:03d}"
        board = Board(
            number=number,
            model=model,
            job=self.shelf / f"board-{number:03d}",
            label=label,
            chip=Chip(name="", part=model.part, folder=Path()),
        )
        board.holds = board.factory_contents()
        board.chip = self.new_chip(
            f"of board {number:03d}",
            part=model.part,
            contents=board.holds,
            socket=self.socket_for(model.part),
        )
        return board

    def insert(self, chip: Chip, socket: Socket) -> None:
        """Put a chip into a socket; the one that was in it goes back to its bag."""
        if chip.folder.parent.parent != socket.folder:
            moved = socket.folder / "chips" / chip.name
            shutil.move(chip.folder, moved)
            chip.folder = moved
        swap_chip(socket.folder, chip.name)

    def at_chip(self, verb: str, board: Board, *words: str, chip: Chip | None = None) -> Result:
        """A command on a board's job with a chip in the socket: its own, unless another is named.

        Whatever changes on any chip is put down to this job.
        """
        chip = chip or board.chip
        if verb in ("write", "restore", "finish"):
            words = (*words, "--yes")
        if verb in ("write", "restore", "finish") and "--label" not in words:
            words = (*words, "--label", board.bag)
        return self.at_socket(verb, str(board.job), *words, chip=chip, job=board.job.name)

    def at_socket(
        self,
        verb: str,
        *words: str,
        chip: Chip,
        job: str = "no job's",
        socket: Socket | None = None,
    ) -> Result:
        """A command with this chip in the socket of its supply, unless a socket is named."""
        socket = socket or self.socket_for(chip.part)
        self.insert(chip, socket)
        before = chip.operation_count
        self.commands += 1
        bench = (*socket.adapter, "--bench", str(self.bench_file), "--clock", "30M")
        result = run(verb, *words, *bench)
        if chip.operation_count != before:
            self.touched[chip.name].add(job)
        return result

    def off_chip(self, verb: str, *words: str) -> Result:
        """A command that needs no chip."""
        self.commands += 1
        return run(verb, *words)

    # The steps of the job, each demanding that it went well.

    def book_in(self, board: Board) -> None:
        words = ("--label", board.label, "--device", board.model.name, "--fault", "more memory")
        went_well(self.off_chip("intake", str(board.job), *words))

    def dump(self, board: Board, *words: str) -> None:
        known = () if "--again" in words else board.model.identify
        if not board.job.exists():
            known = (*known, "--label", board.label)
        went_well(self.at_chip("dump", board, *known, *words))
        board.dumped = board.chip.cells
        assert board.dumped == board.holds

    def edit(self, board: Board, *, other: bool = False) -> bytes:
        """Make the edited image by an edit file for this board's model."""
        wanted = board.edited(board.dumped, other=other)
        path = self.files / f"{board.job.name}.toml"
        path.write_text(places_text(board.unedited(board.dumped), wanted))
        went_well(self.off_chip("edit", str(board.job), str(path)))
        return wanted

    def write(self, board: Board, wanted: bytes, *words: str) -> None:
        went_well(self.at_chip("write", board, *words))
        board.holds = wanted

    def tell(self, board: Board, *words: str) -> None:
        went_well(self.off_chip("outcome", str(board.job), *words))

    def whole_job(self, board: Board) -> None:
        """A board on a day when nothing goes wrong."""
        self.book_in(board)
        self.dump(board)
        self.write(board, self.edit(board))
        self.tell(board, "--boots", "--memory", "16GB", "--test-hours", "4", "--errors", "0")

    def cut_power_while(self, verb: str, board: Board, *words: str, after: int) -> Result:
        """The power of the bench fails inside the operation `after` of a command; it comes back."""
        socket = self.socket_for(board.chip.part)
        self.insert(board.chip, socket)
        arm(socket.folder, (LosePower(at_operation=after, seed=board.number),))
        result = self.at_chip(verb, board, *words)
        arm(socket.folder, ())
        power_cycle(socket.folder)
        return result


def went_well(result: Result) -> Result:
    assert result.exit_code == 0, f"{result.stdout}\n{result.stderr}\n{result.exception!r}"
    return result


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
