"""What one of mutmut's mutants changes: the file, the statement, how it reads before and after."""

import ast
import difflib
from collections.abc import Mapping
from functools import cache
from pathlib import Path


@cache
def functions(path: Path) -> Mapping[str, ast.FunctionDef]:
    """By the names mutmut has for them: `x_function`, `xǁClassǁmethod`; and their mutants."""
    found: dict[str, ast.FunctionDef] = {}
    for node in ast.parse(path.read_text()).body:
        for one in node.body if isinstance(node, ast.ClassDef) else [node]:
            if isinstance(one, ast.FunctionDef):
                owner = f"xǁ{node.name}ǁ" if isinstance(node, ast.ClassDef) else "x_"
                found.setdefault(one.name if "__mutmut_" in one.name else owner + one.name, one)
    return found


def head_of(node: ast.stmt) -> range:
    """The lines of a statement; of a compound one, those above its body."""
    body = node.cases[0].pattern if isinstance(node, ast.Match) else None
    body = body or next(iter(getattr(node, "body", ())), None)
    end = node.end_lineno or node.lineno
    return range(node.lineno, max(node.lineno + 1, body.lineno) if body else end + 1)


def change(name: str) -> tuple[str, range, str]:
    """The file, the lines of the statement that a mutant changes, and the difference, to read."""
    module, _, mutant = name.rpartition(".")
    function = mutant.rpartition("__mutmut_")[0]
    path = module.replace(".", "/") + ".py"
    nodes, source = functions(Path(path)), functions(Path("..", path))[function]
    text = Path(path).read_text().splitlines()
    old, new = (
        [line.replace(one, function) for line in text[node.lineno - 1 : node.end_lineno]]
        for one, node in ((one, nodes[one]) for one in (f"{function}__mutmut_orig", mutant))
    )
    at = source.lineno + next((n for n in range(len(old)) if old[n : n + 1] != new[n : n + 1]), 0)
    heads = [head_of(one) for one in ast.walk(source) if isinstance(one, ast.stmt)][1:]
    whole = range(source.lineno, (source.end_lineno or source.lineno) + 1)
    lines = min((one for one in heads if at in one), key=len, default=whole)
    shown = list(difflib.unified_diff(old, new, n=0, lineterm=""))[3:]
    return path, lines, "\n".join(shown)
