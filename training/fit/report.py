"""Report a fit to people: the market index, the learned variances, the boosted trees, suspicious rows."""

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np

from models.domain.evidence import Evidence
from models.price.core.backbone import LEVEL, Backbone
from models.price.core.basis import Floats, product
from models.price.core.posterior import Posterior
from models.price.instruments.model import GuitarModel
from training.fit.core import FittedCore

_DAYS_A_YEAR = 365.25
_SUSPICIOUS = 0.12  # A row with a smaller robust weight than this is listed.
_BAND = 1.6449  # The middle 90% of a normal distribution lies within this many standard deviations.


def report_of(rows: Sequence[Evidence], fitted: FittedCore, model: GuitarModel) -> dict[str, Any]:
    """Return the report as JSON: market `index`, `learned` variances, boosted `trees`, `suspicious` rows."""
    est, layout = fitted.estimate, fitted.problem.layout
    spreads = {g: round(math.sqrt(t), 4) for g, t in zip(layout.groups, est.tau2.tolist(), strict=True)}
    return {
        "index": index_of(rows, model.core.backbone, model.core.posterior),
        "learned": {
            "prior_sd": {g: s for g, s in spreads.items() if s > 0.005},
            "noise_sd": [round(math.sqrt(s), 4) for s in est.sigma2.tolist()],
            "degrees_of_freedom": est.degrees_of_freedom.tolist(),
            "cap": None if math.isinf(est.cap) else est.cap,
        },
        "trees": trees_of(fitted),
        "suspicious": suspicious(rows, fitted),
    }


def trees_of(fitted: FittedCore) -> dict[str, Any]:
    """Return the boosted trees' number, rounds, weight and gain on left-out sales (see `Grown`), as JSON."""
    grown, trees = fitted.grown, fitted.core.trees
    return {
        "boosters": len(trees.texts) if trees else 0,
        "rounds": grown.rounds,
        "weight": round(trees.weight, 4) if trees else 0.0,
        "gain": round(grown.gain, 5),
        "gain_error": round(grown.gain_error, 5),
    }


def index_of(rows: Sequence[Evidence], backbone: Backbone, posterior: Posterior) -> dict[str, Any]:
    """Return the market index by quarter as JSON: log price level against the last day's, with a 90% band."""
    first, last = rows[0].day.toordinal(), rows[-1].day.toordinal()
    days = np.unique(np.linspace(first, last, max(int((last - first) / 91), 2)).astype(np.int64))
    positions = [at for at in backbone.positions(LEVEL) if backbone.blocks[at].columns == ("time",)]
    if not positions:
        return {"days": [], "center": [], "low": [], "high": [], "band": 0.9}
    designs = [product(backbone.blocks[at].bases, {"time": days / _DAYS_A_YEAR}) for at in positions]
    index = np.concatenate(
        [backbone.starts[at] + own for at, (own, _) in zip(positions, designs, strict=True)], 1
    )
    value = np.concatenate([own for _, own in designs], axis=1)
    change = value - value[-1]
    center: Floats = (backbone.theta[index] * change).sum(axis=1)
    band = _BAND * np.sqrt(posterior.variance(index, change))
    return {
        "days": [date.fromordinal(int(d)).isoformat() for d in days],
        "center": center.round(5).tolist(),
        "low": (center - band).round(5).tolist(),
        "high": (center + band).round(5).tolist(),
        "band": 0.9,
    }


def suspicious(rows: Sequence[Evidence], fitted: FittedCore) -> list[dict[str, Any]]:
    """List the rows that robust weighting discounts, most suspicious first, then rows recorded twice.

    Each has a likely reason, by the ratio of its price to its value by a fit without it.
    """
    left_out = fitted.left.residual - fitted.grown.bent
    out = []
    for at in np.argsort(fitted.robust_weight):
        if fitted.robust_weight[at] >= _SUSPICIOUS:
            break
        ratio = math.exp(float(left_out[at]))
        out.append({"id": rows[at].id, "ratio": round(ratio, 3), "reason": _reason(ratio, rows[at].currency)})
    return out + _recorded_twice(rows)


def _reason(ratio: float, currency: str) -> str:
    for factor in (10.0, 100.0, 1000.0):
        for power, word in ((factor, "too high"), (1 / factor, "too low")):
            if abs(math.log(ratio / power)) < 0.5:
                return f"about {factor:g} times {word}: a misplaced decimal?"
    if not 0.6 < ratio < 1.67:
        return (
            f"{ratio:.2f} times what the rest says: a wrong currency (it says {currency}) or a wrong field?"
        )
    return f"{ratio:.2f} times what the rest says"


def _recorded_twice(rows: Sequence[Evidence]) -> list[dict[str, Any]]:
    seen: dict[tuple[Any, ...], str] = {}
    out = []
    for e in rows:
        key = (e.kind, e.day, e.price, e.currency, e.instrument)
        if key in seen:
            out.append({"id": e.id, "ratio": 1.0, "reason": f"the same in all but its id as {seen[key]}"})
        seen.setdefault(key, e.id)
    return out
