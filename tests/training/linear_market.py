"""A small market on the catalogue of the fakes, and a linear model of it with a covariance by hand."""

from __future__ import annotations

import math
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
from fakes import CATALOGUE
from numpy.typing import NDArray

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.price.core.backbone import Backbone, Block, loss_of
from models.price.core.basis import Levels, Linear
from models.price.core.core import Core
from models.price.core.posterior import compressed
from models.price.core.spread import Noise, Spread
from models.price.instruments.model import GuitarModel
from models.price.instruments.reference import Typical
from training.fit import counts_of

Floats = NDArray[np.float64]
NOISE = 0.04
LEVEL = math.log(2000)
MODELS = (("Ostvik", "Fjell 2"), ("Ostvik", "Dal"), ("Séraphine & Fils", "Étoile"))
KEYS = ("ostvik|fjell 2", "ostvik|dal", "seraphine & fils|etoile")
# Design columns: three models, unknown, unseen | two makers, unknown, unseen | refinish | intercept
SD = np.array([0.5] * 5 + [0.8] * 4 + [0.6, 3.0])
BLOCKS = (
    Block("model", (Levels("model", KEYS),)),
    Block("maker", (Levels("maker", ("ostvik", "seraphine & fils")),)),
    Block("refinish", (Linear("originality_finish", 0.0, 2.0),), loss_of("originality")),
)


def design(model: int, finish: int = 0) -> Floats:
    """(11,) ∂ log value / ∂ coefficient; `finish`: 0 original, 2 refinished."""
    row = np.zeros(11)
    row[model] = row[5 + (model == 2)] = row[10] = 1.0
    row[9] = -finish / 2
    return row


def sales(*counts: int, refinished: int = 0, seed: int = 0) -> list[Evidence]:
    """So many sales of each model, each of an instrument of its own; the first of each are refinished."""
    rng, out = np.random.default_rng(seed), []
    for at, ((maker, model), count) in enumerate(zip(MODELS, counts, strict=False)):
        for number in range(count):
            finish = "refinished" if number < refinished else "original"
            log = LEVEL + 0.3 * at - 0.5 * (number < refinished) + rng.normal(0, math.sqrt(NOISE))
            it = Instrument(maker, model, serial=f"{at}-{number}", originality_finish=finish)
            day = date(2021, 1, 4) + timedelta(days=int(rng.integers(0, 1500)))
            price = Decimal(f"{math.exp(log):.2f}")
            out.append(Evidence(f"S{at}-{number:03d}", "sale", day, price, "USD", "private", "", it))
    return out


def covariance(rows: list[Evidence], more: Floats | None = None, times: Floats | None = None) -> Floats:
    """(11, 11) of the coefficients after these sales, and after `times` more of the designs `more`."""
    precision = np.diag(1 / SD**2)
    for row in rows:
        x = design(
            MODELS.index((row.instrument.maker, row.instrument.model)),
            2 if row.instrument.originality_finish == "refinished" else 0,
        )
        precision += np.outer(x, x) / NOISE
    for x, n in zip(more if more is not None else (), times if times is not None else (), strict=True):
        precision += n * np.outer(x, x) / NOISE
    return np.asarray(np.linalg.inv(precision))


def linear_model(rows: list[Evidence]) -> GuitarModel:
    """Normal noise of the variance `NOISE`, no trees, nothing that saturates."""
    shape = np.linspace(-1.2, 1.2, 9)
    spread = Spread(Noise(math.log(NOISE), {}, (), LEVEL, 1.0), 1.0, {}, 0.0, 9e9, 0.0, shape)
    posterior = compressed(covariance(rows), np.arange(11), SD, most=11)
    theta = np.array([0.0, 0.3, 0.6, 0, 0, 0, 0, 0, 0, 0.5])
    core = Core(Backbone(BLOCKS, theta, LEVEL, math.inf), None, posterior, spread)
    typical = {key: Typical(1965, None, 0.0, None) for key in KEYS}
    days = [row.day for row in rows]
    return GuitarModel(core, CATALOGUE, counts_of(rows), typical, min(days), max(days))
