"""The fake price model as a fit would make it: a level per model, wear of the top, and a constant width."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from statistics import NormalDist

import numpy as np
from fakes import FakePriceModel

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject
from models.domain.money import Rates
from models.price.core.basis import Floats
from models.price.interface import EvidenceWeight, evidence_word
from models.study.judge import log_usd, only_sales

WEAR_COST = 0.06


@dataclass(frozen=True)
class FittedFake(FakePriceModel):
    """`levels`: "maker|model" → log price when the top is as new, `base` for any other model.

    `spread`: the standard deviation of prices; `shift`: a bias added to every value.
    """

    first_evidence: date | None = date(2000, 1, 3)
    levels: Mapping[str, float] = field(default_factory=dict)
    sales: Mapping[str, int] = field(default_factory=dict)
    shift: float = 0.0

    def reference(self, subject: Subject) -> Subject:
        """Traces of wear on the top, and nothing else known."""
        bare = Instrument(subject.instrument.maker, subject.instrument.model, condition_top=1.0)
        return Subject(bare, subject.day, subject.channel)

    def to_files(self) -> dict[str, bytes]:
        """One JSON file."""
        names = ("base", "spread", "levels", "sales", "shift")
        last = self.last_evidence.isoformat() if self.last_evidence else None
        state = {**{name: getattr(self, name) for name in names}, "last_evidence": last}
        return {"fake.json": json.dumps(state).encode()}

    def _half_widths(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Floats:
        half = [NormalDist().inv_cdf((1 + level) / 2) * self.spread for level in levels]
        return np.tile(half, (len(subjects), 1))

    def _parts(self, subject: Subject) -> dict[str, float]:
        own = self.levels.get(key(subject.instrument), self.base)
        return {
            "model": own - self.base + self.shift,
            "condition.top": -WEAR_COST * (subject.instrument.condition_top or 0),
        }

    def _weight(self, subject: Subject) -> EvidenceWeight:
        count = self.sales.get(key(subject.instrument), 0)
        return EvidenceWeight(evidence_word(count), count, float(count))


def read_fake(files: Mapping[str, bytes], catalogue: Catalogue) -> FittedFake:
    """The inverse of `FittedFake.to_files`."""
    state = json.loads(files["fake.json"])
    last = state["last_evidence"]
    return FittedFake(**{**state, "last_evidence": date.fromisoformat(last) if last else None})


def key(it: Instrument) -> str:
    return f"{it.maker}|{it.model}"


def fit_fake(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int = 0) -> FittedFake:
    """Median log price per model; the spread of what is left."""
    sales = only_sales(rows)
    log = log_usd(sales, rates) + WEAR_COST * np.array([s.instrument.condition_top or 0 for s in sales])
    of: dict[str, list[float]] = {}
    for sale, y in zip(sales, log, strict=True):
        of.setdefault(key(sale.instrument), []).append(float(y))
    levels = {name: float(np.median(values)) for name, values in sorted(of.items())}
    left = [y - levels[name] for name, values in of.items() for y in values]
    return FittedFake(
        base=float(np.median(log)),
        spread=float(np.std(left)),
        last_evidence=max(row.day for row in rows),
        levels=levels,
        sales={name: len(values) for name, values in sorted(of.items())},
    )
