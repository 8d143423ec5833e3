"""The recipe "A new noun of the API" of DEVELOPERS.md, done on a copy, gives one; no step can be left out."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from checks.recipe_noun import ADDED, EDITS, MIGRATION, NAMES, OWN_TESTS, REVISIONS
from checks.source import ROOT, tracked

COPIED = ("models", "training", "bookmatch", "service", "tests", "pyproject.toml")
LINT = "lint-imports"


def rows() -> dict[str, tuple[int, set[str]]]:
    """Read the recipe's table: file → its step, and the checks that tell when it is missing."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    recipe = text.partition("\n## A new noun of the API\n")[2].partition("\n## ")[0]
    found = re.findall(r"^\| (\d+) \| (.+?) \| .+ \| (.+) \|$", recipe, re.MULTILINE)
    return {
        file: (int(number), set(re.findall(rf"`(tests/[\w/]+\.py|{LINT})`", tellers)))
        for number, files, tellers in found
        for file in re.findall(r"`([\w./]+)`", files)
    }


RECIPE = rows()
TOLD = {file: tellers for file, (_, tellers) in RECIPE.items() if tellers}


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the project in which every step was done."""
    folder = tmp_path_factory.mktemp("copy")
    for path in tracked():
        name = path.relative_to(ROOT)
        if name.parts[0] in COPIED and not path.is_relative_to(ADDED):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, folder / name)
    for path in sorted(ADDED.rglob("*.py")):
        name = path.relative_to(ADDED)
        target = folder / NAMES.get(name.as_posix(), name)
        target.parent.mkdir(exist_ok=True)
        text = path.read_text(encoding="utf-8")
        for word, revision in REVISIONS.items():
            text = text.replace(word, revision)
        target.write_text(text, encoding="utf-8")
    for step in EDITS:
        step.done_in(folder)
    return folder


def checked(copy: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command of the environment in the copy, which stands before the installed project."""
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    program = [str(Path(sys.executable).with_name(words[0])), *words[1:]]
    return subprocess.run(program, cwd=copy, env=environment, capture_output=True, text=True, check=False)


def command(*tellers: str, only: str = "not postgresql") -> tuple[str, ...]:
    """Return the command of the linter, or of tests."""
    return tellers if tellers == (LINT,) else ("pytest", "-q", "-p", "no:cacheprovider", "-k", only, *tellers)


TESTS = sorted({teller for tellers in TOLD.values() for teller in tellers} - {LINT})


@pytest.mark.parametrize(
    "run",
    [(LINT,), command(*TESTS), command(NAMES[OWN_TESTS], only="")],
    ids=("linter", "tests", "own tests"),
)
def test_with_every_step_done_all_is_green(copy: Path, run: tuple[str, ...]) -> None:
    found = checked(copy, *run)
    assert found.returncode == 0, found.stdout[-3000:] + found.stderr[-3000:]


@pytest.mark.parametrize("file", [*TOLD])
def test_a_step_that_is_left_out_turns_its_checks_red(copy: Path, file: str) -> None:
    whole = (ROOT / file).is_dir()  # its step adds a file
    missing = copy / (MIGRATION if whole else file)
    done = missing.read_bytes()
    if whole:
        missing.unlink()
    else:
        shutil.copyfile(ROOT / file, missing)
    try:
        for teller in TOLD[file]:
            found = checked(copy, *command(teller))
            assert found.returncode == 1 and "watchlist" in found.stdout.lower(), teller
    finally:
        missing.write_bytes(done)


def test_the_recipe_names_every_file_at_its_step() -> None:
    named = {(number, file) for file, (number, _) in RECIPE.items()}
    assert {(step.number, step.file) for step in EDITS} - named == set()
    added = {path.relative_to(ADDED / "service").as_posix() for path in ADDED.glob("service/api/*/*.py")}
    assert added - {file for _, file in named} == set()
