"""Effects against their definition: every hybrid of two specimens, valued by the model itself.

The fitted model need not have a forest, nor a cap on its losses: both are put in, so that every game is held
to the enumeration whatever the fit on the demo market keeps.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import lightgbm as lgb
import numpy as np
import pytest
from enumeration import enumerate_shapley
from models.price.trees import Forest
from numpy.typing import NDArray
from specimens import LOSSES, drawn

from models.instrument import Subject
from models.price.features import LOSSES as LOSS_COLUMNS
from models.price.features import columns
from models.price.interface import FACTORS
from models.price.model import GuitarModel
from models.registry import Registry
from models.vocabulary import BY_PATH, Family, Field
from training.fit.guitars import guitar_specification

Floats = NDArray[np.float64]
KINDS = ("as fitted", "with a cap", "with a forest", "with both")


@pytest.fixture(scope="session")
def fitted(demo_store: Path) -> GuitarModel:
    model = Registry(demo_store).load().valuer.model
    assert isinstance(model, GuitarModel)
    return model


@pytest.fixture(scope="session")
def variants(fitted: GuitarModel) -> dict[str, GuitarModel]:
    core = fitted.core
    grown = {"inputs": guitar_specification().forest, **_forest(fitted)}
    capped = {"backbone": replace(core.backbone, cap=1.2)}
    changes = ({}, capped, grown, {**capped, **grown})
    return {
        name: replace(fitted, core=replace(core, **change))
        for name, change in zip(KINDS, changes, strict=True)
    }


def _forest(model: GuitarModel) -> dict[str, object]:
    """A forest on all that trees may see, of a target full of interactions, with the signs of a fit."""
    spec = guitar_specification()
    table = columns(drawn(model.catalogue, 1500, seed=21, known=0.75), model.catalogue)
    x = np.stack([i.values(model.core.backbone, table) for i in spec.forest], axis=1)
    rng = np.random.default_rng(22)
    z = np.nan_to_num((x - np.nanmean(x, axis=0)) / (np.nanstd(x, axis=0) + 1e-9))
    pairs = rng.choice(x.shape[1], (40, 2))
    y = (z[:, pairs[:, 0]] * z[:, pairs[:, 1]]) @ rng.normal(size=40) / 20 - z.sum(axis=1) / 50
    params = {
        "num_leaves": 12,
        "learning_rate": 0.2,
        "min_data_in_leaf": 10,
        "feature_fraction": 0.5,
        "monotone_constraints": [spec.signs.get(i.name, 0) for i in spec.forest],
        "monotone_constraints_method": "basic",
        "num_threads": 1,
        "deterministic": True,
        "force_row_wise": True,
        "verbosity": -1,
    }
    text = str(lgb.train(params, lgb.Dataset(x, y), 60).model_to_string())
    return {"forest": Forest.from_text([text]), "forest_texts": (text,)}


def moved(reference: Subject, subject: Subject, paths: Sequence[str]) -> Subject:
    """The reference with these factors as the subject has them."""
    flats = [BY_PATH[path].flat for path in paths if path in BY_PATH]
    it = reference.instrument.but(**{flat: getattr(subject.instrument, flat) for flat in flats})
    day = subject.day if "day" in paths else reference.day
    return Subject(it, day, subject.channel if "channel" in paths else reference.channel)


def enumerated(model: GuitarModel, subject: Subject, reference: Subject, paths: Sequence[str]) -> Floats:
    """(len(FACTORS),) effects by the definition, of a pair that differs in these factors."""
    hybrids = [
        moved(reference, subject, [p for bit, p in enumerate(paths) if coalition >> bit & 1])
        for coalition in range(1 << len(paths))
    ]
    worth = model.center(hybrids)
    effects = np.zeros(len(FACTORS))
    effects[[FACTORS.index(p) for p in paths]] = enumerate_shapley(lambda q: float(worth[q]), len(paths))
    return effects


def differing(model: GuitarModel, seed: int, known: float) -> tuple[Subject, Subject, list[str]]:
    """A random specimen, its reference on another day and market, and all factors in which they differ."""
    (subject,) = drawn(model.catalogue, 1, seed, known)
    other = random.Random(seed)
    reference = model.reference(subject)
    reference = Subject(
        reference.instrument, subject.day.replace(year=2019), other.choice(("dealer", "online"))
    )
    paths = [p for p in FACTORS if moved(reference, subject, [p]) != reference]
    return subject, reference, paths


def test_the_variants_are_not_alike(variants: dict[str, GuitarModel]) -> None:
    subjects = drawn(variants["as fitted"].catalogue, 300, seed=23)
    centers = [variants[kind].center(subjects) for kind in KINDS]
    for n, one in enumerate(centers):
        for other in centers[:n]:
            assert np.abs(one - other).mean() > 0.01


@pytest.mark.parametrize("kind", KINDS)
def test_effects_are_shapley_values_of_all_hybrids(variants: dict[str, GuitarModel], kind: str) -> None:
    model, worst, asked = variants[kind], 0.0, 0
    for seed in range(14):
        subject, reference, paths = differing(model, seed, known=0.7)
        rng = random.Random(seed + 100)
        # Editions, builds and numbers are what couples the games: keep them in.
        first = [p for p in ("edition", "edition_number", "build", "finish", "year") if p in paths]
        rest = [p for p in paths if p not in first]
        kept = [*first, *rng.sample(rest, len(rest))][: 12 if seed < 2 else 8]
        subject = moved(reference, subject, kept)
        found = model.effects([subject], [reference])[0]
        expected = enumerated(model, subject, reference, kept)
        worst, asked = max(worst, float(np.abs(found - expected).max())), asked + (1 << len(kept))
    print(f"{kind}: {asked} hybrids, largest difference {worst:.1e}")
    assert worst < 1e-9


@pytest.mark.parametrize("kind", ["as fitted", "with both"])
def test_effects_between_two_specimens_of_which_little_is_known(
    variants: dict[str, GuitarModel], kind: str
) -> None:
    """As comparables are adjusted: either side may have fields that the other one knows, or neither does."""
    model, worst = variants[kind], 0.0
    for seed in range(12):
        one, *others = drawn(model.catalogue, 400, seed + 50, known=0.5)
        other = next(s for s in others if s.instrument.model == one.instrument.model)
        paths = [p for p in FACTORS if moved(other, one, [p]) != other]
        kept = random.Random(seed).sample(paths, min(9, len(paths)))
        subject = moved(other, one, kept)
        assert subject.instrument.unknown() and other.instrument.unknown()
        found = model.effects([subject], [other])[0]
        worst = max(worst, float(np.abs(found - enumerated(model, subject, other, kept)).max()))
    print(f"{kind}: between two specimens, largest difference {worst:.1e}")
    assert worst < 1e-9


@pytest.mark.parametrize("kind", KINDS)
def test_effects_sum_to_the_difference_of_values(variants: dict[str, GuitarModel], kind: str) -> None:
    model = variants[kind]
    subjects = drawn(model.catalogue, 500, seed=30)
    references = [model.reference(s) for s in subjects]
    gap = model.effects(subjects, references).sum(axis=1) - model.center(subjects) + model.center(references)
    assert np.abs(gap).max() < 1e-9


@pytest.mark.parametrize("kind", KINDS)
def test_worse_never_adds_and_better_never_costs(variants: dict[str, GuitarModel], kind: str) -> None:
    model = variants[kind]
    subjects = drawn(model.catalogue, 3000 if kind == "as fitted" else 1000, seed=31)
    references = [model.reference(s) for s in subjects]
    effects = model.effects(subjects, references)
    counted = 0
    for field in LOSSES:
        own, base = (np.array([_step(field, s) for s in side]) for side in (subjects, references))
        effect = effects[:, FACTORS.index(field.path)]
        assert effect[own > base].max() <= 1e-12, field.path
        if field.family is Family.CONDITION and (own < base).any():
            assert effect[own < base].min() >= -1e-12, field.path
        assert np.abs(effect[own == base]).max() <= 1e-12, field.path
        counted += int((own != base).sum() - np.isnan(own).sum())
    print(f"{kind}: {counted} effects of {len(subjects)} specimens have the right sign")
    assert {f.flat for f in LOSSES} == set(LOSS_COLUMNS)


def _step(field: Field, subject: Subject) -> float:
    """How far down its scale a field is, by the vocabulary's order."""
    value = subject.instrument.get(field)
    if value is None:
        return math.nan
    return float(field.names.index(value)) if isinstance(value, str) else float(value)


@pytest.mark.parametrize("known", [1.0, 0.5])
def test_originality_never_adds_to_a_value(fitted: GuitarModel, known: float) -> None:
    """The reference is all original, so that nothing can be more so, and not known is not more so either."""
    family = [FACTORS.index(f.path) for f in LOSSES if f.family is Family.ORIGINALITY]
    subjects = drawn(fitted.catalogue, 1500, seed=32, known=known)
    effects = fitted.effects(subjects, [fitted.reference(s) for s in subjects])[:, family]
    print(
        f"known {known:.0%}: largest effect of a part {effects.max():+.4f}, of the family "
        f"{effects.sum(axis=1).max():+.4f}"
    )
    assert effects.max() <= 1e-12
    assert effects.sum(axis=1).max() < 0.0


def test_a_pair_of_two_models_is_refused(fitted: GuitarModel) -> None:
    one, other = (
        next(s for s in drawn(fitted.catalogue, 200, seed=33) if s.instrument.model == m.name)
        for m in fitted.catalogue.models[:2]
    )
    with pytest.raises(ValueError, match="one model"):
        fitted.effects([one], [other])
