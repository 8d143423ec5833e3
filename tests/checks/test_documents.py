"""The documents say what is true of the source."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def _libraries() -> list[str]:
    groups = [entry for group in PROJECT["dependency-groups"].values() for entry in group]
    named = [entry for entry in (*PROJECT["project"]["dependencies"], *groups) if isinstance(entry, str)]
    return [re.split(r"[\[>=<~!; ]", entry)[0] for entry in named]


@pytest.mark.parametrize("library", [name for name in _libraries() if not name.startswith("types-")])
def test_every_library_has_its_reason_in_the_developers_document(library: str) -> None:
    reasons = (ROOT / "DEVELOPERS.md").read_text().split("## Which library is there, and why")[1]
    assert re.search(rf"(?<![\w-]){re.escape(library)}(?![\w-])", reasons)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/first-dozen.md"])
def test_every_path_and_target_that_a_document_names_exists(document: str) -> None:
    text = (ROOT / document).read_text()
    paths = set(re.findall(r"`((?:models|training|service|tests|tools)/[\w/.]*)`", text))
    missing = sorted(path for path in paths if not (ROOT / path).exists())
    targets = set(re.findall(r"`make ([a-z]+)`", text)) - set(
        re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.MULTILINE)
    )
    assert not missing and not targets
