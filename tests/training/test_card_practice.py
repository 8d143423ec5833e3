"""The card's section on common practice: every rule is drawn and listed, and those contradicted are named."""

from __future__ import annotations

import re
from typing import Any

import pytest

from training.card import practice
from training.card.charts.practice import practice_chart
from training.card.page import page

Span = tuple[float, float, float]


def told(
    name: str,
    of: dict[str, Any],
    against: dict[str, Any],
    evidence: Span | None = (0.8, 0.7, 0.9),
    share: float = 0.3,
    contradicted: bool = False,
) -> dict[str, Any]:
    """One entry of the fit's report, its prior .5 to .6."""
    return {
        "name": name,
        "says": f"It says of {name} <what> it says.",
        "low": 0.5,
        "high": 0.6,
        "as_if_sales": 8.0,
        "of": of,
        "against": against,
        "prior": span((0.5477, 0.5, 0.6)),
        "evidence": span(evidence),
        "posterior": span((0.7, 0.65, 0.75)),
        "share": share,
        "contradicted": contradicted,
    }


def span(found: Span | None) -> dict[str, float] | None:
    return dict(zip(("factor", "low", "high"), found, strict=True)) if found else None


WEAR = ("top", "back", "neck", "headstock", "frets", "hardware")
RULES = [
    told("refinished", {"originality_finish": "refinished"}, {"originality_finish": "original"}),
    told("prototype", {"build": "prototype"}, {"build": "production"}, None, 1.0),
    told("asking", {}, {}, (1.2, 1.1, 1.3), 0.5),
    *(told(f"wear_of_{part}", {f"condition_{part}": 5.0}, {f"condition_{part}": 1.0}) for part in WEAR),
    told("period_case", {"provenance_case": "period"}, {"provenance_case": "original"}, (9.0, 8.0, 12.0)),
    told("heavy", {"weight_kg": 4.6}, {"weight_kg": 3.8}, (0.001, 0.0001, 0.01)),
    told("scarce", {"finish_share": 0.02}, {"finish_share": 0.4}),
]
AGAINST = [
    {**RULES[0], "evidence": span((1.02, 0.93, 1.1)), "contradicted": True},
    *RULES[1:3],
    {**RULES[3], "evidence": span((1.1, 1.0, 1.2)), "contradicted": True},
    *RULES[4:],
]


def marks(svg: str) -> list[str]:
    return re.findall(r'id="practice-rule-([a-z0-9_]+)"', svg)


@pytest.mark.parametrize("rules", [RULES, AGAINST, RULES[:1], RULES[:2], RULES[2:3]], ids=len)
def test_the_picture_has_a_mark_for_each_rule(rules: list[dict[str, Any]]) -> None:
    # A layout that fails is a warning, and warnings are errors here.
    svg = practice_chart(practice.groups_of(rules))
    assert sorted(marks(svg)) == sorted(rule["name"] for rule in rules)
    for rule in rules:
        assert f">{rule['name'].replace('_', ' ')}</text>" in svg


def test_the_picture_is_the_same_each_time_it_is_drawn() -> None:
    assert len({practice_chart(practice.groups_of(RULES)) for _ in range(5)}) == 1


def test_the_marks_of_evidence_are_as_many_as_there_is_evidence() -> None:
    def hollow(rules: list[dict[str, Any]]) -> int:
        svg = practice_chart(practice.groups_of(rules))
        return len(re.findall(r"<use [^>]*fill: #ffffff", svg))

    bare = [{**rule, "evidence": None} for rule in RULES]
    # The key has one of its own.
    assert hollow(bare) == 1
    assert hollow(RULES) == 1 + sum(rule["evidence"] is not None for rule in RULES)


def test_rules_stand_by_family_and_those_of_one_field_together() -> None:
    neck = told("wear_of_neck_too", {"condition_neck": 3.0}, {"condition_neck": 1.0})
    groups = {
        group.title: [rule["name"] for rule in group.rules] for group in practice.groups_of([*RULES, neck])
    }
    wear = [f"wear_of_{part}" for part in WEAR]
    assert groups == {
        "Identity": ["heavy"],
        "Rarity": ["prototype", "scarce"],
        "Condition": [*wear[:3], "wear_of_neck_too", *wear[3:]],
        "Originality": ["refinished"],
        "Provenance": ["period_case"],
        "Market": ["asking"],
    }


def test_a_rule_belongs_where_its_sides_differ() -> None:
    same = {"condition_neck": 1.0, "edition_total": 500}
    rule = told("exceptional", {**same, "figure": 5.0}, {**same, "figure": 2.0})
    (group,) = practice.groups_of([rule])
    assert group.title == "Rarity"


def test_contradicted_rules_are_named_first() -> None:
    section = practice.section(AGAINST)
    assert section[0] == "<h2>Common practice</h2>"
    assert section[1] == (
        "<p class=note>The evidence contradicts: refinished (practice says 0.5 to 0.6, the evidence 0.93 to "
        "1.10); wear of top (practice says 0.5 to 0.6, the evidence 1.00 to 1.20).</p>"
    )
    assert practice.section(RULES)[1] == "<p class=note>No rule is contradicted beyond chance.</p>"


def test_the_table_holds_every_rule_with_its_figures_and_words() -> None:
    html = "".join(practice.section(RULES))
    body = html[html.index("<tbody>") :]
    assert body.count("<tr>") == len(RULES)
    assert (
        "<th scope=row>refinished</th><td>0.5 to 0.6</td><td>8</td><td>0.80 (0.70 to 0.90)</td>"
        "<td>0.70 (0.65 to 0.75)</td><td>30%</td><td>It says of refinished &lt;what&gt; it says.</td>"
    ) in body
    assert "<th scope=row>prototype</th><td>0.5 to 0.6</td><td>8</td><td>–</td>" in body


def test_it_says_on_how_many_rules_practice_weighs_more() -> None:
    said = practice.weight(RULES)
    assert (
        said
        == "Of 12 rules, 2 rest mostly on practice and 10 mostly on evidence. Of 1 there is no evidence yet."
    )
    assert practice.weight(RULES[2:]) == "Of 10 rules, 1 rest mostly on practice and 9 mostly on evidence."


def test_without_practice_there_is_no_section() -> None:
    assert practice.section([]) == []


def test_the_picture_is_the_same_again_and_is_told_in_words() -> None:
    one, again = ("".join(practice.section(AGAINST)) for _ in range(2))
    assert one == again
    (label,) = re.findall(r'<svg role="img" aria-label="([^"]+)"', one)
    assert "refinished" in label and "12 rules" in label
    ids = re.findall(r' id="([^"]+)"', one)
    assert len(ids) == len(set(ids))


def test_the_page_has_the_section_where_the_card_has_practice() -> None:
    evidence = {"rows": 1, "sale": 1, "asking": 0, "offer": 0, "first": "2024-01-02", "last": "2024-04-02"}
    evidence |= {"makers": 1, "models": 1, "channels": {}}
    index = {"days": ["2024-01-02", "2024-04-02"], "band": "a band"}
    index |= {name: [100.0, 100.0] for name in ("center", "low", "high")}
    card = {"title": "Model card", "made": "2026-01-02", "evidence": evidence, "study": None, "index": index}
    card |= {"repeat_sales": None, "importance": [], "trees": None}
    assert "<h2>Common practice</h2>" in page({**card, "practice": RULES, "spreads": []}, None)
    assert "Common practice" not in page({**card, "practice": [], "spreads": []}, None)
    spread = {"name": "makers", "factor": 1.5, "evidence": None, "posterior": 1.43, "says": "Makers differ."}
    shown = page({**card, "practice": [], "spreads": [spread]}, None)
    assert "<div class=rules><div class=scroll><table><caption>How far" in shown
    cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", shown[shown.index("How far typical prices differ") :])
    assert cells[5:10] == ["makers", "1.50", "–", "1.43", "Makers differ."]
