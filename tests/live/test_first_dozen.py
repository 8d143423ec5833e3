"""The beginner's walk in `docs/first-dozen.md` goes as it is written there, from an empty folder on.

It is walked once, as `documents.py` says; EXAMPLES=write in the environment writes its outputs anew.
"""

from __future__ import annotations

import re

import pytest
from documents import ROOT, Project, Step, differing

from models.domain.evidence import EVIDENCE_COLUMNS
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, KIND_NAMES, Kind

DOCUMENT = ROOT / "docs" / "first-dozen.md"


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    return Project(tmp_path_factory.mktemp("dozen")).walked(DOCUMENT)


def test_the_walk_goes_as_the_document_says(steps: list[Step]) -> None:
    assert differing(steps) == {}


def test_the_walk_meets_what_the_document_promises(steps: list[Step]) -> None:
    """Whatever the figures are: one row is refused, and two models go live without force."""
    said = "".join(step.command + step.said for step in steps)
    assert "line 8 (id L07): date: '14.06.2023' is not an ISO 8601 day" in said
    assert said.count("The price model is provisional") == 2
    assert said.count("It is the current price model of store now.") == 2
    assert "common practice" in said and "the sales are too few to say" in said
    assert said.count("Error:") == 1  # that of the row
    assert "--force" not in said and "Traceback" not in said


def test_a_rule_that_is_changed_changes_the_value(steps: list[Step]) -> None:
    """A refinish that costs less leaves more: 0.65 to 0.75 of the price in place of 0.5 to 0.6."""
    values = [re.search(r"Value: \$([\d,]+)", step.said) for step in steps if "--words" in step.command]
    first, second = (int(value[1].replace(",", "")) for value in values if value is not None)
    assert second > 1.02 * first


def test_the_document_lists_every_column_with_its_words() -> None:
    """And no other: the table of columns is typed by hand."""
    table = DOCUMENT.read_text(encoding="utf-8").partition("## 10. All columns")[2]
    listed: dict[str, set[str]] = {}
    for names, words in re.findall(r"^\| (`.+?) \| .+? \| (.+?) \|$", table, re.MULTILINE):
        listed |= {name: set(re.findall(r"`(\w+)`", words)) for name in re.findall(r"`(\w+)`", names)}
    terms = {f.flat: set(f.names) if f.kind is Kind.TERM else set() for f in FIELDS}
    terms |= {"kind": set(KIND_NAMES), "channel": set(CHANNEL_NAMES)}
    assert listed == {**{name: set() for name in EVIDENCE_COLUMNS}, **terms}
