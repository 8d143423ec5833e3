"""The tracked files, as the checks read them."""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("models", "training", "service")


@cache
def tracked() -> tuple[Path, ...]:
    """Every tracked file that is there."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    paths = [ROOT / name for name in listed.decode().split("\0") if name]
    return tuple(path for path in paths if path.is_file())


def python_files(*folders: str) -> list[Path]:
    """The tracked Python files below these folders of the top; all of them without any."""
    files = [path for path in tracked() if path.suffix == ".py"]
    return [path for path in files if not folders or path.relative_to(ROOT).parts[0] in folders]


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of one file."""
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imported(path: Path) -> set[str]:
    """The first part of the name of each module that a file imports, inside functions too."""
    names: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return names


def functions(path: Path) -> Iterator[tuple[str, int]]:
    """Name and number of lines of every function of a file, signature and docstring included."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.name, (node.end_lineno or node.lineno) - node.lineno + 1


def named(path: Path) -> str:
    """The path as it is named in a message."""
    return path.relative_to(ROOT).as_posix()
