"""`pip install .` gives a command that works from any folder, with every file that the rooms read."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from checks.source import ROOT, named, tracked

PARTS = ("bookmatch", "models", "training", "service")
YARDSTICK = "training/yardstick/"  # needs libraries that no installation has


def run(*command: object, cwd: Path, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def packaged() -> set[str]:
    """The tracked files that belong into the package."""
    files = {named(path) for path in tracked() if named(path).partition("/")[0] in PARTS}
    return {file for file in files if not file.startswith(YARDSTICK)}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package, built without the network from a copy of what is tracked."""
    copy, built = tmp_path_factory.mktemp("copy"), tmp_path_factory.mktemp("built")
    for file in (*packaged(), "pyproject.toml", "README.md"):
        (copy / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / file, copy / file)
    pip = (sys.executable, "-m", "pip", "wheel", "--no-index", "--no-deps", "--no-build-isolation")
    run(*pip, "--wheel-dir", built, ".", cwd=copy)
    (made,) = built.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment that holds the package; its libraries are those of the tests' environment."""
    folder = tmp_path_factory.mktemp("environment")
    run(sys.executable, "-m", "venv", "--without-pip", folder, cwd=folder)
    pip = (sys.executable, "-m", "pip", "--python", folder / "bin" / "python", "install", "--no-index")
    run(*pip, "--no-deps", wheel, cwd=folder)
    return folder


def environment(folder: Path) -> dict[str, str]:
    libraries = [path for path in sys.path if path.endswith("site-packages")]
    return {
        "PATH": f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}",
        "HOME": str(folder),
        "PYTHONPATH": os.pathsep.join(libraries),
        "BOOKMATCH_STORE": "store",
        "BOOKMATCH_SECRET": "a secret of the tests, long enough to be taken",
    }


def test_the_package_holds_every_file_of_the_rooms(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        held = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert held == packaged()
    assert {"models/practice/practice.toml", "service/docs/templates/docs.html"} <= held


def test_the_command_runs_from_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    env = environment(installed)
    where = run("python", "-c", "import models; print(models.__file__)", cwd=tmp_path, env=env)
    assert where.startswith(str(installed))
    assert run("bookmatch", "--help", cwd=tmp_path, env=env).startswith("Usage: bookmatch [OPTIONS] COMMAND")
    assert "rules of common practice" in run("bookmatch", "practice", cwd=tmp_path, env=env)
    assert run("bookmatch", "migrate", cwd=tmp_path, env=env).strip()
    key = run("bookmatch", "keys", "create", "tests", cwd=tmp_path, env=env)
    assert len(key.strip()) > 20 and (tmp_path / "bookmatch.sqlite3").exists()


def test_the_document_of_the_service_is_in_the_package(installed: Path, tmp_path: Path) -> None:
    script = "from service.docs.examples import FILE; print(len(FILE.read_bytes()))"
    assert int(run("python", "-c", script, cwd=tmp_path, env=environment(installed))) > 1000


def test_the_version_is_that_of_the_project(installed: Path, tmp_path: Path) -> None:
    version = run("bookmatch", "--version", cwd=tmp_path, env=environment(installed)).strip()
    assert f'\nversion = "{version}"\n' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_the_version_that_builds_is_the_locked_one() -> None:
    needed = [
        line.split('"')[1]
        for line in (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
        if line.startswith(("requires = [", "build = ["))
    ]
    assert len(needed) == 2 and len(set(needed)) == 1
    assert f"\n{needed[0]} \\\n" in (ROOT / "requirements.lock").read_text(encoding="utf-8")
