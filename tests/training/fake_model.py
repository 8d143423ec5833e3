"""A price model simple enough to check by hand: a level per model, wear of the top, and a constant width."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject
from models.domain.money import Rates
from models.practice.reliance import EVIDENCE_ALONE, Reliance
from models.price.core.basis import Floats
from models.price.interface import FACTORS, Assessment, EvidenceWeight, evidence_word
from models.study.judge import log_usd, only_sales

WEAR_COST = 0.06


@dataclass(frozen=True)
class FakeModel:
    """`levels`: "maker|model" → log price when the top is as new; `shift`: a bias added to every value."""

    levels: Mapping[str, float]
    sales: Mapping[str, int]
    middle: float
    sd: float
    last: date | None
    shift: float = 0.0

    @property
    def first_evidence(self) -> date | None:
        return date(2000, 1, 3)

    @property
    def last_evidence(self) -> date | None:
        return self.last

    @property
    def reliance(self) -> Reliance:
        return EVIDENCE_ALONE

    def center(self, subjects: Sequence[Subject]) -> Floats:
        return np.array([self._center(s) for s in subjects]) + self.shift

    def _center(self, s: Subject) -> float:
        return self.levels.get(key(s.instrument), self.middle) - WEAR_COST * (s.instrument.condition_top or 0)

    def reference(self, subject: Subject) -> Subject:
        bare = Instrument(subject.instrument.maker, subject.instrument.model, condition_top=1.0)
        return Subject(bare, subject.day, subject.channel)

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        out = np.zeros((len(subjects), len(FACTORS)))
        out[:, FACTORS.index("condition.top")] = self.center(subjects) - self.center(references)
        return out

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        center, references = self.center(subjects), tuple(self.reference(s) for s in subjects)
        half = np.array([NormalDist().inv_cdf((1 + level) / 2) * self.sd for level in levels])
        counts = [self.sales.get(key(s.instrument), 0) for s in subjects]
        return Assessment(
            center,
            center[:, None] - half,
            center[:, None] + half,
            tuple(EvidenceWeight(evidence_word(n), n, float(n)) for n in counts),
            self.center(references),
            self.effects(subjects, references),
            references,
        )

    def to_files(self) -> dict[str, bytes]:
        said = {**self.__dict__, "last": self.last.isoformat() if self.last else None}
        return {"fake.json": json.dumps(said).encode()}


def read_fake(files: Mapping[str, bytes], catalogue: Catalogue) -> FakeModel:
    """The inverse of `FakeModel.to_files`."""
    said = json.loads(files["fake.json"])
    return FakeModel(**{**said, "last": date.fromisoformat(said["last"]) if said["last"] else None})


def key(it: Instrument) -> str:
    return f"{it.maker}|{it.model}"


def fit_fake(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int = 0) -> FakeModel:
    """Median log price per model; the spread of what is left."""
    sales = only_sales(rows)
    log = log_usd(sales, rates) + WEAR_COST * np.array([s.instrument.condition_top or 0 for s in sales])
    of: dict[str, list[float]] = {}
    for sale, y in zip(sales, log, strict=True):
        of.setdefault(key(sale.instrument), []).append(float(y))
    levels = {name: float(np.median(values)) for name, values in sorted(of.items())}
    left = [y - levels[name] for name, values in of.items() for y in values]
    sales_of = {name: len(values) for name, values in sorted(of.items())}
    middle, last = float(np.median(log)), max(row.day for row in rows)
    return FakeModel(levels, sales_of, middle, float(np.std(left)), last)
