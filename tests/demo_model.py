"""The model fitted on the demo market, and odd specimens to ask it about."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import lightgbm as lgb
import numpy as np
from specimens import LOSSES, drawn

from models.bundles.registry import Registry
from models.domain.instrument import Subject
from models.domain.vocabulary import Kind
from models.price.core.core import Trees
from models.price.core.pairs import PairTables
from models.price.instruments.model import GuitarModel

KINDS = ("as fitted", "without trees", "with a cap", "with trees of their own", "with both")


def demo_model(store: Path) -> GuitarModel:
    """A fresh one that nobody has asked anything."""
    found = Registry(store).load().valuer.model
    assert isinstance(found, GuitarModel)
    return found


def variants(fitted: GuitarModel) -> dict[str, GuitarModel]:
    """The fit may give trees little weight and losses no cap: each is put in, so that it is tried."""
    core = fitted.core
    capped = {"backbone": replace(core.backbone, cap=1.2)}
    grown = {"trees": _trees(fitted)}
    changes = ({}, {"trees": None}, capped, grown, {**capped, **grown})
    return {
        kind: replace(fitted, core=replace(core, **change))
        for kind, change in zip(KINDS, changes, strict=True)
    }


def _trees(model: GuitarModel) -> Trees:
    """Trees that are believed, of a target full of interactions, with the signs of a fit."""
    fitted = model.core.trees
    assert fitted is not None
    rows = model._rows(drawn(model.catalogue, 1500, seed=21, known=0.75))
    x = model.evaluator.parts_of(rows).inputs
    rng = np.random.default_rng(22)
    z = (x - x.mean(axis=0)) / (x.std(axis=0) + 1e-9)
    pairs = rng.choice(x.shape[1], (40, 2))
    y = (z[:, pairs[:, 0]] * z[:, pairs[:, 1]]) @ rng.normal(size=40) / 20 - z.sum(axis=1) / 50
    params = {
        "num_leaves": 12,
        "learning_rate": 0.2,
        "min_data_in_leaf": 10,
        "monotone_constraints": [one.sign for one in fitted.inputs],
        "monotone_constraints_method": "basic",
        "interaction_constraints": [[i, j] for i in range(x.shape[1]) for j in range(i)],
        "use_missing": False,
        "num_threads": 1,
        "deterministic": True,
        "force_row_wise": True,
        "verbosity": -1,
    }
    texts = (str(lgb.train(params, lgb.Dataset(x, y), 60).model_to_string()),)
    return Trees(fitted.inputs, texts, PairTables.from_text(texts), weight=0.9, handed=0.15, handed_level=0.1)


def odd_subjects(model: GuitarModel, count: int) -> list[Subject]:
    """Drawn over the whole vocabulary, then made odder than any form would let through."""
    rng = random.Random(3)
    found: Sequence[Subject] = [
        s
        for seed, known in ((1, 0.6), (2, 0.95), (3, 0.2), (4, 0.0))
        for s in drawn(model.catalogue, count // 4, seed, known)
    ]
    return [_odder(s, rng) for s in found]


def _odder(subject: Subject, rng: random.Random) -> Subject:
    """Between two grades, on days before any evidence and after all, of a colour or an edition unheard of."""
    changes: dict[str, object] = {}
    if rng.random() < 0.3:
        for field in rng.sample([f for f in LOSSES if f.kind is Kind.GRADE], 2):
            changes[field.flat] = round(rng.uniform(0, 5), rng.choice((1, 3)))
    if rng.random() < 0.3:
        changes |= {"figure": rng.uniform(0, 5), "weight_kg": rng.choice((0.5, 20.0, rng.uniform(2, 6)))}
    if rng.random() < 0.1:
        changes |= {"finish": "Never Seen", "edition": rng.choice((None, "Nobody's Own"))}
    if rng.random() < 0.1:
        changes |= {"year": rng.choice((1800, 2100)), "edition_number": rng.choice((1, 99_999))}
    day = date(1990, 1, 1) + timedelta(days=rng.randrange(25_000))
    moved = subject.but(**changes)  # type: ignore[arg-type]
    return moved._replace(day=day) if rng.random() < 0.5 else moved
