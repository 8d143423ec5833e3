"""Common practice in a fit: as strong as it says, trusted as far as the evidence bears it out, told apart."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain import Plain

from models.domain.instrument import Instrument, Subject
from models.practice import NO_PRACTICE, Practice, Rule, read_practice, shipped
from models.practice.reliance import EVIDENCE_ALONE, Comparison
from models.price.instruments.model import read_model
from training.demo.market import Market, make_market
from training.fit import Fit, fit_model
from training.fit.core import problem_of
from training.fit.design.data import Data
from training.fit.design.problem import SALE, Problem
from training.fit.design.recipes import levels
from training.fit.design.specification import Specification
from training.fit.design.statements import Statements
from training.fit.design.terms import BackboneTerm
from training.fit.practice import statements_of
from training.fit.solve import fitted_values
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.solution import Solution, first_solution, sale_variance
from training.fit.solve.trust import learnt_of, trusted

ENCODING = Plain({"build": "usual"})
SPEC = Specification((BackboneTerm("build", (levels("build"),)),))


def told(y: float, width: float, sales: float) -> Statements:
    """One statement: what "rare" brings against "usual"."""
    rare, usual = (np.array([level], object) for level in ("rare", "usual"))
    sides = {"build": rare}, {"build": usual}
    one = np.ones((1, 1), bool)
    return Statements(*sides, [""], np.array([y]), np.array([width]), np.array([sales]), one, frozenset(), {})


def problem(rare: list[float], statements: Statements | None) -> Problem:
    """Two hundred usual sales at 0 in log, and these of the rare build."""
    y = np.concatenate([np.tile([-0.1, 0.1], 100), rare])
    build = np.array(["usual"] * 200 + ["rare"] * len(rare), object)
    table = {"build": build}
    kinds = [SALE] * len(y)
    rows = ENCODING.rows_of(table)
    return problem_of(
        Data(table, rows, y, kinds, kinds, list(map(str, range(len(y)))), None, statements), SPEC
    )


def solved(asked: Problem, tau2: float) -> Solution:
    """With normal noise of .1 and a given prior variance: what can be worked out by hand."""
    start = first_solution(asked, math.inf)
    known = replace(
        start,
        sigma2=np.array([0.01]),
        degrees_of_freedom=np.array([1e9]),
        tau2=np.full(len(start.tau2), tau2),
    )
    return fit_backbone(asked, known, most=6, learn=False)


def difference(est: Solution, asked: Problem) -> float:
    said = asked.contrasts
    assert said is not None
    one, two = (
        fitted_values.predict(asked.layout, side, est.theta, est.cap) for side in (said.first, said.second)
    )
    return float((one - two)[0])


@pytest.mark.parametrize(("sales", "width"), [(8.0, 0.1), (2.0, 0.0), (40.0, 0.3)])
def test_a_statement_counts_as_so_many_differences_of_sales_and_no_more(sales: float, width: float) -> None:
    """Precisions add up: n rare sales at .2, and what is stated, 1.0, with variance width² + 2 σ² / sales."""
    asked = problem([0.15, 0.25] * 5, told(1.0, width, sales))
    found = difference(solved(asked, 1e6), asked)
    of_sales = 1 / (0.01 / 10 + 0.01 / 200)
    of_rule = 1 / (width**2 + 2 * 0.01 / sales)
    assert found == pytest.approx((of_sales * 0.2 + of_rule * 1.0) / (of_sales + of_rule), abs=1e-4)


def test_the_evidence_alone_is_told_beside_the_rule() -> None:
    asked = problem([0.15, 0.25] * 5, told(1.0, 0.1, 8.0))
    learnt = learnt_of(asked, solved(asked, 1e4))
    of_sales, of_rule = 1 / (0.01 / 10 + 0.01 / 200), 1 / (0.1**2 + 2 * 0.01 / 8)
    assert learnt.evidence[0] == pytest.approx(0.2, abs=1e-3)
    assert learnt.evidence_sd[0] == pytest.approx(of_sales**-0.5, rel=1e-3)
    assert learnt.posterior_sd[0] == pytest.approx((of_sales + of_rule) ** -0.5, rel=1e-3)
    assert learnt.share[0] == pytest.approx(of_rule / (of_sales + of_rule), rel=1e-2)


def test_without_a_sale_of_it_all_that_is_known_is_practice() -> None:
    asked = problem([], told(0.5, 0.1, 8.0))
    learnt = learnt_of(asked, solved(asked, 1e4))
    assert learnt.share[0] == pytest.approx(1, abs=1e-3)
    assert math.isinf(learnt.evidence_sd[0]) and math.isnan(learnt.evidence[0])
    assert learnt.posterior[0] == pytest.approx(0.5, abs=1e-3)


@given(st.floats(-2, 2), st.integers(1, 30))
@settings(max_examples=30, deadline=None)
def test_what_the_evidence_denies_is_trusted_by_its_distance(stated: float, pairs: int) -> None:
    """Student's weight with four degrees of freedom, by hand: z is the distance over both errors."""
    asked = problem([0.15, 0.25] * pairs, told(stated, 0.1, 8.0))
    after = trusted(asked, solved(asked, 1e4)).contrasts
    z2 = (0.2 - stated) ** 2 / (0.01 / (2 * pairs) + 0.01 / 200 + 0.1**2)
    assert after is not None
    assert after.trust[0] == pytest.approx(4 / (4 + z2), abs=1e-2)


@pytest.mark.parametrize(("sales", "width"), [(8.0, 0.1), (2.0, 0.02), (40.0, 0.3)])
def test_without_evidence_a_rule_is_known_as_well_as_it_says_and_no_better(
    sales: float, width: float
) -> None:
    """The prior means say what is stated, too: prior and observation together must not say it twice."""
    asked = problem([], told(0.5, width, sales))
    est = fit_backbone(asked, first_solution(asked, math.inf))
    learnt = learnt_of(asked, est)
    stated_sd = math.sqrt(width**2 + 2 * sale_variance(est) / sales)
    assert learnt.posterior[0] == pytest.approx(0.5, abs=0.02)
    assert learnt.posterior_sd[0] == pytest.approx(stated_sd, rel=0.02)


def test_the_prior_of_a_group_says_no_more_than_its_weakest_rule() -> None:
    """By hand: both differ by one level's column and another's, squares 2; variances width² + 2 σ² / n."""
    first, second = np.array(["rare", "scarce"], object), np.array(["usual", "usual"], object)
    both = Statements(
        {"build": first}, {"build": second}, ["", ""], np.array([0.8, 0.3]), np.array([0.05, 0.4]),
        np.array([20.0, 1.0]), np.eye(2, dtype=bool), frozenset(), {},
    )  # fmt: skip
    said = problem([], both).contrasts
    assert said is not None
    assert said.variance(0.01) == pytest.approx([0.05**2 + 0.001, 0.4**2 + 0.02])
    assert said.least_variances(0.01).max() == pytest.approx(0.18 / 2)


def test_a_statement_about_evidence_that_is_not_there_says_nothing() -> None:
    gap = replace(told(0.3, 0.1, 8.0), first={"build": np.array(["usual"], object)}, gaps=["asking "])
    asked, bare = problem([0.2] * 4, gap), problem([0.2] * 4, None)
    assert solved(asked, 1.0).theta == pytest.approx(solved(bare, 1.0).theta)


# ── instruments ──────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def market() -> Market:
    return make_market(651, 24, "additive", 30, askings=48, offers=0)


def fitted(market: Market, practice: Practice, sales: int = 24) -> Fit:
    rows = [e for e in market.evidence if e.kind != "sale"] + [
        e for e in market.evidence if e.kind == "sale"
    ][:sales]
    return fit_model(rows, market.catalogue, market.rates, progress=False, practice=practice)


def typical(fit: Fit) -> Subject:
    model = fit.model.catalogue.models[0]
    return fit.model.reference(Subject(Instrument(model.maker, model.name), date(2024, 6, 1), "private"))


@pytest.fixture(scope="module")
def with_practice(market: Market) -> Fit:
    return fitted(market, shipped())


def test_an_empty_file_changes_nothing(market: Market) -> None:
    one, other = fitted(market, NO_PRACTICE), fitted(market, read_practice(""))
    assert one.model.to_files() == other.model.to_files()
    assert one.report["practice"] == other.report["practice"] == []
    assert one.model.reliance == EVIDENCE_ALONE


def test_a_rule_as_strong_as_a_thousand_sales_is_answered(market: Market) -> None:
    rule = Rule(
        "prototype",
        "A prototype brings about three times an ordinary one.",
        {"build": "prototype"},
        {"build": "production"},
        2.999,
        3.001,
        1000.0,
        "common practice",
        "sale",
        None,
    )
    fit = fitted(market, Practice((rule,), ""))
    start = typical(fit)
    one, two = fit.model.center([start.but(build="prototype"), start])
    # A model may differ from all others, but nothing says that this one does.
    assert math.exp(one - two) == pytest.approx(3.0, rel=0.05)


def test_no_shipped_rule_without_evidence_is_surer_than_it_says(market: Market) -> None:
    """Each of these is alone on its field; rules about one field may agree, and so narrow each other."""
    alone = ("refinished", "modern_pickups", "repaired_headstock", "clean_prototype", "notable_history")
    rules = tuple(rule for rule in shipped().rules if rule.name in alone)
    sale = next(e for e in market.evidence if e.kind == "sale")
    fit = fit_model([sale], market.catalogue, market.rates, progress=False, practice=Practice(rules, ""))
    assert [told["name"] for told in fit.report["practice"]] == [rule.name for rule in rules]
    assert len(rules) == len(alone)
    for told in fit.report["practice"]:
        found, stated = told["posterior"], told["prior"]
        assert found["factor"] == pytest.approx(stated["factor"], rel=0.02), told["name"]
        assert found["high"] / found["low"] > 0.99 * stated["high"] / stated["low"], told["name"]


@pytest.mark.parametrize("factor", [1.05, 3.0])
def test_a_spread_is_what_a_fit_of_few_begins_with(market: Market, factor: float) -> None:
    """Two sales tell no spread of makers: it is the stated one, nearly."""
    text = f"""
        [[spread]]
        name = "makers"
        says = "Makers differ."
        of = "maker"
        factor = {factor}
        source = "common practice"
    """
    two = [e for e in market.evidence if e.kind == "sale"][:2]
    fit = fit_model(two, market.catalogue, market.rates, progress=False, practice=read_practice(text))
    (told,) = fit.report["spreads"]
    assert fit.report["practice"] == [] and told["evidence"] is None
    assert told["posterior"] == pytest.approx(factor, rel=0.15)


def test_rules_that_no_sale_speaks_of_are_answered_within_their_spans(with_practice: Fit) -> None:
    start = typical(with_practice)
    for rule in shipped().rules:
        if rule.name in ("refinished", "broken_headstock", "modern_pickups", "notable_history"):
            one, two = with_practice.model.center([start.but(**rule.of), start.but(**rule.against)])
            assert rule.low * 0.85 < math.exp(one - two) < rule.high * 1.15, rule.name


def test_every_rule_is_told_with_its_share(with_practice: Fit) -> None:
    report = with_practice.report["practice"]
    about_offers = {rule.name for rule in shipped().rules if rule.kind == "offer"}
    assert {told["name"] for told in report} == {rule.name for rule in shipped().rules} - about_offers
    for rule in report:
        assert 0 <= rule["share"] <= 1
        assert rule["posterior"]["low"] <= rule["posterior"]["factor"] <= rule["posterior"]["high"]


def test_the_price_model_carries_the_shares_of_its_rules_through_its_files(with_practice: Fit) -> None:
    model = with_practice.model
    shares = {told["name"]: told["share"] for told in with_practice.report["practice"]}
    it = typical(with_practice).instrument
    between = Comparison(model.catalogue.models[0], it, it)
    for carried in (model.reliance, read_model(model.to_files(), model.catalogue).reliance):
        for name, path, value in (
            ("refinished", "originality.finish", "refinished"),
            ("heavily_played", "condition.neck", 4.0),
            ("full_wear_of_neck", "condition.neck", 5.0),
            ("no_case", "provenance.case", "none"),
            ("paperwork", "provenance.paperwork", True),
        ):
            assert carried.share(path, value, None, between) == shares[name]


def test_a_worse_answer_never_raises_a_value_whatever_is_stated(market: Market) -> None:
    """A rule that likes wear cannot turn the sign of a loss."""
    liked = Rule("liked", "Wear is liked.", {"condition_neck": 5.0}, {"condition_neck": 1.0}, 1.5, 2.0, 50.0,
                 "common practice", "sale", None)  # fmt: skip
    fit = fitted(market, Practice((liked,), ""))
    start = typical(fit)
    values = fit.model.center([start.but(condition_neck=float(grade)) for grade in range(6)])
    assert (np.diff(values) <= 0).all()


@pytest.mark.parametrize("sales", [1, 2, 7])
def test_a_fit_begins_with_one_sale_and_says_how_little_it_knows(market: Market, sales: int) -> None:
    few = fitted(market, shipped(), sales)
    subjects = [e.subject for e in market.holdout]
    found = few.model.estimate(subjects, [0.8])
    low, high = found.low, found.high
    assert np.isfinite(found.center).all() and (low < high).all()
    # Its top is at least twice its bottom, and it holds what was paid about as often as it says.
    assert np.median(high - low) > math.log(2)
    paid = np.array([market.log_value[e.id] for e in market.holdout])
    assert ((low[:, 0] < paid) & (paid < high[:, 0])).mean() > 0.65


def test_no_sale_at_all_is_refused(market: Market) -> None:
    with pytest.raises(ValueError, match="at least one"):
        fitted(market, shipped(), 0)


def test_a_rule_is_about_no_model_of_its_own() -> None:
    statements = statements_of(shipped())
    assert statements is not None
    assert statements.silent == {"maker", "model", "edition", "finish", "maker_finish", "model_finish"}
    assert len(statements.y) == len(shipped().rules)
