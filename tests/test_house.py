"""The rules of the house that a reader could break without noticing, held by walking the code."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("flashbench", "chipdb")

MAY_IMPORT = {
    "chipdb": set(),
    "flashbench.errors": set(),
    "flashbench.toml_text": set(),
    "flashbench.wording": set(),
    "flashbench.progress": {"flashbench.errors"},
    "flashbench.adapter": {"flashbench.errors", "flashbench.progress"},
    "flashbench.bench": {
        "flashbench.adapter",
        "flashbench.errors",
        "flashbench.toml_text",
        "flashbench.wording",
    },
    "flashbench.chip": {"chipdb", "flashbench.adapter", "flashbench.errors", "flashbench.progress"},
    "flashbench.image": {
        "flashbench.errors",
        "flashbench.progress",
        "flashbench.toml_text",
        "flashbench.wording",
    },
    "flashbench.job": {
        "flashbench.chip",
        "flashbench.errors",
        "flashbench.progress",
        "flashbench.toml_text",
        "flashbench.wording",
    },
    "flashbench.safe_write": {
        "flashbench.adapter",
        "flashbench.chip",
        "flashbench.errors",
        "flashbench.image",
        "flashbench.job",
        "flashbench.progress",
        "flashbench.wording",
    },
    "flashbench.report": {
        "flashbench.errors",
        "flashbench.image",
        "flashbench.job",
        "flashbench.progress",
        "flashbench.safe_write",
        "flashbench.toml_text",
    },
    "flashbench.shelf": {
        "flashbench.adapter",
        "flashbench.chip",
        "flashbench.errors",
        "flashbench.image",
        "flashbench.job",
        "flashbench.progress",
        "flashbench.report",
        "flashbench.safe_write",
        "flashbench.wording",
    },
    "flashbench.rehearsal": {"flashbench.errors"},
}
"""Room to the rooms below it. `flashbench.cli` and `flashbench/__init__.py` may import all."""

LAZY_DOOR = ("flashbench/adapter/find.py", "flashbench.rehearsal")
"""The one place that opens a rehearsal: the `rehearsal:` URL."""


def python_files(package: str) -> Iterator[Path]:
    yield from sorted((ROOT / package).rglob("*.py"))


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[tuple[int, str, str]]:
    """(line, module, name) of every import in a file, at whatever depth it stands."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: write imports in full"
            yield from ((node.lineno, node.module or "", alias.name) for alias in node.names)


def room(module: str) -> str:
    """The room a module lives in: `flashbench.chip`, `chipdb`, `flashbench.errors`."""
    parts = module.split(".")
    return parts[0] if parts[0] == "chipdb" else ".".join(parts[:2])


def all_files() -> list[Path]:
    return [path for package in PACKAGES for path in python_files(package)]


def test_rooms_import_only_the_rooms_below_them() -> None:
    wrong = []
    for path in all_files():
        here = room(module_name(path))
        if here not in MAY_IMPORT:
            continue
        for line, module, name in imports(path):
            if module.split(".")[0] not in PACKAGES:
                continue
            there = room(f"{module}.{name}" if module == "flashbench" else module)
            relative = path.relative_to(ROOT).as_posix()
            if there == here or there in MAY_IMPORT[here] or (relative, there) == LAZY_DOOR:
                continue
            wrong.append(f"{relative}:{line} imports {there}")

    assert wrong == []


@pytest.mark.parametrize(
    ("guarded", "holders"),
    [
        (
            "FRAME_SEAL",
            {
                "flashbench/adapter/_frame.py",
                "flashbench/chip/_read_frames.py",
                "flashbench/safe_write/_change_frames.py",
            },
        ),
        (
            "ChangeFrames",
            {"flashbench/safe_write/_change_frames.py", "flashbench/safe_write/_sender.py"},
        ),
        ("_SEAL", set()),
    ],
)
def test_what_makes_frames_and_evidence_is_held_by_few(guarded: str, holders: set[str]) -> None:
    importers = {
        path.relative_to(ROOT).as_posix()
        for path in all_files()
        for _, _, name in imports(path)
        if name == guarded
    }

    assert importers <= holders


def test_only_the_time_source_imports_time() -> None:
    allowed = {"flashbench/adapter/time_source.py"}
    importers = {
        path.relative_to(ROOT).as_posix()
        for path in python_files("flashbench")
        for _, module, _ in imports(path)
        if module == "time"
    }

    assert importers <= allowed


def test_only_the_adapter_and_the_rehearsal_know_usb() -> None:
    importers = {
        room(module_name(path))
        for path in all_files()
        for _, module, _ in imports(path)
        if module.split(".")[0] in {"usb", "pyftdi", "libusb_package"}
    }

    assert importers <= {"flashbench.adapter", "flashbench.rehearsal"}


def test_nothing_is_refused_by_an_assert_statement() -> None:
    """`python -O` removes asserts, so a gate is never one; rehearsal and types may prove things."""
    for path in (*python_files("flashbench/safe_write"), *python_files("flashbench/job")):
        for node in ast.walk(ast.parse(path.read_text())):
            assert not isinstance(node, ast.Assert), f"{path}:{node.lineno}: raise instead"


def body_line(function: ast.FunctionDef) -> int:
    """The line of the first statement that is no docstring."""
    has_docstring = ast.get_docstring(function) is not None and len(function.body) > 1
    return function.body[1 if has_docstring else 0].lineno


def test_functions_fit_on_a_screen() -> None:
    for path in all_files():
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef):
                lines = (node.end_lineno or node.lineno) - body_line(node) + 1
                assert lines <= 60, f"{path}:{node.lineno} {node.name}() is {lines} lines: cut it"


def test_functions_never_take_a_way_around_the_sequence() -> None:
    """No parameter anywhere is called force, skip_..., trusted or unsafe."""
    for path in all_files():
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.FunctionDef):
                continue
            for argument in (*node.args.args, *node.args.kwonlyargs):
                bad = argument.arg in {"force", "trusted", "unsafe"} or argument.arg.startswith(
                    ("skip_", "no_verify")
                )
                assert not bad, f"{path}:{node.lineno} {node.name}({argument.arg})"
