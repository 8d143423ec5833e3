"""No sign is ever wrong: worse never adds, better never costs, a blank is never better than the reference.

Tried on the demo model as it was fitted, and with trees that are believed, a cap on losses, or both put in.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest
from demo_model import KINDS, demo_model, variants
from specimens import LOSSES, drawn, one_step_worse

from models.domain.instrument import Subject
from models.domain.vocabulary import FIELDS, Family, Field, Kind
from models.price.instruments.features import LOSSES as LOSS_COLUMNS
from models.price.instruments.model import GuitarModel
from models.price.interface import FACTORS

SPECIMENS = 20_000
TOLERANCE = 1e-12
# An edition is none and a build an ordinary one where nothing is said; maker and model are always known.
BLANKABLE = tuple(f for f in FIELDS if f.flat not in ("maker", "model", "edition", "build", "serial"))


@pytest.fixture(scope="module")
def fitted(demo_store: Path) -> GuitarModel:
    return demo_model(demo_store)


@pytest.fixture(scope="module")
def kinds(fitted: GuitarModel) -> dict[str, GuitarModel]:
    return variants(fitted)


@pytest.mark.parametrize("kind", ["as fitted", "with both"])
def test_one_step_worse_in_any_loss_never_raises_a_value(kinds: dict[str, GuitarModel], kind: str) -> None:
    model, rng = kinds[kind], random.Random(7)
    count = SPECIMENS if kind == "as fitted" else SPECIMENS // 10
    before, after, tried = [], [], dict.fromkeys((f.path for f in LOSSES), 0)
    for subject in drawn(model.catalogue, count, seed=41):
        steps = list(one_step_worse(subject))
        if steps:
            field, worse = rng.choice(steps)
            before.append(subject)
            after.append(worse)
            tried[field.path] += 1
    fall = model.center(before) - model.center(after)
    print(f"{kind}: {len(before)} steps worse, least fall {fall.min():.1e}; {(fall > 0).mean():.1%} fell")
    assert min(tried.values()) > count / 40
    assert fall.min() >= 0
    assert (fall > 0).mean() > 0.95


@pytest.mark.parametrize("kind", KINDS)
def test_effects_of_what_is_worse_are_never_positive_and_of_what_is_better_never_negative(
    kinds: dict[str, GuitarModel], kind: str
) -> None:
    model = kinds[kind]
    subjects = drawn(model.catalogue, 3000 if kind == "as fitted" else 800, seed=31)
    references = [model.reference(s) for s in subjects]
    effects, counted = model.effects(subjects, references), 0
    for field in LOSSES:
        own, base = (np.array([_step(field, s) for s in side]) for side in (subjects, references))
        effect = effects[:, FACTORS.index(field.path)]
        assert effect[own > base].max() <= TOLERANCE, field.path
        if (own < base).any():
            assert effect[own < base].min() >= -TOLERANCE, field.path
            assert effect[own < base].max() > 0
        assert np.abs(effect[own == base]).max() <= TOLERANCE, field.path
        counted += int((own != base).sum() - np.isnan(own).sum())
    print(f"{kind}: {counted} effects of {len(subjects)} specimens have the right sign")
    assert {f.flat for f in LOSSES} == set(LOSS_COLUMNS) and counted > 5 * len(subjects)


def _step(field: Field, subject: Subject) -> float:
    """The number of steps of a field down its scale, in the vocabulary's order; NaN for a blank."""
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
    assert effects.max() <= TOLERANCE
    assert effects.sum(axis=1).max() < 0.0


def blank(model: GuitarModel, count: int, seed: int, known: float, perfect: bool) -> float:
    """The largest effect of any blank, over `count` specimens of every model for every field."""
    worst, best = -math.inf, {f.flat: 0.0 if f.kind is Kind.GRADE else f.names[0] for f in LOSSES}
    of_model: dict[str, list[Subject]] = {m.name: [] for m in model.catalogue.models}
    for s in drawn(model.catalogue, 40 * count * len(of_model), seed, known):
        if len(of_model[s.instrument.model]) < count:
            of_model[s.instrument.model].append(s)
    subjects = [s for found in of_model.values() for s in found]
    assert len(subjects) == count * len(model.catalogue.models)
    for field in BLANKABLE:
        changed = [s.but(**best) if perfect else s for s in subjects]
        asked = [s.but(**{field.flat: None}) for s in changed]
        effects = model.effects(asked, [model.reference(s) for s in asked])[:, FACTORS.index(field.path)]
        worst = max(worst, float(effects.max()))
    return worst


@pytest.mark.parametrize("perfect", [False, True])
@pytest.mark.parametrize("kind", ["as fitted", "with trees of their own"])
def test_a_blank_is_never_better_than_the_reference(
    kinds: dict[str, GuitarModel], kind: str, perfect: bool
) -> None:
    """Also beside fields that are all at their best: what they say of the blank is never good news enough."""
    for known in (1.0, 0.6):
        worst = blank(kinds[kind], 2, 43, known, perfect)
        print(f"{kind}, known {known:.0%}, others perfect {perfect}: largest effect of a blank {worst:+.1e}")
        assert worst <= TOLERANCE


def test_no_value_gains_by_a_field_left_out_that_is_as_the_reference_has_it(fitted: GuitarModel) -> None:
    subjects = drawn(fitted.catalogue, 1500, seed=44, known=0.8)
    for field in BLANKABLE:
        told = [s.but(**{field.flat: fitted.reference(s).instrument.get(field)}) for s in subjects]
        left_out = [s.but(**{field.flat: None}) for s in subjects]
        gain = fitted.center(left_out) - fitted.center(told)
        assert gain.max() <= TOLERANCE, field.path
