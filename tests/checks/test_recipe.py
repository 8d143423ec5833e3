"""The recipe "A new field" of DEVELOPERS.md, done on a copy of the sources, gives a field that is priced."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from checks.recipe import FACTS, NEW_FIELDS
from checks.recipe_steps import NewField
from checks.source import ROOT, tracked

PROBE = Path(__file__).with_name("recipe_probe.py")
SOURCES = ("models", "service", "training", "bookmatch")
PRACTICE_TEST = "tests/models/test_practice_shipped.py"
# The two tests that name a missing entry, and what they need.
TESTS = (
    "pyproject.toml",
    "tests/conftest.py",
    "tests/training/conftest.py",
    "tests/training/evidence_files.py",
    FACTS,
    PRACTICE_TEST,
)


class Done(NamedTuple):
    """A copy of the sources in which the recipe was done for a field."""

    field: NewField
    folder: Path

    def run(self, *words: str, given: str = "") -> str:
        """The output of Python in this copy, which stands before the installed project."""
        environment = {**os.environ, "PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1"}
        found = subprocess.run(
            [sys.executable, *words],
            cwd=self.folder,
            env=environment,
            input=given,
            capture_output=True,
            text=True,
            check=False,
        )
        assert found.returncode == 0, found.stdout[-3000:] + found.stderr[-3000:]
        return found.stdout


@pytest.fixture(scope="module", params=NEW_FIELDS, ids=lambda field: field.path)
def done(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Done:
    folder = tmp_path_factory.mktemp("copy")
    for path in tracked():
        name = path.relative_to(ROOT)
        if name.parts[0] in SOURCES or name.as_posix() in TESTS:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, folder / name)
    for step in request.param.steps:
        step.done_in(folder)
    return Done(request.param, folder)


@pytest.fixture(scope="module")
def found(done: Done) -> dict[str, Any]:
    """Run `recipe_probe.py` on the copy, where the field moves the prices, and return its findings."""
    given = {"path": done.field.path, "effects": list(done.field.effects.items())}
    said: dict[str, Any] = json.loads(done.run(str(PROBE), given=json.dumps(given)))
    assert Path(said["home"]) == done.folder, "the installed project was read in place of the copy"
    return said


def test_the_field_is_read_as_json_and_as_csv(found: dict[str, Any]) -> None:
    assert found["json"] == found["csv"] == found["sent"]


def test_each_answer_moves_the_value_by_what_the_market_pays_for_it(
    done: Done, found: dict[str, Any]
) -> None:
    effects, typical = done.field.effects, done.field.typical
    for (answer, effect), valued in zip(effects.items(), found["valued"], strict=True):
        away = effect - effects[typical]
        if not away:
            continue
        (told,) = valued["factors"]
        assert (told["family"], told["reference"]) == (done.field.family, typical)
        assert told["effect"] == pytest.approx(away, abs=0.05), answer
        assert float(told["amount"]) * away > 0


def test_what_the_market_pays_less_for_has_a_lower_value(done: Done, found: dict[str, Any]) -> None:
    values = [float(valued["value"]) for valued in found["valued"]]
    falling = [value for _, value in sorted(zip(done.field.effects.values(), values, strict=True))]
    assert all(low < high for low, high in pairwise(falling))


def test_a_blank_never_adds(done: Done, found: dict[str, Any]) -> None:
    answers = dict(zip(done.field.effects, found["valued"], strict=True))
    assert float(found["blank"]["value"]) <= float(answers[done.field.typical]["value"])
    assert all(factor["effect"] <= 0 for factor in found["blank"]["factors"])


def test_the_field_is_told_and_asked_for_in_words(done: Done, found: dict[str, Any]) -> None:
    lines = [line for valued in found["valued"] for line in valued["lines"]]
    assert [word for word in done.field.words if not any(word in line for line in lines)] == []
    assert found["how"] == [done.field.how]


def test_the_demo_market_has_the_field(found: dict[str, Any]) -> None:
    demo = found["demo"]
    assert demo["least"] <= demo["reference"] <= demo["most"] and demo["least"] < demo["most"]
    assert 0 < demo["span"] < 0.5


def test_no_test_of_the_entries_misses_one(done: Done) -> None:
    done.run("-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", FACTS, PRACTICE_TEST)


def test_the_recipe_names_every_file_at_its_step() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    recipe = text.partition("\n## A new field\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (\d+) \| (.+?) \|", recipe, re.MULTILINE)
    named = {(int(number), file) for number, files in rows for file in re.findall(r"`([\w./-]+)`", files)}
    assert {(step.number, step.file) for field in NEW_FIELDS for step in field.steps} - named == set()
