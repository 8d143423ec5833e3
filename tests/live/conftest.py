"""Copies of the project in which documents are walked."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from documents import Project


@pytest.fixture
def project(tmp_path: Path) -> Project:
    """A copy of the project, with the environment of these very tests and an empty home."""
    return Project(tmp_path)


@pytest.fixture
def served_project(project: Project, demo_market: Path, demo_store: Path) -> Project:
    """A copy in which `make serve` finds demo market and price model made already."""
    for made, name, stamp in ((demo_market, "demo", ".made"), (demo_store, "store", ".fitted")):
        shutil.copytree(made, project.folder / "var" / name)
        (project.folder / "var" / name / stamp).touch()
    return project
