"""The evaluator on the demo model: what it keeps, forgets and shares among threads changes no answer."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from demo_model import KINDS, demo_model, odd_subjects, variants
from lightgbm import Booster
from specimens import drawn

from models.domain.instrument import Subject
from models.price.core.backbone import BLANK, LEVEL, Block, loss_of, scale_of
from models.price.core.basis import Linear, Ramps
from models.price.core.core import Core
from models.price.evaluator import evaluator as evaluator_module
from models.price.evaluator import level
from models.price.evaluator.encoding import Row
from models.price.evaluator.evaluator import Evaluator
from models.price.instruments import model as model_module
from models.price.instruments.features import CONDITION_LOSSES, ORIGINALITY_LOSSES, columns
from models.price.instruments.model import GuitarModel
from training.fit.design.problem import layout_of, matrix
from training.fit.solve import fitted_values

LEVELS = (0.5, 0.8, 0.95)


@pytest.fixture(scope="module")
def fitted(demo_store: Path) -> GuitarModel:
    return demo_model(demo_store)


@pytest.fixture(scope="module")
def kinds(fitted: GuitarModel) -> dict[str, GuitarModel]:
    return variants(fitted)


@pytest.fixture(params=["as fitted", "with both"])
def either(request: pytest.FixtureRequest, kinds: dict[str, GuitarModel]) -> GuitarModel:
    """The model as it was fitted, and the same with a cap on its losses and trees of the tests' own."""
    return kinds[request.param]


@pytest.fixture(scope="module")
def subjects(fitted: GuitarModel) -> list[Subject]:
    return odd_subjects(fitted, 800)


def answers(model: GuitarModel, subjects: list[Subject]) -> list[np.ndarray]:
    found = model.assess(subjects, LEVELS)
    return [found.center, found.low, found.high, found.reference_center, found.effects]


def fresh(model: GuitarModel) -> GuitarModel:
    """A copy of the model that remembers nothing yet."""
    return replace(model)


def assert_equal(expected: Sequence[np.ndarray], found: Sequence[np.ndarray]) -> None:
    """Compare answers to the bit."""
    for one, other in zip(expected, found, strict=True):
        assert np.array_equal(one, other)


def test_the_variants_are_not_alike(kinds: dict[str, GuitarModel], subjects: list[Subject]) -> None:
    centers = [kinds[kind].center(subjects[:300]) for kind in KINDS]
    gaps = [np.abs(one - other).max() for n, one in enumerate(centers) for other in centers[:n]]
    assert min(gaps) > 0.001


@pytest.mark.parametrize("kind", KINDS)
def test_a_batch_equals_its_rows_alone_in_any_order_to_the_bit(
    kinds: dict[str, GuitarModel], subjects: list[Subject], kind: str
) -> None:
    some = subjects[::4]
    together, back = answers(fresh(kinds[kind]), some), answers(fresh(kinds[kind]), some[::-1])
    assert_equal(together, [one[::-1] for one in back])
    again, new = fresh(kinds[kind]), fresh(kinds[kind])
    for row in range(0, len(some), 3):
        for one, known, unknown in zip(
            together, answers(again, [some[row]]), answers(new, [some[row]]), strict=True
        ):
            assert np.array_equal(one[row], known[0]) and np.array_equal(one[row], unknown[0])


def test_how_many_are_worked_out_at_once_changes_nothing(
    either: GuitarModel, subjects: list[Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = answers(fresh(either), subjects[::5])
    monkeypatch.setattr(evaluator_module, "_AT_ONCE", 7)
    assert_equal(expected, answers(fresh(either), subjects[::5]))


def test_a_warm_model_has_the_plans_of_the_most_sold_and_answers_as_a_cold_one(
    fitted: GuitarModel, subjects: list[Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    some, warm = subjects[::40], fresh(fitted)
    warm.warm()
    assert len(warm.evaluator._memory.plans) == len(fitted.typical) > 10
    assert_equal(answers(warm, some), answers(fresh(fitted), some))
    monkeypatch.setattr(model_module, "_MOST_WARM", 3)
    few = fresh(fitted)
    few.warm()
    counts = {key: sum(sum(own.values()) for own in of.values()) for key, of in fitted.sales.items()}
    least = sorted(counts.values())[-3]
    made = ["|".join(key) for key in few.evaluator._memory.plans]
    assert len(made) == 3 and all(counts[key] >= least for key in made)


def test_a_forgetful_memory_changes_nothing(
    either: GuitarModel, subjects: list[Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    some = subjects[::8]
    expected = answers(fresh(either), some)
    monkeypatch.setattr(evaluator_module, "_MOST_BYTES", 1_500_000)
    monkeypatch.setattr(level, "MOST_KEPT", 3)
    forgetful = fresh(either)
    memory, forgotten = forgetful.evaluator._memory, 0
    found: list[list[np.ndarray]] = []
    for subject in some:
        found.append(answers(forgetful, [subject]))
        forgotten += forgetful.evaluator._memory is not memory
        memory = forgetful.evaluator._memory
    assert forgotten > 3
    assert_equal(expected, [np.concatenate(rows) for rows in zip(*found, strict=True)])


def test_threads_that_ask_at_once_get_what_one_gets_alone(
    fitted: GuitarModel, subjects: list[Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    some = subjects[:300]
    expected = answers(fresh(fitted), some)
    monkeypatch.setattr(evaluator_module, "_MOST_BYTES", 3_000_000)  # so that some forget while others read
    shared = fresh(fitted)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda s: answers(shared, [s]), [*some, *some]))
    for at, one in enumerate(found):
        for whole, alone in zip(expected, one, strict=True):
            assert np.array_equal(whole[at % len(some)], alone[0])


def test_an_estimate_has_the_figures_of_an_assessment(fitted: GuitarModel, subjects: list[Subject]) -> None:
    estimate, whole = fitted.estimate(subjects, LEVELS), fitted.assess(subjects, LEVELS)
    assert np.array_equal(estimate.center, whole.center) and np.array_equal(estimate.low, whole.low)
    assert np.array_equal(estimate.high, whole.high) and estimate.weights == whole.weights
    assert np.array_equal(whole.reference_center, fitted.center(list(whole.references)))
    assert list(whole.references) == [fitted.reference(s) for s in subjects]


# ── values worked out from the design ────────────────────────────────────────


@pytest.mark.parametrize("kind", KINDS)
def test_values_are_those_of_the_whole_design_and_of_lightgbm(
    kinds: dict[str, GuitarModel], subjects: list[Subject], kind: str
) -> None:
    model = kinds[kind]
    expected = by_design(model, subjects)
    assert np.abs(model.center(subjects) - expected).max() <= 1e-9


def by_design(model: GuitarModel, subjects: list[Subject]) -> np.ndarray:
    """(n,) values by the design matrix of the fit, the rule of blanks term by term, and LightGBM itself."""
    core, table = model.core, columns(subjects, model.catalogue, model.typical)
    layout = layout_of(core.backbone.blocks, ())
    x, theta = matrix(layout, table), np.append(core.backbone.theta, core.backbone.intercept)
    parts = fitted_values.parts_of(layout, x, theta)
    taken = fitted_values.saturate(parts.total, core.backbone.cap)
    value = parts.level + told_by_hand(core, table)
    if core.trees is None:
        return np.asarray(value - taken)
    seen = inputs_by_hand(model, subjects, table)
    bent = np.mean([Booster(model_str=t).predict(seen, num_threads=1) for t in core.trees.texts], axis=0)
    kept = 1 - core.trees.weight * core.trees.handed
    given = core.trees.weight * core.trees.handed_level * parts.level
    return np.asarray(value - given - kept * taken + core.trees.weight * bent)


def inputs_by_hand(model: GuitarModel, subjects: list[Subject], table: dict[str, np.ndarray]) -> np.ndarray:
    """(n, p) the backbone's total of each part, losses at the scales of a production specimen."""
    backbone, out = model.core.backbone, []
    production = columns([s.but(build="production") for s in subjects], model.catalogue, model.typical)
    layout = layout_of(backbone.blocks, ())
    theta = np.append(backbone.theta, backbone.intercept)
    scale = fitted_values.parts_of(layout, matrix(layout, production), theta).scale
    assert model.core.trees is not None
    for one in model.core.trees.inputs:
        own = [at for at, b in enumerate(backbone.blocks) if b.part == one.name and b.role in (LEVEL, BLANK)]
        lost = [at for at, b in enumerate(backbone.blocks) if b.part == one.name and b.is_loss]
        if one.kind == "part":
            out.append(backbone.sums(own, table))
        elif one.kind == "loss":
            out.append(backbone.sums(lost, table) * scale[backbone.blocks[lost[0]].role.family])
        elif one.kind == "blanks":
            fields = CONDITION_LOSSES if "condition" in one.name else ORIGINALITY_LOSSES
            out.append(np.array([sum(getattr(s.instrument, f) is None for f in fields) for s in subjects]))
        else:
            out.append(table[one.name])
    return np.round(np.stack(out, axis=1), 9)  # so that what cancels but for rounding is nothing


def told_by_hand(core: Core, table: dict[str, np.ndarray]) -> np.ndarray:
    rule, n = core.missing_losses, len(table["condition_top"])
    assert rule is not None
    told = np.zeros(n)
    for f, blank in enumerate(rule.columns):
        for g, other in enumerate(rule.columns):
            loss = np.interp(table[other], np.arange(rule.losses.shape[1]), rule.losses[g])
            moved = rule.weights[f, g] * (loss - rule.mean[g])
            told -= np.where(np.isnan(table[blank]) & ~np.isnan(table[other]), moved, 0.0)
    return told


# ── what the evaluator has no place for ──────────────────────────────────────

ODD = {
    "a product of two curves": Block("odd", (Linear("weight", 3, 1), Linear("figure", 1, 1))),
    "a loss of no ordinal field": Block("odd", (Linear("weight", 3, 9),), loss_of("condition")),
    "a loss of two fields": Block(
        "odd", (Ramps("condition_top", (0, 5)), Ramps("condition_back", (0, 5))), loss_of("condition")
    ),
    "a loss of a second family": Block("odd", (Ramps("condition_top", (0, 5)),), loss_of("originality")),
    "a scale of a second field": Block("odd", (Linear("weight", 3, 9),), scale_of("condition")),
}


@pytest.mark.parametrize("kind", ODD)
def test_what_the_evaluator_has_no_place_for_is_refused_by_name(fitted: GuitarModel, kind: str) -> None:
    backbone = fitted.core.backbone
    theta = np.append(backbone.theta, np.full(ODD[kind].size, 0.1))
    sd, directions = fitted.core.posterior.sd, fitted.core.posterior.directions
    posterior = replace(
        fitted.core.posterior,
        sd=np.concatenate([sd, np.ones(ODD[kind].size)]),
        directions=np.concatenate([directions, np.zeros((ODD[kind].size, directions.shape[1]), "f4")]),
    )
    changed = replace(backbone, blocks=(*backbone.blocks, ODD[kind]), theta=theta)
    core = replace(fitted.core, backbone=changed, posterior=posterior)
    row: Row = fitted._encoding.row(drawn(fitted.catalogue, 1, seed=1)[0])
    with pytest.raises(ValueError, match=r"odd|losses of condition_top|build and weight_kg"):
        Evaluator(core, fitted._encoding).center([row])


def test_a_core_without_a_spread_has_values_and_no_ranges(fitted: GuitarModel) -> None:
    row = fitted._encoding.row(drawn(fitted.catalogue, 1, seed=1)[0])
    bare = Evaluator(replace(fitted.core, spread=None), fitted._encoding)
    assert np.array_equal(bare.center([row]), fitted.evaluator.center([row]))
    with pytest.raises(ValueError, match="no spread yet"):
        bare.ranges([row], (0.8,))
