"""Check which libraries a room loads: the linter reads the code, and a fresh process shows its imports."""

from __future__ import annotations

import json
import subprocess
import sys

from checks.source import ROOT, python_files

HEAVY = {"lightgbm", "scipy", "pandas", "matplotlib", "joblib", "sklearn", "distributed", "dask"}
WEB = {"flask", "flask_smorest", "marshmallow", "sqlalchemy", "gunicorn", "alembic"}
# The price model and everything on the way of a valuation.
LEAN = {"numpy", "orjson"}

_SAID = """
import importlib, json, sys
before = set(sys.modules)
for name in sys.argv[1:]:
    importlib.import_module(name)
new = {name.split(".")[0] for name in set(sys.modules) - before}
print(json.dumps(sorted(new - set(sys.stdlib_module_names))))
"""


def loaded_by(*modules: str) -> set[str]:
    """The top-level packages outside the standard library that importing these loads."""
    run = subprocess.run(
        [sys.executable, "-c", _SAID, *modules], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return set(json.loads(run.stdout))


def modules_of(room: str) -> list[str]:
    """Every module of a room, but those that run when imported or only under alembic."""
    names = [path.relative_to(ROOT).with_suffix("").as_posix() for path in python_files(room)]
    left_out = ("__main__", "migrations")
    kept = [name for name in names if not any(part in name for part in left_out)]
    return [name.removesuffix("/__init__").replace("/", ".") for name in kept]


def test_the_probe_sees_what_is_loaded():
    assert "scipy" in loaded_by("scipy")


def test_models_loads_nothing_heavy_and_nothing_of_the_web():
    found = loaded_by(*modules_of("models"))
    assert "models" in found
    assert found.isdisjoint(HEAVY | WEB)


def test_a_valuation_needs_numpy_and_little_else():
    found = loaded_by("models.valuation.valuer", "models.bundles.bundle", "models.bundles.registry")
    assert found - {"models"} <= LEAN


def test_serving_loads_nothing_that_only_fitting_needs():
    modules = modules_of("service")
    found = loaded_by(*modules)
    assert "flask" in found
    assert found.isdisjoint(HEAVY | {"training"})


def test_asking_training_for_help_loads_nothing_heavy():
    assert loaded_by("training.cli").isdisjoint(HEAVY)
