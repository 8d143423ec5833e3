"""The card's section on the rules of common practice: each beside the evidence, in a chart and a table."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from models.domain.vocabulary import Family
from models.practice import NAMEABLE
from training.card.charts.practice import Group, Told, label_of, practice_chart
from training.card.pieces import factor, figure, span, table

_FACTORS = ("factor", "evidence", "posterior")
_MOST = 0.5  # from this share of practice on, a rule counts as resting mostly on common practice
_ORDER = {flat: at for at, flat in enumerate(NAMEABLE)}
_MEANING = (
    "<p>A fit starts from these rules of the trade, each as strong as the number of sales that it counts "
    "as, and lets the evidence move them. A rule says what one instrument brings as a share of another that "
    "differs in that alone, or what is asked or offered as a share of a closed price.</p>"
)
_CAPTION = (
    "Each rule as practice has it, as the evidence alone has it, and as the model has it from both: what the "
    "one brings as a share of the other, with spans of 80%. A rule without a hollow mark has no evidence; a "
    "diamond and a bold name mark one that the evidence contradicts. An arrow stands for evidence beyond the "
    "panel."
)


def section(rules: Sequence[Told], spreads: Sequence[Told] = ()) -> list[str]:
    """Return the section's HTML parts; none where the fit used no rules of common practice.

    `rules`, `spreads`: the entries "practice" and "spreads" of the fit's report.
    """
    if not rules:
        return ["<h2>Common practice</h2>", *_spreads(spreads)] if spreads else []
    groups = groups_of(rules)
    words = f"{len(rules)} rules of common practice with their spans. {contradictions(rules)} {weight(rules)}"
    return [
        "<h2>Common practice</h2>",
        f"<p class=note>{escape(contradictions(rules))}</p>",
        _MEANING,
        f"<p>{escape(weight(rules))}</p>",
        figure(practice_chart(groups), _CAPTION, words),
        f"<div class=rules>{_table(groups)}</div>",
        *_spreads(spreads),
    ]


def contradictions(rules: Sequence[Told]) -> str:
    """Name the rules that the evidence contradicts beyond chance, in a sentence."""
    against = [told for told in rules if told["contradicted"]]
    if not against:
        return "No rule is contradicted beyond chance."
    named = "; ".join(f"{label_of(told)} ({_against(told)})" for told in against)
    return f"The evidence contradicts: {named}."


def _against(told: Told) -> str:
    evidence = told["evidence"]
    found = f"{evidence['low']:.2f} to {evidence['high']:.2f}"
    return f"practice says {told['low']:g} to {told['high']:g}, the evidence {found}"


def weight(rules: Sequence[Told]) -> str:
    """Count the rules that rest mostly on common practice, and those without evidence, in sentences."""
    most = sum(told["share"] >= _MOST for told in rules)
    none = sum(told["evidence"] is None for told in rules)
    said = (
        f"Of {len(rules)} rules, {most} rest mostly on practice and {len(rules) - most} mostly on evidence."
    )
    return f"{said} Of {none} there is no evidence yet." if none else said


def groups_of(rules: Sequence[Told]) -> list[Group]:
    """Group the rules by the family of their fields; rules about the same field stand together."""
    of: dict[Family, list[Told]] = {family: [] for family in Family}
    for told in sorted(rules, key=_order):
        of[_family(told)].append(told)
    return [Group(family.value.capitalize(), own) for family, own in of.items() if own]


def _fields(told: Mapping[str, Any]) -> list[str]:
    """Return the fields in which a rule's two instruments differ; none for a rule on askings or offers."""
    return [flat for flat, value in told["of"].items() if value != told["against"][flat]]


def _family(told: Told) -> Family:
    fields = _fields(told)
    return NAMEABLE[fields[0]].family if fields else Family.MARKET


def _order(told: Told) -> tuple[int, int, float]:
    fields = _fields(told)
    first = min((_ORDER[flat] for flat in fields), default=-1)
    return first, -len(fields), told["prior"]["factor"]


def _table(groups: Sequence[Group]) -> str:
    header = ["rule", "practice", "as if sales", "evidence", "both", "of it practice", "in words"]
    return table(
        "All rules, with spans of 80%", header, [_row(told) for group in groups for told in group.rules]
    )


def _spreads(spreads: Sequence[Told]) -> list[str]:
    if not spreads:
        return []
    rows = [
        [told["name"].replace("_", " "), *(factor(told[key]) for key in _FACTORS), told["says"]]
        for told in spreads
    ]
    caption = "How far typical prices differ: two of three lie within this factor of the middle"
    found = table(caption, ["spread", "practice", "evidence", "both", "in words"], rows)
    return [f"<div class=rules>{found}</div>"]


def _row(told: Told) -> list[str]:
    prior, sales = f"{told['low']:g} to {told['high']:g}", f"{told['as_if_sales']:g}"
    learnt = (span(told["evidence"]), span(told["posterior"]), f"{told['share']:.0%}")
    return [label_of(told), prior, sales, *learnt, told["says"]]
