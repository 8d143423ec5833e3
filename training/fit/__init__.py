"""Fit a price model on evidence. Commands, backtests and tests all call `fit_model`."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.domain.vocabulary import FIELDS
from models.practice import NO_PRACTICE, Practice
from models.practice.reliance import EVIDENCE_ALONE, Reliance
from models.price.core.core import Core
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.features import columns, edition_key, model_key
from models.price.instruments.model import GuitarModel
from training.fit.core import FittedCore, fit_core
from training.fit.design.data import Data, Thinned
from training.fit.design.typical import typical_of
from training.fit.guitars import guitar_specification
from training.fit.practice import practice_report, reliance_on, spread_report, statements_of
from training.fit.report import report_of
from training.fit.solve.variance_components import VarianceComponents, variance_components_of

_HIDDEN = (0.2, 0.9)  # Range of the chance with which each field of a copied sale is hidden.
_HIDEABLE = tuple(f.flat for f in FIELDS if f.flat not in ("maker", "model", "edition", "serial", "build"))


@dataclass(frozen=True)
class Fit:
    """A fitted price model, the report of its fit (JSON), and variances that a later fit can start from."""

    model: GuitarModel
    report: dict[str, Any]
    learned: VarianceComponents


def fit_model(
    evidence: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    *,
    seed: int = 0,
    progress: bool = True,
    learned: VarianceComponents | None = None,
    width: float = 1.0,
    practice: Practice = NO_PRACTICE,
) -> Fit:
    """Fit a price model on evidence whose names are spelled as in the catalogue.

    Prices are converted to US dollars at the rate of their day. The order of the rows does not matter.
    `learned`: variances of an earlier fit on less evidence, to start from. `width`: factor on the widths of
    ranges. `practice`: rules of common practice, used as priors. Raises ValueError without any sale,
    RateError for a currency without a rate.
    """
    rows = sorted(evidence, key=lambda e: (e.day, e.id))
    encoding = InstrumentEncoding(catalogue, typical_of(rows, catalogue))
    data = replace(data_of(rows, encoding, rates), statements=statements_of(practice))
    with tqdm(desc="fitting", unit=" steps", disable=None if progress else True, leave=False) as bar:
        fitted = fit_core(data, guitar_specification(), encoding, seed, learned, bar.update)
    spread = fitted.core.spread
    assert spread is not None
    core = replace(fitted.core, spread=replace(spread, shape=spread.shape * width))
    learnt = practice_report(practice, fitted)
    model = model_of(core, rows, encoding, reliance_on(learnt))
    spreads = spread_report(practice, fitted)
    report = {**report_of(rows, fitted, model), "practice": learnt, "spreads": spreads}
    return Fit(model, report, variance_components_of(fitted.problem, fitted.estimate))


def model_of(
    core: Core,
    rows: Sequence[Evidence],
    encoding: InstrumentEncoding,
    reliance: Reliance = EVIDENCE_ALONE,
) -> GuitarModel:
    """Make a price model of its fitted core (regression, trees and spread) and the rows it was fitted on."""
    return GuitarModel(
        core=core,
        catalogue=encoding.catalogue,
        sales=counts_of(rows),
        typical=encoding.typical,
        first_evidence=min(e.day for e in rows),
        last_evidence=max(e.day for e in rows),
        reliance=reliance,
    )


def data_of(rows: Sequence[Evidence], encoding: InstrumentEncoding, rates: Rates) -> Data:
    """Return the rows in the form that a fit takes, with log prices in US dollars."""
    price = np.log([e.usd(rates) for e in rows])
    gap = ["" if e.kind == "sale" else f"{e.kind} {e.channel}" for e in rows]
    # Offers are few, so all share one noise variance. Asking prices have one for each channel.
    kind = [e.kind if e.kind == "offer" else g for e, g in zip(rows, gap, strict=True)]
    subjects = [e.subject for e in rows]
    table = columns(subjects, encoding.catalogue, encoding.typical)
    thinned = thinned_of(rows, encoding)
    return Data(
        table, [encoding.row(s) for s in subjects], price, gap, kind, [e.specimen for e in rows], thinned
    )


def thinned_of(rows: Sequence[Evidence], encoding: InstrumentEncoding) -> Thinned:
    """Copy every second sale and hide some of its fields at random, with a chance drawn for each sale."""
    rng = np.random.default_rng(0)
    sales = [at for at, e in enumerate(rows) if e.kind == "sale"][::2]
    subjects = []
    for at in sales:
        share = rng.uniform(*_HIDDEN)
        gone = [
            flat for flat, draw in zip(_HIDEABLE, rng.random(len(_HIDEABLE)), strict=True) if draw < share
        ]
        subjects.append(rows[at].subject.but(**dict.fromkeys(gone)))
    table = columns(subjects, encoding.catalogue, encoding.typical)
    return Thinned(np.array(sales, np.int64), table, [encoding.row(s) for s in subjects])


def counts_of(rows: Sequence[Evidence]) -> Mapping[str, Mapping[str, Mapping[str, int]]]:
    """Count the closed sales: model key → edition key → build → number."""
    out: dict[str, dict[str, Counter[str]]] = {}
    for e in rows:
        if e.kind == "sale":
            editions = out.setdefault(model_key(e.subject), {})
            editions.setdefault(edition_key(e.subject), Counter())[e.instrument.build or "production"] += 1
    return out


__all__ = ["Fit", "FittedCore", "VarianceComponents", "counts_of", "data_of", "fit_model", "model_of"]
