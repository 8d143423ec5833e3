"""A price model simple enough to check by hand, for tests of what stands around the real one."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path

import numpy as np

from models.bundles.bundle import write_bundle
from models.domain.catalogue import Catalogue, read_catalogue
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EVIDENCE, EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.money import Rates
from models.domain.vocabulary import FIELDS, Kind
from models.practice.reliance import EVIDENCE_ALONE, Reliance, read_reliance
from models.price.core.basis import Floats
from models.price.interface import FACTORS, Assessment, Estimate, EvidenceWeight, evidence_word

CATALOGUE = read_catalogue("""
[[model]]
maker = "Ostvik"
name = "Fjell 2"
first_year = 1958
last_year = 1969
body = "solid"
figured_top = true
finish = [{ name = "Tarn", share = 0.7 }, { name = "Rowan", share = 0.05 }]
edition = [{ name = "Solverv", first_year = 1964, last_year = 1965, production_total = 120, numbered = true }]
watchpoint = [{ part = "pickups", note = "one of the two is often rewound" }]

[[model]]
maker = "Ostvik"
name = "Dal"
first_year = 1962
last_year = 1974
figured_top = false

[[model]]
maker = "Séraphine & Fils"
name = "Étoile"
first_year = 1971
last_year = 1980
finish = [{ name = "Brume" }]
""")

RATES = Rates(
    np.array([date(2020, 1, 1).toordinal(), date(2026, 1, 2).toordinal()]),
    {"EUR": np.array([1.25, 1.1]), "JPY": np.array([0.008, 0.0065]), "KWD": np.array([3.3, 3.25])},
    "invented for the tests",
)


def _sold(id: str, kind: str, price: str, serial: str | None = None, **fields: object) -> Evidence:
    it = Instrument("Ostvik", "Fjell 2", serial=serial, **fields)  # type: ignore[arg-type]
    return Evidence(id, kind, date(2025, 6, 1), Decimal(price), "USD", "dealer", "", it)


# What a bundle of the fake keeps: one sale, one asking, both of Ostvik Fjell 2 at a dealer's.
EVIDENCE_ROWS = (
    _sold("S1", "sale", "2000", "F 77", condition_neck=4.0, originality_pickups="original"),
    _sold("A1", "asking", "3000", condition_neck=2.0),
)


@dataclass(frozen=True)
class FakePriceModel:
    """log value = base − .1 per step of loss + .2 per step of figure − .05 at a dealer's; ± `spread`·z."""

    base: float = 8.0
    spread: float = 0.3
    first_evidence: date | None = date(2004, 1, 2)
    last_evidence: date | None = date(2026, 1, 2)
    reliance: Reliance = EVIDENCE_ALONE

    def center(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) sums of the parts, row by row."""
        return np.array([math.fsum([self.base, *self._parts(s).values()]) for s in subjects])

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        """Give values and ranges; a range is `spread` · level to either side, wider where less is known."""
        center = self.center(subjects)
        half = self._half_widths(subjects, levels)
        weights = tuple(self._weight(s) for s in subjects)
        return Estimate(center, center[:, None] - half, center[:, None] + half, weights)

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        """The figures of `estimate`, and the reasons."""
        found, references = self.estimate(subjects, levels), tuple(self.reference(s) for s in subjects)
        effects = self.effects(subjects, references)
        base = self.center(references)
        return Assessment(**vars(found), reference_center=base, effects=effects, references=references)

    def difference_sd(self, subjects: Sequence[Subject], others: Sequence[Subject]) -> Floats:
        """A tenth of the difference itself."""
        return np.abs(self.center(subjects) - self.center(others)) / 10

    def warm(self) -> None:
        """Nothing: it remembers nothing."""

    def noise_sd(self, subjects: Sequence[Subject]) -> Floats:
        """The same for all."""
        return np.full(len(subjects), self.spread / 2)

    def loadings(self, subjects: Sequence[Subject]) -> Floats:
        """One error of a sixth of `spread`, which all values share."""
        return np.full((len(subjects), 1), self.spread / 6)

    def reference(self, subject: Subject) -> Subject:
        """Light wear, all original, in the model's commonest finish where the catalogue says one."""
        it = Instrument(subject.instrument.maker, subject.instrument.model, build="production", figure=0.0)
        losses = {f.flat: 2.0 if f.kind is Kind.GRADE else f.names[0] for f in FIELDS if f.loss_ordered}
        return Subject(it.but(**losses), subject.day, subject.channel)

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        """(n, factors): the model is additive, so a factor's effect is its own difference."""
        rows = []
        for subject, reference in zip(subjects, references, strict=True):
            own, other = self._parts(subject), self._parts(reference)
            rows.append([own.get(path, 0.0) - other.get(path, 0.0) for path in FACTORS])
        return np.array(rows).reshape(len(rows), len(FACTORS))

    def to_files(self) -> dict[str, bytes]:
        """One JSON file."""
        state = {"base": self.base, "spread": self.spread, "reliance": self.reliance.state()}
        return {"fake.json": json.dumps(state).encode()}

    def _half_widths(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Floats:
        """(n, levels) half of the width of each range."""
        unknown = np.array([s.instrument[3:].count(None) for s in subjects], dtype=float)
        return np.outer(self.spread * (1 + unknown / 10), np.asarray(levels))

    def _parts(self, subject: Subject) -> dict[str, float]:
        """Factor → its part of the log value."""
        it, parts = subject.instrument, {"channel": -0.05 if subject.channel == "dealer" else 0.0}
        for field in FIELDS:
            value = it.get(field)
            if field.loss_ordered and value is not None:
                step = field.names.index(value) if isinstance(value, str) else float(value)
                parts[field.path] = -0.1 * step
        parts["figure"] = 0.2 * (it.figure or 0.0)
        return parts

    def _weight(self, subject: Subject) -> EvidenceWeight:
        direct = 0 if subject.instrument.edition else 12 if subject.instrument.model == "Dal" else 2
        return EvidenceWeight(evidence_word(direct), direct, float(direct))


def read_fake(files: Mapping[str, bytes], catalogue: Catalogue) -> FakePriceModel:
    """Read the fake model that `to_files` wrote."""
    state = json.loads(files["fake.json"])
    return FakePriceModel(state["base"], state["spread"], reliance=read_reliance(state["reliance"]))


# One square, whose colour is in a style, as the colours of a fit's charts are.
CHART = b"""<svg xmlns="http://www.w3.org/2000/svg" aria-label="A square" viewBox="0 0 9 9">
<path d="M0 0H9V9H0z" style="fill: #0a64c8"/></svg>"""


def write_fake(store: Path, base: float = 8.0, *, provisional: bool = False, **about: object) -> str:
    """Write a bundle of the fake into this store, with `EVIDENCE_ROWS` and a card; give its version."""
    card = {"title": "Model card", "made": "2026-01-02", "base": base}
    files = {
        EVIDENCE: EvidenceSnapshot.of(EVIDENCE_ROWS).to_bytes(),
        "card.json": json.dumps(card).encode(),
        "card.html": b"<!doctype html><title>Model card</title><h1>Model card</h1>" + CHART,
    }
    return write_bundle(store, FakePriceModel(base), CATALOGUE, RATES, about, files, provisional=provisional)
