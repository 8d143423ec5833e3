"""The price model of instruments, which answers `models.price.interface.PriceModel` by a fitted `Core`."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import BundleDamagedError
from models.practice.reliance import EVIDENCE_ALONE, Reliance, read_reliance
from models.price.core.basis import Floats
from models.price.core.checks import read_json
from models.price.core.core import Core, read_core
from models.price.evaluator.encoding import Row
from models.price.evaluator.evaluator import Evaluator, PredictionIntervals
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.features import edition_key, feature_hash, model_key
from models.price.instruments.reference import Typical, reference_of
from models.price.interface import FACTORS, Assessment, Estimate, EvidenceWeight, evidence_word

_MOST_WARM = 100  # Most models that `warm` prepares; each takes some milliseconds and half a megabyte.


@dataclass(frozen=True)
class GuitarModel:
    """The `PriceModel` of instruments: a fitted core, the numbers of sales behind it, and typical values.

    `sales`: model key → edition key → build → number of closed sales. `typical`: model key → typical values.
    `reliance`: the share of each effect that rests on rules of common practice.
    """

    core: Core
    catalogue: Catalogue
    sales: Mapping[str, Mapping[str, Mapping[str, int]]]
    typical: Mapping[str, Typical]
    first_evidence: date | None
    last_evidence: date | None
    reliance: Reliance = EVIDENCE_ALONE

    @cached_property
    def evaluator(self) -> Evaluator:
        """The evaluator that computes values, ranges and effects from the core."""
        return Evaluator(self.core, self._encoding)

    @cached_property
    def _encoding(self) -> InstrumentEncoding:
        return InstrumentEncoding(self.catalogue, self.typical)

    def _rows(self, subjects: Sequence[Subject]) -> list[Row]:
        return [self._encoding.row(subject) for subject in subjects]

    def center(self, subjects: Sequence[Subject]) -> Floats:
        return self.evaluator.center(self._rows(subjects)) if subjects else np.zeros(0)

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        if not subjects:
            return Estimate(np.zeros(0), np.zeros((0, len(levels))), np.zeros((0, len(levels))), ())
        return self._weighed(subjects, self.evaluator.ranges(self._rows(subjects), levels))

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        if not subjects:
            return Assessment(
                **vars(self.estimate((), levels)),
                reference_center=np.zeros(0),
                effects=np.zeros((0, len(FACTORS))),
                references=(),
            )
        ranges, reasons = self.evaluator.explained(self._rows(subjects), levels)
        return Assessment(
            **vars(self._weighed(subjects, ranges)),
            reference_center=reasons.center,
            effects=reasons.effects,
            references=tuple(Subject(Instrument(*v[:-2]), *v[-2:]) for v in reasons.references),
        )

    def _weighed(self, subjects: Sequence[Subject], ranges: PredictionIntervals) -> Estimate:
        direct = [self.direct_sales(s) for s in subjects]
        pairs = zip(direct, ranges.effective.tolist(), strict=True)
        weights = tuple(EvidenceWeight(evidence_word(n), n, round(effective, 1)) for n, effective in pairs)
        return Estimate(ranges.center, ranges.low, ranges.high, weights)

    def difference_sd(self, subjects: Sequence[Subject], others: Sequence[Subject]) -> Floats:
        rows, beside = self._rows(subjects), self._rows(others)
        return np.asarray(np.sqrt(self.evaluator.difference_variance(rows, beside)))

    def noise_sd(self, subjects: Sequence[Subject]) -> Floats:
        return np.asarray(np.sqrt(self.evaluator.noise_variance(self._rows(subjects))))

    def loadings(self, subjects: Sequence[Subject]) -> Floats:
        return self.evaluator.loadings(self._rows(subjects))

    def reference(self, subject: Subject) -> Subject:
        return reference_of(subject, self.typical[model_key(subject)])

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        for s, r in zip(subjects, references, strict=True):
            if model_key(s) != model_key(r):
                raise ValueError("effects are counted between two instruments of one model")
        return self.evaluator.effects(self._rows(subjects), self._rows(references))

    def warm(self) -> None:
        """Fill the caches for the models with the most sales, by valuing a blank instrument of each."""
        sold = {key: sum(sum(n.values()) for n in own.values()) for key, own in self.sales.items()}
        day = self.last_evidence or date.today()
        all_blank = [
            Subject(Instrument(m.maker, m.name), day, DEFAULT_CHANNEL) for m in self.catalogue.models
        ]
        known = [subject for subject in all_blank if model_key(subject) in self.typical]
        most = sorted(known, key=lambda subject: -sold.get(model_key(subject), 0))[:_MOST_WARM]
        if most:
            self.assess(most, DEFAULT_LEVELS)

    def direct_sales(self, subject: Subject) -> int:
        """Return the number of closed sales of the same model, edition and build."""
        of_model = self.sales.get(model_key(subject), {})
        return of_model.get(edition_key(subject), {}).get(subject.instrument.build or "production", 0)

    def to_files(self) -> dict[str, bytes]:
        """Return the core's files and `model.json`, which holds everything else."""
        state = {
            "features": feature_hash(),
            "sales": self.sales,
            "typical": {key: vars(typical) for key, typical in self.typical.items()},
            "first_evidence": self.first_evidence.isoformat() if self.first_evidence else None,
            "last_evidence": self.last_evidence.isoformat() if self.last_evidence else None,
            "reliance": self.reliance.state(),
        }
        return {"model.json": json.dumps(state, sort_keys=True).encode(), **self.core.to_files()}


def read_model(files: Mapping[str, bytes], catalogue: Catalogue) -> GuitarModel:
    """Read a model that `to_files` wrote.

    Raises BundleDamagedError if its feature columns are not this version's, and as `read_core`.
    """
    state = read_json(files["model.json"])
    if state["features"] != feature_hash():
        raise BundleDamagedError(
            "this bundle was fitted on other feature columns than this version makes; fit again"
        )
    first, last = state["first_evidence"], state["last_evidence"]
    return GuitarModel(
        core=read_core(files),
        catalogue=catalogue,
        sales=state["sales"],
        typical={key: Typical(**t) for key, t in state["typical"].items()},
        first_evidence=date.fromisoformat(first) if first else None,
        last_evidence=date.fromisoformat(last) if last else None,
        reliance=read_reliance(state["reliance"]),
    )
