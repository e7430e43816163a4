"""Nothing but a running Plan changes a chip: every other public callable is driven to show it."""

import ast
import copy
import inspect
import pickle
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import flashbench as fb
from flashbench.adapter._frame import Frame
from flashbench.chip._read_frames import ReadKind, Register
from flashbench.chip.evidence import Evidence
from flashbench.chip.identity import Identified
from flashbench.chip.profile import Address
from flashbench.errors import ChipUntouched
from flashbench.job.folder import Job
from flashbench.progress import silent
from flashbench.safe_write._change_frames import ChangeFrames
from flashbench.safe_write._sender import Sender
from tests.builders.bench import SMALL, Board, a_dumped_job, edited, write

ROOT = Path(__file__).parents[2]
EVIDENCE = (fb.Identified, fb.StableRead, fb.Backup, fb.Found, fb.Plan, fb.Written, fb.Verified)
CHANGING = {
    "flashbench.rewrite",
    "flashbench.safe_write.rewrite.rewrite",
    "flashbench.safe_write.steps.carry_out",
}
"""All that take a Plan and carry it out; `verify` takes what they return."""

NOT_DRIVEN = {"close", "open_round", "before_release"}
"""Methods that would end the session or the round, or be called at its end."""


def modules() -> Iterator[str]:
    for package in ("flashbench/chip", "flashbench/safe_write"):
        for path in sorted((ROOT / package).glob("*.py")):
            yield path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".")


def public_callables() -> dict[str, Callable[..., Any]]:
    """`flashbench.__all__`, and what modules of chip/ and safe_write/ define without underscore."""
    found: dict[str, Callable[..., Any]] = {f"flashbench.{n}": getattr(fb, n) for n in fb.__all__}
    for name in modules():
        if name.endswith("__init__"):
            continue
        module = import_module(name)
        for attribute, value in vars(module).items():
            own = getattr(value, "__module__", None) == name
            if callable(value) and own and not attribute.startswith("_"):
                found[f"{name}.{attribute}"] = value
    return found


class Everything:
    """One of each thing that a callable may ask for, of one chip in one session; no Plan."""

    def __init__(self, board: Board, folder: Path, adapter: fb.Adapter, chip: Identified) -> None:
        job = Job.open(a_dumped_job(board, folder / "board 17"))
        read = fb.read_twice(chip)
        original = job.load_original()
        self.job = job
        self.things: tuple[object, ...] = (
            *(adapter, chip, job, read, fb.reload_backup(job), fb.read_for_recovery(chip, job)),
            *(original, original.data, edited(original.data, (0x5000, b"new")), chip.profile),
            *(chip.sfdp, chip.registers, chip.jedec_id, chip.unique_id, chip.wire),
            *(Address(0x5000), 0x1000, 1.8, 30_000_000, "text", True, None, silent),
            *(ReadKind.PLAIN, ReadKind.FAST, Register.STATUS_1, bytearray(0x1000)),
            *(memoryview(bytearray(0x1000)), (), [], {}, folder / "new", range(0x5000, 0x6000)),
            *(chip.profile.regions[0].kinds[0], object()),
        )

    def argument_sets(self, function: Callable[..., Any]) -> Iterator[dict[str, object]]:
        """By names that mean one thing everywhere, and then each thing for every parameter."""
        try:
            parameters = list(inspect.signature(function).parameters.values())
        except ValueError:
            return
        named = {
            "adapter": 0, "chip": 1, "job": 2, "read": 3, "backup": 4, "found": 5, "original": 6,
            "image": 7, "data": 7, "first": 7, "second": 7, "new_image": 8, "target": 7,
            "profile": 9, "sfdp": 10, "registers": 11, "jedec_id": 12, "start": 15, "size": 16,
            "supply_volts": 17, "declared_volts": 17, "sck_hz": 18, "kind": 23, "wire": 14,
            "progress": 22, "into": 27, "folder": 31, "dumped": 6, "density_bytes": 16,
            "numbers": 28,
        }  # fmt: skip
        by_name = {p.name: self.things[named[p.name]] for p in parameters if p.name in named}
        open_ones = [p for p in parameters if p.name not in by_name]
        for thing in self.things if open_ones else self.things[:1]:
            chosen = {p.name: by_name.get(p.name, thing) for p in parameters}
            yield {
                p.name: chosen[p.name]
                for p in parameters
                if p.kind in (p.POSITIONAL_OR_KEYWORD, p.KEYWORD_ONLY)
            }
            yield {p.name: thing for p in parameters if p.kind is p.POSITIONAL_OR_KEYWORD}


def drive(function: Callable[..., Any], arguments: dict[str, object]) -> bool:
    """Call it, go through what it returns, and say whether it returned at all."""
    with suppress(Exception):
        result = function(**arguments)
        if hasattr(result, "__enter__"):
            with result:
                pass
        if inspect.isgenerator(result):
            for _ in result:
                pass
        return True
    return False


@pytest.fixture(scope="module")
def callables() -> dict[str, Callable[..., Any]]:
    return public_callables()


def test_every_public_callable_driven_without_a_plan_changes_nothing(
    callables: dict[str, Callable[..., Any]], tmp_path: Path
) -> None:
    assert len(callables) > 80, "the walk finds the modules"
    board = Board(SMALL)
    returned = set()
    with board.visit() as visit:
        chip = visit.identify()
        everything = Everything(board, tmp_path, visit.adapter, chip)
        for name, function in callables.items():
            if name in ("flashbench.open_url", "flashbench.open_adapter"):
                continue  # they open other adapters
            for arguments in everything.argument_sets(function):
                chip.wire.drive_pins()  # a refused identify, say, turned them off
                if drive(function, arguments):
                    returned.add(name)
                assert board.chip.change_count == 0, (name, arguments)
        everything.job.close()

    assert board.chip.cell_change_count == board.chip.register_change_count == 0
    assert board.chip.opcode_counts[0x06] == board.chip.opcode_counts[0x50] == 0
    assert board.contents == board.original
    assert CHANGING.isdisjoint(returned)
    assert callables.keys() >= CHANGING
    reached = ("read_twice", "reload_backup", "plan_rewrite", "read_for_recovery", "plan_recovery")
    assert returned >= {f"flashbench.{name}" for name in reached}


def test_methods_of_evidence_driven_without_a_plan_change_nothing(tmp_path: Path) -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        chip = visit.identify()
        everything = Everything(board, tmp_path, visit.adapter, chip)
        for thing in everything.things[:6]:
            for name, function in inspect.getmembers(type(thing), inspect.isfunction):
                if name.startswith("_") or name in NOT_DRIVEN:
                    continue
                method = function.__get__(thing)
                for arguments in everything.argument_sets(method):
                    drive(method, arguments)
                    assert board.chip.change_count == 0, (type(thing), name, arguments)
        everything.job.close()

    assert board.chip.opcode_counts[0x06] == board.chip.opcode_counts[0x50] == 0


@pytest.mark.parametrize("kind", EVIDENCE, ids=lambda kind: kind.__name__)
def test_evidence_has_no_public_constructor(kind: type) -> None:
    assert is_dataclass(kind)
    arguments: dict[str, object] = {each.name: None for each in fields(kind)}

    with pytest.raises(TypeError, match=f"{kind.__name__} has no public constructor: call "):
        kind(**arguments, seal=object())  # type: ignore[call-arg]


@pytest.mark.parametrize("kind", EVIDENCE, ids=lambda kind: kind.__name__)
def test_evidence_has_no_subclasses(kind: type) -> None:
    with pytest.raises(TypeError, match=f"{kind.__name__} is evidence and has no subclasses"):
        type("Forged", (kind,), {"__post_init__": lambda self, seal: None})


def test_evidence_is_neither_copied_nor_pickled(tmp_path: Path) -> None:
    board = Board(SMALL)
    with board.visit() as visit:
        job_folder = a_dumped_job(Board(SMALL), tmp_path / "board 17")
        chip = visit.identify()
        with fb.Job.open(job_folder) as job:
            plan = fb.plan_rewrite(chip, fb.reload_backup(job), board.original)
            for made in (chip, plan):
                assert isinstance(made, Evidence)
                for way in (copy.copy, copy.deepcopy, pickle.dumps):
                    with pytest.raises(TypeError, match="of one session and is never copied"):
                        way(made)


def test_a_frame_has_no_public_constructor() -> None:
    with pytest.raises(TypeError, match="Frame has no public constructor: identify a chip"):
        Frame(name="write enable (06h)", out=b"\x06")


@pytest.mark.parametrize("make", [ChangeFrames, Sender], ids=lambda make: make.__name__)
def test_changing_frames_are_made_only_while_a_plan_runs(
    make: Callable[[fb.Plan], object], tmp_path: Path
) -> None:
    board = Board(SMALL)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        image = edited(board.original, (0x5000, b"new"))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        for moment in ("before", "after"):
            with pytest.raises(
                TypeError, match="changing frames are made only while a Plan is carried out"
            ):
                make(plan)
            if moment == "before":
                fb.rewrite(plan)


def test_write_enable_is_never_sent_before_a_backup_exists(tmp_path: Path) -> None:
    board = Board(SMALL)
    a_dumped_job(board, tmp_path / "board 17")
    assert board.chip.opcode_counts[0x06] == board.chip.opcode_counts[0x50] == 0

    with board.visit() as visit:
        write(visit, tmp_path / "board 17", edited(board.original, (0x5000, b"new")))
    assert board.chip.opcode_counts[0x06] > 0


def test_one_time_bits_and_other_instructions_that_cannot_be_undone_are_not_in_the_code() -> None:
    """9Bh, 2Fh, B1h, 42h, 68h, E3h, E8h, C4h: locks, one-time areas, die erase; from memory."""
    never = {0x9B, 0x2F, 0xB1, 0x42, 0x68, 0xE3, 0xE8, 0xC4}
    for name in ("flashbench/chip/_read_frames.py", "flashbench/safe_write/_change_frames.py"):
        for node in ast.walk(ast.parse((ROOT / name).read_text())):
            if not isinstance(node, ast.Constant):
                continue
            if isinstance(node.value, int):
                assert node.value not in never, f"{name}:{node.lineno}"
            if isinstance(node.value, bytes) and node.value:
                assert node.value[0] not in never, f"{name}:{node.lineno}"


def test_a_refused_frame_of_the_private_module_is_a_value_error(tmp_path: Path) -> None:
    board = Board(SMALL)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        image = edited(board.original, (0x5000, b"new"))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        kind = plan.chip.profile.regions[0].kinds[-1]
        with plan.running():
            frames = ChangeFrames(plan)
            with pytest.raises(ValueError, match="is not the start of a 65536-byte erase unit"):
                frames.erase(kind, Address(0x1000))
            with pytest.raises(ValueError, match="is not the start of a"):
                frames.erase(kind, Address(1 << 20))
            with pytest.raises(ValueError, match="do not lie in one page"):
                frames.program(Address(0x10F0), bytes(32), wait_us=0)
            with pytest.raises(ValueError, match="9Bh with 1 bytes writes no register here"):
                frames.write_register(0x9B, b"\0")
    assert board.chip.change_count == 0


def test_a_plan_is_used_once(tmp_path: Path) -> None:
    board = Board(SMALL)
    job_folder = a_dumped_job(board, tmp_path / "board 17")
    with board.visit() as visit, fb.Job.open(job_folder) as job:
        image = edited(board.original, (0x5000, b"new"))
        plan = fb.plan_rewrite(visit.identify(), fb.reload_backup(job), image)
        fb.verify(fb.rewrite(plan))
        changes = board.chip.change_count

        with pytest.raises(ChipUntouched, match="This plan was used before"):
            fb.rewrite(plan)

    assert board.chip.change_count == changes
