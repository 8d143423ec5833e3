"""What is looked up against what is worked out: the same answers, on specimens of every kind."""

from __future__ import annotations

import random
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from models.price.clear import Clear
from models.price.fast import level, model
from models.price.fast.model import Fast, can_be_looked_up
from specimens import LOSSES, drawn

from models.instrument import Subject
from models.price.backbone import LEVEL, Block
from models.price.basis import Linear, Ramps
from models.price.core import Core
from models.price.model import GuitarModel
from models.price.spread import Noise
from models.registry import Registry
from models.vocabulary import Kind

SPECIMENS = 2_000
LEVELS = (0.5, 0.8, 0.95)
KINDS = ("as fitted", "with a cap", "with a forgetful memory", "without a rule of unknown fields")


@pytest.fixture(scope="module")
def fitted(demo_store: Path) -> GuitarModel:
    found = Registry(demo_store).load().valuer.model
    assert isinstance(found, GuitarModel)
    return found


@pytest.fixture(scope="module")
def subjects(fitted: GuitarModel) -> list[Subject]:
    """Drawn over the whole vocabulary, then made odder than any form would let through."""
    rng = random.Random(3)
    found = [
        s
        for seed, known in ((1, 0.6), (2, 0.95), (3, 0.2), (4, 0.0))
        for s in drawn(fitted.catalogue, SPECIMENS // 4, seed, known)
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


def both(fitted: GuitarModel, core: Core) -> tuple[Clear, Fast]:
    assert can_be_looked_up(core)
    return Clear(core, fitted.catalogue, fitted.reference), Fast(core, fitted.catalogue, fitted.reference)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_looked_up_is_what_is_worked_out(
    fitted: GuitarModel, subjects: list[Subject], kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    core = fitted.core
    if kind == "with a cap":
        core = replace(core, backbone=replace(core.backbone, cap=1.2))
    elif kind == "with a forgetful memory":
        monkeypatch.setattr(model, "_MOST_BYTES", 1_500_000)
        monkeypatch.setattr(level, "MOST_REMEMBERED", 3)
        subjects = subjects[::20]
    elif kind == "without a rule of unknown fields":
        core, subjects = replace(core, hidden=None), subjects[::5]
    clear, fast = both(fitted, core)
    # Twice: worked out, and remembered.
    for _ in range(2):
        assert np.abs(fast.center(subjects) - clear.center(subjects)).max() < 1e-9
        _same(clear, fast, subjects)


def _same(clear: Clear, fast: Fast, subjects: Sequence[Subject]) -> None:
    (one, why), (other, because) = (m.explained(subjects, LEVELS) for m in (clear, fast))
    assert why.references == because.references
    for name in ("center", "low", "high"):
        assert np.abs(getattr(one, name) - getattr(other, name)).max() < 1e-9, name
    assert np.abs(one.effective / other.effective - 1).max() < 1e-9
    assert np.abs(why.center - because.center).max() < 1e-9
    assert np.abs(why.effects - because.effects).max() < 1e-9
    assert ((why.effects > 1e-12) == (because.effects > 1e-12)).all()
    alone = fast.spans(subjects, LEVELS)
    assert all((a == b).all() for a, b in zip(alone, other, strict=True))


def test_the_fitted_model_is_looked_up(fitted: GuitarModel, subjects: list[Subject]) -> None:
    assert isinstance(fitted._answers, Fast)
    clear = Clear(fitted.core, fitted.catalogue, fitted.reference)
    found = fitted.assess(subjects[:300], LEVELS)
    spans, why = clear.explained(subjects[:300], LEVELS)
    assert np.abs(found.effects - why.effects).max() < 1e-9
    assert [w.effective_sales for w in found.weights] == pytest.approx(spans.effective, abs=0.0501)
    estimate = fitted.estimate(subjects[:300], LEVELS)
    assert estimate.weights == found.weights and (estimate.high == found.high).all()


def test_threads_that_ask_at_once_get_what_one_gets_alone(
    fitted: GuitarModel, subjects: list[Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(model, "_MOST_BYTES", 3_000_000)  # so that some forget while others read
    some = subjects[:400]
    expected = Clear(fitted.core, fitted.catalogue, fitted.reference).spans(some, LEVELS)
    shared = Fast(fitted.core, fitted.catalogue, fitted.reference)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda s: shared.spans([s], LEVELS), [*some, *some]))
    for row, spans in enumerate(found):
        assert abs(spans.low[0] - expected.low[row % len(some)]).max() < 1e-9


def _with_block(core: Core, block: Block) -> Core:
    backbone = core.backbone
    theta = np.concatenate([backbone.theta, np.full(block.size, 0.1)])
    sd, directions = core.posterior.sd, core.posterior.directions
    posterior = replace(
        core.posterior,
        sd=np.concatenate([sd[:-1], np.ones(block.size), sd[-1:]]),
        directions=np.concatenate(
            [directions[:-1], np.zeros((block.size, directions.shape[1]), "f4"), directions[-1:]]
        ),
    )
    return replace(
        core, backbone=replace(backbone, blocks=(*backbone.blocks, block), theta=theta), posterior=posterior
    )


ODD = {
    "a product of two curves": Block("odd", (Linear("weight", 3, 1), Linear("figure", 1, 1)), LEVEL),
    "a level of a loss": Block("odd", (Linear("condition_neck", 0, 5),), LEVEL),
    "a loss of no ordinal field": Block("odd", (Linear("weight", 3, 9),), "loss:condition"),
    "a loss of two families": Block("odd", (Ramps("condition_top", (0, 5)),), "loss:originality"),
    "a scale of the weight": Block("odd", (Linear("weight", 3, 9),), "scale:condition"),
}


@pytest.mark.parametrize("kind", ODD)
def test_what_cannot_be_looked_up_is_worked_out(
    fitted: GuitarModel, subjects: list[Subject], kind: str
) -> None:
    core = _with_block(fitted.core, ODD[kind])
    assert not can_be_looked_up(core)
    odd, clear = replace(fitted, core=core), Clear(core, fitted.catalogue, fitted.reference)
    some = [s for s in subjects if s.instrument.weight_kg and s.instrument.condition_neck][:20]
    assert (odd.center(some) == clear.center(some)).all()
    assert (odd.center(some) != fitted.center(some)).any()
    assert (odd.assess(some, LEVELS).effects == clear.explained(some, LEVELS)[1].effects).all()


def test_a_noise_of_a_loss_is_worked_out(fitted: GuitarModel) -> None:
    noise = Noise(-4.0, {"condition_structure": {"": 1.0}}, (), 8.0, 1.0)
    core = replace(fitted.core, spread=replace(fitted.core.spread, noise=noise))
    assert not can_be_looked_up(core)
