"""Check that no tracked file tells where it was made or where packages come from, or could run when read."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from checks.source import ROOT, imported, named, python_files, tracked, tree

# In pieces, so that this file does not hold what it looks for.
HOSTS = re.compile(
    "|".join(
        (
            r"py" + r"pi\.org",
            r"python" + r"hosted\.org",
            r"registry\.npm" + r"js\.",
            r"deb\." + r"debian\.org",
            r"index" + r"-url",
        )
    )
)
PLACES = re.compile(
    "|".join(r"(?<![\w.])/" + name + r"/" for name in ("work", "root", "home/\\w+", "tmp/" + "lab"))
)
# The option that keeps a host out of the locks is named where the locks are made.
ALLOWED = {"Makefile": ("--no-emit-index" + "-url",)}

FORBIDDEN_IMPORTS = {"pickle", "cloudpickle", "dill", "shelve", "marshal"}


def _text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""
    for allowed in ALLOWED.get(named(path), ()):
        text = text.replace(allowed, "")
    return text


@pytest.mark.parametrize("pattern", [HOSTS, PLACES], ids=["host of a registry", "place on a machine"])
def test_no_tracked_file_names_a(pattern: re.Pattern[str]):
    found = [
        f"{named(path)}: {match.group()}" for path in tracked() for match in pattern.finditer(_text(path))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("pattern", "text"),
    [(HOSTS, "files.python" + "hosted.org"), (PLACES, " /ro" + "ot/x"), (PLACES, '"/ho' + "me/me/x")],
)
def test_the_patterns_find_what_they_look_for(pattern: re.Pattern[str], text: str):
    assert pattern.search(text)


def test_nothing_that_runs_code_when_read_is_ever_loaded():
    found = {
        named(path): imported(path) & FORBIDDEN_IMPORTS
        for path in python_files("models", "service", "training")
    }
    assert {name: names for name, names in found.items() if names} == {}


def test_serving_never_loads_through_joblib():
    # Work on a cluster is for a command alone; a contract of the linter keeps the service from it.
    found = [named(path) for path in python_files("models", "service") if "joblib" in imported(path)]
    assert found == ["models/commands/cluster.py"]


def _careless_loads(path: Path) -> list[int]:
    """Lines that read numpy's files without refusing pickles."""
    lines = []
    for node in ast.walk(tree(path)):
        if not (
            isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "load"
        ):
            continue
        of_numpy = isinstance(node.func.value, ast.Name) and node.func.value.id in ("np", "numpy")
        refused = any(
            word.arg == "allow_pickle" and isinstance(word.value, ast.Constant) and word.value.value is False
            for word in node.keywords
        )
        if of_numpy and not refused:
            lines.append(node.lineno)
    return lines


def test_numpy_files_are_read_without_pickles():
    careless = {named(path): _careless_loads(path) for path in python_files()}
    assert {name: lines for name, lines in careless.items() if lines} == {}


def test_the_locks_pin_everything_by_hash():
    for name in ("requirements.lock", "requirements-dev.lock", "requirements-yardstick.lock"):
        entries = re.split(r"\n(?=\S)", (ROOT / name).read_text(encoding="utf-8").strip())
        assert len(entries) > 20, name
        unpinned = [
            entry.splitlines()[0] for entry in entries if "==" not in entry or "--hash=sha256:" not in entry
        ]
        assert unpinned == [], name


def _pins(name: str) -> dict[str, str]:
    found = re.findall(r"^([\w.-]+)==([^\s;]+)", (ROOT / name).read_text(encoding="utf-8"), re.MULTILINE)
    return dict(found)


def test_the_locks_agree():
    serving, testing = _pins("requirements.lock"), _pins("requirements-dev.lock")
    comparing = _pins("requirements-yardstick.lock")
    assert serving.items() <= testing.items()
    assert testing.items() <= comparing.items()
