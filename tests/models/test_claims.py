"""Claims: which details much of a value rests on, by the amounts of its factors."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from market_of_fakes import subject

from models.domain.instrument import Value
from models.domain.vocabulary import BY_PATH
from models.valuation.claims import PROOFS, claims_of
from models.valuation.factors import Factor
from models.valuation.valuer import Valuer

VALUE = Decimal("1000.00")


def factor(field: str, amount: str, observed: Value = "something") -> Factor:
    return Factor(field, field.upper(), observed, None, 0.1, Decimal(amount))


def test_the_fields_are_those_that_documents_can_prove() -> None:
    assert set(PROOFS) == {"edition", "edition_number", "build", "figure", "provenance.history"}
    assert set(PROOFS) <= set(BY_PATH) and all(len(words) > 40 for words in PROOFS.values())


def test_a_tenth_of_the_value_is_a_claim_and_a_cent_less_is_none() -> None:
    (claim,) = claims_of([factor("edition", "100.00"), factor("build", "99.99")], VALUE)
    assert (claim.field, claim.label, claim.amount, claim.share) == (
        "edition",
        "EDITION",
        Decimal("100.00"),
        pytest.approx(0.1),
    )
    assert "certificate" in claim.proof


def test_the_largest_stands_first_and_other_fields_are_no_claims() -> None:
    found = claims_of(
        [
            factor("edition_number", "150"),
            factor("finish", "800"),
            factor("build", "400"),
            factor("condition.neck", "300"),
            factor("provenance.history", "-400"),
            factor("figure", "200", None),
        ],
        VALUE,
    )
    assert [(c.field, c.share) for c in found] == [
        ("build", pytest.approx(0.4)),
        ("edition_number", pytest.approx(0.15)),
    ]


def test_a_valuation_has_the_claims_of_its_factors() -> None:
    valuer = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
    # By hand: e^.2 for one step of figure: 1 − e^−.2 = 18% of the value, were nothing else different.
    found = valuer.value(subject(date(2026, 1, 2), figure=1.0))
    (claim,) = found.claims
    amounts = {f.field: f.amount for family in found.families for f in family.factors}
    assert (claim.field, claim.amount) == ("figure", amounts["figure"])
    assert claim.share == pytest.approx(float(amounts["figure"]) / float(found.value))
    assert "claims_need_documents" in {c.code for c in found.cautions}
    plain = valuer.value(subject(date(2026, 1, 2), figure=0.0))
    assert plain.claims == () and "claims_need_documents" not in {c.code for c in plain.cautions}
