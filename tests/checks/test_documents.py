"""The documents say what is true of the source, and lead to what is there."""

import re
import tomllib
from pathlib import Path

import pytest

from service.settings import table

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
PAGES = ["README.md", *(f"docs/{path.name}" for path in sorted((ROOT / "docs").glob("*.md")))]
INTERNALS = [f"docs/internals/{path.name}" for path in sorted((ROOT / "docs" / "internals").glob("*.md"))]
DOCUMENTS = [*PAGES, *INTERNALS, "DEVELOPERS.md", "CHANGELOG.md"]
README_LINES = 150


def _libraries() -> list[str]:
    groups = [entry for group in PROJECT["dependency-groups"].values() for entry in group]
    named = [entry for entry in (*PROJECT["project"]["dependencies"], *groups) if isinstance(entry, str)]
    return [re.split(r"[\[>=<~!; ]", entry)[0] for entry in named]


@pytest.mark.parametrize("library", [name for name in _libraries() if not name.startswith("types-")])
def test_every_library_has_its_reason_in_the_developers_document(library: str) -> None:
    reasons = (ROOT / "DEVELOPERS.md").read_text().split("## Which library is there, and why")[1]
    assert re.search(rf"(?<![\w-]){re.escape(library)}(?![\w-])", reasons)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_path_and_target_that_a_document_names_exists(document: str) -> None:
    text = (ROOT / document).read_text()
    paths = set(re.findall(r"`((?:models|training|service|tests|tools)/[\w/.]*)`", text))
    missing = sorted(path for path in paths if not (ROOT / path).exists())
    targets = set(re.findall(r"`make ([a-z]+)`", text)) - set(
        re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.MULTILINE)
    )
    assert not missing and not targets


def test_the_changelog_begins_with_the_version_of_the_project() -> None:
    headings = re.findall(r"^## (.+), .+$", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    assert headings[0] == PROJECT["project"]["version"]


def anchors(text: str) -> set[str]:
    """The names by which links reach the headings of a document."""
    prose = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    headings = re.findall(r"^#+ (.+)$", prose, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def broken_links(document: Path, text: str) -> list[str]:
    """The links of a document to files or headings that are not there."""
    broken = []
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        path, _, anchor = link.partition("#")
        target = document.parent / path if path else document
        if not target.is_file() or (anchor and anchor not in anchors(target.read_text(encoding="utf-8"))):
            broken.append(link)
    return broken


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_link_leads_to_a_file_and_a_heading(document: str) -> None:
    path = ROOT / document
    assert broken_links(path, path.read_text(encoding="utf-8")) == []


def test_a_link_that_leads_nowhere_is_seen() -> None:
    text = "[a](#cautions) [b](docs/none.md) [c](#no-such-heading) [d](docs/evidence.md#files)"
    assert broken_links(ROOT / "README.md", text) == ["docs/none.md", "#no-such-heading"]


def test_every_page_is_reached_from_readme() -> None:
    linked = set(re.findall(r"\]\((docs/[\w.-]+)", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert linked == {page for page in PAGES if page != "README.md"}


def test_every_page_for_developers_is_reached_from_their_map() -> None:
    linked = set(
        re.findall(r"\]\((docs/internals/[\w.-]+)", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    )
    assert linked == set(INTERNALS) != set()


def test_readme_is_read_in_one_sitting() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) < README_LINES


@pytest.mark.parametrize("document", PAGES)
def test_every_setting_that_a_page_names_exists(document: str) -> None:
    named = set(re.findall(r"(?<!_)BOOKMATCH_[A-Z_]*[A-Z]", (ROOT / document).read_text(encoding="utf-8")))
    known = {row["name"] for row in table()} | {"BOOKMATCH_URL", "BOOKMATCH_KEY"}
    assert {name.removesuffix("_FILE") for name in named} <= known
