"""The share of an effect that rests on common practice: which rule gives it, its weights, and its files."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel, read_fake
from hypothesis import given, settings
from hypothesis import strategies as st
from market_of_fakes import subject

from models.domain.instrument import Instrument
from models.domain.parsing import Value
from models.domain.vocabulary import FIELDS
from models.practice.reliance import (
    EVIDENCE_ALONE,
    Comparison,
    Reliance,
    RuleShare,
    read_reliance,
    reliance_of,
)
from models.valuation.factors import Factor, basis_of
from models.valuation.valuer import Valuation, Valuer

FJELL = CATALOGUE.find("Ostvik", "Fjell 2")
# Rules as a fit might find them; the shares are invented and all differ, so that each tells which was taken.
RULES = (
    RuleShare({"originality_pickups": "modern"}, {"originality_pickups": "original"}, 0.9),
    RuleShare({"originality_pickups": "missing"}, {"originality_pickups": "original"}, 0.5),
    RuleShare({"condition_neck": 3.0}, {"condition_neck": 1.0}, 0.2),
    RuleShare({"condition_neck": 5.0}, {"condition_neck": 1.0}, 0.6),
    RuleShare(
        {"condition_neck": 5.0, "condition_top": 4.0}, {"condition_neck": 1.0, "condition_top": 1.0}, 0.8
    ),
    RuleShare({"provenance_paperwork": True}, {"provenance_paperwork": False}, 0.4),
    RuleShare(
        {"edition_number": 10, "edition_total": 500}, {"edition_number": 250, "edition_total": 500}, 0.7
    ),
    RuleShare(
        {"edition_number": 500, "edition_total": 500}, {"edition_number": 250, "edition_total": 500}, 0.1
    ),
    RuleShare({"edition_total": 100}, {"edition_total": 1000}, 0.35),
    RuleShare({"finish_share": 0.02}, {"finish_share": 0.4}, 0.65),
    RuleShare({"finish_share": 0.1}, {"finish_share": 0.4}, 0.45),
    RuleShare({"channel": "dealer"}, {"channel": "private"}, 0.3),
    RuleShare({}, {}, 1.0),  # a price asked: no field of an instrument
)
KNOWN = reliance_of(RULES)


def share(path: str, observed: Value, reference: Value, edition: str | None = "Solverv") -> float:
    it, other = (Instrument("Ostvik", "Fjell 2", edition=name) for name in (edition, None))
    return KNOWN.share(path, observed, reference, Comparison(FJELL, it, other))


@pytest.mark.parametrize(
    ("path", "observed", "reference", "expected"),
    [
        ("originality.pickups", "modern", "original", 0.9),
        ("originality.pickups", "missing", "original", 0.5),
        # Not known, or named by no rule: the reference's value, of which two rules speak.
        ("originality.pickups", None, "original", 0.7),
        ("originality.pickups", "period", "original", 0.7),
        ("originality.pickups", "period", "modern", 0.9),
        ("originality.pickups", "period", None, 0.0),
        # Grades: the nearest; two rules of the same grade: their mean; a tie goes to what rules are about.
        ("condition.neck", 3.0, 1.0, 0.2),
        ("condition.neck", 3.9, 1.0, 0.2),
        ("condition.neck", 4.5, 1.0, 0.7),
        ("condition.neck", 2.0, 1.0, 0.2),
        ("condition.top", 5.0, 1.0, 0.8),
        ("condition.neck", None, 1.0, (0.2 + 0.6 + 0.8) / 3),
        ("provenance.paperwork", True, False, 0.4),
        ("channel", "dealer", "private", 0.3),
        # Of the Solverv's 120: number 1 lies nearest to 10 of 500, number 119 to the last.
        ("edition_number", 1, None, 0.7),
        ("edition_number", 119, None, 0.1),
        ("edition_number", 60, None, 0.4),
        ("edition", "Solverv", None, 0.35),
        # Tarn is on 70% of the model's, Rowan on 5%: in log nearer to 10% than to 2%.
        ("finish", "Rowan", "Tarn", 0.45),
        ("finish", None, "Tarn", 0.55),
        # No rule speaks of these.
        ("weight_kg", 4.6, 3.8, 0.0),
        ("condition.back", 5.0, 1.0, 0.0),
        ("finish", "Plum", None, 0.0),
    ],
)
def test_the_share_is_that_of_the_rule_that_speaks_of_the_value(
    path: str, observed: Value, reference: Value, expected: float
) -> None:
    assert share(path, observed, reference) == pytest.approx(expected)


def test_a_number_of_an_edition_of_unknown_size_has_no_place() -> None:
    assert share("edition_number", 10, None, edition=None) == 0
    assert share("edition", "Nobody's", None, edition="Nobody's") == 0


def test_what_both_sides_of_a_rule_share_it_does_not_speak_of() -> None:
    alone = reliance_of([RULES[6]])
    assert set(alone.named) == {"edition_number"}


def test_it_is_the_same_in_whatever_order_the_rules_stand_and_after_json() -> None:
    assert reliance_of(reversed(RULES)) == KNOWN
    assert read_reliance(json.loads(json.dumps(KNOWN.state()))) == KNOWN
    assert reliance_of([]) == EVIDENCE_ALONE == read_reliance({})


# ── in a valuation ───────────────────────────────────────────────────────────


def valued(reliance: Reliance = KNOWN, **fields: Value) -> Valuation:
    return Valuer(FakePriceModel(reliance=reliance), CATALOGUE, RATES, "v1").value(subject(**fields))


def test_the_basis_of_families_and_of_all_is_weighted_by_the_size_of_the_effects() -> None:
    found = valued(condition_neck=5.0, condition_top=4.0, originality_pickups="modern")
    shown = {f.field: f for family in found.families for f in family.factors}
    # The fake takes .1 for each step from light wear on, and .2 for modern pickups. No rule speaks of the
    # four blank parts of condition, which it counts as of no wear: +.2 each.
    assert (shown["condition.neck"].basis, shown["condition.top"].basis) == pytest.approx((0.7, 0.8))
    assert shown["originality.pickups"].basis == pytest.approx(0.9)
    blank = [
        f for f in shown.values() if f.observed is None and f.field.startswith("condition.") and f.effect
    ]
    assert [f.basis for f in blank] == [0] * 4
    families = {family.family.value: family.basis for family in found.families}
    condition = 0.3 * 0.7 + 0.2 * 0.8
    assert families["condition"] == pytest.approx(condition / (0.3 + 0.2 + 4 * 0.2))
    assert families["originality"] == pytest.approx(0.9)
    assert families["provenance"] == families["identity"] == families["market"] == 0
    assert found.basis == pytest.approx((condition + 0.2 * 0.9) / (0.3 + 0.2 + 0.8 + 0.2))


def test_a_field_without_an_effect_rests_on_nothing() -> None:
    found = valued(provenance_paperwork=True)
    (paperwork,) = [
        f for family in found.families for f in family.factors if f.field == "provenance.paperwork"
    ]
    assert (paperwork.effect, paperwork.basis) == (0, 0)


def test_all_is_practice_where_no_rule_that_speaks_has_any_evidence() -> None:
    flat = {f.path: f.flat for f in FIELDS}
    of = [f for family in valued(condition_neck=5.0).families for f in family.factors if f.effect]
    rules = [RuleShare({flat[f.field]: 5.0}, {flat[f.field]: 2.0}, 1.0) for f in of]
    found = valued(reliance_of(rules), condition_neck=5.0)
    assert found.basis == 1
    assert [family.basis for family in found.families if family.effect] == [1]


def test_without_practice_nothing_rests_on_it() -> None:
    found = valued(EVIDENCE_ALONE, condition_neck=5.0, originality_pickups="modern", figure=4.0)
    assert found.basis == 0
    assert not any(f.basis for family in found.families for f in (family, *family.factors))


unit = st.floats(0, 1)


@settings(derandomize=True)
@given(st.lists(st.tuples(st.integers(-300, 300).map(lambda x: x / 100), unit), max_size=12))
def test_a_basis_lies_between_those_of_the_factors_that_have_an_effect(
    parts: list[tuple[float, float]],
) -> None:
    factors = [Factor("build", "build", None, None, effect, Decimal(0), basis) for effect, basis in parts]
    own = [basis for effect, basis in parts if effect]
    found = basis_of(factors)
    assert 0 <= found <= 1
    assert min(own, default=0) - 1e-12 <= found <= max(own, default=0) + 1e-12
    assert basis_of([f._replace(basis=1.0) for f in factors]) == bool(own)


@settings(derandomize=True)
@given(
    st.lists(unit, min_size=len(RULES), max_size=len(RULES)),
    st.fixed_dictionaries(
        {
            "condition_neck": st.none() | st.floats(0, 5),
            "originality_pickups": st.sampled_from([None, "original", "period", "modern", "missing"]),
            "edition": st.sampled_from([None, "Solverv"]),
            "edition_number": st.none() | st.integers(1, 120),
            "finish": st.sampled_from([None, "Tarn", "Rowan", "Plum"]),
            "figure": st.none() | st.floats(0, 5),
        }
    ),
)
def test_every_share_of_every_valuation_is_from_0_to_1(shares: list[float], fields: dict[str, Value]) -> None:
    rules = [rule._replace(share=share) for rule, share in zip(RULES, shares, strict=True)]
    found = valued(reliance_of(rules), **fields)
    for family in found.families:
        assert 0 <= family.basis <= 1
        assert all(0 <= factor.basis <= 1 for factor in family.factors)
    assert 0 <= found.basis <= 1
    assert found.value == valued(EVIDENCE_ALONE, **fields).value


def test_a_price_model_keeps_it_in_its_files() -> None:
    model = FakePriceModel(reliance=KNOWN)
    assert read_fake(model.to_files(), CATALOGUE).reliance == KNOWN
