"""Choose the specimens on which a market's fit is judged, and give their true effects to compare with."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from models.domain.instrument import Subject
from models.domain.vocabulary import Family
from models.price.core.basis import Floats, Ints
from models.price.interface import FACTORS, FAMILY_OF, PriceModel
from training.demo.market import Market
from training.demo.trade.records import described
from training.demo.world.truth import FAMILY, Columns

LATER = 500  # number of later sales of a market; some are of specimens that the evidence has too
JUDGED = 300  # number of later sales that are judged
FAMILIES = (Family.RARITY, Family.CONDITION, Family.ORIGINALITY, Family.PROVENANCE)


def judged_positions(market: Market, count: int = JUDGED) -> Ints:
    """Return (count,) positions in `market.holdout` of later sales to judge, spread evenly over time.

    None is of a specimen in the evidence. Raises ValueError where there are fewer than `count`.
    """
    first = len(market.evidence)
    serial = market.events.specimens["serial"]
    fresh = np.flatnonzero(~np.isin(serial[first : first + len(market.holdout)], serial[:first]))
    if len(fresh) < count:
        raise ValueError(f"{len(fresh)} later specimens are not in the evidence; {count} are needed")
    return np.asarray(fresh[np.linspace(0, len(fresh) - 1, count).round().astype(np.int64)])


class TrueEffects:
    """Specimens of a market and the true effects of their fields.

    `told`: the specimens with every field filled in; `recorded`: with the fields of their records only.
    """

    def __init__(self, market: Market, positions: Ints) -> None:
        self._market, at = market, positions + len(market.evidence)
        self._specimens: Columns = {name: values[at] for name, values in market.events.specimens.items()}
        told = described(market.truth.world, market.events)
        sales = [market.holdout[position] for position in positions]
        self.recorded = [sale.subject for sale in sales]
        self.told = [Subject(told[k], s.day, s.channel) for k, s in zip(at, self.recorded, strict=True)]

    def true(self, references: Sequence[Subject]) -> dict[Family, Floats]:
        """Return family → (n,) true Shapley effects of each specimen, counted from its reference."""
        effects = self._market.truth.effects(self._specimens, self.columns_of(references))
        return {one: _total([e for name, e in effects.items() if FAMILY[name] is one]) for one in FAMILIES}

    def columns_of(self, references: Sequence[Subject]) -> Columns:
        """Return the references as columns of the true price function, which fills in details left open."""
        truth, model = self._market.truth, self._specimens["model"]
        columns: dict[str, Any] = truth.reference(model)
        finishes = [truth.world.models[m].maker.finishes for m in model]
        said = [s.instrument for s in references]
        given: Mapping[str, list[Any]] = {
            "year": [it.year for it in said],
            "finish": [it.finish and f.index(it.finish) for it, f in zip(said, finishes, strict=True)],
            "figure": [it.figure and round(it.figure) for it in said],
            "weight_kg": [it.weight_kg for it in said],
        }
        for name, values in given.items():
            own = columns[name].tolist()
            told = [o if v is None else v for v, o in zip(values, own, strict=True)]
            columns[name] = np.array(told, columns[name].dtype)
        return columns


def effects_of(model: PriceModel, subjects: Sequence[Subject]) -> dict[Family, Floats]:
    """Return family → (n,) effects that the price model attributes to each subject, from its reference."""
    effects = model.effects(subjects, [model.reference(subject) for subject in subjects])
    return {one: effects[:, [FAMILY_OF[f] is one for f in FACTORS]].sum(axis=1) for one in FAMILIES}


def correlation(found: Floats, true: Floats) -> float:
    """Return the correlation of attributed and true effects; 0 where all attributed effects are equal."""
    if np.ptp(found) < 1e-12:
        return 0.0
    return float(np.corrcoef(found, true)[0, 1])


def _total(effects: Sequence[Floats]) -> Floats:
    return np.asarray(np.sum(effects, axis=0))
