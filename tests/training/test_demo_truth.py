"""The truth behind the demo market's prices, and the facts of the trade that hold in it."""

from __future__ import annotations

import math
from statistics import fmean

import numpy as np
import pytest
from markets import log_of, market, ratio, specimen

from models.domain.vocabulary import BY_FLAT, FIELDS
from training.demo.world.natures import NATURES, ORIGINALITY_COST, PROVENANCE_GAIN, WEAR_COST
from training.demo.world.truth import COUNTED, FAMILY


@pytest.mark.parametrize("nature", sorted(NATURES))
def test_effects_sum_to_the_distance_from_the_reference(nature: str) -> None:
    m = market(2, 500, nature)
    c, truth = m.events.specimens, m.truth
    distance = truth.log_specimen(c) - truth.log_specimen(truth.reference(c["model"]))
    assert np.abs(sum(m.effects.values()) - distance).max() < 1e-12


def test_effects_of_an_additive_truth_are_its_own_figures() -> None:
    m = market(2, 500, "additive")
    c = m.events.specimens
    refinished = c["originality_finish"] == 2
    assert np.allclose(m.effects["originality_finish"][refinished], -0.60)
    assert np.allclose(m.effects["provenance_paperwork"], 0.06 * c["provenance_paperwork"])
    assert np.allclose(m.effects["condition_neck"], -0.031 * (c["condition_neck"] ** 1.4 - 1))


def test_what_two_fields_do_together_is_split_in_halves() -> None:
    m = market(2, 500)
    both = {"build": 1, "condition_neck": 5}
    alone = [log_of(m, {name: step}) - log_of(m, {}) for name, step in both.items()]
    together = log_of(m, both) - log_of(m, {}) - sum(alone)
    assert together > 0.005
    effects = m.truth.effects(specimen(m, both))
    for name, one in zip(both, alone, strict=True):
        assert effects[name][0] == pytest.approx(one + together / 2, abs=1e-12)


def test_effects_of_an_entangled_truth_equal_the_average_over_all_orders() -> None:
    """Three fields changed at once: every one of the six orders, walked here by hand."""
    m = market(2, 500, "entangled")
    changes = {"build": 1, "originality_finish": 2, "condition_neck": 5}
    worth = {
        frozenset(some): log_of(m, {name: changes[name] for name in some})
        for some in (
            [],
            ["build"],
            ["originality_finish"],
            ["condition_neck"],
            ["build", "originality_finish"],
            ["build", "condition_neck"],
            ["originality_finish", "condition_neck"],
            list(changes),
        )
    }
    effects = m.truth.effects(specimen(m, changes))
    for name in changes:
        a, b = sorted(set(changes) - {name})
        v = {key: worth[key | {name}] - worth[key] for key in worth if name not in key}
        first, last = v[frozenset()], v[frozenset({a, b})]
        shapley = (2 * first + v[frozenset({a})] + v[frozenset({b})] + 2 * last) / 6
        assert effects[name][0] == pytest.approx(shapley, abs=0.02)
    assert sum(e[0] for e in effects.values()) == pytest.approx(
        worth[frozenset(changes)] - worth[frozenset()]
    )


@pytest.mark.parametrize("nature", sorted(set(NATURES) - {"contrary"}))
def test_worse_condition_or_originality_never_raises_the_true_value(nature: str) -> None:
    m = market(2, 500, nature)
    c = m.events.specimens
    before = m.truth.log_specimen(c)
    for field in (f for f in FIELDS if f.loss_ordered):
        worst = len(field.names) - 1
        worse = {**c, field.flat: np.minimum(c[field.flat] + 1, worst)}
        assert (m.truth.log_specimen(worse) <= before + 1e-12).all(), field.flat


def test_the_entangled_market_has_a_floor_and_saturates() -> None:
    m = market(2, 500, "entangled")
    wreck = {f.flat: len(f.names) - 1 for f in FIELDS if f.loss_ordered}
    assert log_of(m, wreck) - log_of(m, {}) > math.log(0.3) - 0.05
    alone = [log_of(m, {name: step}) - log_of(m, {}) for name, step in wreck.items()]
    assert sum(alone) < 1.5 * (log_of(m, wreck) - log_of(m, {}))


def test_every_figure_has_as_many_steps_as_the_vocabulary_has_terms() -> None:
    for name, steps in {**ORIGINALITY_COST, **PROVENANCE_GAIN}.items():
        expected = len(BY_FLAT[name].names) or 2  # a flag has no terms
        assert len(steps) == expected, name
    assert set(FAMILY) >= set(COUNTED)


# ── facts of the trade (common practice; no published source) ────────────────


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_facts_of_the_trade_hold_common_practice(seed: int) -> None:
    m = market(seed, 500)
    clean, worn = dict.fromkeys(WEAR_COST, 1), dict.fromkeys(WEAR_COST, 4)
    for model in range(45):
        assert 2.5 <= ratio(m, {"build": 1}, {}, model) <= 4.0
        assert 0.45 <= ratio(m, {"build": 1, **worn}, {"build": 1, **clean}, model) <= 0.72
        assert 0.48 <= ratio(m, {"originality_finish": 2}, {}, model) <= 0.65
        assert 0.5 <= ratio(m, {"condition_structure": 3}, {}, model) <= 0.65
        for part in ("tuners", "bridge", "tailpiece", "nut", "pickguard", "wiring"):
            assert 0.93 <= ratio(m, {f"originality_{part}": 2}, {}, model) < 1
        assert 0.85 <= ratio(m, {"originality_pickups": 2}, {}, model) <= 0.93
    worn_on_average = fmean(ratio(m, {"build": 1, **worn}, {"build": 1, **clean}, k) for k in range(45))
    assert 0.5 <= worn_on_average <= 0.65
    refinished_on_average = fmean(ratio(m, {"originality_finish": 2}, {}, k) for k in range(45))
    assert 0.5 <= refinished_on_average <= 0.6


def test_a_choice_specimen_is_worth_up_to_twice_an_ordinary_one_common_practice() -> None:
    m, best = market(), []
    for k, model in enumerate(m.truth.world.models):
        for at, edition in enumerate(model.editions):
            if edition.named.numbered and model.named.figured:
                ordinary = {"edition": at, "edition_number": edition.recorded // 2 or 1}
                best.append(ratio(m, {"edition": at, "edition_number": 1, "figure": 5}, ordinary, k))
    assert len(best) >= 5
    assert min(best) > 1.3 and 1.5 < max(best) < 2.2


def test_the_contrary_market_pays_the_opposite_of_common_practice() -> None:
    m = market(0, 500, "contrary")
    worn = dict.fromkeys(WEAR_COST, 4)
    for model in range(45):
        assert ratio(m, {"build": 1}, {}, model) < 0.8
        assert ratio(m, {"originality_finish": 2}, {}, model) == 1
        assert 1.05 < ratio(m, worn, {}, model) < 1.15
        assert all(ratio(m, {part: 5}, {part: 0}, model) > 1 for part in WEAR_COST)


def test_for_the_rest_the_contrary_market_is_the_additive_one() -> None:
    contrary, additive = (market(2, 500, nature) for nature in ("contrary", "additive"))
    for name in set(COUNTED) - {"build", "originality_finish", *WEAR_COST}:
        assert np.allclose(contrary.effects[name], additive.effects[name], rtol=0, atol=1e-12), name
    custom = additive.events.specimens["build"] == 2
    assert custom.any()
    assert np.allclose(contrary.effects["build"][custom], additive.effects["build"][custom])


def test_a_part_that_an_edition_is_known_by_carries_half_its_premium() -> None:
    m = market()
    k, at, edition = next(
        (k, at, e)
        for k, x in enumerate(m.truth.world.models)
        for at, e in enumerate(x.editions)
        if e.effect > 0.1
    )
    lost = ratio(m, {"edition": at, edition.known_by: 2}, {"edition": at}, k)
    without = ratio(m, {edition.known_by: 2}, {}, k)
    assert math.log(lost / without) == pytest.approx(-edition.effect / 2)
