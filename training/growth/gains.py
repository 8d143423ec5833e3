"""Find the records that would help most, by how far ten more sales of a kind would narrow a range.

Let V be the posterior covariance of some log values. k more sales of one of them, each with the noise
variance σ², count as one observation with the variance s = σ² / k. It reduces the variance v of that value to

    v′ = v · s / (v + s)

With several values observed at once, V′ = V − V_o (V_oo + S)⁻¹ V_oᵀ, which is exact for a linear regression.
The sales would also improve the noise, the trees and the pooling; that is not counted.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from models.domain.catalogue import Model
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import DEFAULT_CHANNEL, FIELDS, Field, Kind
from models.price.core.basis import Floats
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.features import model_key
from models.price.instruments.model import GuitarModel
from models.study.judge import only_sales
from training.growth.measure import LEVEL

MORE = 10  # sales
_BAND = NormalDist().inv_cdf((1 + LEVEL) / 2)
_MOST_MODELS = 12  # A field's effect is averaged over at most this many models, those where it was sold most.


@dataclass(frozen=True)
class Gain:
    """The effect on the 80% range of ten more sales: of a model, of a maker, or with one value of a field.

    `sales`: how many such sales there are now. `share`: their share of all sales for a field's value, 1 for a
    maker or a model. `before`, `after`: half the width of the range, in log, averaged over `over` models.
    `value`: the field's value, in words.
    """

    name: str
    sales: int
    before: float
    after: float
    share: float = 1.0
    over: int = 1
    value: str = ""

    @property
    def gain(self) -> float:
        """The narrowing of half the range, in log, times the share of sales that it concerns."""
        return self.share * (self.before - self.after)


def after(covariance: Floats, noise: Floats, sales: Floats) -> Floats:
    """Return the (n, n) covariance of n values that is left after more sales of each.

    `sales`: (n,) number of more sales, may be fractions. `noise`: (n,) noise variance of a sale of each.
    """
    seen = np.flatnonzero(sales > 0)
    beside = covariance[:, seen]
    inner = covariance[np.ix_(seen, seen)] + np.diag(noise[seen] / sales[seen])
    return np.asarray(covariance - beside @ np.linalg.solve(inner, beside.T))


def typical_subjects(model: GuitarModel, models: Sequence[Model]) -> list[Subject]:
    """Return the typical instrument of each model, on the day of the last evidence."""
    day = model.last_evidence or date.today()
    bare = (Subject(Instrument(one.maker, one.name), day, DEFAULT_CHANNEL) for one in models)
    return [model.reference(subject) for subject in bare]


def of_models(model: GuitarModel) -> list[Gain]:
    """Return the gain from ten more sales of the typical instrument, for each model of the catalogue."""
    return [_of(model, [one], f"{one.maker} {one.name}") for one in model.catalogue.models]


def of_makers(model: GuitarModel) -> list[Gain]:
    """Return the gain from ten more sales spread evenly over a maker's models, for each maker."""
    known = model.catalogue
    return [_of(model, known.of_maker(maker), maker) for maker in known.makers]


def _of(model: GuitarModel, models: Sequence[Model], name: str) -> Gain:
    evaluator, spread = model.evaluator, model.core.spread
    assert spread is not None
    subjects = typical_subjects(model, models)
    encoding = InstrumentEncoding(model.catalogue, model.typical)
    rows = [encoding.row(subject) for subject in subjects]
    covariance, noise = evaluator.covariance(rows), evaluator.noise_variance(rows)
    left = after(covariance, noise, np.full(len(rows), MORE / len(rows)))
    parts, known = evaluator.parts_of(rows), np.diag(covariance) / spread.posterior
    of_sale = spread.noise.variance(parts.noise, evaluator.center_of(parts))
    scale = spread.scale(of_sale, known, parts.unknown, parts.mixture, parts.time)
    narrower = np.sqrt(scale**2 - np.diag(covariance) + np.diag(left))
    low, high = spread.ends((LEVEL,))
    half = float(high[0] - low[0]) / 2
    count = sum(_sold(model, subject) for subject in subjects)
    return Gain(name, count, half * float(scale.mean()), half * float(narrower.mean()), over=len(rows))


def _sold(model: GuitarModel, subject: Subject) -> int:
    editions = model.sales.get(model_key(subject), {})
    return sum(sum(builds.values()) for builds in editions.values())


# The values of these fields differ by model, so all values but the typical one are counted together.
_OWN_VALUES = ("edition", "finish", "figure")
_OTHER = "another than is typical"
_KINDS = (Kind.GRADE, Kind.TERM, Kind.FLAG)


def of_fields(model: GuitarModel, rows: Sequence[Evidence]) -> list[Gain]:
    """Return the gain from ten more sales with a field's commonest worse value, for each field.

    The range is that of the value's effect on the price against the typical value, averaged over the models
    that were sold with it. A field without a worse value among the sales is left out.
    """
    sales = only_sales(rows)
    typical = {model_key(subject): subject for subject in typical_subjects(model, model.catalogue.models)}
    pairs = [(typical[model_key(sale.subject)], sale.instrument) for sale in sales]
    fields = [f for f in FIELDS if f.kind in _KINDS or f.flat in _OWN_VALUES]
    found = (_of_field(model, field, pairs) for field in fields)
    return [gain for gain in found if gain is not None]


_Pair = tuple[Subject, Value]  # A typical instrument, and another value of one of its fields.


def _of_field(model: GuitarModel, field: Field, pairs: Sequence[tuple[Subject, Instrument]]) -> Gain | None:
    seen: Counter[_Pair] = Counter(
        (subject, value)
        for subject, it in pairs
        if (value := _worse(field, it, subject.instrument)) is not None
    )
    if not seen:
        return None
    if field.flat in _OWN_VALUES:
        said, used = _OTHER, dict(seen)
    else:
        totals: Counter[Value] = Counter()
        for (_, value), count in seen.items():
            totals[value] += count
        common = max(totals, key=lambda value: (totals[value], str(value)))
        said, used = _said(field, common), {pair: n for pair, n in seen.items() if pair[1] == common}
    before, left = _contrasts(model, field, used)
    sales = sum(used.values())
    return Gain(field.label, sales, before, left, sales / len(pairs), min(len(used), _MOST_MODELS), said)


def _worse(field: Field, it: Instrument, typical: Instrument) -> Value:
    """Return the instrument's value if it is worse than the typical one (without an order: another)."""
    value, usual = it.get(field), typical.get(field)
    if value is None or value == usual:
        return None
    if field.kind is Kind.GRADE:
        value = float(round(float(value)))
        worse = value > float(usual or 0.0) if field.loss_ordered else value != usual
        return value if worse else None
    return value  # Where terms have an order of loss, the typical one is the best, so another is worse.


def _contrasts(model: GuitarModel, field: Field, used: Mapping[_Pair, int]) -> tuple[float, float]:
    """Return half the range of the value's effect, in log, before and after ten more sales spread as now."""
    pairs = sorted(used, key=lambda pair: (-used[pair], model_key(pair[0]), str(pair[1])))[:_MOST_MODELS]
    share = np.array([used[pair] for pair in pairs], np.float64)
    share /= share.sum()
    encoding = InstrumentEncoding(model.catalogue, model.typical)
    rows = [encoding.row(subject.but(**{field.flat: value})) for subject, value in pairs]
    rows += [encoding.row(subject) for subject, _ in pairs]
    covariance = model.evaluator.covariance(rows)
    sales = np.concatenate([MORE * share, np.zeros(len(pairs))])
    left = after(covariance, model.evaluator.noise_variance(rows), sales)
    apart = np.hstack([np.eye(len(pairs)), -np.eye(len(pairs))])
    before, remaining = (
        float(share @ np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", apart, v, apart), 0.0)))
        for v in (covariance, left)
    )
    return _BAND * before, _BAND * remaining


def _said(field: Field, value: Value) -> str:
    """Return a field's value in words."""
    if field.kind is Kind.FLAG:
        return "yes" if value else "no"
    if field.kind is Kind.GRADE:
        return field.terms[int(value or 0)].meaning
    return str(value).replace("_", " ")
