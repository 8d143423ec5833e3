"""`python -m training practice`: the rules of a file, and what a card made by hand says of them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from fakes import CATALOGUE, RATES, FakePriceModel

from models.bundles.bundle import write_bundle
from models.bundles.registry import Registry
from training.cli import main


def ratio_rule(
    name: str, says: str, field: str, of: str, against: str, low: float, high: float, sales: float
) -> str:
    """One rule of the file: instruments with `of` in this field, against those with `against` in it."""
    return f"""
[[rule]]
name = "{name}"
says = "{says}"
of = {{ {field} = "{of}" }}
against = {{ {field} = "{against}" }}
low = {low}
high = {high}
as_if_sales = {sales}
source = "common practice"
"""


REFINISHED = ("refinished", "A refinished one brings half.", "originality_finish", "refinished", "original")
PROTOTYPE = ("prototype", "A prototype brings three times as much.", "build", "prototype", "production")
NO_CASE = ("no_case", "Without its case it brings less.", "provenance_case", "none", "original")
ASKING = """
[[rule]]
name = "asking"
says = "A price asked is above the value."
kind = "asking"
channel = "dealer"
low = 1.1
high = 1.5
as_if_sales = 8
source = "A book that somebody invented"
"""
FILE = (
    ratio_rule(*REFINISHED, 0.45, 0.55, 8)
    + ratio_rule(*PROTOTYPE, 2.5, 4, 2.5)
    + ratio_rule(*NO_CASE, 0.9, 0.96, 4)
    + ASKING
)


def learned(
    name: str,
    says: str,
    practice: tuple[float, float, float],
    evidence: tuple[float, float, float] | None,
    posterior: tuple[float, float, float],
    share: float,
    contradicted: bool = False,
) -> dict[str, Any]:
    """One entry of the card: `practice` is low, high and as_if_sales, the others factor, low and high."""
    low, high, sales = practice
    return {
        "name": name,
        "says": says,
        "low": low,
        "high": high,
        "as_if_sales": sales,
        "prior": span(((low * high) ** 0.5, low, high)),
        "evidence": span(evidence),
        "posterior": span(posterior),
        "share": share,
        "contradicted": contradicted,
    }


def span(of: tuple[float, float, float] | None) -> dict[str, float] | None:
    return dict(zip(("factor", "low", "high"), of, strict=True)) if of else None


CARD = [
    learned(
        "refinished",
        "A refinished one brings half.",
        (0.45, 0.55, 8),
        (0.93, 0.88, 0.98),
        (0.81, 0.76, 0.87),
        0.25,
        True,
    ),
    learned(
        "prototype",
        "A prototype brings three times as much.",
        (2.5, 4, 2.5),
        (2.61, 2.2, 3.1),
        (2.7, 2.3, 3.2),
        0.4,
    ),
    learned(
        "no_case",
        "Without its case it brings less.",
        (0.9, 0.96, 4),
        (0.87, 0.8, 0.95),
        (0.9, 0.85, 0.95),
        0.6,
    ),
    learned("asking", "A price asked is above the value.", (1.1, 1.5, 8), None, (1.28, 1.1, 1.5), 1.0),
]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "practice.toml"
    path.write_text(FILE, encoding="utf-8")
    return path


def store(folder: Path, practice: Any = CARD, spreads: Any = (), **files: str) -> Path:
    """A store whose current bundle has this practice on its card, and these files, `_` for the dot."""
    card = {"title": "Model card", **({} if practice is None else {"practice": practice}), "spreads": spreads}
    extra = {name.replace("_", "."): text.encode() for name, text in files.items()}
    bundle = {"card.json": json.dumps(card).encode(), **extra}
    version = write_bundle(folder, FakePriceModel(), CATALOGUE, RATES, {}, bundle)
    Registry(folder).promote(version, who="tests", why="to be read")
    return folder


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["practice", *map(str, args)])


def lines_of(found: Result) -> dict[str, str]:
    """The lines of the table by the rule that each is about."""
    assert found.exit_code == 0, found.stderr
    table = found.stdout.split("\n\n")[1]
    return {line.split()[0]: line for line in table.splitlines()}


def test_the_rules_of_a_file_are_printed_as_a_table(file: Path) -> None:
    found = run(file)
    assert found.stderr == "" and found.stdout.startswith("4 rules of common practice\n")
    lines = lines_of(found)
    assert list(lines) == ["rule", "refinished", "prototype", "no_case", "asking"]
    assert lines["prototype"].split(maxsplit=5) == [
        "prototype", "2.5", "to", "4", "2.5", "A prototype brings three times as much.",
    ]  # fmt: skip


def test_columns_stand_under_their_heads(file: Path) -> None:
    lines = lines_of(run(file))
    for head, cells in (("price", ("0.45 to 0.55", "2.5 to 4")), ("as if sales", ("8", "2.5"))):
        at = lines["rule"].index(head)
        for name, cell in zip(("refinished", "prototype"), cells, strict=True):
            assert lines[name][at:].startswith(cell)


def test_without_a_file_the_shipped_rules_are_printed() -> None:
    lines = lines_of(run())
    assert {"refinished", "clean_prototype", "asking", "no_case"} <= lines.keys() and len(lines) > 50


def test_with_a_store_each_rule_stands_beside_what_the_evidence_says(file: Path, tmp_path: Path) -> None:
    found = run(file, "--store", store(tmp_path / "store"))
    assert found.stderr == ""
    said = lines_of(found)
    for name, *cells in (
        ("refinished", "0.93 (0.88 to 0.98)", "0.81 (0.76 to 0.87)", "25%", "contradicted"),
        ("prototype", "2.61 (2.20 to 3.10)", "2.70 (2.30 to 3.20)", "40%", "agrees"),
        ("no_case", "0.87 (0.80 to 0.95)", "0.90 (0.85 to 0.95)", "60%", "differs within chance"),
        ("asking", "-", "1.28 (1.10 to 1.50)", "100%", "no evidence"),
    ):
        heads = ("evidence (80%)", "both (80%)", "of it practice", "verdict")
        for head, cell in zip(heads, cells, strict=True):
            assert said[name][said["rule"].index(head) :].startswith(f"{cell}  ")


def test_the_rules_that_the_evidence_contradicts_are_named_below(file: Path, tmp_path: Path) -> None:
    found = run(file, "--store", store(tmp_path / "store"))
    assert found.stdout.split("\n\n")[2].splitlines() == [
        "The evidence contradicts beyond chance:",
        "  refinished: A refinished one brings half. The evidence says 0.93 (0.88 to 0.98).",
    ]


def test_it_is_said_that_no_rule_is_contradicted(file: Path, tmp_path: Path) -> None:
    found = run(file, "--store", store(tmp_path / "store", CARD[1:]))
    assert found.stdout.endswith("\n\nThe evidence contradicts no rule beyond chance.\n")


def test_rules_that_the_fit_had_otherwise_are_named(file: Path, tmp_path: Path) -> None:
    other = [CARD[0] | {"high": 0.6}, CARD[1] | {"name": "mockup"}, *CARD[2:]]
    found = run(file, "--store", store(tmp_path / "store", other))
    version = Registry(tmp_path / "store").current().version
    assert found.stderr.splitlines() == [
        f"price model {version} does not know: prototype",
        f"price model {version} was fitted with another version of: refinished",
        f"price model {version} was also fitted with: mockup",
    ]
    assert "not in the fit" in lines_of(found)["prototype"]


def test_a_rule_about_evidence_that_there_is_none_of_was_known_all_the_same(tmp_path: Path) -> None:
    found = run("--store", store(tmp_path / "store", CARD[:3], practice_toml=FILE))
    assert found.stderr == ""
    assert "not in the fit" in lines_of(found)["asking"]


@pytest.mark.parametrize("practice", [None, []])
def test_a_model_fitted_without_practice_is_said_to_be(file: Path, tmp_path: Path, practice: Any) -> None:
    found = run(file, "--store", store(tmp_path / "store", practice))
    assert "was fitted without common practice" in found.stderr
    assert "not in the fit" in lines_of(found)["refinished"] and "contradicts" not in found.stdout


def test_without_a_file_the_rules_that_the_bundle_keeps_come_first(tmp_path: Path) -> None:
    found = run("--store", store(tmp_path / "store", practice_toml=FILE))
    assert list(lines_of(found)) == ["rule", "refinished", "prototype", "no_case", "asking"]


def test_json_holds_every_rule_as_the_file_has_it(file: Path) -> None:
    found = json.loads(run(file, "--json").stdout)
    assert list(found) == ["rules", "spreads"] and len(found["rules"]) == 4 and found["spreads"] == []
    assert found["rules"][3] == {
        "name": "asking", "says": "A price asked is above the value.", "of": {}, "against": {},
        "low": 1.1, "high": 1.5, "as_if_sales": 8.0, "source": "A book that somebody invented",
        "kind": "asking", "channel": "dealer",
    }  # fmt: skip
    assert found["rules"][0]["of"] == {"originality_finish": "refinished"}


def test_json_holds_what_was_learned_or_null(file: Path, tmp_path: Path) -> None:
    where = store(tmp_path / "store", CARD[:1])
    found = json.loads(run(file, "--store", where, "--json").stdout)
    assert found["version"] == Registry(where).current().version
    assert found["rules"][0]["learned"] == {
        "prior": CARD[0]["prior"],
        "evidence": {"factor": 0.93, "low": 0.88, "high": 0.98},
        "posterior": {"factor": 0.81, "low": 0.76, "high": 0.87},
        "share": 0.25,
        "contradicted": True,
    }
    assert [rule["learned"] for rule in found["rules"][1:]] == [None] * 3


def test_a_wrong_file_is_refused_in_one_line_with_every_fault(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(FILE.replace("low = 2.5", "low = 25").replace("as_if_sales = 4", "as_if_sale = 4"))
    found = run(path)
    assert found.exit_code == 1 and found.stdout == "" and len(found.stderr.splitlines()) == 1
    for words in ("mine.toml", "rule 2 (prototype), low: 25", "rule 3 (no_case), as_if_sale: 4"):
        assert words in found.stderr


def test_a_file_that_is_not_utf_8_is_refused_with_a_way_out(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(FILE.replace("invented", "inv\xe9nted").encode("latin-1"))
    found = run(path)
    assert found.exit_code == 1 and "save it as UTF-8" in found.stderr


def test_wrong_use_and_an_empty_store_end_as_they_do_elsewhere(tmp_path: Path) -> None:
    assert run(tmp_path / "none.toml").exit_code == 2
    found = run("--store", tmp_path)
    assert found.exit_code == 1 and "promoted" in found.stderr


# ── spreads ──────────────────────────────────────────────────────────────────

_SPREAD = '[[spread]]\nname = "{0}s"\nsays = "They differ."\nof = "{0}"\nfactor = {1}\nsource = "a guess"\n'
SPREADS = _SPREAD.format("maker", 1.5) + _SPREAD.format("edition", 1.35)
LEARNED_SPREADS = [{"name": "makers", "evidence": 1.9, "posterior": 1.8}]


def test_spreads_are_printed_beside_what_was_learned_of_them(tmp_path: Path) -> None:
    folder = store(tmp_path / "store", practice_toml=FILE + SPREADS, spreads=LEARNED_SPREADS)
    lines = run("--store", folder).stdout.splitlines()
    at = lines.index("2 spreads: two of three lie within this factor of the middle")
    assert [re.split(r"  +", line) for line in lines[at + 2 :]] == [
        ["spread", "factor", "evidence", "both", "in words"],
        ["makers", "1.50", "1.90", "1.80", "They differ."],
        ["editions", "1.35", "-", "-", "They differ."],
    ]
    found = json.loads(run("--store", folder, "--json").stdout)["spreads"]
    assert [one["learned"] for one in found] == [{"evidence": 1.9, "posterior": 1.8}, None]
